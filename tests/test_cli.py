"""The command line as a person meets it: what it prints, where, and the exit code it ends with."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from conftest import CALLS, CALLS_SOURCE, NO_NETWORK, WEATHER_SOURCE, SmallFleet

from lowambient.report.mail import MOST_BYTES

DEMO = Path(__file__).parents[1] / "demo_data"


def lowambient(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Runs the command without a network; whatever happens, no traceback may reach a person."""
    command = [*NO_NETWORK, sys.executable, "-c", "from lowambient.cli import main; main()", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)
    assert "Traceback" not in done.stderr
    return done


@pytest.fixture
def ready(fleet: SmallFleet) -> SmallFleet:
    """A fleet with calls and a winter of made-up weather."""
    fleet.write("calls.csv", CALLS)
    hours = pl.datetime_range(pl.datetime(2015, 12, 1), pl.datetime(2016, 3, 1), "1h", eager=True).dt.to_string()
    fleet.write(
        "weather.csv", "Station,Time,Temp\n" + "".join(f"W1,{hour},{-5 + n % 9}\n" for n, hour in enumerate(hours))
    )
    fleet.write("stations.csv", "Id,Lat,Lon\nW1,42.0,-88.0\n")
    fleet.add(CALLS_SOURCE).add(WEATHER_SOURCE).add(
        '[[source]]\ntable = "stations"\nfiles = "stations.csv"\n'
        '[source.columns]\nstation_id = "Id"\nlatitude = "Lat"\nlongitude = "Lon"\n'
    )
    assert fleet.profile_path.exists()
    return fleet


