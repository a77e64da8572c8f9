"""How well counts of the next winter, and what is said to be their spread, agree with what came."""

import numpy as np
import polars as pl
from scipy import stats

from lowambient.plan.backtest import pit, poisson_deviance
from lowambient.plan.forecast import SHARED_CV, next_winter, predictive_interval
from lowambient.plan.outlook import coldest_of_day, hazards

A_YEAR_H = 8766
LEAST = 0.05
"""Calls that a forecast is taken to expect at least, as in the other deviances."""


def spread_scores(unit_counts: pl.DataFrame, states: pl.DataFrame, came: pl.DataFrame) -> dict[str, float]:
    """Over the spread of winters: bins of the probability integral transform of units, `pit 1` to `pit 10`, counted in
    units, and `pit p`, that of a chi-squared test for all bins alike. `came`: unit_id, calls_1."""
    winter = next_winter(unit_counts, states)
    assert winter is not None
    told = winter.can_tell
    units = winter.units.filter(told)
    number = _aligned(units["unit_id"], came)
    bins = pit(number, winter.mean[told], winter.variance[told])
    return {f"pit {place + 1:02d}": value for place, value in enumerate(bins)} | {
        "pit p": float(stats.chisquare(bins).pvalue)
    }


def weather_scores(
    states: pl.DataFrame, units: pl.DataFrame, weather: pl.DataFrame, came: pl.DataFrame
) -> dict[str, float]:
    """The same winter given its weather: deviance of units, the fleet's total, and whether its 90 % interval holds it.

    `weather`: station_id, hour, temperature_c from the end of the records on; `units`: unit_id, station_id.
    """
    expected, square = {}, {}
    by_station = units.join(states, on="unit_id").partition_by("station_id", as_dict=True)
    for (station,), own in by_station.items():
        hours = weather.filter(pl.col("station_id") == station).sort("hour").head(A_YEAR_H)
        calls = hazards(own, coldest_of_day(hours)).sum(axis=1) if hours.height else np.zeros(own.height)
        moments = own.select("unit_id", mean=pl.col("probability") * calls, square=pl.col("probability") * calls**2)
        for unit_id, mean, second in moments.group_by("unit_id").sum().iter_rows():
            expected[unit_id], square[unit_id] = mean, second
    names = pl.Series(sorted(expected))
    mean, second = (np.array([table[name] for name in names]) for table in (expected, square))
    number = _aligned(names, came)
    total, variance = mean.sum(), (mean + np.maximum(second - mean**2, 0)).sum() + (SHARED_CV * mean.sum()) ** 2
    lower, upper = predictive_interval(np.array([total]), np.array([variance]))
    return {
        "given weather: forecast": float(total),
        "given weather: deviance": poisson_deviance(number, np.maximum(mean, LEAST)),
        "given weather: fleet inside 90 %": float(lower[0] <= number.sum() <= upper[0]),
    }


def _aligned(names: pl.Series, came: pl.DataFrame) -> np.ndarray:
    joined = pl.DataFrame({"unit_id": names}).join(came, on="unit_id", how="left", maintain_order="left")
    return joined["calls_1"].fill_null(0).cast(pl.Float64).to_numpy()


def reliability(truth: np.ndarray, probability: np.ndarray, bins: int = 10) -> list[tuple[int, float, float]]:
    """The reliability picture: units, mean probability and share true, of each tenth of probability that has any."""
    place = np.minimum((probability * bins).astype(int), bins - 1)
    return [
        (int((place == each).sum()), float(probability[place == each].mean()), float(truth[place == each].mean()))
        for each in range(bins)
        if (place == each).any()
    ]
