"""Tables and pages read back as files: values, sources of every number, hostile text, empty fleets, sizes."""

import csv
import hashlib
import io
import json
import math
import re
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import altair
import dataframely as dy
import jinja2
import openpyxl
import polars as pl
import pytest
from report_frames import FACTS, HOSTILE, WINTERS, empty_frames, fleet_frames
from shown_cells import TO_US, Cells, Reader, assert_shown, cell_named, cells, read

from lowambient import reference
from lowambient.records import outputs
from lowambient.report import (
    RunFacts,
    intake_counts,
    pages,
    schemas,
    site_map,
    summaries,
    winter_charts,
    winter_page,
    write_pages,
    write_tables,
)
from lowambient.report.plan_counts import fit_reasons, plan_by_option
from lowambient.report.reading_units import ReadingUnits
from lowambient.report.tables import as_written, empty, write_table
from lowambient.report.unit_files import pages_of
from lowambient.report.work_list import write_work_list

PAGES = ("index.html", "winter.html", "revisit.html", "callbacks.html", "intake.html", "methods.html")
BYTES_OF_A_PAGE = 1_500_000


def written(frames: dict[str, pl.DataFrame], out: Path, facts: RunFacts = FACTS, units: str = "us") -> Path:
    write_tables(frames, out / "tables")
    write_work_list(frames.get("work_list", empty("work_list")), out / "work_list.xlsx")
    write_pages(frames, facts, out, units=units)
    return out


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(fleet_frames(), tmp_path_factory.mktemp("usual"))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet whose every free text is hostile, those of the run included."""
    texts = tuple(
        text for name, text in HOSTILE.items() if name != "control"
    )  # no profile can hold a control character
    facts = replace(
        FACTS,
        fleet=HOSTILE["closing"],
        versions={text: text for text in texts},
        last_winter=HOSTILE["image"],
        notes=texts,
        failed_audits=texts,
        costs=dict.fromkeys(texts, 1.0),
        currency=HOSTILE["script"],
    )
    out = tmp_path_factory.mktemp("hostile")
    return written(fleet_frames(names=tuple(HOSTILE.values())), out, facts, units="si")


# Tables


def test_csv_holds_the_types_that_the_contract_names(tmp_path: Path) -> None:
    frames = empty_frames()
    frames["calls"] = (
        frames["calls"]
        .clear()
        .vstack(
            pl.DataFrame(
                {
                    "call_id": ["b", "=1+1"],
                    "unit_id": ["-7", "@x"],
                    "opened_at": [datetime(2017, 1, 2, 3, 4, 5, tzinfo=UTC)] * 2,
                    "outdoor_c": [-0.04, 12.25],
                    "symptom": ["low-pressure trip", "other"],
                    "symptom_probability": [0.12345, None],
                    "is_unclear": [False, True],
                    "is_callback": [True, False],
                },
            )
            .with_columns(
                pl.lit(None, kind).alias(name)
                for name, kind in frames["calls"].schema.items()
                if name
                not in (
                    "call_id",
                    "unit_id",
                    "opened_at",
                    "outdoor_c",
                    "symptom",
                    "symptom_probability",
                    "is_unclear",
                    "is_callback",
                )
            )
            .select(frames["calls"].columns)
            .cast(frames["calls"].schema)
        )
    )
    write_tables(frames, tmp_path)
    lines = (tmp_path / "calls.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == ",".join(outputs.TABLES["calls"].column_names())
    assert lines[1] == "=1+1,@x,2017-01-02T03:04:05Z,12.2,,other,,true,,,false,,,,"
    assert lines[2] == "b,-7,2017-01-02T03:04:05Z,0.0,,low-pressure trip,0.123,false,,,true,,,,"


def test_parquet_and_csv_hold_the_same_rows(usual: Path) -> None:
    for path in (usual / "tables").glob("*.parquet"):
        parquet = pl.read_parquet(path)
        text = path.with_suffix(".csv").read_text(encoding="utf-8")
        plain = list(csv.reader(io.StringIO(text, newline="")))
        assert plain[0] == parquet.columns
        assert len(plain) - 1 == parquet.height
        for line, row in zip(plain[1:], parquet.iter_rows(), strict=True):
            for shown, value in zip(line, row, strict=True):
                if isinstance(value, float):
                    assert float(shown) == value
                elif isinstance(value, datetime):
                    assert datetime.fromisoformat(shown) == value
                else:
                    assert shown == (
                        "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
                    )


@pytest.mark.slow
def test_equal_content_gives_equal_bytes_in_any_order(tmp_path: Path) -> None:
    frames = fleet_frames(names=tuple(HOSTILE.values()))
    mixed = {name: frame.sample(fraction=1.0, shuffle=True, seed=3) for name, frame in frames.items()}
    first = written(frames, tmp_path / "first")
    second = written(mixed, tmp_path / "second")
    files = [path.relative_to(first) for path in first.rglob("*") if path.is_file()]
    assert len(files) > 60
    for file in files:
        assert (first / file).read_bytes() == (second / file).read_bytes(), file


def test_workbooks_carry_no_clock_time(usual: Path) -> None:
    for path in (usual / "tables").glob("*.xlsx"):
        with zipfile.ZipFile(path) as book:
            assert {entry.date_time[0] for entry in book.infolist()} == {1980}  # the format's own zero
            core = book.read("docProps/core.xml").decode()
            assert set(re.findall(r"\d{4}-\d\d-\d\dT[\d:]+Z", core)) == {"2000-01-01T00:00:00Z"}


def test_workbooks_hold_text_that_begins_like_a_formula_as_text(tmp_path: Path) -> None:
    texts = ["=1+1", "+1", "-1", "@SUM(A1)", '=HYPERLINK("http://example.org")', "http://example.org", "007"]
    frame = pl.DataFrame({"source": texts, "written": texts, "rows": [1] * len(texts), "nearest": texts})
    written_rows = as_written("unmatched", frame)
    write_table("unmatched", written_rows, tmp_path)
    sheet = openpyxl.load_workbook(tmp_path / "unmatched.xlsx").active
    read = list(sheet.iter_rows(min_row=2))
    assert [row[0].value for row in read] == written_rows["source"].to_list()
    assert {cell.data_type for row in read for cell in (row[0], row[1], row[3])} == {"s"}
    assert all(cell.hyperlink is None for row in read for cell in row)
    assert [row[2].value for row in read] == [1] * len(texts)
    # The CSV stays faithful: other programs join by it.
    assert (
        pl.read_csv(tmp_path / "unmatched.csv", infer_schema=False)["source"].to_list()
        == written_rows["source"].to_list()
    )


def test_a_table_too_long_for_a_spreadsheet_has_no_stale_workbook(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = as_written("unmatched", fleet_frames()["unmatched"])
    write_table("unmatched", rows, tmp_path)
    monkeypatch.setattr("lowambient.report.tables.XLSX_ROWS", 1)
    assert [path.suffix for path in write_table("unmatched", rows, tmp_path)] == [".csv", ".parquet"]
    assert not (tmp_path / "unmatched.xlsx").exists()


def test_rows_are_rounded_ordered_and_checked() -> None:
    forecast = fleet_frames()["forecast"]
    rows = as_written("forecast", forecast.reverse())
    assert rows["expected_cold_calls"].to_list() == [round(value, 3) for value in rows["expected_cold_calls"]]
    assert rows.select("level", "unit_id", "site_id").rows() == sorted(
        rows.select("level", "unit_id", "site_id").rows(), key=lambda key: tuple(part or "" for part in key)
    )
    with pytest.raises(ValueError, match="forecast repeats a key of level, unit_id, site_id"):
        as_written("forecast", pl.concat([forecast, forecast.tail(1)]))
    with pytest.raises(dy.exc.ValidationError):
        as_written("forecast", forecast.with_columns(expected_cold_calls=pl.lit(-1.0)))
    with pytest.raises(dy.exc.ValidationError):
        as_written("forecast", forecast.with_columns(level=pl.lit("county")))


def test_numbers_that_are_not_finite_are_missing() -> None:
    ranking = fleet_frames()["unit_ranking"]
    assert math.isinf(ranking["upper"][0])
    assert as_written("unit_ranking", ranking).filter(pl.col("unit_id") == ranking["unit_id"][0])[
        "upper"
    ].to_list() == [None]


# Units that people read


def test_reading_units_against_definitions() -> None:
    """Definitions of the units: NIST SP 811 (2008), appendix B; standard atmosphere: ISO 2533:1975."""
    us, si = ReadingUnits("us"), ReadingUnits("si")
    assert us.temperature(0) == pytest.approx(32)
    assert us.temperature(-40) == pytest.approx(-40)
    assert us.temperature(100) == pytest.approx(212)
    assert us.difference(5) == pytest.approx(9)
    assert us.pressure(101.325) == pytest.approx(0)
    assert us.pressure(2 * 101.325) == pytest.approx(14.6959, abs=1e-4)
    assert us.pressure(500, barometric_kpa=83.4) == pytest.approx((500 - 83.4) / 6.894757)
    assert us.distance(1.609344) == pytest.approx(1)
    assert (si.temperature(7.5), si.difference(3), si.pressure(500), si.distance(12)) == (7.5, 3, 500, 12)
    assert (us.temperature_unit, us.pressure_unit, si.temperature_unit) == ("°F", "psig", "°C")


@pytest.mark.parametrize(
    ("stated", "read"),
    [
        # the scales meet at -40; water freezes at 32 degF and boils at 212 degF; a kelvin is 1.8 Fahrenheit degrees
        ("about -40 °C.", "about −40 °F."),
        ("about −40 °C.", "about −40 °F."),
        ("about -0 °C;", "about 32 °F;"),
        ("at 100\N{NO-BREAK SPACE}°C", "at 212 °F"),
        ("about -18 °C", "about 0 °F"),
        ("about -30 °C", "about −22 °F"),
        ("(May 2018, 10.0 K).", "(May 2018, 18.0 °F)."),
        ("stands 5 K from it", "stands 9 °F from it"),
        # what is somebody's own, is no temperature, or cannot be told
        ("The note says: “room 30 °C, sc 5 K”; about 10 °C", "The note says: “room 30 °C, sc 5 K”; about 50 °F"),
        ("unit K-5 K9, 5 Kites, 20 °Celsius, R-410 K", "unit K-5 K9, 5 Kites, 20 °Celsius, R-410 K"),
        ("from -5 to 10 °C", "from -5 to 10 °C"),
        ("", ""),
        (None, None),
    ],
)
def test_temperatures_in_sentences_are_in_the_readers_units(stated: str | None, read: str | None) -> None:
    assert ReadingUnits("us").sentence(stated) == read
    assert ReadingUnits("si").sentence(stated) == stated


# Every number on a page


def quantity_of(named: dict[str, str], row: dict[str, str]) -> str:
    """The contract's unit of a cell, from the written table alone."""
    if named["data-table"] == "thresholds":
        return row["unit"]
    suffix = named["data-column"].rpartition("_")[2]
    return {"c": "degC", "km": "km"}.get(suffix, "-")


