"""Pages of units and of units to revisit, read back as files: names, values, sizes, hostile and missing rows."""

import html.parser
import json
import re
import time
from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import shown_cells
from hypothesis import given, settings
from hypothesis import strategies as st
from report_frames import FACTS, HOSTILE, empty_frames
from shown_cells import KPA_OF_PSI, TO_US, Cells, assert_shown, cell_named
from unit_frames import BEGIN, LOGGED, unit_page_frames

from lowambient import reference
from lowambient.refrigerant import saturation
from lowambient.report import write_mail, write_pages, write_tables, write_unit_page, write_unit_pages
from lowambient.report.figures import Figures, share_text
from lowambient.report.judged import speaking
from lowambient.report.mail import MOST_BYTES as MAILED_BYTES
from lowambient.report.pages import template_folder
from lowambient.report.reading_units import ReadingUnits
from lowambient.report.revisits import contradictions, look_alikes
from lowambient.report.tables import empty
from lowambient.report.unit_files import file_name, file_names
from lowambient.report.unit_page import MOST_BYTES, Press

AWKWARD = (
    "RTU 1/2",
    "..",
    ".",
    "CON",
    "nul",
    "rtu-1",
    "RTU-1",
    "RTU 1",
    "../../etc/passwd",
    "a" * 400,
    "Ünït 7",
    "\u202e",
    " ",
)


def written(frames: dict[str, pl.DataFrame], out: Path, units: str = "us") -> list[Path]:
    write_tables(frames, out / "tables")
    write_pages(frames, FACTS, out, units=units)
    return write_unit_pages(frames, FACTS, out, units=units)


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("usual")
    written(unit_page_frames(), out)
    return out


