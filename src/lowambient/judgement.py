"""From what was loaded to what is thought of it: every derived table of the store, in order of need."""

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import polars as pl

from lowambient import reference
from lowambient.calls.clusters import cluster_calls
from lowambient.calls.cold_calls import cold_probabilities
from lowambient.calls.lexicon import OWN_WORDS, WordsRefused
from lowambient.calls.mixture import Told
from lowambient.calls.words import read_words
from lowambient.errors import ProfileRefused
from lowambient.flags.cutting import known_before
from lowambient.flags.judging import judge_flags, unit_states
from lowambient.plan.backtest import Past, backtest
from lowambient.plan.callback_rates import (
    callback_rates,
    calls_by_service_age,
    first_time_fix,
    recall_cells,
    time_to_callback,
)
from lowambient.plan.cluster_rates import cluster_table
from lowambient.plan.cold_gathering import cold_gathering
from lowambient.plan.demand import unit_limits
from lowambient.plan.follow_up import follow_up, follow_up_by_work
from lowambient.plan.forecast import forecast
from lowambient.plan.plan_inputs import PlanInputs
from lowambient.plan.ranking import unit_ranking
from lowambient.plan.rate_curve import rate_change, rate_curve
from lowambient.plan.rates import exposure
from lowambient.plan.retrofit import retrofit_plan
from lowambient.profile import Profile
from lowambient.records import inputs
from lowambient.store import Progress, Store, circuits, count_readings
from lowambient.traces.fleet import analyse_fleet
from lowambient.traces.listing import listed_units

ROWS_FOR_PROCESSES = 2_000_000
"""Rows of readings from which several processes are worth their start (judgement)."""
CALLS_FOR_PROCESSES, MOST_READERS = 300_000, 4
"""Calls from which several processes are worth their start, and most of them, for their memory (judgement)."""
CALL_WORDS = ("call_id", "work_type", "complaint", "finding", "action")
BEFORE_LIMITS = (
    "loads",
    "quarantine",
    "unmatched",
    "set_aside",
    "weather_hours",
    "span",
    "unit_station",
    "unit_service",
    "months",
    "low_pressure_calls",
    "contradicted_duty",
)
AFTER_LIMITS = (
    "exposure_classes",
    "demand_hours",
    "call_weather",
    "work_done",
    "retrofits",
    "service_tickets",
    "service_calls",
    "watched_calls",
    "cold_clock",
    "earlier_calls",
    "callbacks",
    "callback_windows",
    "episodes",
    "return_triggers",
    "repairs",
    "other_work",
    "cold_days",
    "cold_hours",
    "typical_cold_hours",
    "unit_bands",
    "symptom_bands",
    "cold_counts",
    "unit_counts",
    "station_hours",
    "winter_minimums",
    "exposure_left_out",
    "coverage",
    "coldest_days",
    "log_days",
    "shown_windows",
    "cluster_input",
)
FOR_FLAGS = (
    "judged_winters",
    "air_of_day",
    "winter_bands",
    "week_bands",
    "year_bands",
    "flag_units",
    "flag_calls",
    "logged_weeks",
    "logged_stops",
)
WEIGHED = (
    *("flag_units", "flag_calls", "week_bands", "year_bands", "logged_weeks", "logged_stops", "span"),
    *("call_statements", "head_pressure", "circuit_months", "jumpered_spans", "in_checks"),
)
"""Relations that flags are weighed from."""
AFTER_FLAGS = ("likely_cold_calls", "forecast_counts")
AFTER_CLUSTERS = ("cluster_calls", "cluster_hours", "calls")


def judge(store: Store, profile: Profile, progress: Progress | None = None) -> None:
    """Builds every derived table of the store, in order of need."""
    steps: tuple[tuple[str, Callable[[Store, Profile], None]], ...] = (
        ("words", _words),
        ("readings of each circuit", _readings),
        ("calls and their weather", _calls_and_weather),
        ("flags", _flags),
        ("kinds of call", partial(_kinds, told=_told(progress, "kinds of call", 4, 8))),
        ("rates", _rates),
        ("winters", _winters),
        ("plan", _plan),
    )
    for done, (text, step) in enumerate(steps):
        if progress is not None:
            progress.step(text, done, len(steps))
        step(store, profile)
    if progress is not None:
        progress.step("audits", len(steps), len(steps))


def _put(store: Store, frames: Mapping[str, pl.DataFrame]) -> None:
    for name, frame in frames.items():
        store.put(name, frame)


def _build(store: Store, names: tuple[str, ...]) -> None:
    for name in names:
        store.build(name)


