"""What is wrong with the channels themselves: found, corrected where that is safe, else set aside with a reason."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl

from lowambient.traces.circuit import Array, Index, Listed, Mask, Trace
from lowambient.traces.ranks import median, quantiles
from lowambient.traces.scales import PRESSURES, misfit, read_as, without_refrigerant

CORRECTED, SET_ASIDE = "corrected", "set aside"
SCHEMA: dict[str, pl.DataType] = {
    "channel": pl.String(),
    "fault": pl.String(),
    "from_at": pl.Datetime("us", "UTC"),
    "to_at": pl.Datetime("us", "UTC"),
    "action": pl.String(),
    "sentence": pl.String(),
}

REVERSED_SHARE = 0.9
CLEAR_SPLIT, MOST_NOISES, START_S, FEWEST_PARTED, WIDE_SPLIT = 0.5, 8.0, 300.0, 5, 0.8
"""Logarithm of the ratio of two pressures by which a start parts them within minutes, while a circuit at rest comes to
stand reversed, held up by a warm indoor coil, over hours, and steps from sample to sample by as much more than which;
samples that show it; and from where on they are plainly apart in a log that shows no start (judgement)."""
STUCK_S = 7200.0
STUCK_SAMPLES = 24
MOVING_KPA = 70.0
"""The other pressure moves at least so much, 10 psi, while a stuck one repeats itself (judgement)."""
SPIKE_KPA, SPIKE_NOISES = 100.0, 8.0
"""A lone reading that stands out this far from both neighbours, which agree, and from where they were going, and by so
many times what is usual, is not the circuit's (judgement)."""
FASTEST_SPIKE_STEP_S, SPIKE_ROOM = 20.0, 0.5
"""A slower log shows a start that failed, or a turn of head, as one such reading too: there a spike lies out of nearly
all readings by so much of their range as well (judgement), and where no start would move it: beyond any pressure."""
LEAST_KPA, MOST_KPA = 10.0, 6000.0
"""Absolute pressures that no compressor of the trade draws down or pumps up to (judgement)."""
CLOCK_HOURS = 14
FEWEST_CLOCK_HOURS = 96
CLOCK_GAIN = 0.6
"""Share of the misfit between logger and station that a shift of the clock must leave at most (judgement)."""


@dataclass(frozen=True)
class Fault:
    """One fault of a channel over a stretch of time (seconds since 1970 UTC)."""

    channel: str
    fault: str
    from_s: float
    to_s: float
    action: str
    sentence: str


def clean(trace: Trace, listed: Listed) -> tuple[Trace, list[Fault]]:
    """The trace with faults corrected or set aside, and the faults that were found."""
    trace, faults = _swapped(trace)
    trace, found = _scaled(trace, listed)
    faults += found
    for step in (_spikes, _stuck, _clock):
        trace, found = step(trace)
        faults += found
    return trace, faults


