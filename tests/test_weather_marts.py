"""Weather by whole hour, the station of each unit, its cold hours: against slow twins, real files, published values."""

import csv
import gzip
from datetime import datetime, timedelta
from importlib.util import find_spec
from pathlib import Path

import naive
import numpy as np
import polars as pl
import pytest
import random_fleet
from memory_store import MemoryStore

from lowambient.plan.winters import great_circle_km

HOUR = timedelta(hours=1)
SEEDS = range(6)


@pytest.fixture(scope="module", params=SEEDS)
def random_store(request):
    tables = random_fleet.fleet(request.param)
    store = MemoryStore(tables)
    store.build_all()
    return store, {name: table.to_dicts() for name, table in _input_rows(store).items()}


def _input_rows(store):
    return {name: store.frame(f"in_{name}") for name in ("weather", "stations", "sites", "units", "calls")}


def _temperatures(rows, station, filled_h=3):
    hours = naive.weather_hours(rows["weather"], filled_h).get(station, {})
    return {hour: values[0] for hour, values in hours.items()}


def _package_file(package: str, *parts: str) -> Path:
    """A data file of an installed package, found without running the package."""
    spec = find_spec(package)
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent.joinpath(*parts)


def isd_lite(station: str, year: int) -> pl.DataFrame:
    """NOAA ISD-Lite as its format document says: year month day hour, then air temperature in tenths, -9999 missing."""
    path = _package_file("diyepw", "data", "noaa_isd_lite_files", f"{station}-{year}.gz")
    rows = [line.split() for line in gzip.decompress(path.read_bytes()).decode("ascii").splitlines()]
    return pl.DataFrame(
        {
            "station_id": station,
            "hour": [datetime(*(int(part) for part in row[:4])) for row in rows],
            "temperature_c": [None if row[4] == "-9999" else int(row[4]) / 10 for row in rows],
            "kind": "observed",
        }
    ).drop_nulls("temperature_c")


def greensboro() -> pl.DataFrame:
    """TMY3 of Greensboro (723170), hours ending in local standard time UTC-5, laid on one year of UTC hours."""
    with _package_file("pvlib", "data", "723170TYA.CSV").open(encoding="ascii") as text:
        next(text)
        celsius = [float(row["Dry-bulb (C)"]) for row in csv.DictReader(text)]
    start = datetime(2001, 1, 1, 6)
    return pl.DataFrame(
        {
            "station_id": "723170",
            "hour": [start + number * HOUR for number in range(len(celsius))],
            "temperature_c": celsius,
            "kind": "typical",
        }
    )


def _one_unit(weather: pl.DataFrame, first: datetime, last: datetime, **unit) -> MemoryStore:
    """A fleet of one unit at the station of `weather`, with calls in its first and last hour of interest."""
    station = weather["station_id"][0]
    return MemoryStore(
        {
            "weather": weather,
            "sites": pl.DataFrame({"site_id": "s", "station_id": station, "time_zone": "UTC"}),
            "units": pl.DataFrame({"unit_id": "u", "site_id": "s", "refrigerant": "R-410A"} | unit),
            "calls": pl.DataFrame(
                {"call_id": ["first", "last"], "unit_id": "u", "opened_at": [first, last], "work_type": "planned"}
            ),
        }
    )


def _limits(starve_ambient_c: float, demand_from_c: float | None = None) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "unit_id": ["u"],
            "demand_from_c": [demand_from_c],
            "starve_ambient_c": [starve_ambient_c],
            "reset_ambient_c": [None],
            "reset_cold_below_c": [None],
        },
        schema_overrides=dict.fromkeys(("demand_from_c", "reset_ambient_c", "reset_cold_below_c"), pl.Float64),
    )


