"""What run, rest, call, switch and solenoid say of a stop, against counts and examples by hand."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from made_stops import made_side, made_stops
from trace_maker import make

from lowambient.traces import evidence
from lowambient.traces.circuit import Array, Mask, trace_of
from lowambient.traces.evidence import PUMPED_DOWN, SWITCH_SEEN_CLOSED, closed_again, held_off
from lowambient.traces.habits import SHORT_RUN, TIMED_OFF, habits_of, may_be_latched
from lowambient.traces.known import Known
from lowambient.traces.runs import STATUS, Running
from lowambient.traces.sides import Side
from lowambient.traces.stops import Stops, coldest_run_c, stops

KNOWN = Known(listed_kpa=None, usual_kpa=None, limit_kpa=500.0)
BLUR = 10.0


def log_odds(side: Side, stops: Stops, allowed: Mask, known: Known, blur: float) -> Array:
    """The log odds of a circuit with the habits that these stops show."""
    return evidence.log_odds(side, stops, allowed, known, habits_of(side, stops, known, blur), blur)


def timed(stops: Stops) -> Mask:
    """Rests that a timer may have ended, at pressures that tell nothing."""
    side = made_side([480.0] * len(stops), [480.0] * len(stops))
    return habits_of(side, stops, KNOWN, BLUR).timed


def test_short_runs_are_worth_nothing_where_ordinary_stops_have_them_too() -> None:
    """Twenty stops surely above any cut-out, all after short runs: (6 x .5 / e^2.5 + 20) of 26 ordinary ones."""
    seen = made_stops([120.0] * 20, [1500.0] * 20, wait_s=10.0)
    assert habits_of(made_side([700.0] * 20, [700.0] * 20), seen, KNOWN, BLUR).short_run == 0.0


def test_short_runs_are_worth_what_is_usual_where_no_ordinary_stop_has_them() -> None:
    """By hand: none of 20, so (6 x .5 / e^2.5) / 26 = 0.0095, rarer than usual; the usual odds are the most."""
    seen = made_stops([1200.0] * 20 + [120.0] * 5, [1500.0] * 25)
    side = made_side([700.0] * 20 + [480.0] * 5, [700.0] * 20 + [520.0] * 5)
    assert habits_of(side, seen, KNOWN, BLUR).short_run == SHORT_RUN


def test_a_share_of_ordinary_short_runs_lowers_what_they_are_worth() -> None:
    """By hand: 10 of 40, so share (6 x .5 / e^2.5 + 10) / 46 = 0.2227 and log (0.5 / 0.2227) = 0.809."""
    seen = made_stops([1200.0] * 30 + [120.0] * 10, [1500.0] * 40, wait_s=10.0)
    found = habits_of(made_side([700.0] * 40, [700.0] * 40), seen, KNOWN, BLUR)
    assert found.short_run == pytest.approx(0.809, abs=0.001)


@pytest.mark.parametrize(
    ("rests_s", "worth"),
    [([200.0] * 9 + [3600.0] * 9, TIMED_OFF), ([300.0] * 9 + [960.0] * 9, TIMED_OFF), (range(200, 1400, 50), 0.0)],
)
def test_rests_of_a_timer_tell_where_they_stand_apart(rests_s: Iterable[float], worth: float) -> None:
    """With a thermostat's rests of every length in between, the short ones are as likely its own."""
    rests = list(map(float, rests_s))
    side = made_side([480.0] * len(rests), [480.0] * len(rests))
    assert habits_of(side, made_stops([1200.0] * len(rests), rests), KNOWN, BLUR).timed_off == worth


def test_the_timer_of_a_circuit_is_its_own() -> None:
    """Rests of two minutes stand apart from five and more: then five are not a timer's."""
    seen = made_stops([1200.0] * 30, [120.0] * 10 + [320.0] * 20, wait_s=10.0)
    assert timed(seen).tolist() == [True] * 10 + [False] * 20
    alike = made_stops([1200.0] * 30, np.linspace(120.0, 320.0, 30).tolist(), wait_s=10.0)
    assert timed(alike).all()


