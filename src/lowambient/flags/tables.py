"""The tables `flags` and `evidence` from what was judged."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference
from lowambient.flags.history import History
from lowambient.flags.signs import Piece

Array = npt.NDArray[np.float64]

LEAST_WEIGHT, MOST_PIECES = 0.02, 20
"""Lighter pieces are left out of the table, and of many the heaviest are kept."""
LIKELY = ((0.9, "Very likely"), (0.5, "Likely"), (0.2, "Possible"), (0.0, "Unlikely"))
SPEAKS, IN_WORDS = 0.1, 0.3
"""Weight from which a piece counts as seen, and from which a sentence names it."""
LEFT_UNSAID = ("unit list",)
"""Kinds of evidence that a sentence does not name beside others: what is usual of such units."""
INSTANT = pl.Datetime("us", "UTC")
EVIDENCE: dict[str, pl.DataType | type[pl.DataType]] = {
    "unit_id": pl.String,
    "circuit": pl.String,
    "flag": pl.String,
    "place": pl.Int64,
    "kind": pl.String,
    "weight": pl.Float64,
    "at": INSTANT,
    "source_table": pl.String,
    "source_key": pl.String,
    "sentence": pl.String,
}
FLAGS: dict[str, pl.DataType | type[pl.DataType]] = {
    "unit_id": pl.String,
    "circuit": pl.String,
    "flag": pl.String,
    "probability": pl.Float64,
    "probability_ever": pl.Float64,
    "probability_logged": pl.Float64,
    "raised": pl.Boolean,
    "episodes": pl.Int64,
    "first_seen": INSTANT,
    "last_seen": INSTANT,
    "new_since": pl.Boolean,
    "last_checked_at": INSTANT,
    "last_verdict": pl.String,
    "sentence": pl.String,
    "evidence_count": pl.Int64,
    "rests_on": pl.String,
    "check": pl.String,
    "bring": pl.String,
}


@dataclass(frozen=True)
class Judged:
    """A flag over all units: probabilities by unit (NaN: not in the table; `logged` NaN: never logged), episodes by
    unit, pieces with their weights."""

    flag: str
    probability: Array
    ever: Array
    logged: Array
    episodes: npt.NDArray[np.int64]
    pieces: tuple[tuple[Piece, float], ...]

    def by_unit(self) -> dict[int, list[tuple[Piece, float]]]:
        """Pieces that weigh anything, heaviest first."""
        found: dict[int, list[tuple[Piece, float]]] = {}
        for piece, weight in self.pieces:
            if abs(weight) >= LEAST_WEIGHT:
                found.setdefault(piece.unit, []).append((piece, weight))
        for rows in found.values():
            rows.sort(key=lambda row: (-round(abs(row[1]), 6), row[0].source_table, row[0].source_key, row[0].sentence))
        return found


def evidence_table(history: History, judged: list[Judged]) -> pl.DataFrame:
    """Grain: piece of evidence; units and flags in order, heaviest piece first."""
    names = history.units["unit_id"]
    rows = [
        (
            names[unit],
            piece.circuit,
            each.flag,
            place,
            piece.kind,
            round(weight, 3),
            piece.at,
            piece.source_table,
            piece.source_key,
            piece.sentence,
        )
        for each in judged
        for unit, pieces in each.by_unit().items()
        if np.isfinite(each.probability[unit])
        for place, (piece, weight) in enumerate(pieces[:MOST_PIECES], 1)
    ]
    return pl.DataFrame(rows, schema=EVIDENCE, orient="row").sort("unit_id", "flag", maintain_order=True)


def flag_table(
    history: History, judged: list[Judged], checks: pl.DataFrame, thresholds: Mapping[str, float]
) -> pl.DataFrame:
    """Grain: unit, circuit, flag."""
    help_of = {row["flag"]: row for row in reference.rows("flag_checks")}
    last = {
        (row["unit_id"], row["flag"]): (row["checked_at"], row["verdict"])
        for row in checks.sort("checked_at").iter_rows(named=True)
    }
    rows = []
    for each in judged:
        pieces = each.by_unit()
        for unit in np.flatnonzero(np.isfinite(each.probability)):
            own = pieces.get(int(unit), [])
            name, probability = history.units["unit_id"][int(unit)], round(float(each.probability[unit]), 4)
            seen = sorted(piece.at for piece, weight in own if weight >= SPEAKS and piece.at is not None)
            checked_at, verdict = last.get((name, each.flag), (None, None))
            rows.append(
                (
                    name,
                    _circuit(own),
                    each.flag,
                    probability,
                    max(round(float(each.ever[unit]), 4), probability),
                    round(float(each.logged[unit]), 4) if np.isfinite(each.logged[unit]) else None,
                    probability >= _raised_from(each.flag, thresholds),
                    int(each.episodes[unit]),
                    seen[0] if seen else None,
                    seen[-1] if seen else None,
                    None,
                    checked_at,
                    verdict,
                    _sentence(each.flag, probability, own),
                    len(own),
                    _rests_on(own),
                    help_of[each.flag]["check"],
                    help_of[each.flag]["bring"],
                )
            )
    return pl.DataFrame(rows, schema=FLAGS, orient="row").sort("unit_id", "flag")


def _raised_from(flag: str, thresholds: Mapping[str, float]) -> float:
    return thresholds["head_control_raised_probability" if flag == "head control out" else "flag_raised_probability"]


def _circuit(pieces: list[tuple[Piece, float]]) -> str | None:
    """The one circuit whose readings speak for the flag, where no other piece of readings does."""
    read = [piece for piece, weight in pieces if weight >= IN_WORDS and piece.kind in ("head pressure", "readings")]
    named = {piece.circuit for piece in read}
    return named.pop() if len(named) == 1 else None


def _rests_on(pieces: list[tuple[Piece, float]]) -> str | None:
    """What kinds of evidence carry a flag: 'readings', 'calls', 'notes', 'checks', 'unit list', in that order."""
    groups = {"call": "calls", "cold weather": "calls", "note": "notes", "check": "checks", "unit list": "unit list"}
    found = {groups.get(piece.kind, "readings") for piece, weight in pieces if abs(weight) >= IN_WORDS}
    return ", ".join(name for name in ("readings", "calls", "notes", "checks", "unit list") if name in found) or None


def _sentence(flag: str, probability: float, pieces: list[tuple[Piece, float]]) -> str:
    """How likely, what speaks for it and what against."""
    likely = next(word for least, word in LIKELY if probability >= least)
    speaks = [piece for piece, weight in pieces if weight >= IN_WORDS and piece.kind not in ("call", *LEFT_UNSAID)][:2]
    calls = [piece for piece, weight in pieces if weight >= IN_WORDS and piece.kind == "call"]
    against = [piece for piece, weight in pieces if weight <= -IN_WORDS and piece.kind not in LEFT_UNSAID][:1]
    parts = [f"{likely}: {flag}."]
    if calls:
        times = [piece.at for piece in calls if piece.at is not None]
        parts.append(f"{len(calls)} {'call speaks' if len(calls) == 1 else 'calls speak'} for it{_between(times)}.")
    parts += [piece.sentence for piece in speaks]
    if against:
        parts.append(f"Against: {against[0].sentence}")
    if not pieces or (not calls and not speaks and not against):
        parts.append("It rests on what is usual of such units.")
    return " ".join(parts)


def _between(times: list[datetime]) -> str:
    if not times:
        return ""
    first, last = min(times), max(times)
    return f", on {first:%d %b %Y}" if first == last else f", from {first:%b %Y} to {last:%b %Y}"