@pytest.fixture(scope="module", params=["us", "si"])
def in_units(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    frames = fleet_frames(names=tuple(HOSTILE.values()))
    return request.param, written(frames, tmp_path_factory.mktemp(request.param), units=request.param)


@pytest.mark.parametrize("page", PAGES)
def test_each_number_is_the_cell_it_names(page: str, in_units: tuple[str, Path]) -> None:
    units, out = in_units
    tables: dict[str, Cells] = {}
    found = read(out / page).cells
    least = {"index.html": 8, "winter.html": 500, "callbacks.html": 800, "intake.html": 300, "methods.html": 30}
    assert len(found) > least.get(page, -1)  # nothing is judged in these frames: `test_unit_pages` has some
    for named, text in found:
        table = tables.setdefault(named["data-table"], cells(out, named["data-table"]))
        cell, row = cell_named(named, table)
        convert = TO_US.get(quantity_of(named, row), float) if units == "us" else float
        assert_shown(text, cell, named, convert, "UTC")


@pytest.mark.parametrize("page", PAGES)
def test_digits_outside_cells_are_fixed_text(page: str, usual: Path) -> None:
    """A digit that is neither cell nor text of an export stands word for word in a template or description."""
    fixed = " ".join(path.read_text(encoding="utf-8") for path in pages.template_folder().glob("*.html"))
    fixed += " ".join(
        f"{name} {column.description} {schema.__doc__}"
        for schema in schemas.ALL.values()
        for name, column in schema.columns().items()
    )
    allowed = set(re.findall(r"[\w.,-]*\d[\w.,-]*", fixed)) | set(reference.vocabulary("target"))
    for text in read(usual / page).plain:
        for word in re.findall(r"[\w.,-]*\d[\w.,-]*", text):
            assert word in allowed, text


# Summaries against slow twins


def test_summary_counts_against_plain_loops() -> None:
    frames = {name: as_written(name, frame) if name in schemas.ALL else frame for name, frame in fleet_frames().items()}
    winters = as_written("winters", summaries.cold_hours_by_winter(frames["cold_hours"], FACTS))
    facts = {row["fact"]: row["value"] for row in summaries.summary(frames, winters, FACTS).iter_rows(named=True)}
    units = frames["unit_ranking"].to_dicts()
    expected = sorted((unit["expected_cold_calls"] for unit in units), reverse=True)
    half = next(count for count in range(len(expected) + 1) if sum(expected[:count]) >= sum(expected) / 2)
    assert facts["units_with_half"] == half
    assert facts["units_with_episodes"] == sum(unit["episodes"] > 0 for unit in units)
    rate = 1000 * sum(unit["episodes"] for unit in units) / sum(unit["cold_hours"] for unit in units)
    assert facts["fleet_rate_per_1000_h"] == pytest.approx(rate)
    assert facts["units_above_fleet"] == sum(unit["shrunk_lower_90"] > rate for unit in units)
    assert facts["low_pressure_calls"] == (frames["calls"]["symptom"] == "low-pressure trip").sum()
    assert facts["units_without_readings"] == sum(unit["readings"] == 0 for unit in frames["coverage"].to_dicts())
    assert facts["rows_read"] == sum(load["rows_read"] for load in frames["loads"].to_dicts())
    assert facts["files_not_adding_up"] == 0


def test_the_plan_is_counted_as_by_plain_loops() -> None:
    frames = fleet_frames()
    chosen: dict[str, list[dict[str, float]]] = {}
    for row in frames["plan"].to_dicts():
        if row["selected"]:
            chosen.setdefault(row["option"], []).append(row)
    counted = {row["option"]: row for row in plan_by_option(frames["plan"]).to_dicts()}
    assert set(counted) == set(chosen)
    for option, rows in chosen.items():
        assert counted[option]["units"] == len(rows)
        for name in ("cost", "crew_h", "avoided_cost_contractor", "avoided_cost_customer"):
            assert counted[option][name] == pytest.approx(sum(row[name] for row in rows))
        avoided = sum(row["avoided_calls_per_winter"] for row in rows)
        assert counted[option]["cost_per_call"] == pytest.approx(sum(row["cost"] for row in rows) / avoided)


def test_reasons_that_differ_in_measured_numbers_are_counted_together() -> None:
    """One unit that two packages do not fit is one unit; numbers that are part of a name stay."""
    rows = [
        ("A", "x", False, "It holds to -45 °F (2.5 °C), and 73 % lie below."),
        ("A", "y", False, "It holds to 35 °F (2 °C), and 8 % lie below."),
        ("B", "x", False, "It holds to 35 °F (2 °C), and 8 % lie below."),
        ("B", "y", False, "R-454B is flammable."),
        ("C", "x", True, "made sure of first"),
        ("C", "y", False, None),
    ]
    found = fit_reasons(pl.DataFrame(rows, schema=("unit_id", "option", "fits", "reason"), orient="row"))
    assert found.select("reason", "units", "packages", "pairs").rows() == [
        ("It holds to … °F (… °C), and … % lie below.", 2, 2, 3),
        ("R-454B is flammable.", 1, 1, 1),
        ("not told", 1, 1, 1),
    ]


def test_the_start_page_and_summary_tell_of_the_plan(usual: Path) -> None:
    facts = {fact: float(row["value"] or "nan") for (fact,), row in cells(usual, "summary").items()}
    frames = fleet_frames()
    chosen = [row for row in frames["plan"].to_dicts() if row["selected"]]
    assert facts["units_planned"] == len(chosen) == 15
    assert facts["units_likely_to_pay_back"] == sum(row["probability_pays_back"] >= 0.5 for row in chosen)
    assert (facts["units_fit_judged"], facts["units_without_package"]) == (60, 45)
    assert (facts["backtest_winters"], facts["backtest_inside"]) == (3, 2)  # 61 came where 45 was the upper end
    named = {(cell["data-table"], cell["data-column"]) for cell, _ in read(usual / "index.html").cells}
    assert ("plan_summary", "value") in named


@pytest.mark.slow
def test_pages_say_what_the_plan_lacks(tmp_path: Path) -> None:
    frames = fleet_frames()
    told = page_text(written(frames, tmp_path / "whole") / "winter.html")
    assert "The profile sets" not in told
    assert "The profile states no costs" not in told
    assert "% better, and no more" in told
    frames["plan_summary"] = frames["plan_summary"].filter(~pl.col("fact").is_in(["budget", "crew_h_limit"]))
    frames["plan_assumptions"] = frames["plan_assumptions"].filter(pl.col("standing") != "profile")
    frames["budget_curve"] = frames["budget_curve"].with_columns(is_given=pl.lit(value=False))
    told = page_text(written(frames, tmp_path / "free") / "winter.html")
    assert "The profile sets neither a budget nor crew hours" in told
    assert "The profile states no costs" in told
    frames["plan"] = frames["plan"].with_columns(selected=pl.lit(value=False))
    told = page_text(written(frames, tmp_path / "nothing chosen") / "winter.html")
    assert "none is worth its money within the limits" in told
    frames["plan"] = frames["plan"].clear()
    told = page_text(written(frames, tmp_path / "no plan") / "winter.html")
    assert "There is no plan" in told


def test_winters_compare_the_same_units() -> None:
    cold = fleet_frames()["cold_hours"]
    table = summaries.cold_hours_by_winter(cold, FACTS).sort("winter")
    rows = cold.to_dicts()
    whole = {
        unit
        for unit in {row["unit_id"] for row in rows}
        if all(row["service_hours"] - row["gap_hours"] >= 0.95 * 8760 for row in rows if row["unit_id"] == unit)
    }
    assert 0 < len(whole) < 60
    for winter, row in zip(WINTERS, table.to_dicts(), strict=True):
        hours = [one["cold_hours"] for one in rows if one["winter"] == winter and one["unit_id"] in whole]
        assert (row["winter"], row["whole"], row["units"]) == (winter, True, len(whole))
        assert row["cold_hours_mean"] == pytest.approx(sum(hours) / len(hours))


def test_a_winter_that_the_data_only_touch_is_not_compared() -> None:
    names = ("unit_id", "winter", "service_hours", "demand_hours", "cold_hours", "reset_cold_hours", "gap_hours")
    rows = [
        ("a", "2015/16", 1000.0, 0.0, 900.0, None, 0.0),
        ("a", "2016/17", 8760.0, 0.0, 500.0, 100.0, 0.0),
        ("a", "2017/18", 7200.0, 0.0, 400.0, 100.0, 0.0),
    ]
    cold = as_written("cold_hours", pl.DataFrame(rows, schema=names, orient="row"))
    facts = RunFacts(fleet="x", last_winter="2017/18")  # ten months of twelve are enough for the last one
    winters = summaries.cold_hours_by_winter(cold, facts).sort("winter")
    assert winters["whole"].to_list() == [False, True, True]
    assert winters["cold_hours_mean"].to_list() == [900.0, 500.0, 400.0]
    numbers = {name: value for name, (value, _) in summaries._winter_facts(winters, "2017/18").items()}
    assert numbers["last_winter_milder_percent"] == pytest.approx(20)
    assert numbers["last_winter_colder_percent"] == 0


def test_reasons_that_differ_in_values_only_are_counted_together() -> None:
    reasons = [
        "unit 'CRAC 014' is not on the unit list (nearest: CRAC-001)",
        'opened_at: "13/32/2014" is no date',
        "unit 'x (y)' is not on the unit list (nearest: RTU-003)",
        "'only'",
        "(bracket)",
        "9 cells where the header has 13",
    ]
    quarantine = pl.DataFrame(
        {
            "source": [f"{at}.csv" for at in range(6)],
            "line": range(1, 7),
            "target": ["calls"] * 6,
            "reason": reasons,
            "row": list("abcdef"),
        }
    )
    kinds = {
        row["kind"]: row for row in as_written("refusal_reasons", intake_counts.refusal_reasons(quarantine)).to_dicts()
    }
    assert {kind: row["rows"] for kind, row in kinds.items()} == {
        "unit … is not on the unit list": 2,
        "opened_at: … is no date": 1,
        "…": 1,
        "(bracket)": 1,
        "9 cells where the header has 13": 1,
    }
    unit = kinds["unit … is not on the unit list"]
    assert (unit["files"], unit["example_reason"], unit["example_line"], unit["example_row"]) == (2, reasons[0], 1, "a")


def test_an_unmatched_id_is_one_line_over_all_files() -> None:
    rows = [("a.csv", "RTU9", 14, "RTU-9"), ("b.csv", "RTU9", 2, "RTU-9"), ("b.csv", "rtu9", 1, None)]
    unmatched = pl.DataFrame(rows, schema=("source", "written", "rows", "nearest"), orient="row")
    assert as_written("unmatched_ids", intake_counts.unmatched_ids(unmatched)).rows() == [
        ("RTU9", 16, 2, "RTU-9", "a.csv"),
        ("rtu9", 1, 1, None, "b.csv"),
    ]


# What pages say when there is little to say


def page_text(page: Path) -> str:
    reader = Reader(re.sub(r"</?(data|bdi)\b[^>]*>", "", page.read_text(encoding="utf-8")))
    return re.sub(r"\s+", " ", " ".join(reader.plain)).replace("\xa0", " ")


def test_pages_of_an_empty_run_say_so(tmp_path: Path) -> None:
    out = written(empty_frames(), tmp_path, RunFacts(fleet="Nobody"))
    assert "No service calls were read" in page_text(out / "index.html")
    assert "No unit could be ranked" in page_text(out / "winter.html")
    assert "No file was read" in page_text(out / "intake.html")
    assert "No service call was watched" in page_text(out / "callbacks.html")
    for page in ("winter.html", "callbacks.html"):
        assert not [tag for tag, _ in read(out / page).tags if tag == "figure"]


@pytest.mark.slow
@pytest.mark.parametrize("start", range(13))
def test_any_frames_may_be_empty(start: int, tmp_path: Path) -> None:
    """Three at a time, so that each is empty once beside others that are not."""
    frames = fleet_frames(units=12, sites=3)
    for missing in sorted(empty_frames())[start::13]:
        frames[missing] = frames[missing].clear()
    write_pages(frames, FACTS, tmp_path, units="us")
    for page in PAGES:
        assert "Caution" in page_text(tmp_path / page)


def test_frames_may_be_missing(tmp_path: Path) -> None:
    out = written({}, tmp_path, RunFacts(fleet="Nobody"))
    assert "No file was read" in page_text(out / "intake.html")


def test_a_fleet_without_low_pressure_calls_is_told_so(tmp_path: Path) -> None:
    frames = fleet_frames()
    none = pl.lit(0)
    frames["unit_ranking"] = frames["unit_ranking"].with_columns(episodes=none, calls=none, calls_last_winter=none)
    frames["exposure"] = frames["exposure"].with_columns(
        episodes=none, calls=none, rate_per_1000_h=pl.lit(0.0), lower=pl.lit(0.0)
    )
    frames["calls"] = frames["calls"].filter(pl.col("symptom") != "low-pressure trip")
    out = written(frames, tmp_path)
    text = page_text(out / "winter.html")
    assert "None of the 60 units had a low-pressure call" in text
    assert "the calls do not name them" in text
    assert "No low-pressure episode falls in any band" in text
    assert "is worded as a low-pressure call" in page_text(out / "index.html")


def test_records_that_do_not_add_up_are_called_a_fault(tmp_path: Path) -> None:
    frames = fleet_frames()
    frames["loads"] = frames["loads"].with_columns(
        loaded=pl.when(pl.col("target") == "units").then(pl.col("loaded") - 1).otherwise("loaded")
    )
    text = page_text(written(frames, tmp_path) / "intake.html")
    assert "In 1 of the files below" in text
    assert "fault of the program" in text
    assert "≠" in text


def test_failed_audits_and_cautions_stand_on_every_page(tmp_path: Path) -> None:
    facts = RunFacts(fleet="Larkspur", failed_audits=("episodes without a call: 3",))
    out = written(fleet_frames(), tmp_path, facts)
    for page in PAGES:
        text = page_text(out / page)
        assert "Some checks of these results failed" in text
        assert "episodes without a call: 3" in text
        for words in (
            "licensed people",
            "lock out and tag out",
            "Never bypass a safety switch",
            "flammable",
            "maker's data",
        ):
            assert words in text
    methods = page_text(out / "methods.html")
    for words in ("vent", "certification", "A2L and A3", "lower a low-pressure setting", "Judge a person"):
        assert words in methods


def test_methods_show_the_threshold_used_and_its_source(usual: Path) -> None:
    text = page_text(usual / "methods.html")
    for threshold in reference.thresholds().values():
        assert threshold.name in text
        assert threshold.source in text
    assert "within 10 d" in text  # changed in the run's facts
    assert "(changed)" in text
    for table in schemas.ALL:
        assert table in text


# Hostile text


@pytest.mark.parametrize("page", PAGES)
def test_hostile_text_is_text(page: str, hostile: Path, usual: Path) -> None:
    source = (hostile / page).read_text(encoding="utf-8")
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f]", source)
    reader = Reader(source)
    scripts = [named for tag, named in reader.tags if tag == "script"]
    assert scripts
    assert all(
        named.get("src", "").startswith("assets/") or named.get("type") == "application/json" for named in scripts
    )
    kinds = {(tag, name) for tag, named in reader.tags for name in named}
    assert kinds <= {(tag, name) for tag, named in read(usual / page).tags for name in named}
    assert not [tag for tag, _ in reader.tags if tag == "img"]