class Specs(html.parser.HTMLParser):
    """Chart specifications of a page by name, and the elements that it has."""

    def __init__(self) -> None:
        super().__init__()
        self.specs: dict[str, dict[str, Any]] = {}
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._name: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "script":
            self._name = dict(attrs).get("id")

    def handle_data(self, data: str) -> None:
        if self._name is not None:
            self.specs[self._name] = json.loads(data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "script":
            self._name = None


def read(page: Path | str) -> Specs:
    found = Specs()
    found.feed(page if isinstance(page, str) else page.read_text(encoding="utf-8"))
    return found


def unpacked(columns: dict[str, Any]) -> dict[str, list[Any]]:
    """Columns as the page's script reads them, written anew here."""
    read: dict[str, list[Any]] = {}
    for name, packed in columns.items():
        if isinstance(packed, list):
            read[name] = packed
        elif "runs" in packed:
            read[name] = [
                value for value, count in zip(packed["runs"], packed["lengths"], strict=True) for _ in range(count)
            ]
        elif "kinds" in packed:
            read[name] = [packed["kinds"][at] for at in packed["of"]]
        elif "minutes" in packed:
            read[name] = packed["minutes"]
        else:
            read[name] = [int(at) for at in np.cumsum(packed["steps"])]
    return read


# Names of files


def test_awkward_ids_give_names_that_neither_collide_nor_escape() -> None:
    names = file_names(AWKWARD)
    assert len(set(names.values())) == len(AWKWARD)
    for name in names.values():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*-[0-9a-f]{6}\.html", name), name
        assert len(name) < 60


@given(st.sets(st.text(max_size=30), max_size=30))
@settings(max_examples=100, deadline=None)
def test_any_ids_give_names_that_lie_in_the_folder(ids: set[str]) -> None:
    names = file_names(ids)
    assert len({name.casefold() for name in names.values()}) == len(ids)
    assert all(re.fullmatch(r"[a-z0-9-]+\.html", name) for name in names.values())


def test_ids_of_one_slug_and_digest_get_longer_names() -> None:
    """Two spellings with one slug whose digests share six digits, found by search."""
    seen: dict[str, str] = {}
    for number in range(1 << 16):
        unit_id = "a" + "".join(" -"[number >> bit & 1] for bit in range(16)) + "b"
        name = file_name(unit_id, 4)
        if name in seen:
            break
        seen[name] = unit_id
    pair = [seen[name], unit_id]
    assert file_name(pair[0], 4) == file_name(pair[1], 4)
    assert len(set(file_names(pair).values())) == 2


# Which units, and what their pages say


def test_raised_planned_and_logged_units_get_pages() -> None:
    frames = unit_page_frames()
    press = Press(frames, FACTS, "us")
    ids = frames["units"]["unit_id"].to_list()
    raised = {row["unit_id"] for row in frames["flags"].to_dicts() if row["raised"]}
    planned = {row["unit_id"] for row in frames["plan"].to_dicts() if row["selected"]}
    logged = {row["unit_id"] for row in frames["coverage"].to_dicts() if row["readings"]}
    assert press.with_pages() == [unit_id for unit_id in ids if unit_id in raised | planned | logged]
    assert len(press.with_pages()) < len(ids)
    frames["flags"] = frames["flags"].with_columns(raised=False)
    frames["plan"] = frames["plan"].with_columns(selected=False)
    assert set(Press(frames, FACTS, "us").with_pages()) == logged


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    pages = write_unit_pages(unit_page_frames(), FACTS, tmp_path, units="us", said=lambda *step: told.append(step))
    assert told == [(done, len(pages)) for done in range(1, len(pages) + 1)]


def test_charts_hold_the_rows_of_the_tables(usual: Path) -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][1]
    specs = read(usual / "units" / file_name(unit_id)).specs
    assert set(specs) == {
        "history-spec",
        "log-0-spec",
        "log-1-spec",
        "steady-0-spec",
        "steady-1-spec",
        "switches-spec",
        "minima-spec",
    }

    def of_unit(name: str) -> pl.DataFrame:
        return frames[name].filter(pl.col("unit_id") == unit_id)

    history = {name: unpacked(columns) for name, columns in specs["history-spec"]["usermeta"]["columns"].items()}
    calls = of_unit("calls")
    assert len(history["calls"]["at"]) == calls["outdoor_min_c"].drop_nulls().len()
    assert history["points"]["kind"].count("low-pressure call") == (calls["symptom"] == "low-pressure trip").sum()
    assert sum(kind.endswith("call") for kind in history["points"]["kind"]) == calls.height
    assert history["points"]["kind"].count("work") == of_unit("call_statements").height
    assert history["spans"]["kind"].count("flag") == of_unit("flags")["raised"].sum()
    assert history["spans"]["kind"].count("head") == of_unit("head_pressure").height
    assert history["spans"]["kind"].count("log") == 2  # nine days in a row on each circuit
    log = {name: unpacked(columns) for name, columns in specs["log-0-spec"]["usermeta"]["columns"].items()}
    whole = of_unit("shown_readings").filter(circuit="1", window_no=0)
    assert len(log["points0"]["at"]) == whole.height
    assert len(log["trips0"]["at"]) == of_unit("trips").filter(circuit="1").height
    assert len(log["lockouts0"]["from"]) == of_unit("lockouts").filter(circuit="1").height
    inside = of_unit("trips").filter(
        pl.col("circuit") == "1", pl.col("tripped_at").is_between(BEGIN + timedelta(days=3), BEGIN + timedelta(days=6))
    )
    assert len(log["trips1"]["at"]) == inside.height > 0
    steady = unpacked(specs["steady-1-spec"]["usermeta"]["columns"]["steady"])
    assert len(steady["outdoor"]) == of_unit("steady_points").filter(circuit="2").height
    assert set(steady["behaviour"]) == {"held", "follows ambient"}
    bins = unpacked(specs["minima-spec"]["usermeta"]["columns"]["bins"])
    assert sum(bins["trips"]) == of_unit("trips").height


