"""Callbacks on both clocks: equal to a slow twin on random fleets, and hand-made cases of each rule."""

from datetime import datetime, timedelta

import naive
import naive_callbacks as twin
import numpy as np
import polars as pl
import pytest
import random_fleet
from memory_store import MemoryStore

from lowambient import reference
from lowambient.calls.words import read_words
from lowambient.judgement import AFTER_LIMITS

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
SYMPTOMS = ("low-pressure trip", "no cooling", "icing", "fan", "belt", "other")
# a chain, so that related is not transitive, and a pair written once only
PAIRS = (("low-pressure trip", "no cooling"), ("no cooling", "icing"), ("belt", "fan"))
STATEMENTS = (
    "control fitted",
    "control reconnected",
    "refrigerant added",
    "switch reset",
    "power cycled",
    "jumper found",
    "bypass found",
    "bypass removed",
)
BRIDGED = (None, "head control", "low-pressure switch", "high-pressure switch")
TO_WINDOWS = AFTER_LIMITS[AFTER_LIMITS.index("work_done") : AFTER_LIMITS.index("callback_windows") + 1]
MARTS = (*TO_WINDOWS, "return_triggers", "repairs", "other_work")
BEGINS = {row["symptom"]: row["begins"] for row in reference.rows("cold_symptoms")}
SEEDS = range(12)


def callback_store(tables, symptoms, statements=(), changed=None, pairs=PAIRS):
    """A store with every mart of callbacks; `symptoms`: {call: symptom}, `statements`: (call, statement, about)."""
    store = MemoryStore(tables, changed)
    given = pl.DataFrame({"call_id": list(symptoms), "symptom": list(symptoms.values())})
    store.build_all(given.with_columns(symptom_probability=0.9))
    build_callbacks(store, statements, pairs)
    return store


def build_callbacks(store, statements=(), pairs=PAIRS):
    """The marts of callbacks on top of the others; each call also has a statement that is too doubtful to count."""
    store.put("related_symptoms", pl.DataFrame(pairs, schema=["symptom", "related"], orient="row"))
    store.put("cold_symptoms", pl.DataFrame(reference.rows("cold_symptoms")))
    store.put("work_kinds", pl.DataFrame(reference.rows("work_kinds")).with_columns(pl.col("rank").cast(pl.Int64)))
    schema = {"call_id": pl.String, "statement": pl.String, "about": pl.String}
    told = pl.DataFrame(list(statements), schema=schema, orient="row").with_columns(probability=0.9)
    doubt = {"statement": STATEMENTS[0], "about": BRIDGED[0], "probability": 0.4}
    doubted = store.frame("in_calls").select(
        "call_id", *(pl.lit(value, told.schema[name]).alias(name) for name, value in doubt.items())
    )
    store.put("call_statements", pl.concat([told, doubted]))
    store.build(*MARTS)


def random_calls(seed):
    """A random fleet with technicians, symptoms and statements, crowded on few units so that calls come back."""
    random = np.random.default_rng(1000 + seed)
    tables = random_fleet.fleet(seed, units=9)
    calls = tables["calls"]
    ids = calls["call_id"].to_list()
    technicians = [("T1", "T2", "T3", None)[place] for place in random.integers(4, size=len(ids))]
    # some tickets at the same instant as another, and some that stay open for weeks
    opened = calls["opened_at"].to_list()
    closed = calls["closed_at"].to_list()
    for place in range(1, len(ids)):
        if random.random() < 0.05:
            opened[place] = opened[place - 1]
            closed[place] = None
        elif random.random() < 0.05:
            closed[place] = opened[place] + timedelta(days=int(random.integers(1, 20)))
    tables["calls"] = calls.with_columns(
        technician=pl.Series(technicians, dtype=pl.String),
        opened_at=pl.Series(opened),
        closed_at=pl.Series(closed, dtype=pl.Datetime),
    )
    symptoms = {call: SYMPTOMS[int(len(SYMPTOMS) * random.random() ** 1.7)] for call in ids}
    bridged = {call: BRIDGED[place] for call, place in zip(ids, random.integers(4, size=len(ids)), strict=True)}
    said = [
        (call, statement, bridged[call] if statement.startswith("bypass") else None)
        for call in ids
        for statement in STATEMENTS
        if random.random() < 0.12
    ]
    return tables, symptoms, said


@pytest.fixture(scope="module", params=SEEDS)
def fleet(request):
    tables, symptoms, said = random_calls(request.param)
    store = callback_store(tables, symptoms, said, {"recall_cold_hours": (100.0, 30.0)[request.param % 2]})
    return store, Twin(store, symptoms, said)