def test_run_writes_pages_and_tables(ready: SmallFleet) -> None:
    done = lowambient("run", "fleet.toml", "--out", "out", cwd=ready.folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert (ready.folder / "out" / "winter.html").exists()
    assert pl.read_csv(ready.folder / "out" / "tables" / "loads.csv")["rows_read"].sum() > 2000


@pytest.mark.slow
def test_the_demo_ends_in_pages_and_tables(tmp_path: Path) -> None:
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("*.duckdb", "__pycache__"))
    done = lowambient("run", tmp_path / "demo" / "fleet.toml", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert {page.stem for page in (tmp_path / "out").glob("*.html")} >= {"index", "winter", "intake", "methods"}
    loads = pl.read_csv(tmp_path / "out" / "tables" / "loads.csv")
    assert len(loads) == 127
    assert (loads["rows_read"] == loads["loaded"] + loads["refused"] + loads["repeated"]).all()
    assert len(pl.read_parquet(tmp_path / "out" / "tables" / "forecast.parquet")) > 300


@pytest.mark.slow
def test_load_report_and_table_are_the_steps_of_run(ready: SmallFleet) -> None:
    assert lowambient("load", "fleet.toml", cwd=ready.folder).returncode == 0
    again = lowambient("load", "fleet.toml", cwd=ready.folder)
    assert "Loaded 0 files" in again.stderr
    assert lowambient("report", "fleet.toml", "--out", "pages", "--units", "si", cwd=ready.folder).returncode == 0
    printed = lowambient("table", "fleet.toml", "in_calls", cwd=ready.folder)
    assert pl.read_csv(printed.stdout.encode())["call_id"].to_list() == ["C1", "C2"]
    studied = lowambient("study", "fleet.toml", "symptoms_by_month", cwd=ready.folder)
    assert pl.read_csv(studied.stdout.encode())["calls"].sum() == 2
    unknown = lowambient("study", "fleet.toml", "nothing", cwd=ready.folder)
    assert unknown.returncode == 2
    assert "symptoms_by_month" in unknown.stderr


@pytest.mark.slow
def test_since_holds_flags_against_an_earlier_run(ready: SmallFleet) -> None:
    refused = lowambient("run", "fleet.toml", "--since", "nowhere", cwd=ready.folder)
    assert refused.returncode == 2
    assert "nowhere is no folder of a run" in refused.stderr
    assert not (ready.folder / "out").exists()
    flags = ready.folder / "out" / "tables" / "flags.parquet"
    assert lowambient("run", "fleet.toml", cwd=ready.folder).returncode == 0
    first = pl.read_parquet(flags)
    assert first.height > 0
    assert first["new_since"].null_count() == first.height
    again = lowambient("report", "fleet.toml", "--since", "out", cwd=ready.folder)
    assert again.returncode == 0, again.stderr
    second = pl.read_parquet(flags)
    assert second["new_since"].to_list() == [False] * first.height
    assert second.drop("new_since").equals(first.drop("new_since"))


@pytest.mark.slow
def test_single_files_ask_for_nothing_beside_them(ready: SmallFleet) -> None:
    done = lowambient("run", "fleet.toml", "--single-file", cwd=ready.folder)
    assert done.returncode == 0, done.stderr
    assert "mail.html" in done.stdout + done.stderr
    out = ready.folder / "out"
    assert (out / "assets" / "pages.js").is_file()
    mailed = (out / "mail.html").read_text(encoding="utf-8")
    assert len(mailed.encode()) <= MOST_BYTES
    assert re.findall(r'(?:src|href)="(?!#)', mailed) == []
    assert (
        lowambient(
            "unit", "fleet.toml", "RTU-1", "--out", "mail/one.html", "--single-file", cwd=ready.folder
        ).returncode
        == 0
    )
    assert [each.name for each in (ready.folder / "mail").iterdir()] == ["one.html"]


@pytest.mark.slow
def test_outlook_prints_units_or_days_and_says_what_it_leaves_out(ready: SmallFleet) -> None:
    hours = pl.datetime_range(pl.datetime(2016, 3, 2), pl.datetime(2016, 3, 4), "1h", eager=True).dt.to_string()
    forecast = "station_id,hour,temperature_c\n" + "".join(
        f"{station},{hour},-8\n" for station in ("W1", "ZZ") for hour in hours
    )
    ready.write("next_days.csv", forecast)
    assert lowambient("load", "fleet.toml", cwd=ready.folder).returncode == 0
    early = lowambient("outlook", "fleet.toml", "next_days.csv", cwd=ready.folder)
    assert early.returncode == 2
    assert "run `lowambient report` first" in early.stderr
    assert lowambient("report", "fleet.toml", "--out", "out", cwd=ready.folder).returncode == 0
    assert (ready.folder / "out" / "work_list.xlsx").exists()
    by_unit = lowambient("outlook", "fleet.toml", "next_days.csv", cwd=ready.folder)
    assert by_unit.returncode == 0, by_unit.stderr
    table = pl.read_csv(by_unit.stdout.encode())
    assert table["probability"].is_sorted(descending=True)
    assert table.height > 0
    assert "No unit in service is at ZZ." in by_unit.stderr
    assert "calls expected" in by_unit.stderr
    by_day = lowambient("outlook", "fleet.toml", "next_days.csv", "--by", "day", cwd=ready.folder)
    assert pl.read_csv(by_day.stdout.encode())["expected_calls"].sum() > 0
    wrong = lowambient("outlook", "fleet.toml", "none.csv", cwd=ready.folder)
    assert wrong.returncode == 2
    assert "there is no file none.csv" in wrong.stderr


def test_a_study_of_exports_alone_says_what_to_run_first(ready: SmallFleet) -> None:
    assert lowambient("load", "fleet.toml", cwd=ready.folder).returncode == 0
    early = lowambient("study", "fleet.toml", "symptoms_by_month", cwd=ready.folder)
    assert early.returncode == 2
    assert "lowambient report" in early.stderr


def test_new_writes_a_profile_that_run_understands(tmp_path: Path) -> None:
    assert lowambient("new", tmp_path / "winter").returncode == 0
    done = lowambient("run", tmp_path / "winter" / "fleet.toml")
    assert done.returncode == 2
    assert "names no file" in done.stderr or "does not exist" in done.stderr


def test_inspect_prints_a_proposal_on_standard_output(fleet: SmallFleet) -> None:
    done = lowambient("inspect", fleet.write("calls.csv", CALLS))
    assert done.returncode == 0
    assert '[[source]]\ntable = "calls"' in done.stdout.replace("\r", "")


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("calls.csv", None, "does not exist"),
        ("calls.csv", b"", "is empty"),
        ("calls.csv", bytes(range(256)) * 40, "looks like a binary file"),
        ("calls.csv", b"%PDF-1.7 something", "is a PDF document"),
        ("calls.csv", b"a,b\n1,2\n", "has none of the columns"),
        ("calls.csv", CALLS.replace("Opened", "Begun").encode(), "lacks opened_at"),
        ("calls.csv", b"\x1f\x8b" + b"broken", "damaged gzip"),
        (
            "calls.csv",
            CALLS.replace("2016-01-05 09:00", "5th of Jan").replace("2016-01-06 10:30", "later").encode(),
            "dates",
        ),
    ],
    ids=["missing", "empty", "binary", "pdf", "other columns", "required column", "gzip", "dates"],
)
def test_bad_files_are_refused_with_a_sentence_and_exit_2(
    fleet: SmallFleet, name: str, content: bytes | None, said: str
) -> None:
    if content is not None:
        fleet.write(name, content)
    profile = fleet.add(CALLS_SOURCE.replace("calls*.csv", name)).profile_path
    done = lowambient("run", profile, "--out", fleet.folder / "out")
    assert done.returncode == 2
    assert said in done.stderr
    assert not (fleet.folder / "out").exists()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "psig"', 'unit = "psgi"', "psig"),
        ('time_zone = "America/Chicago"', 'time_zone = "America/Chicgo"', "America/Chicago"),
        ('time_zone = "America/Chicago"', 'time_zone = "EST"', "daylight"),
        ('opened_at = "Opened"', "", "opened_at"),
        ('table = "calls"', 'table = "cals"', "calls"),
        ("[fleet]", "[fleet", "TOML"),
    ],
    ids=["unit", "zone", "abbreviated zone", "required column", "table", "not TOML"],
)
def test_bad_profiles_are_refused_with_key_found_and_allowed(fleet: SmallFleet, old: str, new: str, said: str) -> None:
    fleet.add(CALLS_SOURCE)
    assert old in fleet.profile_text
    fleet.profile_text = fleet.profile_text.replace(old, new)
    done = lowambient("run", fleet.profile_path)
    assert done.returncode == 2
    assert said in done.stderr