@pytest.mark.parametrize(("dives", "pumps"), [(9, True), (2, False)])
def test_a_circuit_pumps_down_where_long_runs_end_in_a_dive(dives: int, pumps: bool) -> None:
    """Common practice: a solenoid that shuts empties the low side down to the switch."""
    seen = made_stops([1800.0] * 12, [1500.0] * 12, wait_s=10.0)
    side = made_side([150.0] * dives + [700.0] * (12 - dives), [700.0] * 12)
    found = habits_of(side, seen, KNOWN, BLUR)
    assert found.pumps_down == pumps
    odds = log_odds(side, seen, np.ones(12, dtype=bool), KNOWN, BLUR)
    assert odds[0] == (PUMPED_DOWN if pumps else 0.0)


def test_the_solenoid_is_the_call_of_a_circuit_that_pumps_down() -> None:
    seen = made_stops([1800.0] * 3, [1500.0] * 3, wait_s=10.0)
    shown = replace(seen, solenoid_called=np.array([1.0, 0.0, np.nan]))
    side, may = made_side([480.0] * 3, [480.0] * 3), np.ones(3, dtype=bool)
    still, gone, unknown = log_odds(side, shown, may, replace(KNOWN, pumps_down=True), BLUR)
    assert still > 0.0 > unknown > gone
    assert len(set(log_odds(side, shown, may, KNOWN, BLUR))) == 1


def test_a_switch_seen_open_at_other_trips_tells_that_it_stayed_shut() -> None:
    """Fifty trips at which it was seen open: (6/e + p) / (6 + 50 + p) with p of the two others, by hand."""
    side = made_side([480.0] * 52, [480.0] * 52, opened=1.0)
    side.opened[50:] = 0.0
    probability = np.array([1.0] * 50 + [0.5] * 2)
    share = (6 * np.exp(SWITCH_SEEN_CLOSED) + 1.0) / (6 + 51)
    found = closed_again(side, probability)
    assert found[0] == 0.0
    assert found[51] == pytest.approx(np.log(share) - SWITCH_SEEN_CLOSED)
    assert found[51] < -1.5
    assert (closed_again(made_side([480.0] * 9, [480.0] * 9, opened=0.0), np.ones(9)) == 0.0).all()


@pytest.mark.parametrize(("level", "speaks"), [(True, True), (False, False)])
def test_a_call_speaks_where_the_split_shows_a_stop_that_came_level(level: bool, speaks: bool) -> None:
    seen = replace(made_stops([1800.0], [1500.0], called=1.0), came_level=np.array([level]))
    found = log_odds(made_side([480.0], [480.0]), seen, np.array([True]), replace(KNOWN, from_split=True), BLUR)
    assert (found[0] > 2.0) == speaks


@pytest.mark.parametrize(("outdoor_c", "idle_h", "held"), [(4.0, 12.0, True), (4.0, 1.0, False), (-8.0, 12.0, False)])
def test_a_control_that_stops_cooling_at_one_temperature_trips_nothing(
    outdoor_c: float, idle_h: float, held: bool
) -> None:
    """It never ran under 4 degC: stops in spite of the call lie there, and it stands for hours when colder."""
    seen = made_stops([1800.0] * 5, [30_000.0] * 5, called=1.0)
    seen = replace(seen, outdoor_c=np.full(5, outdoor_c), coldest_run_c=4.0, idle_below_h=idle_h)
    side = made_side([700.0] * 5, [700.0] * 5)
    assert held_off(side, seen, BLUR).all() == held
    assert (log_odds(side, seen, np.ones(5, dtype=bool), KNOWN, BLUR) > 0.0).all() != held
    diving = made_side([400.0] * 5, [700.0] * 5)
    assert not held_off(diving, seen, BLUR).any()
    assert not held_off(side, replace(seen, off_s=np.full(5, 301.0)), BLUR).any()


