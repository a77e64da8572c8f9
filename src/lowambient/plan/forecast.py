"""Cold calls of the next winter if nothing is done, for units, sites and the fleet.

Model: a unit has Poisson(calls of its state in a typical winter * severity) calls. Which state it is in, no more than
probably, is what the flags room makes of all records (`unit_states`); without that, its rate per cold hour is gamma,
from its own past and the fleet's (`shrinkage`). Severity has mean 1, the spread of winters, and is shared: wholly by
units of one station, in part by stations near each other (`winters`).
Mean and variance of a total come from the law of total variance; the count is taken as the negative binomial of
that mean and variance.

Limits: the next winter is like the past ones (no warming trend), units stay as they are, and nothing but more cold
hours makes many units fail at once.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient.plan.shrinkage import Rates, shrunk, weighed
from lowambient.plan.winters import next_winter_cv, winter_correlation

Array = npt.NDArray[np.float64]

COLUMNS = {
    "level": pl.String,
    "unit_id": pl.String,
    "site_id": pl.String,
    "expected_cold_calls": pl.Float64,
    "lower_90": pl.Float64,
    "upper_90": pl.Float64,
    "calls_last_winter": pl.Int64,
    "cold_hours_typical": pl.Float64,
}


@dataclass(frozen=True)
class NextWinter:
    """What is known of each unit and of its next winter; arrays over `units`, the sorted rows of `unit_counts`.

    `rates` per cold hour of the past alone; `hours`: cold hours of the next winter, 0 for units no longer in service or
    without a typical winter; `severity_cv` [-]; `mean`, `variance` of the calls; `by_node`: their mean under each way
    that the whole fleet may turn out, of `node_probability`; `own`: variance of what is each unit's own.
    """

    units: pl.DataFrame
    rates: Rates
    node_probability: Array
    hours: Array
    severity_cv: Array
    mean: Array
    variance: Array
    by_node: Array
    own: Array

    @property
    def can_tell(self) -> npt.NDArray[np.bool_]:
        """Units that the forecast speaks of: still in service, and with weather for a typical winter."""
        told = self.units["still_served"].fill_null(value=False) & self.units["cold_hours_typical"].is_not_null()
        return told.to_numpy()


def next_winter(unit_counts: pl.DataFrame, unit_states: pl.DataFrame | None = None) -> NextWinter | None:
    """Rates of all units, and the next winter's count of each; null when no unit has cold hours to judge by.

    `unit_counts`: grain unit. `unit_states`: grain unit and state, with probability and cold_calls_per_winter.
    """
    units = unit_counts.sort("unit_id")
    events, past_hours = _floats(units, "episodes"), _floats(units, "cold_hours")
    # a call may follow, within a day, a cold hour just before service began: it never stands without an hour
    past_hours = np.where(events > 0, np.maximum(past_hours, 1.0), past_hours)
    if not np.any(past_hours > 0):
        return None
    prior = weighed(events, past_hours)
    rates = shrunk(prior, events, past_hours)
    served = units["still_served"].fill_null(value=False).to_numpy()
    hours = np.where(served, np.nan_to_num(_floats(units, "cold_hours_typical")), 0.0)
    severity_cv = next_winter_cv(_floats(units, "spread_cv"), _floats(units, "winters"))
    mean = rates.mean * hours
    variance = mean + rates.variance * hours**2 * (1 + severity_cv**2) + (mean * severity_cv) ** 2
    by_node, own = rates.node_means * hours[:, None], rates.own_variance * hours**2 * (1 + severity_cv**2)
    winter = NextWinter(units, rates, prior.probability, hours, severity_cv, mean, variance, by_node, own)
    return winter if unit_states is None else _by_states(winter, unit_states)


SHARED_CV = 0.2
"""How far all units together may turn out otherwise than their states say, over the mean (judgement)."""


def _by_states(winter: NextWinter, unit_states: pl.DataFrame) -> NextWinter:
    """The same winter with each unit's calls as a mixture over the states it may be in."""
    calls, probability = pl.col("cold_calls_per_winter"), pl.col("probability")
    moments = unit_states.group_by("unit_id").agg(
        mean=(probability * calls).sum(), square=(probability * calls**2).sum()
    )
    joined = winter.units.select("unit_id").join(moments, on="unit_id", how="left", maintain_order="left")
    goes_on = winter.hours > 0
    mean = np.where(goes_on, np.nan_to_num(_floats(joined, "mean")), 0.0)
    spread = np.where(goes_on, np.maximum(np.nan_to_num(_floats(joined, "square")) - mean**2, 0.0), 0.0)
    own = spread * (1 + winter.severity_cv**2)
    shared = SHARED_CV * np.array([-1.0, 1.0])
    by_node = mean[:, None] * (1 + shared)
    variance = mean + own + (mean * winter.severity_cv) ** 2 + (mean * SHARED_CV) ** 2
    return replace(
        winter, mean=mean, variance=variance, own=own, by_node=by_node, node_probability=np.array([0.5, 0.5])
    )


