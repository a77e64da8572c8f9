"""What was judged: flags, their evidence and the plan, with every column that a page may show."""

from collections.abc import Mapping

import polars as pl

from lowambient.report import schemas
from lowambient.report.tables import as_written, empty

INSTANT = pl.Datetime("us", "UTC")
JUDGED: dict[str, dict[str, pl.DataType]] = {
    "flags": {
        "unit_id": pl.String(),
        "circuit": pl.String(),
        "flag": pl.String(),
        "probability": pl.Float64(),
        "probability_ever": pl.Float64(),
        "probability_logged": pl.Float64(),
        "threshold": pl.Float64(),
        "raised": pl.Boolean(),
        "episodes": pl.Int64(),
        "first_seen": INSTANT,
        "last_seen": INSTANT,
        "new_since": pl.Boolean(),
        "last_checked_at": INSTANT,
        "last_verdict": pl.String(),
        "sentence": pl.String(),
        "evidence_count": pl.Int64(),
        "check": pl.String(),
        "bring": pl.String(),
    },
    "evidence": {
        "unit_id": pl.String(),
        "circuit": pl.String(),
        "flag": pl.String(),
        "kind": pl.String(),
        "weight": pl.Float64(),
        "at": INSTANT,
        "source_table": pl.String(),
        "source_key": pl.String(),
        "sentence": pl.String(),
    },
    "plan": {
        "rank": pl.Int64(),
        "unit_id": pl.String(),
        "option": pl.String(),
        "cost": pl.Float64(),
        "crew_h": pl.Float64(),
        "avoided_calls_per_winter": pl.Float64(),
        "lower_90": pl.Float64(),
        "upper_90": pl.Float64(),
        "avoided_cost_contractor": pl.Float64(),
        "avoided_cost_customer": pl.Float64(),
        "probability_pays_back": pl.Float64(),
        "selected": pl.Boolean(),
    },
}
BASES = ("readings", "checks on site", "calls", "words", "weather", "unit list")
"""What evidence can rest on, the firmest first (judgement)."""
_TABLE_BASIS = {
    **dict.fromkeys(("trips", "lockouts", "set_points", "head_pressure", "circuit_months", "readings"), "readings"),
    **dict.fromkeys(("calls", "episodes", "callbacks", "follow_up"), "calls"),
    **dict.fromkeys(("call_statements", "call_symptoms", "statements", "words"), "words"),
    **dict.fromkeys(("weather", "weather_hours", "cold_hours", "unit_bands", "exposure"), "weather"),
    **dict.fromkeys(("units", "unit_limits", "sites"), "unit list"),
    "checks": "checks on site",
}


def judged(table: str, frames: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """A table of `JUDGED` as written where the contract has its schema, with columns that are missing added as null."""
    columns = JUDGED[table]
    if table in schemas.ALL:
        frame = as_written(table, frames[table]) if table in frames else empty(table)
    else:
        frame = frames.get(table, pl.DataFrame(schema=columns))
    texts = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Enum | pl.Categorical)]
    frame = frame.with_columns(pl.col(texts).cast(pl.String))
    return frame.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in columns.items() if name not in frame.columns
    )


def basis(kind: str | None, source_table: str | None) -> str:
    """What a piece of evidence rests on: one of `BASES`, else its kind as it is called.

    >>> basis("words", "calls"), basis("lockout", "in_checks"), basis("prior", None)
    ('words', 'checks on site', 'prior')
    """
    if kind in BASES:
        return str(kind)
    table = (source_table or "").removeprefix("in_")
    return _TABLE_BASIS.get(table, kind or "not said")


def rests_on(evidence: pl.DataFrame) -> pl.DataFrame:
    """What each flag rests on: one row a unit, circuit and flag.

    Columns: rests_on (bases of the pieces that speak for it, the firmest first, with their number), pieces_for,
    pieces_against, weight_for, weight_against (sums of log odds).
    """
    rows: dict[tuple[str, str | None, str], list[tuple[str, float]]] = {}
    given = evidence.select("unit_id", "circuit", "flag", "kind", "source_table", "weight")
    for unit_id, circuit, flag, kind, source, weight in given.iter_rows():
        rows.setdefault((unit_id, circuit, flag), []).append((basis(kind, source), weight or 0.0))
    return pl.DataFrame(
        [(*key, *_summed(pieces)) for key, pieces in rows.items()],
        schema={
            "unit_id": pl.String,
            "circuit": pl.String,
            "flag": pl.String,
            "rests_on": pl.String,
            "pieces_for": pl.Int64,
            "pieces_against": pl.Int64,
            "weight_for": pl.Float64,
            "weight_against": pl.Float64,
        },
        orient="row",
    )


def _summed(pieces: list[tuple[str, float]]) -> tuple[str | None, int, int, float, float]:
    speaking = [name for name, weight in pieces if weight > 0]
    order = [*BASES, *sorted(set(speaking) - set(BASES))]
    said = ", ".join(f"{name} ({speaking.count(name)})" for name in order if name in speaking)
    against = [weight for _, weight in pieces if weight < 0]
    weight_for = sum(weight for _, weight in pieces if weight > 0)
    return said or None, len(speaking), len(against), round(weight_for, 4), round(sum(against), 4)
