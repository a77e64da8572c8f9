"""Runs, trips, lockouts and set-points of one circuit: traces made to the trade's figures, slow twins, invariance."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from trace_maker import Made, kpa, make

from lowambient.traces.analysis import Analysis, analyse
from lowambient.traces.brackets import Events, estimate, grid_kpa, log_bounds, log_likelihood
from lowambient.traces.circuit import Listed, Trace, trace_of
from lowambient.traces.cleaning import clean
from lowambient.traces.runs import Running, running
from lowambient.traces.stops import stops

PSI = 6.894757293168
SEEN = ("compressor_on", "cooling_called")


@pytest.fixture(scope="module")
def starved() -> Made:
    """R-410A without head control at 37.5 degF: opens at 54 psig, resets at 117 (common practice, no source)."""
    return make(
        3,
        days=2.0,
        logging_s=30,
        refrigerant="R-410A",
        behaviour="none",
        constant_c=3.06,
        lp_cut_out_kpa=kpa(54),
        lp_reset_kpa=kpa(117),
        noise_psi=1.0,
        lag_s=5.0,
        trips_to_latch=0,
        starve_c=25.0,
        lift_k=0.0,
        sun_k=0.0,
        settle_s=600.0,
    )


@pytest.fixture(scope="module")
def cycled() -> Made:
    """R-410A with the factory's fan switch: on at 417.5 psig, off at 240 (common practice, no source)."""
    return make(
        5,
        days=3.0,
        logging_s=10,
        refrigerant="R-410A",
        behaviour="fan cycling",
        climate="cold",
        fan_on_kpa=kpa(417.5),
        fan_off_kpa=kpa(240),
        noise_psi=1.0,
        lag_s=5.0,
    )


@pytest.fixture(scope="module")
def of_starved(starved: Made) -> Analysis:
    return analyse(starved.frame, starved.listed)


def psig(analysis: Analysis, switch: str) -> tuple[float | None, float | None, float | None]:
    row = analysis.set_points.filter(pl.col("switch") == switch).row(0, named=True)
    ends = (row["lower_kpa"], row["upper_kpa"])
    return row["estimate_psig"], *(None if end is None else (end - 101.325) / PSI for end in ends)


def test_a_starved_circuit_trips_and_stays_out(starved: Made, of_starved: Analysis) -> None:
    assert starved.trips.height > 0
    assert of_starved.trips["kind"].unique().to_list() == ["low pressure"]
    found = of_starved.lockouts.filter((pl.col("ended_at") - pl.col("started_at")) > timedelta(minutes=30))
    assert found.height > 0
    assert "switch open" in found["kind"].to_list()


def test_standing_pressure_is_112_to_114_psig_at_37_to_38_degf(starved: Made, of_starved: Analysis) -> None:
    """Common practice, no source; without sun and crankcase heat, and 2 psi for the noise of a median."""
    longest = of_starved.lockouts.sort(pl.col("ended_at") - pl.col("started_at")).row(-1, named=True)
    settled = starved.frame.filter(
        pl.col("read_at").is_between(longest["ended_at"] - timedelta(minutes=20), longest["ended_at"], closed="none")
    )
    standing_psig = (settled["suction_kpa"].median() - 101.325) / PSI
    assert 110 < standing_psig < 116


def test_the_factory_fan_switch_is_found(cycled: Made) -> None:
    found = analyse(cycled.frame, cycled.listed)
    for switch, true in (("fan on", 417.5), ("fan off", 240.0)):
        estimate_psig, lower, upper = psig(found, switch)
        assert estimate_psig == pytest.approx(true, abs=6)
        assert lower is not None
        assert upper is not None
        assert lower - 3 < true < upper + 3
    assert "cycling" in found.head_pressure["behaviour"].to_list()


# --- invariance -------------------------------------------------------------------------------------------------


def shifted(analysis: Analysis, by: timedelta) -> list[list[tuple[object, ...]]]:
    frames = []
    for frame in analysis.frames().values():
        instants = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)]
        frames.append(frame.with_columns(pl.col(instants) + by).rows())
    return frames