def test_weather_hours_are_those_of_the_slow_twin(random_store):
    store, rows = random_store
    twin = naive.weather_hours(rows["weather"], 3)
    found = {(row["station_id"], row["hour"]): row for row in store.frame("weather_hours").to_dicts()}
    assert set(found) == {(station, hour) for station, hours in twin.items() for hour in hours}
    for (station, hour), row in found.items():
        expected = twin[station][hour]
        assert row["interpolated"] == expected[3]
        for name, value in zip(("temperature_c", "dew_point_c", "wind_m_s"), expected[:3], strict=True):
            # both round to thousandths, and a value halfway may go either way
            assert row[name] == (None if value is None else pytest.approx(value, abs=0.001001))


@pytest.mark.parametrize(("missing", "bridged"), [(1, 1), (3, 3), (4, 0)])
def test_gaps_up_to_three_hours_are_bridged_and_marked(missing, bridged):
    start = datetime(2016, 1, 1)
    weather = pl.DataFrame(
        {
            "station_id": "A",
            "hour": [start, start + (missing + 1) * HOUR],
            "temperature_c": [0.0, 10.0 * (missing + 1)],
            "kind": "observed",
        }
    )
    store = MemoryStore({"weather": weather})
    store.build("weather_hours")
    between = store.frame("weather_hours").filter("interpolated")
    assert between["temperature_c"].to_list() == [10.0 * step for step in range(1, bridged + 1)]


def test_typical_years_never_become_observed_hours():
    store = MemoryStore({"weather": greensboro()})
    store.build("weather_hours")
    assert store.frame("weather_hours").is_empty()


def test_units_have_the_station_of_the_slow_twin(random_store):
    store, rows = random_store
    found = {row["unit_id"]: row for row in store.frame("unit_station").to_dicts()}
    for kind, prefix in (("observed", ""), ("typical", "typical_")):
        twin = naive.unit_station(rows["units"], rows["sites"], rows["stations"], rows["weather"], kind)
        for unit, (station, km, named) in twin.items():
            assert found[unit][f"{prefix}station_id"] == station
            assert found[unit][f"{prefix}station_km"] == (None if km is None else pytest.approx(km, abs=0.01))
            if kind == "observed":
                assert found[unit]["station_named"] == named


def test_great_circle_of_a_published_example():
    """Williams, Aviation Formulary 1.46: Los Angeles 33 57 N 118 24 W, New York 40 38 N 73 47 W, 0.623585 radian."""
    place = {"latitude": 33 + 57 / 60, "longitude": -(118 + 24 / 60)}
    other = {"latitude": 40 + 38 / 60, "longitude": -(73 + 47 / 60)}
    expected_km = 0.623585 * 6371.0088
    store = MemoryStore(
        {
            "weather": isd_lite("725300", 2016).head(1).with_columns(pl.lit("JFK").alias("station_id")),
            "sites": pl.DataFrame({"site_id": "s", "time_zone": "UTC"} | place),
            "stations": pl.DataFrame({"station_id": "JFK"} | other),
            "units": pl.DataFrame({"unit_id": "u", "site_id": "s", "refrigerant": "R-22"}),
        }
    )
    store.build("unit_station")
    assert store.frame("unit_station")["station_km"][0] == pytest.approx(expected_km, abs=0.004)
    function = great_circle_km(*(np.array(value) for value in (*place.values(), *other.values())))
    assert float(function) == pytest.approx(expected_km, abs=0.004)


def test_a_named_station_without_weather_gives_way_to_the_nearest_with_weather():
    start = datetime(2016, 1, 1)
    hour = {"hour": [start], "temperature_c": [1.0], "kind": ["observed"]}
    store = MemoryStore(
        {
            "weather": pl.concat([pl.DataFrame({"station_id": [name]} | hour) for name in ("near", "far")]),
            "stations": pl.DataFrame(
                {"station_id": ["near", "far", "silent"], "latitude": [41.0, 45.0, 40.0], "longitude": [0.0, 0.0, 0.0]}
            ),
            "sites": pl.DataFrame(
                {"site_id": "s", "latitude": 40.0, "longitude": 0.0, "station_id": "silent", "time_zone": "UTC"}
            ),
            "units": pl.DataFrame({"unit_id": "u", "site_id": "s", "refrigerant": "R-22"}),
        }
    )
    store.build("unit_station")
    row = store.frame("unit_station").row(0, named=True)
    assert (row["station_id"], row["station_named"], row["named_station_id"]) == ("near", False, "silent")
    # one degree of latitude is 111.195 km on that sphere
    assert row["station_km"] == pytest.approx(111.195, abs=0.001)