def predictive_interval(mean: Array, variance: Array, level: float = 0.90) -> tuple[Array, Array]:
    """Interval of a count of given mean and variance: at least `level` of the negative binomial lies in it.

    Both ends are whole counts, so small counts are covered more often than `level`. A variance not over the mean
    gives the Poisson interval; a mean of 0 gives 0 to 0.
    """
    over = np.maximum(variance - mean, 0.0)
    mixed, plain = (mean > 0) & (over > 1e-9 * mean), (mean > 0) & (over <= 1e-9 * mean)
    size, share = mean[mixed] ** 2 / over[mixed], mean[mixed] / (mean[mixed] + over[mixed])
    ends = np.zeros((2, len(mean)))
    for end, quantile in zip(ends, ((1 - level) / 2, (1 + level) / 2), strict=True):
        end[mixed] = stats.nbinom.ppf(quantile, size, share)
        end[plain] = stats.poisson.ppf(quantile, mean[plain])
    return ends[0], ends[1]


def forecast(
    unit_counts: pl.DataFrame,
    stations: pl.DataFrame,
    thresholds: Mapping[str, float],
    unit_states: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """The table `forecast`: cold calls to be expected in the next winter, with 90 % predictive intervals.

    Grain: level, unit, site; units, then sites, then the fleet, each sorted. `unit_counts`: grain unit. `stations`:
    the input table, for distances. Only units still in service whose station has weather are in it, and sites and
    fleet count those alone (`calls_last_winter` too); without any, the table is empty.
    """
    winter = next_winter(unit_counts, unit_states)
    if winter is None or not winter.can_tell.any():
        return pl.DataFrame(schema=COLUMNS)
    told = winter.units.filter(winter.can_tell)
    length_km = thresholds["winter_correlation_km"]
    by_unit = told.with_columns(_counts(winter.mean[winter.can_tell], winter.variance[winter.can_tell]))
    by_site = totals(winter, told["site_id"], stations, length_km)
    fleet = totals(winter, pl.Series(["fleet"] * told.height), stations, length_km)
    nothing = pl.lit(None, dtype=pl.String)
    levels = [
        by_unit.with_columns(pl.lit("unit").alias("level")),
        by_site.with_columns(pl.lit("site").alias("level"), nothing.alias("unit_id"), pl.col("group").alias("site_id")),
        fleet.with_columns(pl.lit("fleet").alias("level"), nothing.alias("unit_id"), nothing.alias("site_id")),
    ]
    table = pl.concat(level.select(pl.col(name).cast(kind) for name, kind in COLUMNS.items()) for level in levels)
    return table.with_columns(pl.col("expected_cold_calls").round(3), pl.col("cold_hours_typical").round(1))


def totals(winter: NextWinter, keys: pl.Series, stations: pl.DataFrame, length_km: float) -> pl.DataFrame:
    """Totals of the told units by `keys`, with intervals that know what units share; grain group, sorted.

    Variance of a sum: its mean (chance), each unit's own doubt about its rate, the winter as far as stations share
    it, and the doubt about the fleet's rates, which all units share (taken a hair wide: as if one winter ruled all).
    """
    told = winter.can_tell
    units, hours, severity_cv, expected = (
        winter.units.filter(told),
        winter.hours[told],
        winter.severity_cv[told],
        winter.mean[told],
    )
    names, group = np.unique(keys.to_numpy(), return_inverse=True)

    def summed(values: Array) -> Array:
        total = np.zeros((len(names), *values.shape[1:]))
        np.add.at(total, group, values)
        return total

    known, station = np.unique(units["station_id"].fill_null("").to_numpy(), return_inverse=True)
    places = pl.DataFrame({"station_id": known}, schema={"station_id": pl.String}).join(
        stations.select("station_id", "latitude", "longitude"), on="station_id", how="left", maintain_order="left"
    )
    sways = np.zeros((len(names), len(known)))
    np.add.at(sways, (group, station), expected * severity_cv)
    shared_winter = np.einsum("gs,st,gt->g", sways, winter_correlation(places, length_km), sways)

    mean = summed(expected)
    by_node = summed(winter.by_node[told])
    shared_rates = np.sum((by_node - mean[:, None]) ** 2 * winter.node_probability, axis=1)
    shared_rates *= 1 + severity_cv.max() ** 2
    own_rates = summed(winter.own[told])
    return pl.DataFrame({"group": names}, schema={"group": pl.String}).with_columns(
        pl.Series("calls_last_winter", summed(_floats(units, "calls_last_winter"))),
        pl.Series("cold_hours_typical", summed(hours)),
        *_counts(mean, mean + own_rates + shared_winter + shared_rates),
    )


def _counts(mean: Array, variance: Array) -> list[pl.Series]:
    lower, upper = predictive_interval(mean, variance)
    return [pl.Series("expected_cold_calls", mean), pl.Series("lower_90", lower), pl.Series("upper_90", upper)]


def _floats(frame: pl.DataFrame, column: str) -> Array:
    """A column as floats, null as NaN."""
    return frame[column].cast(pl.Float64).to_numpy()