def test_row_order_and_repeated_rows_change_nothing(starved: Made, of_starved: Analysis) -> None:
    mixed = pl.concat([starved.frame, starved.frame.head(500)]).sample(fraction=1.0, shuffle=True, seed=1)
    assert shifted(analyse(mixed, starved.listed), timedelta(0)) == shifted(of_starved, timedelta(0))


def test_a_later_log_gives_the_same_trips_later(starved: Made, of_starved: Analysis) -> None:
    week = timedelta(days=7)
    later = starved.frame.with_columns(pl.col("read_at") + week)
    found = analyse(later, starved.listed)
    for name in ("trips", "lockouts"):
        assert getattr(found, name).equals(
            getattr(of_starved, name).with_columns(pl.col(pl.Datetime("us", "UTC")) + week), null_equal=True
        )


def test_nothing_is_said_of_nothing() -> None:
    frame = make(1, days=0.2, logging_s=60, refrigerant="R-22", behaviour="none", constant_c=20.0).frame
    listed = Listed("u", "1", "R-22", 101.325)
    found = analyse(frame.clear(), listed)
    assert all(each.is_empty() for name, each in found.frames().items() if name != "set_points")
    assert found.set_points["estimate_kpa"].null_count() == 5


@pytest.mark.parametrize(
    "missing", [("suction_kpa", "lp_switch_closed"), ("liquid_kpa", "discharge_kpa"), ("outdoor_c", "station_c"), SEEN]
)
def test_a_missing_channel_is_no_error_and_nothing_is_said_from_it(starved: Made, missing: tuple[str, ...]) -> None:
    """Without suction and switch no low-pressure trip, without head no behaviour; without status the split tells."""
    gone = starved.frame.with_columns(pl.lit(None, dtype=starved.frame.schema[name]).alias(name) for name in missing)
    found = analyse(gone, starved.listed)
    if "suction_kpa" in missing:
        assert found.trips.is_empty()
    if "liquid_kpa" in missing:
        assert set(found.head_pressure["behaviour"]) <= {"cannot tell"}
    if missing == SEEN:
        assert found.running_from in ("current", "pressure split")
        assert found.trips.height > 0


# --- slow twins -------------------------------------------------------------------------------------------------


def traced(made: Made) -> tuple[Trace, Running]:
    trace, _ = clean(trace_of(made.frame, made.listed), made.listed)
    return trace, running(trace)


def test_stops_are_those_that_a_loop_finds(starved: Made) -> None:
    trace, state = traced(starved)
    gaps = trace.gap_before
    expected = [
        at
        for at in range(1, len(trace))
        if state.known[at] and state.known[at - 1] and state.on[at - 1] and not state.on[at] and not gaps[at]
    ]
    found = stops(trace, state)
    assert found.first_off.tolist() == expected
    for stop, first in enumerate(expected):
        last = first
        while last + 1 < len(trace) and not gaps[last + 1] and state.known[last + 1] and not state.on[last + 1]:
            last += 1
        assert found.last_off[stop] == last


def test_time_since_start_is_what_a_loop_counts(starved: Made) -> None:
    trace, state = traced(starved)
    gaps, began = trace.gap_before, np.nan
    for at in range(len(trace)):
        if not (state.known[at] and state.on[at]):
            began = np.nan
            assert np.isnan(state.since_start_s[at])
            continue
        if np.isnan(began) or gaps[at]:
            was_off = at > 0 and not gaps[at] and state.known[at - 1] and not state.on[at - 1]
            began = trace.at_s[at] if was_off else -np.inf
        assert state.since_start_s[at] == trace.at_s[at] - began