def test_hostile_text_reaches_the_page_unchanged(hostile: Path) -> None:
    foreign = set(read(hostile / "intake.html").foreign)
    for name, text in HOSTILE.items():
        shown = text.replace("\x07", "\u2407").replace("\x00", "\u2400")
        assert shown in foreign, name


def test_chart_data_cannot_close_its_script(hostile: Path) -> None:
    source = (hostile / "winter.html").read_text(encoding="utf-8")
    blocks = re.findall(r'<script type="application/json" id="(\w+)-spec">(.*?)</script>', source, re.DOTALL)
    assert [name for name, _ in blocks] == ["forecast", "map", "winters", "budget", "rate"]
    for _, block in blocks:
        assert not re.search("[<>&\u2028\u2029]", block)
    names = json.dumps(json.loads(dict(blocks)["map"])["datasets"], ensure_ascii=False)
    assert HOSTILE["closing"] in names
    assert HOSTILE["lines"] in names


# Charts, templates, assets, sizes


def test_charts_of_callbacks_cannot_close_their_scripts_either(hostile: Path) -> None:
    source = (hostile / "callbacks.html").read_text(encoding="utf-8")
    blocks = re.findall(r'<script type="application/json" id="(\w+)-spec">(.*?)</script>', source, re.DOTALL)
    assert len(blocks) == 10
    for _, block in blocks:
        assert not re.search("[<>&\u2028\u2029]", block)
    people = {row["value"] for row in json.loads(dict(blocks)["rates"])["datasets"].popitem()[1]}
    assert HOSTILE["closing"] in people
    assert HOSTILE["expression"] in people


