"""Every stop of the compressor, with what the channels said about it."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.runs import SPLIT, Indices, Running

LONGEST_START_S = 360.0
"""A stop this soon after a start counts as one on start: start delays of low-pressure switches reach five minutes."""
RATE_OVER_S = 60.0
ABOUT_A_STOP_S = 45.0
"""A lagging sensor still shows the stop for so long (judgement)."""
SURE_OF_SECOND = 5
LEVEL = 1.25
"""Head over suction [-] under which they are level, with sensors that disagree (judgement)."""
HARDLY_EVER, COLDER_K = 0.005, 1.0
"""Share of running that may be colder than where a control stops it, and how much colder counts (judgement)."""
SPLIT_OFF_S = 90.0
"""A stop read from the pressure split is known to that (judgement)."""


@dataclass(frozen=True)
class Stops:
    """Grain: stop whose edge was seen. Arrays (stops,), in time order.

    `last_on`, `first_off` and `last_off` are samples; `restarts` says that the off time ended in a start that was seen;
    `run_s` is the length of the run before, infinite where its start was not seen. `lowest_kpa` is the lowest suction
    about the stop, `highest_kpa` the highest head; the rates are how fast each moved before it. `came_level`: head
    hardly stood over suction by the end of the rest. `still_called`, `lp_opened`, `hp_opened` and `solenoid_shut`
    (while the compressor still ran) are 1, 0, or NaN where not logged. `solenoid_open`: logged open when it ran last
    and when it stood; `solenoid_called`: the same as `still_called` of the solenoid, which the call itself opens where
    a circuit pumps down. `unseen_pauses` [-] is about the share of pauses of the call that come and go between two
    samples; `late_s`: how much later than it happened a stop may show. `coldest_run_c`: outdoor temperature under which
    the circuit hardly ever ran, and `idle_below_h` how long it stood in spite of a call when it was colder still.
    """

    last_on: Indices
    first_off: Indices
    last_off: Indices
    restarts: Mask
    run_s: Array
    off_s: Array
    wait_s: Array
    lowest_kpa: Array
    suction_rate: Array
    highest_kpa: Array
    head_rate: Array
    came_level: Mask
    still_called: Array
    unseen_pauses: float
    lp_opened: Array
    hp_opened: Array
    solenoid_shut: Array
    solenoid_open: Mask
    solenoid_called: Array
    cooling: Mask
    outdoor_c: Array
    late_s: float
    coldest_run_c: float
    idle_below_h: float

    def __len__(self) -> int:
        return len(self.last_on)

    @property
    def on_start(self) -> Mask:
        """Stops within the time that a start may take."""
        return self.run_s <= LONGEST_START_S


def stops(trace: Trace, running: Running) -> Stops:
    """All stops of a circuit whose last running and first resting sample were both logged."""
    spans = running.spans
    off = np.flatnonzero(~spans.on & spans.follows)
    last_on, first_off, last_off = spans.first[off] - 1, spans.first[off], spans.last[off]
    after = np.minimum(off + 1, len(spans.first) - 1)
    restarts = (off + 1 < len(spans.first)) & spans.follows[after] & spans.on[after]
    at_s = trace.at_s
    ends_s = np.where(restarts, at_s[np.minimum(last_off + 1, len(at_s) - 1)], at_s[last_off])
    run_begin = spans.first[off - 1]
    run_s = np.where(spans.follows[off - 1], at_s[last_on] - at_s[run_begin] + trace.step_s / 2, np.inf)
    about = _about(at_s, last_on, trace.step_s)
    suction, head = trace["suction_kpa"], trace.head_kpa
    read_at = _call_read_at(running, first_off, last_off)
    coldest_c, idle_h = _idle_below(trace, running)
    called_by = "cooling_called" if trace.has("cooling_called") else "liquid_solenoid_open"
    return Stops(
        last_on=last_on,
        first_off=first_off,
        last_off=last_off,
        restarts=restarts,
        run_s=run_s,
        off_s=ends_s - at_s[first_off],
        wait_s=at_s[first_off] - at_s[last_on],
        lowest_kpa=_extreme(suction, about, -1.0),
        suction_rate=np.minimum(_rate(at_s, suction, last_on, run_begin), 0.0),
        highest_kpa=_extreme(head, about, 1.0),
        head_rate=np.maximum(_rate(at_s, head, last_on, run_begin), 0.0),
        came_level=_level(suction, head, first_off, last_off),
        still_called=_still_called(trace["cooling_called"], read_at),
        unseen_pauses=_unseen_pauses(trace[called_by]),
        lp_opened=_opened(trace["lp_switch_closed"], last_on, first_off),
        hp_opened=_opened(trace["hp_switch_closed"], last_on, first_off),
        solenoid_shut=_solenoid_shut(trace["liquid_solenoid_open"], running, last_on),
        solenoid_open=(trace["liquid_solenoid_open"][last_on] == 1) & (trace["liquid_solenoid_open"][first_off] == 1),
        solenoid_called=_still_called(trace["liquid_solenoid_open"], (first_off, first_off)),
        cooling=trace.cooling[last_on],
        outdoor_c=trace.outdoor_c[first_off],
        late_s=SPLIT_OFF_S if running.from_what == SPLIT else 0.0,
        coldest_run_c=coldest_c,
        idle_below_h=idle_h,
    )


def coldest_run_c(trace: Trace, running: Running) -> float:
    """Outdoor temperature under which the circuit hardly ever ran, degC; NaN where that is not known."""
    ran_c = trace.outdoor_c[np.flatnonzero(running.on)]
    ran_c = ran_c[np.isfinite(ran_c)]
    return float(np.quantile(ran_c, HARDLY_EVER)) if len(ran_c) else np.nan


def _idle_below(trace: Trace, running: Running) -> tuple[float, float]:
    """`coldest_run_c`, and hours that the circuit stood in spite of a call when it was colder still; NaN and 0 where
    no call is logged."""
    called = trace["cooling_called"] == 1
    if not called.any():
        return np.nan, 0.0
    coldest_c = coldest_run_c(trace, running)
    idle = called & running.known & ~running.on & (trace.outdoor_c < coldest_c - COLDER_K)
    return coldest_c, float(idle.sum() * trace.step_s / 3600)


def _about(at_s: Array, last_on: Indices, step_s: float) -> list[Indices]:
    """Samples about each stop: the last running one, and those just after while a lagging sensor still catches up."""
    until = np.searchsorted(at_s, at_s[last_on] + ABOUT_A_STOP_S, side="right")
    count = int(np.clip(np.ceil(ABOUT_A_STOP_S / step_s), 1, 8))
    return [np.where(last_on + n < until, last_on + n, last_on) for n in range(count + 1)]


def _extreme(channel: Array, about: list[Indices], sign: float) -> Array:
    """The lowest (sign -1) or highest of some readings; of five and more the second, so that noise does not make it."""
    found = np.sort(-sign * channel[np.stack(about)], axis=0)
    return np.asarray(-sign * found[1 if len(about) >= SURE_OF_SECOND else 0])


def _rate(at_s: Array, channel: Array, last_on: Indices, run_begin: Indices) -> Array:
    """Change before the stop, kPa/s, over a minute or two samples of the same run; one sample takes the one before."""
    minute_before = np.searchsorted(at_s, at_s[last_on] - RATE_OVER_S, side="right") - 1
    begin = np.minimum(minute_before, last_on - 1)
    begin = np.maximum(np.maximum(begin, np.minimum(run_begin, last_on - 1)), 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = (channel[last_on] - channel[begin]) / (at_s[last_on] - at_s[begin])
    return np.where(np.isfinite(rate), rate, 0.0)


def _level(suction: Array, head: Array, first_off: Indices, last_off: Indices) -> Mask:
    """Whether head stands hardly over suction in the last three samples of each rest; not in a shorter one."""
    last = last_off - np.arange(3)[:, None]
    level = (head[last] < LEVEL * suction[last]).all(axis=0)
    return np.asarray(level & (last_off - first_off >= 2))


def _call_read_at(running: Running, first_off: Indices, last_off: Indices) -> tuple[Indices, Indices]:
    """First and last sample at which the call of a rest is read; a stop that the split shows may be a while off, and
    the call may have come back by then. Before the middle of a brief run it may not have come yet."""
    if running.from_what != SPLIT or len(first_off) == 0:
        return first_off, first_off
    at_s = running.at_s
    run_middle = (running.runs[0][running.run_no[first_off - 1]] + first_off) // 2
    sooner = np.maximum(np.searchsorted(at_s, at_s[first_off - 1] - SPLIT_OFF_S), run_middle)
    later = np.searchsorted(at_s, at_s[first_off] + SPLIT_OFF_S, side="right") - 1
    return sooner, np.minimum(later, last_off)


def _still_called(called: Array, read_at: tuple[Indices, Indices]) -> Array:
    """1 where cooling was called for all the time that the compressor came to a stand; NaN also where the call never
    changes."""
    if len(read_at[0]) == 0 or not (np.nanmin(called, initial=1.0) < np.nanmax(called, initial=0.0)):
        return np.full(len(read_at[0]), np.nan)
    bounds = np.stack([read_at[0], read_at[1] + 1], axis=1).ravel()
    return np.asarray(np.minimum.reduceat(np.append(called, np.nan), bounds)[::2])


def _solenoid_shut(open_now: Array, running: Running, last_on: Indices) -> Array:
    """1 where the liquid solenoid was shut while the compressor still ran, 0 where not, NaN where not logged.

    The split shows a stop late, when the solenoid may have shut with it; so it must have been shut for a while.
    """
    if running.from_what != SPLIT:
        return 1 - open_now[last_on]
    before = np.searchsorted(running.at_s, running.at_s[last_on] - ABOUT_A_STOP_S)
    return 1 - np.maximum(open_now[last_on], open_now[before])


def _unseen_pauses(called: Array) -> float:
    """Pauses of the call as short as a sample among all, by Laplace's rule: as many again fall between two samples."""
    off = np.concatenate([[False], called == 0, [False]])
    edges = np.flatnonzero(np.diff(off))
    lengths = edges[1::2] - edges[::2]
    return float(((lengths == 1).sum() + 1) / (len(lengths) + 2))


def _opened(closed: Array, last_on: Indices, first_off: Indices) -> Array:
    """1 where a contact opened about the stop; NaN too where it had stood open while the compressor ran on."""
    shut = _shut(closed, last_on, first_off)
    was_open = (closed[np.maximum(last_on - 2, 0)] == 0) & (closed[np.maximum(last_on - 1, 0)] == 0)
    return np.where((shut == 1) & was_open, np.nan, shut)


def _shut(closed: Array, last_on: Indices, first_off: Indices) -> Array:
    """1 where a contact that shows 1 when closed stood open at the first resting sample or the last running one."""
    shown = np.fmin(closed[last_on], closed[first_off])
    return np.where(np.isfinite(shown), (shown == 0).astype(float), np.nan)