@pytest.mark.parametrize("units", ["us", "si"])
def test_a_log_shows_saturation_temperatures_on_the_clock_of_the_site(units: str) -> None:
    """Suction against `saturation.dew_c`, head against `saturation.bubble_c`, which have tests of their own."""
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][0]
    log = read(Press(frames, FACTS, units).page(unit_id)).specs["log-0-spec"]["usermeta"]["columns"]
    points = pl.DataFrame(unpacked(log["points0"]), strict=False)
    rows = frames["shown_readings"].filter(unit_id=unit_id, window_no=0)
    for channel, line, at in (
        ("suction_kpa", "suction, dew point", saturation.dew_c),
        ("liquid_kpa", "head, saturated", saturation.bubble_c),
    ):
        kpa = rows.filter(channel=channel).sort("read_at")
        celsius = np.asarray(at("R-410A", kpa["value"].to_numpy()))
        expected = celsius * 1.8 + 32 if units == "us" else celsius
        shown = points.filter(line=line)
        assert np.abs(shown["value"].to_numpy() - expected).max() <= 0.05001
        local = kpa["read_at"].dt.convert_time_zone("America/Chicago").dt.replace_time_zone(None)
        assert shown["at"].to_list() == [int(ms) // 60_000 for ms in local.dt.timestamp("ms")]


def test_gauge_pressures_are_against_the_barometer_of_the_site() -> None:
    """ISO 2533:1975: 97.77 kPa at 300 m; 470 kPa absolute is 53.99 psig there, 53.47 psig at sea level."""
    frames = unit_page_frames()
    text = Press(frames, FACTS, "us").page(frames["units"]["unit_id"][0])
    cell = re.search(r'data-table="set_points"[^>]*"lp cut-out"[^>]*data-column="estimate_kpa">([^<]*)<', text)
    assert cell is not None
    assert cell[1] == "54"
    found = unpacked(read(text).specs["switches-spec"]["usermeta"]["columns"]["found"])
    at = found["switch"].index("lp cut-out")
    assert found["found"][at] == pytest.approx((470 - 97.77) / 6.894757, abs=0.06)
    frames["sites"] = frames["sites"].with_columns(elevation_m=pl.lit(None, pl.Float64))
    text = Press(frames, FACTS, "us").page(frames["units"]["unit_id"][0])
    assert "The site has no elevation" in text
    found = unpacked(read(text).specs["switches-spec"]["usermeta"]["columns"]["found"])
    assert found["found"][at] == pytest.approx((470 - 101.325) / 6.894757, abs=0.06)


def test_abbreviations_of_flags_are_in_capitals() -> None:
    frames = unit_page_frames()
    unit_id = frames["flags"].filter(pl.col("raised"))["unit_id"][0]
    one = frames["flags"].filter((pl.col("unit_id") == unit_id) & pl.col("raised")).head(1)
    frames["flags"] = one.with_columns(flag=pl.lit("lp switch jumpered"))
    frames["evidence"] = frames["evidence"].clear()
    text = Press(frames, FACTS, "us").page(unit_id)
    assert "<h3>LP switch jumpered" in text
    assert not re.search(r">[^<]*\b[Ll]p switch[^<]*<", text.split("<script")[0])


def test_doubts_are_said() -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][3]
    frames["units"] = frames["units"].with_columns(
        pl.when(pl.col("unit_id") == unit_id).then(None).otherwise(pl.col(name)).alias(name)
        for name in ("duty", "head_control", "refrigerant")
    )
    frames["unit_station"] = frames["unit_station"].filter(pl.col("unit_id") != unit_id)
    text = Press(frames, FACTS, "us").page(unit_id)
    for said in (
        "names no refrigerant",
        "when cooling can be wanted",
        "whether a head-pressure control",
        "start of service",
        "No weather station",
        "never logged",
        "usual one of its refrigerant",
    ):
        assert said in text, said


