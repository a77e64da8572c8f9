"""Charts of the page on callbacks: each a short function from a frame to an `altair` chart."""

from collections.abc import Mapping

import altair as alt
import polars as pl

from lowambient.report.charts import (
    BLUE,
    COUNT,
    GREY,
    RATIO,
    SHARE,
    SKY,
    SOFT,
    VALUE_PX,
    VERMILLION,
    Spec,
    ends,
    share_axis,
    share_tips,
    spec,
    tip,
    upright_share_axis,
)

_KINDS = (BLUE, VERMILLION, SOFT)
_DASHES = ([1, 0], [6, 3], [2, 2])


def windows(table: pl.DataFrame) -> Spec | None:
    """Share that comes back by length of the recall window, one part a clock; `table`: that dimension of the rates."""
    parts = []
    for clock in ("days", "cold hours"):
        mine = table.filter(clock=clock)
        if mine.is_empty():
            continue
        base = alt.Chart(mine.select("clock", "value", "window", "calls", "censored", "callbacks", *_RATE)).encode(
            x=alt.X(
                "window:Q",
                title=f"length of the window, {clock}",
                scale=alt.Scale(zero=True),
                axis=alt.Axis(grid=False, values=mine["window"].to_list(), labelOverlap=True),
            ),
            tooltip=[
                tip("window", clock, "~g"),
                tip("calls", "calls", COUNT),
                tip("censored", "cut short", COUNT),
                tip("callbacks", "came back", COUNT),
                *share_tips("rate"),
                tip("resampled_lower", "sites drawn anew, from", SHARE),
                tip("resampled_upper", "to", SHARE),
            ],
        )
        y = alt.Y("resampled_lower:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=upright_share_axis())
        span = base.mark_rule(size=4, color=SKY, strokeCap="round").encode(y=y, y2="resampled_upper:Q")
        line = base.mark_line(color=BLUE, strokeWidth=1, aria=False).encode(y="rate:Q")
        point = base.mark_circle(size=60, opacity=1, color=BLUE).encode(y="rate:Q")
        parts.append(alt.layer(span, line, point).properties(width=400, height=190, title=f"By {clock}"))
    return spec(alt.concat(*parts, columns=2, spacing=30), VALUE_PX, ("callback_rates",)) if parts else None


_RATE = ("rate", "lower", "upper", "resampled_lower", "resampled_upper")


def time_to_callback(table: pl.DataFrame, in_force: Mapping[str, float]) -> Spec | None:
    """Share that has come back by each time, with its interval, and a line at the window `in_force`; a part a clock."""
    parts = []
    for clock in ("days", "cold hours"):
        mine = table.filter(pl.col("share").is_not_null(), clock=clock)
        if mine.is_empty():
            continue
        base = alt.Chart(mine).encode(
            x=alt.X("time:Q", title=f"{clock} since the call's end", axis=alt.Axis(grid=False, labelOverlap=True))
        )
        y = alt.Y("lower:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=upright_share_axis())
        area = base.mark_area(color=SKY, opacity=0.55, interpolate="step-after").encode(y=y, y2="upper:Q")
        line = base.mark_line(color=BLUE, strokeWidth=2, interpolate="step-after").encode(
            y="share:Q",
            tooltip=[
                tip("time", clock, "~g"),
                *share_tips("share"),
                tip("at_risk", "still watched", COUNT),
            ],
        )
        near = base.mark_circle(size=120, opacity=0, aria=False).encode(y="share:Q", tooltip=line.encoding.tooltip)
        limit = (
            alt.Chart(pl.DataFrame({"window": [in_force[clock]]}))
            .mark_rule(color=SOFT, strokeDash=[3, 3], aria=False)
            .encode(x="window:Q")
        )
        parts.append(alt.layer(area, limit, line, near).properties(width=400, height=200, title=f"By {clock}"))
    return spec(alt.concat(*parts, columns=2, spacing=30), VALUE_PX, ("time_to_callback",)) if parts else None


def calls_by_service_age(table: pl.DataFrame) -> Spec | None:
    """Calls a unit by time since it was first watched, with intervals; a line for each unit kind."""
    known = table.filter(pl.col("mean").is_not_null()).with_columns((pl.col("time") / 365.25).round(3).alias("years"))
    if known.is_empty():
        return None
    kinds = known["kind"].unique().sort().to_list()
    colours = [_KINDS[at % len(_KINDS)] for at in range(len(kinds))]
    colour = alt.Color(
        "kind:N",
        title=None,
        sort=None,
        scale=alt.Scale(domain=kinds, range=colours),
        legend=alt.Legend(symbolOpacity=1, symbolType="stroke", symbolStrokeWidth=3),
    )
    base = alt.Chart(known).encode(
        x=alt.X("years:Q", title="years since first watched", axis=alt.Axis(grid=False, tickMinStep=0.5, tickCount=8)),
        color=colour,
    )
    y = alt.Y(
        "lower:Q",
        title=None,
        axis=alt.Axis(minExtent=VALUE_PX - 10, maxExtent=VALUE_PX - 10, domain=False, ticks=False, tickCount=5),
    )
    area = base.mark_area(opacity=0.22).encode(y=y, y2="upper:Q")
    line = base.mark_line(strokeWidth=2).encode(
        y="mean:Q",
        strokeDash=alt.StrokeDash(
            "kind:N",
            title=None,
            sort=None,
            scale=alt.Scale(domain=kinds, range=[_DASHES[at % len(_DASHES)] for at in range(len(kinds))]),
        ),
    )
    near = base.mark_circle(size=120, opacity=0, aria=False).encode(
        y="mean:Q",
        tooltip=[
            tip("kind", "units"),
            tip("years", "years", RATIO),
            tip("mean", "calls a unit", RATIO),
            *ends(RATIO),
            tip("at_risk", "units watched so long", COUNT),
        ],
    )
    return spec(
        alt.layer(area, line, near).properties(width=500, height=240, title="Calls a unit"),
        VALUE_PX,
        ("calls_by_service_age",),
    )


def gathering(table: pl.DataFrame) -> Spec | None:
    """Share of each tested unit's episodes that were cold, against the share of its hours that were."""
    tested = table.filter(pl.col("p").is_not_null())
    if tested.is_empty():
        return None
    frame = tested.with_columns((pl.col("cold_episodes") / pl.col("episodes")).round(4).alias("cold_share"))
    chance = (
        alt.Chart(pl.DataFrame({"x": [0.0, 1.0], "y": [0.0, 1.0]}))
        .mark_line(color=SOFT, strokeDash=[3, 3], strokeWidth=1, aria=False)
        .encode(x="x:Q", y="y:Q")
    )
    point = (
        alt.Chart(frame)
        .mark_point(filled=True, opacity=0.6)
        .encode(
            x=alt.X(
                "expected_share:Q",
                title="share of the unit's hours that were cold",
                scale=alt.Scale(domain=[0, 1]),
                axis=share_axis(),
            ),
            y=alt.Y("cold_share:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=upright_share_axis()),
            size=alt.Size("episodes:Q", title="episodes", scale=alt.Scale(range=[30, 300]), legend=None),
            color=alt.condition("datum.gathers", alt.value(VERMILLION), alt.value(GREY)),
            tooltip=[
                tip("unit_id", "unit"),
                tip("episodes", "episodes", COUNT),
                tip("cold_episodes", "of them cold", COUNT),
                tip("expected_share", "hours cold", ".0%"),
                tip("ratio", "over chance", RATIO),
                *ends(RATIO),
                tip("adjusted_p", "p, corrected", ".2g"),
            ],
        )
    )
    return spec(
        alt.layer(chance, point).properties(width=500, height=260, title="Share of its episodes that were cold"),
        VALUE_PX,
        ("cold_gathering",),
    )