def test_hours_in_vain_are_counted_under_the_coldest_running() -> None:
    """By hand: it ran down to 3 degC; of ten minutes called at rest, six lie more than a kelvin under that."""
    made = make(31, days=0.5, logging_s=60)
    trace = trace_of(made.frame, made.listed)
    on = np.zeros(len(trace))
    on[:300] = 1.0
    outdoor_c = np.where(on == 1, 3.0, 20.0)
    outdoor_c[400:406], outdoor_c[406:410] = 1.0, 2.5
    called = on.copy()
    called[400:410] = 1.0
    shown = trace.with_channels(compressor_on=on, cooling_called=called, outdoor_c=outdoor_c)
    state = Running(shown.at_s, on == 1, np.ones(len(trace), dtype=bool), shown.gap_before, STATUS)
    seen = stops(shown, state)
    assert coldest_run_c(shown, state) == pytest.approx(3.0)
    assert seen.coldest_run_c == pytest.approx(3.0)
    assert seen.idle_below_h == pytest.approx(6 / 60)


@pytest.mark.parametrize(("an_hour", "less"), [(6, 0.0), (15, 1.5), (20, 3.0), (45, 3.0)])
def test_more_stops_than_calls_can_make_are_hardly_all_pump_downs(an_hour: int, less: float) -> None:
    """Makers let a compressor start six to ten times an hour (memory): twice as many are no thermostat's."""
    seen = made_stops([35.0] * 60, [35.0] * 60, wait_s=10.0)
    side = replace(made_side([330.0] * 60, [480.0] * 60), at_s=3600.0 / an_hour * np.arange(60))
    pumps = replace(KNOWN, pumps_down=True)
    other = log_odds(side, seen, np.ones(60, dtype=bool), pumps, BLUR)
    at_rest = log_odds(side, seen, np.ones(60, dtype=bool), KNOWN, BLUR)
    assert (other - at_rest)[30] == pytest.approx(PUMPED_DOWN + less)


def test_many_stops_after_which_the_sides_come_together_are_no_pump_downs() -> None:
    """Each speaks against one by itself: both together leave nothing of it, and no more than nothing."""
    seen = replace(made_stops([35.0] * 60, [100.0] * 60, wait_s=10.0), came_level=np.ones(60, dtype=bool))
    side = replace(made_side([330.0] * 60, [480.0] * 60), at_s=150.0 * np.arange(60))
    pumps = replace(KNOWN, pumps_down=True)
    with_it, without = (log_odds(side, seen, np.ones(60, dtype=bool), each, BLUR) for each in (pumps, KNOWN))
    assert (with_it - without)[30] == 0.0


def test_a_list_that_denies_pump_down_outweighs_dives() -> None:
    """A dive at the end of a run is a trip's as well."""
    seen = made_stops([1200.0] * 20, [1500.0] * 20, wait_s=10.0)
    side = made_side([300.0] * 20, [480.0] * 20)
    told = [habits_of(side, seen, replace(KNOWN, never_pumps_down=no), BLUR).pumps_down for no in (False, True)]
    assert told == [True, False]


def test_a_stop_that_the_split_shows_late_is_no_sure_ordinary_one() -> None:
    """Of a run of 47 s as the split shows it, the compressor may have run for ten."""
    status = made_stops([47.0] * 20, [160.0] * 20, wait_s=10.0)
    side = made_side([700.0] * 20, [700.0] * 20)
    split = replace(status, late_s=90.0)
    assert [habits_of(side, seen, KNOWN, BLUR).short_run for seen in (status, split)] == [0.0, SHORT_RUN]


@pytest.mark.parametrize(("rested_kpa", "denied"), [(300.0, True), (900.0, False)])
def test_a_reset_that_most_starts_come_from_under_is_none(rested_kpa: float, denied: bool) -> None:
    """No switch lets a compressor start under its reset (physics), so the list is wrong."""
    seen = made_stops([1200.0] * 12, [1500.0] * 12, wait_s=10.0)
    side = replace(made_side([480.0] * 12, [480.0] * 12), rested_kpa=np.full(12, rested_kpa))
    known = replace(KNOWN, reset_kpa=600.0)
    assert habits_of(side, seen, known, BLUR).reset_kpa == (None if denied else 600.0)