def test_without_a_saturation_table_pressures_are_shown_as_they_are() -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][0]
    frames["units"] = frames["units"].with_columns(refrigerant=pl.lit("R-999"))
    text = Press(frames, FACTS, "si").page(unit_id)
    assert "no saturation table" in text
    points = unpacked(read(text).specs["log-0-spec"]["usermeta"]["columns"]["points0"])
    rows = frames["shown_readings"].filter(unit_id=unit_id, window_no=0, channel="suction_kpa").sort("read_at")
    assert set(points["line"]) == {"suction pressure", "head pressure"}
    shown = [value for value, line in zip(points["value"], points["line"], strict=True) if line == "suction pressure"]
    assert shown == pytest.approx(rows["value"].to_list(), abs=0.051)


def test_a_flammable_refrigerant_is_named_so() -> None:
    """R-32 is A2L, R-410A is A1 (ASHRAE 34)."""
    frames = unit_page_frames()
    ids = frames["units"]["unit_id"]
    press = Press(frames, FACTS, "us")
    assert "is flammable" in press.page(ids[2])
    assert "is flammable" not in press.page(ids[0])


# Empty, missing, large, hostile


@pytest.mark.slow
@pytest.mark.parametrize("missing", ["one by one", "all"])
def test_pages_stand_without_tables(missing: str) -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][0]
    others = [name for name in frames if name != "units"]
    for lost in [[name] for name in others] if missing == "one by one" else [others]:
        left = {name: frame for name, frame in frames.items() if name not in lost}
        text = Press(left, FACTS, "us").page(unit_id)
        assert "What must not be done?" in text
        assert "None" not in re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)


def test_revisit_page_stands_without_judgement(tmp_path: Path) -> None:
    write_pages(empty_frames(), FACTS, tmp_path, units="us")
    text = (tmp_path / "revisit.html").read_text(encoding="utf-8")
    assert "There is no unit to revisit" in text
    assert "Nothing was judged yet" in text
    frames = empty_frames()
    frames.pop("units", None)
    assert write_unit_pages(frames, FACTS, tmp_path, units="us") == []


def test_no_page_is_larger_than_300_kb() -> None:
    """Four circuits, long notes full of what must be escaped, and many calls."""
    frames = unit_page_frames(notes=("<&\"'\U0001f976" * 400,))
    unit_id = frames["units"]["unit_id"][0]
    frames["plan"] = frames["plan"].with_columns(option=pl.lit("fan cycling control"))  # a name of the profile
    call = frames["calls"].filter(unit_id=unit_id).head(1)
    ids = [f"X{at}" for at in range(400)]
    many = pl.concat([call.with_columns(call_id=pl.lit(each), callback_of=None) for each in ids])
    note = frames["call_notes"].filter(unit_id=unit_id).head(1)
    frames["calls"] = pl.concat([frames["calls"], many.select(frames["calls"].columns).cast(frames["calls"].schema)])
    frames["call_notes"] = pl.concat([frames["call_notes"], *(note.with_columns(call_id=pl.lit(each)) for each in ids)])
    for name in ("log_days", "shown_windows", "shown_readings", "steady_points"):
        one = frames[name].filter(unit_id=unit_id)
        frames[name] = pl.concat([frames[name], *(one.with_columns(circuit=pl.lit(str(at))) for at in range(2, 5))])
    text = Press(frames, FACTS, "us").page(unit_id)
    assert len(text.encode()) <= MOST_BYTES
    assert "the rest is in the download" in text


