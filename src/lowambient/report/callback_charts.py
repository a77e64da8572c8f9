"""Charts of the page on callbacks: each a short function from a frame to an `altair` chart."""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from lowambient.report.charts import BLUE, GREY, INK, SKY, SOFT, VERMILLION, Spec, spec
from lowambient.report.figures import Figures

LABEL_PX = 150
VALUE_PX = 52
ROW_PX = 18
CLOCK_UNITS = {"days": "days", "cold hours": "cold h"}
_KINDS = (BLUE, VERMILLION, SOFT)
_DASHES = ([1, 0], [6, 3], [2, 2])
_Z = 1.959963984540054  # normal quantile of the 95 % interval
_HEADROOM, _HOURS_SEEN = 1.6, 500.0  # judgement: a rate over fewer unit-hours does not set the scale of a chart
_PERCENT = "format(datum.value, '.0%')"


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
    return spec(chart, LABEL_PX)


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
            alt.Tooltip(f"{field}:N", title=title),
            alt.Tooltip("calls:Q", title="calls", format=","),
            alt.Tooltip("whole:Q", title="watched throughout", format=","),
            alt.Tooltip("back:Q", title="came back", format=","),
            alt.Tooltip("rate:Q", title="share", format=".1%"),
            alt.Tooltip("lower:Q", title="from (95 %)", format=".1%"),
            alt.Tooltip("upper:Q", title="to (95 %)", format=".1%"),
        ]

    def rows(self, dimension: str, field: str, order: list[str], title: str, *, pick: bool = False) -> Any:
        """Groups below one another, share across."""
        y = alt.Y(
            f"{field}:N",
            title=None,
            scale=alt.Scale(domain=order),
            axis=_names_axis(),
        )
        x = alt.X("lower:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=_share_axis())
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
            axis=_share_axis(minExtent=VALUE_PX - 10, maxExtent=VALUE_PX - 10, domain=False, ticks=False),
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


def _names_axis(label_px: int = LABEL_PX) -> alt.Axis:
    """Names of groups beside a part, in a column as wide for every part."""
    return alt.Axis(
        domain=False,
        ticks=False,
        labelColor=INK,
        labelLimit=label_px - 14,
        minExtent=label_px - 10,
        maxExtent=label_px - 10,
    )


def _share_axis(**options: Any) -> alt.Axis:
    return alt.Axis(labelExpr=_PERCENT, tickCount=5, labelOverlap=True, **options)


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


def windows(table: pl.DataFrame) -> Spec | None:
    """Share that comes back by length of the recall window, one part a clock; `table`: that dimension of the rates."""
    parts = []
    for clock in ("days", "cold hours"):
        mine = table.filter(clock=clock)
        if mine.is_empty():
            continue
        base = alt.Chart(mine.select("window", "calls", "censored", "callbacks", *_RATE)).encode(
            x=alt.X(
                "window:Q",
                title=f"length of the window, {clock}",
                scale=alt.Scale(zero=True),
                axis=alt.Axis(grid=False, values=mine["window"].to_list(), labelOverlap=True),
            ),
            tooltip=[
                alt.Tooltip("window:Q", title=clock),
                alt.Tooltip("calls:Q", title="calls", format=","),
                alt.Tooltip("censored:Q", title="cut short", format=","),
                alt.Tooltip("callbacks:Q", title="came back", format=","),
                *_share_tips("rate"),
                alt.Tooltip("resampled_lower:Q", title="sites drawn anew, from", format=".1%"),
                alt.Tooltip("resampled_upper:Q", title="to", format=".1%"),
            ],
        )
        y = alt.Y("resampled_lower:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=_upright_axis())
        span = base.mark_rule(size=4, color=SKY, strokeCap="round").encode(y=y, y2="resampled_upper:Q")
        line = base.mark_line(color=BLUE, strokeWidth=1, aria=False).encode(y="rate:Q")
        point = base.mark_circle(size=60, opacity=1, color=BLUE).encode(y="rate:Q")
        parts.append(alt.layer(span, line, point).properties(width=400, height=190, title=f"By {clock}"))
    return spec(alt.concat(*parts, columns=2, spacing=30), VALUE_PX) if parts else None


_RATE = ("rate", "lower", "upper", "resampled_lower", "resampled_upper")


def _share_tips(share: str) -> list[alt.Tooltip]:
    return [
        alt.Tooltip(f"{share}:Q", title="share", format=".1%"),
        alt.Tooltip("lower:Q", title="from (95 %)", format=".1%"),
        alt.Tooltip("upper:Q", title="to (95 %)", format=".1%"),
    ]


def _upright_axis(**options: Any) -> alt.Axis:
    return _share_axis(minExtent=VALUE_PX - 10, maxExtent=VALUE_PX - 10, domain=False, ticks=False, **options)


def time_to_callback(table: pl.DataFrame, in_force: Mapping[str, float]) -> Spec | None:
    """Share that has come back by each time, with its interval, and a line at the window `in_force`; a part a clock."""
    parts = []
    for clock in ("days", "cold hours"):
        mine = table.filter(pl.col("share").is_not_null(), clock=clock).drop("clock")
        if mine.is_empty():
            continue
        base = alt.Chart(mine).encode(
            x=alt.X("time:Q", title=f"{clock} since the call's end", axis=alt.Axis(grid=False, labelOverlap=True))
        )
        y = alt.Y("lower:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=_upright_axis())
        area = base.mark_area(color=SKY, opacity=0.55, interpolate="step-after").encode(y=y, y2="upper:Q")
        line = base.mark_line(color=BLUE, strokeWidth=2, interpolate="step-after").encode(
            y="share:Q",
            tooltip=[
                alt.Tooltip("time:Q", title=clock),
                *_share_tips("share"),
                alt.Tooltip("at_risk:Q", title="still watched", format=","),
            ],
        )
        near = base.mark_circle(size=120, opacity=0, aria=False).encode(y="share:Q", tooltip=line.encoding.tooltip)
        limit = (
            alt.Chart(pl.DataFrame({"window": [in_force[clock]]}))
            .mark_rule(color=SOFT, strokeDash=[3, 3], aria=False)
            .encode(x="window:Q")
        )
        parts.append(alt.layer(area, limit, line, near).properties(width=400, height=200, title=f"By {clock}"))
    return spec(alt.concat(*parts, columns=2, spacing=30), VALUE_PX) if parts else None


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
    base = alt.Chart(known.drop("time")).encode(
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
            alt.Tooltip("kind:N", title="units"),
            alt.Tooltip("years:Q", title="years", format=".2f"),
            alt.Tooltip("mean:Q", title="calls a unit", format=".2f"),
            alt.Tooltip("lower:Q", title="from (95 %)", format=".2f"),
            alt.Tooltip("upper:Q", title="to (95 %)", format=".2f"),
            alt.Tooltip("at_risk:Q", title="units watched so long", format=","),
        ],
    )
    return spec(alt.layer(area, line, near).properties(width=500, height=240, title="Calls a unit"), VALUE_PX)


def _listed(
    frame: pl.DataFrame, name: str, order: list[str], middle: str, title: str, tips: list[alt.Tooltip], **options: Any
) -> Any:
    """Intervals below one another: `lower`, `middle`, `upper` on one scale. Rows without a middle say "too few"."""
    scale = options.get("scale", alt.Scale(domain=[0, 1]))
    axis = options.get("axis", _share_axis())
    label_px = options.get("label_px", LABEL_PX)
    base = alt.Chart(frame).encode(
        y=alt.Y(
            f"{name}:N",
            title=None,
            scale=alt.Scale(domain=order),
            axis=_names_axis(label_px),
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
            alt.Tooltip("value:N", title=dimension),
            alt.Tooltip("calls:Q", title="first visits", format=","),
            alt.Tooltip("censored:Q", title="cut short", format=","),
            alt.Tooltip("fixed:Q", title="settled", format=","),
            *_share_tips("rate"),
        ]
        lines = fleet["rate"].drop_nulls().to_list()
        parts.append(_listed(mine.drop("dimension"), "value", sorted(mine["value"]), "rate", title, tips, lines=lines))
    return spec(alt.concat(*parts, columns=2, spacing=34), LABEL_PX) if parts else None


def sites(table: pl.DataFrame) -> Spec | None:
    """Share that comes back by site, in order of name; `table`: sites to show, of either clock, with `name`."""
    if table.is_empty():
        return None
    clocks = [clock for clock in CLOCK_UNITS if clock in table["clock"].to_list()]
    clock = alt.param(name="clock", value=clocks[0], bind=alt.binding_radio(options=clocks, name="Window measured in "))
    order = table.select("name").unique().sort("name")["name"].to_list()
    tips = [
        alt.Tooltip("name:N", title="site"),
        alt.Tooltip("calls:Q", title="calls", format=","),
        alt.Tooltip("censored:Q", title="cut short", format=","),
        alt.Tooltip("callbacks:Q", title="came back", format=","),
        *_share_tips("rate"),
        alt.Tooltip("shrunk_rate:Q", title="weighed with all sites", format=".1%"),
    ]
    kept = table.select("clock", "name", "calls", "censored", "callbacks", "rate", "lower", "upper", "shrunk_rate")
    chart = _listed(kept, "name", order, "rate", "Share that came back", tips, label_px=LABEL_PX + 30)
    return spec(chart.transform_filter("datum.clock === clock").add_params(clock), LABEL_PX + 30)


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
        alt.Tooltip("kind:N", title="kind"),
        alt.Tooltip("calls:Q", title="calls", format=","),
        alt.Tooltip("cold_rate_ratio:Q", title="cold over mild", format=".2f"),
        alt.Tooltip("lower:Q", title="from (95 %)", format=".2f"),
        alt.Tooltip("upper:Q", title="to (95 %)", format=".2f"),
        alt.Tooltip("stability:Q", title="stability", format=".2f"),
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
    back = named.select("kind", "calls", "callbacks", "callback_share", "callback_lower", "callback_upper").rename(
        {"callback_lower": "lower", "callback_upper": "upper"}
    )
    right = _listed(
        back,
        "kind",
        order,
        "callback_share",
        "Share that are callbacks",
        [
            alt.Tooltip("kind:N", title="kind"),
            alt.Tooltip("calls:Q", title="calls", format=","),
            alt.Tooltip("callbacks:Q", title="callbacks", format=","),
            *_share_tips("callback_share"),
        ],
        label_px=LABEL_PX + 30,
        lines=() if share is None else (share,),
    )
    return spec(alt.concat(left, right, columns=2, spacing=34), LABEL_PX + 30)


def rate_curve(table: pl.DataFrame, changes: pl.DataFrame, figures: Figures) -> Spec | None:
    """Episodes per 1,000 unit-hours by outdoor temperature with a smooth curve, for a chosen symptom and measure.

    Intervals that reach far above every rate run off the top; where a change of rate is sure, a line marks it.
    """
    known = table.filter(pl.col("unit_hours") > 0)
    if known.is_empty():
        return None
    unit = figures.units.temperature_unit
    seen = pl.col("rate_per_1000_h").filter(pl.col("unit_hours") >= _HOURS_SEEN).max()
    tops = known.group_by("measure", "symptom").agg(
        (_HEADROOM * pl.max_horizontal(seen, pl.col("smooth_per_1000_h").max())).round(4).alias("top")
    )
    frame = (
        _in_reading_units(known, figures, {"lower_c": "from", "upper_c": "to"})
        .with_columns(((pl.col("from") + pl.col("to")) / 2).round(2).alias("middle"))
        .join(tops, on=["measure", "symptom"], maintain_order="left")
        .drop("lower_c", "upper_c", "lower", "upper")
    )
    measures = sorted(frame["measure"].unique())
    symptoms = sorted(frame["symptom"].unique())
    measure = alt.param(
        name="measure",
        value="coldest demand hour" if "coldest demand hour" in measures else measures[0],
        bind=alt.binding_radio(options=measures, name="Temperature taken "),
    )
    symptom = alt.param(
        name="symptom",
        value="low-pressure trip" if "low-pressure trip" in symptoms else symptoms[0],
        bind=alt.binding_select(options=symptoms, name="Symptom "),
    )
    chosen = "datum.measure === measure && datum.symptom === symptom"
    base = (
        alt.Chart(frame)
        .transform_filter(chosen)
        .transform_calculate(high="min(datum.exact_upper, datum.top)", smooth_high="min(datum.smooth_upper, datum.top)")
    )
    x = alt.X(
        "middle:Q",
        title=f"outdoor temperature, {unit}",
        scale=alt.Scale(domain=[min(frame["from"]), max(frame["to"])], nice=False),
        axis=alt.Axis(grid=False, labelOverlap=True),
    )
    value_axis = alt.Axis(minExtent=VALUE_PX - 6, maxExtent=VALUE_PX - 6, domain=False, ticks=False, tickCount=5)
    y = alt.Y("smooth_lower:Q", title=None, axis=value_axis)
    area = (
        base.transform_filter("isValid(datum.smooth_per_1000_h)")
        .mark_area(color=SKY, opacity=0.5, interpolate="monotone")
        .encode(x=x, y=y, y2="smooth_high:Q")
    )
    line = (
        base.transform_filter("isValid(datum.smooth_per_1000_h)")
        .mark_line(color=BLUE, strokeWidth=2, interpolate="monotone")
        .encode(x=x, y="smooth_per_1000_h:Q")
    )
    within = base.transform_filter("datum.rate_per_1000_h <= datum.top")
    tips = [
        alt.Tooltip("from:Q", title=f"from {unit}"),
        alt.Tooltip("to:Q", title=f"to {unit}"),
        alt.Tooltip("episodes:Q", title="episodes", format=","),
        alt.Tooltip("calls:Q", title="calls", format=","),
        alt.Tooltip("unit_hours:Q", title="unit-hours", format=",.0f"),
        alt.Tooltip("rate_per_1000_h:Q", title="per 1,000 unit-hours", format=".4f"),
        alt.Tooltip("exact_lower:Q", title="from (95 %)", format=".4f"),
        alt.Tooltip("exact_upper:Q", title="to (95 %)", format=".4f"),
        alt.Tooltip("smooth_per_1000_h:Q", title="curve", format=".4f"),
    ]
    span = within.mark_rule(size=2, color=GREY).encode(x=x, y="exact_lower:Q", y2="high:Q")
    point = within.mark_circle(size=60, opacity=1, color=INK).encode(x=x, y="rate_per_1000_h:Q", tooltip=tips)
    layers = [*_change_marks(changes, figures, chosen), area, line, span, point]
    top = alt.layer(*layers).properties(width=500, height=240, title="Episodes per 1,000 unit-hours")
    hours = (
        base.mark_bar(color=GREY)
        .encode(
            x=alt.X(
                "from:Q",
                title=f"outdoor temperature, {unit}",
                scale=alt.Scale(domain=[min(frame["from"]), max(frame["to"])], nice=False),
                axis=alt.Axis(grid=False, labelOverlap=True),
            ),
            x2="to:Q",
            y=alt.Y(
                "unit_hours:Q",
                title=None,
                axis=alt.Axis(
                    minExtent=VALUE_PX - 6, maxExtent=VALUE_PX - 6, domain=False, ticks=False, tickCount=3, format="~s"
                ),
            ),
            y2=alt.datum(0),
            tooltip=tips,
        )
        .properties(width=500, height=60, title="Unit-hours in the band")
    )
    return spec(alt.vconcat(top, hours, spacing=22).add_params(symptom, measure), VALUE_PX + 8)


def _change_marks(changes: pl.DataFrame, figures: Figures, chosen: str) -> list[Any]:
    sure = changes.filter(pl.col("changes") & pl.col("change_c").is_not_null())
    if sure.is_empty():
        return []
    placed = _in_reading_units(sure, figures, {"change_c": "change", "lower_c": "from", "upper_c": "to"}).select(
        "measure", "symptom", "change", "from", "to", "ratio", "ratio_lower", "ratio_upper"
    )
    unit = figures.units.temperature_unit
    tips = [
        alt.Tooltip("change:Q", title=f"rate changes at {unit}"),
        alt.Tooltip("from:Q", title="from (95 %)"),
        alt.Tooltip("to:Q", title="to (95 %)"),
        alt.Tooltip("ratio:Q", title="below over above", format=".2f"),
        alt.Tooltip("ratio_lower:Q", title="from (95 %)", format=".2f"),
        alt.Tooltip("ratio_upper:Q", title="to (95 %)", format=".2f"),
    ]
    base = alt.Chart(placed).transform_filter(chosen)
    return [
        base.mark_rect(color=VERMILLION, opacity=0.12).encode(x="from:Q", x2="to:Q", tooltip=tips),
        base.mark_rule(color=VERMILLION, size=2).encode(x="change:Q", tooltip=tips),
    ]


def _in_reading_units(frame: pl.DataFrame, figures: Figures, columns: Mapping[str, str]) -> pl.DataFrame:
    """Temperatures [degC] as columns in the reader's unit, to a tenth."""
    return frame.with_columns(
        pl.col(name)
        .map_elements(lambda value: round(figures.shown(value, "degC"), 1), return_dtype=pl.Float64)
        .alias(shown)
        for name, shown in columns.items()
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
                axis=_share_axis(),
            ),
            y=alt.Y("cold_share:Q", title=None, scale=alt.Scale(domain=[0, 1]), axis=_upright_axis()),
            size=alt.Size("episodes:Q", title="episodes", scale=alt.Scale(range=[30, 300]), legend=None),
            color=alt.condition("datum.gathers", alt.value(VERMILLION), alt.value(GREY)),
            tooltip=[
                alt.Tooltip("unit_id:N", title="unit"),
                alt.Tooltip("episodes:Q", title="episodes"),
                alt.Tooltip("cold_episodes:Q", title="of them cold"),
                alt.Tooltip("expected_share:Q", title="hours cold", format=".0%"),
                alt.Tooltip("ratio:Q", title="over chance", format=".2f"),
                alt.Tooltip("lower:Q", title="from (95 %)", format=".2f"),
                alt.Tooltip("upper:Q", title="to (95 %)", format=".2f"),
                alt.Tooltip("adjusted_p:Q", title="p, corrected", format=".2g"),
            ],
        )
    )
    return spec(
        alt.layer(chance, point).properties(width=500, height=260, title="Share of its episodes that were cold"),
        VALUE_PX,
    )


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
            alt.Tooltip("work:N", title="work"),
            alt.Tooltip("repairs:Q", title="repairs", format=","),
            alt.Tooltip("units:Q", title="on units", format=","),
            alt.Tooltip("calls_after:Q", title="calls after", format=","),
            alt.Tooltip("expected_untreated_calls:Q", title="to be expected", format=",.1f"),
            alt.Tooltip("ratio:Q", title="ratio", format=".2f"),
            alt.Tooltip("lower:Q", title="from (95 %)", format=".2f"),
            alt.Tooltip("upper:Q", title="to (95 %)", format=".2f"),
            alt.Tooltip("verdict:N", title="together"),
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
                axis=_names_axis(),
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
                alt.Tooltip("work:N", title="work"),
                alt.Tooltip("verdict:N", title="verdict"),
                alt.Tooltip("repairs:Q", title="repairs", format=","),
            ],
        )
        .transform_calculate(place="indexof(['held', 'cannot tell', 'too early', 'not held'], datum.verdict)")
        .properties(width=400, height=alt.Step(ROW_PX), title="Single repairs by verdict")
    )
    return spec(alt.concat(left, right, columns=2, spacing=34), LABEL_PX)
