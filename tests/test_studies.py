"""The studies: each runs on a store as it stands, and gives what plain loops over the marts and tickets give."""

from collections import Counter, defaultdict
from datetime import timedelta
from statistics import median
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
import sqlglot
from sqlglot import exp
from test_callbacks import callback_store, random_calls

from lowambient.store import queries

STUDIES = queries.names("studies")
DAY = timedelta(days=1)


@pytest.fixture(scope="module", params=[3, 8])
def store(request):
    """A store with every mart, and hours and parts on its tickets."""
    tables, symptoms, said = random_calls(request.param)
    random = np.random.default_rng(request.param)
    count = tables["calls"].height
    tables["calls"] = tables["calls"].with_columns(
        labour_h=pl.Series([round(float(each), 2) if each > 0.3 else None for each in random.gamma(1, 1, count)]),
        travel_h=pl.Series(random.random(count).round(2)),
        parts_cost=pl.Series(random.integers(0, 500, count).astype(float)),
    )
    return callback_store(tables, symptoms, said)


def rows(store, name):
    """Rows of a table of the store."""
    return store.frame(name).to_dicts()


def by(found, *keys):
    """{key or keys: row}."""
    return {tuple(row[key] for key in keys) if len(keys) > 1 else row[keys[0]]: row for row in found}


@pytest.fixture(scope="module")
def study(store):
    """Runs a study as any client would: its text, nothing bound."""
    return lambda name: store.connection.sql(queries.text("studies", name)).pl().to_dicts()


def test_there_are_at_least_twelve():
    assert len(STUDIES) >= 12


@pytest.mark.parametrize("name", STUDIES)
def test_each_is_one_ordered_select_under_a_question(name):
    text = queries.text("studies", name)
    head = text.split("\n\n")[0]
    assert head.startswith("-- ")
    assert "?" in head.splitlines()[0]
    assert "-- Grain:" in head
    statements = [each for each in sqlglot.parse(text, dialect="duckdb") if each is not None]
    assert len(statements) == 1
    assert isinstance(statements[0], exp.Select)
    assert statements[0].args.get("order") is not None


@pytest.mark.parametrize("name", STUDIES)
def test_each_runs_on_an_empty_store(name):
    tables, _, _ = random_calls(0)
    empty = callback_store({table: frame.clear() for table, frame in tables.items()}, {})
    assert empty.connection.sql(queries.text("studies", name)).pl().height == 0


def test_every_study_is_tested_here(request):
    tests = {item.name.split("[")[0] for item in request.session.items if item.path == request.path}
    if len(tests) > 5:
        assert {f"test_{name}" for name in STUDIES} <= tests


def test_window_sensitivity(store, study):
    windows = rows(store, "callback_windows")
    for row in study("window_sensitivity"):
        whole = [each for each in windows if each["watched_d"] >= row["window_d"]]
        back = sum(1 for each in whole if (each["callback_after_d"] or 1e9) <= row["window_d"])
        assert (row["calls"], row["callbacks"]) == (len(whole), back)
        assert row["rate"] == pytest.approx(back / len(whole), abs=1e-4)


def test_symptom_pairs(store, study):
    calls = by(rows(store, "service_calls"), "call_id")
    days = defaultdict(list)
    for call in rows(store, "callbacks"):
        if call["callback_of"]:
            pair = calls[call["callback_of"]]["symptom"], calls[call["call_id"]]["symptom"]
            days[pair].append(call["after_d"])
    found = study("symptom_pairs")
    assert {(row["symptom_before"], row["symptom_after"]): row["callbacks"] for row in found} == {
        pair: len(each) for pair, each in days.items()
    }
    for row in found:
        pair = row["symptom_before"], row["symptom_after"]
        assert row["median_after_d"] == pytest.approx(median(days[pair]), abs=0.006)
    shares = Counter()
    for row in found:
        shares[row["symptom_before"]] += row["share"]
    assert all(share == pytest.approx(1, abs=1e-3) for share in shares.values())


def test_callback_chains(store, study):
    callbacks = by(rows(store, "callbacks"), "call_id")
    calls = by(rows(store, "service_calls"), "call_id")
    tickets = by(rows(store, "in_calls"), "call_id")
    trees = defaultdict(list)
    for call in callbacks:
        length, first = 1, call
        while callbacks[first]["callback_of"]:
            first, length = callbacks[first]["callback_of"], length + 1
        trees[first].append((length, call))
    expected = {first: tree for first, tree in trees.items() if max(tree)[0] >= 3}
    found = by(study("callback_chains"), "first_call_id")
    assert found.keys() == expected.keys()
    assert found
    for first, row in found.items():
        opened = [calls[call]["opened_at"] for _, call in expected[first]]
        assert row["calls"] == max(expected[first])[0]
        assert row["days"] == pytest.approx((max(opened) - calls[first]["opened_at"]) / DAY, abs=0.051)
        hours = sum((tickets[call]["labour_h"] or 0) + (tickets[call]["travel_h"] or 0) for _, call in expected[first])
        assert row["visits_h"] == pytest.approx(hours, abs=0.006)