def _words(store: Store, profile: Profile) -> None:
    """What was read, and what the words of calls say."""
    try:
        calls = input_frame(store, "calls").select(*CALL_WORDS)
        processes = os.cpu_count() or 1 if calls.height >= CALLS_FOR_PROCESSES else 1
        symptoms, statements = read_words(calls, _own_words(profile), min(processes, MOST_READERS))
    except WordsRefused as error:
        raise ProfileRefused(str(profile.path), [f"fleet.words: {error}"]) from None
    said = {"thresholds": _thresholds(profile), "call_symptoms": symptoms, "call_statements": statements}
    _put(store, said | {name: reference_frame(name) for name in ("related_symptoms", "cold_symptoms", "work_kinds")})
    _build(store, BEFORE_LIMITS)


def _own_words(profile: Profile) -> pl.DataFrame | None:
    """The company's own words as the word list takes them; null without any."""
    rows = [(one.words, one.meant, one.weight) for one in profile.words]
    return pl.DataFrame(rows, OWN_WORDS, orient="row") if rows else None


def _readings(store: Store, profile: Profile) -> None:
    """What readings tell, and from which temperatures each unit can starve."""
    units, sites = input_frame(store, "units"), input_frame(store, "sites")
    _put(store, traced(store, units, sites))
    contradicted = store.frame("contradicted_duty", "unit_id")
    store.put("unit_limits", unit_limits(units, sites, profile.thresholds, contradicted))


def _calls_and_weather(store: Store, profile: Profile) -> None:
    """Everything that SQL counts of calls, weather and hours."""
    _build(store, AFTER_LIMITS)
    _build(store, FOR_FLAGS)
    store.build("shown_readings", kind="pages")


def _flags(store: Store, profile: Profile) -> None:
    """What is probably the matter with each unit."""
    flagged = judge_flags(_weighed(store), profile.thresholds)
    _put(store, vars(flagged))
    _build(store, AFTER_FLAGS)


def _kinds(store: Store, profile: Profile, told: Told | None = None) -> None:
    """Of which kind each call was, by words and weather."""
    _put(store, clustered(store, profile.thresholds, told))


def _told(progress: Progress | None, step: str, done: int, total: int) -> Told | None:
    """Tells of the pieces of one step."""
    if progress is None:
        return None
    return lambda text, piece, pieces: progress.step(f"{step}: {text} ({piece} of {pieces})", done, total)


def _rates(store: Store, profile: Profile) -> None:
    """How often, in which weather, and how often again."""
    store.put("exposure", exposure(store.frame("unit_bands")))
    _put(store, recalled(store, profile.thresholds, input_frame(store, "units")))
    _put(store, by_temperature(store, profile.thresholds))


def _winters(store: Store, profile: Profile) -> None:
    """The next winter, and past ones forecast again."""
    counts, states = store.frame("forecast_counts", "unit_id"), store.frame("unit_states", "unit_id, state")
    store.put("unit_ranking", unit_ranking(counts, states).with_row_index("rank", offset=1))
    store.put("forecast", forecast(counts, input_frame(store, "stations"), profile.thresholds, states))
    _put(store, backtested(store, profile.thresholds))


def _plan(store: Store, profile: Profile) -> None:
    """Where the money avoids the most calls."""
    _put(store, retrofit_plan(plan_inputs(store, profile, input_frame(store, "units"))))


def _weighed(store: Store) -> dict[str, pl.DataFrame]:
    return {name: store.frame(name, "all") for name in WEIGHED}


