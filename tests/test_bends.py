"""Running told from the bends of both pressures: a slow twin of the search, physics in a line, status as the judge."""

from dataclasses import replace
from itertools import product

import numpy as np
import polars as pl
import pytest
from trace_maker import kpa, make

from lowambient.traces.bends import CHANGE, likeliest, state_from_bends
from lowambient.traces.circuit import trace_of
from lowambient.traces.runs import SPLIT, Running, running
from lowambient.traces.stops import stops
from lowambient.traces.tries import stirs, tries

NOISES = (7.0, 7.0)
LIMITS = (0.2, 0.35)


def worth(state, evidence):
    """What a sequence of 1 and 0 gathers: evidence for running counts for 1 and against 0, each change costs."""
    signs = np.where(np.asarray(state) == 1, 0.5, -0.5)
    return float((signs * evidence).sum() - CHANGE * np.count_nonzero(np.diff(state)))


@pytest.mark.parametrize("seed", range(6))
def test_the_sequence_found_is_the_best_of_all(seed):
    """Every one of the 4,096 sequences of twelve samples is tried."""
    chance = np.random.default_rng(seed)
    evidence = np.where(chance.random(12) < 0.3, 0.0, chance.normal(0, 4, 12))
    best = max(worth(state, evidence) for state in product((0, 1), repeat=12))
    assert worth(likeliest(evidence), evidence) == pytest.approx(best)


def pressures(count, stop, start, *, seed=0):
    """R-410A at one minute: 110 over 280 psig running, settling to 150 psig at rest from `stop` to `start`."""
    rest = np.zeros(count)
    rest[stop:start] = 1 - np.exp(-(np.arange(start - stop) + 1) / 2.0)
    back = np.arange(count - start)
    rest[start:] = rest[start - 1] * np.exp(-(back + 1) / 2.0)
    noise = np.random.default_rng(seed).normal(0, 7.0, (2, count))
    return kpa(110.0 + 40.0 * rest) + noise[0], kpa(280.0 - 130.0 * rest) + noise[1]


@pytest.mark.parametrize("rests_min", [4, 10, 60])
def test_a_rest_is_seen_however_short_of_settling(rests_min):
    state = state_from_bends(60.0, pressures(240, 100, 100 + rests_min), NOISES, LIMITS)
    edges = np.flatnonzero(np.diff(state)) + 1
    assert edges == pytest.approx([100, 100 + rests_min], abs=1)


def chattering(hunts, seed=1):
    """Two hours of a 10 s log: each 80 s suction climbs from 40 to 64 psig in 30 s while head falls a little, and comes
    back; a valve that `hunts` swings suction alike and leaves head alone. Also the samples at rest."""
    place = np.arange(720) % 8
    rest = place >= 5
    swing = np.where(rest, (place - 4) / 3.0, 1.0 - (place + 1) / 5.0)
    noise = np.random.default_rng(seed).normal(0, 7.0, (2, 720))
    head = kpa(150.0 - (0.0 if hunts else 4.0) * swing)
    return rest, (kpa(40.0 + 24.0 * swing) + noise[0], head + noise[1])


def test_a_compressor_that_chatters_on_its_switch_is_seen_to_stop_and_a_valve_that_hunts_is_not():
    """Small low-side differential and no timer (common practice): a run and a rest a minute, sides never level."""
    rest, both = chattering(hunts=False)
    state = state_from_bends(10.0, both, NOISES, LIMITS)
    stops_found = np.count_nonzero(np.diff(state) < 0)
    assert stops_found == pytest.approx(np.count_nonzero(np.diff(rest.astype(int)) > 0), abs=9)
    assert (state == ~rest).mean() > 0.7
    assert state_from_bends(10.0, chattering(hunts=True)[1], NOISES, LIMITS).mean() > 0.95


def test_a_fan_that_comes_on_is_no_stop():
    """A factory fan switch lets head fall from 417.5 to 240 psig while suction hardly moves."""
    minute = np.arange(240)
    head = kpa(417.5 - 177.5 * np.abs((minute % 8) / 4.0 - 1.0))
    suction = kpa(110.0 + 3.0 * np.sin(minute / 2.0))
    assert state_from_bends(60.0, (suction, head), NOISES, LIMITS).min() == 1.0


