"""Charts of the page on next winter."""

from typing import Any

import altair as alt
import numpy as np
import polars as pl
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import cdist

from lowambient.report.charts import BLUE, GREY, INK, SKY, SOFT, VERMILLION, Spec, spec
from lowambient.report.figures import Figures

CLASSES = ("var(--class-1)", "var(--class-2)", "var(--class-3)", "var(--class-4)")
_AXIS_PX = 44
_TOWN_KM = 150.0
_EARTH_RADIUS_KM = 6371.0  # mean radius, IUGG
_UNITED_STATES = 840  # ISO 3166-1 numeric, by which the outlines name countries


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
        alt.Tooltip("winter:N", title="winter"),
        alt.Tooltip("expected:Q", title="expected", format=",.1f"),
        alt.Tooltip("lower:Q", title="from (90 %)", format=",.0f"),
        alt.Tooltip("upper:Q", title="to (90 %)", format=",.0f"),
        alt.Tooltip("came:Q", title="came", format=",.0f"),
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
    return spec(alt.layer(span, point).properties(height=30 * frame.height + 16, width=500), 130)


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


def bands(exposure: pl.DataFrame, figures: Figures) -> pl.DataFrame:
    """Bands that hold any hours, edges and middle in the reader's unit of temperature; grain as `exposure`."""
    return (
        exposure.filter(pl.col("unit_hours") > 0)
        .with_columns(
            *(
                pl.col(name)
                .map_elements(lambda value: round(figures.shown(value, "degC"), 1), return_dtype=pl.Float64)
                .alias(edge)
                for name, edge in (("lower_c", "from"), ("upper_c", "to"))
            )
        )
        .with_columns(((pl.col("from") + pl.col("to")) / 2).alias("middle"))
    )


def rate_by_temperature(exposure: pl.DataFrame, figures: Figures) -> Spec | None:
    """Rate of low-pressure episodes with its 95 % interval over the hours they could have come in, by band.

    A switch chooses the measure of outdoor temperature, for both parts at once. Intervals that reach far above
    every rate (bands with few hours) run off the top.
    """
    frame = bands(exposure, figures)
    if frame.is_empty():
        return None
    unit = figures.units.temperature_unit
    measures = frame["measure"].unique().sort().to_list()
    default = "coldest demand hour" if "coldest demand hour" in measures else measures[0]
    measure = alt.param(
        name="measure", value=default, bind=alt.binding_radio(options=measures, name="Temperature taken ")
    )
    chosen = alt.Chart(frame).transform_filter("datum.measure == measure")
    top = _top(frame)
    across: dict[str, Any] = {
        "title": f"outdoor temperature, {unit}",
        "scale": alt.Scale(domain=[min(frame["from"]), max(frame["to"])], nice=False),
        "axis": alt.Axis(grid=False, tickMinStep=5, labelOverlap=True),
    }
    x = alt.X("middle:Q", **across)
    y = alt.Y("rate_per_1000_h:Q", title=None, scale=alt.Scale(domain=[0, top]), axis=_value_axis())
    tips = [
        alt.Tooltip("from:Q", title=f"from {unit}"),
        alt.Tooltip("to:Q", title=f"to {unit}"),
        alt.Tooltip("episodes:Q", title="episodes", format=","),
        alt.Tooltip("calls:Q", title="calls", format=","),
        alt.Tooltip("unit_hours:Q", title="unit-hours", format=",.0f"),
        alt.Tooltip("rate_per_1000_h:Q", title="per 1,000 unit-hours", format=".3f"),
        alt.Tooltip("lower:Q", title="from (95 %)", format=".3f"),
        alt.Tooltip("upper:Q", title="to (95 %)", format=".3f"),
    ]
    known = chosen.transform_filter("isValid(datum.rate_per_1000_h)")
    near = alt.selection_point(name="near", on="pointerover", clear="pointerout", fields=["middle"], empty=False)
    span = known.mark_rule(size=3, color=SKY, clip=True).encode(x=x, y=alt.Y("lower:Q", title=None), y2="upper:Q")
    point = (
        known.mark_circle(opacity=1)
        .encode(
            x=x,
            y=y,
            tooltip=tips,
            size=alt.condition(near, alt.value(140), alt.value(60)),
            color=alt.condition(near, alt.value(VERMILLION), alt.value(BLUE)),
        )
        .add_params(near)
    )
    rates = alt.layer(span, point).properties(
        height=220, width=500, title="Episodes per 1,000 unit-hours, 95 % interval"
    )
    hours = (
        chosen.mark_bar()
        .encode(
            x=alt.X("from:Q", **across),
            x2="to:Q",
            y=alt.Y("unit_hours:Q", title=None, axis=_value_axis(format="~s", tickCount=3)),
            y2=alt.datum(0),
            tooltip=tips,
            color=alt.condition(near, alt.value(VERMILLION), alt.value(GREY)),
        )
        .properties(height=70, width=500, title="Unit-hours in the band")
    )
    return spec(alt.vconcat(rates, hours, spacing=22).add_params(measure), 64)


