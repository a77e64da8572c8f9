"""Trips and lockouts in logs that hide much: slow calls, boards that try on, switches on the liquid side, noise."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from made_stops import made_side, made_stops
from trace_maker import PSI, kpa, make
from trace_scores import Tally, score_lockouts, score_trips

from lowambient.traces.analysis import analyse
from lowambient.traces.circuit import Trace, trace_of
from lowambient.traces.fan_switching import noise_gain_kpa
from lowambient.traces.held_out import Standing
from lowambient.traces.lockouts import Tripped, lockouts
from lowambient.traces.noise import noise_kpa
from lowambient.traces.runs import SPLIT, running
from lowambient.traces.stops import stops
from lowambient.traces.trips import Judged, _trip_density


@pytest.mark.parametrize("called", [np.nan, 1.0])
def test_a_stretch_of_two_samples_is_told_and_one_of_one_is_not(called: float) -> None:
    """As logged every minute, two samples of running are 90 s and two at rest 120 s, whatever the clock's jitter."""
    seen = made_stops([89.0, 29.0, 89.0, 600.0], [118.0, 118.0, 59.0, 59.0], called)
    judged = Judged(np.ones(4), np.full(4, np.nan), None)
    told = [True, bool(called == 1.0), False, False]
    assert judged.trips(seen, 60.0).tolist() == told


@pytest.mark.parametrize(("step_s", "told"), [(10.0, True), (30.0, False)])
def test_a_rest_of_one_sample_in_the_split_counts_only_where_the_split_is_averaged_over_more(
    step_s: float, told: bool
) -> None:
    """A minute's average of a 10 s log cannot make a rest of one flicker; of a 30 s log it can."""
    seen = made_stops([9 * step_s], [step_s], wait_s=step_s)
    assert Judged(np.ones(1), np.full(1, np.nan), None, from_split=True).trips(seen, step_s).tolist() == [told]


def test_a_run_of_one_sample_in_the_split_counts_where_the_pressure_shows_that_it_ran() -> None:
    """A call stood through three rests; a flicker of the split moves the pressure no further than noise does."""
    seen = made_stops([5.0, 5.0, 89.0], [600.0, 600.0, 600.0], 1.0, wait_s=10.0)
    dived = np.array([True, False, False])
    told = [Judged(np.ones(3), np.full(3, np.nan), None, split, dived).trips(seen, 10.0) for split in (True, False)]
    assert [each.tolist() for each in told] == [[True, False, True], [True, True, True]]


def test_a_switch_on_the_liquid_side_is_judged_by_head_pressure() -> None:
    """Suction under the cut-out stops nothing there; taken for one on suction, it would seem jumpered."""
    made = make(
        21, days=3.0, logging_s=30, behaviour="fan cycling", starve_c=20.0, starve_span_k=15.0, lp_at_liquid=True,
        run_s=600.0, duty_share=0.5, trips_to_latch=0, anti_recycle_s=180.0, missing=("cooling_called",),
        lp_cut_out_kpa=kpa(54), lp_reset_kpa=kpa(80),
    )  # fmt: skip
    assert made.trips.is_empty()
    assert made.listed.lp_switch_at == "liquid"
    found, mistaken = (analyse(made.frame, replace(made.listed, lp_switch_at=at)) for at in ("liquid", "suction"))
    assert found.trips.is_empty()
    assert found.jumpered.is_empty()
    assert not mistaken.jumpered.is_empty()


def test_pauses_of_a_call_between_samples_are_counted_from_those_of_one_sample() -> None:
    """Laplace's rule over pauses of 1, 1 and 3 samples: (2 + 1) of (3 + 2)."""
    made = make(22, days=0.5)
    trace = trace_of(made.frame, made.listed)
    called = np.ones(len(trace))
    called[[10, 20, 30, 31, 32]] = 0.0
    trace = trace.with_channels(cooling_called=called)
    assert stops(trace, running(trace)).unseen_pauses == pytest.approx(3 / 5)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("kpa_at_rest", "step_s"), [(880.0, 10.0), (105.0, 300.0)])
