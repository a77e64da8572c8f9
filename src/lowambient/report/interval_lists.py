"""Groups below one another, each with its interval: first-time fix, sites, kinds of calls, did it hold."""

from typing import Any

import altair as alt
import polars as pl

from lowambient.report.charts import (
    BLUE,
    COUNT,
    GREY,
    LABEL_PX,
    RATIO,
    ROW_PX,
    SHARE,
    SKY,
    SOFT,
    VERMILLION,
    Spec,
    ends,
    names_axis,
    share_axis,
    share_tips,
    spec,
    tip,
)


def _listed(
    frame: pl.DataFrame, name: str, order: list[str], middle: str, title: str, tips: list[alt.Tooltip], **options: Any
) -> Any:
    """Intervals below one another: `lower`, `middle`, `upper` on one scale. Rows without a middle say "too few"."""
    scale = options.get("scale", alt.Scale(domain=[0, 1]))
    axis = options.get("axis", share_axis())
    label_px = options.get("label_px", LABEL_PX)
    base = alt.Chart(frame).encode(
        y=alt.Y(
            f"{name}:N",
            title=None,
            scale=alt.Scale(domain=order),
            axis=names_axis(label_px),
        ),
        tooltip=tips,
    )
    known = base.transform_filter(f"isValid(datum.{middle})")
    span = known.mark_rule(size=4, color=SKY, strokeCap="round", clip=True).encode(
        x=alt.X(f"{options.get('lower', 'lower')}:Q", title=options.get("x_title"), scale=scale, axis=axis),
        x2=f"{options.get('upper', 'upper')}:Q",
    )
    point = known.mark_circle(size=60, opacity=1, color=BLUE).encode(x=f"{middle}:Q")
    few = (
        base.transform_filter(f"!isValid(datum.{middle})")
        .mark_text(align="left", dx=3, fontSize=11, color=SOFT, text=options.get("missing", "too few"))
        .encode(x=alt.value(0))
    )
    behind = [
        alt.Chart(pl.DataFrame({"at": [float(at)]}))
        .mark_rule(color=SOFT, strokeDash=[3, 3], aria=False)
        .encode(x="at:Q")
        for at in options.get("lines", ())
    ]
    return alt.layer(*behind, span, point, few).properties(width=400, height=alt.Step(ROW_PX), title=title)


def first_time_fix(table: pl.DataFrame) -> Spec | None:
    """Share of complaints that one visit settled, by symptom, technician and work."""
    fleet = table.filter(dimension="fleet")
    titles = {"symptom": "By symptom", "technician": "By technician, in order of name", "work": "By what was done"}
    parts = []
    for dimension, title in titles.items():
        mine = table.filter(dimension=dimension)
        if mine.is_empty():
            continue
        tips = [
            tip("value", dimension),
            tip("calls", "first visits", COUNT),
            tip("censored", "cut short", COUNT),
            tip("fixed", "settled", COUNT),
            *share_tips("rate"),
        ]
        lines = fleet["rate"].drop_nulls().to_list()
        parts.append(_listed(mine, "value", sorted(mine["value"]), "rate", title, tips, lines=lines))
    return spec(alt.concat(*parts, columns=2, spacing=34), LABEL_PX, ("first_time_fix",)) if parts else None


def sites(table: pl.DataFrame) -> Spec | None:
    """Share that comes back by site, in order of name; `table`: sites to show, of either clock, with `name`."""
    if table.is_empty():
        return None
    clocks = [clock for clock in ("days", "cold hours") if clock in table["clock"].to_list()]
    clock = alt.param(name="clock", value=clocks[0], bind=alt.binding_radio(options=clocks, name="Window measured in "))
    order = table.select("name").unique().sort("name")["name"].to_list()
    tips = [
        tip("name", "site"),
        tip("calls", "calls", COUNT),
        tip("censored", "cut short", COUNT),
        tip("callbacks", "came back", COUNT),
        *share_tips("rate"),
        tip("shrunk_rate", "weighed with all sites", SHARE),
    ]
    kept = table.select(
        "clock", "value", "name", "calls", "censored", "callbacks", "rate", "lower", "upper", "shrunk_rate"
    )
    chart = _listed(kept, "name", order, "rate", "Share that came back", tips, label_px=LABEL_PX + 30)
    return spec(chart.transform_filter("datum.clock === clock").add_params(clock), LABEL_PX + 30, ("callback_rates",))


