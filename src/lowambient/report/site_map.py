"""Sites on a map, one for each town where they lie far apart."""

from typing import Any

import altair as alt
import numpy as np
import polars as pl
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import cdist

from lowambient.report.charts import (
    COUNT,
    GREY,
    INK,
    WHOLE,
    Spec,
    ends,
    spec,
    tip,
)

CLASSES = ("var(--class-1)", "var(--class-2)", "var(--class-3)", "var(--class-4)")
_TOWN_KM = 150.0
_EARTH_RADIUS_KM = 6371.0  # mean radius, IUGG
_UNITED_STATES = 840  # ISO 3166-1 numeric, by which the outlines name countries


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
        return spec(maps[0].properties(width=500, height=340), 8, ("forecast",))
    titled = [
        chart.properties(width=300, height=260, title=f"around {town['name'][0]}")
        for chart, town in zip(maps, towns, strict=True)
    ]
    return spec(
        alt.concat(*titled, columns=2, spacing=24).resolve_scale(color="shared", size="shared"), 8, ("forecast",)
    )


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
                tip("name", "site"),
                tip("cold_hours_typical", "cold hours, typical winter", WHOLE),
                tip("expected_cold_calls", "calls expected", ",.1f"),
                *ends(",.1f", "lower_90", "upper_90", level=90),
                tip("calls_last_winter", "likely cold lockouts last winter", COUNT),
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
