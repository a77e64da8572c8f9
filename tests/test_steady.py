"""Which samples count as steady cooling."""

from dataclasses import replace

import numpy as np
import pytest

from lowambient.records.inputs import CHANNELS
from lowambient.traces.circuit import Listed, Trace
from lowambient.traces.runs import running
from lowambient.traces.steady import cooling_samples, steady_samples, thinned

LISTED = Listed("RTU-1", "1", "R-410A", 101.325)


def circuit(on, step_s=60.0, at_s=None, **channels):
    """A trace from its compressor status, one sample every `step_s` unless the instants are given."""
    at_s = np.arange(len(on)) * step_s if at_s is None else at_s
    names = [name for name in CHANNELS if name != "mode"] + ["station_c", "station_wind_m_s", "heating"]
    values = {name: np.full(len(on), np.nan) for name in names}
    return Trace(at_s, step_s, values | {"compressor_on": np.asarray(on, dtype=float)} | channels, "R-410A")


def steady(trace, listed=LISTED, **more):
    return np.flatnonzero(steady_samples(trace, running(trace), listed, **more)).tolist()


def test_ten_minutes_after_a_start_until_two_before_the_stop():
    on = np.zeros(60)
    on[10:40] = 1  # runs from minute 10, last seen running in minute 39, so that it stopped about 39.5
    assert steady(circuit(on)) == list(range(20, 38))


def test_a_run_that_the_log_does_not_see_the_end_of():
    on = np.ones(30)
    assert steady(circuit(on)) == list(range(10, 30))


def test_a_gap_begins_again():
    on = np.ones(60)
    at_s = np.arange(60) * 60.0 + np.where(np.arange(60) >= 30, 3600.0, 0.0)
    assert steady(circuit(on, at_s=at_s)) == [*range(10, 30), *range(40, 60)]


def test_slow_logs_keep_their_last_sample_before_a_stop():
    on = np.array([0, 1, 1, 1, 1, 0, 0, 1])
    assert steady(circuit(on, step_s=300.0)) == [3, 4]


def test_last_minutes_of_short_runs_only_where_nothing_settles():
    on = np.arange(600) % 20 < 8
    trace = circuit(on)
    assert steady(trace) == []
    few = steady(trace, enough_settled_s=3600.0)
    assert {sample % 20 for sample in few} == {4, 5}
    long = circuit(np.ones(600))
    assert steady(long, enough_settled_s=3600.0) == steady(long)


def test_heating_is_no_cooling():
    on = np.ones(60)
    heating = np.where(np.arange(60) < 30, 1.0, 0.0)
    assert steady(circuit(on, heating=heating)) == list(range(30, 60))


@pytest.mark.parametrize("listed_heat_pump", [True, False, None])
def test_a_heat_pump_without_a_mode_must_show_that_it_cools(listed_heat_pump):
    listed = replace(LISTED, heat_pump=listed_heat_pump)
    nothing = circuit(np.ones(6))
    assert cooling_samples(nothing, listed).tolist() == [not listed_heat_pump] * 6
    called = circuit(np.ones(6), cooling_called=np.array([0.0, 0, 0, 1, 1, np.nan]))
    air = {"return_air_c": np.full(6, 22.0), "supply_air_c": np.array([38.0, 38, 20, 12, 12, np.nan])}
    if listed_heat_pump:
        assert cooling_samples(called, listed).tolist() == [False, False, False, True, True, False]
        assert cooling_samples(circuit(np.ones(6), **air), listed).tolist() == [False] * 3 + [True] * 2 + [False]


def test_thinned_to_two_minutes():
    assert thinned(np.arange(100), 10.0).tolist() == list(range(0, 100, 12))
    assert thinned(np.arange(10), 300.0).tolist() == list(range(10))
    assert thinned(np.arange(0), float("nan")).tolist() == []
