"""What is known of each condition of each unit at the data's end, at any time, and while it was logged."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient.flags.chains import Known, ever, smoothed
from lowambient.flags.history import History
from lowambient.flags.learning import Chunk, Evidence, Fleet, chunks, known_of, rows_of
from lowambient.flags.sources import Source

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Condition:
    """Of one source: `now` unit by state; `ever`, `logged` by unit for each way of counting states (row), `logged` NaN
    where the unit was never logged; `at_calls`: probability of each state at each ticket's week."""

    source: Source
    now: Array
    ever: Array
    logged: Array
    at_calls: Array


def condition(
    history: History, fleet: Fleet, source: Source, extra: Evidence | None, counted: Array, logged: Flags
) -> Condition:
    """Follows one condition through all units. `counted`: ways by unit by state, which states count (0 or 1);
    `logged`: unit by week."""
    count, states = len(history.served), len(source.levels) + 1
    now, at_calls = np.zeros((count, states)), np.zeros((len(history.calls), states))
    at_all, while_logged = np.zeros((2, len(counted), count))
    last = history.last_weeks()
    for chunk in chunks(history, fleet, source, extra):
        known = smoothed(chunk.log_like, chunk.moves)
        now[chunk.units] = known.states[np.arange(len(chunk.units)), last[chunk.units]]
        _at_calls(history, chunk, known, at_calls)
        for way, states_counted in enumerate(counted):
            of_units = states_counted[chunk.units, None, :] > 0
            served = history.served[chunk.units] > 0
            in_service = of_units & served[:, :, None]
            at_all[way, chunk.units] = ever(chunk.log_like, chunk.moves, in_service, known.likelihood)
            is_logged = logged[chunk.units]
            some = np.asarray(is_logged.any(axis=1))
            found = np.full(len(chunk.units), np.nan)
            if some.any():
                found[some] = ever(
                    chunk.log_like[some],
                    chunk.moves.taken(some),
                    of_units[some] & is_logged[some][:, :, None],
                    known.likelihood[some],
                )
            while_logged[way, chunk.units] = found
    return Condition(source, now, at_all, while_logged, at_calls)


def states_now(history: History, fleet: Fleet, source: Source, extra: Evidence | None) -> Array:
    """Probability of each state in the last week of service: unit by state, as `Condition.now`."""
    now, last = np.zeros((len(history.served), len(source.levels) + 1)), history.last_weeks()
    for chunk, known in known_of(history, fleet, source, extra):
        now[chunk.units] = known.states[np.arange(len(chunk.units)), last[chunk.units]]
    return now


def _at_calls(history: History, chunk: Chunk, known: Known, at_calls: Array) -> None:
    calls = history.calls
    inside = rows_of(calls.unit, chunk.units)
    inside = inside[(calls.week[inside] >= 0) & (calls.week[inside] < history.weeks)]
    rows = np.searchsorted(chunk.units, calls.unit[inside])
    at_calls[inside] = known.states[rows, calls.week[inside]]
