"""Stopped time after a low-pressure trip with cooling still wanted: how long, what held it, what ended it."""

from dataclasses import dataclass, replace

import numpy as np

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.runs import Indices, Running
from lowambient.traces.stops import Stops

SHORTEST_S = 900.0
"""A stop shorter than a quarter of an hour is a trip that cleared itself, anti-recycle time included (judgement)."""
AFTER_STOP_S = 300.0
"""Until then liquid left indoors holds the low side up (judgement)."""
WARMED_K = 1.0
"""Rise of the outdoor temperature that explains a rise of the standing pressure (judgement)."""

FASTEST_UNSEEN_S = 20.0
"""Logs at least so slow miss a start that fails at once; it still stirs the pressures."""
STIRRED, STIRRED_ONCE, STIRRED_DRIFT = 5.0, 7.0, 1.0
"""Deviations of a reading, both pressures together, from what they stood at, beyond their drift (judgement)."""
SLOWEST_FOR_TWO_S = 120.0
TRIES_APART_S = 900.0
"""Failed starts no farther apart are one try: boards give three starts within a quarter of an hour or so (judgement)."""
CALL_GAP_S = 3600.0
"""A call that is gone for less than that while nothing ran did not end a lockout: a defrost, a change of stage
(judgement; defrosts of boxes last 15 to 45 minutes)."""
FEWEST_SAMPLES = 7
"""Fewer do not show that a circuit stood still."""
RESTLESS, RESTLESS_KPA = 2.5, 35.0
"""Scatter from one sample to the next, in deviations of a reading and at all (5 psi: no transducer of the trade scatters
so much), that only a circuit which runs between samples shows."""
CLEARS_S = 3600.0
"""A shorter rest after a high-pressure trip may be a satisfied thermostat's, where no call is logged (judgement)."""

OPEN, LATCHED, CANNOT_TELL = "switch open", "latched", "cannot tell"


@dataclass(frozen=True)
class Lockout:
    """Grain: lockout. Seconds since 1970 UTC; outdoor temperature, degC, when it began (NaN: not known)."""

    started_s: float
    ended_s: float
    kind: str
    outdoor_c: float
    ended_by: str


@dataclass(frozen=True)
class _Held:
    """A stretch of rest (samples `first` to `last`) with cooling wanted and a failed start or a trip before it."""

    first: int
    last: int
    ends: str
    """`restart`, `try`, `call` (let go) or `log`."""


def lockouts(
    trace: Trace,
    running: Running,
    stops: Stops,
    trips: tuple[Mask, Mask],
    reset_kpa: float | None,
    noises_kpa: tuple[float, float],
    always_wanted: bool,
) -> list[Lockout]:
    """Lockouts of a circuit; `trips` (stops,): low- and high-pressure ones; `reset_kpa`: where the low-pressure switch
    resets, if known; `noises_kpa`: the doubt of a reading of suction and of head.

    Before each comes a trip or a start that failed; one that fails between two samples shows by the stir of both
    pressures. A high-pressure switch closes as soon as the condenser cools: what holds after it is a latch. Where calls are not logged, a rest above the reset may be a satisfied thermostat, and is left out
    unless the start before it failed, or the unit is one that always cools.
    """
    spans = running.spans
    of_stop = {int(first): stop for stop, first in enumerate(stops.first_off)}
    stirs = _stirs(trace, noises_kpa) if trace.step_s >= FASTEST_UNSEEN_S else np.zeros(len(trace), dtype=bool)
    blur_kpa = noises_kpa[0]
    found = []
    lasts_s = trace.at_s[spans.last] - trace.at_s[spans.first] + trace.step_s
    for place in np.flatnonzero(~spans.on & (lasts_s >= SHORTEST_S)).tolist():
        first, last = int(spans.first[place]), int(spans.last[place])
        after = place + 1
        restarts = after < len(spans.on) and bool(spans.follows[after] & spans.on[after])
        stop = of_stop.get(first)
        is_low, is_high = (stop is not None and bool(each[stop]) for each in trips)
        tries = _tries(trace.at_s, first, np.flatnonzero(stirs[first : last + 1]) + first)
        failed_at_once = stop is not None and bool(stops.on_start[stop])
        for held in _held(trace, first, last, restarts, is_low or is_high, tries):
            each = _lockout(trace, held, reset_kpa, blur_kpa)
            called = bool(np.isfinite(trace["cooling_called"][held.first]))
            if is_high and held.first == first:
                each = replace(each, kind=LATCHED)
                if not called and each.ended_s - each.started_s < CLEARS_S:
                    continue
            wanted = always_wanted or called or failed_at_once or held.first > first or each.kind == OPEN
            if each.ended_s - each.started_s >= SHORTEST_S and wanted and _is_still(trace, held, noises_kpa):
                found.append(each)
    return found


