"""How head pressure is held: behaviours of the trade, look-alikes, dated changes, slow twins and invariances."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowambient.records.inputs import CHANNELS
from lowambient.refrigerant.saturation import bubble_c, bubble_kpa, dew_kpa
from lowambient.traces import head_states as module
from lowambient.traces.circuit import Listed, Trace, trace_of
from lowambient.traces.cold_hours import Hours, hours_of
from lowambient.traces.fan_switching import fan_switching
from lowambient.traces.head_pressure import Period, _doubted, head_pressure
from lowambient.traces.head_states import hour_costs, likeliest_path
from lowambient.traces.runs import Running, running
from lowambient.traces.steady import cooling_samples, hidden_stops

LISTED = Listed("RTU-1", "1", "R-410A", 101.325)
DAY_S = 86400.0
START_S = datetime(2026, 1, 5, tzinfo=UTC).timestamp()
PSI_KPA = 6.894757293168


def weather(days, step_s, mean_c=2.0, diurnal_k=4.0, spells_k=6.0):
    """Outdoor temperature of cold days: a daily swing on slow spells."""
    day = np.arange(0, days * DAY_S, step_s) / DAY_S
    return mean_c + diurnal_k * np.sin(2 * np.pi * (day - 0.4)) + spells_k * np.sin(2 * np.pi * day / 8.5 + 1.0)


def saw(count, step_s, low_c, high_c, period_s=780.0):
    """Condensing temperature that a cycled fan saws between two temperatures; no whole number of steps a tooth."""
    phase = (np.arange(count) * step_s / period_s) % 1.0
    return np.where(
        phase < 0.7, low_c + (high_c - low_c) * phase / 0.7, high_c - (high_c - low_c) * (phase - 0.7) / 0.3
    )


def circuit(condensing_c, outdoor_c, step_s, on=None, tap="liquid_kpa", noise_kpa=7.0, seed=1, listed=LISTED):
    """A trace whose head pressure is that of `condensing_c`, with 1 psi of sensor noise, running unless told."""
    return trace_of(frame(condensing_c, outdoor_c, step_s, on, tap, noise_kpa, seed), listed)


def frame(condensing_c, outdoor_c, step_s, on=None, tap="liquid_kpa", noise_kpa=7.0, seed=1, start_s=START_S):
    rng = np.random.default_rng(seed)
    count = len(outdoor_c)
    on = np.ones(count, dtype=bool) if on is None else on
    head_c = np.where(on, condensing_c, outdoor_c + 1.0)
    kpa = (bubble_kpa if tap == "liquid_kpa" else dew_kpa)("R-410A", head_c) + noise_kpa * rng.standard_normal(count)
    at = pl.Series("read_at", ((start_s + np.arange(count) * step_s) * 1e6).astype(np.int64))
    values = {tap: kpa, "outdoor_c": outdoor_c + 0.2 * rng.standard_normal(count), "compressor_on": on.astype(float)}
    names = [name for name in CHANNELS if name != "mode"] + ["station_c", "station_wind_m_s"]
    return pl.DataFrame(
        {
            "read_at": at.cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "mode": pl.Series([None] * count, dtype=pl.String),
            **{name: pl.Series(values[name] if name in values else [None] * count, dtype=pl.Float64) for name in names},
        }
    )


def found(trace, listed=LISTED):
    return head_pressure(trace, running(trace), listed)


def behaviours(trace, listed=LISTED):
    return found(trace, listed)["behaviour"].to_list()


def at_psig(psig):
    """Bubble temperature of R-410A at a gauge pressure at sea level."""
    return float(bubble_c("R-410A", np.array([psig * PSI_KPA + 101.325]))[0])


# Behaviours of the trade


@pytest.mark.parametrize("step_s", [10.0, 60.0, 300.0])
@pytest.mark.parametrize(("fan_on_psig", "fan_off_psig"), [(418.0, 240.0), (400.0, 300.0)])
def test_fan_cycling_switches_of_the_trade_saw(step_s, fan_on_psig, fan_off_psig):
    """Factory switch 415-420 / 240 psig and field-fitted 400 / 300 psig (common practice, no source)."""
    outdoor_c = weather(5, step_s)
    low_c, high_c = at_psig(fan_off_psig), at_psig(fan_on_psig)
    table = found(circuit(saw(len(outdoor_c), step_s, low_c, high_c), outdoor_c, step_s))
    assert table["behaviour"].to_list() == ["cycling"]
    assert abs(table["slope"][0]) < 0.2
    assert table["band_c"][0] == pytest.approx(0.9 * (high_c - low_c), abs=2.5)


@pytest.mark.parametrize("step_s", [10.0, 300.0])
def test_one_of_two_fans_follows_ambient_though_it_looks_held_on_a_cold_day(step_s):
    """84-90 °F condensing on one of two fans on a cold day (common practice, no source): slope decides, not level."""
    outdoor_c = weather(8, step_s)
    cold = (outdoor_c > 3.5) & (outdoor_c < 6.8)
    condensing_c = outdoor_c + 25.3
    assert 1.8 * condensing_c[cold].min() + 32 > 83
    assert 1.8 * condensing_c[cold].max() + 32 < 91
    table = found(circuit(condensing_c, outdoor_c, step_s))
    assert table["behaviour"].to_list() == ["follows ambient"]
    assert table["slope"][0] == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("step_s", [10.0, 60.0])
def test_a_narrow_saw_with_many_turns_an_hour_is_no_held_head(step_s):
    """Switches 30 psi apart (common practice: adjustable ones go so close) at small load: its hours look alike."""
    outdoor_c = weather(5, step_s)
    teeth = saw(len(outdoor_c), step_s, at_psig(300.0), at_psig(330.0), period_s=290.0)
    assert behaviours(circuit(teeth, outdoor_c, step_s)) == ["cycling"]
    middle = np.full(len(outdoor_c), at_psig(315.0))
    assert behaviours(circuit(middle, outdoor_c, step_s)) == ["held"]


def held_but_for_dips(step_s, dips_to_c, suction_kpa):
    """Head held at 30 °C but for one sample in six, and a suction of 600 kPa but for those; the log shows no stop."""
    outdoor_c = weather(9, step_s)
    dips = np.random.default_rng(7).random(len(outdoor_c)) < 1 / 6
    held_c = np.where(dips, dips_to_c + outdoor_c / 3, 30.0)
    trace = circuit(held_c, outdoor_c, step_s)
    noise = np.random.default_rng(8).normal(0, 7.0, len(outdoor_c))
    return dips, trace.with_channels(suction_kpa=np.where(dips, suction_kpa, 600.0) + noise)


def test_stops_that_a_slow_log_takes_for_running_are_no_steady_running():
    """Suction rises while head falls in a stop, and with it where a fan comes on (physics)."""
    dips, stopped = held_but_for_dips(300.0, 14.0, 780.0)
    hidden = hidden_stops(stopped, running(stopped))
    assert hidden[dips].mean() > 0.9
    assert hidden[np.flatnonzero(dips[:-1]) + 1].mean() > 0.9
    assert hidden[~dips & ~np.append(False, dips[:-1])].mean() < 0.01
    _, fan = held_but_for_dips(300.0, 14.0, 580.0)
    assert hidden_stops(fan, running(fan)).mean() < 0.01
    _, fast = held_but_for_dips(60.0, 14.0, 780.0)
    assert not hidden_stops(fast, running(fast)).any()


def test_dips_of_a_slow_log_on_one_side_are_no_saw():
    """Restarts between two samples leave head low in some; a fan's saw lies on both sides of its middle."""
    _, trace = held_but_for_dips(300.0, 22.0, 590.0)
    assert behaviours(trace) == ["held"]


