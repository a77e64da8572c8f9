"""What all charts share; each is a short function from a frame to an `altair` chart, in the module of its page.

Colours are names of the style sheet's variables, so that a chart follows the light, dark and print schemes without
being drawn again. `usermeta.gutter_px` is what the page's script leaves beside the plot when it fits the width.
"""

from typing import Any

import altair as alt

Spec = dict[str, Any]

INK, SOFT, LINE = "var(--ink)", "var(--soft)", "var(--line)"
BLUE, SKY, VERMILLION, GREY = "var(--blue)", "var(--sky)", "var(--vermillion)", "var(--grey)"


def spec(chart: alt.TopLevelMixin, gutter_px: int) -> Spec:
    """Vega-Lite specification of a chart, dressed for the page."""
    labels = {
        "labelColor": SOFT,
        "titleColor": SOFT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": 400,
    }
    dressed: Spec = chart.to_dict()
    dressed["usermeta"] = {"gutter_px": gutter_px}
    dressed["background"] = None
    dressed["config"] = {
        "font": "system-ui, sans-serif",
        "view": {"stroke": None},
        "axis": {**labels, "domainColor": LINE, "tickColor": LINE, "gridColor": LINE, "labelPadding": 6},
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
