"""Units ranked by the cold calls that the next winter will bring if they are left as they are."""

import numpy as np
import polars as pl

from lowambient.plan.forecast import next_winter, predictive_interval
from lowambient.plan.rates import poisson_interval
from lowambient.plan.shrinkage import expected_ranks


def unit_ranking(unit_counts: pl.DataFrame, unit_states: pl.DataFrame | None = None) -> pl.DataFrame:
    """Every unit with its cold low-pressure episodes, their rate, and what is expected of it next winter.

    Grain: unit, sorted by expected episodes downwards, then unit. `unit_counts`: grain unit; `unit_states`: see
    `next_winter`. Added columns:
    `rate_per_1000_h`, `lower`, `upper`: episodes per 1,000 cold hours as counted, exact Poisson 95 %; null without cold
    hours. `shrunk_rate`, `shrunk_lower_90`, `shrunk_upper_90`: the same with the fleet's experience weighed in.
    `expected_cold_calls`, `lower_90`, `upper_90`: episodes next winter, 0 for units no longer in service, null where
    the station has no weather. `expected_rank`: mean rank over what is not known, 1 for the most calls; two units
    that can hardly be told apart have nearly the same. All null when no unit has cold hours.
    """
    units = unit_counts.sort("unit_id")
    winter = next_winter(units, unit_states)
    events, hours = (units[name].cast(pl.Float64).to_numpy() for name in ("episodes", "cold_hours"))
    lower, upper = poisson_interval(events, hours)
    with np.errstate(divide="ignore", invalid="ignore"):
        counted = np.where(hours > 0, events / hours, np.nan)
    columns = {"rate_per_1000_h": 1000 * counted, "lower": 1000 * lower, "upper": 1000 * upper}
    unknown = np.full(units.height, np.nan)
    if winter is None:
        later = dict.fromkeys(
            (
                "shrunk_rate",
                "shrunk_lower_90",
                "shrunk_upper_90",
                "expected_cold_calls",
                "lower_90",
                "upper_90",
                "expected_rank",
            ),
            unknown,
        )
    else:
        shrunk_lower, shrunk_upper = winter.rates.interval(0.90)
        fewest, most = predictive_interval(winter.mean, winter.variance)
        has_winter = units["cold_hours_typical"].is_not_null().to_numpy()
        later = {
            "shrunk_rate": 1000 * winter.rates.mean,
            "shrunk_lower_90": 1000 * shrunk_lower,
            "shrunk_upper_90": 1000 * shrunk_upper,
            "expected_cold_calls": np.where(has_winter, winter.mean, np.nan),
            "lower_90": np.where(has_winter, fewest, np.nan),
            "upper_90": np.where(has_winter, most, np.nan),
            "expected_rank": np.where(has_winter, expected_ranks(winter.mean, winter.variance), np.nan),
        }
    return units.with_columns(
        pl.Series(name, values, nan_to_null=True).round(4) for name, values in (columns | later).items()
    ).sort("expected_cold_calls", "unit_id", descending=[True, False], nulls_last=True)