def beside_a_fan_that_always_runs(step_s, days=14.0, bypassed_day=np.inf):
    """Condensing temperature of two fans of which one cycles (240 / 340 psig) and one runs all the time, 38 K over
    ambient alone, and outdoor temperature; from `bypassed_day` on both run, 13 K over ambient."""
    outdoor_c = weather(days, step_s, mean_c=3.0, diurnal_k=4.0, spells_k=6.0)
    sawn = saw(len(outdoor_c), step_s, at_psig(240.0), at_psig(340.0))
    alone_c = outdoor_c + 38.0
    day = np.arange(len(outdoor_c)) * step_s / DAY_S
    controlled_c = np.where(alone_c > at_psig(340.0), sawn, alone_c)
    return np.where(day < bypassed_day, controlled_c, outdoor_c + 13.0), outdoor_c


def switched(trace):
    state = running(trace)
    cools = cooling_samples(trace, LISTED)
    return state, fan_switching(trace, state, cools, (None, None), noise_kpa=7.0)


@pytest.mark.parametrize("step_s", [10.0, 60.0])
def test_a_fan_that_cycles_beside_one_that_always_runs_is_seen_though_head_falls_in_the_cold(step_s):
    condensing_c, outdoor_c = beside_a_fan_that_always_runs(step_s)
    trace = circuit(condensing_c, outdoor_c, step_s)
    state, fans = switched(trace)
    assert head_pressure(trace, state, LISTED, fans.turned_s)["behaviour"].to_list() == ["cycling"]
    alone = circuit(outdoor_c + 38.0, outdoor_c, step_s)
    assert behaviours(alone) == ["follows ambient"]