def test_weather_bands_are_named_in_the_readers_units(usual: Path, hostile: Path) -> None:
    """The table names bands in whole °F and holds their edges; 35 and 40 °F are 5/3 and 40/9 °C."""
    rates = pl.read_parquet(usual / "tables" / "callback_rates.parquet")
    named = rates.filter(dimension="weather band", value="35 to 40 °F").select("lower_c", "upper_c").unique()
    assert named.row(0) == pytest.approx((5 / 3, 40 / 9), abs=1e-3)
    assert named.height == 1
    without = (pl.col("dimension") != "weather band") | (pl.col("value") == "no weather")
    assert rates.filter(without)["lower_c"].null_count() == rates.filter(without)["upper_c"].null_count()
    assert rates.filter(~without)["lower_c"].null_count() == 0
    assert rates.filter(without).height == rates.filter(without)["lower_c"].null_count()
    assert "35 to 40 °F" in read(usual / "callbacks.html").foreign
    assert "1.7 to 4.4 °C" in read(hostile / "callbacks.html").foreign
    assert "°F" not in " ".join(read(hostile / "callbacks.html").plain)


def test_technicians_stand_in_order_of_name_with_their_intervals(usual: Path) -> None:
    source = (usual / "callbacks.html").read_text(encoding="utf-8")
    shown = re.findall(r'data-key=\'\["days", "technician", "([^"]+)"\]\' data-column="(\w+)"', source)
    names = list(dict.fromkeys(name for name, _ in shown))
    assert names == sorted(names)
    assert len(names) > 5
    for name in names:
        columns = {column for at, column in shown if at == name}
        assert ("rate" in columns) == ({"lower", "upper"} <= columns)


