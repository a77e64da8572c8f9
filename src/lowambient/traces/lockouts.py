"""Stopped time after a trip or a failed start with cooling still wanted: how long, what held it, what ended it."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.held_out import Rests, Standing, log_odds, rests_of
from lowambient.traces.runs import Running
from lowambient.traces.stops import COLDER_K, Stops
from lowambient.traces.tries import stirs, tries

SHORTEST_S = 900.0
"""A stop shorter than a quarter of an hour is a trip that cleared itself, anti-recycle time included (judgement)."""
AFTER_STOP_S = 300.0
"""Until then liquid left indoors holds the low side up (judgement)."""
WARMED_K = 1.0
"""Rise of the outdoor temperature that explains a rise of the standing pressure (judgement)."""

CALL_GAP_S = 3600.0
"""A call that is gone for less than that while nothing ran did not end a lockout: a defrost, a change of stage
(judgement; defrosts of boxes last 15 to 45 minutes)."""
IN_VAIN_S = 7200.0
"""A call that nothing answers for so long, in air in which the circuit runs, is one in vain: no timer holds off so long
(judgement)."""
FEWEST_SAMPLES = 7
"""Fewer do not show that a circuit stood still."""
RESTLESS, RESTLESS_KPA = 2.5, 35.0
"""Scatter from one sample to the next, in deviations of a reading and at all (5 psi: no transducer of the trade
scatters so much), that only a circuit which runs between samples shows."""
AROUND, FEWEST_LONE_RUNS, SAMPLES_A_LONE_RUN, CHANCE = 24, 3, 2.0, 0.005
"""Runs of hardly more than a sample come faster than the log. Where so many are seen within so many samples before and
after a rest, it is believed at half a per cent, since a log has hundreds of rests (judgement)."""
CLEARS_S = 3600.0
"""A shorter rest after a high-pressure trip may be a satisfied thermostat's, where no call is logged (judgement)."""

APART = 1.3
"""Head over suction [-] at which no circuit has long been at rest (judgement: sensors that disagree by 15 % each)."""

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
class Tripped:
    """Stops (stops,) that are trips of the low and the high-pressure switch, and how likely each is a trip at all."""

    low: Mask
    high: Mask
    probability: Array


@dataclass(frozen=True)
class _Rest:
    """One rest, samples `first` to `last`: how it began and ended."""

    first: int
    last: int
    restarts: bool
    after_high: bool
    held: bool
    """Whether its beginning alone says that the circuit was held out."""


@dataclass(frozen=True)
class _Held:
    """A stretch of rest (samples `first` to `last`) with cooling wanted and a failed start or a trip before it."""

    first: int
    last: int
    ends: str
    """`restart`, `try`, `call` (let go) or `log`."""
    after_high: bool = False
    """A trip of the high-pressure switch began it."""


def lockouts(trace: Trace, running: Running, stops: Stops, tripped: Tripped, standing: Standing) -> list[Lockout]:
    """Lockouts of a circuit.

    Before each comes a stop that most likely held it out (`held_out.log_odds`), or a start that failed, which in a slow
    log shows only by its stir; or a call stands while the switch must be open. A high-pressure switch closes as soon as
    the condenser cools: what holds after it is a latch.
    """
    rests = rests_of(trace, running, stops, SHORTEST_S)
    after_high = rests.of_stop(tripped.high, 0.0) > 0
    odds = log_odds(trace, running, stops, rests, tripped.probability, standing)
    held = (odds > 0) | after_high
    stirred = stirs(trace, standing.noises_kpa)
    active, stirs_at = running.on | stirred, np.flatnonzero(stirred)
    begin, end = np.searchsorted(stirs_at, rests.first), np.searchsorted(stirs_at, rests.last + 1)
    worth = (held | (end > begin)) if not trace.has("cooling_called") else _is_called_within(trace, rests)
    found = []
    for place in np.flatnonzero(worth).tolist():
        rest = _Rest(
            int(rests.first[place]), int(rests.last[place]), bool(rests.restarts[place]), bool(after_high[place]),
            bool(held[place]),
        )  # fmt: skip
        tried = tries(trace.at_s, rest.first, stirs_at[begin[place] : end[place]])
        found += [_lockout(trace, each, standing) for each in _held(trace, rest, tried, standing)
                  if _is_lockout(trace, rest, each, active, standing)]  # fmt: skip
    return found