def test_units_of_most_callbacks(store, study):
    callbacks = rows(store, "callbacks")
    counted = Counter(call["unit_id"] for call in callbacks if call["callback_of"])
    found = study("units_of_most_callbacks")
    assert {row["unit_id"]: row["callbacks"] for row in found} == counted
    assert [row["callbacks"] for row in found] == sorted(counted.values(), reverse=True)
    assert found[0]["running_share"] == pytest.approx(found[0]["callbacks"] / counted.total(), abs=1e-4)
    assert found[-1]["running_share"] == 1
    assert all(row["calls"] == sum(call["unit_id"] == row["unit_id"] for call in callbacks) for row in found)


def observed_windows(store):
    """Calls with a whole window of 30 days, each with whether it came back."""
    return [
        row | {"back": (row["callback_after_d"] or 1e9) <= 30}
        for row in rows(store, "callback_windows")
        if row["watched_d"] >= 30
    ]


def test_technician_mix(store, study):
    calls = observed_windows(store)
    strata = defaultdict(list)
    for call in calls:
        strata[call["symptom"], call["opened_at"].month % 12 // 3].append(call["back"])
    found = by(study("technician_mix"), "technician")
    assert found.keys() == {call["technician"] for call in calls} - {None}
    for technician, row in found.items():
        mine = [call for call in calls if call["technician"] == technician]
        expected = sum(np.mean(strata[call["symptom"], call["opened_at"].month % 12 // 3]) for call in mine)
        assert (row["calls"], row["callbacks"]) == (len(mine), sum(call["back"] for call in mine))
        assert row["expected"] == pytest.approx(expected, abs=1e-3)


def test_same_technician(store, study):
    calls = by(rows(store, "service_calls"), "call_id")
    callbacks = by(rows(store, "callbacks"), "call_id")
    counted = defaultdict(list)
    for call in observed_windows(store):
        earlier = callbacks[call["call_id"]]["callback_of"]
        if earlier and call["technician"] and calls[earlier]["technician"]:
            counted[call["technician"] == calls[earlier]["technician"]].append(call["back"])
    assert {row["same_technician"]: (row["callbacks"], row["came_back_again"]) for row in study("same_technician")} == {
        same: (len(back), sum(back)) for same, back in counted.items()
    }


def test_resets_before_repair(store, study):
    calls = sorted(rows(store, "service_calls"), key=lambda call: call["opened_at"])
    found = by(study("resets_before_repair"), "call_id")
    waiting, expected = defaultdict(list), {}
    for call in calls:
        if call["work"] == "switch reset only":
            waiting[call["unit_id"]].append(call["opened_at"])
        elif call["work"]:
            expected[call["call_id"]] = waiting.pop(call["unit_id"], [])
    assert {call: row["resets"] for call, row in found.items()} == {call: len(at) for call, at in expected.items()}
    assert {call: row["first_reset_at"] for call, row in found.items()} == {
        call: min(at, default=None) for call, at in expected.items()
    }


def test_late_cold_callbacks(store, study):
    callbacks = rows(store, "callbacks")
    expected = {call["call_id"] for call in callbacks if call["cold_callback_of"] and not call["callback_of"]}
    calls = by(rows(store, "service_calls"), "call_id")
    found = by(study("late_cold_callbacks"), "call_id")
    assert found.keys() == expected
    for call, row in found.items():
        gap = calls[call]["opened_at"] - calls[row["earlier_call_id"]]["ended_at"]
        assert row["after_d"] == pytest.approx(gap / DAY, abs=0.051)
        assert row["after_d"] > 30


def test_weeks_to_callback(store, study):
    windows = rows(store, "callback_windows")
    found = by(study("weeks_to_callback"), "symptom", "week")
    for symptom in {call["symptom"] for call in windows}:
        for week in range(13):
            begin, end = 7 * week, 7 * week + 7
            risk = [
                call
                for call in windows
                if call["symptom"] == symptom
                and call["watched_d"] >= begin
                and (call["callback_after_d"] is None or call["callback_after_d"] >= begin)
            ]
            back = sum(call["callback_after_d"] is not None and call["callback_after_d"] < end for call in risk)
            if risk:
                row = found.pop((symptom, week))
                assert (row["at_risk"], row["callbacks"]) == (len(risk), back)
    assert not found


def test_hour_and_weekday(store, study):
    cold = {row["symptom"] for row in rows(store, "cold_symptoms")}
    sites = dict(store.frame("in_units").select("unit_id", "site_id").iter_rows())
    zones = dict(store.frame("in_sites").select("site_id", "time_zone").iter_rows())
    counted = Counter()
    for call in rows(store, "service_calls"):
        zone = ZoneInfo(zones[sites[call["unit_id"]]])
        local = call["opened_at"].replace(tzinfo=ZoneInfo("UTC")).astimezone(zone)
        counted["cold weather" if call["symptom"] in cold else "other", local.isoweekday(), local.hour] += 1
    assert {(row["kind"], row["weekday"], row["hour"]): row["calls"] for row in study("hour_and_weekday")} == counted


def test_hours_to_close(store, study):
    weather = by(rows(store, "call_weather"), "call_id")
    hours = defaultdict(list)
    for call in rows(store, "service_calls"):
        if call["is_index"] and call["ended_at"] > call["opened_at"]:
            outdoor = weather[call["call_id"]]["outdoor_c"]
            cold = None if outdoor is None else outdoor < 10
            hours[call["symptom"], cold].append((call["ended_at"] - call["opened_at"]) / timedelta(hours=1))
    found = by(study("hours_to_close"), "symptom", "cold")
    assert found.keys() == hours.keys()
    for key, row in found.items():
        assert row["calls"] == len(hours[key])
        assert row["median_h"] == pytest.approx(median(hours[key]), abs=0.02)
        assert row["ninth_decile_h"] == pytest.approx(np.quantile(hours[key], 0.9), abs=0.02)


def test_hours_spent_on_callbacks(store, study):
    sites = dict(store.frame("in_units").select("unit_id", "site_id").iter_rows())
    tickets = by(rows(store, "in_calls"), "call_id")
    every, back = Counter(), Counter()
    for call in rows(store, "callbacks"):
        hours = (tickets[call["call_id"]]["labour_h"] or 0) + (tickets[call["call_id"]]["travel_h"] or 0)
        every[sites[call["unit_id"]]] += hours
        back[sites[call["unit_id"]]] += hours if call["callback_of"] else 0
    for row in study("hours_spent_on_callbacks"):
        assert row["all_hours"] == pytest.approx(every[row["site_id"]], abs=0.006)
        assert row["callback_hours"] == pytest.approx(back[row["site_id"]], abs=0.006)


def test_duplicate_tickets(store, study):
    found = study("duplicate_tickets")
    assert sum(row["tickets"] for row in found) == store.frame("service_tickets").height
    assert sum(row["calls"] for row in found) == store.frame("service_calls").height
    assert max(row["most"] for row in found) == store.frame("service_calls")["tickets"].max() > 1
    assert all(row["doubles"] == row["tickets"] - row["calls"] for row in found)


def test_symptoms_by_month(store, study):
    callbacks = by(rows(store, "callbacks"), "call_id")
    counted, back = Counter(), Counter()
    for call in rows(store, "service_calls"):
        key = call["opened_at"].month, call["symptom"]
        counted[key] += 1
        back[key] += callbacks[call["call_id"]]["callback_of"] is not None
    found = by(study("symptoms_by_month"), "month", "symptom")
    assert {key: (row["calls"], row["callbacks"]) for key, row in found.items()} == {
        key: (calls, back[key]) for key, calls in counted.items()
    }


def test_cold_spells(store, study):
    hours = defaultdict(lambda: defaultdict(list))
    for row in rows(store, "weather_hours"):
        hours[row["station_id"]][row["hour"].date()].append(row["temperature_c"])
    stations = dict(store.frame("unit_station").select("unit_id", "station_id").iter_rows())
    served = Counter(stations.values())
    expected = []
    for station in sorted(set(hours) & set(served)):
        cold = [day for day in sorted(hours[station]) if sum(each < 10 for each in hours[station][day]) >= 12]
        spells = []
        for day in cold:
            if spells and day - spells[-1][-1] == DAY:
                spells[-1].append(day)
            else:
                spells.append([day])
        expected += [(station, spell[0], spell[-1]) for spell in spells]
    found = study("cold_spells")
    assert [(row["station_id"], row["first_day"], row["last_day"]) for row in found] == expected
    for row in found:
        begun = sum(
            stations[episode["unit_id"]] == row["station_id"]
            and row["first_day"] <= episode["first_opened_at"].date() <= row["last_day"] + DAY
            for episode in rows(store, "episodes")
        )
        assert (row["episodes"], row["units"]) == (begun, served[row["station_id"]])
