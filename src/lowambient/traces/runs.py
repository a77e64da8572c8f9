"""Is the compressor running? From its status, else its current, else the split between head and suction pressure."""

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

from lowambient.traces.bends import state_from_bends
from lowambient.traces.circuit import GAP_STEPS, SHORTEST_GAP_S, Array, Mask, Trace
from lowambient.traces.noise import noise_kpa
from lowambient.traces.ranks import known, median, quantiles

Indices = npt.NDArray[np.int64]
Number = TypeVar("Number", np.float64, np.int64)

STATUS, CURRENT, SPLIT, CANNOT_TELL = "status", "current", "pressure split", "cannot tell"

RUNNING_LOG_RATIO = 0.35
"""Logarithm of head over suction (absolute) above which a circuit surely runs: 1.42; starved running keeps 1.6."""
RESTING_LOG_RATIO = 0.2
"""The same under which it surely rests: 1.22; a settled circuit stands near 1, with sensors that disagree by 15 %."""
HIGHEST_REST = 0.45
"""Log ratio at which no circuit runs and some rest (judgement)."""
HEAD_RUNS, HELD_S, FEWEST_HELD, HELD_WITHIN = 1.2, 900.0, 3, 0.2
"""Head over where it comes level that only running keeps up, for so long, over so many samples, at a log ratio that
stays within so much (judgement)."""
ALIKE_LOG_RATIO, APART_LOG_RATIO, FEWEST_TO_JUDGE = 0.08, 1.0, 20
RUNNING_SHARE_OF_CURRENT = 0.3
"""Share of the circuit's usual running current above which it runs (judgement: heaters are under, part load above)."""
LEAST_RUNNING_A = 0.8
SMOOTHED_S = 60.0
"""Span of the median that keeps noise from looking like a start (judgement); none where samples are farther apart."""
ABOUT_A_RUN = 7
"""Samples about each of a run's in which its pressures may part: sensors lag (judgement)."""
SURE_APART = 4.0
"""Deviations of a log ratio, over which at low pressures too it is no noise (judgement)."""
PUMPED_DOWN_S, BEFORE_PUMP_DOWN_S, FALLS_TO = 300.0, 120.0, 0.95
"""A pump-down lasts a minute or two (judgement: five at most); how long before its beginning, and to what share of its
level there, head falls once nothing runs, be it only from what a fan or two holds over ambient (judgement)."""
KNEE_WITHIN_S, KNEE_AFTER_S, KNEE_SHARE = 180.0, 60.0, 0.1
"""A change shows in the split at most so long before or after its bend, and is under way once so much of it is done."""


@dataclass(frozen=True)
class Spans:
    """Stretches of one state without a gap; arrays (spans,). `first` and `last` are the samples at their ends."""

    first: Indices
    last: Indices
    on: Mask
    follows: Mask
    """The span before ends at the sample before, with the opposite state: the edge was seen."""


@dataclass(frozen=True)
class Running:
    """State of each sample: `on` and `known` (samples,), and what it was judged from."""

    at_s: Array
    on: Mask
    known: Mask
    gap_before: Mask
    from_what: str

    @cached_property
    def spans(self) -> Spans:
        """Stretches of one known state, in time order."""
        state = np.where(self.known, self.on.astype(np.int8), np.int8(-1))
        begins = self.gap_before.copy()
        begins[:1] = True
        begins[1:] |= state[1:] != state[:-1]
        first = np.flatnonzero(begins)
        last = np.concatenate([first[1:] - 1, [len(state) - 1]]) if len(first) else first
        kept = state[first] >= 0
        seen = np.concatenate([[False], state[first[:-1]] >= 0])[: len(first)] & ~self.gap_before[first]
        return Spans(first[kept], last[kept], state[first[kept]] == 1, seen[kept])

    @cached_property
    def runs(self) -> tuple[Indices, Indices]:
        """First and last sample of each run, in time order."""
        return self.spans.first[self.spans.on], self.spans.last[self.spans.on]

    def over_runs(self, values: npt.NDArray[Number], elsewhere: float) -> npt.NDArray[Number]:
        """A value of each run spread over its samples, another one elsewhere (samples,)."""
        first, last = self.runs
        bounds = np.stack([first, last + 1], axis=1).ravel()
        spread = np.stack([values, np.full_like(values, elsewhere)], axis=1).ravel()
        lengths = np.diff(bounds, prepend=0, append=len(self.on))
        return np.repeat(np.append(values.dtype.type(elsewhere), spread), lengths)

    @cached_property
    def run_no(self) -> Indices:
        """Number of the run that each sample belongs to, from 0; -1 where off or not known."""
        return self.over_runs(np.arange(len(self.runs[0])), -1)

    @cached_property
    def since_start_s(self) -> Array:
        """Seconds since the run began; infinite where its beginning was not seen, NaN where off or not known."""
        began_s: Array = np.where(self.spans.follows[self.spans.on], self.at_s[self.runs[0]], -np.inf)
        return self.at_s - self.over_runs(began_s, np.nan)

    @cached_property
    def since_begin_s(self) -> Array:
        """Seconds since the start of the run or the gap in the log before it; minus infinite where off or not known."""
        return self.at_s - self.over_runs(self.at_s[self.runs[0]], np.inf)

    @cached_property
    def until_stop_s(self) -> Array:
        """Seconds to the last sample of the run, infinite where the log stops before the run does; minus infinite where
        off or not known."""
        spans = self.spans
        runs = np.flatnonzero(spans.on)
        stop_seen = np.append(spans.follows, False)[runs + 1]
        stops_s: Array = np.where(stop_seen, self.at_s[spans.last[runs]], np.inf)
        return self.over_runs(stops_s, -np.inf) - self.at_s