@pytest.mark.parametrize(("fahrenheit", "hours"), [(60, 4241), (50, 2815), (40, 1591), (32, 792), (20, 231), (10, 17)])
def test_cold_hours_of_a_typical_year(fahrenheit, hours):
    """Hours under each temperature in TMY3 723170 (Greensboro, in the package pvlib), counted outside the project."""
    store = _one_unit(greensboro(), datetime(2016, 1, 1), datetime(2016, 12, 31))
    store.build_all(limits=_limits(round((fahrenheit - 32) / 1.8, 3)))
    typical = store.frame("typical_cold_hours").row(0, named=True)
    assert typical["basis"] == "typical year"
    assert typical["cold_hours_typical"] == hours
    assert store.frame("cold_hours")["demand_hours"].sum() == 0


@pytest.mark.parametrize(("year", "rows", "cold"), [(2015, 8758, 2671), (2016, 8782, 2631), (2017, 8759, 2467)])
def test_cold_hours_of_observed_years_at_chicago(year, rows, cold):
    """Rows and hours under 4 degC of NOAA ISD-Lite 725300 (in the package diyepw), counted outside the project."""
    weather = isd_lite("725300", year)
    assert len(weather) == rows
    store = _one_unit(weather, datetime(year, 1, 1), datetime(year, 12, 31, 23))
    store.build_all(limits=_limits(4.0))
    bridged = store.frame("weather_hours").filter("interpolated")
    counted = store.frame("cold_hours")
    hours_of_year = (datetime(year + 1, 1, 1) - datetime(year, 1, 1)) / HOUR
    assert counted["cold_hours"].sum() == cold + (bridged["temperature_c"] < 4.0).sum()
    assert counted["service_hours"].sum() == hours_of_year
    assert counted["gap_hours"].sum() == hours_of_year - rows - len(bridged)
    assert store.frame("weather_hours")["temperature_c"].min() >= -24.4
    assert counted["winter"].to_list() == [f"{year - 1}/{year % 100}", f"{year}/{year % 100 + 1}"]


def test_whole_observed_winters_make_the_typical_one():
    """Two whole winters between the same three files; the parts before and after do not count."""
    weather = pl.concat([isd_lite("725300", year) for year in (2015, 2016, 2017)])
    store = _one_unit(weather, datetime(2015, 1, 1), datetime(2017, 12, 31))
    store.build_all(limits=_limits(4.0))
    rows = store.frame("in_weather").to_dicts()
    winters = naive.winters_at_station(_temperatures({"weather": rows}, "725300"), _limits(4.0).row(0, named=True), 7)
    whole = [cold * hours / seen for hours, seen, cold in winters.values() if seen >= 0.95 * hours]
    typical = store.frame("typical_cold_hours").row(0, named=True)
    assert typical["winters"] == len(whole) == 2
    assert typical["cold_hours_typical"] == pytest.approx(sum(whole) / 2, abs=0.05)
    assert typical["spread_borrowed"]
    assert typical["spread_cv"] == 0.12


@pytest.mark.parametrize("kind", ["observed", "typical"])
def test_hours_without_demand_are_not_cold_ones(kind):
    """A unit that cools from 0 degC up and starves under 4: hours from 0.0 to 3.9 degC alone, counted from the file."""
    weather = isd_lite("725300", 2016) if kind == "observed" else greensboro()
    store = _one_unit(weather, datetime(2016, 1, 1), datetime(2016, 12, 31))
    store.build_all(limits=_limits(4.0, demand_from_c=0.0))
    between = weather.filter(pl.col("temperature_c").is_between(0.0, 3.9))
    typical = store.frame("typical_cold_hours").row(0, named=True)
    assert typical["cold_hours_typical"] == pytest.approx(len(between), rel=0.005)
    if kind == "observed":
        assert store.frame("cold_hours")["cold_hours"].sum() == pytest.approx(len(between), abs=2)


