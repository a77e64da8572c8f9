"""Charts of one unit. Each kind is made and checked once as a specification without data; a unit's data is then put in.

Data go in as columns under `usermeta.columns`, a third of the size of rows; the page's script turns them into rows.
Instants are minutes on the clock of the site. Temperatures and pressures are in the reader's units.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

import altair as alt
import numpy as np
import polars as pl

from lowambient.report.charts import BLUE, GREY, INK, SKY, SOFT, VERMILLION, Spec, spec
from lowambient.report.packing import Columns, filled

GREEN = "var(--green)"
SUCTION, HEAD, OUTDOORS = "suction, dew point", "head, saturated", "outdoors"
SUCTION_KPA, HEAD_KPA = "suction pressure", "head pressure"
BEHAVIOURS = {"follows ambient": VERMILLION, "held": BLUE, "cycling": GREEN, "cannot tell": GREY}
MOST_WINDOWS = 4
FEWEST_STEADY = 12
"""Fewer steady points show no slope (judgement)."""
_MINUTE = "utcyearmonthdatehoursminutes"
_LANE_PX, _GUTTER_PX = 20, 16


def _named(name: str) -> Any:
    return alt.Chart(alt.NamedData(name=name))


def _tip(field: str, title: str, **options: Any) -> Any:
    return alt.Tooltip(field, title=title, **options)


def _when(field: str = "at", **options: Any) -> Any:
    settings: dict[str, Any] = {
        "title": None,
        "scale": alt.Scale(type="utc"),
        "axis": alt.Axis(grid=False, labelOverlap=True, tickCount=6),
        **options,
    }
    return alt.X(f"{field}:T", **settings)


# What happened, over the years


def history(data: Columns, unit: str) -> Spec | None:
    """Calls on the daily coldest outdoor temperature, above lanes of symptoms, work, flags, head pressure and logs.

    `data` has `days` (at, coldest), `calls` (at, coldest, kind, call, symptom, complaint), `lanes` (lane, from, to,
    what, kind; `to` is null for a point, and lanes come in the order shown) and `limits` (value, what), temperatures in
    `unit`.
    """
    lanes = data["lanes"]
    if lanes.is_empty():
        return None
    is_point = pl.col("to").is_null()
    parted = {"spans": lanes.filter(~is_point), "points": lanes.filter(is_point).drop("to")}
    order = {"lane": lanes["lane"].unique(maintain_order=True).to_list()}
    rest = {name: frame for name, frame in data.items() if name != "lanes"}
    return _without_empty_top(filled(_history(unit), {**rest, **parted}, order))


def _without_empty_top(whole: Spec) -> Spec:
    """The history without its upper part, where there is neither weather nor a call that has some."""
    return {**whole, "vconcat": [part for part in whole["vconcat"] if _has_data(part)]}


def _has_data(part: Spec) -> bool:
    return any(layer.get("data", part.get("data", {})).get("name") != "limits" for layer in part["layer"])


CALL_KINDS = {"low-pressure trip": VERMILLION, "other complaint": BLUE}
LANE_KINDS = {
    "call": BLUE,
    "low-pressure call": VERMILLION,
    "work": INK,
    "flag": VERMILLION,
    "head": GREEN,
    "log": SOFT,
}


@cache
def _history(unit: str) -> Spec:
    over = _when(axis=alt.Axis(labels=False, ticks=False, grid=True, tickCount=6, domain=False))
    heat = alt.Y("coldest:Q", title=None, axis=alt.Axis(domain=False, ticks=False, tickCount=4, minExtent=0))
    tips = [
        _tip("at:T", title="opened", timeUnit=_MINUTE),
        _tip("call:N", title="call"),
        _tip("symptom:N", title="symptom"),
        _tip("complaint:N", title="complaint"),
        _tip("coldest:Q", title=f"coldest, {unit}"),
    ]
    kinds = alt.Scale(domain=list(CALL_KINDS), range=list(CALL_KINDS.values()))
    calls = (
        _named("calls")
        .mark_point(filled=True, size=60, opacity=0.9, stroke="var(--paper)", strokeWidth=1)
        .encode(
            x=over,
            y=heat,
            color=alt.Color("kind:N", scale=kinds, legend=alt.Legend(title=None)),
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(domain=list(CALL_KINDS), range=["diamond", "circle"]),
                legend=alt.Legend(title=None),
            ),
            tooltip=tips,
        )
    )
    days = _named("days").mark_line(color=GREY, strokeWidth=1, aria=False).encode(x=over, y=heat)
    limits = (
        _named("limits")
        .mark_rule(color=SOFT, strokeDash=[4, 3])
        .encode(y="value:Q", tooltip=[_tip("what:N", title="line"), _tip("value:Q", title=unit)])
    )
    top = alt.layer(days, limits, calls).properties(height=150, width=500, title=f"Coldest of each day, {unit}")
    lane = alt.Y(
        "lane:N", sort=[], title=None, axis=alt.Axis(domain=False, ticks=False, labelLimit=150, labelColor=INK)
    )
    colour = alt.Color("kind:N", legend=None, scale=alt.Scale(domain=list(LANE_KINDS), range=list(LANE_KINDS.values())))
    what = [
        _tip("lane:N", title="lane"),
        _tip("what:N", title="what"),
        _tip("from:T", title="from", timeUnit=_MINUTE),
        _tip("to:T", title="to", timeUnit=_MINUTE),
    ]
    spans = (
        _named("spans")
        .mark_rule(strokeWidth=7, strokeCap="round", opacity=0.55)
        .encode(x=_when("from"), x2="to:T", y=lane, color=colour, tooltip=what)
    )
    points = (
        _named("points")
        .mark_tick(thickness=2, height=12, opacity=0.9)
        .encode(x=_when("from"), y=lane, color=colour, tooltip=what[:3])
    )
    lanes = alt.layer(spans, points).properties(height=alt.Step(_LANE_PX), width=500)
    whole = alt.vconcat(top, lanes, spacing=8).resolve_scale(x="shared", color="independent", shape="independent")
    return spec(whole, 170)


# One circuit's log


def circuit_log(windows: Sequence[tuple[list[str], Columns]], unit: str, *, is_temperature: bool) -> Spec | None:
    """Pressures of one circuit as saturation temperatures (or as they are) in several windows of its log.

    Each window has the lines of its title and `points` (at, value, line, segment), `trips` (at, value, kind),
    `lockouts` (from, to, kind, ended_by) and `limits` (value, what).
    """
    if not windows:
        return None
    count = min(len(windows), MOST_WINDOWS)
    data = {f"{name}{at}": frame for at, (_, parts) in enumerate(windows[:count]) for name, frame in parts.items()}
    whole = filled(_circuit_log(unit, count, is_temperature), data)
    titled = [{**panel, "title": title} for panel, (title, _) in zip(whole["vconcat"], windows, strict=False)]
    return {**whole, "vconcat": titled}


@cache
def _circuit_log(unit: str, windows: int, is_temperature: bool) -> Spec:
    panels = [_window(unit, at, is_temperature) for at in range(windows)]
    return spec(alt.vconcat(*panels, spacing=26).resolve_scale(color="shared", strokeDash="shared"), 52)


def _window(unit: str, at: int, is_temperature: bool) -> Any:
    names = [SUCTION, HEAD, OUTDOORS] if is_temperature else [SUCTION_KPA, HEAD_KPA]
    colours, dashes = [BLUE, GREEN, INK], [[1, 0], [1, 0], [4, 2]]
    y = alt.Y(
        "value:Q",
        title=None,
        scale=alt.Scale(zero=False),
        axis=alt.Axis(domain=False, ticks=False, tickCount=5, minExtent=34, maxExtent=34),
    )
    lines = (
        _named(f"points{at}")
        .mark_line(strokeWidth=1.3, clip=True, aria=False)
        .encode(
            x=_when(),
            y=y,
            detail="segment:N",
            color=alt.Color(
                "line:N",
                scale=alt.Scale(domain=names, range=colours[: len(names)]),
                legend=alt.Legend(title=None, symbolType="stroke", symbolStrokeWidth=2),
            ),
            strokeDash=alt.StrokeDash(
                "line:N", scale=alt.Scale(domain=names, range=dashes[: len(names)]), legend=alt.Legend(title=None)
            ),
        )
    )
    lockouts = (
        _named(f"lockouts{at}")
        .mark_rect(color=VERMILLION, opacity=0.16, clip=True)
        .encode(
            x=_when("from"),
            x2="to:T",
            tooltip=[
                _tip("kind:N", title="lockout"),
                _tip("from:T", title="from", timeUnit=_MINUTE),
                _tip("to:T", title="to", timeUnit=_MINUTE),
                _tip("ended_by:N", title="ended by"),
            ],
        )
    )
    trips = (
        _named(f"trips{at}")
        .mark_point(filled=True, size=110, opacity=1, color=VERMILLION, stroke="var(--paper)", strokeWidth=1)
        .encode(
            x=_when(),
            y=y,
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(domain=["low pressure", "high pressure"], range=["triangle-down", "triangle-up"]),
                legend=None,
            ),
            tooltip=[
                _tip("kind:N", title="trip"),
                _tip("at:T", title="at", timeUnit=_MINUTE),
                _tip("value:Q", title=f"lowest suction, {unit}"),
            ],
        )
    )
    limit = _named(f"limits{at}")
    rules = limit.mark_rule(color=SOFT, strokeDash=[2, 3], clip=True).encode(y="value:Q")
    said = {"align": "left", "baseline": "bottom", "dx": 4, "dy": -2, "fontSize": 11, "clip": True}
    place = {"y": "value:Q", "x": alt.value(0), "text": "what:N"}
    halo = limit.mark_text(**said, color="var(--paper)", stroke="var(--paper)", strokeWidth=4, aria=False).encode(
        **place
    )
    words = limit.mark_text(**said, color=INK).encode(**place)
    return alt.layer(lockouts, rules, lines, halo, words, trips).properties(height=190, width=500, title="")


# Condensing against outdoors


def condensing(points: pl.DataFrame, unit: str) -> Spec | None:
    """Condensing against outdoor temperature in steady running (outdoor, condensing, behaviour), with equality."""
    if points.height < FEWEST_STEADY:
        return None
    both = np.concatenate([points["outdoor"].to_numpy(), points["condensing"].to_numpy()])
    ends = pl.DataFrame({"outdoor": [float(both.min()), float(points["outdoor"].to_numpy().max())]})
    return filled(_condensing(unit), {"steady": points, "equal": ends})


@cache
def _condensing(unit: str) -> Spec:
    x = alt.X(
        "outdoor:Q", title=f"outdoors, {unit}", scale=alt.Scale(zero=False), axis=alt.Axis(grid=False, tickCount=7)
    )
    y = alt.Y(
        "condensing:Q",
        title=None,
        scale=alt.Scale(zero=False),
        axis=alt.Axis(domain=False, ticks=False, minExtent=34, maxExtent=34, tickCount=6),
    )
    points = (
        _named("steady")
        .mark_circle(size=22, opacity=0.65, aria=False)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "behaviour:N",
                scale=alt.Scale(domain=list(BEHAVIOURS), range=list(BEHAVIOURS.values())),
                legend=alt.Legend(title="head pressure at the time"),
            ),
        )
    )
    equal = _named("equal").mark_line(color=SOFT, strokeDash=[3, 3]).encode(x=x, y="outdoor:Q")
    return spec(alt.layer(equal, points).properties(height=260, width=420, title=f"condensing, {unit}"), 52)


# Switching pressures


def set_points(found: pl.DataFrame, unit: str) -> Spec | None:
    """Each switch's pressure as found with its interval, and as listed (switch, found, lower, upper, listed)."""
    if found["found"].is_null().all():
        return None
    data = {
        "intervals": found.filter(pl.col("lower").is_not_null()),
        "found": found.filter(pl.col("found").is_not_null()),
        "listed": found.filter(pl.col("listed").is_not_null()),
    }
    return filled(_set_points(unit), data, {"switch": found["switch"].to_list()})


