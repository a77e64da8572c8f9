"""Callback rates by symptom, weather, person, month, work and unit kind: one chart whose parts choose together."""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from lowambient.report.charts import (
    BLUE,
    COUNT,
    GREY,
    LABEL_PX,
    ROW_PX,
    SHARE,
    SKY,
    SOFT,
    VALUE_PX,
    VERMILLION,
    Spec,
    ends,
    names_axis,
    share_axis,
    spec,
    tip,
)
from lowambient.report.figures import Figures

CLOCK_UNITS = {"days": "days", "cold hours": "cold h"}
_Z = 1.959963984540054  # normal quantile of the 95 % interval


def rates(cells: pl.DataFrame, least: float, bands: Mapping[str, float], figures: Figures) -> Spec | None:
    """Callback rates with Wilson intervals by symptom, weather, person, month, work and unit kind, all linked.

    `cells`: rows of `recall_cells` to show. `bands`: middle of each weather band in the reader's unit. One control
    chooses clock and length of the window, and a symptom (in the list, or a click on its row) narrows every other part;
    rates are added up anew from the counts each time. Groups with fewer whole windows than `least` show no rate.
    """
    if cells.is_empty():
        return None
    windows = cells.select("clock", "window").unique().sort("clock", "window", descending=[True, False]).rows()
    data = alt.InlineData(values=_compact(cells, windows, bands))
    labels = [f"{length:g} {CLOCK_UNITS[clock]}" for clock, length in windows]
    default = next((at for at, (clock, length) in enumerate(windows) if (clock, length) == ("days", 30.0)), 0)
    window = alt.param(
        name="window",
        value=default,
        bind=alt.binding_radio(options=list(range(len(windows))), labels=labels, name="Comes back within "),
    )
    symptoms = sorted({row["symptom"] for row in cells.select("symptom").unique().to_dicts()})
    picked = alt.selection_point(
        name="picked",
        fields=["symptom"],
        on="click",
        bind=alt.binding_select(
            options=[None, *symptoms], labels=["all", *symptoms], name="Symptom of the first call "
        ),
    )
    parts = _Parts(data, least, picked, figures)
    groups = {name: _in_order(cells, name) for name in ("technician", "work", "unit kind", "month")}
    views = [
        parts.rows("fleet", "symptom", symptoms, "By symptom", pick=True),
        parts.across("weather band", "x:Q", _temperature_axis(bands, figures), "By outdoor temperature"),
        parts.rows("technician", "value", groups["technician"], "By technician, in order of name"),
        parts.across("month", "value:O", _month_axis(groups["month"]), "By month"),
        parts.rows("work", "value", groups["work"], "By what was done"),
        parts.rows("unit kind", "value", groups["unit kind"], "By what the unit is for"),
    ]
    chart = alt.concat(*views, columns=2, spacing=34).add_params(window).resolve_scale(x="independent", y="independent")
    return spec(chart, LABEL_PX, ("recall_cells",))


def _compact(
    cells: pl.DataFrame, windows: Sequence[tuple[str, float]], bands: Mapping[str, float]
) -> list[dict[str, Any]]:
    """One object a dimension, value and symptom; calls n, whole windows w and callbacks b are lists over `windows`.

    No name of theirs may be that of a field made from them: the script makes fields in place, and again at each choice.
    """
    place = {window: at for at, window in enumerate(windows)}
    found: dict[tuple[str, str, str], dict[str, Any]] = {}
    for row in cells.iter_rows(named=True):
        key = (row["dimension"], row["value"], row["symptom"])
        one = found.setdefault(
            key,
            {
                **dict(zip(("dimension", "value", "symptom"), key, strict=True)),
                **{name: [0] * len(windows) for name in ("n", "w", "b")},
            },
        )
        if row["dimension"] == "weather band":
            one["x"] = bands.get(row["value"])
        at = place[(row["clock"], row["window"])]
        one["n"][at] = row["calls"]
        one["w"][at] = row["calls"] - row["censored"]
        one["b"][at] = row["callbacks"]
    return list(found.values())


def _in_order(cells: pl.DataFrame, dimension: str) -> list[str]:
    rows = cells.filter(dimension=dimension).select("value", "place").unique(subset="value").sort("place", "value")
    return rows["value"].to_list()


