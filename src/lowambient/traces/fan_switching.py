"""Where a cycled condenser fan comes on and goes off: the turning points of head pressure in steady running.

With several samples on each ramp a turning point is seen, and its neighbours say how far the pressure may have gone
between them. With fewer, samples fall anywhere on the saw, so its ends are those of the readings' distribution.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks
from scipy.special import ndtr

from lowambient.traces.brackets import (
    LAGS_S,
    Estimate,
    Events,
    believed,
    estimate,
    grid_kpa,
    log_likelihood,
    normal_log_prior,
)
from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.ranks import median, quantiles
from lowambient.traces.runs import Indices, Running

STARTED_S = 180.0
SHORTEST_RUN_S = 1200.0
LEAST_SWING_SHARE = 0.08
"""Least swing of a fan switch, of the head pressure itself: a narrower one would wear its fan out (judgement)."""
FEWEST_TURNS = 3
TIGHT_SHARE = 0.15
"""Scatter of turning points, in swings, above which they are not a switch's (judgement)."""
CROSSES_NOISES, CROSSES_SHARE = 1.5, 0.15
"""How far beyond the middle of a saw, in noises and swings, readings show that a ramp was passed (judgement)."""
NEAR_SHARE = 0.25
"""How far from the usual turning point, in swings, head may turn back by the same switch (judgement)."""
SAMPLES_A_RAMP = 3.0
FLAT_SAW_BINS = 160
SAMPLES_ABOUT, PHASES = 12, np.array([0.125, 0.375, 0.625, 0.875])
"""Samples before and after a turning point, and where between two samples it may lie."""


@dataclass(frozen=True)
class FanSwitching:
    """Fan-on and fan-off pressures, each null where it cannot be told, and when head pressure turned back at the first
    (seconds since 1970 UTC; none where it does not saw between two pressures)."""

    on: Estimate | None
    off: Estimate | None
    turned_s: Array


NO_SAW = FanSwitching(None, None, np.empty(0))


@dataclass(frozen=True)
class Turns:
    """Turning points of head pressure: samples of the peaks and troughs, and all samples of the runs that have them."""

    peaks: Indices
    troughs: Indices
    samples: Indices


NO_TURNS = Turns(*(np.empty(0, dtype=np.int64) for _ in range(3)))


def fan_switching(
    trace: Trace, running: Running, cools: Mask, listed_kpa: tuple[float | None, float | None], noise_kpa: float
) -> FanSwitching:
    """Where a fan switches, from how head pressure saws between two pressures.

    `cools`: samples (samples,) in which a running circuit cools; `listed_kpa`: what the list says of both.
    """
    head = np.where(cools, trace.head_kpa, np.nan)
    turns = _turns(trace, running, head, noise_kpa)
    if min(len(turns.peaks), len(turns.troughs)) < FEWEST_TURNS:
        return NO_SAW
    tops, bottoms = head[turns.peaks], head[turns.troughs]
    swing = float(np.median(tops) - np.median(bottoms))
    if max(_scatter(tops), _scatter(bottoms)) > TIGHT_SHARE * swing + noise_kpa:
        return NO_SAW
    turned_s = trace.at_s[turns.peaks[np.abs(tops - np.median(tops)) <= NEAR_SHARE * swing]]
    reach = max(CROSSES_NOISES * noise_kpa, CROSSES_SHARE * swing)
    ramps = _crossings(head[turns.samples], float(np.median(tops) + np.median(bottoms)) / 2, reach)
    samples_a_ramp = len(turns.samples) / max(len(turns.peaks) + len(turns.troughs), ramps)
    if samples_a_ramp < SAMPLES_A_RAMP:
        rate = swing / (samples_a_ramp * trace.step_s)
        ends = _ends_of_saw(head[turns.samples], len(turns.peaks), rate, noise_kpa)
        return FanSwitching(*ends, turned_s)
    on, off = (
        _turning(trace, turns, listed, noise_kpa, sign) for listed, sign in zip(listed_kpa, (1.0, -1.0), strict=True)
    )
    return FanSwitching(on, off, turned_s)


def _crossings(readings: Array, middle: float, reach: float) -> int:
    """How often readings go from so far over the middle of a saw to so far under it, or back."""
    side = np.sign(readings - middle)[np.abs(readings - middle) > reach]
    return int(np.count_nonzero(np.diff(side)))


