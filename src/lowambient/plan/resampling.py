"""Intervals of ratios of sums by drawing whole clusters anew: for events that gather in few sites and units."""

import hashlib

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

Array = npt.NDArray[np.float64]

RESAMPLES = 2000
"""Resamples of the fleet behind an interval; the doubt this leaves in its ends is a few percent of its width."""

FEWEST_SITES = 10
"""Judgement: fewer sites cannot show how sites differ, and single units are resampled instead."""

MANY_CLUSTERS = 2_000
"""Clusters of one ratio from which it is faster to draw them one by one than to draw how often each comes."""

_CELLS_AT_A_TIME = 20_000_000


def resampled_ratio(tops: Array, bottoms: Array, seed: int, level: float = 0.95) -> tuple[Array, Array]:
    """Interval of sum(tops) / sum(bottoms) for each column, rows being clusters; NaN where the ratio is not over 0.

    Whole clusters are drawn with everything inside them, because that alone gives nested data the right variance
    (Davison & Hinkley 1997, Bootstrap Methods and their Application, section 3.8). Bias-corrected and accelerated,
    because events gather in few clusters and resampled ratios lean; few clusters that count are few degrees of
    freedom, so Student's t stands for the normal, with (sum of squares)^2 / sum of fourth powers of the clusters'
    influence, as in Satterthwaite's rule. `tops` and `bottoms` are whole numbers below 2^53, so that no order of adding
    and no thread can change a sum.
    Source: Efron 1987, Journal of the American Statistical Association 82, 171-185.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = tops.sum(axis=0) / bottoms.sum(axis=0)
        influence = tops - ratio * bottoms
        acceleration = np.sum(influence**3, axis=0) / (6 * np.sum(influence**2, axis=0) ** 1.5)
        freedom = np.nan_to_num(np.sum(influence**2, axis=0) ** 2 / np.sum(influence**4, axis=0), nan=1.0)
    ratios = np.sort(_drawn(tops, bottoms, seed), axis=0)
    drawn = np.maximum((~np.isnan(ratios)).sum(axis=0), 1)
    below = ((ratios < ratio).sum(axis=0) + 0.5 * (ratios == ratio).sum(axis=0)) / drawn
    bias = stats.norm.ppf(np.clip(below, 1 / RESAMPLES, 1 - 1 / RESAMPLES))
    ends = []
    for tail in ((1 - level) / 2, (1 + level) / 2):
        normal = bias + stats.t.ppf(tail, freedom)
        place = stats.norm.cdf(bias + normal / (1 - acceleration * normal))
        row = np.clip(np.floor(np.nan_to_num(place) * RESAMPLES), 0, RESAMPLES - 1).astype(np.intp)
        ends.append(np.where(ratio > 0, ratios[row, np.arange(len(ratio))], np.nan))
    return ends[0], ends[1]


def seed_of(rows: pl.DataFrame) -> int:
    """A seed from the rows themselves (in the order given), so that neither clock nor threads can move a draw."""
    return int.from_bytes(hashlib.sha256(rows.write_csv().encode()).digest()[:8], "big")


def _drawn(tops: Array, bottoms: Array, seed: int) -> Array:
    """Ratio of each column in each resample (rows) of the clusters."""
    draw = np.random.Generator(np.random.PCG64(seed))
    count = len(tops)
    if tops.shape[1] == 1 and count >= MANY_CLUSTERS:
        return _drawn_one_by_one(tops[:, 0], bottoms[:, 0], draw)
    ratios = np.empty((RESAMPLES, tops.shape[1]))
    step = max(1, _CELLS_AT_A_TIME // count)
    for start in range(0, RESAMPLES, step):
        size = min(step, RESAMPLES - start)
        picked = draw.multinomial(count, np.full(count, 1 / count), size=size).astype(np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratios[start : start + size] = (picked @ tops) / (picked @ bottoms)
    return ratios


def _drawn_one_by_one(tops: Array, bottoms: Array, draw: np.random.Generator) -> Array:
    """The same for one ratio: its clusters themselves are drawn, which has the same law."""
    count = len(tops)
    pairs = np.empty(count, dtype=np.complex128)  # both sums in one gathering
    pairs.real, pairs.imag = tops, bottoms
    ratios = np.empty((RESAMPLES, 1))
    step = max(1, _CELLS_AT_A_TIME // (4 * count))
    for start in range(0, RESAMPLES, step):
        picked = draw.integers(0, count, size=(min(step, RESAMPLES - start), count), dtype=np.uint32)
        sums = pairs[picked].sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratios[start : start + step, 0] = sums.real / sums.imag
    return ratios