class _Parts:
    """Parts of the linked chart, each over the same counts."""

    def __init__(self, data: alt.InlineData, least: float, picked: alt.Parameter, figures: Figures) -> None:
        self.data = data
        self.least = least
        self.picked = picked
        self.figures = figures

    def counted(self, dimension: str, by: list[str], *, narrowed: bool) -> Any:
        """Calls of one dimension added up for the chosen window, and the symptom if `narrowed`; rate and interval."""
        chart = alt.Chart(self.data).transform_filter(f"datum.dimension === '{dimension}'")
        if narrowed:
            chart = chart.transform_filter(self.picked)
        share, z = "datum.back / datum.whole", _Z
        spread = f"{z} * sqrt(datum.rate * (1 - datum.rate) / datum.whole + {z * z / 4} / pow(datum.whole, 2))"
        return (
            chart.transform_calculate(whole="datum.w[window]", back="datum.b[window]", calls="datum.n[window]")
            .transform_aggregate(whole="sum(whole)", back="sum(back)", calls="sum(calls)", groupby=[*by])
            .transform_calculate(rate=share, known=f"datum.whole >= {max(self.least, 1)}")
            .transform_calculate(
                lower=f"(datum.rate + {z * z / 2} / datum.whole - {spread}) / (1 + {z * z} / datum.whole)",
                upper=f"(datum.rate + {z * z / 2} / datum.whole + {spread}) / (1 + {z * z} / datum.whole)",
            )
        )

    def tips(self, title: str, field: str) -> list[alt.Tooltip]:
        return [
            tip(field, title),
            tip("calls", "calls", COUNT),
            tip("whole", "watched throughout", COUNT),
            tip("back", "came back", COUNT),
            tip("rate", "share", SHARE),
            *ends(SHARE),
        ]

    def rows(self, dimension: str, field: str, order: list[str], title: str, *, pick: bool = False) -> Any:
        """Groups below one another, share across."""
        y = alt.Y(
            f"{field}:N",
            title=None,
            scale=alt.Scale(domain=order),
            axis=names_axis(),
        )
        x = alt.X("lower:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=share_axis())
        base = self.counted(dimension, [field], narrowed=not pick).encode(y=y)
        known = base.transform_filter("datum.known")
        span = known.mark_rule(size=4, color=SKY, strokeCap="round").encode(x=x, x2="upper:Q")
        point = known.mark_circle(size=60, opacity=1, color=BLUE).encode(x="rate:Q", tooltip=self.tips("group", field))
        few = (
            base.transform_filter("!datum.known && datum.calls > 0")
            .mark_text(align="left", dx=3, fontSize=11, color=SOFT, text="too few")
            .encode(x=alt.datum(0))
        )
        layers = [self.middle("x"), span, point, few]
        if pick:
            hit = (
                base.mark_bar(opacity=0.001, cursor="pointer", fill=GREY, aria=False)
                .encode(x=alt.datum(0), x2=alt.datum(1), tooltip=self.tips("symptom", field))
                .add_params(self.picked)
            )
            point = point.encode(
                color=alt.condition({"param": "picked", "empty": False}, alt.value(VERMILLION), alt.value(BLUE))
            )
            layers = [span, point, few, hit]
        return alt.layer(*layers).properties(width=400, height=alt.Step(ROW_PX), title=title)

    def across(self, dimension: str, x: str, axis: dict[str, Any], title: str) -> Any:
        """Groups beside one another, share upwards."""
        position = alt.X(x, **axis)
        y = alt.Y(
            "lower:Q",
            title=None,
            scale=alt.Scale(domain=[0, 1]),
            axis=share_axis(minExtent=VALUE_PX - 10, maxExtent=VALUE_PX - 10, domain=False, ticks=False),
        )
        field = x.partition(":")[0]
        by = ["value"] if field == "value" else ["value", field]
        base = self.counted(dimension, by, narrowed=True).encode(x=position)
        if field == "x":
            base = base.transform_filter("isValid(datum.x)")
        known = base.transform_filter("datum.known")
        span = known.mark_rule(size=3, color=SKY, strokeCap="round").encode(y=y, y2="upper:Q")
        point = known.mark_circle(size=50, opacity=1, color=BLUE).encode(
            y="rate:Q", tooltip=self.tips("group", "value")
        )
        few = (
            base.transform_filter("!datum.known && datum.calls > 0")
            .mark_text(text="·", fontSize=16, color=SOFT)
            .encode(y=alt.datum(0), tooltip=self.tips("too few", "value")[:4])
        )
        layers = [self.middle("y"), span, point, few]
        return alt.layer(*layers).properties(width=400, height=ROW_PX * 12, title=title)

    def middle(self, channel: str) -> Any:
        """The share of all calls of the choice, as a line to hold the groups against."""
        base = self.counted("fleet", ["dimension"], narrowed=True).transform_filter("datum.whole > 0")
        return base.mark_rule(strokeDash=[3, 3], color=SOFT, aria=False).encode(**{channel: "rate:Q"})


def _temperature_axis(bands: Mapping[str, float], figures: Figures) -> dict[str, Any]:
    values = list(bands.values()) or [0.0]
    return {
        "title": f"outdoor temperature, {figures.units.temperature_unit}",
        "scale": alt.Scale(domain=[min(values) - 3, max(values) + 3], nice=False),
        "axis": alt.Axis(grid=False, labelOverlap=True),
    }


def _month_axis(months: list[str]) -> dict[str, Any]:
    return {
        "title": None,
        "scale": alt.Scale(domain=months),
        "axis": alt.Axis(
            grid=False,
            ticks=False,
            labelAngle=0,
            labelExpr="slice(datum.value, 5) === '01' ? slice(datum.value, 0, 4) : ''",
        ),
    }