class Twin:
    """What the twin says of a store, unit by unit."""

    def __init__(self, store, symptoms, said):
        rows = {name: store.frame(f"in_{name}").to_dicts() for name in ("weather", "units", "calls")}
        self.thresholds = store.thresholds
        self.end = max(naive.whole_hour(call["opened_at"]).replace(hour=0) for call in rows["calls"]) + DAY
        self.units = {unit["unit_id"]: unit for unit in rows["units"]}
        for call in rows["calls"]:
            call["symptom"] = symptoms[call["call_id"]]
            stated = {statement: about for each, statement, about in said if each == call["call_id"]}
            call["works"] = set(stated)
            call["work"] = twin.work_of(stated, reference.rows("work_kinds"))
        self.tickets = {unit: [call for call in rows["calls"] if call["unit_id"] == unit] for unit in self.units}
        self.calls = {
            unit: twin.service_calls(tickets, self.thresholds["duplicate_ticket_hours"])
            for unit, tickets in self.tickets.items()
        }
        stations = dict(store.frame("unit_station").select("unit_id", "station_id").iter_rows())
        limits = {row["unit_id"]: row for row in store.frame("unit_limits").to_dicts()}
        hours = naive.weather_hours(rows["weather"], self.thresholds["weather_gap_filled_h"])
        self.clocks = {
            unit: twin.ColdClock(
                naive.served_hours(row, rows["calls"]),
                {hour: values[0] for hour, values in hours.get(stations[unit], {}).items()},
                limits[unit],
            )
            for unit, row in self.units.items()
        }

    def every_call(self):
        """(unit, its calls, call) for each service call."""
        for unit, calls in self.calls.items():
            for call in calls:
                yield unit, calls, call

    def watched_to(self, unit, call):
        """When the unit was no longer watched."""
        return twin.watched_to(call, self.units[unit], self.end, twin.retrofits(self.tickets[unit]))


def test_service_calls_are_those_of_the_twin(fleet):
    store, expected = fleet
    found = {row["call_id"]: row for row in store.frame("service_calls").to_dicts()}
    assert len(found) == sum(1 for _ in expected.every_call())
    for _, calls, call in expected.every_call():
        row = found[call["call_id"]]
        numbers = [found[each["call_id"]]["number"] for each in calls]
        assert numbers == list(range(numbers[0], numbers[0] + len(calls)))
        for column in ("opened_at", "ended_at", "is_index", "symptom", "technician", "tickets"):
            assert row[column] == call[column], (column, call)
        assert row["work"] == (call["work"] and call["work"][1])


def test_callbacks_are_those_of_the_twin(fleet):
    store, expected = fleet
    found = {row["call_id"]: row for row in store.frame("callbacks").to_dicts()}
    window = expected.thresholds["recall_window_days"]
    seen = 0
    for _, calls, call in expected.every_call():
        row = found.pop(call["call_id"])
        assert row["callback_of"] == twin.callback_of(call, calls, PAIRS, window)
        assert row["any_callback_of"] == twin.callback_of(call, calls, PAIRS, window, whatever=True)
        seen += row["callback_of"] is not None
    assert not found
    assert seen > 5


def test_cold_callbacks_are_those_of_the_twin(fleet):
    store, expected = fleet
    found = {row["call_id"]: row for row in store.frame("callbacks").to_dicts()}
    window = expected.thresholds["recall_cold_hours"]
    for unit, calls, call in expected.every_call():
        row = found[call["call_id"]]
        clock = expected.clocks[unit]
        assert (row["cold_callback_of"], row["is_cold_callback"]) == twin.cold_callback_of(
            call, calls, PAIRS, clock, BEGINS, window
        )
        if row["cold_callback_of"]:
            earlier = next(each for each in calls if each["call_id"] == row["cold_callback_of"])
            assert row["cold_after_h"] == clock.between(earlier["ended_at"], call["opened_at"])


