"""Readings handed out circuit by circuit, with the weather beside them, and the analysis over a fleet of them."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from conftest import WEATHER_SOURCE, WIDE_SOURCE, SmallFleet

from lowambient import judgement
from lowambient.profile import load_profile
from lowambient.records import inputs
from lowambient.store import Store, circuits, count_readings, failed_audits
from lowambient.store.circuits import _gathered
from lowambient.traces.circuit import Listed
from lowambient.traces.fleet import analyse_fleet

START = datetime(2016, 1, 5, tzinfo=UTC)


@pytest.fixture
def store(fleet: SmallFleet) -> Store:
    """Three units logged every ten minutes for two days, an hour on and an hour off, with weather of one station."""
    for unit in (1, 2, 3):
        at = [START + timedelta(minutes=10 * n) for n in range(288)]
        rows = [
            f"RTU-{unit},{each:%Y-%m-%d %H:%M},{110 if n % 12 < 6 else 140},{300 if n % 12 < 6 else 141},40\n"
            for n, each in enumerate(at)
        ]
        fleet.write(f"wide_{unit}.csv", "Unit,Time,SP,LP,OAT\n" + "".join(rows))
    hours = [f"W1,{START + timedelta(hours=n):%Y-%m-%d %H:%M},{n}\n" for n in range(50) if n not in range(20, 30)]
    fleet.write("weather.csv", "Station,Time,Temp\n" + "".join(hours))
    fleet.write("stations.csv", "Id,Lat,Lon\nW1,42.0,-88.0\n")
    fleet.add(WIDE_SOURCE.replace("America/Chicago", "UTC")).add(WEATHER_SOURCE).add(
        '[[source]]\ntable = "stations"\nfiles = "stations.csv"\n'
        '[source.columns]\nstation_id = "Id"\nlatitude = "Lat"\nlongitude = "Lon"\n'
    )
    opened = fleet.load()
    judgement.judge(opened, load_profile(fleet.profile_path))
    return opened


def test_each_circuit_comes_once_with_all_its_readings(store: Store) -> None:
    found = {(each.unit_id, each.circuit): each.readings for each in circuits(store)}
    assert list(found) == [("RTU-1", "1"), ("RTU-2", "1"), ("RTU-3", "1")]
    assert sum(frame.height for frame in found.values()) == count_readings(store) == 3 * 288
    assert {"station_c", "station_wind_m_s", *inputs.CHANNELS} <= set(found["RTU-1", "1"].columns)


def test_whole_units_come_however_few_rows_are_read_at_once(store: Store) -> None:
    whole = [(each.unit_id, each.readings.sort("read_at")) for each in circuits(store)]
    small = [(each.unit_id, each.readings.sort("read_at")) for each in circuits(store, rows_at_once=1)]
    assert [unit for unit, _ in small] == [unit for unit, _ in whole]
    assert all(one.equals(other) for (_, one), (_, other) in zip(whole, small, strict=True))


def test_the_station_is_read_between_its_hours_and_not_across_its_gaps(store: Store) -> None:
    """The station warms by 1 K an hour from 0; hours 20 to 29 are missing, which is more than is bridged."""
    readings = next(circuits(store)).readings.with_columns(hours=(pl.col("read_at") - START).dt.total_minutes() / 60)
    between = (pl.col("hours") > 19) & (pl.col("hours") < 30)
    assert readings.filter(between)["station_c"].null_count() == readings.filter(between).height > 0
    known = readings.filter(~between)
    assert (known["station_c"] - known["hours"]).abs().max() < 0.001


def test_judging_writes_what_each_circuit_did_and_its_audit_passes(store: Store) -> None:
    assert store.frame("set_points")["unit_id"].unique().sort().to_list() == ["RTU-1", "RTU-2", "RTU-3"]
    assert "traces_in_order" not in " ".join(failed_audits(store))


def test_processes_change_nothing(store: Store) -> None:
    given = [(Listed(each.unit_id, each.circuit, "R-410A", 98.9), each.readings) for each in circuits(store)]
    alone, together = analyse_fleet(given), analyse_fleet(reversed(given), processes=2)
    assert all(alone[name].equals(together[name], null_equal=True) for name in alone)
    assert alone["set_points"].height == 15


def test_rows_that_lie_apart_come_together_in_time_order() -> None:
    """Two units whose rows alternate and a circuit written in two halves, the later one first."""
    at = [START + timedelta(minutes=minute) for minute in (10, 11, 0, 1, 2, 3)]
    rows = pl.DataFrame(
        {
            "unit_id": ["A", "A", "B", "A", "A", "B"],
            "circuit": ["1", "1", None, "1", "1", None],
            "read_at": at,
            "suction_kpa": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
        }
    )
    parts = _gathered([rows[:2], rows[2:]], {("A", "1"): 4, ("B", None): 2})
    assert {key: frame["suction_kpa"].to_list() for key, frame in parts} == {
        ("A", "1"): [4.0, 5.0, 1.0, 2.0],
        ("B", None): [3.0, 6.0],
    }


def test_units_that_take_turns_in_every_row_come_apart_in_time_order() -> None:
    rows = pl.DataFrame(
        {
            "unit_id": ["B", "A"] * 1000,
            "circuit": ["1"] * 2000,
            "read_at": [START + timedelta(minutes=number // 2) for number in range(2000)],
            "suction_kpa": [float(number) for number in range(2000)],
        }
    )
    parts = dict(_gathered([rows[:1500], rows[1500:]], {("A", "1"): 1000, ("B", "1"): 1000}))
    assert parts["A", "1"]["suction_kpa"].to_list() == [float(number) for number in range(1, 2000, 2)]
    assert parts["B", "1"]["suction_kpa"].to_list() == [float(number) for number in range(0, 2000, 2)]