def running(trace: Trace) -> Running:
    """The state of every sample, from the best source that can be trusted."""
    for source, given in ((STATUS, _status_state(trace)), (CURRENT, _current_state(trace))):
        known = np.isfinite(given)
        if known.mean() > 0.5 and _agrees(given, trace.log_split):
            state = given if known.all() else np.where(known, given, _split_state(trace, log_ratio(trace)))
            return Running(trace.at_s, state == 1, np.isfinite(state), trace.gap_before, source)
    split = _without_pumped_down(trace, _split_state(trace, log_ratio(trace)))
    if np.isfinite(split).mean() > 0.5:
        return Running(trace.at_s, split == 1, np.isfinite(split), trace.gap_before, SPLIT)
    nothing = np.zeros(len(trace), dtype=bool)
    return Running(trace.at_s, nothing, nothing, trace.gap_before, CANNOT_TELL)


def _agrees(state: Array, ratio: Array) -> bool:
    """A source that the pressures flatly contradict is stuck, or wired to something else: it says on where head and
    suction stand alike, or off where they are far apart, more often than not."""
    known = np.isfinite(ratio)
    on, off = (ratio[np.flatnonzero(known & (state == each))] for each in (1, 0))
    alike = (np.abs(on) < ALIKE_LOG_RATIO).mean() if len(on) >= FEWEST_TO_JUDGE else 0.0
    apart = (off > APART_LOG_RATIO).mean() if len(off) >= FEWEST_TO_JUDGE else 0.0
    return bool(max(alike, apart) < 0.5)


def _status_state(trace: Trace) -> Array:
    return trace["compressor_on"]


def _current_state(trace: Trace) -> Array:
    current = trace["compressor_a"]
    if not trace.has("compressor_a"):
        return current
    known = np.isfinite(current)
    usual_a = float(quantiles(current[known], [0.95])[0])
    limit_a = max(RUNNING_SHARE_OF_CURRENT * usual_a, LEAST_RUNNING_A)
    return np.where(known, (current > limit_a).astype(float), np.nan)


def log_ratio(trace: Trace) -> Array:
    """Natural logarithm of head over suction pressure, both absolute; a running median where samples come fast."""
    return _smoothed(trace.log_split, trace.step_s)


def _smoothed(ratio: Array, step_s: float) -> Array:
    """A running median over SMOOTHED_S."""
    window = 2 * int(SMOOTHED_S / (2 * step_s)) + 1 if step_s > 0 else 1
    if window < 3 or len(ratio) < window:
        return ratio
    return np.where(np.isfinite(ratio), median_filter(ratio, size=window, mode="nearest"), np.nan)


