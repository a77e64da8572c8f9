"""What began a rest: rests joined over gaps, and log odds that a circuit was held out, from made-up and made traces."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from trace_maker import Made, kpa, make
from trace_scores import score_lockouts

from lowambient.records.inputs import CHANNELS
from lowambient.traces.analysis import analyse
from lowambient.traces.circuit import Mask, Trace, trace_of
from lowambient.traces.held_out import BY_AMBIENT, BY_CLOCK, Standing, log_odds, rests_of
from lowambient.traces.runs import Running, running
from lowambient.traces.stops import Stops, stops

HOUR = 3600.0
NAMES = (*(name for name in CHANNELS if name != "mode"), "heating", "station_c", "station_wind_m_s")
YEAR_ROUND = Standing(700.0, (7.0, 7.0), "year-round", cut_outs_kpa=(470.0, None), pumps_down=False)


def made_up(on: Mask, step_s: float = 60.0, **channels: np.ndarray) -> tuple[Trace, Running, Stops]:
    """A circuit that ran at those samples: at rest both pressures stand at 800 kPa, running they are 550 and 1800."""
    at_s = np.arange(len(on)) * step_s
    given = {"suction_kpa": np.where(on, 550.0, 800.0), "liquid_kpa": np.where(on, 1800.0, 800.0)} | channels
    nothing = np.full(len(on), np.nan)
    trace = Trace(at_s, step_s, {name: given.get(name, nothing) for name in NAMES}, "R-410A")
    state = Running(at_s, on, np.ones(len(on), dtype=bool), trace.gap_before, "status")
    return trace, state, stops(trace, state)


def odds_of(
    parts: tuple[Trace, Running, Stops], standing: Standing = YEAR_ROUND, shortest_s: float = 900.0
) -> np.ndarray:
    trace, state, seen = parts
    rests = rests_of(trace, state, seen, shortest_s)
    return log_odds(trace, state, seen, rests, np.full(len(seen), 0.5), standing)


def cycles(run: int, rest: int, count: int) -> Mask:
    """Samples of so many runs and rests."""
    return np.tile(np.repeat([True, False], [run, rest]), count)


@pytest.mark.parametrize("seed", range(20))
def test_rests_are_those_that_a_loop_joins_over_gaps(seed: int) -> None:
    chance = np.random.default_rng(seed)
    on = np.repeat(chance.random(60) < 0.3, chance.integers(1, 40, 60))
    trace, _, _ = made_up(on)
    at_s = np.cumsum(np.where(chance.random(len(on)) < 0.02, chance.uniform(600, 9000, len(on)), 60.0))
    trace = replace(trace, at_s=at_s)
    state = Running(at_s, on, np.ones(len(on), dtype=bool), trace.gap_before, "status")
    expected: list[list[int]] = []
    for place in range(len(on)):
        if on[place]:
            continue
        joins = expected and expected[-1][1] == place - 1
        if joins and trace.gap_before[place]:
            begin, end = (at_s[sample] for sample in expected[-1])
            joins = at_s[place] - end <= end - begin
        if joins:
            expected[-1][1] = place
        else:
            expected.append([place, place])
    found = rests_of(trace, state, stops(trace, state), 0.0)
    assert list(zip(found.first.tolist(), found.last.tolist(), strict=True)) == [tuple(each) for each in expected]


def test_the_shorter_the_run_before_a_rest_the_likelier_it_was_held_out() -> None:
    """Ten hours of rest after runs of 1 to 300 minutes, by the same trip probability."""
    odds = [
        odds_of(made_up(np.repeat([False, True, False, True], [30, run, 600, 5])))[-1] for run in (1, 5, 20, 60, 300)
    ]
    assert odds == sorted(odds, reverse=True)
    assert odds[0] > 0 > odds[-1]


def test_a_small_share_of_running_says_nothing_of_comfort() -> None:
    parts = made_up(np.repeat([False, True, False, True], [30, 2, 600, 5]))
    assert odds_of(parts)[-1] > 0
    assert odds_of(parts, replace(YEAR_ROUND, duty="comfort"))[-1] < odds_of(parts)[-1] - 1


def test_sides_that_stay_apart_tell_a_pump_down_from_a_lockout() -> None:
    """With the solenoid shut head stands over suction; with it open both meet, and the call must stand."""
    on = cycles(5, 300, 4)
    together, pumped = made_up(on), made_up(on, suction_kpa=np.where(on, 480.0, 560.0))
    standing = replace(YEAR_ROUND, pumps_down=True)
    assert (odds_of(together, standing)[1:] > 0).all()
    assert (odds_of(pumped, standing)[1:] < 0).all()


@pytest.mark.parametrize(("called", "sign"), [(1.0, 1), (0.0, -1)])
def test_a_call_that_stands_holds_and_one_that_is_gone_does_not(called: float, sign: int) -> None:
    on = cycles(60, 120, 4)
    logged = np.where(on, 1.0, called)
    logged[:10] = 1.0 - called
    logged[:10][on[:10]] = 1.0
    logged[-1] = 1.0 - called
    assert (sign * odds_of(made_up(on, cooling_called=logged))[1:-1] > 0).all()


def test_rests_by_the_clock_are_no_lockouts() -> None:
    """Every night from 22 to 8 h; on two of ten days the last run before was short."""
    day = np.ones(1440, dtype=bool)
    day[:480] = day[1320:] = False
    on = np.tile(day, 10)
    for short in (3, 7):
        on[short * 1440 + 1290 : short * 1440 + 1317] = False
    trace, state, seen = made_up(on)
    rests = rests_of(trace, state, seen, 7200.0)
    found = odds_of((trace, state, seen), shortest_s=7200.0)
    short_run = rests.of_stop(seen.run_s, np.inf) < 600
    assert short_run.sum() == 2
    alone = log_odds(
        trace, state, seen, replace(rests, restarts=np.zeros(len(rests), bool)), np.full(len(seen), 0.5), YEAR_ROUND
    )
    assert (alone[short_run] > 0).all()
    assert found[short_run] == pytest.approx(alone[short_run] + BY_CLOCK)
    assert (found[short_run] < 0).all()


@pytest.mark.parametrize(("probability", "by_clock"), [(0.1, BY_CLOCK), (0.9, 0.0)])
def test_nights_after_brief_runs_are_no_lockouts_unless_those_were_trips(probability: float, by_clock: float) -> None:
    """Off from 22 to 8 h, ten nights, each after a run of two minutes that alone would tell of a lockout."""
    day = np.zeros(1440, dtype=bool)
    day[480:1317] = np.arange(837) % 60 < 30
    day[1310:1318], day[1318:1320] = False, True
    trace, state, seen = made_up(np.tile(day, 10))
    rests = rests_of(trace, state, seen, 7200.0)
    likely = np.full(len(seen), probability)
    alone = log_odds(trace, state, seen, replace(rests, restarts=np.zeros(len(rests), bool)), likely, YEAR_ROUND)
    nights = rests.restarts & rests.seen
    assert nights.sum() == 9
    assert (alone[nights] > 0).all()
    assert log_odds(trace, state, seen, rests, likely, YEAR_ROUND)[nights] == pytest.approx(alone[nights] + by_clock)


def test_starts_that_fail_by_the_clock_begin_lockouts() -> None:
    """Called at 8 h, each start fails within two minutes, and the circuit stands until the next day's call."""
    day = np.zeros(1440, dtype=bool)
    day[480:482] = True
    trace, state, seen = made_up(np.tile(day, 10))
    rests = rests_of(trace, state, seen, 7200.0)
    assert (log_odds(trace, state, seen, rests, np.full(len(seen), 0.3), YEAR_ROUND)[rests.seen] > 0).all()