def _is_still(trace: Trace, held: _Held, noises_kpa: tuple[float, float]) -> bool:
    """Whether both pressures stand still enough for a circuit at rest, over enough samples."""
    part = slice(held.first, held.last + 1)
    channels = (trace["suction_kpa"][part], trace.head_kpa[part])
    limits_kpa = (min(RESTLESS * noise, RESTLESS_KPA) for noise in noises_kpa)
    still = all(_scatter(channel) <= limit for channel, limit in zip(channels, limits_kpa, strict=True))
    return still and held.last - held.first >= FEWEST_SAMPLES - 1


def _stirs(trace: Trace, noises_kpa: tuple[float, float]) -> Mask:
    """Samples at which both pressures together leave what the three samples before stood at, beyond their drift.

    Head must not fall: a start that fails leaves it higher. In logs fast enough the next sample counts too, since a
    stir lasts for minutes and noise does not.
    """
    suction, head = (_off(channel, noise) for channel, noise in zip(_both(trace), noises_kpa, strict=True))
    once = np.hypot(suction, head)
    stirred = once > STIRRED
    if trace.step_s <= SLOWEST_FOR_TWO_S:
        later = [_off(channel, noise, 1) for channel, noise in zip(_both(trace), noises_kpa, strict=True)]
        twice = np.hypot((suction + later[0]) / 2, (head + later[1]) / 2)
        stirred = (once > STIRRED_ONCE) | (twice > STIRRED)
    return np.asarray(stirred & (head > -1.0))


def _both(trace: Trace) -> tuple[Array, Array]:
    return trace["suction_kpa"], trace.head_kpa


def _off(channel: Array, noise_kpa: float, ahead: int = 0) -> Array:
    """How far the channel, so many samples on, is from the three samples before each one, in deviations of a reading
    and beyond their drift; 0 where one is missing."""
    before = np.stack([np.roll(channel, back) for back in (1, 2, 3)])
    drift = STIRRED_DRIFT * np.abs(before[0] - before[2])
    moved = np.roll(channel, -ahead) - np.median(before, axis=0)
    return np.nan_to_num(np.sign(moved) * np.maximum(np.abs(moved) - drift, 0.0) / noise_kpa)


def _tries(at_s: Array, first: int, stirred: Indices) -> list[tuple[int, int]]:
    """First and last sample of each try to start within a rest that begins with sample `first`."""
    stirred = stirred[at_s[stirred] - at_s[first] > TRIES_APART_S]
    if len(stirred) == 0:
        return []
    parts = np.split(stirred, np.flatnonzero(np.diff(at_s[stirred]) > TRIES_APART_S) + 1)
    return [(int(part[0]), int(part[-1])) for part in parts]


def _held(
    trace: Trace, first: int, last: int, restarts: bool, tripped: bool, tries: list[tuple[int, int]]
) -> list[_Held]:
    """Stretches of one rest in which it was held out: from a trip or a try to the next try, or to the call's end.

    Once a start has failed, later calls in the same rest are in vain too.
    """
    found, held = [], tripped
    for begin, end in _calls(trace, first, last):
        start = begin
        for try_first, try_last in tries:
            if begin <= try_last <= end:
                if held and try_first > start:
                    found.append(_Held(start, try_first - 1, "try"))
                held, start = True, try_last
        if held:
            at_end = "restart" if restarts else "log"
            found.append(_Held(start, end, at_end if end == last else "call"))
    return found


def _calls(trace: Trace, first: int, last: int) -> list[tuple[int, int]]:
    """First and last sample of each call within a rest, gaps of a defrost bridged; all of it where none is logged."""
    called = trace["cooling_called"][first : last + 1]
    if not np.isfinite(called).any():
        return [(first, last)]
    on = np.flatnonzero(called == 1) + first
    if len(on) == 0:
        return []
    parts = np.split(on, np.flatnonzero(np.diff(trace.at_s[on]) > CALL_GAP_S) + 1)
    return [(int(part[0]), int(part[-1])) for part in parts]


def _scatter(values: Array) -> float:
    """Standard deviation of a reading from second differences, robust; 0 where they are few."""
    values = values[np.isfinite(values)]
    if len(values) < 5:
        return 0.0
    return float(np.median(np.abs(np.diff(values, n=2))) / 0.6745 / np.sqrt(6.0))


def _lockout(trace: Trace, held: _Held, reset_kpa: float | None, blur_kpa: float) -> Lockout:
    """What held the circuit in a stretch, and what ended that."""
    off = slice(held.first, held.last + 1)
    kind = _kind(trace, off, reset_kpa, blur_kpa)
    after = held.last if held.ends == "log" else min(held.last + 1, len(trace) - 1)
    ended_by = {"call": "cooling call ended", "log": "log ended"}.get(held.ends)
    if ended_by is None:
        ended_by = _ended_by(trace, off, kind, reset_kpa, blur_kpa)
    return Lockout(trace.at_s[held.first], float(trace.at_s[after]), kind, float(trace.outdoor_c[held.first]), ended_by)


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