def test_hostile_text_is_text(tmp_path: Path) -> None:
    frames = unit_page_frames(names=tuple(HOSTILE.values()), notes=tuple(HOSTILE.values()))
    pages = [*written(frames, tmp_path), tmp_path / "revisit.html"]
    ours = {"vega.min.js", "vega-lite.min.js", "vega-embed.min.js", "dataTables.min.js", "pages.js"}
    for page in pages:
        found = read(page)
        for tag, attributes in found.tags:
            assert tag not in ("img", "iframe", "object", "embed", "base", "form"), page.name
            assert not [name for name in attributes if name.startswith("on")], page.name
            if tag == "script" and attributes.get("type") != "application/json":
                assert (attributes["src"] or "").rsplit("/", 1)[-1] in ours
            if tag == "a":
                assert re.fullmatch(r"(\.\./)?[\w./#-]+", attributes["href"] or "")
        text = page.read_text(encoding="utf-8")
        assert not set(text) & {chr(code) for code in range(32) if code not in (9, 10)}


@pytest.mark.parametrize(("units", "air", "above"), [("us", "23 °F", "18.0 °F"), ("si", "-5 °C", "10.0 K")])
def test_sentences_are_in_the_readers_units(units: str, air: str, above: str, tmp_path: Path) -> None:
    """On the page of a unit and on the list; the table keeps the contract's units."""
    said = "Coldest hour of the day before about -5 °C; above the air (May 2018, 10.0 K)."
    frames = unit_page_frames() | {"plan": empty("plan")}
    for name in ("flags", "evidence"):
        frames[name] = frames[name].with_columns(sentence=pl.lit(said))
    written(frames, tmp_path, units)
    shown = f"Coldest hour of the day before about {air}; above the air (May 2018, {above})."
    raised = frames["flags"].filter("raised")
    page = tmp_path / "units" / file_name(raised["unit_id"][0])
    of_unit = frames["flags"].filter(pl.col("unit_id") == raised["unit_id"][0])
    assert page.read_text(encoding="utf-8").count(shown) > of_unit.height
    assert (tmp_path / "revisit.html").read_text(encoding="utf-8").count(shown) == raised.height
    assert set(pl.read_parquet(tmp_path / "tables" / "flags.parquet")["sentence"]) == {said}


def test_notes_stand_whole_on_the_page() -> None:
    frames = unit_page_frames(notes=tuple(HOSTILE.values()))
    unit_id = frames["units"]["unit_id"][0]

    class Words(html.parser.HTMLParser):
        said = ""

        def handle_data(self, data: str) -> None:
            self.said += data

    words = Words()
    words.feed(Press(frames, FACTS, "us").page(unit_id))
    for name, text in HOSTILE.items():
        assert text.replace("\x07", "\u2407").replace("\x00", "\u2400") in words.said, name


# Speed


@pytest.mark.slow
def test_a_thousand_pages_take_under_three_minutes(tmp_path: Path) -> None:
    """Each with two circuits of 4,500 points: 3,000 readings of each in four windows, as the store hands them out."""
    base = unit_page_frames(units=2)
    model = base["units"]["unit_id"][1]
    ids = [f"U-{at:04d}" for at in range(1000)]
    frames = {}
    for name, frame in base.items():
        if "unit_id" not in frame.columns or "call_id" in frame.columns:
            frames[name] = frame
            continue
        one = frame.filter(unit_id=model)
        frames[name] = one.drop("unit_id").join(pl.DataFrame({"unit_id": ids}), how="cross").select(frame.columns)
    one = frames["shown_readings"]
    later = [one.with_columns(read_at=pl.col("read_at") + pl.duration(minutes=7 * at)) for at in range(12)]
    frames["shown_readings"] = pl.concat(later)
    assert frames["shown_readings"].height / 1000 >= 8000
    began = time.monotonic()
    pages = write_unit_pages(frames, FACTS, tmp_path, units="us", wanted=ids)
    assert time.monotonic() - began < 180
    assert len(pages) == 1000
    assert max(page.stat().st_size for page in pages) <= MOST_BYTES


# One page alone