def test_noise_at_rest_is_no_run(seed: int, kpa_at_rest: float, step_s: float) -> None:
    """A log of many samples in which nothing ran, with 2.5 psi of noise: R-410A at 1 degC, R-134a at -25 degC."""
    made = make(23, days=0.2, logging_s=10, missing=("compressor_on", "compressor_a"))
    trace, chance = trace_of(made.frame, made.listed), np.random.default_rng(seed)
    at_s = step_s * np.arange(15_000.0)
    channels = {name: np.full(len(at_s), np.nan) for name in trace.channels}
    channels |= {name: kpa_at_rest + chance.normal(0, 2.5 * PSI, len(at_s)) for name in ("suction_kpa", "liquid_kpa")}
    state = running(replace(trace, at_s=at_s, step_s=step_s, channels=channels))
    assert state.from_what == SPLIT
    assert not state.on.any()


def test_noise_is_learned_from_all_samples_where_few_rest() -> None:
    chance = np.random.default_rng(4)
    readings = 900.0 + chance.normal(0, 12.0, 2000)
    assert noise_kpa(readings, np.zeros(2000, dtype=bool)) == pytest.approx(12.0, rel=0.1)


@pytest.mark.parametrize(("coming", "going", "step_s", "noise"), [(1, 2, 10, 14.0), (0.5, 0.5, 10, 10.0), (3, 1, 5, 7)])
def test_what_noise_adds_to_a_peak_is_what_draws_show(coming: float, going: float, step_s: float, noise: float) -> None:
    """Simulated with 20,000 peaks."""
    chance = np.random.default_rng(5)
    at_s = (np.arange(-12, 12) + chance.random((20_000, 1))) * step_s
    under = np.where(at_s < 0, -at_s * coming, at_s * going)
    gain = (chance.normal(0, noise, under.shape) - under).max(axis=1) + under.min(axis=1)
    assert noise_gain_kpa(coming, going, step_s, noise) == pytest.approx(float(gain.mean()), abs=0.3)


def test_lockouts_parted_by_a_start_between_samples_may_be_found_as_one() -> None:
    """Scores only: the same find is false for a log that shows the start."""
    made = make(24, days=1.0, logging_s=300)
    at = datetime(2016, 1, 4, 3, tzinfo=UTC)
    rows = [(at, at + timedelta(minutes=14)), (at + timedelta(minutes=15), at + timedelta(hours=4))]
    whole = pl.DataFrame(
        {"started_at": [begin for begin, _ in rows], "ended_at": [end for _, end in rows]}
    ).with_columns(may_end_at="ended_at", defrost_min=0.0, after_trip=True, seen=True)
    found = pl.DataFrame({"started_at": [at], "ended_at": [at + timedelta(hours=4)]})
    slow = replace(made, lockouts=whole)
    fast = replace(slow, order=replace(made.order, plan=replace(made.order.plan, logging_s=10)))
    assert (score_lockouts(found, slow).right, score_lockouts(found, slow).false) == (1, 0)
    assert (score_lockouts(found, fast).missed, score_lockouts(found, fast).false) == (1, 1)
    assert score_lockouts(found, slow, strict=True) == score_lockouts(found, fast)


def test_a_night_without_a_call_that_nothing_shows_does_not_part_a_lockout() -> None:
    """The call goes at ten and comes back at seven, unseen; the start then fails within a sample."""
    made = make(24, days=1.0, logging_s=300)
    begins = [datetime(2016, 1, 4, 12, tzinfo=UTC), datetime(2016, 1, 5, 7, 1, tzinfo=UTC)]
    ends, may_end = [at + timedelta(hours=10) for at in begins], [begins[1] - timedelta(minutes=1), None]
    whole = pl.DataFrame({"started_at": begins, "ended_at": ends, "may_end_at": may_end}).with_columns(
        pl.coalesce("may_end_at", "ended_at").alias("may_end_at"), defrost_min=0.0, after_trip=True, seen=True
    )
    found = pl.DataFrame({"started_at": begins[:1], "ended_at": ends[1:]})
    unseen = replace(made, lockouts=whole)
    seen = replace(made, lockouts=whole.with_columns(may_end_at="ended_at"))
    assert score_lockouts(found, unseen) == Tally(right=2)
    assert score_lockouts(found, seen).missed == 2