def fault_frame(faults: list[Fault]) -> pl.DataFrame:
    """Grain: fault."""
    rows = [
        (each.channel, each.fault, _instant(each.from_s), _instant(each.to_s), each.action, each.sentence)
        for each in faults
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _instant(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _whole(trace: Trace) -> tuple[float, float]:
    return float(trace.at_s[0]), float(trace.at_s[-1])


def _swapped(trace: Trace) -> tuple[Trace, list[Fault]]:
    """Suction above liquid whenever a start parts them, or nearly always: the hoses are the wrong way round."""
    wrong = _reversed_share(trace.log_split, trace.step_s) if trace.head_tap else 0.0
    if wrong < REVERSED_SHARE:
        return trace, []
    swapped = trace.with_channels(**{"suction_kpa": trace.head_kpa, trace.head_tap: trace["suction_kpa"]})
    sentence = f"suction read above head pressure in {wrong:.0%} of what parts them: taken the other way round"
    return swapped, [Fault("suction_kpa", "swapped", *_whole(trace), CORRECTED, sentence)]


def _reversed_share(split: Array, step_s: float) -> float:
    """Share of the samples that starts part in which suction is the higher, of all samples where starts are few."""
    known = split[np.isfinite(split)]
    if len(known) < 2:
        return 0.0
    later = max(1, round(START_S / step_s))
    parts = np.abs(split[later:]) - np.abs(split[:-later])
    clear = max(CLEAR_SPLIT, MOST_NOISES * median(np.abs(np.diff(known))))
    starts = split[later:][(parts > clear) & np.isfinite(split[later:])]
    if len(starts) < FEWEST_PARTED:
        return float((known < -WIDE_SPLIT).mean())
    return float((starts < 0).mean())


def _spikes(trace: Trace) -> tuple[Trace, list[Fault]]:
    """Lone readings far from two neighbours that agree; between slow samples a real excursion could look so."""
    faults, changed = [], {}
    for channel in PRESSURES:
        values = trace[channel]
        if len(values) < 3 or not trace.has(channel):
            continue
        lone = _lone(values)
        if trace.step_s > FASTEST_SPIKE_STEP_S and len(lone):
            lone = lone[_out_of_range(values, lone, falls=channel == "suction_kpa")]
        if len(lone):
            changed[channel] = values.copy()
            changed[channel][lone] = np.nan
            ends = trace.at_s[lone[[0, -1]]]
            sentence = f"lone readings far from both neighbours, set aside: {len(lone)}"
            faults.append(Fault(channel, "spikes", float(ends[0]), float(ends[1]), SET_ASIDE, sentence))
    return trace.with_channels(**changed), faults


def _lone(values: Array) -> Index:
    """Readings that stand out far from two neighbours that agree, and from where each side was going."""
    off = np.abs(values[1:-1] - (values[:-2] + values[2:]) / 2)
    known = off[np.isfinite(off)]
    far = np.flatnonzero(off > max(SPIKE_KPA, SPIKE_NOISES * median(known) if len(known) else 0.0))
    far = far[off[far] > 8 * np.abs(values[far] - values[far + 2])] + 1
    before, after = values[np.maximum(far - 2, 0)], values[np.minimum(far + 2, len(values) - 1)]
    going = np.array([2 * values[far - 1] - before, 2 * values[far + 1] - after])
    return np.asarray(far[~(np.abs(values[far] - going) < SPIKE_KPA).any(axis=0)])


def _out_of_range(values: Array, places: Index, falls: bool) -> Mask:
    """Which readings lie out of nearly all; `falls`: a start makes the pressure fall, otherwise rise."""
    low, high = quantiles(values[np.isfinite(values)], [0.005, 0.995])
    room = SPIKE_ROOM * (high - low)
    lowest, highest = (LEAST_KPA, high + room) if falls else (low - room, MOST_KPA)
    return np.asarray((values[places] < lowest) | (values[places] > highest))


def _stuck(trace: Trace) -> tuple[Trace, list[Fault]]:
    """A pressure that repeats one value for hours while the other pressure moves."""
    faults, changed = [], {}
    for channel, other in (("suction_kpa", trace.head_tap), (trace.head_tap, "suction_kpa")):
        if not trace.head_tap:
            continue
        is_stuck = _repeats(trace, channel, other)
        if is_stuck.any():
            changed[channel] = np.where(is_stuck, np.nan, trace[channel])
            edges = np.flatnonzero(np.diff(np.concatenate([[False], is_stuck, [False]])))
            for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
                ends = float(trace.at_s[first]), float(trace.at_s[last])
                sentence = f"one value for {(ends[1] - ends[0]) / 3600:.0f} h while the other pressure moved: set aside"
                faults.append(Fault(channel, "stuck", *ends, SET_ASIDE, sentence))
    return trace.with_channels(**changed), faults


def _repeats(trace: Trace, channel: str, other: str) -> Mask:
    values = trace[channel]
    is_stuck = np.zeros(len(values), dtype=bool)
    bounds = np.concatenate([[0], np.flatnonzero(values[1:] != values[:-1]) + 1, [len(values)]])
    many = np.flatnonzero(np.diff(bounds) >= STUCK_SAMPLES)
    begins, ends = bounds[many], bounds[many + 1]
    long = trace.at_s[ends - 1] - trace.at_s[begins] >= STUCK_S
    for first, end in zip(begins[long], ends[long], strict=True):
        beside = trace[other][first:end]
        beside = beside[np.isfinite(beside)]
        if len(beside) >= STUCK_SAMPLES and np.ptp(quantiles(beside, [0.05, 0.95])) > MOVING_KPA:
            is_stuck[first:end] = True
    return is_stuck


def _clock(trace: Trace) -> tuple[Trace, list[Fault]]:
    """A clock that is whole hours off: the logged outdoor temperature fits the station's much better when shifted."""
    if not trace.has("outdoor_c"):
        return trace, []
    by_hour = _by_hour(trace, ("outdoor_c", "station_c"))
    if np.count_nonzero(np.isfinite(by_hour[0])) < FEWEST_CLOCK_HOURS:
        return trace, []
    misfit = _misfits(*by_hour)
    best = min(misfit, key=lambda shift: (misfit[shift], abs(shift)))
    if best == 0 or not misfit[best] < CLOCK_GAIN * misfit[0]:
        return trace, []
    sentence = (
        f"the logged outdoor temperature fits the station's best {abs(best)} h {'earlier' if best < 0 else 'later'}:"
        " the clock of the logger was taken to be off by that"
    )
    fault = Fault("read_at", "clock off", *_whole(trace), CORRECTED, sentence)
    moved = Trace(trace.at_s + 3600.0 * best, trace.step_s, trace.channels, trace.refrigerant)
    return moved.with_channels(station_c=_moved_station(trace, best)), [fault]


def _by_hour(trace: Trace, names: tuple[str, ...]) -> Array:
    """Means by UTC hour (names, hours), from samples at which all are known; NaN where an hour has none."""
    known = np.flatnonzero(np.logical_and.reduce([np.isfinite(trace[name]) for name in names]))
    if len(known) == 0:
        return np.empty((len(names), 0))
    hours = np.floor(trace.at_s[known] / 3600).astype(np.int64)
    first = np.append(0, np.flatnonzero(hours[1:] != hours[:-1]) + 1)
    counts = np.diff(first, append=len(known))
    means = np.full((len(names), int(hours[-1] - hours[0]) + 1), np.nan)
    for row, name in zip(means, names, strict=True):
        row[hours[first] - hours[0]] = np.add.reduceat(trace[name][known], first) / counts
    return means


def _misfits(logged: Array, station: Array) -> dict[int, float]:
    """Standard deviation of logger minus station by how many hours the logger is moved later; infinite over few."""
    padded = np.pad(logged, CLOCK_HOURS, constant_values=np.nan)
    off = np.lib.stride_tricks.sliding_window_view(padded, len(logged))[::-1] - station
    known = np.isfinite(off)
    counts = np.count_nonzero(known, axis=1)
    enough = counts >= FEWEST_CLOCK_HOURS // 2
    misfit = np.full(len(off), np.inf)
    misfit[enough] = np.std(off[enough], axis=1, where=known[enough])
    return dict(zip(range(-CLOCK_HOURS, CLOCK_HOURS + 1), misfit.tolist(), strict=True))


def _moved_station(trace: Trace, shift: int) -> Array:
    known = np.isfinite(trace["station_c"])
    return np.interp(trace.at_s + 3600.0 * shift, trace.at_s[known], trace["station_c"][known])


def _scaled(trace: Trace, listed: Listed) -> tuple[Trace, list[Fault]]:
    """Pressures in another unit, or that the listed refrigerant cannot have."""
    found = misfit(trace, listed)
    if found is None:
        return trace, []
    if found.reading is None:
        fault = Fault("suction_kpa", found.fault, *_whole(trace), SET_ASIDE, found.sentence)
        return without_refrigerant(trace), [fault]
    fault = Fault("suction_kpa", found.fault, *_whole(trace), CORRECTED, found.sentence)
    return read_as(trace, found.reading), [fault]
