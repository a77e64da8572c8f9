"""What each piece of evidence weighs: how far it moves the log odds of a flag, on top of all that came before it.

The weights of a flag, with that of what is usual of such a unit, add up to its log odds: pieces that say the same
share what they say, and the first has most of it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from lowambient.flags.chains import before_each_week, states_after
from lowambient.flags.history import History
from lowambient.flags.learning import Chunk, Evidence, Fleet, call_log_odds, calls_count, chunk_of, rows_of
from lowambient.flags.signs import Piece, Signs
from lowambient.flags.sources import COLD, MARKS, UNCLEAR, Source

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Score = Callable[[Array, Index], Array]
"""From states at the end (row by state) and the unit of each row: probabilities, flag by row."""

UNITS_AT_ONCE, STEPS_AT_ONCE = 400, 400
TELLING_ODDS = 0.4
"""Log odds that a call must give to some state to be a piece of its own (judgement)."""
COLD_ENOUGH = 0.2
"""Calls that a winter should have brought to some state, so that their staying away is a piece (judgement)."""
NEAR_ZERO = 1e-6


@dataclass(frozen=True)
class Removal:
    """A piece, and what it adds to the log likelihood: `log_like[row]` (by state) in `week[row]`."""

    piece: Piece
    week: Index
    log_like: Array


@dataclass(frozen=True)
class Weighed:
    """A piece with its weight for each flag of a condition, natural log odds."""

    piece: Piece
    weights: Array


@dataclass(frozen=True)
class Known:
    """What pieces are weighed with: the records, what they taught, the signs found, and those of the source."""

    history: History
    fleet: Fleet
    signs: Signs
    extra: Evidence | None


def weighed(known: Known, source: Source, units: Index, score: Score) -> Iterator[Weighed]:
    """Every piece about a condition of these units (sorted), with its weights, in order of time within a unit."""
    history, fleet, signs, extra = known.history, known.fleet, known.signs, known.extra
    odds = call_log_odds(history, fleet, source)
    for first in range(0, len(units), UNITS_AT_ONCE):
        some = units[first : first + UNITS_AT_ONCE]
        chunk = chunk_of(history, fleet, source, extra, odds, some)
        by_unit: dict[int, list[Removal]] = {int(unit): [] for unit in some}
        for removal in _removals(history, source, signs, extra, odds, some):
            by_unit[removal.piece.unit].append(removal)
        before = before_each_week(chunk.log_like, chunk.moves)
        for batch in _batches(by_unit):
            yield from _in_time(history, chunk, before, batch, score)


def _batches(by_unit: dict[int, list[Removal]]) -> Iterator[dict[int, list[Removal]]]:
    """Units with their pieces in order of time, some together, so that one pass over the weeks serves them all."""
    batch: dict[int, list[Removal]] = {}
    steps = 0
    for unit, removals in by_unit.items():
        batch[unit] = sorted(
            removals, key=lambda each: (_instant(each.piece), each.piece.source_table, each.piece.source_key)
        )
        steps += len(removals) + 1
        if steps >= STEPS_AT_ONCE:
            yield batch
            batch, steps = {}, 0
    if batch:
        yield batch


def _in_time(
    history: History, chunk: Chunk, before: Array, batch: dict[int, list[Removal]], score: Score
) -> Iterator[Weighed]:
    """The pieces of some units, each added to those of its unit before it; `before`: `before_each_week` of `chunk`."""
    counts = [len(removals) + 1 for removals in batch.values()]
    rows = np.repeat(np.searchsorted(chunk.units, list(batch)), counts)
    steps, last = chunk.log_like[rows], chunk.log_like.shape[1] - 1
    since = np.full(len(rows), last)
    first = 0
    for removals in batch.values():
        left_out = np.zeros_like(steps[0])
        earliest = last
        for place in range(len(removals) - 1, -1, -1):
            np.add.at(left_out, removals[place].week, removals[place].log_like)
            steps[first + place] -= left_out
            earliest = min(earliest, int(removals[place].week.min()))
            since[first + place] = earliest
        first += len(removals) + 1
    states = states_after(steps, chunk.moves.taken(rows), since, before[since, :, rows].T)
    odds = log_odds(score(states, chunk.units[rows]))
    first = 0
    for unit, removals in batch.items():
        yield Weighed(_usual(history, unit), odds[:, first])
        for place, removal in enumerate(removals, first):
            yield Weighed(removal.piece, odds[:, place + 1] - odds[:, place])
        first += len(removals) + 1


def _instant(piece: Piece) -> float:
    return piece.at.timestamp() if piece.at is not None else 0.0


def _usual(history: History, unit: int) -> Piece:
    listed = history.units.row(unit, named=True)
    duty, control = listed["duty"] or "duty not recorded", listed["head_control"] or "unknown"
    sentence = (
        f"Before any of this: what is usual of such units ({duty}; head-pressure control on the list: {control})."
    )
    return Piece(unit, None, "unit list", None, "units", listed["unit_id"], sentence)


def log_odds(probability: Array) -> Array:
    """Natural-log odds, kept finite."""
    kept = np.clip(probability, NEAR_ZERO, 1 - NEAR_ZERO)
    return np.asarray(np.log(kept / (1 - kept)))


def _removals(
    history: History, source: Source, signs: Signs, extra: Evidence | None, odds: Array, units: Index
) -> Iterator[Removal]:
    if extra is not None:
        rows = rows_of(extra.unit, units)
        rows = rows[np.argsort(extra.piece[rows], kind="stable")]
        pieces, begins = np.unique(extra.piece[rows], return_index=True)
        for piece, own in zip(pieces, np.split(rows, begins[1:]), strict=True) if len(rows) else ():
            yield Removal(signs.pieces[int(piece)], extra.week[own], extra.log_like[own])
    calls = history.calls
    rows = rows_of(calls.unit, units)
    for row in rows[calls.is_complaint[rows] & (odds[rows].max(axis=1, initial=-np.inf) >= TELLING_ODDS)]:
        yield Removal(_call_piece(history, int(row)), calls.week[row : row + 1], odds[row : row + 1])
    if source.name == COLD:
        yield from _quiet_winters(history, source, units)


def _call_piece(history: History, row: int) -> Piece:
    calls = history.calls
    words = MARKS[calls.mark[row]]
    said = "its note says almost nothing" if words == UNCLEAR else f"its words: {words}"
    air = history.coldest_c[calls.band[row]] if calls.band[row] >= 0 else None
    weather = "weather not known" if air is None else f"coldest hour of the day before about {air:.0f} °C"
    at = history.started[0] + timedelta(hours=float(calls.opened_h[row]))
    return Piece(
        int(calls.unit[row]),
        None,
        "call",
        at,
        "calls",
        calls.call_id[row],
        f"Call of {at:%d %b %Y}: {said}; {weather}.",
    )


def _quiet_winters(history: History, source: Source, units: Index) -> Iterator[Removal]:
    """Cold weather of each winter, July to June, as evidence that no more calls came in it."""
    hazards = source.hazards(history.coldest_c)
    started: datetime = history.started[0]
    winter = np.array([_winter(started + timedelta(weeks=week)) for week in range(history.weeks)])
    hours = history.band_hours(units)
    for place, unit in enumerate(units):
        expected = hours[place] @ hazards.T
        says = calls_count(source) * expected
        for year in np.unique(winter):
            weeks = np.flatnonzero(winter == year)
            if expected[weeks].sum(axis=0).max() < COLD_ENOUGH:
                continue
            name = history.units["unit_id"][int(unit)]
            sentence = f"Cold weather of winter {year}/{(year + 1) % 100:02d}, but for the calls that came."
            at = started + timedelta(weeks=int(weeks[-1]))
            yield Removal(
                Piece(
                    int(unit), None, "cold weather", at, "cold_hours", f"{name}/{year}/{(year + 1) % 100:02d}", sentence
                ),
                weeks,
                -says[weeks],
            )


def _winter(at: datetime) -> int:
    return at.year if at.month >= 7 else at.year - 1
