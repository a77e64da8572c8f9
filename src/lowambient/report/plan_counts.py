"""What the page on next winter counts of the plan and of past forecasts, each as a table or a fact of `summary`."""

from collections.abc import Mapping

import polars as pl

Facts = dict[str, tuple[float | None, str]]

_MEASURED = r"-?\d+(?:\.\d+)? (%|°F|°C)"
"""A measured number in a reason, by which reasons of one kind differ from unit to unit."""

NO_WORK = "do nothing"
"""The package of `option_fit` that fits every unit and is none."""


def plan_by_option(plan: pl.DataFrame) -> pl.DataFrame:
    """The chosen work by package. Grain: option. Columns of `schemas.PlanByOption`."""
    sums = ("cost", "crew_h", "avoided_calls_per_winter", "avoided_cost_contractor", "avoided_cost_customer")
    return (
        plan.filter("selected")
        .group_by("option")
        .agg(pl.len().cast(pl.Int64).alias("units"), *(pl.col(name).sum() for name in sums))
        .with_columns(
            cost_per_call=pl.when(pl.col("avoided_calls_per_winter") > 0).then(
                pl.col("cost") / pl.col("avoided_calls_per_winter")
            )
        )
        .sort("avoided_calls_per_winter", "option", descending=[True, False])
    )


def fit_reasons(option_fit: pl.DataFrame) -> pl.DataFrame:
    """Why packages do not fit. Grain: kind of reason, measured numbers left out; columns of `schemas.FitReasons`."""
    kind = pl.col("reason").fill_null("not told").str.replace_all(_MEASURED, "… $1")
    return (
        option_fit.filter(~pl.col("fits"))
        .group_by(kind)
        .agg(
            pl.col("unit_id").n_unique().cast(pl.Int64).alias("units"),
            pl.col("option").n_unique().cast(pl.Int64).alias("packages"),
            pl.len().cast(pl.Int64).alias("pairs"),
        )
        .sort("units", "pairs", "reason", descending=[True, True, False])
    )


def plan_facts(frames: Mapping[str, pl.DataFrame]) -> Facts:
    """Facts of the plan, of what fits, and of what past forecasts were worth."""
    chosen, fit, past = frames["plan"].filter("selected"), frames["option_fit"], frames["backtest"]
    fits = fit.group_by("unit_id").agg((pl.col("fits") & (pl.col("option") != NO_WORK)).any())
    told = past.filter(pl.col("lower_90").is_not_null(), pl.col("upper_90").is_not_null())
    return {
        "units_planned": (chosen["unit_id"].n_unique(), "units with chosen work in `plan`"),
        "units_likely_to_pay_back": (
            chosen.filter(pl.col("probability_pays_back") >= 0.5)["unit_id"].n_unique(),
            "those of them whose `probability_pays_back` is 0.5 or more",
        ),
        "units_fit_judged": (fits.height, "units of `option_fit`"),
        "units_without_package": (fits.filter(~pl.col("fits")).height, "those of them that no package fits"),
        "backtest_winters": (told.height, "winters of `backtest` with an interval"),
        "backtest_inside": (
            told.filter(pl.col("came").is_between("lower_90", "upper_90")).height,
            "those of them in which what came lay within the interval",
        ),
    }
