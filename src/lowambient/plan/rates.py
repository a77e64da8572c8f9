"""Rates and proportions with their uncertainty, and calls for each 1,000 unit-hours of a temperature band."""

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient.plan.resampling import FEWEST_SITES, resampled_ratio, seed_of

Array = npt.NDArray[np.float64]
Numbers = npt.ArrayLike


def poisson_interval(events: Numbers, exposure: Numbers, level: float = 0.95) -> tuple[Array, Array]:
    """Exact central interval of a Poisson rate, per unit of exposure.

    Lower chi2(a/2; 2 events) / (2 exposure), upper chi2(1 - a/2; 2 events + 2) / (2 exposure); without events the
    lower end is 0.
    Assumes independent events: where they come in clusters it is too narrow. Null (NaN) without exposure.
    Source: Garwood 1936, Biometrika 28(3/4), 437-442.
    """
    counts, hours = _broadcast(events, exposure)
    tail = (1 - level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(counts > 0, stats.chi2.ppf(tail, 2 * np.maximum(counts, 1)), 0.0) / (2 * hours)
        upper = stats.chi2.ppf(1 - tail, 2 * (counts + 1)) / (2 * hours)
    return np.where(hours > 0, lower, np.nan), np.where(hours > 0, upper, np.nan)


def rate_ratio(
    events_a: int, exposure_a: float, events_b: int, exposure_b: float, level: float = 0.95
) -> tuple[float, float, float, float]:
    """Ratio of two Poisson rates (a over b), its exact interval and the two-sided p of equal rates.

    Given the sum of events, those of a are binomial with odds ratio * exposure_a / exposure_b; the interval is that
    of Clopper and Pearson carried over, p twice the smaller tail. Returns ratio, lower, upper, p; ratio and
    lower are NaN without any event, upper is infinite without one in b.

    Raises: ValueError for an exposure that is not positive.
    Source: Fay, R package rateratio.test; Przyborowski & Wilenski 1940, Biometrika 31, 313-323.
    """
    if exposure_a <= 0 or exposure_b <= 0:
        raise ValueError("a rate needs exposure on both sides")
    events = events_a + events_b
    if events == 0:
        return float("nan"), 0.0, float("inf"), 1.0
    tail = (1 - level) / 2
    odds = exposure_b / exposure_a

    def ratio_of(probability: float) -> float:
        return probability / (1 - probability) * odds if probability < 1 else float("inf")

    lower = stats.beta.ppf(tail, events_a, events_b + 1) if events_a else 0.0
    upper = stats.beta.ppf(1 - tail, events_a + 1, events_b) if events_b else 1.0
    share = exposure_a / (exposure_a + exposure_b)
    low_tail = stats.binom.cdf(events_a, events, share)
    high_tail = stats.binom.sf(events_a - 1, events, share)
    p = min(1.0, 2 * min(low_tail, high_tail))
    return ratio_of(events_a / events), ratio_of(float(lower)), ratio_of(float(upper)), float(p)


def wilson_interval(successes: Numbers, trials: Numbers, level: float = 0.95) -> tuple[Array, Array]:
    """Score interval of a proportion [-]; NaN without trials.

    Source: Wilson 1927, Journal of the American Statistical Association 22, 209-212.
    """
    hits, count = _broadcast(successes, trials)
    z = stats.norm.ppf(1 - (1 - level) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = hits / count
        centre = (share + z**2 / (2 * count)) / (1 + z**2 / count)
        half = z / (1 + z**2 / count) * np.sqrt(share * (1 - share) / count + z**2 / (4 * count**2))
    lower = np.where(hits == 0, 0.0, centre - half)
    upper = np.where(hits == count, 1.0, centre + half)
    return np.where(count > 0, lower, np.nan), np.where(count > 0, upper, np.nan)


def benjamini_hochberg(p: Numbers) -> Array:
    """P values adjusted so that rejecting those at or under q keeps the false discovery rate at q; same order.

    Source: Benjamini & Hochberg 1995, Journal of the Royal Statistical Society B 57(1), 289-300.
    """
    return np.asarray(stats.false_discovery_control(np.asarray(p, dtype=np.float64), method="bh"))


def exposure(unit_bands: pl.DataFrame) -> pl.DataFrame:
    """Low-pressure episodes for each 1,000 unit-hours of each band, with 95 % intervals: the table `exposure`.

    `unit_bands`: grain unit, measure, band; unit_id, site_id, measure, band, lower_c, upper_c, unit_hours [h], calls,
    episodes. Result: grain measure, band, sorted.

    Interval: the wider, at each end, of two. Resampling the fleet's sites with all their units shows that episodes
    gather in a few units and sites; the exact Poisson interval holds where resampling cannot show any doubt (no
    episode, one unit). Whole sites are drawn and the units inside are kept, because that alone gives nested data the
    right variance (Davison & Hinkley 1997, Bootstrap Methods and their Application, section 3.8); under
    `FEWEST_SITES` sites, units are drawn. The draws are seeded with a digest of the rows in sorted order, so neither
    their order nor threads can move them.
    """
    totals = (
        unit_bands.group_by("measure", "band", "lower_c", "upper_c")
        .agg(pl.col("unit_hours").sum(), pl.col("calls").sum(), pl.col("episodes").sum())
        .sort("measure", "band")
    )
    events, hours = (totals[name].cast(pl.Float64).to_numpy() for name in ("episodes", "unit_hours"))
    lower, upper = poisson_interval(events, hours)
    if totals.height:
        resampled_lower, resampled_upper = _resampled(unit_bands, totals.select("measure", "band"))
        lower, upper = np.fmin(lower, resampled_lower), np.fmax(upper, resampled_upper)
    return totals.select(
        "measure",
        "lower_c",
        "upper_c",
        pl.col("unit_hours").cast(pl.Float64),
        "calls",
        "episodes",
        (1000 * pl.col("episodes") / pl.col("unit_hours")).round(4).alias("rate_per_1000_h"),
        pl.Series("lower", 1000 * lower, dtype=pl.Float64).round(4),
        pl.Series("upper", 1000 * upper, dtype=pl.Float64).round(4),
    )


def _resampled(bands: pl.DataFrame, cells: pl.DataFrame) -> tuple[Array, Array]:
    """Interval of each cell's rate over resampled fleets; NaN without events."""
    whole = "site_id" if bands["site_id"].n_unique() >= FEWEST_SITES else "unit_id"
    drawn = (
        bands.group_by(pl.col(whole).alias("cluster"), "measure", "band")
        .agg(pl.col("episodes", "unit_hours").sum())
        .sort("cluster", "measure", "band")
    )
    return resampled_ratio(_matrix(drawn, cells, "episodes"), _matrix(drawn, cells, "unit_hours"), seed_of(drawn))


def _matrix(drawn: pl.DataFrame, cells: pl.DataFrame, value: str) -> Array:
    """`value` by cluster (rows, sorted) and cell (columns)."""
    placed = drawn.join(cells.with_row_index("column"), on=["measure", "band"], maintain_order="left")
    row = np.unique(placed["cluster"].to_numpy(), return_inverse=True)[1]
    matrix = np.zeros((int(row.max()) + 1, cells.height))
    matrix[row, placed["column"].to_numpy()] = placed[value].cast(pl.Float64).to_numpy()
    return matrix


def _broadcast(first: Numbers, second: Numbers) -> tuple[Array, Array]:
    one, other = np.broadcast_arrays(np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64))
    return one, other
