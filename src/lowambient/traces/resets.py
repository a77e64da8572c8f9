"""Where the low-pressure switch resets: between the last pressure that stayed out and the first that let it start."""

import numpy as np

from lowambient.traces.brackets import (
    REPEATABILITY_KPA,
    Estimate,
    Events,
    believed,
    estimate,
    grid_kpa,
    log_bounds,
    log_likelihood,
    normal_log_prior,
)
from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.runs import Indices
from lowambient.traces.stops import Stops

TIMERS_DONE_S = 600.0
"""Anti-recycle and minimum off times have run out by then (makers' manuals give three to five minutes; from memory)."""
AFTER_LONG = 0.4
"""Certainty that the switch let a circuit start after a long stop: somebody may have come (judgement)."""
AFTER_FALL = 0.1
"""The same where the pressure had stood higher before without a start."""
STAYED_BELIEVED, TIMED_BELIEVED = 0.6, 0.85
"""Share of bounds that hold: a latched board stays out above the reset, a jumper wire starts below it (judgement)."""
LIST_BELIEVED = 0.8
"""Share of lists that are right to a few psi (judgement)."""
FEWEST_TIMED, TIMED_WITHIN = 4, 0.01
"""Stops that show a timer, and how alike the long ones are that one ends (judgement)."""
SPLIT_LATE_S, SPLIT_JITTER_S = 120.0, 15.0
"""How late a start may show in the split, and by how much that differs from one to another (judgement)."""
CALL_UNKNOWN = 0.6
"""Certainty that the switch and not the thermostat let it start, where calls are not logged (judgement)."""
RISE_OVER_S = 300.0


def lp_reset(
    trace: Trace,
    stops: Stops,
    is_trip: Mask,
    known: tuple[float | None, float | None],
    noise_kpa: float,
    from_split: bool,
) -> Estimate | None:
    """The reset with its interval; null where no trip ended in a start that was seen, and none stayed out.

    `known`: the listed and the usual reset. `from_split`: starts are read from the pressure split, which opens late.
    A stop that the timers or a missing call may have prolonged only says that the reset is not above where it ended.
    """
    late_s = SPLIT_LATE_S if from_split else 0.0
    tripped = np.flatnonzero(is_trip)
    called = trace["cooling_called"][np.maximum(stops.last_off[tripped] - 1, stops.first_off[tripped])]
    is_long = stops.off_s[tripped] > TIMERS_DONE_S
    is_timed = (called == 0) | _by_timer(stops.off_s[tripped], is_long, trace.step_s + from_split * SPLIT_JITTER_S)
    starts = stops.restarts[tripped]
    quick = _starts(trace, stops, tripped[starts & ~is_long & ~is_timed], late_s)
    blur = float(np.hypot(noise_kpa, REPEATABILITY_KPA))
    late = tripped[starts & is_long & ~is_timed]
    at_peak = np.array([_ends_at_peak(trace, stops, int(each), 2 * blur) for each in late], dtype=bool)
    events = Events.joined(
        quick,
        Events.joined(
            _starts(trace, stops, late[at_peak], late_s).weighed(AFTER_LONG),
            _starts(trace, stops, late[~at_peak], late_s).weighed(AFTER_FALL),
        ),
    )
    timed_kpa = _starts(trace, stops, tripped[starts & is_timed], late_s).reading_kpa
    stayed_kpa = np.array([_stayed_out_kpa(trace, stops, int(each)) for each in tripped[is_long & (called != 0)]])
    stayed_kpa = stayed_kpa[np.isfinite(stayed_kpa)]
    if len(events) < 1 or len(events) + len(timed_kpa) + len(stayed_kpa) < 2:
        return None
    given = [each for each in known if each is not None]
    seen = np.concatenate([stayed_kpa, events.reading_kpa, timed_kpa, given])
    grid = grid_kpa(0.7 * float(seen.min()), 1.2 * float(seen.max()))
    log_posterior = (
        _log_prior(grid, *known)
        + log_likelihood(events, grid, noise_kpa)
        + log_bounds(grid, stayed_kpa, blur, STAYED_BELIEVED, above=True)
        + log_bounds(grid, timed_kpa, blur, TIMED_BELIEVED, above=False)
    )
    return believed(estimate(log_posterior, grid, len(events)), events, noise_kpa)