@pytest.mark.parametrize(("wait_s", "hides_a_pause"), [(60.0, False), (300.0, True)])
def test_a_call_that_stands_through_a_rest_of_two_samples_says_less_in_a_slow_log(
    wait_s: float, hides_a_pause: bool
) -> None:
    """Between samples a minute apart no thermostat's call goes and comes back (judgement), five apart it may."""
    side = made_side([480.0] * 12, [480.0] * 12)
    brief, long = (
        log_odds(
            side, made_stops([1500.0] * 12, [off * wait_s] * 12, 1.0, wait_s), np.ones(12, dtype=bool), KNOWN, BLUR
        )
        for off in (2, 5)
    )
    assert (brief < long).tolist() == [hides_a_pause] * 12


@pytest.mark.parametrize(("peaked_kpa", "let_go"), [(440.0, True), (395.0, False)])
def test_a_start_on_falling_pressure_is_no_closing_switch(peaked_kpa: float, let_go: bool) -> None:
    """Suction climbs to 440 kPa after a stop and has fallen to 390 when a start comes 22 minutes later (physics)."""
    seen = made_stops([150.0] * 12, [1320.0] * 12, wait_s=60.0)
    side = replace(made_side([250.0] * 12, [300.0] * 12), rested_kpa=np.full(12, 390.0))
    found = habits_of(replace(side, peaked_kpa=np.full(12, peaked_kpa)), seen, KNOWN, BLUR).let_go
    assert found.tolist() == [let_go] * 12


def test_starts_that_a_delay_lets_run_under_the_cut_out_are_trips_though_the_list_has_the_reset_too_high() -> None:
    """A start delay of three minutes and a timer of five (common practice), in a comfort unit that tries on and on."""
    seen = made_stops([165.0] * 40 + [1800.0] * 5, [300.0] * 40 + [3000.0] * 5, wait_s=30.0)
    side = replace(made_side([250.0] * 40 + [120.0] * 5, [420.0] * 45), rested_kpa=np.full(45, 650.0))
    known = replace(KNOWN, reset_kpa=900.0)
    found = log_odds(side, seen, np.ones(45, dtype=bool), known, BLUR)
    assert habits_of(side, seen, known, BLUR).pumps_down
    assert (found[:40] > 0).all()


@pytest.mark.parametrize(("rests_s", "held"), [([480.0] * 8 + [1500.0] * 8, 8), (list(range(480, 2080, 100)), 0)])
def test_a_longer_timer_shows_where_the_shortest_rests_pile_up(rests_s: list[float], held: int) -> None:
    """Eight minutes are longer than most timers; rests of every length above them are a thermostat's."""
    seen = made_stops([1200.0] * 16, list(map(float, rests_s)), wait_s=10.0)
    side = made_side([480.0] * 16, [480.0] * 16)
    found = habits_of(side, seen, KNOWN, BLUR)
    assert found.may_be_timed.sum() == held
    assert not found.timed.any()


def test_a_pump_down_leaves_the_sides_apart() -> None:
    """A solenoid that stands open lets head and suction come together (physics), so less of a stop is by design."""
    apart = made_stops([600.0] * 6, [1500.0] * 6, wait_s=10.0)
    together = replace(apart, came_level=np.ones(6, dtype=bool))
    side, pumps = made_side([330.0] * 6, [480.0] * 6), replace(KNOWN, pumps_down=True)
    more = [log_odds(side, seen, np.ones(6, dtype=bool), pumps, BLUR) for seen in (apart, together)]
    assert (more[1] - more[0]).tolist() == [evidence.PUMPED_DOWN_LEVEL - PUMPED_DOWN] * 6


@pytest.mark.parametrize(("rest_s", "latches"), [(60.0, False), (40000.0, True)])
def test_a_board_that_lets_six_starts_fail_and_then_stays_out_latches(rest_s: float, latches: bool) -> None:
    """Makers let one to three fail (memory), yet a board that always ends such a row has its own way of counting."""
    row = [True] * 6 + [rest_s < 3600.0]
    off_s = ([60.0] * 6 + [rest_s]) * 5
    seen = made_stops([90.0] * 35, off_s, wait_s=60.0)
    side = replace(made_side([300.0] * 35, [480.0] * 35), at_s=np.cumsum(np.array(off_s) + 90.0))
    assert may_be_latched(side, seen, np.array(row * 5)) == latches