def _scatter(values: Array) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _turns(trace: Trace, running: Running, head: Array, noise_kpa: float) -> Turns:
    steady = np.flatnonzero((running.since_start_s >= STARTED_S) & np.isfinite(head))
    if len(steady) == 0:
        return NO_TURNS
    least = max(6 * noise_kpa, LEAST_SWING_SHARE * median(head[steady]))
    begin, end = _stretches(trace.at_s, running, head, least)
    if len(begin) == 0:
        return NO_TURNS
    joined, samples = _joined(head, begin, end)
    up, down = _peaks(joined, least), _peaks(-joined, least)
    stretch = np.repeat(np.arange(len(begin)), end - begin + 1)
    first_up = np.full(len(begin), len(joined))
    np.minimum.at(first_up, stretch[up], up)
    down = down[down > first_up[stretch[down]]]  # what comes before the first peak is the start
    has_turns = np.isin(stretch, stretch[down])
    found = samples[up[has_turns[up]]], samples[down], samples[has_turns & (samples >= 0)]
    return Turns(*(each[np.isfinite(head[each])] for each in found))


def _stretches(at_s: Array, running: Running, head: Array, least: float) -> tuple[Indices, Indices]:
    """First sample of what follows the start in each run that is long enough and swings enough, and the one after."""
    first, last = running.runs
    begin = np.searchsorted(at_s, at_s[first] + STARTED_S)
    long = np.flatnonzero((at_s[last] - at_s[first] >= SHORTEST_RUN_S) & (last - begin >= 4))
    begin, end = begin[long], last[long] + 1
    edges = np.stack([begin, end], axis=1).ravel()
    beyond = np.append(head, np.nan)  # so that an edge may lie at the end
    swings = (np.fmax.reduceat(beyond, edges) - np.fmin.reduceat(beyond, edges))[::2] if len(edges) else np.empty(0)
    swinging = swings >= least
    return begin[swinging], end[swinging]


def _joined(head: Array, begin: Indices, end: Indices) -> tuple[Array, Indices]:
    """Stretches of head pressure on end, their holes filled, and their samples; before each one of NaN and -1."""
    samples = np.concatenate([np.arange(a - 1, b) for a, b in zip(begin.tolist(), end.tolist(), strict=True)])
    joined = head[samples]
    starts = np.cumsum(end - begin + 1) - (end - begin + 1)
    samples[starts], joined[starts] = -1, np.nan
    if np.count_nonzero(np.isnan(joined)) > len(starts):
        for a, b in zip(starts + 1, np.append(starts[1:], len(joined)), strict=True):
            joined[a:b] = _without_holes(joined[a:b])
    return joined, samples


def _peaks(joined: Array, least: float) -> Indices:
    """Peaks that stand out by so much of their own stretch; NaN parts stretches, since it is neither over nor under."""
    return np.asarray(find_peaks(joined, prominence=least)[0])


def _without_holes(run: Array) -> Array:
    """A stretch with what is missing put on the line between its neighbours; all NaN where nothing is known."""
    known = np.isfinite(run)
    if known.all() or not known.any():
        return run
    return np.interp(np.arange(len(run)), np.flatnonzero(known), run[known])


def _turning(trace: Trace, turns: Turns, listed_kpa: float | None, noise_kpa: float, sign: float) -> Estimate | None:
    """One end of the saw from turning points that were seen; sign 1 for peaks, -1 for troughs.

    Between ramps of rates r and f the highest of samples h apart lies up to h r f / (r + f) under the peak, and a
    sensor that lags by L turns L f ln(1 + r / f) under it (first-order lag, where it meets the falling ramp).
    """
    at_s, head = trace.at_s, trace.head_kpa
    these, others = (turns.peaks, turns.troughs) if sign > 0 else (turns.troughs, turns.peaks)
    coming, going = _ramps(at_s, head, these, others)
    trail = going * np.log1p(coming / going)
    unseen = (at_s[these] - at_s[these - 1]) * coming * going / (coming + going)
    ramps = float(np.median(coming)), float(np.median(going))
    reading = head[these] - sign * noise_gain_kpa(*ramps, trace.step_s, noise_kpa)
    room = 20 * noise_kpa + float(np.median(unseen) + LAGS_S[-1] * np.median(trail))
    grid = grid_kpa(max(reading.min(), np.quantile(reading, 0.1) - room), np.quantile(reading, 0.9) + room)
    events = Events(reading, sign * trail, sign * unseen, np.ones(len(these)))
    log_prior = normal_log_prior(grid, listed_kpa, 25.0, 0.3) if listed_kpa is not None else np.zeros(len(grid))
    found = estimate(log_prior + log_likelihood(events, grid, noise_kpa), grid, len(these))
    return believed(found, events, noise_kpa)


