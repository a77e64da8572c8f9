"""The low and the high side of a circuit at its stops and in its runs, as the search for its switches needs them."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Trace
from lowambient.traces.ranks import median, median_of_three
from lowambient.traces.runs import Running
from lowambient.traces.stops import Stops

STEADY_AFTER_S = 300.0
FEWEST_SETTLED = 3
AS_RUN_S = 600.0
PEAKED_S = 600.0
"""Longer before a start, a peak is no late closing of a slow switch (judgement)."""


@dataclass(frozen=True)
class Side:
    """One switch: `sign` is -1 where it opens on falling pressure, 1 on rising.

    Arrays (stops,): `at_s`, `reading_kpa` and `rate_kpa_s` at each stop; `opened` and `other_opened`, what this and the
    other switch showed; `run_kpa` and `run_sd_kpa`, the middle and scatter of the run that ended. `steady_kpa`: all
    settled readings. `rested_kpa` (stops,): the channel at the end of the rest, and `peaked_kpa` the most it had been
    until ten minutes before that, NaN where the rest is no longer. Arrays (runs,): `runs_kpa`, how far each run
    settled, and `runs_at_s`, when it ended.
    """

    sign: float
    at_s: Array
    reading_kpa: Array
    rate_kpa_s: Array
    opened: Array
    other_opened: Array
    steady_kpa: Array
    runs_kpa: Array
    runs_at_s: Array
    run_kpa: Array
    run_sd_kpa: Array
    rested_kpa: Array
    peaked_kpa: Array


def low_side(trace: Trace, running: Running, stops: Stops) -> Side:
    """The low side: suction, its switch opens on falling pressure; what the outdoor coil boils at in heating says
    nothing of it, since many a heat pump passes its switch by then (common practice, no source)."""
    suction = trace["suction_kpa"]
    ran = suction if trace.cooling.all() else np.where(trace.cooling, suction, np.nan)
    return _side(-1.0, (suction, ran), running, stops)


def high_side(trace: Trace, running: Running, stops: Stops) -> Side:
    """The high side: head, its switch opens on rising pressure."""
    return _side(1.0, (trace.head_kpa, trace.head_kpa), running, stops)


def _side(sign: float, channels: tuple[Array, Array], running: Running, stops: Stops) -> Side:
    """One switch from its `channels`: as read, and as far as its running tells of it."""
    channel, ran = channels
    is_low = sign < 0
    opened = (stops.lp_opened, stops.hp_opened)
    middle, scatter = _as_run(channel, running, stops)
    furthest, ends_s = _furthest(ran, running, 0.25 if is_low else 0.75)
    return Side(
        sign=sign,
        at_s=running.at_s[stops.first_off],
        reading_kpa=stops.lowest_kpa if is_low else stops.highest_kpa,
        rate_kpa_s=stops.suction_rate if is_low else stops.head_rate,
        opened=opened[0 if is_low else 1],
        other_opened=opened[1 if is_low else 0],
        steady_kpa=_steady(channel, running),
        runs_kpa=furthest,
        runs_at_s=ends_s,
        run_kpa=middle,
        run_sd_kpa=scatter,
        rested_kpa=_rested(channel, stops),
        peaked_kpa=_peaked(channel, running.at_s, stops),
    )


def _rested(channel: Array, stops: Stops) -> Array:
    """Median of the last three readings of each rest; NaN where one is missing."""
    return median_of_three(*(channel[np.maximum(stops.last_off - back, stops.first_off)] for back in range(3)))


def _peaked(channel: Array, at_s: Array, stops: Stops) -> Array:
    """The most that a median of three readings came to in each rest until PEAKED_S before its end."""
    until = np.searchsorted(at_s, at_s[stops.last_off] - PEAKED_S)
    long = np.flatnonzero(until > stops.first_off)
    found = np.full(len(stops), np.nan)
    if len(long):
        smooth = median_of_three(np.roll(channel, 1), channel, np.roll(channel, -1))
        smooth = np.where(np.isnan(smooth), -np.inf, smooth)
        bounds = np.stack([stops.first_off[long], until[long]], axis=1).ravel()
        found[long] = np.maximum.reduceat(smooth, bounds)[::2]
    return found


def _steady(channel: Array, running: Running) -> Array:
    """Readings in running that has settled; where runs are too short for that, in their second half."""
    since = running.since_start_s
    is_steady = since >= STEADY_AFTER_S
    if np.count_nonzero(is_steady) < 50:
        lengths = since[np.isfinite(since)]
        is_steady = since >= (median(lengths) if len(lengths) else np.inf)
    return channel[np.flatnonzero(is_steady & np.isfinite(channel))]


def _furthest(channel: Array, running: Running, quantile: float) -> tuple[Array, Array]:
    """For each run with at least three settled readings, in time order: a quantile of them, and when the run ended."""
    settled = np.flatnonzero((running.since_start_s >= STEADY_AFTER_S) & np.isfinite(channel))
    numbers, values = running.run_no[settled], channel[settled]
    first = np.flatnonzero(np.diff(numbers, prepend=-1))
    counts = np.diff(first, append=len(numbers))
    first, counts = (each[counts >= FEWEST_SETTLED] for each in (first, counts))
    place = np.floor(quantile * (counts - 1)).astype(np.int64)
    for begin, end, nth in zip(first.tolist(), (first + counts).tolist(), place.tolist(), strict=True):
        values[begin:end].partition(nth)
    return values[first + place], running.at_s[running.runs[1][numbers[first]]]


def _as_run(channel: Array, running: Running, stops: Stops) -> tuple[Array, Array]:
    """Middle and scatter of the channel over the last ten minutes of each stop's run, but for the last of them."""
    at_s = running.at_s
    runs = running.run_no[stops.last_on]
    begin = np.maximum(np.searchsorted(at_s, at_s[stops.last_on] - AS_RUN_S), running.runs[0][runs])
    end = np.searchsorted(at_s, at_s[stops.last_on] - AS_RUN_S / 10)
    places = begin[:, None] + np.arange(max((end - begin).max(initial=0), 1))
    values = np.where(places < end[:, None], channel[np.minimum(places, len(channel) - 1)], np.nan)
    middle = _middles(values)
    return middle, 1.5 * _middles(np.abs(values - middle[:, None]))


def _middles(values: Array) -> Array:
    """The upper median of each row, NaN left out; NaN where there is none."""
    ordered = np.sort(values, axis=1)
    middle = np.count_nonzero(np.isfinite(values), axis=1) // 2
    return np.asarray(ordered[np.arange(len(values)), middle])
