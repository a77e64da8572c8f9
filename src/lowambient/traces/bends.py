"""Running or resting, told from how both pressures bend: a start draws suction down while head climbs, a stop lets
them approach.

Whatever else moves a pressure moves both the same way (a fan, the load) or only one. So each place where they move
against each other speaks for a start or a stop, as strongly as it stands out of the sensors' noise. Their ratio speaks
too: level, it rests; apart and not closing, it runs. The likeliest sequence of states weighs all that against a price
for each change.
"""

import numpy as np
import numpy.typing as npt

from lowambient.traces.circuit import Array, Mask

Indices = npt.NDArray[np.int64]

AVERAGED_S = 60.0
"""Readings of so long before and after an instant are averaged where samples come faster."""
CHATTER_S, CHATTER_BLOCK_S, FEWEST_TURNS = 30.0, 1800.0, 28
"""A compressor that turns on or off so often in half an hour, once a minute, is told by averages of so long alone:
those of a minute mix its runs with its rests."""
MOVES, SURE_AGAINST = 2.0, 2.5
"""Deviations by which suction moves, and by which head must move against it more often than with it (judgement)."""
LEAST_BEND = 2.0
"""Standard deviations by which both pressures must move against each other to say anything."""
MOST_BEND = 12.0
"""Most that one bend may say, in log odds: something unknown may move both (judgement)."""
SUCTION_ALONE = 3.0
"""The same where head stands still: a solenoid valve or a defrost moves suction alone (judgement)."""
CHANGE = 4.0
"""Price of a start or a stop, in log odds: one in 150 samples, or a couple of runs an hour (judgement)."""
AT_REST, APART, CLOSES = 6.0, 3.0, 1.0
"""What a minute at a level ratio, apart and not closing, and apart and closing, says, in log odds (judgement)."""
MOST, MOST_CLOSING = 6.0, 1.5
"""The same of one sample, however slow the log: fans close the ratio too."""
FAR_APART = 0.7
"""Log ratio, 2 to 1, from which head is far above standing pressure, so that it falls in any stop (judgement)."""
CLOSING_OVER_S, CLOSING = 120.0, 0.03
"""A stopped circuit's log ratio falls faster than this: its condenser cools within ten minutes or so (judgement)."""


def state_from_bends(
    step_s: float, pressures: tuple[Array, Array], noises: tuple[float, float], limits: tuple[float, float]
) -> Array:
    """1 running, 0 resting, for each sample (samples,); all samples belong to one log without a gap.

    `pressures` are suction and head, absolute kPa, without NaN, `noises` their standard deviations, `limits` the
    log ratios under which a circuit rests and over which it may run.
    """
    bends = _bends(step_s, pressures, noises, AVERAGED_S, SUCTION_ALONE)
    chatters = _chatters(step_s, pressures, noises)
    if chatters.any():
        bends = np.where(chatters, _bends(step_s, pressures, noises, CHATTER_S, MOST_BEND), bends)
    evidence = bends + _level(step_s, np.log(pressures[1] / pressures[0]), pressures[1], limits)
    return likeliest(evidence)


def _chatters(step_s: float, pressures: tuple[Array, Array], noises: tuple[float, float]) -> Mask:
    """Samples in half hours in which suction turns about all the time, head against it: a compressor that a switch
    stops and lets go again within a minute. A valve that hunts leaves head alone or moves both one way."""
    count = round(CHATTER_S / step_s)
    told = np.zeros(len(pressures[0]), dtype=bool)
    if count < 2:
        return told
    suction = _moved(pressures[0], count)
    far = np.abs(suction) > MOVES * noises[0] * np.sqrt(2.0 / count)
    block = round(CHATTER_BLOCK_S / step_s)
    begins = np.arange(0, len(told), block)
    begins = begins[np.add.reduceat(far, begins, dtype=np.int64) > count * FEWEST_TURNS]  # fewer cannot turn so often
    if len(begins) == 0:
        return told
    head = _moved(pressures[1], count)
    for begin in begins.tolist():
        moves = begin + np.flatnonzero(far[begin : begin + block])[::count]
        way = np.sign(suction[moves])
        against = -(way * np.sign(head[moves])).sum() > SURE_AGAINST * np.sqrt(len(moves))
        told[begin : begin + block] = against and np.count_nonzero(np.diff(way)) >= FEWEST_TURNS
    return told


