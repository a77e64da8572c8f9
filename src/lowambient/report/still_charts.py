"""Charts as still pictures, for a file that is mailed and may be opened where no script runs.

`vl-convert` draws a specification as the page's script would; colours stay names of the style sheet's variables.
"""

import json
import re
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from hashlib import sha256
from typing import Any

import vl_convert
from markupsafe import Markup

from lowambient.report.charts import Spec
from lowambient.report.figures import PICTURES

NARROW, WIDE = 340, 900
"""Widths [px] a chart is drawn at: for phones, and for screens and paper."""
_ONE_COLUMN_UNDER = 600
_LEAST_PLOT = 160
_MINUTE_MS = 60_000
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2
_MEASURED = "DejaVu Sans, sans-serif"
"""Typeface that texts are given room for: wider than those that `system-ui` stands for, so that none is cut off."""
LANGUAGE = "6.4"
"""Version of Vega-Lite that the page's own script has; one of `vl_convert.get_vegalite_versions()`."""


def still(spec: Spec | None, alternative: str, outlines: Spec, *, both: bool = True) -> Markup:
    """A chart as an image that names itself by `alternative`, drawn wide and narrow, or narrow only.

    `outlines` are the data sets that a map asks for by name. The style sheet shows the drawing that fits.
    """
    if spec is None:
        return Markup("")
    drawings = Markup("").join(
        Markup('<div class="{}">{}</div>').format(name if both else "any", Markup(drawn(spec, outlines, width)))
        for name, width in (("wide", WIDE), ("narrow", NARROW))
        if both or width == NARROW
    )
    return Markup('<div class="still" role="img" aria-label="{}">{}</div>{}').format(
        alternative, drawings, _settings(spec)
    )


def drawn(spec: Spec, outlines: Spec, width: int) -> str:
    """A chart as an SVG element `width` pixels wide whose ids no other drawing has."""
    whole = fitted(unpacked(deepcopy(spec)), width)
    asked = {name: outlines[name] for name in _named_data(whole) if name in outlines}
    if asked:
        whole["datasets"] = {**whole.get("datasets", {}), **asked}
    whole["config"] = {**whole["config"], "font": _MEASURED}
    return _svg(json.dumps(_printable(whole))).replace(_MEASURED, spec["config"]["font"])


@cache
def _svg(spec: str) -> str:
    text: str = vl_convert.vegalite_to_svg(spec, vl_version=LANGUAGE)
    return _lean(text, sha256(spec.encode()).hexdigest()[:8])


def _printable(node: Any) -> Any:
    """A specification without the characters that XML forbids, at which the drawing program would stop altogether."""
    if isinstance(node, str):
        return _NOT_XML.sub("\N{REPLACEMENT CHARACTER}", node.translate(PICTURES))
    if isinstance(node, list):
        return [_printable(each) for each in node]
    if isinstance(node, dict):
        return {_printable(key): _printable(value) for key, value in node.items()}
    return node


def _lean(svg: str, mark: str) -> str:
    """Without what a picture does not need: roles of its parts, digits under a tenth of a pixel."""
    svg = re.sub(r' (?:aria-[a-z]+|role)="[^"]*"', "", svg)
    svg = re.sub(r'<path(?![^>]* d=")[^>]*/>', "", svg)  # lands that lie outside the map
    svg = re.sub(r'<path[^>]* opacity="0(?:\.001)?"[^>]*/>', "", svg)  # marks that are there to be pointed at
    svg = re.sub(r'(?<= d=")[^"]*|(?<= transform=")[^"]*', lambda found: _tenths(found[0]), svg)
    return re.sub(r'(\bid="|url\(#)', rf"\g<1>c{mark}-", svg)


def _tenths(numbers: str) -> str:
    return re.sub(r"(\d+\.\d)\d+", r"\1", numbers)


def fitted(spec: Spec, width: int) -> Spec:
    """The chart with plots as wide as `width` pixels allow: what `fitted` of the page's script does."""
    side_by_side = "concat" in spec
    if side_by_side and width < _ONE_COLUMN_UNDER:
        spec["columns"] = 1
    columns = spec["columns"] if side_by_side else 1
    gaps = (columns - 1) * spec.get("spacing", 0)
    plot = max(_LEAST_PLOT, (width - gaps) // columns - spec["usermeta"]["gutter_px"])
    for view in spec.get("vconcat") or spec.get("concat") or [spec]:
        view["width"] = plot
        if "projection" in view:  # without this a map carries the outlines of the whole world
            view["projection"]["clipExtent"] = [[0, 0], [plot, view["height"]]]
    return spec


def unpacked(spec: Spec) -> Spec:
    """The chart with its short columns as rows: what `unpacked` of the page's script does."""
    for name, columns in spec["usermeta"].get("columns", {}).items():
        read = {field: list(_column(packed)) for field, packed in columns.items()}
        rows = [dict(zip(read, values, strict=True)) for values in zip(*read.values(), strict=True)]
        spec.setdefault("datasets", {})[name] = rows
    return spec


def _column(packed: Any) -> Iterator[Any]:
    if isinstance(packed, list):
        yield from packed
    elif "runs" in packed:
        for value, length in zip(packed["runs"], packed["lengths"], strict=True):
            yield from [value] * length
    elif "kinds" in packed:
        yield from (packed["kinds"][at] for at in packed["of"])
    elif "minutes" in packed:
        yield from (None if minute is None else minute * _MINUTE_MS for minute in packed["minutes"])
    else:
        minute = 0
        for step in packed["steps"]:
            minute += step
            yield minute * _MINUTE_MS


def _named_data(node: Any) -> Iterator[str]:
    """Names of the data sets that a specification asks for."""
    if isinstance(node, list):
        for each in node:
            yield from _named_data(each)
    elif isinstance(node, dict):
        data = node.get("data")
        if isinstance(data, dict) and "name" in data:
            yield data["name"]
        for key, value in node.items():
            if key not in ("datasets", "data", "encoding"):
                yield from _named_data(value)


def _settings(spec: Spec) -> Markup:
    """What a chart's switches stand at, since nobody can turn them here."""
    stands = [
        f"{str(bind.get('name', '')).strip().rstrip(':')}: {_label(bind, one.get('value'))}"
        for one in spec.get("params", [])
        if isinstance(bind := one.get("bind"), dict) and "options" in bind
    ]
    if not stands:
        return Markup("")
    return Markup('<p class="aside">{}</p>').format(f"Drawn for {'; '.join(stands)}. The page itself lets you choose.")


def _label(bind: Spec, value: Any) -> str:
    options, labels = bind["options"], bind.get("labels") or bind["options"]
    return str(labels[options.index(value)] if value in options else value)
