"""The work list: whom it sends where, what it asks, that nothing in it runs, and that it loads back when filled in."""

import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from plan_frames import plan_inputs
from report_frames import HOSTILE

from lowambient import pipeline, reference
from lowambient.plan.retrofit import retrofit_plan
from lowambient.plan.work_list import PLANNED, RANDOM
from lowambient.report.tables import as_written
from lowambient.report.work_list import PROFILE_PART, write_work_list
from lowambient.store import Store


@pytest.fixture(scope="module")
def tables():
    return retrofit_plan(plan_inputs(units=120, sites=30, seed=11, budget=6000.0, crew_h=50.0))


def heads(sheet) -> dict[str, int]:
    return {cell.value: cell.column for cell in sheet[1]}


def test_chosen_units_come_site_by_site_and_a_few_others_are_drawn(tables):
    work = tables["work_list"]
    chosen = tables["plan"].filter("selected")
    planned, drawn = work.filter(pl.col("why") == PLANNED), work.filter(pl.col("why") == RANDOM)
    assert set(planned["unit_id"]) == set(chosen["unit_id"])
    assert drawn.height == 5
    assert not set(drawn["unit_id"]) & set(chosen["unit_id"])
    sites = planned["site_id"].to_list()
    assert [site for place, site in enumerate(sites) if place == 0 or sites[place - 1] != site] == list(
        dict.fromkeys(sites)
    )
    assert planned["crew_h"].sum() == pytest.approx(chosen["crew_h"].sum())
    assert work["first_check"].null_count() == 0


def test_the_flag_asked_about_is_what_the_work_answers(tables):
    for row in tables["work_list"].iter_rows(named=True):
        if row["package"] == "control reconnected or replaced":
            assert row["flag"] == "head control out"
        if row["package"] == "fan-cycling control":
            assert row["flag"] in ("head control out", "no head control")
    assert tables["work_list"]["bring"].null_count() == 0


def test_the_draw_is_the_same_every_time_and_can_be_switched_off():
    given = plan_inputs(units=40, sites=10, seed=3)
    one, other = (retrofit_plan(given)["work_list"] for _ in range(2))
    assert one.equals(other)
    none = retrofit_plan(replace(given, thresholds={**given.thresholds, "random_checks": 0}))["work_list"]
    assert RANDOM not in none["why"].to_list()


def test_the_workbook_offers_only_words_that_load(tables, tmp_path):
    path = write_work_list(as_written("work_list", tables["work_list"]), tmp_path / "work_list.xlsx")
    book = openpyxl.load_workbook(path)
    sheet, lists = book["Work"], book["Lists"]
    columns = heads(sheet)
    asked = {}
    for validation in sheet.data_validations.dataValidation:
        first = next(iter(validation.sqref.ranges))
        asked[first.min_col] = (validation.type, validation.formula1, first.min_row, first.max_row)
    for head, vocabulary in (("Flag", "flag"), ("Verdict", "verdict")):
        kind, source, first, last = asked[columns[head]]
        assert (kind, first) == ("list", 2)
        assert last >= tables["work_list"].height + 100
        cells = lists[source.removeprefix("=").split("!")[1].replace("$", "")]
        assert tuple(cell.value for (cell,) in cells) == reference.vocabulary(vocabulary)
    assert asked[columns["Checked at"]][0] == "date"
    assert (
        write_work_list(as_written("work_list", tables["work_list"]), tmp_path / "again.xlsx").read_bytes()
        == path.read_bytes()
    )