def noise_gain_kpa(coming: float, going: float, step_s: float, noise_kpa: float) -> float:
    """How far the highest of noisy readings about a peak lies above the highest without noise, on average.

    `coming`, `going`: rates of the ramps before and after the peak, kPa/s. The more samples lie within the noise of the
    peak, the higher the highest of them: the mean of the largest of normal values about unlike means.
    """
    at_s = (np.arange(-SAMPLES_ABOUT, SAMPLES_ABOUT) + PHASES[:, None]) * step_s
    under = np.where(at_s < 0, -at_s * coming, at_s * going)
    reach = np.linspace(-under.min(axis=1).max() - 5 * noise_kpa, 5 * noise_kpa, 200)
    all_below = ndtr((reach + under[:, :, None]) / noise_kpa).prod(axis=1)
    highest = reach[-1] - np.trapezoid(all_below, reach, axis=1)
    return float((highest + under.min(axis=1)).mean())


def _ramps(at_s: Array, head: Array, these: Indices, others: Indices) -> tuple[Array, Array]:
    """Mean rates of the ramps before and after each turning point, kPa/s; the usual one where no other turn is near."""
    place = np.searchsorted(others, these)
    rates = []
    for neighbour in (np.maximum(place - 1, 0), np.minimum(place, len(others) - 1)):
        beside = others[neighbour]
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.abs(head[these] - head[beside]) / np.abs(at_s[these] - at_s[beside])
        usual = float(np.median(rate[np.isfinite(rate)]))
        rates.append(np.clip(np.where(np.isfinite(rate), rate, usual), usual / 4, usual * 4))
    return rates[0], rates[1]


def _ends_of_saw(readings: Array, events: int, rate: float, noise_kpa: float) -> tuple[Estimate, Estimate]:
    """Both ends from readings that fall anywhere on the saw: a flat distribution between them, blurred by noise.

    A sensor that lags by L turns back L ln 2 times the ramp's `rate`, kPa/s, before each end (as in `_turning`, for
    ramps alike), so both are weighed over the lags.
    """
    low, high = quantiles(readings, [0.002, 0.998])
    counts, edges = np.histogram(np.clip(readings, low, high), bins=FLAT_SAW_BINS, range=(low, high))
    middle = (edges[1:] + edges[:-1]) / 2
    swing = high - low
    offs = np.linspace(low - 3 * noise_kpa, low + 0.3 * swing, 60)
    ons = np.linspace(high - 0.3 * swing, high + 3 * noise_kpa, 60)
    over_off, over_on = (ndtr((middle - each[:, None]) / noise_kpa) for each in (offs, ons))
    flat = (over_off[:, None] - over_on) / (ons - offs[:, None])[:, :, None]
    log_posterior = np.log(0.95 * flat + 0.05 / swing) @ counts / max(1.0, np.sqrt(counts.sum()) / 15)
    on_log, off_log = np.logaddexp.reduce(log_posterior, axis=0), np.logaddexp.reduce(log_posterior, axis=1)
    return _over_lags(on_log, ons, rate, events), _over_lags(off_log, offs, -rate, events)


def _over_lags(log_posterior: Array, grid: Array, rate: float, events: int) -> Estimate:
    """The end of a saw, moved on by what each lag leaves out; `rate` is signed as the pressure moves, kPa/s."""
    shifts = LAGS_S * np.log(2.0) * rate
    wide = np.linspace(grid[0] + min(shifts.min(), 0.0), grid[-1] + max(shifts.max(), 0.0), 3 * len(grid))
    peak = float(log_posterior.max())
    shares = np.exp(log_posterior - peak)
    total = sum(np.interp(wide - shift, grid, shares, left=0.0, right=0.0) for shift in shifts)
    return estimate(np.log(np.maximum(total, 1e-300)), wide, events)