def test_charts_hold_the_rows_of_their_tables(usual: Path) -> None:
    source = (usual / "winter.html").read_text(encoding="utf-8")
    specs = {
        name: json.loads(block) for name, block in re.findall(r'id="(\w+)-spec">(.*?)</script>', source, re.DOTALL)
    }
    data = {name: [row for rows in spec["datasets"].values() for row in rows] for name, spec in specs.items()}
    exposure = [row for row in cells(usual, "exposure").values() if float(row["unit_hours"]) > 0]
    assert len(data["rate"]) == len(exposure)
    for row in data["rate"]:
        cell = cells(usual, "exposure")[(row["measure"], repr(row["lower_c"]))]
        assert row["rate_per_1000_h"] == float(cell["rate_per_1000_h"])
        assert row["from"] == pytest.approx(float(cell["lower_c"]) * 9 / 5 + 32, abs=0.06)
    assert len(data["winters"]) == len(cells(usual, "winters"))
    placed = [site for site in fleet_frames()["sites"].to_dicts() if site["latitude"] is not None]
    assert len(data["map"]) == len(placed)
    fleet = cells(usual, "forecast")[("fleet", None, None)]
    past = sorted(cells(usual, "backtest").values(), key=lambda row: row["winter"], reverse=True)
    assert [row["calls"] for row in data["forecast"]] == [
        float(fleet["expected_cold_calls"]),
        *(float(row["came"]) for row in past),
    ]
    assert [row["lower"] for row in data["forecast"][1:]] == [float(row["lower_90"]) for row in past]
    curve = [(row["budget"], row["avoided_calls_per_winter"]) for row in data["budget"]]
    told = {fact: row["value"] for (fact,), row in cells(usual, "plan_summary").items()}
    assert curve == [
        *((float(row["budget"]), float(row["avoided_calls_per_winter"])) for row in sorted_by_budget(usual)),
        (float(told["budget"]), float(told["avoided_calls_per_winter"])),
    ]
    for spec in specs.values():
        assert spec["usermeta"]["gutter_px"] >= 0


