"""Rates by outdoor temperature, over the hours that calls could have come in."""

from typing import Any

import altair as alt
import polars as pl

from lowambient.report.charts import (
    BLUE,
    COUNT,
    GREY,
    INK,
    RATIO,
    SKY,
    VERMILLION,
    WHOLE,
    Spec,
    ends,
    spec,
    tip,
    value_axis,
)
from lowambient.report.figures import Figures

MAIN_MEASURE, MAIN_SYMPTOM = "coldest demand hour", "low-pressure trip"
_HEADROOM, _HOURS_SEEN = 1.6, 500.0  # judgement: a rate over fewer unit-hours does not set the scale of a chart
_GUTTER_PX = 64


def rate_by_temperature(exposure: pl.DataFrame, figures: Figures) -> Spec | None:
    """Rate of low-pressure episodes with its 95 % interval over the hours they could have come in, by band.

    A switch chooses the measure of outdoor temperature, for both parts at once. Intervals that reach far above
    every rate (bands with few hours) run off the top.
    """
    frame = bands(exposure, figures)
    if frame.is_empty():
        return None
    unit = figures.units.temperature_unit
    measure = _switch(frame, "measure", MAIN_MEASURE, alt.binding_radio, "Temperature taken ")
    chosen = alt.Chart(frame).transform_filter("datum.measure === measure")
    near = alt.selection_point(name="near", on="pointerover", clear="pointerout", fields=["middle"], empty=False)
    x = alt.X("middle:Q", **_across(frame, unit))
    y = alt.Y("rate_per_1000_h:Q", title=None, scale=alt.Scale(domain=[0, _top(frame)]), axis=value_axis())
    tips = [*_band_tips(unit), tip("rate_per_1000_h", "per 1,000 unit-hours", ".3f"), *ends(".3f")]
    known = chosen.transform_filter("isValid(datum.rate_per_1000_h)")
    span = known.mark_rule(size=3, color=SKY, clip=True).encode(x=x, y=alt.Y("lower:Q", title=None), y2="upper:Q")
    point = known.mark_circle(opacity=1).encode(
        x=x,
        y=y,
        tooltip=tips,
        size=alt.condition(near, alt.value(140), alt.value(60)),
        color=alt.condition(near, alt.value(VERMILLION), alt.value(BLUE)),
    )
    rates = alt.layer(span, point.add_params(near)).properties(
        height=220, width=500, title="Episodes per 1,000 unit-hours, 95 % interval"
    )
    colour = alt.condition(near, alt.value(VERMILLION), alt.value(GREY))
    hours = _hours(chosen, frame, unit, tips).encode(color=colour)
    return spec(alt.vconcat(rates, hours, spacing=22).add_params(measure), _GUTTER_PX, ("exposure",))


def rate_curve(table: pl.DataFrame, changes: pl.DataFrame, figures: Figures) -> Spec | None:
    """Episodes per 1,000 unit-hours by outdoor temperature with a smooth curve, for a chosen symptom and measure.

    Intervals that reach far above every rate run off the top; where a change of rate is sure, a line marks it.
    """
    frame = _with_tops(bands(table, figures)).drop("upper_c", "lower", "upper")
    if frame.is_empty():
        return None
    unit = figures.units.temperature_unit
    measure = _switch(frame, "measure", MAIN_MEASURE, alt.binding_radio, "Temperature taken ")
    symptom = _switch(frame, "symptom", MAIN_SYMPTOM, alt.binding_select, "Symptom ")
    chosen = "datum.measure === measure && datum.symptom === symptom"
    base = (
        alt.Chart(frame)
        .transform_filter(chosen)
        .transform_calculate(high="min(datum.exact_upper, datum.top)", smooth_high="min(datum.smooth_upper, datum.top)")
    )
    x = alt.X("middle:Q", **_across(frame, unit))
    smooth = base.transform_filter("isValid(datum.smooth_per_1000_h)").encode(x=x)
    area = smooth.mark_area(color=SKY, opacity=0.5, interpolate="monotone").encode(
        y=alt.Y("smooth_lower:Q", title=None, axis=value_axis()), y2="smooth_high:Q"
    )
    line = smooth.mark_line(color=BLUE, strokeWidth=2, interpolate="monotone").encode(y="smooth_per_1000_h:Q")
    tips = [
        *_band_tips(unit),
        tip("rate_per_1000_h", "per 1,000 unit-hours", ".4f"),
        *ends(".4f", "exact_lower", "exact_upper"),
        tip("smooth_per_1000_h", "curve", ".4f"),
    ]
    within = base.transform_filter("datum.rate_per_1000_h <= datum.top").encode(x=x)
    span = within.mark_rule(size=2, color=GREY).encode(y="exact_lower:Q", y2="high:Q")
    point = within.mark_circle(size=60, opacity=1, color=INK).encode(y="rate_per_1000_h:Q", tooltip=tips)
    layers = [*_change_marks(changes, figures, chosen), area, line, span, point]
    rates = alt.layer(*layers).properties(width=500, height=240, title="Episodes per 1,000 unit-hours")
    hours = _hours(base, frame, unit, tips).encode(color=alt.value(GREY))
    return spec(
        alt.vconcat(rates, hours, spacing=22).add_params(symptom, measure), _GUTTER_PX, ("rate_curve", "rate_change")
    )