def _by_timer(off_s: Array, is_long: Mask, step_s: float) -> Mask:
    """Stops as long as most short ones, or most long ones, are: a timer, not the pressure, let the circuit start again;
    after a long stop it clears the board, or somebody does who always comes as late."""
    is_timed = np.zeros(len(off_s), dtype=bool)
    for alike in (~is_long, is_long):
        is_timed[alike] = _usual(off_s[alike], step_s)
    return is_timed


def _usual(off_s: Array, step_s: float) -> Mask:
    """Stops about as long as most of them; none of a few."""
    if len(off_s) < FEWEST_TIMED:
        return np.zeros(len(off_s), dtype=bool)
    lengths_s = np.unique(off_s)
    near = np.abs(off_s[:, None] - lengths_s[None, :]) <= np.maximum(1.5 * step_s, TIMED_WITHIN * lengths_s)
    counts = near.sum(axis=0)
    best = int(np.argmax(counts))
    return np.asarray(near[:, best] & (counts[best] > 0.5 * len(off_s)))


def _log_prior(grid: Array, listed_kpa: float | None, usual_kpa: float | None) -> Array:
    if listed_kpa is not None:
        return normal_log_prior(grid, listed_kpa, 25.0, LIST_BELIEVED)
    return normal_log_prior(grid, usual_kpa, 0.15 * usual_kpa, 0.5) if usual_kpa is not None else np.zeros(len(grid))


def _starts(trace: Trace, stops: Stops, restarted: Indices, late_s: float) -> Events:
    """Starts: the switch closed between the last sample at rest and the first running."""
    at_s, suction = trace.at_s, trace["suction_kpa"]
    last = stops.last_off[restarted]
    if late_s:
        begin = np.maximum(np.searchsorted(at_s, at_s[last] - late_s), stops.first_off[restarted])
        last = np.array([_last_top(suction, low, high) for low, high in zip(begin, last, strict=True)], dtype=np.int64)
    before = np.maximum(np.searchsorted(at_s, at_s[last] - RISE_OVER_S), stops.first_off[restarted])
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.nan_to_num((suction[last] - suction[before]) / (at_s[last] - at_s[before]))
    known = np.isfinite(suction[last])
    wait_s = at_s[np.minimum(last + 1, len(at_s) - 1)] - at_s[last]
    rise = np.maximum(rate, 0.0)[known]
    weight = np.where(np.isnan(trace["cooling_called"][last]), CALL_UNKNOWN, 1.0)[known]
    return Events(suction[last][known], rise, rise * wait_s[known], weight)


def _last_top(suction: Array, low: int, high: int) -> int:
    """The sample at which suction was highest shortly before a start; the start draws it down at once."""
    window = suction[low : high + 1]
    return low + int(np.nanargmax(window)) if np.isfinite(window).any() else high


def _ends_at_peak(trace: Trace, stops: Stops, stop: int, room_kpa: float) -> bool:
    """Whether a rest ended about as high as it ever stood after the timers had run out."""
    stayed_kpa = _stayed_out_kpa(trace, stops, stop)
    last = trace["suction_kpa"][stops.last_off[stop]]
    return not stayed_kpa > last + room_kpa


def _stayed_out_kpa(trace: Trace, stops: Stops, stop: int) -> float:
    """The highest pressure at which the circuit stayed out after the timers had run out, smoothed over five samples."""
    first, last = int(stops.first_off[stop]), int(stops.last_off[stop])
    begin = int(np.searchsorted(trace.at_s, trace.at_s[first] + TIMERS_DONE_S))
    suction = trace["suction_kpa"][begin : last - 2]
    suction = suction[np.isfinite(suction)]
    return float(np.convolve(suction, np.full(5, 0.2), mode="valid").max()) if len(suction) >= 5 else np.nan