def _bends(
    step_s: float, pressures: tuple[Array, Array], noises: tuple[float, float], averaged_s: float, suction_alone: float
) -> Array:
    """Log odds of a start (positive) or a stop between each sample and the one before."""
    count = max(1, round(averaged_s / step_s))
    suction, head = (
        _moved(each, count) / (noise * np.sqrt(2.0 / count)) for each, noise in zip(pressures, noises, strict=True)
    )
    start, stop = (_apart(sign * suction, -sign * head, count, suction_alone) for sign in (-1.0, 1.0))
    return np.where(start > stop, start, -stop)


def _apart(suction: Array, head: Array, count: int, suction_alone: float) -> Array:
    """What it says that suction and head, each in standard deviations and positive as the change in question wants it,
    move so, at the place where they do so most.

    Suction is the witness, since fans move head alone; head that moves the other way speaks against it, and head that
    does not move leaves doubt, since a valve moves suction alone.
    """
    both = (suction + np.minimum(head, 2.0 * head)) / np.sqrt(2.0)
    size = np.minimum(both, 1.5 * suction)
    places = np.flatnonzero(size > LEAST_BEND)
    places = places[size[places] >= _highest_about(size, places, count - 1)]
    most = suction_alone + (MOST_BEND - suction_alone) * np.clip(head[places] / 2.0, 0.0, 1.0)
    told = np.zeros(len(size))
    told[places] = np.minimum(0.5 * size[places] ** 2, most)
    return told


def _highest_about(values: Array, places: Indices, reach: int) -> Array:
    """The highest of the values up to so many places before and after some of them."""
    about = np.clip(places[:, None] + np.arange(-reach, reach + 1), 0, len(values) - 1)
    return np.asarray(values[about].max(axis=1))


def _moved(values: Array, count: int) -> Array:
    """Mean of so many samples from each one on, over the mean of so many before it; 0 at the first."""
    sums = np.concatenate([[0.0], np.cumsum(values - values[0])])
    behind = np.concatenate([np.zeros(count), sums])[: len(values)]
    ahead = np.concatenate([sums[count:], np.full(count, sums[-1])])[: len(values)]
    here = np.arange(len(values))
    old = (sums[:-1] - behind) / np.clip(here, 1, count)
    new = (ahead - sums[:-1]) / np.minimum(count, len(values) - here)
    moved: Array = new - old
    moved[0] = 0.0
    return moved


def _level(step_s: float, ratio: Array, head: Array, limits: tuple[float, float]) -> Array:
    """Log odds of running from each sample's log ratio: level, or apart and with the head falling or not."""
    count = max(1, round(CLOSING_OVER_S / step_s))
    minutes = step_s / 60.0
    at_rest, apart, closes = (
        min(each * minutes, most) for each, most in ((AT_REST, MOST), (APART, MOST), (CLOSES, MOST_CLOSING))
    )
    resting, running = limits
    falls = _since(np.log(head), count) <= -CLOSING
    closing = _since(ratio, count) <= -CLOSING
    runs_on = ~closing | (~falls & (ratio >= FAR_APART))
    told = np.where(closing & falls, -closes, np.where((ratio >= running) & runs_on, apart, 0.0))
    return np.where(ratio <= resting, -at_rest, told)


def _since(values: Array, count: int) -> Array:
    """Change of each value since so many samples before, or since the first."""
    earlier: Array = np.concatenate([np.full(count, values[0]), values])[: len(values)]
    return values - earlier


def likeliest(evidence: Array) -> Array:
    """The sequence of 1 and 0 that gathers most evidence (log odds of 1, by sample) less a price for each change.

    Samples in a row that speak the same way are taken together: a change never pays within them.
    """
    if len(evidence) == 0:
        return np.empty(0)
    first, total = _together(evidence)
    odds, after = 0.0, []
    for each in total.tolist():
        odds = (-CHANGE if odds < -CHANGE else CHANGE if odds > CHANGE else odds) + each
        after.append(odds)
    told = np.abs(after) > CHANGE  # elsewhere it is cheaper to be as in the stretch after than to change
    told[-1] = True
    places = np.flatnonzero(told)
    states = np.repeat(np.array(after)[places] > 0, np.diff(places, prepend=-1)).astype(np.float64)
    return np.repeat(states, np.diff(first, append=len(evidence)))


def _together(evidence: Array) -> tuple[Indices, Array]:
    """First sample and sum of each stretch whose evidence speaks one way; silent samples belong to what went before."""
    told = np.flatnonzero(evidence)
    if len(told) == 0:
        return np.zeros(1, dtype=np.int64), np.zeros(1)
    turns = np.flatnonzero(np.diff(np.sign(evidence[told]))) + 1
    first = np.concatenate([[0], told[turns]])
    return first, np.add.reduceat(evidence, first)
