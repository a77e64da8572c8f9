"""The part of the page on next winter that tells of the retrofit plan: counts, chart and rows."""

import altair as alt
import polars as pl

from lowambient.report.book import Book, Context
from lowambient.report.charts import BLUE, SOFT, VERMILLION, Spec, spec
from lowambient.report.unit_files import file_names

ROWS_SHOWN = 300
REASONS_SHOWN = 30


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
    """Why packages do not fit. Grain: option and reason; columns of `schemas.FitReasons`."""
    return (
        option_fit.filter(~pl.col("fits"))
        .group_by("option", "reason")
        .agg(pl.len().cast(pl.Int64).alias("units"))
        .with_columns(pl.col("reason").fill_null("not told"))
        .sort("units", "option", "reason", descending=[True, False, False])
    )


def budget_chart(curve: pl.DataFrame, currency: str) -> Spec | None:
    """Calls avoided by the best set of each budget; the profile's budget is marked. Marks: one for each row."""
    if curve.height < 2:
        return None
    columns = ("budget", "cost", "units", "crew_h", "avoided_calls_per_winter", "is_given")
    frame = curve.select(columns).sort("budget")
    x = alt.X("budget:Q", title=f"budget, {currency}", axis=alt.Axis(tickCount=6, labelOverlap=True))
    y = alt.Y("avoided_calls_per_winter:Q", title="cold calls avoided, a winter", scale=alt.Scale(zero=True))
    tips = [
        alt.Tooltip("budget:Q", title="budget", format=",.0f"),
        alt.Tooltip("cost:Q", title="spent", format=",.0f"),
        alt.Tooltip("units:Q", title="units"),
        alt.Tooltip("crew_h:Q", title="crew hours", format=",.0f"),
        alt.Tooltip("avoided_calls_per_winter:Q", title="calls avoided", format=",.1f"),
    ]
    base = alt.Chart(frame).encode(x=x, y=y, tooltip=tips)
    line = base.mark_line(color=SOFT, strokeWidth=1.5)
    point = base.mark_point(filled=True, opacity=1).encode(
        color=alt.Color("is_given:N", legend=None, scale=alt.Scale(domain=[False, True], range=[BLUE, VERMILLION])),
        size=alt.condition("datum.is_given", alt.value(130), alt.value(40)),
    )
    return spec(alt.layer(line, point).properties(height=260, width=560), 70)


def context(book: Book) -> Context:
    """What the template `_plan.html` is filled with."""
    sites, units = book.tables["sites"], book.tables["units"]
    texts = {"site_id": pl.String, "site_name": pl.String}
    names = sites.select("site_id", pl.col("name").alias("site_name")) if sites.width else pl.DataFrame(schema=texts)
    chosen = book.tables["plan"].filter("selected").sort("rank", "unit_id")
    shown = chosen.head(ROWS_SHOWN).join(names, on="site_id", how="left", maintain_order="left")
    summary = book.tables["plan_summary"]
    reasons = book.tables["fit_reasons"]
    return {
        "planned": book.by_key("plan_summary"),
        "doubts": summary.filter(pl.col("fact").str.starts_with("doubt"))["meaning"].to_list(),
        "chosen": book.rows("plan", shown),
        "chosen_in_all": chosen.height,
        "top_avoided": float(shown["upper_90"].max() or 0.0),  # type: ignore[arg-type]
        "by_option": book.rows("plan_by_option"),
        "reasons": book.rows("fit_reasons", reasons.head(REASONS_SHOWN)),
        "scenarios": book.rows("plan_sensitivity"),
        "chart_budget": budget_chart(book.tables["budget_curve"], book.facts.currency),
        "has_budget": bool(book.tables["budget_curve"]["is_given"].any()),
        "currency": book.facts.currency,
        "unit_pages": file_names(units["unit_id"] if units.width else []),
    }
