"""Logged readings, wide and long: units of measure, clocks, repeats, conflicts, and channels off the grid."""

from datetime import UTC, datetime

import pytest
from conftest import LONG_SOURCE, WIDE_SOURCE, SmallFleet

WIDE = "Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,117,250,38\nRTU-1,2016-01-05 09:05,110,240,37\n"
LONG = (
    "Unit,Time,Point,Value\n"
    "RTU-1,2016-01-05 09:00,SP,117\nRTU-1,2016-01-05 09:00,LP,250\nRTU-1,2016-01-05 09:00,OAT,38\n"
    "RTU-1,2016-01-05 09:05,SP,110\nRTU-1,2016-01-05 09:05,LP,240\nRTU-1,2016-01-05 09:05,OAT,37\n"
    "RTU-1,2016-01-05 09:05,RUN,1\n"
)
ORDER = "unit_id, circuit, read_at"


def test_wide_and_long_files_of_the_same_readings_read_alike(fleet: SmallFleet) -> None:
    base = fleet.profile_text
    fleet.write("wide.csv", WIDE)
    fleet.profile_text = base + WIDE_SOURCE
    wide = fleet.load().frame("in_readings", ORDER)
    fleet.write("long.csv", LONG)
    fleet.profile_text = base + LONG_SOURCE
    store = fleet.load()
    long = store.frame("in_readings", ORDER)
    assert wide.drop("compressor_on").equals(long.drop("compressor_on"))
    assert long["compressor_on"].to_list() == [None, True]
    # 117 psig is 806.69 kPa above 98.88 kPa, the barometer at 205 m (ISO 2533)
    assert wide["suction_kpa"][0] == pytest.approx(905.57, abs=0.05)
    assert wide["outdoor_c"][0] == pytest.approx(3.333, abs=0.001)
    assert wide["read_at"][0] == datetime(2016, 1, 5, 15, 0, tzinfo=UTC)
    assert fleet.counts(store, "long.csv") == (7, 7, 0, 0)


@pytest.mark.parametrize(
    ("unit", "pressure", "written", "expected_kpa"),
    [
        ("psia", "", "100", 689.476),
        ("bara", "", "7", 700.0),
        ("kPa", 'pressure = "absolute"', "700", 700.0),
        ("MPa", 'pressure = "absolute"', "0.7", 700.0),
        ("barg", 'pressure = "gauge"', "7", 798.88),
        ("psig", 'pressure = "sealed-gauge"', "100", 790.801),
        ("psig", "", "100 psig", 788.35),
    ],
)
def test_pressures_become_absolute(
    fleet: SmallFleet, unit: str, pressure: str, written: str, expected_kpa: float
) -> None:
    fleet.write("wide.csv", f"Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,{written},,\n")
    source = WIDE_SOURCE.replace('"SP", unit = "psig"', f'"SP", unit = "{unit}"')
    source = source.replace('time_zone = "America', f'{pressure}\ntime_zone = "America')
    found = fleet.add(source).load().frame("in_readings")
    assert found["suction_kpa"][0] == pytest.approx(expected_kpa, abs=0.05)


def test_bad_records_of_a_long_file_are_refused_one_by_one(fleet: SmallFleet) -> None:
    fleet.write(
        "long.csv",
        LONG
        + "RTU-9,2016-01-05 09:00,SP,50\n"
        + "RTU-1,2016-01-05 09:10,SP,broken\n"
        + "RTU-1,2016-01-05 09:10,LP,99999\n"
        + "RTU-1,2016-01-05 09:10,OAT,36\n"
        + "RTU-1,2016-01-05 09:10,BATT,12\n"
        + "RTU-1,soon,SP,50\n"
        + "RTU-1,2016-01-05 09:10,RUN,\n"
        + "RTU-1,2016-01-05 09:00,SP,117\n"
        + "RTU-1,2016-01-05 09:05,LP,241\n",
    )
    store = fleet.add(LONG_SOURCE).load()
    assert fleet.counts(store, "long.csv") == (16, 7, 8, 1)
    frame = store.frame("in_readings", ORDER)
    assert frame["outdoor_c"].count() == 3
    assert frame["liquid_kpa"].to_list()[1:] == [None, None]
    assert [line for line, _ in fleet.reasons(store)] == [6, 9, 10, 11, 13, 14, 15, 17]


