"""Windows of logs and readings thinned for pages, against plain loops; and the command that writes one unit's page."""

from collections import defaultdict
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from conftest import CALLS, CALLS_SOURCE, WEATHER_SOURCE, WIDE_SOURCE, SmallFleet
from memory_store import QUERIES, MemoryStore
from test_cli import lowambient

BEGIN = datetime(2016, 1, 4, 3, 20)
CHANNELS = ("suction_kpa", "liquid_kpa", "discharge_kpa")


def logged(unit: str, circuit: str | None, begin: datetime, days: float, step_s: int, seed: int) -> pl.DataFrame:
    """Readings at random pressures, no two alike, a channel missing now and then."""
    rng = np.random.default_rng(seed)
    count = int(days * 86400 / step_s)
    frame = pl.DataFrame(
        {
            "unit_id": [unit] * count,
            "circuit": pl.Series([circuit] * count, dtype=pl.String),
            "read_at": [begin + timedelta(seconds=step_s * at) for at in range(count)],
            "suction_kpa": rng.normal(900, 90, count).round(2) + 1e-6 * np.arange(count),
            "liquid_kpa": rng.normal(2300, 200, count).round(2) + 1e-6 * np.arange(count),
            "outdoor_c": rng.normal(-3, 4, count).round(2),
        }
    )
    return frame.with_columns(
        pl.when(pl.Series(rng.uniform(size=count) > 0.1)).then(pl.col("suction_kpa")).alias("suction_kpa")
    )


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    """RTU-1 with a log of ten days and a visit later, RTU-2 with two circuits, RTU-3 without circuit and outdoors."""
    readings = pl.concat(
        [
            logged("RTU-1", "1", BEGIN, 10, 300, 1),
            logged("RTU-1", "1", BEGIN + timedelta(days=60), 0.05, 30, 2),
            logged("RTU-2", "1", BEGIN, 2, 600, 3),
            logged("RTU-2", "2", BEGIN, 2, 600, 4),
            logged("RTU-3", None, BEGIN, 1, 60, 5).with_columns(outdoor_c=pl.lit(None, pl.Float64)),
        ]
    )
    hours = [datetime(2016, 1, 1) + timedelta(hours=at) for at in range(24 * 80)]
    made = MemoryStore(
        {
            "units": pl.DataFrame(
                {"unit_id": ["RTU-1", "RTU-2", "RTU-3"], "site_id": ["S"] * 3, "circuits": [1, 2, 1]}
            ),
            "sites": pl.DataFrame({"site_id": ["S"], "time_zone": ["America/Chicago"], "station_id": ["W1"]}),
            "stations": pl.DataFrame({"station_id": ["W1"], "latitude": [42.0], "longitude": [-88.0]}),
            "weather": pl.DataFrame(
                {
                    "station_id": ["W1"] * len(hours),
                    "hour": hours,
                    "temperature_c": [float(at % 17) - 8 for at in range(len(hours))],
                    "kind": ["observed"] * len(hours),
                }
            ),
            "readings": readings,
        }
    )
    made.put(
        "trips",
        pl.DataFrame(
            {
                "unit_id": ["RTU-1"] * 3,
                "circuit": ["1"] * 3,
                "tripped_at": [BEGIN + timedelta(days=4, hours=at) for at in range(3)],
            }
        ),
    )
    made.put(
        "lockouts", pl.DataFrame({"unit_id": ["RTU-1"], "circuit": ["1"], "started_at": [BEGIN + timedelta(days=4)]})
    )
    made.build("weather_hours", "unit_station", "coldest_days", "log_days", "shown_windows")
    query = (QUERIES / "pages" / "shown_readings.sql").read_text(encoding="utf-8")
    made.connection.execute(f"create table shown_readings as {query}")
    return made


def test_the_worst_days_are_shown_and_the_whole_of_their_log(store: MemoryStore) -> None:
    windows = store.frame("shown_windows").filter(pl.col("unit_id") == "RTU-1").to_dicts()
    assert [row["window_no"] for row in windows] == [0, 1, 2]
    whole, worst, _ = windows
    assert (whole["from_at"], whole["readings"], whole["events"]) == (BEGIN, 2880, 4)
    assert whole["to_at"] == BEGIN + timedelta(seconds=300 * 2879)
    assert worst["events"] == 4
    assert worst["from_at"] <= BEGIN + timedelta(days=4) < worst["to_at"]
    assert worst["to_at"] - worst["from_at"] < timedelta(days=3)
    others = store.frame("shown_windows").filter(pl.col("unit_id") != "RTU-1").to_dicts()
    assert [(row["unit_id"], row["circuit"], row["window_no"]) for row in others] == [
        ("RTU-2", "1", 1),
        ("RTU-2", "2", 1),
        ("RTU-3", "1", 1),
    ]


