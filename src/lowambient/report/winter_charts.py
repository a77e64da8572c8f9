"""Charts of the page on next winter."""

from typing import Any

import altair as alt
import polars as pl

from lowambient.report.charts import (
    BLUE,
    COUNT,
    INK,
    SKY,
    SOFT,
    VERMILLION,
    WHOLE,
    Spec,
    ends,
    spec,
    tip,
    value_axis,
)


def fleet_forecast(forecast: pl.DataFrame, past: pl.DataFrame) -> Spec | None:
    """The fleet's calls of next winter with their 90 % interval; below, for each past winter, what would have been
    forecast when it began and what came, or without any, last winter's count. Marks: one symbol a winter.

    `past` has the columns of `schemas.Backtest`, the last winter first.
    """
    fleet = forecast.filter(pl.col("level") == "fleet")
    if fleet.is_empty():
        return None
    frame = _winters_told(fleet.row(0, named=True), past)
    names = frame["winter"].to_list()
    y = alt.Y("winter:N", sort=names, title=None, axis=alt.Axis(domain=False, ticks=False, labelColor=INK))
    x = alt.X(
        "lower:Q",
        title="calls in the cold, whole fleet",
        scale=alt.Scale(zero=True),
        axis=alt.Axis(tickCount=6, labelOverlap=True),
    )
    tips = [
        tip("winter", "winter"),
        tip("expected", "expected", ",.1f"),
        *ends(WHOLE, level=90),
        tip("came", "came", WHOLE),
    ]
    base = alt.Chart(frame).encode(y=y, tooltip=tips)
    span = (
        base.transform_filter("isValid(datum.lower)")
        .mark_rule(size=8, color=SKY, strokeCap="round")
        .encode(x=x, x2="upper:Q")
    )
    point = base.mark_point(filled=True, size=110, opacity=1).encode(
        x="calls:Q",
        shape=_by_kind(["circle", "diamond"], alt.Shape),
        color=_by_kind([BLUE, VERMILLION], alt.Color),
    )
    return spec(
        alt.layer(span, point).properties(height=30 * frame.height + 16, width=500), 130, ("forecast", "backtest")
    )


def _winters_told(fleet: dict[str, Any], past: pl.DataFrame) -> pl.DataFrame:
    """Rows of the forecast's chart: winter, kind, calls (the symbol), expected, lower, upper, came."""
    following = ("next, expected", "expected", *(fleet[name] for name in _EXPECTED), None)
    rows = [
        (f"{row['winter']}, came", "came", float(row["came"]), row["expected"], row["lower_90"], row["upper_90"])
        for row in past.iter_rows(named=True)
    ] or [("last, counted", "came", float(fleet["calls_last_winter"]), None, None, None)]
    return pl.DataFrame(
        [following, *((*row, row[2]) for row in rows)],
        schema={
            "winter": pl.String,
            "kind": pl.String,
            **dict.fromkeys(("calls", "expected", "lower", "upper", "came"), pl.Float64),
        },
        orient="row",
    )


_EXPECTED = ("expected_cold_calls", "expected_cold_calls", "lower_90", "upper_90")


def _by_kind(marks: list[str], channel: Any) -> Any:
    return channel("kind:N", legend=None, scale=alt.Scale(domain=["expected", "came"], range=marks))


def winters(frame: pl.DataFrame) -> Spec | None:
    """Mean cold and reset-cold hours of a unit by winter; winters that the data only touch are pale."""
    counted = frame.filter(pl.col("cold_hours_mean").is_not_null())
    if counted.is_empty():
        return None
    tips = [
        tip("winter", "winter"),
        tip("cold_hours_mean", "cold hours a unit", WHOLE),
        tip("reset_cold_hours_mean", "of them reset-cold", WHOLE),
        tip("gap_hours_mean", "hours without weather", WHOLE),
        tip("units", "units", COUNT),
    ]
    x = alt.X("winter:N", sort=None, title=None, axis=alt.Axis(labelAngle=0, ticks=False, labelOverlap=True))
    opacity = alt.condition("datum.whole", alt.value(1), alt.value(0.4))
    base = alt.Chart(counted).encode(x=x, tooltip=tips, opacity=opacity)
    cold = base.mark_bar(color=SKY).encode(y=alt.Y("cold_hours_mean:Q", title=None, axis=value_axis()))
    reset = base.mark_bar(color=BLUE, width={"band": 0.35}).encode(y="reset_cold_hours_mean:Q")
    return spec(alt.layer(cold, reset).properties(height=200, width=500, title="Hours a unit"), 64, ("winters",))


def budget_curve(curve: pl.DataFrame, summary: pl.DataFrame, currency: str) -> Spec | None:
    """Calls avoided by the best set of each budget, the plan marked: the profile's budget, else what the plan costs.

    Marks: one symbol for each row of `curve`, and a larger one for the plan of `summary` (`plan_summary`).
    """
    if curve.height < 2:
        return None
    columns = ("budget", "cost", "units", "crew_h", "avoided_calls_per_winter", "gap")
    x = alt.X("budget:Q", title=f"budget, {currency}", axis=alt.Axis(tickCount=6, labelOverlap=True, format=",.0f"))
    y = alt.Y("avoided_calls_per_winter:Q", title=None, scale=alt.Scale(zero=True), axis=value_axis())
    tips = [
        tip("budget", "budget", WHOLE),
        tip("cost", "spent", WHOLE),
        tip("units", "units", COUNT),
        tip("crew_h", "crew hours", WHOLE),
        tip("avoided_calls_per_winter", "calls avoided, a winter", ",.1f"),
    ]
    base = alt.Chart(curve.select(columns).sort("budget")).encode(x=x, y=y, tooltip=tips)
    line = base.mark_line(color=SOFT, strokeWidth=1.5)
    point = base.mark_point(filled=True, opacity=1, size=55, color=BLUE)
    layers = [line, point]
    plan = _planned_point(curve, summary)
    if plan is not None:
        layers.append(
            alt.Chart(plan)
            .mark_point(filled=True, opacity=1, size=170, color=VERMILLION, shape="diamond")
            .encode(x=x, y=y, tooltip=tips)
        )
    return spec(
        alt.layer(*layers).properties(height=240, width=500, title="Cold calls avoided in a typical winter"),
        64,
        ("budget_curve", "plan_summary"),
    )


def _planned_point(curve: pl.DataFrame, summary: pl.DataFrame) -> pl.DataFrame | None:
    """The plan as a point of the budget curve, at its budget or, where the profile sets none, at its cost."""
    told = dict(summary.select("fact", "value").iter_rows())
    names = ("units", "cost", "crew_h", "avoided_calls_per_winter")
    if any(told.get(name) is None for name in names):
        return None
    given = curve.filter("is_given")["budget"].to_list()
    return pl.DataFrame({"budget": [given[0] if given else told["cost"]], **{name: [told[name]] for name in names}})