@pytest.mark.parametrize("step_s", [60.0])
def test_where_such_a_fan_loses_its_switch_head_follows(step_s):
    condensing_c, outdoor_c = beside_a_fan_that_always_runs(step_s, days=20.0, bypassed_day=9.3)
    trace = circuit(condensing_c, outdoor_c, step_s)
    state, fans = switched(trace)
    table = head_pressure(trace, state, LISTED, fans.turned_s)
    assert table["behaviour"].to_list() == ["cycling", "follows ambient"]
    changed = datetime.fromtimestamp(START_S + 9.3 * DAY_S, UTC)
    assert abs(table["period_start"][1] - changed) < timedelta(days=2)


def test_a_head_that_turns_back_elsewhere_is_not_the_switch():
    """Load makes peaks too: only those near the usual turning point are the fan's."""
    step_s, outdoor_c = 30.0, weather(6, 30.0)
    teeth = saw(len(outdoor_c), step_s, 25.0, 40.0)
    day = np.arange(len(outdoor_c)) * step_s / DAY_S
    load = 14.0 + 5.0 * np.sin(2 * np.pi * day * 24 / 0.8)
    trace = circuit(np.where(day < 4, teeth, load), outdoor_c, step_s)
    _, fans = switched(trace)
    days_on = (fans.turned_s - START_S) / DAY_S
    assert (days_on < 4).sum() > 100
    assert (days_on > 4.1).sum() == 0


def test_fan_speed_with_a_droop_is_held():
    """About 100 °F falling to 80 °F condensing down to -20 °F outdoors (unbranded manual): a slope of a quarter."""
    outdoor_c = weather(20, 300.0, mean_c=-8.0, spells_k=9.0)
    condensing_c = np.interp(outdoor_c, [-28.9, 10.0], [26.7, 37.8])
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["held"]


@pytest.mark.parametrize("floor_c", [14.0, 20.0])
def test_a_floor_under_a_floating_head_is_seen_in_the_cold(floor_c):
    outdoor_c = weather(14, 300.0, mean_c=1.0)
    condensing_c = np.maximum(outdoor_c + 12.0, floor_c)
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["held"]


def test_a_floor_that_is_never_reached_is_no_floor():
    outdoor_c = weather(14, 300.0, mean_c=1.0)
    condensing_c = np.maximum(outdoor_c + 12.0, outdoor_c.min() + 11.0)
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["follows ambient"]


# What must not fool it


