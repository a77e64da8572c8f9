"""Was the forecast right before? Each past winter is forecast from what was known when it began, and held against it.

What is counted as having come: complaints that were likely cold lockouts (mart `likely_cold_calls`), judged from all
records up to today. That judgement may know what came later, and the rivals count by it as well, so they too are
flattered. Calls that come back after a visit count too, and so do those of units that broke during the winter; the
forecast is of units left as they were, so where both are many it lies low, and where much was mended it lies high.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient.plan.forecast import NextWinter, next_winter, totals
from lowambient.plan.outlook import hazards

Array = npt.NDArray[np.float64]

RIVALS_LEAST = 0.05
"""Calls a winter that a rival expects of a unit at least: none at all would make its deviance infinite (judgement)."""
LEAST = 1e-3
"""The same for the forecast, whose units all have some chance."""
BINS = 10
COLUMNS = {
    "winter": pl.String,
    "units": pl.Int64,
    "expected": pl.Float64,
    "lower_90": pl.Float64,
    "upper_90": pl.Float64,
    "expected_given_weather": pl.Float64,
    "came": pl.Int64,
    "deviance": pl.Float64,
    "deviance_last_winter": pl.Float64,
    "deviance_all_time": pl.Float64,
}
PIT_COLUMNS = {"bin": pl.Int64, "units": pl.Float64}


@dataclass(frozen=True)
class Past:
    """What the backtest rests on.

    `winters`: winter, winter_from, winter_to, those to be held against; `states`: by winter, `unit_states` as judged
    at its first hour; `calls`: unit_id, winter of likely cold lockouts; `unit_counts`, `stations`: as
    `forecast` takes them; `service`: unit_id, served_from, served_to; `hours`: unit_id, winter, service_hours [h];
    `bands`: station_id, winter, band, hours [h].
    """

    winters: pl.DataFrame
    states: Mapping[str, pl.DataFrame]
    calls: pl.DataFrame
    unit_counts: pl.DataFrame
    service: pl.DataFrame
    hours: pl.DataFrame
    bands: pl.DataFrame
    stations: pl.DataFrame


def backtest(past: Past, thresholds: Mapping[str, float]) -> dict[str, pl.DataFrame]:
    """Tables `backtest` (grain winter) and `backtest_pit` (grain bin); empty where no winter can be held against.

    Units are those in service, with weather, when the winter began. `expected` with its 90 % interval: calls over the
    spread of winters; `expected_given_weather`: in the hours that the winter had, while in service; neither knows what
    was mended or broken during the winter. `deviance`: mean Poisson deviance of units, of the forecast, of each
    unit's calls of the winter before, and of its mean over all winters before.

    `units` in `backtest_pit`: the probability integral transform of counts in ten equal bins, as its expectation over
    the random numbers of the randomised one; all alike where the predicted spread is right.
    Source: Czado, Gneiting, Held 2009, Biometrics 65(4), 1254-1261.
    """
    rows, filled = [], np.zeros(BINS)
    counts = past.calls.group_by("unit_id", "winter").agg(pl.len().alias("calls"))
    for winter, begins, _ in past.winters.sort("winter").select("winter", "winter_from", "winter_to").iter_rows():
        before = _before(past, counts, winter)
        served = past.service.filter(pl.col("served_from") <= begins, pl.col("served_to") > begins)["unit_id"]
        units = past.unit_counts.drop("episodes", "cold_hours", "calls_last_winter", "winters", "still_served")
        known = units.join(before, on="unit_id", how="left").with_columns(
            pl.col("unit_id").is_in(served.implode()).alias("still_served"),
            pl.col("episodes", "cold_hours", "calls_last_winter", "winters").fill_null(0),
        )
        forecast = next_winter(known, past.states[winter])
        if forecast is None or not forecast.can_tell.any():
            continue
        told = forecast.units.filter(forecast.can_tell)
        of_winter = counts.filter(pl.col("winter") == winter)
        number = _aligned(told, of_winter, "calls")
        mean, variance = forecast.mean[forecast.can_tell], forecast.variance[forecast.can_tell]
        rows.append(
            {"winter": winter, "units": told.height}
            | _fleet(forecast, past.stations, thresholds)
            | {
                "expected_given_weather": _given_weather(past, told, winter, thresholds["band_width_k"]),
                "came": int(number.sum()),
                "deviance": poisson_deviance(number, np.maximum(mean, LEAST)),
                "deviance_last_winter": poisson_deviance(number, _rival(told["calls_last_winter"])),
                "deviance_all_time": poisson_deviance(number, _rival(told["mean_calls"])),
            }
        )
        filled += pit(number, mean, variance)
    table = pl.DataFrame(rows, schema=COLUMNS).with_columns(
        pl.col("expected", "expected_given_weather").round(2), pl.col("^deviance.*$").round(4)
    )
    bins = {"bin": range(1, BINS + 1), "units": filled.round(2)} if rows else None
    return {"backtest": table, "backtest_pit": pl.DataFrame(bins, schema=PIT_COLUMNS)}


def _before(past: Past, counts: pl.DataFrame, winter: str) -> pl.DataFrame:
    """What was known of each unit's calls when the winter began: grain unit.

    episodes, cold_hours: of all winters before; calls_last_winter; winters: of service, each at most 1, so that one
    of which the records miss the summer counts as whole; mean_calls: a winter.
    """
    earlier = pl.col("winter") < winter
    years = past.hours.filter(earlier)
    last = years["winter"].max()
    by_unit = (
        counts.filter(earlier)
        .group_by("unit_id")
        .agg(
            pl.col("calls").sum().alias("episodes"),
            pl.col("calls").filter(pl.col("winter") == last).sum().alias("calls_last_winter"),
        )
    )
    share = (pl.col("service_hours") / _WHOLE_WINTER_H).clip(0, 1)
    served = years.group_by("unit_id").agg(pl.col("cold_hours").sum(), share.sum().alias("winters"))
    return (
        served.join(by_unit, on="unit_id", how="left")
        .with_columns(pl.col("episodes", "calls_last_winter").fill_null(0).cast(pl.Int64))
        .with_columns((pl.col("episodes") / pl.col("winters").clip(1.0)).alias("mean_calls"))
    )


_WHOLE_WINTER_H = 300 * 24.0


def _fleet(forecast: NextWinter, stations: pl.DataFrame, thresholds: Mapping[str, float]) -> dict[str, float]:
    everything = pl.Series(["fleet"] * int(forecast.can_tell.sum()))
    row = totals(forecast, everything, stations, thresholds["winter_correlation_km"]).row(0, named=True)
    return {"expected": row["expected_cold_calls"], "lower_90": row["lower_90"], "upper_90": row["upper_90"]}


def _given_weather(past: Past, told: pl.DataFrame, winter: str, band_width_k: float) -> float:
    """Calls of all told units in the hours that the winter had, as far as each was in service."""
    ours = past.hours.filter(pl.col("winter") == winter)
    share = ours.select("unit_id", share=pl.col("service_hours") / pl.col("service_hours").max())
    units = (
        told.select("unit_id", "station_id")
        .join(share, on="unit_id", how="left")
        .with_columns(pl.col("share").fill_null(0.0))
    )
    states = past.states[winter].join(units, on="unit_id").sort("unit_id", "state")
    total = 0.0
    for (station,), weather in past.bands.filter(pl.col("winter") == winter).group_by(
        "station_id", maintain_order=True
    ):
        here = states.filter(pl.col("station_id") == station)
        middle = 10 + (weather["band"].to_numpy() + 0.5) * band_width_k
        calls = hazards(here, middle) @ weather["hours"].cast(pl.Float64).to_numpy()
        total += float(np.sum(calls * here["probability"].to_numpy() * here["share"].to_numpy()))
    return total


def _aligned(units: pl.DataFrame, counts: pl.DataFrame, column: str) -> Array:
    joined = units.select("unit_id").join(counts, on="unit_id", how="left", maintain_order="left")
    return np.asarray(joined[column].fill_null(0).cast(pl.Float64).to_numpy())


def _rival(calls: pl.Series) -> Array:
    return np.asarray(np.maximum(calls.cast(pl.Float64).fill_null(0.0).to_numpy(), RIVALS_LEAST))


def poisson_deviance(came: Array, expected: Array) -> float:
    """Mean of 2 (y ln(y / mu) - (y - mu)) over units [-]; `expected` above 0."""
    logs = np.where(came > 0, came * np.log(np.maximum(came, 1e-12) / expected), 0.0)
    return float(np.mean(2 * (logs - (came - expected))))


def pit(came: Array, mean: Array, variance: Array) -> Array:
    """Units (expected) in each of ten bins of the probability integral transform of their counts: bins."""
    below, upto = _cdf(came - 1, mean, variance), _cdf(came, mean, variance)
    edges = np.linspace(0, 1, BINS + 1)
    width = np.maximum(upto - below, 1e-12)
    share = np.clip((edges[None, :] - below[:, None]) / width[:, None], 0, 1)
    share[:, -1] = 1.0  # a count that could hardly come lies in the last bin
    return np.asarray(np.diff(share, axis=1).sum(axis=0))


def _cdf(count: Array, mean: Array, variance: Array) -> Array:
    """P(N <= count) of the negative binomial of that mean and variance, as `forecast.predictive_interval` takes it."""
    over = variance - mean
    mixed = (mean > 0) & (over > 1e-9 * mean)
    safe = np.where(mixed, over, 1.0)
    middle = np.maximum(mean, 1e-12)
    spread = stats.nbinom.cdf(count, middle**2 / safe, np.where(mixed, middle / (middle + safe), 0.5))
    return np.asarray(np.where(mixed, spread, stats.poisson.cdf(count, mean)))
