"""Each number that a chart of the fleet's pages carries is looked up in the cell of the table that the chart names."""

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import shown_cells
from report_frames import FACTS, fleet_frames
from shown_cells import TO_US, Cells

from lowambient.report import write_pages, write_tables

Datum = Mapping[str, Any]
Key = Callable[[Datum], tuple[str | None, ...]]
CELSIUS = {"from": "lower_c", "to": "upper_c", "change": "change_c"}
"""Edges of bands, shown in the reader's unit to a tenth."""
DERIVED = {
    "middle": "of an edge and the next",
    "top": "where a scale ends",
    "at": "a line to hold others against",
    "x": "the middle of a band",
    "y": "a line to hold others against",
    "upper_drawn": "cut off at the end of the scale",
    "lower_drawn": "cut off at the end of the scale",
    "cold_share": "of two columns beside it",
    "years": "of the time in days beside it",
    "latitude": "of the site list",
    "longitude": "of the site list",
}
"""Fields that no table holds, which a mark needs to be drawn."""


def field(*names: str, beside: str | None = None) -> Key:
    """The key of a datum from its fields; none, by KeyError, for one that has no field `beside`."""

    def key(datum: Datum) -> tuple[str | None, ...]:
        if beside is not None:
            datum[beside]
        return tuple(text_of(datum[name]) for name in names)

    return key


def text_of(value: Any) -> str | None:
    return None if value is None else value if isinstance(value, str) else repr(value)


FOUND_BY: dict[str, dict[str, Key]] = {
    "map": {"forecast": field("level", "unit_id", "site_id")},
    "winters": {"winters": field("winter")},
    "budget": {"budget_curve": field("budget", beside="gap")},
    "rate": {"exposure": field("measure", "lower_c")},
    "sites": {"callback_rates": lambda one: (one["clock"], "site", one["value"])},
    "windows": {"callback_rates": lambda one: (one["clock"], "window", one["value"])},
    "time": {"time_to_callback": field("clock", "time")},
    "age": {"calls_by_service_age": field("kind", "time")},
    "fix": {"first_time_fix": field("dimension", "value")},
    "clusters": {"clusters": field("cluster")},
    "curve": {"rate_curve": field("measure", "symptom", "lower_c"), "rate_change": field("measure", "symptom")},
    "gathering": {"cold_gathering": field("unit_id")},
    "held": {"follow_up_by_work": field("work", beside="ratio"), "follow_up_verdicts": field("work", "verdict")},
}
OTHER_NAMES = {("clusters", "clusters"): {"lower": "callback_lower", "upper": "callback_upper"}}


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("charts")
    frames = fleet_frames()
    write_tables(frames, folder / "tables")
    write_pages(frames, FACTS, folder, units="us")
    return folder


@pytest.fixture(scope="module")
def charts(out: Path) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for page in ("winter", "callbacks"):
        specs = shown_cells.read(out / f"{page}.html").specs
        found |= {name.removesuffix("-spec"): json.loads(text) for name, text in specs.items()}
    return found


def data_of(spec: Mapping[str, Any]) -> Iterator[Datum]:
    for rows in spec.get("datasets", {}).values():
        yield from rows


def test_every_chart_names_its_tables(out: Path, charts: dict[str, dict[str, Any]]) -> None:
    assert {*FOUND_BY, "forecast", "rates"} == set(charts)
    for name, spec in charts.items():
        tables = spec["usermeta"]["tables"]
        assert tables
        assert all((out / "tables" / f"{table}.csv").is_file() for table in tables)
        assert set(FOUND_BY.get(name, {})) <= set(tables)


@pytest.mark.parametrize("name", FOUND_BY)
def test_each_number_of_a_chart_is_a_cell(name: str, out: Path, charts: dict[str, dict[str, Any]]) -> None:
    tables = {table: shown_cells.cells(out, table) for table in FOUND_BY[name]}
    looked_up = 0
    for datum in data_of(charts[name]):
        for table, key in FOUND_BY[name].items():
            row = row_of(datum, tables[table], key)
            if row is None:
                continue
            renamed = OTHER_NAMES.get((name, table), {}) if "callback_share" in datum else {}
            for label, value in datum.items():
                looked_up += is_the_cell(row, renamed.get(label, label), value)
            break
        else:
            assert set(datum) <= {*DERIVED, "window"} or name == "budget", datum  # the plan's point, looked up below
    assert looked_up > 3


def row_of(datum: Datum, table: Cells, key: Key) -> dict[str, str] | None:
    try:
        return table.get(key(datum))
    except KeyError:
        return None


def is_the_cell(row: Mapping[str, str], label: str, value: Any) -> bool:
    """Whether a field was looked up; it fails where the cell holds another number."""
    if label in DERIVED or isinstance(value, str):
        return False
    if label in CELSIUS:
        assert value == pytest.approx(TO_US["degC"](float(row[CELSIUS[label]])), abs=0.051)
        return True
    cell = row[label]
    if value is None:
        assert cell == ""
    elif isinstance(value, bool):
        assert cell == str(value).lower()
    else:
        assert float(cell) == float(value), label
    return True


def test_the_forecast_and_past_winters_are_cells(out: Path, charts: dict[str, dict[str, Any]]) -> None:
    fleet = shown_cells.cells(out, "forecast")[("fleet", None, None)]
    past = shown_cells.cells(out, "backtest")
    data = list(data_of(charts["forecast"]))
    assert len(data) == 1 + len(past)
    for datum in data:
        row = fleet if datum["kind"] == "expected" else past[(datum["winter"].removesuffix(", came"),)]
        expected = row["expected_cold_calls" if datum["kind"] == "expected" else "expected"]
        ends = (float(row["lower_90"]), float(row["upper_90"]))
        assert (datum["expected"], datum["lower"], datum["upper"]) == (float(expected), *ends)
        assert datum["calls"] == float(expected if datum["kind"] == "expected" else row["came"])


def test_the_plan_on_the_budget_curve_is_the_summary(out: Path, charts: dict[str, dict[str, Any]]) -> None:
    told = {fact: row["value"] for (fact,), row in shown_cells.cells(out, "plan_summary").items()}
    (point,) = [datum for datum in data_of(charts["budget"]) if "gap" not in datum]
    for name in ("units", "cost", "crew_h", "avoided_calls_per_winter"):
        assert point[name] == float(told[name])


def test_the_counts_that_rates_are_added_up_from_are_cells(out: Path, charts: dict[str, dict[str, Any]]) -> None:
    """Lists over windows, in the order that the control names them."""
    cells = shown_cells.cells(out, "recall_cells")
    window = next(one for one in charts["rates"]["params"] if one["name"] == "window")
    places = [label.split(" ", 1) for label in window["bind"]["labels"]]
    clocks = {"days": "days", "cold h": "cold hours"}
    left = len(cells)
    (rows,) = (data["values"] for data in inline_data(charts["rates"]))
    for one in rows:
        for at, (length, clock) in enumerate(places):
            row = cells.get((clocks[clock], repr(float(length)), one["dimension"], one["value"], one["symptom"]))
            calls, censored, back = (int(row[name]) if row else 0 for name in ("calls", "censored", "callbacks"))
            assert (one["n"][at], one["w"][at], one["b"][at]) == (calls, calls - censored, back)
            left -= row is not None
    assert left == 0


def inline_data(spec: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Data written into the parts of a chart, each once."""
    if "data" in spec and "values" in spec["data"]:
        return [spec["data"]]
    return [{"values": rows} for rows in spec.get("datasets", {}).values()]