def test_a_control_that_lets_nothing_run_in_the_cold_is_no_lockout() -> None:
    """Runs only over 2 degC, in spite of a call; a circuit that runs at -10 degC too is held out by something else."""
    outdoor_c = 6.0 * np.cos(np.arange(8 * 1440) * 2 * np.pi / 1440)
    on = outdoor_c > 2.0
    held = made_up(on, outdoor_c=outdoor_c, cooling_called=np.where(np.arange(len(on)) > 3, 1.0, 0.0))
    odds = log_odds(*held[:2], held[2], rests_of(*held, 900.0), np.full(len(held[2]), 0.1), YEAR_ROUND)
    assert (odds < 0).all()
    colder = outdoor_c.copy()
    colder[on & (np.arange(len(on)) % 1440 < 60)] = -10.0
    other = made_up(on, outdoor_c=colder, cooling_called=np.where(np.arange(len(on)) > 3, 1.0, 0.0))
    without = log_odds(*other[:2], other[2], rests_of(*other, 900.0), np.full(len(other[2]), 0.1), YEAR_ROUND)
    assert without == pytest.approx(odds - BY_AMBIENT)


@pytest.fixture(scope="module")
def latched() -> Made:
    """A year-round circuit starved at 3 degC whose board latches; the call is not logged."""
    return make(
        31, days=8.0, logging_s=60, constant_c=3.0, starve_c=25.0, lp_cut_out_kpa=kpa(54), lp_reset_kpa=kpa(90),
        trips_to_latch=1, clears_on_call=False, run_s=3000.0, duty_share=0.6, missing=("cooling_called",),
    )  # fmt: skip


def test_latched_lockouts_are_found_without_a_call(latched: Made) -> None:
    score = score_lockouts(analyse(latched.frame, latched.listed).lockouts, latched)
    assert score.right >= 5
    assert score.missed + score.false <= 1


def test_a_thermostat_alone_makes_none() -> None:
    made = make(
        32, days=8.0, logging_s=60, constant_c=12.0, run_s=1500.0, duty_share=0.2, missing=("cooling_called",)
    )  # fmt: skip
    assert made.trips.is_empty()
    assert analyse(made.frame, made.listed).lockouts.is_empty()


def test_a_gap_of_the_log_does_not_end_a_lockout(latched: Made) -> None:
    """A third of the longest one, from its middle, is lost; what was found without the loss is found with it."""
    found = analyse(latched.frame, latched.listed).lockouts
    longest = found.sort(pl.col("ended_at") - pl.col("started_at")).row(-1, named=True)
    lasts = longest["ended_at"] - longest["started_at"]
    assert lasts > timedelta(hours=2)
    middle = longest["started_at"] + lasts / 2
    cut = latched.frame.filter(~pl.col("read_at").is_between(middle, middle + lasts / 3))
    again = analyse(cut, latched.listed).lockouts.filter(pl.col("started_at") == longest["started_at"])
    assert again["ended_at"].to_list() == [longest["ended_at"]]


def test_what_made_traces_tell_does_not_hang_on_the_hour_they_begin(latched: Made) -> None:
    """Odds use the clock only between rests: a log an hour later tells the same an hour later."""
    trace = trace_of(latched.frame, latched.listed)
    state = running(trace)
    later = replace(trace, at_s=trace.at_s + HOUR)
    moved = running(later)
    one, two = (odds_of((each, on, stops(each, on))) for each, on in ((trace, state), (later, moved)))
    assert one == pytest.approx(two)