def _split_state(trace: Trace, ratio: Array) -> Array:
    """1 and 0 from the pressures alone, NaN where they are not known for longer than a moment."""
    suction, head = trace["suction_kpa"], trace.head_kpa
    state = np.full(len(trace), np.nan)
    told = np.flatnonzero(np.isfinite(suction) & np.isfinite(head) & (suction > 0) & (head > 0))
    if len(told) == 0:
        return state
    everywhere = np.ones(len(told), dtype=bool)
    noises = noise_kpa(suction[told], everywhere), noise_kpa(head[told], everywhere)
    limits = _split_limits(ratio, head, trace.step_s)
    gaps = np.diff(trace.at_s[told], prepend=-np.inf) > max(GAP_STEPS * trace.step_s, SHORTEST_GAP_S)
    bounds = np.append(np.flatnonzero(gaps), len(told))
    for begin, end in pairwise(bounds.tolist()):
        part = told[begin:end]
        found = state_from_bends(trace.step_s, (suction[part], head[part]), noises, limits)
        apart = trace.log_split[part]
        smoothed = ratio if len(part) == len(trace) else _smoothed(apart, trace.step_s)
        found = _sharpened(trace.at_s[part], smoothed, found)
        doubt = np.sqrt((noises[0] / suction[part]) ** 2 + (noises[1] / head[part]) ** 2)
        found = _that_part(found, apart - np.maximum(limits[0], SURE_APART * doubt))
        state[part[0] : part[-1] + 1] = np.repeat(found, np.diff(part, append=part[-1] + 1))
    return state


def _without_pumped_down(trace: Trace, split: Array) -> Array:
    """The same states with rests after a pump-down as such, in which head stays over the suction that was drawn down:
    told where neither call nor open solenoid is logged for longer than a pump-down takes, and head falls."""
    unwanted = trace.cooling & ((trace["cooling_called"] == 0) | (trace["liquid_solenoid_open"] == 0))
    if trace.head_tap == "" or not unwanted.any() or unwanted.all():
        return split
    edges = np.flatnonzero(np.diff(unwanted.astype(np.int8), prepend=0, append=0))
    first, until = edges[::2], edges[1::2]
    drawn = np.searchsorted(trace.at_s, trace.at_s[first] + PUMPED_DOWN_S)
    runs_on = np.concatenate([[0], np.cumsum((split == 1) & unwanted)])
    told = (drawn < until) & (first > 0) & (runs_on[until] > runs_on[np.minimum(drawn, until)])
    state = split.copy()
    for begin, after, end in zip(first[told].tolist(), drawn[told].tolist(), until[told].tolist(), strict=True):
        before = min(np.searchsorted(trace.at_s, trace.at_s[begin] - BEFORE_PUMP_DOWN_S), begin - 1)
        ran_at, stands_at = (_median_known(trace.head_kpa[a:b]) for a, b in ((before, begin), (after, end)))
        if stands_at < FALLS_TO * ran_at:
            drawn_down = trace["suction_kpa"][begin:after]
            lowest = begin + int(np.nanargmin(drawn_down)) if np.isfinite(drawn_down).any() else after
            state[lowest + 1 : end] = 0.0
    return state


def _median_known(values: Array) -> float:
    """Median of what is known; NaN of nothing."""
    told = known(values)
    return median(told) if len(told) else np.nan


def _that_part(state: Array, beyond: Array) -> Array:
    """The same states without runs about which the log ratio is never `beyond` what rest and noise show (over 0)."""
    first = np.concatenate([[0], np.flatnonzero(np.diff(state)) + 1])
    most = np.maximum.reduceat(maximum_filter1d(beyond, size=ABOUT_A_RUN), first)
    rests = (state[first] == 0) | (most <= 0)
    return np.repeat(np.where(rests, 0.0, 1.0), np.diff(first, append=len(state)))


def _sharpened(at_s: Array, ratio: Array, state: Array) -> Array:
    """The same states with each change moved to where the ratio left its level."""
    edges = np.flatnonzero(np.diff(state)) + 1
    if len(edges) == 0:
        return state
    signs = np.where(state[edges] > 0, -1.0, 1.0)
    begins, ends = _about_edges(at_s, edges)
    knees, first = edges.copy(), np.full(len(edges), -1)
    while True:  # a knee comes after the one before, so one that moved may move the next
        allowed = np.maximum(begins, np.append(0, knees[:-1]) + 1)
        anew = np.flatnonzero(allowed != first)
        if len(anew) == 0:
            break
        first = allowed
        knees[anew] = _knees(ratio, signs[anew], first[anew], edges[anew], ends[anew])
    return np.repeat(state[np.append(0, edges)], np.diff(knees, prepend=0, append=len(state)))


