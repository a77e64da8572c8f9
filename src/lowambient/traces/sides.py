"""The low and the high side of a circuit at its stops and in its runs, as the search for its switches needs them."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Trace
from lowambient.traces.runs import Indices, Running
from lowambient.traces.stops import Stops

STEADY_AFTER_S = 300.0
FEWEST_SETTLED = 3
AS_RUN_S = 600.0


@dataclass(frozen=True)
class Side:
    """One switch: `sign` is -1 where it opens on falling pressure, 1 on rising.

    Arrays (stops,): `at_s`, `reading_kpa` and `rate_kpa_s` at each stop; `opened` and `other_opened`, what this and the
    other switch showed; `run_kpa` and `run_sd_kpa`, the middle and scatter of the run that ended. `steady_kpa`: all
    settled readings. `rested_kpa` (stops,): the channel at the end of the rest. Arrays (runs,): `runs_kpa`, how far
    each run settled, and `runs_at_s`, when it ended.
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


def low_side(trace: Trace, running: Running, stops: Stops) -> Side:
    """The low side: suction, its switch opens on falling pressure."""
    return _side(-1.0, trace["suction_kpa"], running, stops)


def high_side(trace: Trace, running: Running, stops: Stops) -> Side:
    """The high side: head, its switch opens on rising pressure."""
    return _side(1.0, trace.head_kpa, running, stops)


def _side(sign: float, channel: Array, running: Running, stops: Stops) -> Side:
    is_low = sign < 0
    opened = (stops.lp_opened, stops.hp_opened)
    middle, scatter = _as_run(channel, running, stops)
    furthest, ends_s = _furthest(channel, running, 0.25 if is_low else 0.75)
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
    )


def _rested(channel: Array, stops: Stops) -> Array:
    """Median of the last three readings of each rest; NaN where one is missing."""
    last = np.maximum(stops.last_off - np.arange(3)[:, None], stops.first_off)
    return np.asarray(np.median(channel[last], axis=0)) if len(stops) else np.empty(0)


def _steady(channel: Array, running: Running) -> Array:
    """Readings in running that has settled; where runs are too short for that, in their second half."""
    since = running.since_start_s
    is_steady = since >= STEADY_AFTER_S
    if is_steady.sum() < 50:
        lengths = since[np.isfinite(since)]
        is_steady = since >= (np.median(lengths) if len(lengths) else np.inf)
    found = channel[is_steady]
    return found[np.isfinite(found)]


def _furthest(channel: Array, running: Running, quantile: float) -> tuple[Array, Array]:
    """For each run with at least three settled readings, in time order: a quantile of them, and when the run ended."""
    is_settled = (running.since_start_s >= STEADY_AFTER_S) & np.isfinite(channel)
    numbers, values = running.run_no[is_settled], channel[is_settled]
    order = np.lexsort((values, numbers))
    _, first, counts = np.unique(numbers[order], return_index=True, return_counts=True)
    enough = counts >= FEWEST_SETTLED
    place = first + np.floor(quantile * (counts - 1)).astype(np.int64)
    ends_s = running.at_s[running.spans.last[running.spans.on]]
    return np.asarray(values[order][place[enough]]), ends_s[numbers[order][first[enough]]]


def _as_run(channel: Array, running: Running, stops: Stops) -> tuple[Array, Array]:
    """Middle and scatter of the channel over the last ten minutes of each stop's run, but for the last of them."""
    at_s = running.at_s
    runs = running.run_no[stops.last_on]
    begin = np.maximum(
        np.searchsorted(at_s, at_s[stops.last_on] - AS_RUN_S), running.spans.first[running.spans.on][runs]
    )
    end = np.searchsorted(at_s, at_s[stops.last_on] - AS_RUN_S / 10)
    lengths = np.maximum(end - begin, 0)
    group = np.repeat(np.arange(len(stops)), lengths)
    within = np.arange(len(group)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    values = channel[np.repeat(begin, lengths) + within]
    middle = _middles(values, group, len(stops))
    scatter = 1.5 * _middles(np.abs(values - middle[group]), group, len(stops))
    return middle, scatter


def _middles(values: Array, group: Indices, groups: int) -> Array:
    """The upper median of each group of values (in order of groups, NaN left out); NaN where there is none."""
    known = np.isfinite(values)
    values, group = values[known], group[known]
    ordered = values[np.lexsort((values, group))]
    counts = np.bincount(group, minlength=groups)
    first = np.cumsum(counts) - counts
    found = np.full(groups, np.nan)
    found[counts > 0] = ordered[(first + counts // 2)[counts > 0]]
    return found