def test_windows_are_those_of_the_twin(fleet):
    """Callback, cut window and censoring at several lengths, each found anew by looking at every later call."""
    store, expected = fleet
    found = {row["call_id"]: row for row in store.frame("callback_windows").to_dicts()}
    assert len(found) == sum(call["is_index"] for *_, call in expected.every_call())
    for unit, calls, call in expected.every_call():
        if not call["is_index"]:
            continue
        row = found[call["call_id"]]
        end = expected.watched_to(unit, call)
        for days in (7, 30, 90):
            for whatever, column in ((False, "callback_after_d"), (True, "any_after_d")):
                came = any(
                    later["opened_at"] <= end
                    and twin.callback_of(later, calls, PAIRS, days, whatever) == call["call_id"]
                    for later in calls
                )
                assert (row[column] is not None and row[column] <= days) == came
            assert (row["watched_d"] >= days) == (call["ended_at"] + days * DAY <= end)
        back = row["callback_after_d"] is not None and row["callback_after_d"] <= 30
        assert row["censored"] == (not back and call["ended_at"] + 30 * DAY > end)
        assert row["is_callback"] == (twin.callback_of(call, calls, PAIRS, 30) is not None)


def test_cold_windows_are_those_of_the_twin(fleet):
    store, expected = fleet
    found = {row["call_id"]: row for row in store.frame("callback_windows").to_dicts()}
    window = expected.thresholds["recall_cold_hours"]
    for unit, calls, call in expected.every_call():
        if not call["is_index"]:
            continue
        row, clock = found[call["call_id"]], expected.clocks[unit]
        if not twin.begins(call, clock, BEGINS):
            assert row["cold_watched_h"] is None
            assert row["cold_censored"] is None
            continue
        end = expected.watched_to(unit, call)
        assert row["cold_watched_h"] == clock.between(call["ended_at"], end)
        returns = [
            clock.between(call["ended_at"], later["opened_at"])
            for later in calls
            if later["opened_at"] <= end
            and twin.cold_callback_of(later, calls, PAIRS, clock, BEGINS, 10**6)[0] == call["call_id"]
        ]
        assert row["cold_after_h"] == min(returns, default=None)
        back = any(hours <= window for hours in returns)
        assert row["cold_censored"] == (not back and row["cold_watched_h"] < window)


def test_returns_ordered_are_those_of_the_twin(fleet):
    store, expected = fleet
    found = {row["call_id"]: row for row in store.frame("callback_windows").to_dicts()}
    for unit, calls, call in expected.every_call():
        if not call["is_index"]:
            continue
        end = expected.watched_to(unit, call)
        next_opened = min((each["opened_at"] for each in calls if each["opened_at"] > call["opened_at"]), default=None)
        returns = [
            ticket["opened_at"]
            for ticket in expected.tickets[unit]
            if ticket["work_type"] == "return"
            and ticket["status"] in (None, "open", "completed")
            and ticket["opened_at"] >= call["opened_at"]
            and (next_opened is None or ticket["opened_at"] < next_opened)
        ]
        first = min(returns, default=None)
        after = found[call["call_id"]]["return_after_d"]
        assert after == (pytest.approx((first - call["ended_at"]) / DAY) if first and first <= end else None)


def test_visits_that_end_the_time_of_a_repair_are_those_of_the_twin(fleet):
    """Stated work on calls off the cold clock, and visits that do not say what they did."""
    store, expected = fleet
    told = [
        each
        for unit, tickets in expected.tickets.items()
        for each in twin.other_work(tickets, expected.calls[unit], expected.clocks[unit], BEGINS)
    ]
    found = store.frame("other_work").sort("call_id").select("call_id", "work", "trigger_at")
    assert found.rows() == sorted(told, key=lambda each: each[0])
    assert found["work"].null_count() > 0
    assert found["work"].count() > 0
    repairs = store.frame("repairs")
    assert "safety switch put back" in {*found["work"]} - {*repairs["work"]}
    assert not {*found["call_id"]} & {*repairs["call_id"]}


NOTES = {
    "Reset lockout, running on departure": "switch reset only",
    "Reset lockout. Removed bypass on low ambient control": "control reconnected",
    "Found fan cycling control jumpered. Removed jumper, reset board": "control reconnected",
    "Found jumper on LP switch. Removed jumper": "safety switch put back",
    "LP switch was jumpered. Power cycled, LP switch back in circuit, removed jumper": "safety switch put back",
    "Reconnected fan cycling control": "control reconnected",
    "No jumper found. Reset": "switch reset only",
    "Removed jumper from LP switch. Added 3 lb R410A": "safety switch put back",
    "Cleaned coil": None,
}


def test_what_a_visit_did_is_its_strongest_change():
    """A bypass taken off a control is a repair, whatever was reset beside it; off a safety switch it is none."""
    calls = pl.DataFrame({"call_id": list(NOTES), "complaint": None, "finding": None, "action": list(NOTES)})
    store = MemoryStore({})
    store.put("work_kinds", pl.DataFrame(reference.rows("work_kinds")).with_columns(pl.col("rank").cast(pl.Int64)))
    store.put("call_statements", read_words(calls)[1])
    store.build("work_done")
    done = dict(store.frame("work_done").select("call_id", "work").iter_rows())
    assert {note: done.get(note) for note in NOTES} == NOTES