def sorted_by_budget(out: Path) -> list[dict[str, str]]:
    return sorted(cells(out, "budget_curve").values(), key=lambda row: float(row["budget"]))


def test_without_past_winters_last_winters_count_stands_in_the_chart() -> None:
    frames = fleet_frames()
    chart = winter_charts.fleet_forecast(frames["forecast"], frames["backtest"].clear())
    assert chart is not None
    (rows,) = chart["datasets"].values()
    last = int(frames["unit_ranking"]["calls_last_winter"].sum())
    assert [(row["winter"], row["lower"] is None) for row in rows] == [
        ("next, expected", False),
        ("last, counted", True),
    ]
    assert rows[1]["calls"] == last


@pytest.mark.parametrize(
    ("values", "breaks"),
    [
        ([], [1.0]),
        ([0.0, 0.0], [1.0]),
        ([0.3, 0.7], [0.1, 0.2, 0.5]),
        ([3.0, 12.0], [2.0, 5.0, 10.0]),
        ([1e-5], [1.0]),
    ],
)
def test_class_breaks_are_round_and_below_the_highest(values: list[float], breaks: list[float]) -> None:
    assert site_map.class_breaks(pl.Series(values, dtype=pl.Float64)) == pytest.approx(breaks)


def places(*towns: tuple[float, float, int]) -> pl.DataFrame:
    """`count` sites within some 15 km of each latitude and longitude."""
    rows = [
        (latitude + 0.1 * (at % 2), longitude + 0.02 * at)
        for latitude, longitude, count in towns
        for at in range(count)
    ]
    return pl.DataFrame(rows, schema=("latitude", "longitude"), orient="row")