def traced(store: Store, units: pl.DataFrame, sites: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """What the readings of every circuit tell: the tables of `traces.analysis.TABLES`."""
    listed = listed_units(units, sites)
    given = (
        (replace(listed[each.unit_id], circuit=each.circuit), each.readings)
        for each in circuits(store)
        if each.unit_id in listed
    )
    processes = (os.cpu_count() or 1) if count_readings(store) > ROWS_FOR_PROCESSES else 1
    return analyse_fleet(given, processes)


def clustered(store: Store, thresholds: Mapping[str, float], told: Told | None = None) -> dict[str, pl.DataFrame]:
    """Calls gathered by words and weather, and how likely each was a cold lockout; builds what rests on them."""
    given = store.frame("cluster_input", "call_id")
    assigned, clusters = cluster_calls(given, store.frame("call_symptoms", "call_id"), told)
    store.put("call_clusters", assigned)
    causes = store.frame("call_causes", "call_id")
    store.put("cold_probabilities", cold_probabilities(given).update(causes, on="call_id"))
    _build(store, AFTER_CLUSTERS)
    calls, hours = store.frame("cluster_calls", "call_id"), store.frame("cluster_hours", "unit_id")
    return {"clusters": cluster_table(clusters, calls, hours, thresholds)}


def recalled(store: Store, thresholds: Mapping[str, float], units: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """How often calls come back, how soon, and whether repairs held."""
    windows = store.frame("callback_windows", "call_id")
    repairs, cold_days = store.frame("repairs", "call_id"), store.frame("cold_days", "all")
    others = store.frame("other_work", "call_id")
    cold = store.query("select unit_id, first_opened_at from episodes where cold and in_service order by episode_id")
    classes = store.frame("exposure_classes", "unit_id")
    calls, service = store.frame("service_calls", "call_id"), store.frame("unit_service", "unit_id")
    return {
        "callback_rates": callback_rates(windows, thresholds),
        "recall_cells": recall_cells(windows, thresholds),
        "first_time_fix": first_time_fix(windows, thresholds),
        "time_to_callback": time_to_callback(windows),
        "calls_by_service_age": calls_by_service_age(calls, service, units),
        "follow_up": follow_up(repairs, others, cold, classes, cold_days, thresholds),
        "follow_up_by_work": follow_up_by_work(repairs, others, cold, classes, cold_days, thresholds),
    }


def by_temperature(store: Store, thresholds: Mapping[str, float]) -> dict[str, pl.DataFrame]:
    """How each symptom's rate goes with outdoor temperature, and whose low-pressure episodes gather in the cold."""
    bands, counts = store.frame("unit_bands", "all"), store.frame("symptom_bands", "all")
    return {
        "rate_curve": rate_curve(bands, counts, thresholds),
        "rate_change": rate_change(bands, counts, thresholds),
        "cold_gathering": cold_gathering(store.frame("cold_counts", "unit_id"), thresholds),
    }


def backtested(store: Store, thresholds: Mapping[str, float]) -> dict[str, pl.DataFrame]:
    """Each past winter forecast from what was known when it began, and held against what came."""
    winters, weighed = store.frame("judged_winters", "winter"), _weighed(store)
    begun = winters.select("winter", "winter_from").iter_rows()
    past = Past(
        winters=winters,
        states={winter: unit_states(known_before(weighed, at), thresholds) for winter, at in begun},
        calls=store.frame("likely_cold_calls", "call_id"),
        unit_counts=store.frame("unit_counts", "unit_id"),
        service=store.frame("unit_service", "unit_id"),
        hours=store.frame("cold_hours", "unit_id, winter"),
        bands=store.frame("winter_bands", "station_id, winter, band"),
        stations=input_frame(store, "stations"),
    )
    return backtest(past, thresholds)


def plan_inputs(store: Store, profile: Profile, units: pl.DataFrame) -> PlanInputs:
    """What the plan rests on, from a store whose units were judged."""
    calls = input_frame(store, "calls")
    likely = store.frame("likely_cold_calls", "call_id")
    cold = calls.join(likely, on="call_id", how="semi", maintain_order="left")
    typical = store.frame("unit_station", "unit_id").select("unit_id", "typical_station_id")
    counts = store.frame("unit_counts", "unit_id").join(typical, on="unit_id", how="left", maintain_order="left")
    return PlanInputs(
        units=units,
        sites=input_frame(store, "sites"),
        calls=cold if cold.height >= profile.thresholds["own_costs_least_calls"] else calls,
        unit_counts=counts.with_columns(pl.coalesce("station_id", "typical_station_id").alias("station_id")),
        unit_limits=store.frame("unit_limits", "unit_id"),
        unit_states=store.frame("unit_states", "unit_id, state"),
        unit_causes=store.frame("unit_causes", "unit_id"),
        station_hours=store.frame("station_hours", "station_id, floor_c"),
        winter_minimums=store.frame("winter_minimums", "station_id"),
        follow_up_by_work=store.frame("follow_up_by_work", "work"),
        costs=profile.costs,
        limits=profile.plan,
        options=profile.options,
        thresholds=profile.thresholds,
    )


def reference_frame(table: str) -> pl.DataFrame:
    """A table of `reference` as the store takes it: texts, but for `rank`."""
    frame = pl.DataFrame(reference.rows(table))
    return frame.with_columns(pl.col("rank").cast(pl.Int64)) if "rank" in frame.columns else frame


def input_frame(store: Store, table: str) -> pl.DataFrame:
    """An input table that has passed its schema, by its grain."""
    schema = inputs.TABLES[table]
    return schema.validate(store.frame(f"in_{table}", ", ".join(inputs.grain(table))), cast=True)


def _thresholds(profile: Profile) -> pl.DataFrame:
    return pl.DataFrame(
        {"name": list(profile.thresholds), "value": [float(value) for value in profile.thresholds.values()]}
    ).sort("name")
