"""Charts whose data goes in as short columns, a third of the size of rows; the page's script makes rows of them.

Data stands under `usermeta.columns`. Instants are minutes on the clock of the site.
"""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import polars as pl

from lowambient.report.charts import Spec

Columns = Mapping[str, pl.DataFrame]


def filled(template: Spec, data: Columns, order: Mapping[str, list[str]] | None = None) -> Spec:
    """A template with a unit's data; layers without rows are left out. The template stays as it was.

    `order` gives the values of a field in the order that its axis shows them.
    """
    columns = {name: packed(frame) for name, frame in data.items() if frame.height}
    drawn = _drawn(template, set(data) - set(columns), order or {})
    return {**drawn, "usermeta": {**template["usermeta"], "columns": columns}}


def _drawn(node: Any, empty: set[str], order: Mapping[str, list[str]]) -> Any:
    if isinstance(node, list):
        return [_drawn(each, empty, order) for each in node if not _is_empty(each, empty)]
    if not isinstance(node, dict):
        return node
    copied = {key: _drawn(value, empty, order) for key, value in node.items()}
    if node.get("field") in order and "sort" in node:
        copied["sort"] = order[node["field"]]
    return copied


def _is_empty(layer: Any, empty: set[str]) -> bool:
    data = layer.get("data") if isinstance(layer, dict) else None
    return isinstance(data, dict) and data.get("name") in empty


def packed(frame: pl.DataFrame) -> dict[str, Any]:
    """Columns of a frame for the page's script.

    Instants (columns named `at`, `from` or `to`) are whole minutes since 1970, texts of few kinds are numbered; each
    instant of `at` is told as the step from the one before, and what runs on as its value and how often.
    """
    return {name: _packed(name, frame[name]) for name in frame.columns}


def _packed(name: str, column: pl.Series) -> Any:
    if column.dtype == pl.Datetime:
        minutes = (column.dt.timestamp("ms") // 60_000).to_list()
        if name == "at" and minutes and None not in minutes:
            return {"steps": [minutes[0], *(b - a for a, b in pairwise(minutes))]}
        return {"minutes": minutes}
    runs = column.rle() if name in ("line", "segment") else None
    if runs is not None:
        return {"runs": runs.struct.field("value").to_list(), "lengths": runs.struct.field("len").to_list()}
    if column.dtype == pl.String and column.n_unique() < len(column) / 2:
        kinds = column.unique(maintain_order=True).to_list()
        return {"kinds": kinds, "of": [kinds.index(value) for value in column]}
    if column.dtype.is_float():
        return [None if value is None else int(value) if value == int(value) else value for value in column]
    return column.to_list()