@pytest.mark.parametrize(
    ("towns", "sizes"),
    [
        (((41.9, -87.9, 5), (41.3, -122.3, 9), (62.9, -141.9, 4)), [9, 5, 4]),
        (((41.9, -87.9, 5), (42.4, -88.4, 9)), [14]),  # one town
        (((41.9, -87.9, 1), (41.3, -122.3, 1), (62.9, -141.9, 1)), [3]),  # scattered sites
        (tuple((30.0 + 4 * at, -120.0 + 6 * at, 4) for at in range(8)), [32]),  # too many towns
        (((41.9, -87.9, 1),), [1]),
    ],
)
def test_towns_far_apart_get_maps_of_their_own(towns: tuple[tuple[float, float, int], ...], sizes: list[int]) -> None:
    assert [len(part) for part in site_map.regions(places(*towns))] == sizes


def test_templates_hold_no_arithmetic() -> None:
    environment = jinja2.Environment()
    for path in pages.template_folder().glob("*.html"):
        parsed = environment.parse(path.read_text(encoding="utf-8"))
        sums = [
            node
            for node in parsed.find_all(jinja2.nodes.BinExpr)
            if not isinstance(node, (jinja2.nodes.And, jinja2.nodes.Or))
        ]
        assert not sums, path.name


def test_vendored_files_are_as_published_and_licensed() -> None:
    assets = pages.template_folder() / "assets"
    listed = {one["file"]: one for one in pages.vendored()}
    assert set(listed) == {path.name for path in assets.iterdir() if path.suffix in (".js", ".json")} - {"pages.js"}
    for name, one in listed.items():
        assert hashlib.sha256((assets / name).read_bytes()).hexdigest() == one["sha256"]
        assert "opyright" in (assets / one["licence_text"]).read_text(encoding="utf-8")