def test_a_folder_with_other_things_in_it_is_left_alone(ready: SmallFleet) -> None:
    (ready.folder / "mine").mkdir()
    keep = ready.write("mine/letter.txt", "keep me")
    done = lowambient("run", "fleet.toml", "--out", "mine", cwd=ready.folder)
    assert done.returncode == 2
    assert "holds other files" in done.stderr
    assert keep.read_text() == "keep me"


def test_a_folder_that_cannot_be_made_is_exit_4(ready: SmallFleet) -> None:
    ready.write("blocked", "a file where a folder should be")
    done = lowambient("run", "fleet.toml", "--out", "blocked/out", cwd=ready.folder)
    assert done.returncode == 4


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["nonsense"], 2),
        (["run"], 2),
        (["run", "x.toml", "--units", "metric"], 2),
        (["saturation", "R-9", "1", "psig"], 2),
    ],
    ids=["command", "argument", "choice", "refrigerant"],
)
def test_a_wrong_command_line_is_exit_2(arguments: list[str], code: int) -> None:
    assert lowambient(*arguments).returncode == code


def test_a_store_that_is_none_is_exit_3(ready: SmallFleet) -> None:
    ready.write("fleet.duckdb", b"this is no database, only text that is long enough to look at" * 10)
    done = lowambient("run", "fleet.toml", cwd=ready.folder)
    assert done.returncode == 3
    assert "not a readable store" in done.stderr


def test_a_failed_audit_is_exit_1_and_the_pages_say_so(ready: SmallFleet, tmp_path: Path) -> None:
    script = (
        "from lowambient import pipeline; import lowambient.store.audits as audits\n"
        "pipeline.failed_audits = lambda store: ['made up for this test']\n"
        "from lowambient.cli import main; main()"
    )
    command = [sys.executable, "-c", script, "run", "fleet.toml", "--out", "out"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ready.folder)
    assert done.returncode == 1
    assert "made up for this test" in (ready.folder / "out" / "index.html").read_text(encoding="utf-8")