def _value_axis(**options: Any) -> alt.Axis:
    return alt.Axis(
        **{
            "minExtent": _AXIS_PX,
            "maxExtent": _AXIS_PX,
            "domain": False,
            "ticks": False,
            "tickCount": 5,
            **options,
        }
    )


def _top(frame: pl.DataFrame) -> float:
    rate, upper = frame["rate_per_1000_h"].max(), frame["upper"].max()
    highest = float(rate) if isinstance(rate, float) else 0.0
    widest = float(upper) if isinstance(upper, float) else 0.0
    if highest <= 0:
        return widest or 1.0
    return min(widest, 1.25 * highest) or 1.0


def winters(frame: pl.DataFrame) -> Spec | None:
    """Mean cold and reset-cold hours of a unit by winter; winters that the data only touch are pale."""
    counted = frame.filter(pl.col("cold_hours_mean").is_not_null())
    if counted.is_empty():
        return None
    tips = [
        alt.Tooltip("winter:N", title="winter"),
        alt.Tooltip("cold_hours_mean:Q", title="cold hours a unit", format=",.0f"),
        alt.Tooltip("reset_cold_hours_mean:Q", title="of them reset-cold", format=",.0f"),
        alt.Tooltip("gap_hours_mean:Q", title="hours without weather", format=",.0f"),
        alt.Tooltip("units:Q", title="units"),
    ]
    x = alt.X("winter:N", sort=None, title=None, axis=alt.Axis(labelAngle=0, ticks=False, labelOverlap=True))
    opacity = alt.condition("datum.whole", alt.value(1), alt.value(0.4))
    base = alt.Chart(counted).encode(x=x, tooltip=tips, opacity=opacity)
    cold = base.mark_bar(color=SKY).encode(y=alt.Y("cold_hours_mean:Q", title=None, axis=_value_axis()))
    reset = base.mark_bar(color=BLUE, width={"band": 0.35}).encode(y="reset_cold_hours_mean:Q")
    return spec(alt.layer(cold, reset).properties(height=200, width=500, title="Hours a unit"), 64)


def map_of_sites(sites: pl.DataFrame) -> Spec | None:
    """Sites as points: area by cold hours of a typical winter, colour by expected calls.

    `sites` has name, latitude, longitude, cold_hours_typical, expected_cold_calls, lower_90, upper_90,
    calls_last_winter. A fleet in a few towns far apart gets a map for each. Outlines of states and countries are
    named data that the page's script puts in.
    """
    placed = sites.filter(pl.col("latitude").is_not_null() & pl.col("longitude").is_not_null())
    if placed.is_empty():
        return None
    towns = regions(placed)
    breaks = class_breaks(placed["expected_cold_calls"])
    hours = [0.0, max(placed["cold_hours_typical"]) or 1.0]
    maps = [_map(town, breaks, hours) for town in towns]
    if len(maps) == 1:
        return spec(maps[0].properties(width=500, height=340), 8)
    titled = [
        chart.properties(width=300, height=260, title=f"around {town['name'][0]}")
        for chart, town in zip(maps, towns, strict=True)
    ]
    return spec(alt.concat(*titled, columns=2, spacing=24).resolve_scale(color="shared", size="shared"), 8)


def _map(placed: pl.DataFrame, breaks: list[float], hours: list[float]) -> Any:
    # The outline of countries runs through lakes and bays: where states are drawn, they stand for the country.
    countries = _outline("countries").transform_filter(f"datum.id !== '{_UNITED_STATES}'")
    size = alt.Size(
        "cold_hours_typical:Q",
        title="cold hours, typical winter",
        scale=alt.Scale(domain=hours, range=[20, 420]),
        legend=alt.Legend(symbolFillColor=GREY, tickCount=3),
    )
    colour = alt.Color(
        "expected_cold_calls:Q",
        title="calls expected next winter",
        scale=alt.Scale(type="threshold", domain=breaks, range=list(CLASSES[: len(breaks) + 1])),
    )
    points = (
        alt.Chart(placed)
        .mark_circle(opacity=0.9, stroke=INK, strokeOpacity=0.55, strokeWidth=0.7, clip=True)
        .encode(
            longitude="longitude:Q",
            latitude="latitude:Q",
            size=size,
            color=colour,
            order=alt.Order("cold_hours_typical:Q", sort="descending"),
            tooltip=[
                alt.Tooltip("name:N", title="site"),
                alt.Tooltip("cold_hours_typical:Q", title="cold hours, typical winter", format=",.0f"),
                alt.Tooltip("expected_cold_calls:Q", title="calls expected", format=",.2f"),
                alt.Tooltip("lower_90:Q", title="from (90 %)", format=",.1f"),
                alt.Tooltip("upper_90:Q", title="to (90 %)", format=",.1f"),
                alt.Tooltip("calls_last_winter:Q", title="episodes last winter"),
            ],
        )
    )
    # Turned to its own longitude: projections that differ in nothing but what they fit are drawn as one.
    middle = float(np.mean(placed["longitude"].to_numpy()))
    projection = alt.Projection(type="mercator", rotate=[-middle, 0, 0], fit=_frame_around(placed))
    return alt.layer(countries, _outline("states"), points, projection=projection)