def _is_called_within(trace: Trace, rests: Rests) -> Mask:
    """Rests (rests,) in which a call stands at some time, or is not known at all."""
    called = trace["cooling_called"]
    on, known = (np.concatenate([[0], np.cumsum(flag)]) for flag in (called == 1, np.isfinite(called)))
    after = rests.last + 1
    return np.asarray((on[after] > on[rests.first]) | (known[after] == known[rests.first]))


def _by_chance(active: Mask, held: _Held) -> bool:
    """Whether so long a rest may be chance: a circuit that cycles faster than its log is caught running now and then.

    `active` (samples,): running or stirred. Told from their share in the samples about the rest; few of them, or runs
    of several samples, are no such chance.
    """
    beside = np.concatenate([active[max(held.first - AROUND, 0) : held.first], active[held.last + 1 :][:AROUND]])
    lone = int(np.count_nonzero(np.diff(beside.astype(np.int8)) == 1))
    if lone < FEWEST_LONE_RUNS or beside.sum() > SAMPLES_A_LONE_RUN * lone:
        return False
    return bool((1 - beside.mean()) ** (held.last - held.first + 1) > CHANCE)


def _is_lockout(trace: Trace, rest: _Rest, held: _Held, active: Mask, standing: Standing) -> bool:
    """Whether a stretch lasts, stands still, is no chance of a slow log, and whether cooling was wanted."""
    begins = held.first == rest.first
    called = bool(np.isfinite(trace["cooling_called"][held.first]))
    shortest_s = CLEARS_S if held.after_high and not called else SHORTEST_S
    if _ends_s(trace, held) - trace.at_s[held.first] < shortest_s or _by_chance(active, held):
        return False
    return _is_still(trace, held, standing) and (called or _is_wanted(trace, held, begins, standing))


def _is_wanted(trace: Trace, held: _Held, begins: bool, standing: Standing) -> bool:
    """The same where no call is logged; what the stop before a rest says of it (`begins`) is weighed already."""
    return begins or standing.duty != "comfort" or _kind(trace, held, standing) == OPEN


def _is_still(trace: Trace, held: _Held, standing: Standing) -> bool:
    """Whether both pressures stand still enough for a circuit at rest, over enough samples."""
    part = slice(held.first, held.last + 1)
    channels = (trace["suction_kpa"][part], trace.head_kpa[part])
    limits_kpa = (min(RESTLESS * noise, RESTLESS_KPA) for noise in standing.noises_kpa)
    still = all(_scatter(channel) <= limit for channel, limit in zip(channels, limits_kpa, strict=True))
    still = still and not (standing.may_heat and _is_apart(*channels))
    return still and held.last - held.first >= FEWEST_SAMPLES - 1


def _is_apart(suction: Array, head: Array) -> bool:
    """Whether head stands over suction for most of a stretch, as while a heat pump heats."""
    apart = head > APART * suction
    return bool(2 * apart.sum() > np.isfinite(head / suction).sum())


