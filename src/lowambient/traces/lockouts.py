"""Stopped time after a low-pressure trip with cooling still wanted: how long, what held it, what ended it."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.stops import Stops

SHORTEST_S = 900.0
"""A stop shorter than a quarter of an hour is a trip that cleared itself, anti-recycle time included (judgement)."""
AFTER_STOP_S = 300.0
"""Until then liquid left indoors holds the low side up (judgement)."""
WARMED_K = 1.0
"""Rise of the outdoor temperature that explains a rise of the standing pressure (judgement)."""

SLOW_S = 45.0
MOVED = 4.0
"""Jump of suction, in standard deviations of a reading, that a start leaves behind (judgement)."""

OPEN, LATCHED, CANNOT_TELL = "switch open", "latched", "cannot tell"


@dataclass(frozen=True)
class Lockout:
    """Grain: lockout. Seconds since 1970 UTC; outdoor temperature, degC, when it began (NaN: not known)."""

    started_s: float
    ended_s: float
    kind: str
    outdoor_c: float
    ended_by: str


def lockouts(
    trace: Trace, stops: Stops, is_trip: Mask, reset_kpa: float | None, blur_kpa: float, always_wanted: bool
) -> list[Lockout]:
    """Lockouts of a circuit; `reset_kpa`: where its switch resets, if known; `blur_kpa`: the doubt of a reading.

    Where calls are not logged, a stop above the reset may be a satisfied thermostat, and is left out unless the start
    before it failed, or the unit is one that always cools.
    """
    tripped = [(int(stop), int(stops.first_off[stop])) for stop in np.flatnonzero(is_trip)]
    held = [
        each
        for stop in range(len(stops))
        for each in _called_in_vain(trace, stops, stop, bool(is_trip[stop]), blur_kpa)
    ]
    begins = sorted({(first, stop) for stop, first in tripped + held})
    found = (_lockout(trace, stops, stop, first, reset_kpa, blur_kpa) for first, stop in begins)
    is_wanted = np.isfinite(stops.still_called) | stops.on_start | always_wanted
    return [
        each
        for each, (_, stop) in zip(found, begins, strict=True)
        if each.ended_s - each.started_s >= SHORTEST_S and (is_wanted[stop] or each.kind == OPEN)
    ]


def _called_in_vain(trace: Trace, stops: Stops, stop: int, is_trip: bool, blur_kpa: float) -> list[tuple[int, int]]:
    """Calls within one off time that no start answered: after a trip, or where suction jumped as by a start.

    Between slow samples a start and its trip go unseen; a controller that holds a circuit off leaves pressures alone.
    """
    first, last = int(stops.first_off[stop]), int(stops.last_off[stop])
    called, suction = trace["cooling_called"][first : last + 1], trace["suction_kpa"][first : last + 1]
    begins = np.flatnonzero((called[1:] == 1) & (called[:-1] == 0)) + 1
    found = []
    for begin in begins:
        before, after = suction[max(begin - 3, 0) : begin], suction[begin : begin + 4]
        if np.isfinite(before).any() and np.isfinite(after).any():
            moved_kpa = np.nanmax(np.abs(after - np.nanmedian(before)))
            if is_trip or (trace.step_s > SLOW_S and moved_kpa > MOVED * blur_kpa):
                found.append((stop, first + int(begin)))
    return found


def _lockout(trace: Trace, stops: Stops, stop: int, first: int, reset_kpa: float | None, blur_kpa: float) -> Lockout:
    """The lockout that begins with sample `first` of a stop's off time."""
    last = int(stops.last_off[stop])
    until = _call_ends(trace["cooling_called"], first, last)
    is_over = bool(stops.restarts[stop]) and until is None
    ended_s = trace.at_s[until] if until is not None else trace.at_s[stops.first_off[stop]] + stops.off_s[stop]
    off = slice(first, (until or last) + 1)
    kind = _kind(trace, off, reset_kpa, blur_kpa)
    if until is not None:
        ended_by = "cooling call ended"
    elif not is_over:
        ended_by = "log ended"
    else:
        ended_by = _ended_by(trace, off, kind, reset_kpa, blur_kpa)
    return Lockout(trace.at_s[first], float(ended_s), kind, float(trace.outdoor_c[first]), ended_by)


def _call_ends(called: Array, first: int, last: int) -> int | None:
    """The sample at which a call that stood at sample `first` was let go; null where it was not, or is not logged."""
    if called[first] != 1:
        return None
    let_go = np.flatnonzero(called[first : last + 1] == 0)
    return first + int(let_go[0]) if len(let_go) else None


def _kind(trace: Trace, off: slice, reset_kpa: float | None, blur_kpa: float) -> str:
    """What held it out: most of the time under the reset, or long above it."""
    at_s = trace.at_s[off]
    is_settled = at_s - at_s[0] >= AFTER_STOP_S
    closed = trace["lp_switch_closed"][off][is_settled]
    if np.isfinite(closed).any():
        return OPEN if np.nanmean(closed) < 0.5 else LATCHED
    suction = trace["suction_kpa"][off][is_settled]
    known = np.isfinite(suction)
    if reset_kpa is None or not known.any():
        return CANNOT_TELL
    above = (suction[known] > reset_kpa + 1.5 * blur_kpa).mean()
    above_s = above * (at_s[-1] - at_s[0])
    if above_s > 2 * AFTER_STOP_S and above > 0.3:
        return LATCHED
    return OPEN if above < 0.5 else CANNOT_TELL


def _ended_by(trace: Trace, off: slice, kind: str, reset_kpa: float | None, blur_kpa: float) -> str:
    if kind == LATCHED:
        is_called = bool((trace["cooling_called"][off] == 1).any())
        return "power cycled or reset" if is_called else "unknown"
    if kind == CANNOT_TELL or reset_kpa is None:
        return "unknown"
    suction = trace["suction_kpa"][off]
    at_end = suction[np.isfinite(suction)][-3:]
    if len(at_end) and np.median(at_end) < reset_kpa - 3 * blur_kpa:
        return "power cycled or reset"
    outdoor = trace.outdoor_c[off]
    warmed_k = outdoor[-1] - np.nanmin(outdoor) if np.isfinite(outdoor[-1]) else 0.0
    return "outdoor warmed" if warmed_k >= WARMED_K else "pressure recovered otherwise"