def _outline(name: str) -> Any:
    shapes = alt.NamedData(name=name, format=alt.TopoDataFormat(type="topojson", feature=name))
    return alt.Chart(shapes).mark_geoshape(
        fill="var(--land)", stroke="var(--paper)", strokeWidth=1, clip=True, aria=False, tooltip=None
    )


def regions(placed: pl.DataFrame) -> list[pl.DataFrame]:
    """Sites parted into towns, most sites first, where one map would show each town as a single blot; else all.

    Towns are chains of sites less than 150 km apart. They get maps of their own if there are two to six, of three
    sites on average, the widest no wider than a sixth of the whole (judgement: what an eye can part on one map).
    """
    latitude, longitude = (np.radians(placed[name].to_numpy()) for name in ("latitude", "longitude"))
    on_sphere = np.stack(
        (np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)), axis=1
    )
    apart_km = _EARTH_RADIUS_KM * cdist(on_sphere, on_sphere)  # chords: near enough to arcs for towns
    count, town = connected_components(apart_km < _TOWN_KM, directed=False)
    widest = max(float(apart_km[np.ix_(town == at, town == at)].max()) for at in range(count))
    if not 2 <= count <= 6 or len(placed) < 3 * count or widest > apart_km.max() / 6:
        return [placed]
    parts = [placed.filter(pl.Series(town == at)) for at in range(count)]
    return sorted(parts, key=len, reverse=True)


def class_breaks(values: pl.Series) -> list[float]:
    """Up to three round numbers (1, 2 or 5 times a power of ten) that part values into classes."""
    highest = values.max()
    if not isinstance(highest, float) or highest <= 0:
        return [1.0]
    ladder = [step * 10.0**power for power in range(-4, 7) for step in (1, 2, 5)]
    return [step for step in ladder if step < highest][-3:] or [1.0]


def _frame_around(placed: pl.DataFrame) -> dict[str, Any]:
    """A GeoJSON feature of the corners around all points, at least one degree wide and high."""
    corners = []
    for column, limit in (("longitude", 180.0), ("latitude", 84.0)):
        values = placed[column].to_list()
        low, high = min(values), max(values)
        margin = max(0.08 * (high - low), (1.0 - (high - low)) / 2, 0.1)
        corners.append((max(low - margin, -limit), min(high + margin, limit)))
    (west, east), (south, north) = corners
    points = [[west, south], [west, north], [east, south], [east, north]]
    return {"type": "Feature", "properties": {}, "geometry": {"type": "MultiPoint", "coordinates": points}}


def budget_curve(curve: pl.DataFrame, summary: pl.DataFrame, currency: str) -> Spec | None:
    """Calls avoided by the best set of each budget, the plan marked: the profile's budget, else what the plan costs.

    Marks: one symbol for each row of `curve`, and a larger one for the plan of `summary` (`plan_summary`).
    """
    if curve.height < 2:
        return None
    columns = ("budget", "cost", "units", "crew_h", "avoided_calls_per_winter", "gap")
    x = alt.X("budget:Q", title=f"budget, {currency}", axis=alt.Axis(tickCount=6, labelOverlap=True, format=",.0f"))
    y = alt.Y("avoided_calls_per_winter:Q", title=None, scale=alt.Scale(zero=True), axis=_value_axis())
    tips = [
        alt.Tooltip("budget:Q", title="budget", format=",.0f"),
        alt.Tooltip("cost:Q", title="spent", format=",.0f"),
        alt.Tooltip("units:Q", title="units"),
        alt.Tooltip("crew_h:Q", title="crew hours", format=",.0f"),
        alt.Tooltip("avoided_calls_per_winter:Q", title="calls avoided, a winter", format=",.1f"),
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
        alt.layer(*layers).properties(height=240, width=500, title="Cold calls avoided in a typical winter"), 64
    )


def _planned_point(curve: pl.DataFrame, summary: pl.DataFrame) -> pl.DataFrame | None:
    """The plan as a point of the budget curve, at its budget or, where the profile sets none, at its cost."""
    told = dict(summary.select("fact", "value").iter_rows())
    names = ("units", "cost", "crew_h", "avoided_calls_per_winter")
    if any(told.get(name) is None for name in names):
        return None
    given = curve.filter("is_given")["budget"].to_list()
    return pl.DataFrame({"budget": [given[0] if given else told["cost"]], **{name: [told[name]] for name in names}})