# one unit and hand-made tickets: each rule by itself

START = datetime(2016, 1, 4, 8)
WEATHER = pl.DataFrame(
    {
        "station_id": "A",
        "hour": [datetime(2015, 12, 1) + number * HOUR for number in range(24 * 500)],
        # cold at night only, and never from May to September
        "temperature_c": [
            20.0 if 5 <= (at := datetime(2015, 12, 1) + number * HOUR).month <= 9 else (0.0 if at.hour < 6 else 15.0)
            for number in range(24 * 500)
        ],
        "kind": "observed",
    }
)


def one_unit(tickets, unit=None, statements=(), changed=None):
    """Callbacks and windows of one unit; `tickets`: (id, days after START, hours open or None, symptom, more)."""
    calls = pl.DataFrame(
        [
            {
                "call_id": name,
                "unit_id": "u",
                "opened_at": START + days * DAY,
                "closed_at": None if hours is None else START + days * DAY + hours * HOUR,
                "work_type": "service",
                "status": "completed",
                **more,
            }
            for name, days, hours, _, more in tickets
        ]
        # a call elsewhere keeps the export open for a year
        + [
            {
                "call_id": "end",
                "unit_id": "far",
                "opened_at": START + 365 * DAY,
                "closed_at": None,
                "work_type": "service",
                "status": "completed",
            }
        ],
        infer_schema_length=None,
    )
    units = pl.DataFrame(
        [{"unit_id": name, "site_id": "s", "refrigerant": "R-410A", "duty": "year-round"} for name in ("u", "far")]
    ).with_columns(
        pl.when(pl.col("unit_id") == "u").then(pl.lit(value)).alias(column) for column, value in (unit or {}).items()
    )
    tables = {
        "weather": WEATHER,
        "stations": pl.DataFrame({"station_id": ["A"], "latitude": [40.0], "longitude": [-90.0]}),
        "sites": pl.DataFrame({"site_id": ["s"], "time_zone": ["America/Chicago"], "station_id": ["A"]}),
        "units": units,
        "calls": calls,
    }
    symptoms = {name: symptom for name, _, _, symptom, _ in tickets} | {"end": "other"}
    store = callback_store(tables, symptoms, statements, changed)
    return tuple(
        {row["call_id"]: row for row in store.frame(name).to_dicts()} for name in ("callbacks", "callback_windows")
    )


def ticket(name, days, hours=2, symptom="low-pressure trip", **more):
    """A ticket on the unit."""
    return name, days, hours, symptom, more


def test_a_chain_charges_each_callback_to_the_latest_call():
    callbacks, windows = one_unit([ticket("a", 0), ticket("b", 10), ticket("c", 25), ticket("d", 100)])
    assert [callbacks[name]["callback_of"] for name in "abcd"] == [None, "a", "b", None]
    assert [windows[name]["callback_after_d"] is not None for name in "abcd"] == [True, True, True, False]
    assert windows["c"]["callback_after_d"] > 30
    assert not any(windows[name]["censored"] for name in "abcd")


@pytest.mark.parametrize(("hours", "expected"), [(0, "a"), (1 / 3600, None)])
def test_the_window_runs_from_the_close_and_ends_on_the_second(hours, expected):
    """Opened 30 days after the close is in; a second later is not."""
    callbacks, _ = one_unit([ticket("a", 0, 48), ticket("b", 32 + hours / 24)])
    assert callbacks["b"]["callback_of"] == expected


def test_a_call_without_close_runs_from_its_opening():
    callbacks, _ = one_unit([ticket("a", 0, None), ticket("b", 30), ticket("c", 80, None), ticket("d", 110.1)])
    assert callbacks["b"]["callback_of"] == "a"
    assert callbacks["d"]["callback_of"] is None


def test_tickets_for_one_complaint_are_one_call():
    callbacks, windows = one_unit(
        [ticket("a", 0), ticket("b", 4 / 24), ticket("c", 5, 72), ticket("d", 7), ticket("e", 7.9, None, "belt")]
    )
    assert set(callbacks) == {"a", "c", "end"}
    assert callbacks["c"]["callback_of"] == "a"
    assert set(windows) == {"a", "c", "end"}