def test_enough_winters_show_their_own_spread():
    """Ten winters of 100, 200, ... 1,000 cold hours: mean 550, standard deviation 302.77 (of 1 to 10: 3.0277)."""
    start = datetime(2000, 7, 1)
    hours = int((datetime(2010, 7, 1) - start) / HOUR)
    at = [start + number * HOUR for number in range(hours)]
    nth = [naive.winter_of(hour, 7) for hour in at]
    winters = sorted(set(nth))
    seen = dict.fromkeys(winters, 0)
    celsius = []
    for winter in nth:
        seen[winter] += 1
        celsius.append(-5.0 if seen[winter] <= 100 * (winters.index(winter) + 1) else 20.0)
    weather = pl.DataFrame({"station_id": "A", "hour": at, "temperature_c": celsius, "kind": "observed"})
    store = _one_unit(weather, start, start + 24 * HOUR)
    store.build_all(limits=_limits(4.0))
    typical = store.frame("typical_cold_hours").row(0, named=True)
    assert (typical["winters"], typical["cold_hours_typical"]) == (10, 550.0)
    assert not typical["spread_borrowed"]
    assert typical["spread_cv"] == pytest.approx(302.765 / 550, abs=1e-4)


def test_part_winters_are_pieced_together_by_month():
    weather = isd_lite("725300", 2015).filter(pl.col("hour") < datetime(2015, 4, 1))
    store = _one_unit(weather, datetime(2015, 1, 1), datetime(2015, 3, 31))
    store.build_all(limits=_limits(4.0))
    typical = store.frame("typical_cold_hours").row(0, named=True)
    observed = store.frame("weather_hours")
    assert typical["basis"] == "part winters"
    assert typical["winters"] == 0
    assert typical["cold_hours_typical"] == pytest.approx(
        (observed["temperature_c"] < 4.0).sum() * 2160 / len(observed), rel=0.002
    )


def test_cold_hours_are_those_of_the_slow_twin(random_store):
    store, rows = random_store
    limits = {row["unit_id"]: row for row in store.frame("unit_limits").to_dicts()}
    stations = dict(store.frame("unit_station").select("unit_id", "station_id").iter_rows())
    found = {}
    for unit, winter, service, wanted, cold, reset, gap in store.frame("cold_hours").iter_rows():
        found.setdefault(unit, {})[winter] = [service, wanted, cold, reset, gap]
    for unit in rows["units"]:
        name = unit["unit_id"]
        served = naive.served_hours(unit, rows["calls"])
        twin = naive.cold_hours(served, _temperatures(rows, stations[name]), limits[name], 7)
        assert found.get(name, {}) == twin


@pytest.mark.parametrize("starts_month", [1, 7, 10])
def test_winters_are_named_by_the_years_they_span(starts_month):
    start = datetime(2015, 11, 1)
    hours = [start + number * 24 * HOUR for number in range(800)]
    weather = pl.DataFrame({"station_id": "A", "hour": hours, "temperature_c": 1.0, "kind": "observed"})
    store = MemoryStore({"weather": weather}, {"winter_starts_month": starts_month})
    store.build("span", "weather_hours", "months")
    found = dict(store.frame("months").select("month", "winter").iter_rows())
    assert found == {month: naive.winter_of(month, starts_month) for month in found}
    assert min(found) == start
    assert max(found) == hours[-1].replace(day=1)