@cache
def _set_points(unit: str) -> Spec:
    y = alt.Y("switch:N", sort=[], title=None, axis=alt.Axis(domain=False, ticks=False, labelColor=INK))
    tips = [
        _tip("switch:N", title="switch"),
        _tip("found:Q", title=f"found, {unit}"),
        _tip("lower:Q", title="from (90 %)"),
        _tip("upper:Q", title="to (90 %)"),
        _tip("listed:Q", title="listed"),
        _tip("events:Q", title="events"),
    ]

    def x(field: str) -> Any:
        return alt.X(f"{field}:Q", title=unit, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=6))

    span = (
        _named("intervals")
        .mark_rule(size=6, color=SKY, strokeCap="round")
        .encode(x=x("lower"), x2="upper:Q", y=y, tooltip=tips)
    )
    found = (
        _named("found").mark_point(filled=True, size=70, opacity=1, color=BLUE).encode(x=x("found"), y=y, tooltip=tips)
    )
    listed = (
        _named("listed").mark_tick(thickness=2, height=16, color=VERMILLION).encode(x=x("listed"), y=y, tooltip=tips)
    )
    return spec(alt.layer(span, listed, found).properties(height=alt.Step(26), width=420), 120)


def trip_minima(bins: pl.DataFrame, cut_outs: pl.DataFrame, unit: str) -> Spec | None:
    """Lowest suction of low-pressure trips, counted in bins (from, to, trips), with cut-outs found (value, what)."""
    if bins.is_empty():
        return None
    return filled(_trip_minima(unit), {"bins": bins.rename({"from": "low", "to": "high"}), "cut_outs": cut_outs})


@cache
def _trip_minima(unit: str) -> Spec:
    x = alt.X(
        "low:Q", title=f"lowest suction, {unit}", scale=alt.Scale(zero=False), axis=alt.Axis(grid=False, tickMinStep=5)
    )
    bars = (
        _named("bins")
        .mark_bar(color=BLUE)
        .encode(
            x=x,
            x2="high:Q",
            y=alt.Y("trips:Q", title=None, axis=alt.Axis(domain=False, ticks=False, tickMinStep=1, tickCount=4)),
            y2=alt.datum(0),
            tooltip=[
                _tip("low:Q", title=f"from {unit}"),
                _tip("high:Q", title=f"to {unit}"),
                _tip("trips:Q", title="trips"),
            ],
        )
    )
    rules = (
        _named("cut_outs")
        .mark_rule(color=VERMILLION, strokeWidth=2)
        .encode(x=alt.X("value:Q"), tooltip=[_tip("what:N", title="line"), _tip("value:Q", title=unit)])
    )
    return spec(alt.layer(bars, rules).properties(height=120, width=420, title="trips"), 40)