def test_cancelled_planned_and_ordered_visits_are_no_callbacks():
    callbacks, windows = one_unit(
        [
            ticket("a", 0),
            ticket("b", 3, status="cancelled"),
            ticket("c", 4, work_type="planned"),
            ticket("d", 5, work_type="return"),
            ticket("e", 6, work_type="quote"),
            ticket("f", 7, status="open"),
            ticket("g", 9),
        ]
    )
    assert set(callbacks) == {"a", "f", "g", "end"}
    # an open ticket is a callback, but no call to come back from
    assert (callbacks["f"]["callback_of"], callbacks["g"]["callback_of"]) == ("a", "a")
    assert set(windows) == {"a", "g", "end"}
    assert windows["a"]["return_after_d"] == pytest.approx(5 - 2 / 24)


def test_related_symptoms_work_both_ways_and_no_further():
    callbacks, _ = one_unit(
        [
            ticket("a", 0, symptom="no cooling"),
            ticket("b", 10, symptom="low-pressure trip"),
            ticket("c", 20, symptom="icing"),
            ticket("d", 25, symptom="belt"),
        ]
    )
    assert callbacks["b"]["callback_of"] == "a"
    # icing is related to no cooling, not to low pressure: the latest related call is a
    assert callbacks["c"]["callback_of"] == "a"
    assert callbacks["d"]["callback_of"] is None
    assert callbacks["d"]["any_callback_of"] == "c"


@pytest.mark.parametrize(
    ("unit", "statements", "more"),
    [
        ({"served_to": START + 10 * DAY}, (), []),
        ({"retired_on": START + 10 * DAY}, (), []),
        ({}, [("p", "control fitted", None)], [ticket("p", 9, 24, "other", work_type="planned")]),
    ],
    ids=["end of service", "retired", "planned retrofit"],
)
def test_a_window_cut_short_is_censored_not_fixed(unit, statements, more):
    _, windows = one_unit([ticket("a", 0, 0), *more], unit, statements)
    assert windows["a"]["watched_d"] == pytest.approx(10)
    assert windows["a"]["censored"]


def test_a_call_after_the_retrofit_is_not_held_against_the_visit_before_it():
    callbacks, windows = one_unit(
        [ticket("a", 0, 0), ticket("p", 9, 24, work_type="planned"), ticket("b", 20)],
        statements=[("p", "control fitted", None)],
    )
    assert callbacks["b"]["callback_of"] == "a"
    assert windows["a"]["callback_after_d"] is None
    assert windows["a"]["censored"]


def test_a_callback_before_the_cut_is_not_censored():
    _, windows = one_unit([ticket("a", 0), ticket("b", 5)], {"served_to": START + 10 * DAY})
    assert not windows["a"]["censored"]
    assert windows["b"]["censored"]


def test_cold_hours_are_carried_over_the_summer():
    """Six cold hours a night from 1 October: a reset on 20 April has its 100th cold hour in mid October."""
    callbacks, windows = one_unit(
        [
            ticket("april", 107, symptom="low-pressure trip"),
            ticket("summer", 190, symptom="no cooling"),
            ticket("october", 275, symptom="low-pressure trip"),
        ]
    )
    # the warm call is no cold callback, and does not stand between the cold ones
    assert callbacks["summer"]["is_cold_callback"] is False
    assert callbacks["october"]["cold_callback_of"] == "april"
    assert callbacks["october"]["callback_of"] is None
    # 20 to 30 April: 10 nights; 1 to 5 October: 5 nights
    assert callbacks["october"]["cold_after_h"] == 6 * 15
    assert windows["april"]["cold_after_h"] == 90
    assert windows["summer"]["cold_censored"] is None


def test_a_reset_whose_cold_hours_have_not_come_is_censored():
    _, windows = one_unit([ticket("a", 107)], {"served_to": START + 200 * DAY})
    assert windows["a"]["cold_watched_h"] == 60
    assert windows["a"]["cold_censored"]
    assert not windows["a"]["censored"]


def test_both_circuits_are_one_unit():
    """Calls carry no circuit: a trip of the other circuit of the unit is a callback like any other."""
    callbacks, _ = one_unit(
        [ticket("a", 0, finding="circuit 1 tripped on LP"), ticket("b", 3, finding="circuit 2 tripped on LP")]
    )
    assert callbacks["b"]["callback_of"] == "a"


def test_the_window_can_be_changed():
    callbacks, windows = one_unit([ticket("a", 0, 0), ticket("b", 20)], changed={"recall_window_days": 14.0})
    assert callbacks["b"]["callback_of"] is None
    assert windows["a"]["callback_after_d"] == 20