def test_part_load_moves_the_distance_and_not_the_behaviour():
    rng = np.random.default_rng(3)
    outdoor_c = weather(20, 300.0)
    share = np.where(np.repeat(rng.random(len(outdoor_c) // 9 + 1) < 0.5, 9)[: len(outdoor_c)], 0.5, 1.0)
    assert behaviours(circuit(outdoor_c + 14.0 * share, outdoor_c, 300.0)) == ["follows ambient"]
    assert behaviours(circuit(32.0 + 2.0 * share, outdoor_c, 300.0)) == ["held"]


@pytest.mark.parametrize("step_at_c", [-3.0, 2.0, 6.0])
def test_fans_staged_by_ambient_follow_on_either_side_of_the_step(step_at_c):
    outdoor_c = weather(20, 300.0)
    condensing_c = outdoor_c + np.where(outdoor_c < step_at_c, 22.0, 12.0)
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["follows ambient"]


def test_a_sister_that_runs_the_shared_fans_does_not_hold_the_head():
    rng = np.random.default_rng(4)
    outdoor_c = weather(20, 300.0)
    sister = np.repeat(rng.random(len(outdoor_c) // 24 + 1) < 0.5, 24)[: len(outdoor_c)]
    assert behaviours(circuit(outdoor_c + np.where(sister, 10.0, 19.0), outdoor_c, 300.0)) == ["follows ambient"]


def test_wind_and_rain_do_not_make_a_change():
    outdoor_c = weather(30, 300.0)
    day = np.arange(len(outdoor_c)) * 300.0 / DAY_S
    stormy = (day > 11.3) & (day < 12.4)
    condensing_c = np.where(stormy, 24.0, 36.0) + 0.1 * outdoor_c
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["held"]
    condensing_c = outdoor_c + np.where(stormy, 8.0, 15.0)
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["follows ambient"]


def test_one_odd_day_is_no_change():
    outdoor_c = weather(30, 300.0)
    day = np.arange(len(outdoor_c)) * 300.0 / DAY_S
    condensing_c = np.where((day > 14) & (day < 15), outdoor_c + 14.0, 35.0)
    assert behaviours(circuit(condensing_c, outdoor_c, 300.0)) == ["held"]


@pytest.mark.parametrize("run_s", [900.0, 2400.0])
def test_runs_and_stops_leave_the_answer(run_s):
    outdoor_c = weather(20, 60.0)
    at_s = np.arange(len(outdoor_c)) * 60.0
    on = at_s % (2 * run_s) < run_s
    assert behaviours(circuit(outdoor_c + 13.0, outdoor_c, 60.0, on)) == ["follows ambient"]
    assert behaviours(circuit(np.full(len(on), 34.0), outdoor_c, 60.0, on)) == ["held"]


# What cannot be told


def test_outdoor_air_that_hardly_moves_tells_nothing():
    outdoor_c = weather(4, 300.0, mean_c=4.0, diurnal_k=0.2, spells_k=0.2)
    assert behaviours(circuit(outdoor_c + 26.0, outdoor_c, 300.0)) == ["cannot tell"]


def test_mild_weather_tells_nothing():
    outdoor_c = weather(8, 300.0, mean_c=24.0)
    table = found(circuit(outdoor_c + 13.0, outdoor_c, 300.0))
    assert table["behaviour"].to_list() == ["cannot tell"]
    assert table["samples"].to_list() == [0]
    assert table["slope"].to_list() == [None]
    assert table["band_c"].to_list() == [None]


def test_a_liquid_tap_behind_a_flooding_valve_cannot_judge_what_is_held():
    outdoor_c = weather(10, 300.0)
    flooded = replace(LISTED, head_control="flooded")
    held_c = np.full(len(outdoor_c), 32.0)
    assert behaviours(circuit(held_c, outdoor_c, 300.0), flooded) == ["cannot tell"]
    assert behaviours(circuit(held_c, outdoor_c, 300.0, tap="discharge_kpa"), flooded) == ["held"]
    assert behaviours(circuit(outdoor_c + 12.0, outdoor_c, 300.0), flooded) == ["follows ambient"]


def test_a_discharge_tap_stands_in_before_a_flooding_valve():
    step_s, outdoor_c = 60.0, weather(10, 60.0)
    held = np.full(len(outdoor_c), 32.0)
    listed = replace(LISTED, head_control="flooded")
    logged = frame(held, outdoor_c, step_s)
    both = logged.with_columns(discharge_kpa=pl.col("liquid_kpa") + 30.0)
    assert behaviours(trace_of(logged, listed), listed) == ["cannot tell"]
    assert behaviours(trace_of(both, listed), listed) == ["held"]


def test_fans_that_turn_the_head_back_every_hour_cycle_whatever_its_slope():
    """Where the path sees no more than a restless head, the turning points decide; few of them do not."""
    step_s, outdoor_c = 60.0, weather(10, 60.0)
    chance = np.random.default_rng(3)
    restless = circuit(outdoor_c + 14 + 5 * np.sin(np.arange(len(outdoor_c)) / 9) * chance.random(), outdoor_c, step_s)
    every = restless.at_s[:: int(1800 / step_s)]
    told = head_pressure(restless, running(restless), LISTED)
    assert told["behaviour"].to_list() == ["follows ambient"]
    period = Period(float(restless.at_s[0]), float(restless.at_s[-1]), "cycling")
    samples = restless.at_s, restless.condensing_c(), restless.outdoor_c
    often, seldom = (hours_of(*samples, step_s, 0.5, turned_s) for turned_s in (every, every[:5]))
    assert _doubted(period, often, False).behaviour == "cycling"
    assert _doubted(period, seldom, False).behaviour == "follows ambient"
    assert _doubted(period, often, True).behaviour == "cannot tell"


def test_no_readings_and_no_refrigerant():
    outdoor_c = weather(6, 300.0)
    trace = circuit(outdoor_c + 12.0, outdoor_c, 300.0)
    unnamed = replace(trace, refrigerant=None)
    assert behaviours(unnamed) == ["cannot tell"]
    nothing = trace_of(frame(outdoor_c[:0], outdoor_c[:0], 300.0), LISTED)
    none = np.zeros(0, dtype=bool)
    table = head_pressure(nothing, Running(nothing.at_s, none, none, none, "cannot tell"), LISTED)
    assert table.schema == found(trace).schema
    assert table.is_empty()


# Changes


@pytest.mark.parametrize("step_s", [60.0, 300.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_bypassed_control_is_dated(step_s, seed):
    rng = np.random.default_rng(seed)
    outdoor_c = weather(24, step_s, spells_k=4.0)
    at_s = np.arange(len(outdoor_c)) * step_s
    change_s = rng.uniform(6, 18) * DAY_S
    cycled = saw(len(outdoor_c), step_s, 27.0, 47.0)
    for before, after, names in [
        (cycled, outdoor_c + 13.0, ["cycling", "follows ambient"]),
        (outdoor_c + 13.0, np.full(len(outdoor_c), 33.0), ["follows ambient", "held"]),
    ]:
        table = found(circuit(np.where(at_s < change_s, before, after), outdoor_c, step_s, seed=seed))
        assert table["behaviour"].to_list() == names
        changed = datetime.fromtimestamp(START_S + change_s, UTC)
        assert abs(table["period_start"][1] - changed) < timedelta(hours=6)
        slack = timedelta(hours=2)
        assert table["change_lower"][1] - slack <= changed <= table["change_upper"][1] + slack
        assert table["period_end"][0] == table["period_start"][1]
        assert table["change_lower"][0] is None


def test_a_change_in_warm_weeks_lies_between_the_cold_days_about_it():
    outdoor_c = weather(40, 300.0)
    day = np.arange(len(outdoor_c)) * 300.0 / DAY_S
    outdoor_c = outdoor_c + np.where((day > 12) & (day < 26), 20.0, 0.0)
    condensing_c = np.where(day < 20, np.maximum(34.0, outdoor_c + 12.0), outdoor_c + 12.0)
    table = found(circuit(condensing_c, outdoor_c, 300.0))
    assert table["behaviour"].to_list() == ["held", "follows ambient"]
    begin = datetime.fromtimestamp(START_S, UTC)
    assert table["change_lower"][1] < begin + timedelta(days=14)
    assert table["change_upper"][1] > begin + timedelta(days=24)


def test_periods_cover_the_log_and_count_its_cold_steady_samples():
    outdoor_c = weather(24, 300.0)
    day = np.arange(len(outdoor_c)) * 300.0 / DAY_S
    trace = circuit(np.where(day < 11, 34.0, outdoor_c + 13.0), outdoor_c, 300.0)
    table = found(trace)
    assert table["period_start"][0].timestamp() == trace.at_s[0]
    assert table["period_end"][-1].timestamp() == trace.at_s[-1]
    cold = (trace.outdoor_c < 10) & (trace.at_s - trace.at_s[0] >= 600)
    assert table["samples"].sum() == cold.sum()


# Slow twins


def random_hours(seed, count):
    rng = np.random.default_rng(seed)
    at_s = START_S + np.sort(rng.choice(6 * 24 * 60, size=count, replace=False)) * 60.0
    return at_s, 30 + 4 * rng.standard_normal(count), 5 * rng.standard_normal(count)


@pytest.mark.parametrize("seed", range(4))
def test_hours_against_a_slow_twin(seed):
    at_s, condensing_c, outdoor_c = random_hours(seed, 1500)
    hours = hours_of(at_s, condensing_c, outdoor_c, 120.0, 0.5)  # noise at rest, far under what hours show
    expected = []
    for hour in sorted({int(at // 3600) for at in at_s}):
        inside = [i for i, at in enumerate(at_s) if at // 3600 == hour]
        values = [condensing_c[i] for i in inside]
        swing_k = float("nan")
        if len(values) >= 3:
            steps = np.mean([abs(b - a) for a, b in itertools.pairwise(values)]) * np.sqrt(np.pi) / 2
            swing_k = max(steps * np.std(values, ddof=1) - 0.25, 0.0) ** 0.5
        weight = min(len(values) * 120.0 / 600.0, 1.0) / 3.0
        expected.append(
            (at_s[inside[0]], at_s[inside[-1]], np.median(values), np.median(outdoor_c[inside]), swing_k, weight)
        )
    got = [hours.first_s, hours.last_s, hours.condensing_c, hours.outdoor_c, hours.swing_k, hours.weight]
    assert pytest.approx(np.array(expected), nan_ok=True, rel=1e-9, abs=1e-6) == np.array(got).T


def some_states(levels=(10.0, 31.0), held=(28.0, 33.0), middle=(31.0, 29.0, 31.0)):
    kinds = [0] * (len(levels) + 1) + [1] * len(held) + [2] * len(middle)
    count = len(kinds)
    step_at_c, step_k = np.full(count, -np.inf), np.zeros(count)
    step_at_c[0], step_k[0] = 2.0, 8.0
    few_k = np.full(count, np.inf)
    few_k[-1] = 24.0
    level = np.array([11.0, *levels, *held, *middle])
    scale_k = np.linspace(1.3, 3.5, count)
    scale_k[-2] = 1.3
    return module.States(np.array(kinds), level, scale_k, step_at_c, step_k, few_k, np.linspace(0.0, 2.0, count))


@pytest.mark.parametrize("seed", range(3))
def test_costs_against_a_slow_twin(seed):
    rng = np.random.default_rng(seed)
    count, mild_k = 40, 9.0
    swing_k = np.where(rng.random(count) < 0.2, np.nan, rng.exponential(2.0, count))
    hours = Hours(
        np.arange(count) * 3600.0, np.arange(count) * 3600.0 + 3000, rng.normal(30, 8, count), rng.normal(5, 8, count),
        swing_k, rng.random(count), rng.poisson(0.5, count),
    )  # fmt: skip
    states = some_states()
    got = hour_costs(hours, states, mild_k)
    half_saw_k = 3**0.5 * float(np.nanmedian(swing_k[hours.turns > 0]))
    for i, j in itertools.product(range(count), range(len(states.level))):
        kind, level = states.behaviour[j], states.level[j]
        floating_c = hours.outdoor_c[i] + states.few_k[j]
        alone = floating_c < level + half_saw_k
        expected_c = max(floating_c if alone else level, hours.outdoor_c[i] + mild_k)
        if kind == module.FOLLOWS:
            staged = states.step_k[j] if hours.outdoor_c[i] < states.step_at_c[j] else 0.0
            expected_c = hours.outdoor_c[i] + level + staged
        off_k, scale_k = hours.condensing_c[i] - expected_c, states.scale_k[j]
        floats = kind == module.HELD or (kind == module.CYCLING and scale_k > 1.3)
        bound = 3.0 if off_k < 0 and floats else 4.5
        cost = min(0.5 * (off_k / scale_k) ** 2, bound) + np.log(scale_k)
        if np.isfinite(swing_k[i]):
            calm = 0.5 * (swing_k[i] / 0.5) ** 2 + np.log(0.5)
            saw_ = 0.5 * (max(0.9 - swing_k[i], 0.0) / 0.3) ** 2
            saw_ += np.log(max(swing_k[i], 0.9) * np.log(12.0 / 0.9))
            unlike = module.FOLLOWS if alone else int(kind)
            cost += {0: min(calm, saw_ + 0.5), 1: min(calm, saw_ + 2.0), 2: min(saw_, calm + 2.0)}[unlike]
        cost += 2.0 if hours.turns[i] and kind != module.CYCLING else 0.0
        assert got[i, j] == pytest.approx(hours.weight[i] * cost)


def price_of(path, by_day, states):
    price = by_day[0, path[0]] + states.entry[path[0]]
    for day in range(1, len(path)):
        before, now = path[day - 1], path[day]
        if now != before:
            price += states.entry[now]
            kinds = {int(states.behaviour[now]), int(states.behaviour[before])}
            if kinds == {module.HELD, module.CYCLING}:
                price += 3 * 14.0
            elif len(kinds) == 2:
                price += 14.0
            elif kinds != {module.FOLLOWS}:
                price += 3.0 if states.level[now] == states.level[before] else 12.0
            else:
                far = sorted(max(states.level[state], 3.0) for state in (before, now))
                price += 3.0 + 4.0 * max(np.log2(far[1] / far[0]) - 1.0, 0.0)
        price += by_day[day, now]
    return price


@pytest.mark.parametrize("seed", range(6))
def test_the_path_is_the_cheapest_of_all(seed):
    rng = np.random.default_rng(seed)
    states = some_states(levels=(10.0,), held=(28.0,), middle=(31.0, 31.0))
    by_day = rng.exponential(15.0, (6, len(states.level)))
    cheapest = min(price_of(path, by_day, states) for path in itertools.product(range(len(states.level)), repeat=6))
    assert price_of(likeliest_path(by_day, states), by_day, states) == pytest.approx(cheapest)


@pytest.mark.parametrize("kind", [0, 1, 2])
def test_what_one_behaviour_costs_alone(kind):
    rng = np.random.default_rng(kind)
    states = some_states()
    by_day = rng.exponential(15.0, (5, len(states.level)))
    few = np.flatnonzero(states.behaviour == kind)
    cheapest = min(price_of(path, by_day, states) for path in itertools.product(few, repeat=5))
    assert module.cost_of_one(by_day, states, kind) == pytest.approx(cheapest)


# Invariances


def changing(step_s=300.0):
    outdoor_c = weather(16, step_s)
    day = np.arange(len(outdoor_c)) * step_s / DAY_S
    return np.where(day < 7, saw(len(outdoor_c), step_s, 27.0, 45.0), outdoor_c + 13.0), outdoor_c


@settings(max_examples=5, deadline=None)
@given(days=st.integers(-20000, 20000))
def test_a_shift_by_whole_days_shifts_the_answer(days):
    condensing_c, outdoor_c = changing()
    here = found(trace_of(frame(condensing_c, outdoor_c, 300.0), LISTED))
    there = found(trace_of(frame(condensing_c, outdoor_c, 300.0, start_s=START_S + days * DAY_S), LISTED))
    times = ["period_start", "period_end", "change_lower", "change_upper"]
    back = there.with_columns(pl.col(times) - pl.duration(days=days))
    assert here.drop(times).equals(there.drop(times))
    for name in times:
        apart = (here[name] - back[name]).drop_nulls().abs()
        assert apart.max() is None or apart.max() < timedelta(milliseconds=1)


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_row_order_and_repeated_rows_change_nothing(seed):
    condensing_c, outdoor_c = changing()
    rows = frame(condensing_c, outdoor_c, 300.0)
    repeated = pl.concat([rows, rows.sample(fraction=0.2, seed=seed)]).sample(fraction=1.0, shuffle=True, seed=seed)
    assert found(trace_of(rows, LISTED)).equals(found(trace_of(repeated, LISTED)))


def test_sensor_noise_of_three_psi_is_no_saw():
    outdoor_c = weather(12, 60.0)
    at_s = np.arange(len(outdoor_c)) * 60.0
    on = at_s % 5400 < 3600
    held = circuit(np.full(len(outdoor_c), 33.0), outdoor_c, 60.0, on, noise_kpa=3 * PSI_KPA)
    assert behaviours(held) == ["held"]
    follows = circuit(outdoor_c + 13.0, outdoor_c, 60.0, on, noise_kpa=3 * PSI_KPA)
    assert behaviours(follows) == ["follows ambient"]


def test_traces_are_left_as_they_were():
    condensing_c, outdoor_c = changing()
    trace = circuit(condensing_c, outdoor_c, 300.0)
    before = {name: values.copy() for name, values in trace.channels.items()}
    found(trace)
    assert isinstance(trace, Trace)
    assert all(np.array_equal(before[name], trace[name], equal_nan=True) for name in before)
