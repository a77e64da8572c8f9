"""Starts that fail between two samples of a slow log: seen by the stir that they leave in both pressures at rest."""

import numpy as np

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.ranks import median_of_three
from lowambient.traces.runs import Indices

FASTEST_UNSEEN_S = 20.0
"""Logs at least so slow miss a start that fails at once; it still stirs the pressures."""
STIRRED, STIRRED_ONCE, STIRRED_DRIFT = 5.0, 7.0, 1.0
"""Deviations of a reading, both pressures together, from what they stood at, in two samples or in one, beyond so many
times their drift (judgement)."""
HELD_OVER, CAME_WITHIN = 4.0, 3.0
"""Deviations by which suction stood over head, and within which it came to it, when a valve opened (judgement)."""
STANDARD = 3
"""Samples before each one that it is compared with; none across a gap of the log."""
SLOWEST_FOR_TWO_S = 120.0
"""In a slower log a stir has gone by the next sample."""
TRIES_APART_S = 900.0
"""Failed starts no farther apart are one try: boards give three starts within a quarter of an hour (judgement)."""


def stirs(trace: Trace, noises_kpa: tuple[float, float]) -> Mask:
    """Samples at which both pressures together leave what the three samples before stood at, beyond their drift.

    `noises_kpa`: the doubt of a reading of suction and of head. Head must not fall: a start that fails leaves it
    higher. In logs fast enough the next sample counts too, since a stir lasts for minutes and noise does not.
    """
    if trace.step_s < FASTEST_UNSEEN_S:
        return np.zeros(len(trace), dtype=bool)
    given = list(zip((trace["suction_kpa"], trace.head_kpa), noises_kpa, strict=True))
    suction, head = (_off(channel, noise) for channel, noise in given)
    once = np.hypot(suction, head)
    stirred = once > STIRRED
    if trace.step_s <= SLOWEST_FOR_TWO_S:
        later = [_off(channel, noise, 1) for channel, noise in given]
        twice = np.hypot((suction + later[0]) / 2, (head + later[1]) / 2)
        stirred = (once > STIRRED_ONCE) | (twice > STIRRED)
    about_gap = np.convolve(trace.gap_before, np.ones(STANDARD + 1))[1 : len(trace) + 1] > 0
    level = _came_level(trace, noises_kpa)
    level[:-1] |= level[1:]
    return np.asarray(stirred & (head > -1.0) & ~about_gap & ~level)


def _came_level(trace: Trace, noises_kpa: tuple[float, float]) -> Mask:
    """Samples at which suction, held over head by a warm coil, falls to it and no lower: a valve opened."""
    suction, head = trace["suction_kpa"], trace.head_kpa
    doubt = float(np.hypot(*noises_kpa))
    return np.asarray(
        (_stood(suction) - _stood(head) > HELD_OVER * doubt) & (np.abs(suction - head) < CAME_WITHIN * doubt)
    )


def _stood(channel: Array) -> Array:
    """Median of the three samples before each one."""
    return median_of_three(*(np.roll(channel, back) for back in range(1, STANDARD + 1)))


def _off(channel: Array, noise_kpa: float, ahead: int = 0) -> Array:
    """How far the channel, so many samples on, is from the three samples before each one, in deviations of a reading
    and beyond their drift; 0 where one is missing."""
    drift = STIRRED_DRIFT * np.abs(np.roll(channel, 1) - np.roll(channel, 3))
    moved = np.append(channel[ahead:], np.full(min(ahead, len(channel)), np.nan)) - _stood(channel)
    return np.asarray(np.nan_to_num(np.sign(moved) * np.maximum(np.abs(moved) - drift, 0.0) / noise_kpa))


def tries(at_s: Array, first: int, stirred: Indices) -> list[tuple[int, int]]:
    """First and last sample of each try to start within a rest that begins with sample `first`."""
    stirred = stirred[at_s[stirred] - at_s[first] > TRIES_APART_S]
    if len(stirred) == 0:
        return []
    parts = np.split(stirred, np.flatnonzero(np.diff(at_s[stirred]) > TRIES_APART_S) + 1)
    return [(int(part[0]), int(part[-1])) for part in parts]