def test_a_solenoid_that_opens_is_no_stop():
    """Pump-down: suction is drawn down and let up again while head stands."""
    minute = np.arange(240)
    suction = kpa(np.where(minute % 20 < 5, 10.0, 60.0))
    assert state_from_bends(60.0, (suction, np.full(240, kpa(200.0))), NOISES, LIMITS).min() == 1.0


@pytest.mark.parametrize("logging_s", [10, 60])
def test_without_status_the_stops_are_those_of_the_status(logging_s):
    made = make(11, days=2.0, logging_s=logging_s, refrigerant="R-410A", behaviour="none", climate="cold", run_s=1500.0)
    trace = trace_of(made.frame, made.listed)
    nothing = np.full(len(trace), np.nan)
    told, split = running(trace), running(trace.with_channels(compressor_on=nothing, compressor_a=nothing))
    assert split.from_what == SPLIT
    assert np.mean(told.on != split.on) < 0.04
    stops = [np.flatnonzero(each.on[:-1] & ~each.on[1:]) for each in (told, split)]
    assert len(stops[0]) > 5
    near = [np.abs(trace.at_s[stops[1]] - trace.at_s[stop]).min() <= max(2 * logging_s, 60) for stop in stops[0]]
    assert np.mean(near) > 0.9


def test_a_start_that_fails_between_samples_stirs_the_pressures():
    """Twenty hours at rest at one minute; a start of half a minute at 10 h leaves suction down and head up a while."""
    minute = np.arange(1200)
    since = minute - 600
    left = np.where(since >= 0, np.exp(-since / 3.0), 0.0)
    noise = np.random.default_rng(3).normal(0, 7.0, (2, 1200))
    at = pl.Series(minute * 60_000_000).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    frame = make(1, days=0.2, logging_s=60, refrigerant="R-410A", behaviour="none", constant_c=5.0).frame
    blank = frame.clear().select(pl.all().exclude("read_at", "suction_kpa", "liquid_kpa"))
    rows = pl.DataFrame(
        {
            "read_at": at,
            "suction_kpa": kpa(112.0) - 250.0 * left + noise[0],
            "liquid_kpa": kpa(112.0) + 60.0 * left + noise[1],
        }
    ).with_columns(pl.lit(None, dtype=kind).alias(name) for name, kind in blank.schema.items())
    listed = make(1, days=0.2, logging_s=60, refrigerant="R-410A", behaviour="none", constant_c=5.0).listed
    trace = trace_of(rows, listed)
    found = tries(trace.at_s, 0, np.flatnonzero(stirs(trace, (8.6, 8.6))))
    assert len(found) == 1
    assert found[0][0] == pytest.approx(600, abs=2)


@pytest.mark.parametrize(("falls_to", "stirred"), [(110.0, False), (75.0, True)])
def test_a_valve_that_opens_onto_a_warm_coil_is_no_start(falls_to, stirred):
    """Low side held 40 psi over head by a warm coil: an open valve brings it down to head, a start takes it lower."""
    suction, head = np.full(120, kpa(150.0)), np.full(120, kpa(110.0))
    suction[60:] = kpa(falls_to)
    minutes = replace(trace_with(suction, head, np.full(120, np.nan)), at_s=60.0 * np.arange(120), step_s=60.0)
    assert stirs(minutes, (8.0, 8.0)).any() == stirred


def test_a_circuit_that_hardly_parts_in_the_cold_runs():
    """Four days at one minute: head a half over suction for hours, four times as high at noon, level at rest; the gap
    between its two widest states lies above the cold runs. One reading in 37 is missing."""
    minute = np.arange(4 * 1440)
    runs = minute % 240 >= 120
    noon = (minute % 1440 >= 600) & (minute % 1440 < 700)
    suction = np.where(runs, np.where(noon, 250.0, 420.0), 480.0)
    head = np.where(runs, np.where(noon, 1100.0, 640.0), 480.0)
    noise = np.random.default_rng(4).normal(0, 7.0, (2, len(minute)))
    head = np.where(minute % 37 == 0, np.nan, head + noise[1])
    made = trace_with(suction + noise[0], head, np.full(len(minute), np.nan))
    state = running(replace(made, at_s=60.0 * minute, step_s=60.0))
    assert (state.on == runs).mean() > 0.97


