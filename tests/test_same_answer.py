"""Two runs of the same inputs give the same bytes, in whatever order rows, files and threads come."""

import gzip
import importlib.util
import random
from pathlib import Path

import pytest
from conftest import CALLS_SOURCE, LONG_SOURCE, SmallFleet

from lowambient import pipeline

STATIONS_SOURCE = """
[[source]]
table = "stations"
files = "stations.csv"
[source.columns]
station_id = "Id"
latitude = "Lat"
longitude = "Lon"

[[source]]
table = "weather"
files = ["725300-2015.gz", "725300-2016.gz"]
format = "isd-lite"
"""
# files whose bytes name the input's own bytes or places, and so differ when rows change places
BOUND_TO_FILES = {"loads", "quarantine", "set_aside"}


def isd_lite_folder() -> Path:
    """Where the package diyepw keeps NOAA ISD-Lite files; found without importing it, which would want the network."""
    package = importlib.util.find_spec("diyepw")
    assert package is not None
    return Path(package.submodule_search_locations[0]) / "data" / "noaa_isd_lite_files"


def write_exports(fleet: SmallFleet, chance: random.Random) -> None:
    """A fleet of 24 units on 8 sites with two winters of observed weather, calls in two files, and a logger file."""
    sites = [f"S{n},Site {n},{41 + n / 20},{-87 - n / 30},200,America/Chicago" for n in range(8)]
    units = [f"U-{n},S{n % 8},R-410A,{3 + n % 9},{'year-round' if n % 3 else 'comfort'},54,117" for n in range(24)]
    calls = [
        f"C{n},U-{n * 7 % 24},{2015 + n % 2}-{1 + n * 5 % 12:02d}-{1 + n * 11 % 28:02d} {n % 24:02d}:15,,service,"
        f"{'locked out on low pressure' if n % 3 else 'belt'},{n % 5}"
        for n in range(240)
    ]
    calls += [calls[3], calls[5].replace(",belt,", ",fan,")]
    readings = [
        f"U-{n % 4},2016-01-{1 + n // 96:02d} {n // 4 % 24:02d}:30,"
        f"{('SP', 'LP', 'OAT', 'RUN')[n % 4]},{n % 50 if n % 4 < 3 else 1}"
        for n in range(960)
    ]
    for rows in (sites, units, calls, readings):
        chance.shuffle(rows)
    fleet.write("sites.csv", "Site,Name,Lat,Lon,Elev,Zone\n" + "\n".join(sites) + "\n")
    fleet.write("units.csv", "Tag,Site,Gas,Tons,Duty,Cut out,Reset\n" + "\n".join(units) + "\n")
    header = "Ticket,Unit,Opened,Closed,Type,Complaint,Hours\n"
    fleet.write("calls_a.csv", header + "\n".join(calls[:100]) + "\n")
    fleet.write("calls_b.csv", header + "\n".join(calls[90:]) + "\n")
    fleet.write("long.csv", "Unit,Time,Point,Value\n" + "\n".join(readings) + "\n")
    fleet.write("stations.csv", "Id,Lat,Lon\n725300,41.995,-87.934\n")
    folder = isd_lite_folder()
    for year in (2015, 2016):
        lines = gzip.decompress((folder / f"725300-{year}.gz").read_bytes()).splitlines(keepends=True)
        chance.shuffle(lines)
        fleet.write(f"725300-{year}.gz", gzip.compress(b"".join(lines), mtime=0))


def tables(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "tables").iterdir())}


def run(fleet: SmallFleet, name: str, threads: int) -> dict[str, bytes]:
    pipeline.load(fleet.profile_path, threads=threads)
    pipeline.report(fleet.profile_path, fleet.folder / name, threads=threads)
    return tables(fleet.folder / name)


@pytest.fixture
def made(fleet: SmallFleet) -> SmallFleet:
    write_exports(fleet, random.Random(1))
    return fleet.add(CALLS_SOURCE).add(LONG_SOURCE).add(STATIONS_SOURCE)


def test_threads_and_a_second_run_change_no_byte(made: SmallFleet) -> None:
    first = run(made, "one", threads=1)
    assert len(first) > 20
    assert run(made, "again", threads=2) == first
    (made.folder / "fleet.duckdb").unlink()
    assert run(made, "two", threads=2) == first


def test_the_order_of_rows_and_files_changes_no_byte(made: SmallFleet) -> None:
    first = run(made, "one", threads=2)
    (made.folder / "fleet.duckdb").unlink()
    write_exports(made, random.Random(2))
    made.profile_text = made.profile_text.replace(
        '["725300-2015.gz", "725300-2016.gz"]', '["725300-2016.gz", "725300-2015.gz"]'
    ).replace('"calls*.csv"', '["calls_b.csv", "calls_a.csv"]')
    second = run(made, "two", threads=1)
    assert second.keys() == first.keys()
    differing = {name for name in first if first[name] != second[name]}
    assert {name.split(".")[0] for name in differing} <= BOUND_TO_FILES | {"load_totals", "summary"}
    assert "calls.csv" not in differing
    assert "forecast.parquet" not in differing