def test_a_page_alone_brings_its_assets_and_leads_nowhere(tmp_path: Path) -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][0]
    page = tmp_path / "mail" / "one.html"
    made = write_unit_page(frames, FACTS, unit_id, page, units="us")
    assert made[0] == page
    for tag, attributes in read(page).tags:
        target = attributes.get("src" if tag == "script" else "href")
        if target and not target.startswith("#"):
            assert (page.parent / target).is_file(), target
    run = tmp_path / "out"
    written(frames, run)
    (run / "run.json").write_text("{}")
    again = run / "units" / file_name(unit_id)
    assert write_unit_page(frames, FACTS, unit_id, again, units="us") == [again]
    assert not (run / "units" / "assets").exists()


# Units to revisit


def test_revisit_lists_raised_flags_most_probable_first(usual: Path) -> None:
    frames = unit_page_frames()
    raised = [row for row in frames["flags"].to_dicts() if row["raised"]]
    table = pl.read_parquet(usual / "tables" / "revisit.parquet").sort("rank")
    assert table["rank"].to_list() == list(range(1, len(raised) + 1))
    assert table["probability"].to_list() == sorted((round(row["probability"], 3) for row in raised), reverse=True)
    assert set(table["rests_on"]) == {"readings, calls, notes"}
    assert set(table["pieces_for"]) == {3}
    assert set(table["pieces_against"]) == {1}
    assert set(table["weight_for"]) == {4.0}
    facts = {row["fact"]: row["value"] for row in pl.read_parquet(usual / "tables" / "summary.parquet").to_dicts()}
    assert facts["flags_raised"] == len(raised)
    assert facts["units_raised"] == len({row["unit_id"] for row in raised})
    assert facts["flags_raised_expected"] == pytest.approx(sum(row["probability"] for row in raised), abs=0.051)
    assert facts["flags_new"] == 2
    assert facts["flags_raised_checked"] == 2
    text = (usual / "revisit.html").read_text(encoding="utf-8")
    for link in re.findall(r'href="(units/[^"]*)"', text):
        assert (usual / link).is_file()
    for row in raised:
        assert f'href="units/{file_name(row["unit_id"])}"' in text


@pytest.mark.parametrize("units", ["us", "si"])
def test_each_number_of_the_pages_is_the_cell_it_names(units: str, tmp_path: Path) -> None:
    """Gauge pressures against the ISA barometer at the site's elevation, instants on the clock of the site."""
    frames = unit_page_frames()
    listed = {row["unit_id"]: row for row in frames["units"].to_dicts()}
    sites = {row["site_id"]: row for row in frames["sites"].to_dicts()}
    write_tables(frames, tmp_path / "tables")
    pages = {"": tmp_path / "revisit.html"}
    write_pages(frames, FACTS, tmp_path, units=units)
    write_unit_pages(frames, FACTS, tmp_path, units=units)
    pages |= {unit_id: path for unit_id in listed if (path := tmp_path / "units" / file_name(unit_id)).is_file()}
    assert len(pages) > 5
    tables: dict[str, Cells] = {"in_units": {(row["unit_id"],): as_texts(row) for row in listed.values()}}
    checked: Counter[str] = Counter()
    for unit_id, page in pages.items():
        site = sites[listed[unit_id]["site_id"]] if unit_id else {"time_zone": "UTC", "elevation_m": None}
        for named, text in shown_cells.read(page).cells:
            name = named["data-table"]
            if name not in tables:
                tables[name] = shown_cells.cells(tmp_path, name)
            cell, row = cell_named(named, tables[name])
            as_read = in_readers_unit(named, row, units, site["elevation_m"])
            assert_shown(text, cell, named, as_read, site["time_zone"])
            checked[name] += 1
    assert (
        min(
            checked[name]
            for name in (
                "flags",
                "evidence",
                "calls",
                "trips",
                "lockouts",
                "set_points",
                "head_pressure",
                "plan",
                "in_units",
            )
        )
        > 5
    ), checked