def test_a_gap_is_no_stop(starved: Made) -> None:
    trace, state = traced(starved)
    middle = int(np.flatnonzero(state.on)[len(np.flatnonzero(state.on)) // 2])
    at = starved.frame.sort("read_at")["read_at"][middle]
    held = ~pl.col("read_at").is_between(at - timedelta(hours=1), at + timedelta(hours=1))
    cut = replace(starved, frame=starved.frame.filter(held))
    trace, state = traced(cut)
    after_gap = np.flatnonzero(trace.gap_before)
    assert len(after_gap) >= 2
    assert not set(stops(trace, state).first_off) & set(after_gap)


@pytest.mark.parametrize("seed", range(3))
def test_brackets_hold_the_switch_nine_times_in_ten(seed: int) -> None:
    """400 switches, each seen 6 times by a logger of 10 s with 1 psi of noise and an unknown lag from 0 to 55 s."""
    chance = np.random.default_rng(seed)
    held = 0
    for _ in range(400):
        acts, lag_s = chance.uniform(300, 500), chance.uniform(0, 55)
        rate = -chance.uniform(0.1, 2.0, 6)
        seen_before_s = chance.uniform(0, 10, 6)
        true = acts + chance.normal(0, 5, 6) - rate * seen_before_s
        reading = true - rate * lag_s + chance.normal(0, PSI, 6)
        grid = grid_kpa(150, 750)
        found = estimate(log_likelihood(Events(reading, rate, rate * 10, np.ones(6)), grid, PSI), grid, 6)
        held += found.lower_kpa <= acts <= found.upper_kpa
    assert 0.85 < held / 400 < 0.98


# --- jumpers and lockouts of whole rests --------------------------------------------------------------------------


def test_a_jumper_put_in_on_the_second_day_is_a_span() -> None:
    """R-410A starved at 37.5 degF, its switch at 54 psig; a year-round unit runs on beyond it once it is jumpered."""
    fixed = {
        "days": 4.0,
        "logging_s": 30,
        "refrigerant": "R-410A",
        "behaviour": "none",
        "constant_c": 3.06,
        "lp_cut_out_kpa": kpa(54),
        "lp_reset_kpa": kpa(100),
        "trips_to_latch": 0,
        "starve_c": 25.0,
        "run_s": 1500.0,
    }
    jumpered, sound = make(3, **fixed, changes=((2.0, "jumper on"),)), make(3, **fixed)
    found = analyse(jumpered.frame, jumpered.listed)
    assert found.months["under_cut_out_h"].sum() > 3
    assert analyse(sound.frame, sound.listed).months["under_cut_out_h"].sum() == 0.0
    assert analyse(sound.frame, sound.listed).jumpered.is_empty()
    for row in found.jumpered.rows(named=True):
        assert row["switch"] == "lp cut-out"
        assert row["hours"] <= found.months["run_h"].sum()
        assert row["from_at"] < row["to_at"]


def test_a_call_gone_for_a_defrost_does_not_end_a_lockout(starved: Made) -> None:
    """Half an hour without a call within a lockout leaves one lockout, two hours make two."""
    longest = analyse(starved.frame, starved.listed).lockouts.sort(pl.col("ended_at") - pl.col("started_at")).row(-1)
    middle = longest[0] + (longest[1] - longest[0]) / 2

    def held(gone: timedelta) -> list[tuple[object, ...]]:
        within = pl.col("read_at").is_between(middle - gone / 2, middle + gone / 2)
        called = pl.when(within).then(pl.lit(False)).otherwise(pl.col("cooling_called")).alias("cooling_called")
        found = analyse(starved.frame.with_columns(called), starved.listed).lockouts
        return found.filter(pl.col("started_at").is_between(longest[0], longest[1], closed="left")).rows()

    assert [row[:2] for row in held(timedelta(minutes=30))] == [longest[:2]]
    assert len(held(timedelta(hours=2))) == 2


def test_bounds_move_an_estimate_only_inwards() -> None:
    grid = grid_kpa(100.0, 300.0)
    events = Events(np.full(4, 200.0), np.zeros(4), np.full(4, -20.0), np.ones(4))
    free = estimate(log_likelihood(events, grid, 7.0), grid, 4)
    runs = log_bounds(grid, np.full(6, 192.0), 8.6, 0.85, above=False)
    held = estimate(log_likelihood(events, grid, 7.0) + runs, grid, 4)
    assert held.kpa <= free.kpa
    assert held.upper_kpa < free.upper_kpa