def test_values_of_a_wide_file_that_cannot_be_are_set_aside(fleet: SmallFleet) -> None:
    fleet.write("wide.csv", WIDE.replace(",110,", ",-999,").replace(",250,", ",OPEN,"))
    store = fleet.add(WIDE_SOURCE).load()
    frame = store.frame("in_readings", ORDER)
    assert frame["suction_kpa"].to_list()[1] is None
    assert frame["liquid_kpa"].to_list()[0] is None
    assert store.connection.execute('select line, "column" from set_aside').fetchall() == [
        (2, "liquid_kpa"),
        (3, "suction_kpa"),
    ]


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("layout", ["wide", "long"])
def test_the_hour_that_comes_twice_is_told_by_file_order(fleet: SmallFleet, layout: str, newest_first: bool) -> None:
    times = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    rows = [(f"2016-11-06 {time}", 30 + place) for place, time in enumerate(times)]
    rows = rows[::-1] if newest_first else rows
    if layout == "wide":
        fleet.write("wide.csv", "Unit,Time,SP,LP,OAT\n" + "".join(f"RTU-1,{time},,,{value}\n" for time, value in rows))
    else:
        fleet.write("long.csv", "Unit,Time,Point,Value\n" + "".join(f"RTU-1,{time},OAT,{v}\n" for time, v in rows))
    frame = fleet.add(WIDE_SOURCE if layout == "wide" else LONG_SOURCE).load().frame("in_readings", ORDER)
    assert frame["read_at"].dt.to_string("%H:%M").to_list() == ["05:30", "06:00", "06:30", "07:00", "07:30", "08:00"]
    assert frame["outdoor_c"].is_sorted()


def test_the_hour_that_does_not_exist_is_quarantined(fleet: SmallFleet) -> None:
    fleet.write("wide.csv", "Unit,Time,SP,LP,OAT\nRTU-1,2016-03-13 02:30,,,30\nRTU-1,2016-03-13 03:30,,,31\n")
    store = fleet.add(WIDE_SOURCE).load()
    assert store.frame("in_readings")["read_at"].to_list() == [datetime(2016, 3, 13, 8, 30, tzinfo=UTC)]
    assert "clocks skipped" in fleet.reasons(store)[0][1]


def test_files_that_complete_each_other_are_merged_and_those_that_differ_refused(fleet: SmallFleet) -> None:
    fleet.write("wide_a.csv", "Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,117,,\nRTU-1,2016-01-05 09:05,110,,\n")
    fleet.write("wide_b.csv", "Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,,250,\nRTU-1,2016-01-05 09:05,111,,\n")
    store = fleet.add(WIDE_SOURCE).load()
    frame = store.frame("in_readings")
    assert frame.height == 1
    assert frame["suction_kpa"][0] is not None
    assert frame["liquid_kpa"][0] is not None
    assert fleet.counts(store, "wide_a.csv") == (2, 1, 1, 0)
    assert fleet.counts(store, "wide_b.csv") == (2, 1, 1, 0)


def test_the_same_file_under_two_names_repeats(fleet: SmallFleet) -> None:
    for name in ("long_a.csv", "long_b.csv"):
        fleet.write(name, LONG)
    store = fleet.add(LONG_SOURCE).load()
    assert store.frame("in_readings").height == 2
    assert fleet.counts(store, "long_a.csv") == (7, 7, 0, 0)
    assert fleet.counts(store, "long_b.csv") == (7, 0, 0, 7)


def test_channels_off_the_grid_come_together_within_half_an_interval(fleet: SmallFleet) -> None:
    rows = "".join(
        f"RTU-1,2016-01-05 09:{minute:02d}:{second:02d},{point},{value + minute}\n"
        for minute in range(10)
        for second, point, value in ((58 - 55, "SP", 100), (9, "LP", 240), (20, "OAT", 30))
    )
    fleet.write("long.csv", "Unit,Time,Point,Value\n" + rows)
    store = fleet.add(LONG_SOURCE).load()
    frame = store.frame("in_readings", ORDER)
    assert frame.height == 10
    assert frame.select("suction_kpa", "liquid_kpa", "outdoor_c").null_count().row(0) == (0, 0, 0)
    steps = frame["read_at"].diff().drop_nulls().unique().to_list()
    assert [step.total_seconds() for step in steps] == [60.0]


def test_one_file_a_unit_named_by_its_unit(fleet: SmallFleet) -> None:
    fleet.write("rtu-1_c2.csv", "Time,SP\n2016-01-05 09:00,117\n")
    fleet.add(
        '[[source]]\ntable = "readings"\nfiles = "rtu*.csv"\ntime_zone = "UTC"\n'
        '[source.columns]\nread_at = "Time"\nsuction_kpa = { column = "SP", unit = "psig" }\n'
        "[source.from_file_name]\npattern = '(?P<unit_id>rtu-\\d+)_c(?P<circuit>\\d)'\n"
    )
    frame = fleet.load().frame("in_readings")
    assert frame.select("unit_id", "circuit").row(0) == ("RTU-1", "2")
