"""What all charts share; each is a short function from a frame to an `altair` chart, in the module of its page.

Colours are names of the style sheet's variables, so that a chart follows the light, dark and print schemes without
being drawn again. `usermeta.gutter_px` is what the page's script leaves beside the plot when it fits the width.
"""

from collections.abc import Sequence
from typing import Any

import altair as alt

Spec = dict[str, Any]

INK, SOFT, LINE = "var(--ink)", "var(--soft)", "var(--line)"
BLUE, SKY, VERMILLION, GREY = "var(--blue)", "var(--sky)", "var(--vermillion)", "var(--grey)"


def spec(chart: alt.TopLevelMixin, gutter_px: int, tables: Sequence[str] = ()) -> Spec:
    """Vega-Lite specification of a chart, dressed for the page, with the written tables that its data are rows of."""
    labels = {
        "labelColor": SOFT,
        "titleColor": SOFT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": 400,
    }
    dressed: Spec = chart.to_dict()
    dressed["usermeta"] = {"gutter_px": gutter_px, "tables": [*tables]}
    dressed["background"] = None
    dressed["config"] = {
        "font": "system-ui, sans-serif",
        "view": {"stroke": None},
        "axis": {
            **labels,
            "domainColor": LINE,
            "tickColor": LINE,
            "gridColor": LINE,
            "labelPadding": 6,
            "labelSeparation": 4,
        },
        "legend": {
            **labels,
            "orient": "bottom",
            "titleLimit": 0,
            "symbolStrokeColor": SOFT,
            "layout": {"bottom": {"anchor": "start", "direction": "vertical", "margin": 10}},
        },
        "title": {
            "color": SOFT,
            "fontSize": 12,
            "fontWeight": 400,
            "anchor": "start",
            "frame": "group",
            "offset": 10,
        },
    }
    return dressed


# Tooltips

COUNT, WHOLE, SHARE, RATIO = ",", ",.0f", ".1%", ".2f"
"""Number formats (d3) of tooltips: counts, amounts, shares, ratios."""


def tip(field: str, title: str, form: str | None = None) -> alt.Tooltip:
    """A line of a tooltip: a number in the format `form`, or a text."""
    if form is None:
        return alt.Tooltip(f"{field}:N", title=title)
    return alt.Tooltip(f"{field}:Q", title=title, format=form)


def ends(form: str, lower: str = "lower", upper: str = "upper", level: int = 95) -> list[alt.Tooltip]:
    """The two lines of a tooltip that tell an interval of `level` per cent."""
    return [tip(lower, f"from ({level} %)", form), tip(upper, f"to ({level} %)", form)]


def share_tips(share: str) -> list[alt.Tooltip]:
    """A share with its interval, as lines of a tooltip."""
    return [tip(share, "share", SHARE), *ends(SHARE)]


# Axes

LABEL_PX, VALUE_PX, ROW_PX = 150, 52, 18
"""Room for names beside a part and for numbers beside an upright axis, and the height of a row."""


def names_axis(label_px: int = LABEL_PX) -> alt.Axis:
    """Names of groups beside a part, in a column as wide for every part."""
    return alt.Axis(
        domain=False,
        ticks=False,
        labelColor=INK,
        labelLimit=label_px - 14,
        minExtent=label_px - 10,
        maxExtent=label_px - 10,
    )


def share_axis(**options: Any) -> alt.Axis:
    return alt.Axis(labelExpr="format(datum.value, '.0%')", tickCount=5, labelOverlap=True, **options)


def value_axis(px: int = VALUE_PX - 8, **options: Any) -> alt.Axis:
    """An upright axis of numbers, `px` wide."""
    return alt.Axis(**{"minExtent": px, "maxExtent": px, "domain": False, "ticks": False, "tickCount": 5, **options})


def upright_share_axis(**options: Any) -> alt.Axis:
    """An upright axis of shares."""
    return share_axis(minExtent=VALUE_PX - 10, maxExtent=VALUE_PX - 10, domain=False, ticks=False, **options)