def _about_edges(at_s: Array, edges: Indices) -> tuple[Indices, Indices]:
    """First and last sample about each edge at which its change may show: none beyond the next edge."""
    begins = np.searchsorted(at_s, at_s[edges] - KNEE_WITHIN_S)
    ends = np.searchsorted(at_s, at_s[edges] + KNEE_AFTER_S, side="right")
    return begins, np.minimum(ends, np.append(edges, len(at_s))[1:] - 1)


def _knees(ratio: Array, signs: Array, begins: Indices, edges: Indices, ends: Indices) -> Indices:
    """First sample of the fall (sign -1: of the rise) about each edge: after the split left its level.

    Samples `begins` to `ends` are looked at; an edge with none before it or none after it stays.
    """
    knees = edges.copy()
    told = np.flatnonzero((begins < edges) & (edges < ends))
    if len(told) == 0:
        return knees
    begins, edges, ends = (each[told, None] for each in (begins, edges, ends))
    places = begins + np.arange((ends - begins).max() + 1)
    inside = places <= ends
    window = np.where(inside, signs[told, None] * ratio[np.minimum(places, len(ratio) - 1)], np.inf)
    lately = np.sort(np.where(places < edges, window, np.inf), axis=1)
    level = np.take_along_axis(lately, (0.9 * (edges - begins - 1)).astype(np.int64), axis=1)
    near = inside & (window >= level - KNEE_SHARE * (level - window.min(axis=1, keepdims=True)))
    last = ends[:, 0] - np.where(near, ends - places, len(ratio)).min(axis=1)
    falls = near.any(axis=1) & (last < ends[:, 0])
    knees[told[falls]] = last[falls] + 1
    return knees


def _split_limits(ratio: Array, head: Array, step_s: float) -> tuple[float, float]:
    """Log ratios under which a circuit rests and over which it runs: about the gap between its own two states.

    Two states are believed where the lower one is near rest and few samples lie between (Otsu's threshold); else the
    usual limits are taken. A low side that stays colder than the outdoor coil never comes quite level. Nor are they
    believed where head, while the sides stay between the usual limit and such a gap, stands over where they come level:
    then the circuit runs, in air so cold that they hardly part.
    """
    seen = ratio[np.isfinite(ratio)]
    if len(seen) < FEWEST_TO_JUDGE:
        return RESTING_LOG_RATIO, RUNNING_LOG_RATIO
    counts, edges = np.histogram(np.clip(seen, -0.2, 2.2), bins=96)
    middle, below = (edges[1:] + edges[:-1]) / 2, np.cumsum(counts)
    total = np.cumsum(counts * middle)
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = total / below, (total[-1] - total) / (below[-1] - below)
        between = below * (below[-1] - below) * (high - low) ** 2
    best = int(np.nanargmax(np.where(np.isfinite(between), between, -1.0)))
    enough = min(below[best], below[-1] - below[best]) > 0.01 * below[-1]
    if not enough or not low[best] < HIGHEST_REST or high[best] - low[best] < RUNNING_LOG_RATIO:
        return RESTING_LOG_RATIO, RUNNING_LOG_RATIO
    step = high[best] - low[best]
    resting, running = float(low[best] + 0.3 * step), float(low[best] + 0.5 * step)
    if _runs_between(ratio, head, step_s, running):
        return RESTING_LOG_RATIO, RUNNING_LOG_RATIO
    return resting, running


def _runs_between(ratio: Array, head: Array, step_s: float, running: float) -> bool:
    """Whether head, while the log ratio holds between the usual limit and `running`, is what only running keeps up."""
    told = np.isfinite(ratio)
    held = max(FEWEST_HELD, round(HELD_S / step_s)) if step_s > 0 else FEWEST_HELD
    least = minimum_filter1d(np.where(told, ratio, np.inf), held)
    most = maximum_filter1d(np.where(told, ratio, -np.inf), held)
    holds = told & (least > RUNNING_LOG_RATIO) & (most < running) & (most - least < HELD_WITHIN)
    level, lifted = (known(head[each]) for each in (ratio < RESTING_LOG_RATIO, holds))
    enough = min(len(level), len(lifted)) >= FEWEST_TO_JUDGE
    return enough and median(lifted) > HEAD_RUNS * median(level)