def test_scripts_are_of_the_versions_that_altair_writes_for() -> None:
    versions = {one["package"]: one["version"] for one in pages.vendored()}
    assert altair.SCHEMA_VERSION.removeprefix("v").rsplit(".", 1)[0] == versions["vega-lite"].rsplit(".", 1)[0]
    assert versions["vega"].split(".")[0] == altair.VEGA_VERSION
    assert versions["vega-embed"].split(".")[0] == altair.VEGAEMBED_VERSION


def test_pages_ask_for_nothing_outside_their_folder(usual: Path) -> None:
    of_units = {f"units/{name}" for name in pages_of(fleet_frames()).values()}  # `write_unit_pages` writes those
    for page in PAGES:
        for tag, named in read(usual / page).tags:
            for name in ("href", "src"):
                if name in named:
                    assert not re.match(r"[a-z]+:|//", named[name]), (tag, named)
                    target = named[name].partition("#")[0]
                    assert not target or target in of_units or (usual / target).is_file(), named[name]


@pytest.mark.slow
def test_pages_of_a_large_fleet_stay_small(tmp_path: Path) -> None:
    frames = fleet_frames(units=20_000, sites=6_000)
    names = [f"A rather long name of a building, number {at}, second floor" for at in range(6_000)]
    frames["sites"] = frames["sites"].with_columns(name=pl.Series(names))
    for path in write_pages(frames, FACTS, tmp_path, units="us"):
        if path.suffix == ".html":
            assert path.stat().st_size <= BYTES_OF_A_PAGE, path.name
    source = (tmp_path / "winter.html").read_text(encoding="utf-8")
    assert source.count('data-column="rank"') == winter_page.ROWS_SHOWN + winter_page.WORK_SHOWN
    assert "the rest is in the download" in source