def test_marts_do_not_depend_on_the_order_of_rows_or_on_threads():
    tables = random_fleet.fleet(1)
    frames = []
    for seed, threads in ((0, 1), (1, 2)):
        store = MemoryStore({name: table.sample(fraction=1, shuffle=True, seed=seed) for name, table in tables.items()})
        store.connection.execute(f"set threads = {threads}")
        store.build_all()
        frames.append(
            {name: store.frame(name) for name in ("weather_hours", "cold_hours", "unit_bands", "unit_counts")}
        )
    for name in frames[0]:
        assert frames[0][name].equals(frames[1][name]), name


def test_hours_of_each_degree_are_those_of_the_slow_twin(random_store):
    store, rows = random_store
    expected = naive.station_hours(rows["weather"], store.thresholds["weather_gap_filled_h"])
    found = {(row["station_id"], row["floor_c"]): row["hours"] for row in store.frame("station_hours").to_dicts()}
    assert found.keys() == expected.keys()
    assert {key: round(hours, 2) for key, hours in found.items()} == pytest.approx(expected, abs=0.01)


def test_hours_of_winters_and_winters_judged_are_those_of_the_slow_twins(random_store):
    store, rows = random_store
    span = store.frame("span").row(0)
    if span[0] is None:
        assert store.frame("winter_bands").is_empty()
        return
    starts_month, done = (int(store.thresholds[name]) for name in ("winter_starts_month", "winter_done_months"))
    filled = naive.weather_hours(rows["weather"], store.thresholds["weather_gap_filled_h"])
    expected = {
        (station, *key): hours
        for station, of in filled.items()
        for key, hours in naive.winter_bands(
            {hour: row[0] for hour, row in of.items()}, span, starts_month, store.thresholds["band_width_k"]
        ).items()
    }
    found = {(row[0], row[1], row[2]): row[3] for row in store.frame("winter_bands").iter_rows()}
    assert found == expected
    months = set(store.frame("months")["winter_from"])
    begun = [each for each in naive.judged_winters(span, starts_month, done) if each in months]
    assert store.frame("judged_winters")["winter_from"].to_list() == begun


@pytest.mark.parametrize(
    ("first", "last", "winters"),
    [
        (datetime(2014, 9, 3), datetime(2018, 9, 30), ["2015/16", "2016/17", "2017/18"]),
        (datetime(2014, 1, 1), datetime(2015, 4, 30), ["2014/15"]),
        (datetime(2014, 1, 2), datetime(2015, 5, 1), []),
        (datetime(2014, 10, 1), datetime(2015, 6, 1), []),
    ],
)
def test_winters_are_judged_from_half_a_year_of_calls_on_until_they_are_done(first, last, winters):
    store = MemoryStore({})
    store.put("span", pl.DataFrame({"from_hour": [first], "to_hour": [last + timedelta(days=1)]}))
    store.put("weather_hours", pl.DataFrame(schema={"hour": pl.Datetime("us")}))
    store.build("months", "judged_winters")
    assert store.frame("judged_winters")["winter"].to_list() == winters
    span = first, last + timedelta(days=1)
    assert [f"{each.year}/{(each.year + 1) % 100}" for each in naive.judged_winters(span, 7, 10)] == winters


def test_the_winter_minimum_of_a_real_station_is_the_mean_of_its_coldest_hours():
    # Chicago O'Hare: the year 2015 has a minimum of its own winter parts; whole winters are July to June
    weather = pl.concat([isd_lite("725300", year) for year in (2015, 2016, 2017)])
    tables = random_fleet.fleet(0) | {"weather": weather}
    store = MemoryStore(tables)
    store.build_all()
    winters = {2015: [], 2016: []}
    for hour, celsius in weather.select("hour", "temperature_c").iter_rows():
        start = hour.year if hour.month >= 7 else hour.year - 1
        if start in winters:
            winters[start].append(celsius)
    expected = sum(min(values) for values in winters.values()) / 2
    row = store.frame("winter_minimums").filter(pl.col("station_id") == "725300").row(0, named=True)
    assert row["winters"] == 2
    assert row["winter_minimum_c"] == pytest.approx(expected, abs=0.006)
    assert -27 < expected < -17