def test_a_row_of_lockouts_may_be_found_in_the_parts_that_a_log_shows() -> None:
    """Of three parted by starts between samples the log shows one start: two are found as one, and the third."""
    made = make(24, days=1.0, logging_s=300)
    begins = [datetime(2016, 1, 4, 3, tzinfo=UTC) + timedelta(minutes=61 * n) for n in range(3)]
    ends = [begin + timedelta(minutes=60) for begin in begins]
    whole = pl.DataFrame({"started_at": begins, "ended_at": ends}).with_columns(
        may_end_at="ended_at", defrost_min=0.0, after_trip=True, seen=True
    )
    found = pl.DataFrame({"started_at": [begins[0], begins[2]], "ended_at": [ends[1], ends[2]]})
    slow = replace(made, lockouts=whole)
    assert score_lockouts(found, slow) == Tally(right=3)
    assert score_lockouts(found, slow, strict=True) == Tally(right=1, missed=2, false=1)


def called_in_vain(hours: float) -> Trace:
    """Nothing ran all day; from ten o'clock a call stands at 500 kPa and 4 °C outdoors."""
    at_s = np.arange(0.0, 86400.0, 60.0)
    chance, names = np.random.default_rng(6), ("liquid_solenoid_open", "lp_switch_closed", "station_c")
    called = (at_s >= 36_000) & (at_s < 36_000 + 3600 * hours)
    channels = {name: 500.0 + chance.normal(0, 7.0, len(at_s)) for name in ("suction_kpa", "liquid_kpa")}
    channels |= {"cooling_called": called.astype(float), "compressor_on": np.zeros(len(at_s))}
    channels |= dict.fromkeys(
        (*names, "discharge_kpa", "compressor_a", "hp_switch_closed", "heating"), np.full(1440, np.nan)
    )
    return Trace(at_s, 60.0, channels | {"outdoor_c": np.full(1440, 4.0)}, "R-410A")


@pytest.mark.parametrize(
    ("reset_kpa", "hours", "coldest_run_c", "kind"),
    [
        (700.0, 1.5, np.nan, "switch open"),
        (450.0, 1.5, 4.0, None),
        (450.0, 5.0, 4.0, "latched"),
        (450.0, 5.0, 6.0, None),
        (450.0, 5.0, np.nan, None),
    ],
)
def test_a_call_in_vain_is_a_lockout(reset_kpa: float, hours: float, coldest_run_c: float, kind: str | None) -> None:
    """Under the reset at once; above it a timer may hold for a while, and a setting in air colder than it ran in."""
    trace = called_in_vain(hours)
    state = running(trace)
    seen = stops(trace, state)
    none = np.zeros(len(seen), dtype=bool)
    standing = Standing(reset_kpa, (9.0, 9.0), "year-round", coldest_run_c=coldest_run_c)
    found = lockouts(trace, state, seen, Tripped(none, none, np.zeros(len(seen))), standing)
    assert [(each.started_s, each.kind) for each in found] == ([] if kind is None else [(36_000.0, kind)])


def test_head_far_under_a_switch_does_not_reach_it_between_two_samples() -> None:
    """Five minutes apart: 700 kPa of rest, and 1500 kPa of running, under a switch at 2200 kPa; suction may dive."""
    seen = made_stops([150.0, 900.0], [900.0, 900.0], wait_s=300.0)
    low = made_side([700.0, 1500.0], [700.0, 1500.0])
    rest, run = _trip_density(replace(low, sign=1.0), seen, np.arange(2), np.array([2200.0]), blur=10.0)[:, 0]
    assert rest == 0.0 < run
    assert _trip_density(low, seen, np.arange(2), np.array([200.0]), blur=10.0).min() > 0.0


@pytest.mark.parametrize("logging_s", [10, 60])
def test_a_board_that_tries_on_and_on_trips_each_time(logging_s: int) -> None:
    """Rests of five minutes by the timer; run and off outlast two samples of either log."""
    made = make(
        25, days=2.0, logging_s=logging_s, constant_c=3.0, starve_c=25.0, lp_delay_s=120.0, anti_recycle_s=300.0,
        trips_to_latch=0, hold_up=0.95, settle_s=10_000.0, lp_cut_out_kpa=500.0, lp_reset_kpa=700.0, run_s=20_000.0,
    )  # fmt: skip
    assert made.trips.height > 50
    score = score_trips(analyse(made.frame, made.listed).trips, made, "low pressure").plain
    assert score.false + score.missed <= 0.05 * score.right