def bands(table: pl.DataFrame, figures: Figures) -> pl.DataFrame:
    """Bands that hold any hours, edges and middle in the reader's unit of temperature; grain as `table`."""
    seen = _in_reading_units(table.filter(pl.col("unit_hours") > 0), figures, {"lower_c": "from", "upper_c": "to"})
    return seen.with_columns(((pl.col("from") + pl.col("to")) / 2).round(2).alias("middle"))


def _with_tops(frame: pl.DataFrame) -> pl.DataFrame:
    """With `top`, where the scale of a measure and symptom ends: above every rate and curve, not every interval."""
    seen = pl.col("rate_per_1000_h").filter(pl.col("unit_hours") >= _HOURS_SEEN).max()
    tops = frame.group_by("measure", "symptom").agg(
        (_HEADROOM * pl.max_horizontal(seen, pl.col("smooth_per_1000_h").max())).round(4).alias("top")
    )
    return frame.join(tops, on=["measure", "symptom"], maintain_order="left")


def _top(frame: pl.DataFrame) -> float:
    """Where the scale of rates ends that carry intervals but no curve."""
    rate, upper = frame["rate_per_1000_h"].max(), frame["upper"].max()
    highest = float(rate) if isinstance(rate, float) else 0.0
    widest = float(upper) if isinstance(upper, float) else 0.0
    if highest <= 0:
        return widest or 1.0
    return min(widest, 1.25 * highest) or 1.0


def _switch(frame: pl.DataFrame, column: str, usual: str, binding: Any, name: str) -> alt.Parameter:
    """A control that chooses one value of a column, at first the usual one."""
    options = sorted(frame[column].unique())
    return alt.param(
        name=column, value=usual if usual in options else options[0], bind=binding(options=options, name=name)
    )


def _across(frame: pl.DataFrame, unit: str) -> dict[str, Any]:
    """The axis of outdoor temperature, from the coldest band to the warmest."""
    return {
        "title": f"outdoor temperature, {unit}",
        "scale": alt.Scale(domain=[min(frame["from"]), max(frame["to"])], nice=False),
        "axis": alt.Axis(grid=False, tickMinStep=5, labelOverlap=True),
    }


def _band_tips(unit: str) -> list[alt.Tooltip]:
    return [
        tip("from", f"from {unit}", "~g"),
        tip("to", f"to {unit}", "~g"),
        tip("episodes", "episodes", COUNT),
        tip("calls", "calls", COUNT),
        tip("unit_hours", "unit-hours", WHOLE),
    ]


def _hours(chosen: Any, frame: pl.DataFrame, unit: str, tips: list[alt.Tooltip]) -> Any:
    """Unit-hours in each band, below the rates."""
    return (
        chosen.mark_bar()
        .encode(
            x=alt.X("from:Q", **_across(frame, unit)),
            x2="to:Q",
            y=alt.Y("unit_hours:Q", title=None, axis=value_axis(format="~s", tickCount=3)),
            y2=alt.datum(0),
            tooltip=tips,
        )
        .properties(height=65, width=500, title="Unit-hours in the band")
    )


def _change_marks(changes: pl.DataFrame, figures: Figures, chosen: str) -> list[Any]:
    """Where a rate changes surely, and the interval of that place."""
    sure = changes.filter(pl.col("changes") & pl.col("change_c").is_not_null())
    if sure.is_empty():
        return []
    placed = _in_reading_units(sure, figures, {"change_c": "change", "lower_c": "from", "upper_c": "to"}).select(
        "measure", "symptom", "change", "from", "to", "ratio", "ratio_lower", "ratio_upper"
    )
    tips = [
        tip("change", f"rate changes at {figures.units.temperature_unit}", "~g"),
        *ends("~g", "from", "to"),
        tip("ratio", "below over above", RATIO),
        *ends(RATIO, "ratio_lower", "ratio_upper"),
    ]
    base = alt.Chart(placed).transform_filter(chosen)
    return [
        base.mark_rect(color=VERMILLION, opacity=0.12).encode(x="from:Q", x2="to:Q", tooltip=tips),
        base.mark_rule(color=VERMILLION, size=2).encode(x="change:Q", tooltip=tips),
    ]


def _in_reading_units(frame: pl.DataFrame, figures: Figures, columns: dict[str, str]) -> pl.DataFrame:
    """Temperatures [degC] as columns in the reader's unit, to a tenth."""
    return frame.with_columns(
        pl.col(name)
        .map_elements(lambda value: round(figures.shown(value, "degC"), 1), return_dtype=pl.Float64)
        .alias(shown)
        for name, shown in columns.items()
    )