def test_each_bucket_keeps_its_lowest_and_highest_reading(store: MemoryStore) -> None:
    """A slow twin: buckets by whole seconds, in plain Python."""
    readings = store.frame("in_readings").to_dicts()
    found = defaultdict(set)
    for row in store.frame("shown_readings").to_dicts():
        if row["channel"] in CHANNELS:
            found[row["unit_id"], row["circuit"], row["window_no"], row["channel"]].add((row["read_at"], row["value"]))
    expected = defaultdict(set)
    for window in store.frame("shown_windows").to_dicts():
        whole_s = max(1, int((window["to_at"] - window["from_at"]).total_seconds()))
        for channel in CHANNELS:
            buckets = defaultdict(list)
            for row in readings:
                inside = (
                    row["unit_id"] == window["unit_id"]
                    and (row["circuit"] or "1") == window["circuit"]
                    and window["from_at"] <= row["read_at"] <= window["to_at"]
                )
                if inside and row[channel] is not None:
                    buckets[
                        int((row["read_at"] - window["from_at"]).total_seconds()) * window["buckets"] // whole_s
                    ].append((row["read_at"], row[channel]))
            for points in buckets.values():
                for end in (min(points, key=lambda point: point[1]), max(points, key=lambda point: point[1])):
                    expected[window["unit_id"], window["circuit"], window["window_no"], channel].add(end)
    assert {key: points for key, points in found.items() if points} == {
        key: points for key, points in expected.items() if points
    }
    assert max(len(points) for points in found.values()) <= 2 * 301


def test_a_circuit_has_at_most_a_few_thousand_points(store: MemoryStore) -> None:
    counts = store.frame("shown_readings").group_by("unit_id", "circuit").len()
    assert counts["len"].max() <= 3 * 301 * 5


def test_the_stations_temperature_stands_in_where_none_was_logged(store: MemoryStore) -> None:
    shown = store.frame("shown_readings")
    channels = {unit: set(part["channel"]) for (unit,), part in shown.group_by("unit_id")}
    assert "station_c" in channels["RTU-3"]
    assert "outdoor_c" not in channels["RTU-3"]
    assert "station_c" not in channels["RTU-1"] | channels["RTU-2"]
    weather = dict(store.frame("weather_hours").select("hour", "temperature_c").iter_rows())
    for row in shown.filter(channel="station_c").to_dicts():
        assert row["value"] == weather[row["read_at"]]


def test_coldest_days_by_plain_loops(store: MemoryStore) -> None:
    coldest: dict[object, float] = {}
    for row in store.frame("weather_hours").to_dicts():
        day = row["hour"].replace(hour=0)
        coldest[day] = min(coldest.get(day, 99.0), row["temperature_c"])
    assert {row["day"]: row["coldest_c"] for row in store.frame("coldest_days").to_dicts()} == coldest


def test_unit_writes_one_page_from_the_store(fleet: SmallFleet) -> None:
    rows = "".join(
        f"RTU-1,2016-01-{5 + n // 288:02d} {n // 12 % 24:02d}:{5 * (n % 12):02d},{110 if n % 12 < 6 else 140},300,40\n"
        for n in range(576)
    )
    fleet.write("wide_1.csv", "Unit,Time,SP,LP,OAT\n" + rows)
    fleet.write(
        "weather.csv",
        "Station,Time,Temp\n" + "".join(f"W1,2016-01-0{1 + n // 24} {n % 24:02d}:00,{n % 9}\n" for n in range(200)),
    )
    fleet.write("stations.csv", "Id,Lat,Lon\nW1,42.0,-88.0\n")
    fleet.write("calls.csv", CALLS)
    fleet.add(CALLS_SOURCE).add(WIDE_SOURCE).add(WEATHER_SOURCE).add(
        '[[source]]\ntable = "stations"\nfiles = "stations.csv"\n'
        '[source.columns]\nstation_id = "Id"\nlatitude = "Lat"\nlongitude = "Lon"\n'
    )
    assert lowambient("load", fleet.profile_path).returncode == 0
    early = lowambient("unit", fleet.profile_path, "RTU-1", "--out", fleet.folder / "x.html")
    assert early.returncode == 2
    assert "lowambient report" in early.stderr
    done = lowambient("run", fleet.profile_path, "--out", fleet.folder / "out")
    assert done.returncode == 0, done.stderr
    (page,) = (fleet.folder / "out" / "units").glob("*.html")
    inside = page.read_text(encoding="utf-8")
    again = lowambient("unit", fleet.profile_path, "rtu 1", "--out", page)
    assert again.returncode == 0, again.stderr
    assert "RTU-1" in again.stderr
    assert page.read_text(encoding="utf-8") == inside
    alone = lowambient(
        "unit", fleet.profile_path, "RTU-2", "--out", fleet.folder / "sent" / "two.html", "--units", "si"
    )
    assert alone.returncode == 0, alone.stderr
    assert (fleet.folder / "sent" / "assets" / "pages.js").is_file()
    unknown = lowambient("unit", fleet.profile_path, "nobody", "--out", fleet.folder / "x.html")
    assert unknown.returncode == 2
    assert "not on the unit list" in unknown.stderr
    assert not Path(fleet.folder / "x.html").exists()
    folder = lowambient("unit", fleet.profile_path, "RTU-1", "--out", fleet.folder)
    assert folder.returncode == 2