def in_readers_unit(
    named: dict[str, str], row: dict[str, str], units: str, elevation_m: float | None
) -> Callable[[float], float]:
    """From the contract's unit of a cell to the reader's, by the column's name and the profile's thresholds alone."""
    column = named["data-column"]
    if column.endswith("_kpa"):
        barometer_kpa = 101.325 * (1 - 2.25577e-5 * (elevation_m or 0)) ** 5.25588  # ISO 2533:1975
        return lambda kpa: (kpa - barometer_kpa) / KPA_OF_PSI if units == "us" else kpa
    unit = row["unit"] if named["data-table"] == "thresholds" else {"_c": "degC", "km": "km"}.get(column[-2:], "-")
    unit = "K" if column == "band_c" else unit
    return TO_US.get(unit, float) if units == "us" else float


def as_texts(row: dict[str, Any]) -> dict[str, str]:
    """A row of the unit list as a CSV would hold it."""
    return {name: str(value).lower() if isinstance(value, bool) else str(value) for name, value in row.items()}


def test_digits_outside_cells_are_fixed_text_or_text_of_the_store(usual: Path) -> None:
    """Outside its cells and the texts of exports a unit's page holds digits of templates only."""
    fixed = " ".join(path.read_text(encoding="utf-8") for path in template_folder().glob("*.html"))
    titles = " ".join(unit_page_frames()["units"]["unit_id"])  # a title can hold no element around a name
    allowed = set(re.findall(r"[\w.,-]*\d[\w.,-]*", f"{fixed} {titles}"))
    for page in (usual / "units").glob("*.html"):
        for text in shown_cells.read(page).plain:
            assert [word for word in re.findall(r"[\w.,-]*\d[\w.,-]*", text) if word not in allowed] == [], text


def test_every_link_of_every_page_leads_to_a_file_and_its_part(usual: Path) -> None:
    """But the work list, which the command writes; a part is an id on the page led to."""
    pages = {page: shown_cells.read(page).tags for page in (*usual.glob("*.html"), *usual.glob("units/*.html"))}
    ids = {page.resolve(): {named.get("id") for _, named in tags} for page, tags in pages.items()}
    led_to = Counter[str]()
    for page, tags in pages.items():
        for tag, named in tags:
            path, _, part = named.get("href", "").partition("#")
            if tag != "a" or path == "work_list.xlsx":
                continue
            target = (page.parent / path).resolve() if path else page.resolve()
            assert target.is_file(), (page.name, path)
            assert not part or part in ids[target], (page.name, path, part)
            led_to[target.parent.name] += 1
    assert led_to["units"] > 10
    assert led_to["tables"] > 50


def test_flags_that_do_not_go_together_are_found_by_plain_loops() -> None:
    rng = np.random.default_rng(3)
    flags = reference.vocabulary("flag")
    rows = {
        (f"U{rng.integers(6)}", [None, "1", "2"][rng.integers(3)], flags[rng.integers(len(flags))]): float(
            rng.uniform()
        )
        for _ in range(120)
    }
    frame = pl.DataFrame(
        [(*key, probability, probability > 0.4) for key, probability in rows.items()],
        schema={
            "unit_id": pl.String,
            "circuit": pl.String,
            "flag": pl.String,
            "probability": pl.Float64,
            "raised": pl.Boolean,
        },
        orient="row",
    )
    pairs = {frozenset((row["flag"], row["other_flag"])) for row in reference.rows("look_alikes")}
    raised = [key for key, probability in rows.items() if probability > 0.4]
    expected = {
        (one[0], one[1] or other[1], frozenset((one[2], other[2])))
        for one in raised
        for other in raised
        if one[0] == other[0] and (one[1] is None or other[1] is None or one[1] == other[1])
        if frozenset((one[2], other[2])) in pairs
    }
    found = contradictions({"flags": frame})
    told = {(row["unit_id"], row["circuit"], frozenset((row["flag"], row["other_flag"]))) for row in found.to_dicts()}
    assert told == expected
    assert found.height == len(expected) > 10
    assert (found["probability"] >= found["other_probability"]).all()