def test_hostile_text_is_text_and_never_a_formula(tables, tmp_path):
    texts = [*HOSTILE.values(), "=1+1", "+1", "-1", "@SUM(1)", "\t=1", "=cmd|' /C calc'!A0", "http://example.org"]
    work = tables["work_list"].head(len(texts))
    texts = texts[: work.height]
    hostile = work.with_columns(
        pl.Series("unit_id", [f"{text}{place}" for place, text in enumerate(texts)]),
        *(pl.Series(name, texts) for name in ("site_name", "description", "package", "make_sure_of", "after_check")),
    )
    path = write_work_list(hostile, tmp_path / "work_list.xlsx")
    sheet = openpyxl.load_workbook(path)["Work"]
    assert {cell.data_type for row in sheet.iter_rows(min_row=2) for cell in row} <= {"s", "n"}
    with zipfile.ZipFile(path) as inside:
        work_sheet = inside.read("xl/worksheets/sheet1.xml").decode()
        assert "<f>" not in work_sheet
        assert "<hyperlink" not in work_sheet


PROFILE = """
[fleet]
name = "Larkspur Climate Services"
[[source]]
table = "sites"
files = "sites.csv"
[source.columns]
site_id = "site"
time_zone = "zone"
[[source]]
table = "units"
files = "units.csv"
[source.columns]
unit_id = "unit"
site_id = "site"
"""


def filled_in(path: Path) -> list[tuple[str, str, str]]:
    """Fills in three lines of the workbook and a further finding below the list; what was written."""
    book = openpyxl.load_workbook(path)
    sheet = book["Work"]
    columns = heads(sheet)
    written = []
    for line, verdict in ((2, "confirmed"), (3, "not found"), (4, "other cause")):
        sheet.cell(line, columns["Verdict"], verdict)
        sheet.cell(line, columns["Checked at"], datetime(2024, 11, line, 14, 30)).number_format = "yyyy-mm-dd hh:mm"
        sheet.cell(line, columns["Note"], "=looks like a formula" if line == 3 else "seen").data_type = "s"
        written.append((sheet.cell(line, columns["Unit"]).value, sheet.cell(line, columns["Flag"]).value, verdict))
    below = sheet.max_row + 1
    for head, value in (
        ("Unit", written[0][0]),
        ("Circuit", "2"),
        ("Flag", "low charge"),
        ("Verdict", "confirmed"),
        ("Checked at", datetime(2024, 11, 2, 15, 0)),
    ):
        sheet.cell(below, columns[head], value)
    written.append((written[0][0], "low charge", "confirmed"))
    book.save(path)
    return written


def test_a_filled_in_list_loads_back_as_checks(tables, tmp_path):
    given = plan_inputs(units=120, sites=30, seed=11)
    given.sites.select(pl.col("site_id").alias("site"), pl.col("time_zone").alias("zone")).write_csv(
        tmp_path / "sites.csv"
    )
    given.units.select(pl.col("unit_id").alias("unit"), pl.col("site_id").alias("site")).write_csv(
        tmp_path / "units.csv"
    )
    path = write_work_list(as_written("work_list", tables["work_list"]), tmp_path / "work_list.xlsx")
    written = filled_in(path)
    (tmp_path / "fleet.toml").write_text(PROFILE + PROFILE_PART, encoding="utf-8")
    pipeline.load(tmp_path / "fleet.toml")
    with Store(tmp_path / "fleet.duckdb", read_only=True) as store:
        checks = store.query("select * from in_checks order by unit_id, flag, circuit")
        refused = store.query("select count(*) as n, min(reason) as reason from refused_records")
    found = list(checks.select("unit_id", "flag", "verdict").iter_rows())
    assert sorted(found) == sorted(written)
    # 14:30 in Chicago after the clocks went back is 20:30 UTC; on 2 November they had not yet
    at = dict(zip(checks["unit_id"], checks["checked_at"], strict=True))
    assert at[written[2][0]].replace(tzinfo=UTC) == datetime(2024, 11, 4, 20, 30, tzinfo=UTC)
    assert checks.filter(pl.col("circuit") == "2")["checked_at"].item().hour == 20
    assert "=looks like a formula" in checks["note"].to_list()
    # lines not filled in are told, not lost
    assert refused.row(0)[0] == tables["work_list"].height - 3
    assert "verdict" in refused.row(0)[1] or "checked_at" in refused.row(0)[1]