def pumped_down(*, heats=False):
    """R-22 at ten seconds, three times: 20 min of running at 60 over 250 psig, a minute of pump-down once the call is
    gone, 20 min of standing at 30 over 140 psig with the solenoid shut; while it `heats`, at 60 over 250 again."""
    run, pump, rest = 120, 6, 120
    suction = np.concatenate(
        [np.full(run, 60.0), np.linspace(60.0, 25.0, pump), np.full(rest, 60.0 if heats else 30.0)]
    )
    head = np.concatenate([np.full(run, 250.0), np.full(pump, 245.0), np.full(rest, 250.0 if heats else 140.0)])
    called = np.concatenate([np.ones(run), np.zeros(pump + rest)])
    noise = np.random.default_rng(1).normal(0, 3.0, (2, 3 * (run + pump + rest)))
    return kpa(np.tile(suction, 3)) + noise[0], kpa(np.tile(head, 3)) + noise[1], np.tile(called, 3)


def trace_with(suction, head, called, channel="cooling_called"):
    made = make(23, days=0.2, logging_s=10, missing=("compressor_on", "compressor_a"))
    trace = trace_of(made.frame, made.listed)
    channels = {name: np.full(len(suction), np.nan) for name in trace.channels}
    channels |= {"suction_kpa": suction, "liquid_kpa": head, channel: called}
    return replace(trace, at_s=10.0 * np.arange(len(suction)), step_s=10.0, channels=channels)


@pytest.mark.parametrize("channel", ["cooling_called", "liquid_solenoid_open"])
def test_a_pumped_down_rest_is_no_run_though_its_sides_stay_apart(channel):
    """Nothing runs for ten minutes against a shut solenoid (physics)."""
    suction, head, called = pumped_down()
    state = running(trace_with(suction, head, called, channel))
    assert state.from_what == SPLIT
    assert np.mean(state.on[called == 1]) > 0.95
    assert np.mean(state.on[called == 0]) < 0.1


def test_a_slow_log_shows_a_pumped_down_rest_too():
    """Five minutes apart: the sample before the call goes is older than the two minutes that are looked at."""
    suction, head, called = (
        np.tile([kpa(60.0)] * 4 + [kpa(30.0)] * 4, 9),
        np.tile([kpa(250.0)] * 4 + [kpa(140.0)] * 4, 9),
        np.tile([1.0] * 4 + [0.0] * 4, 9),
    )
    noise = np.random.default_rng(2).normal(0, 3.0, (2, len(called)))
    made = trace_with(suction + noise[0], head + noise[1], called)
    state = running(replace(made, at_s=300.0 * np.arange(len(called)), step_s=300.0))
    assert state.from_what == SPLIT
    assert state.on[called == 1].all()
    assert state.on[called == 0].mean() < 0.3


def test_a_heat_pump_that_heats_runs_without_a_call_for_cooling():
    suction, head, called = pumped_down(heats=True)
    assert running(trace_with(suction, head, called)).on.mean() > 0.9
    lower = trace_with(suction, np.where(called == 1, head, 0.8 * head), called)
    assert running(lower.with_channels(heating=1.0 - called)).on.mean() > 0.9
    assert running(lower).on.mean() < 0.7


def test_the_call_of_a_brief_run_is_read_within_it():
    """A long run ends with its call at sample 120; a start of 30 s fails at 200, its call as old and standing on."""
    suction, head, _ = pumped_down()
    at = np.arange(len(suction))
    called = ((at < 120) | (at >= 197)).astype(float)
    trace = trace_with(suction, head, called)
    on = (at < 120) | ((at >= 197) & (at < 200))
    state = Running(trace.at_s, on, np.ones(len(at), dtype=bool), trace.gap_before, SPLIT)
    seen = stops(trace, state)
    assert seen.first_off.tolist() == [120, 200]
    assert seen.still_called.tolist() == [0.0, 1.0]


@pytest.mark.parametrize(("gone_before_s", "still_called"), [(60, 0.0), (120, 0.0), (180, 1.0)])
def test_a_call_that_goes_and_comes_back_about_a_stop_that_the_split_shows(gone_before_s, still_called):
    """In a log of a minute the split may show a stop 90 s and a sample late: a pump-down began before."""
    at = np.arange(400)
    called = (at != 200 - gone_before_s // 60).astype(float)
    trace = trace_with(np.full(400, 500.0), np.full(400, 1500.0), called)
    minutes = replace(trace, at_s=60.0 * at, step_s=60.0)
    state = Running(minutes.at_s, at < 200, np.ones(400, dtype=bool), minutes.gap_before, SPLIT)
    assert stops(minutes, state).still_called.tolist() == [still_called]