def clusters(table: pl.DataFrame, share: float | None) -> Spec | None:
    """Kinds of calls: rate in the cold over mild weather, and share that are callbacks, beside each other."""
    if table.is_empty():
        return None
    named = table.with_columns(pl.format("{} {}", "cluster", "name").alias("kind"))
    order = named["kind"].to_list()
    top = 100.0
    ratio = named.with_columns(
        pl.col("upper").fill_null(top).clip(upper_bound=top).alias("upper_drawn"),
        pl.col("lower").clip(lower_bound=0.1).alias("lower_drawn"),
    ).select(
        "kind",
        "cluster",
        "calls",
        "cold_rate_ratio",
        "lower",
        "upper",
        "upper_drawn",
        "lower_drawn",
        "stability",
        "median_outdoor_c",
    )
    tips = [
        tip("kind", "kind"),
        tip("calls", "calls", COUNT),
        tip("cold_rate_ratio", "cold over mild", RATIO),
        *ends(RATIO),
        tip("stability", "stability", RATIO),
    ]
    left = _listed(
        ratio.filter(pl.col("lower_drawn").is_null() | (pl.col("lower_drawn") <= top)).drop("median_outdoor_c"),
        "kind",
        order,
        "cold_rate_ratio",
        "Cold rate over mild",
        tips,
        lower="lower_drawn",
        upper="upper_drawn",
        scale=alt.Scale(type="log", domain=[0.1, top], clamp=True),
        axis=alt.Axis(values=[0.1, 0.3, 1, 3, 10, 30, 100], format="~g", labelOverlap=True),
        label_px=LABEL_PX + 30,
        lines=(1.0,),
        missing="cannot be told",
    )
    back = named.select(
        "kind", "cluster", "calls", "callbacks", "callback_share", "callback_lower", "callback_upper"
    ).rename({"callback_lower": "lower", "callback_upper": "upper"})
    right = _listed(
        back,
        "kind",
        order,
        "callback_share",
        "Share that are callbacks",
        [
            tip("kind", "kind"),
            tip("calls", "calls", COUNT),
            tip("callbacks", "callbacks", COUNT),
            *share_tips("callback_share"),
        ],
        label_px=LABEL_PX + 30,
        lines=() if share is None else (share,),
    )
    return spec(alt.concat(left, right, columns=2, spacing=34), LABEL_PX + 30, ("clusters",))


def held(by_work: pl.DataFrame, verdicts: pl.DataFrame, halved: float) -> Spec | None:
    """Calls after each kind of work over those expected without it, and verdicts on single repairs beside it."""
    if by_work.is_empty():
        return None
    order = by_work["work"].to_list()
    low, top = 0.03, 10.0
    drawn = by_work.with_columns(
        pl.col("lower").clip(lower_bound=low).alias("lower_drawn"),
        pl.col("upper").clip(upper_bound=top).alias("upper_drawn"),
    )
    left = _listed(
        drawn,
        "work",
        order,
        "ratio",
        "Calls after over expected",
        [
            tip("work", "work"),
            tip("repairs", "repairs", COUNT),
            tip("units", "on units", COUNT),
            tip("calls_after", "calls after", COUNT),
            tip("expected_untreated_calls", "to be expected", ",.1f"),
            tip("ratio", "ratio", RATIO),
            *ends(RATIO),
            tip("verdict", "together"),
        ],
        lower="lower_drawn",
        upper="upper_drawn",
        scale=alt.Scale(type="log", domain=[low, top], clamp=True),
        axis=alt.Axis(values=[0.03, 0.1, 0.3, 1, 3, 10], format="~g", labelOverlap=True),
        lines=(halved, 1.0),
        missing="cannot be told",
    )
    kinds = ["held", "cannot tell", "too early", "not held"]
    right = (
        alt.Chart(verdicts)
        .mark_bar()
        .encode(
            y=alt.Y(
                "work:N",
                title=None,
                scale=alt.Scale(domain=order),
                axis=names_axis(),
            ),
            x=alt.X("repairs:Q", title=None, stack="zero", axis=alt.Axis(labelOverlap=True)),
            color=alt.Color(
                "verdict:N",
                title=None,
                sort=None,
                scale=alt.Scale(domain=kinds, range=[BLUE, GREY, "var(--land)", VERMILLION]),
                legend=alt.Legend(columns=2),
            ),
            order=alt.Order("place:Q"),
            tooltip=[
                tip("work", "work"),
                tip("verdict", "verdict"),
                tip("repairs", "repairs", COUNT),
            ],
        )
        .transform_calculate(place="indexof(['held', 'cannot tell', 'too early', 'not held'], datum.verdict)")
        .properties(width=400, height=alt.Step(ROW_PX), title="Single repairs by verdict")
    )
    return spec(alt.concat(left, right, columns=2, spacing=34), LABEL_PX, ("follow_up_by_work", "follow_up_verdicts"))