def test_look_alikes_are_flags_and_stand_once() -> None:
    rows = reference.rows("look_alikes")
    flags = set(reference.vocabulary("flag"))
    assert all({row["flag"], row["other_flag"]} <= flags and row["flag"] != row["other_flag"] for row in rows)
    assert len({frozenset((row["flag"], row["other_flag"])) for row in rows}) == len(rows)
    assert {row["relation"] for row in rows} == {"excludes", "looks alike"}
    assert look_alikes().height == 2 * len(rows)


@pytest.mark.slow
def test_a_fleet_of_twenty_thousand_opens_at_once(tmp_path: Path) -> None:
    units = 20_000
    frames = unit_page_frames(units=12)
    ids = [f"U-{at:05d}" for at in range(units)]
    frames["evidence"] = frames["evidence"].clear()
    flags = frames["flags"].filter(flag="head control out").head(1).drop("unit_id")
    frames["flags"] = flags.join(pl.DataFrame({"unit_id": ids}), how="cross").select(frames["flags"].columns)
    frames["units"] = (
        frames["units"]
        .head(1)
        .drop("unit_id")
        .join(pl.DataFrame({"unit_id": ids}), how="cross")
        .select(frames["units"].columns)
    )
    write_pages(frames, FACTS, tmp_path, units="us")
    text = (tmp_path / "revisit.html").read_text(encoding="utf-8")
    assert len(text) < 1_000_000
    assert text.count('data-column="rank"') == 300
    assert "the rest is in the download" in text
    assert pl.read_parquet(tmp_path / "tables" / "revisit.parquet").height == units
    mailed = write_mail(frames, FACTS, tmp_path / "mail.html", units="us")
    assert mailed.stat().st_size <= MAILED_BYTES
    assert "Of 20,000 units with a page of their own" in mailed.read_text(encoding="utf-8")


def test_evidence_is_counted_for_and_against_whatever_circuit_it_is_of() -> None:
    evidence = pl.DataFrame(
        {
            "unit_id": ["u", "u", "u", "v"],
            "circuit": [None, "1", "2", None],
            "flag": ["controls"] * 4,
            "weight": [1.0, 0.5, -2.0, 0.0],
        },
        schema_overrides={"circuit": pl.String},
    )
    rows = {row.pop("unit_id"): row for row in speaking(evidence).drop("flag").to_dicts()}
    assert rows == {
        "u": {"pieces_for": 2, "pieces_against": 1, "weight_for": 1.5, "weight_against": -2.0},
        "v": {"pieces_for": 0, "pieces_against": 0, "weight_for": 0.0, "weight_against": 0.0},
    }


def test_what_is_not_certain_is_never_0_or_100_per_cent() -> None:
    shown = [share_text(share) for share in (0.0, 0.0004, 0.01, 0.5, 0.99, 0.9951, 1.0)]
    assert shown == ["0", "under 1", "1", "50", "99", "over 99", "100"]
    assert [share_text(share, 3) for share in (0.0, 4e-6, 0.0004)] == ["0", "under 0.001", "0.040"]


def test_a_small_amount_is_never_shown_as_none() -> None:
    figures = Figures(ReadingUnits("us"))
    assert [figures.text(value, "calls") for value in (0.0, 0.002, 0.3, 4.44, 28.4)] == [
        "0",
        "under 0.1",
        "0.3",
        "4.4",
        "28",
    ]
    assert figures.text(0.001, "-", 2) == "under 0.01"
    assert figures.text(-0.001, "-", 2) == "0.00"
    assert figures.text(-17.7, "degC") == "0"  # a temperature near zero is no small amount


def test_logged_units_of_the_frames_have_logs() -> None:
    assert unit_page_frames()["log_days"]["unit_id"].n_unique() == LOGGED