def _held(trace: Trace, rest: _Rest, tried: list[tuple[int, int]], standing: Standing) -> list[_Held]:
    """Stretches of one rest in which it was held out: from a trip or a try to the next try, or to the call's end.

    Once a start has failed, later calls in the same rest are in vain too, and so is one that stands while the pressure
    is under the reset, or for hours.
    """
    found, held = [], rest.held
    for begin, end in _calls(trace, rest.first, rest.last):
        start = begin
        held = held or _is_open(trace, slice(begin, end + 1), standing)
        held = held or (begin > rest.first and _is_in_vain(trace, slice(begin, end + 1), standing))
        for try_first, try_last in tried:
            if begin <= try_last <= end:
                if held and try_first > start:
                    found.append(_Held(start, try_first - 1, "try", rest.after_high and start == rest.first))
                held, start = True, try_last
        if held:
            at_end = "restart" if rest.restarts else "log"
            found.append(
                _Held(start, end, at_end if end == rest.last else "call", rest.after_high and start == rest.first)
            )
    return found


def _is_open(trace: Trace, called: slice, standing: Standing) -> bool:
    """Whether a call stands while the pressure shows that the low-pressure switch is open; not where none is logged."""
    suction = trace["suction_kpa"][called]
    suction = suction[np.isfinite(suction)]
    logged = bool(np.isfinite(trace["cooling_called"][called]).any())
    if standing.reset_kpa is None or not logged or len(suction) < FEWEST_SAMPLES:
        return False
    return float(np.median(suction)) < standing.reset_kpa - 2 * standing.noises_kpa[0]


def _is_in_vain(trace: Trace, called: slice, standing: Standing) -> bool:
    """Whether a call stands for hours in air no colder than the circuit runs in: below, its control may hold it off."""
    lasts_s = trace.at_s[called][-1] - trace.at_s[called][0]
    outdoor_c = trace.outdoor_c[called]
    logged = bool(np.isfinite(trace["cooling_called"][called]).any())
    return (
        logged
        and lasts_s >= IN_VAIN_S
        and bool(np.nanmin(outdoor_c, initial=np.inf) >= standing.coldest_run_c - COLDER_K)
    )


def _calls(trace: Trace, first: int, last: int) -> list[tuple[int, int]]:
    """First and last sample of each call within a rest, gaps of a defrost bridged; all of it where none is logged."""
    called = trace["cooling_called"][first : last + 1]
    if not np.isfinite(called).any():
        return [(first, last)]
    on = np.flatnonzero(called == 1) + first
    if len(on) == 0:
        return []
    gone = (np.diff(on) > 1) & (np.diff(trace.at_s[on]) > CALL_GAP_S)
    parts = np.split(on, np.flatnonzero(gone) + 1)
    return [(int(part[0]), int(part[-1])) for part in parts]


def _scatter(values: Array) -> float:
    """Standard deviation of a reading from second differences, robust; 0 where they are few."""
    values = values[np.isfinite(values)]
    if len(values) < 5:
        return 0.0
    return float(np.median(np.abs(np.diff(values, n=2))) / 0.6745 / np.sqrt(6.0))


def _ends_s(trace: Trace, held: _Held) -> float:
    """When a stretch ended, seconds since 1970: with the sample after it, unless that is not there."""
    after = held.last if held.ends == "log" else min(held.last + 1, len(trace) - 1)
    return float(trace.at_s[after])


def _lockout(trace: Trace, held: _Held, standing: Standing) -> Lockout:
    """What held the circuit in a stretch, and what ended that."""
    kind = LATCHED if held.after_high else _kind(trace, held, standing)
    ended_by = {"call": "cooling call ended", "log": "log ended"}.get(held.ends)
    if ended_by is None:
        ended_by = _ended_by(trace, slice(held.first, held.last + 1), kind, standing)
    return Lockout(trace.at_s[held.first], _ends_s(trace, held), kind, float(trace.outdoor_c[held.first]), ended_by)


def _kind(trace: Trace, held: _Held, standing: Standing) -> str:
    """What held it out: most of the time under the reset, or long above it."""
    off, reset_kpa, blur_kpa = slice(held.first, held.last + 1), standing.reset_kpa, standing.noises_kpa[0]
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


def _ended_by(trace: Trace, off: slice, kind: str, standing: Standing) -> str:
    reset_kpa, blur_kpa = standing.reset_kpa, standing.noises_kpa[0]
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
