"""Monthly facts of a circuit: figures of the trade, counted hours, a slow twin, and channels that are missing."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from lowambient.records.inputs import CHANNELS
from lowambient.refrigerant.saturation import bubble_c, dew_c
from lowambient.traces.brackets import Estimate
from lowambient.traces.circuit import Listed, trace_of
from lowambient.traces.conditions import BASES, MEDIANS, SCHEMA, Learned, months
from lowambient.traces.known import Known, SwitchLimit, switch_limit
from lowambient.traces.runs import Running, running
from lowambient.traces.steady import steady_samples

PSI_KPA = 6.894757293168
LISTED = Listed("RTU-1", "1", "R-410A", 101.325, fan_off_kpa=240 * PSI_KPA + 101.325)


def kpa(psig):
    return psig * PSI_KPA + 101.325


def celsius(fahrenheit):
    return (fahrenheit - 32) / 1.8


def frame(begin, step_s, on, **channels):
    """Rows every `step_s` from `begin`, one for each value of `on`; channels not given are missing."""
    at_us = (begin.timestamp() * 1e6 + np.arange(len(on)) * step_s * 1e6).astype(np.int64)
    values = {"compressor_on": np.asarray(on, dtype=float), **channels}
    names = [name for name in CHANNELS if name != "mode"] + ["station_c", "station_wind_m_s"]
    columns = {name: np.broadcast_to(values[name], len(on)) if name in values else [None] * len(on) for name in names}
    return pl.DataFrame(
        {
            "read_at": pl.Series(at_us).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "mode": pl.Series([None] * len(on), dtype=pl.String),
            **{name: pl.Series(column, dtype=pl.Float64) for name, column in columns.items()},
        }
    )


def facts(rows, listed=LISTED, **more):
    trace = trace_of(rows, listed)
    return months(trace, running(trace), listed, **more)


def test_condensing_over_ambient_of_a_gauge_reading():
    """R-410A at 250 psig condenses at about 84 °F, at 240 psig at about 80 °F (common practice, no source)."""
    begin, on = datetime(2026, 4, 1, tzinfo=UTC), np.ones(600)
    mild = facts(frame(begin, 60, on, liquid_kpa=kpa(250.0), outdoor_c=celsius(64.0))).row(0, named=True)
    assert 1.8 * mild["condensing_over_ambient_k"] == pytest.approx(20.0, abs=1.0)
    assert mild["cold_condensing_over_ambient_k"] is None
    cold = facts(frame(begin, 60, on, liquid_kpa=kpa(240.0), outdoor_c=celsius(40.0))).row(0, named=True)
    assert 1.8 * cold["cold_condensing_over_ambient_k"] == pytest.approx(40.0, abs=1.0)
    assert cold["condensing_over_ambient_k"] is None


def test_superheat_and_subcooling_take_dew_and_bubble():
    """R-407C glides by about 9 °F: a mixed-up curve would show (regression grid computed with CoolProp 8.0.0)."""
    blend = replace(LISTED, refrigerant="R-407C")
    rows = frame(
        datetime(2026, 5, 1, tzinfo=UTC),
        60,
        np.ones(600),
        suction_kpa=kpa(63.16),  # dew 40 °F
        liquid_kpa=kpa(225.47),  # bubble 100 °F
        suction_line_c=celsius(52.0),
        liquid_line_c=celsius(90.0),
        outdoor_c=celsius(80.0),
    )
    found = facts(rows, blend).row(0, named=True)
    assert 1.8 * found["superheat_k"] == pytest.approx(12.0, abs=0.02)
    assert 1.8 * found["subcooling_k"] == pytest.approx(10.0, abs=0.02)
    assert 1.8 * found["suction_dew_c"] + 32 == pytest.approx(40.0, abs=0.02)
    assert found["pressure_ratio"] == pytest.approx(kpa(225.47) / kpa(63.16))


def test_hours_starts_and_short_runs_by_month():
    """Two days about the end of a month: an hour on and an hour off, then runs of two minutes."""
    begin = datetime(2026, 1, 31, tzinfo=UTC)
    minute = np.arange(2 * 1440)
    on = np.where(minute < 1440, (minute // 60) % 2 == 1, minute % 30 < 2)
    outdoor_c = np.where(minute < 720, 4.0, 16.0)
    table = facts(frame(begin, 60, on, outdoor_c=outdoor_c, cooling_called=np.ones(len(on))))
    assert table["month"].to_list() == [datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC)]
    january, february = table.rows(named=True)
    assert january["run_h"] == pytest.approx(12.0)
    assert january["cold_run_h"] == pytest.approx(6.0)
    assert january["mild_run_h"] == pytest.approx(6.0)
    assert january["called_not_running_h"] == pytest.approx(12.0)
    assert january["starts"] == 12
    assert january["short_runs"] == 0
    assert february["run_h"] == pytest.approx(48 * 2 / 60)
    assert february["starts"] == 47  # the first two minutes belong to January's last hour of running
    assert february["short_runs"] == 47
    assert february["called_not_running_h"] == pytest.approx(24.0 - 48 * 2 / 60)


def test_a_slow_log_does_not_see_short_runs():
    on = np.arange(600) % 6 < 3
    assert facts(frame(datetime(2026, 1, 3, tzinfo=UTC), 300, on))["short_runs"].to_list() == [None]
    assert facts(frame(datetime(2026, 1, 3, tzinfo=UTC), 60, on))["short_runs"].to_list() != [None]


def test_a_gap_is_neither_running_nor_called():
    begin = datetime(2026, 1, 3, tzinfo=UTC)
    rows = frame(begin, 60, np.ones(1440), cooling_called=1.0, outdoor_c=3.0)
    holed = rows.filter((pl.col("read_at").dt.hour() < 6) | (pl.col("read_at").dt.hour() >= 18))
    assert facts(holed)["run_h"].to_list() == [pytest.approx(12.0)]
    assert facts(holed)["called_not_running_h"].to_list() == [0.0]


def test_fans_below_their_off_pressure():
    minute = np.arange(1440)
    head_kpa = np.where(minute < 360, kpa(200.0), kpa(300.0))
    fans = np.where(minute < 180, 2.0, np.where(minute < 360, 0.0, 1.0))
    rows = frame(datetime(2026, 1, 3, tzinfo=UTC), 60, np.ones(1440), liquid_kpa=head_kpa, fans_running=fans)
    assert facts(rows)["fans_below_off_h"].to_list() == [pytest.approx((180 - 10) / 60)]  # settled after ten minutes
    assert facts(rows, learned=Learned(fan_off_kpa=kpa(310.0)))["fans_below_off_h"].to_list() == [
        pytest.approx((180 - 10 + 1080) / 60)
    ]
    assert facts(rows, replace(LISTED, fan_off_kpa=None))["fans_below_off_h"].to_list() == [None]
    assert facts(rows.with_columns(fans_running=None))["fans_below_off_h"].to_list() == [None]


def test_heating_counts_for_nothing():
    rows = frame(datetime(2026, 1, 3, tzinfo=UTC), 60, np.ones(1440), liquid_kpa=kpa(300.0), outdoor_c=3.0)
    hour = pl.col("read_at").dt.hour()
    heated = rows.with_columns(mode=pl.when(hour < 8).then(pl.lit("heating")).otherwise(pl.lit("cooling")))
    assert facts(heated)["run_h"].to_list() == [pytest.approx(16.0)]
    assert facts(heated)["starts"].to_list() == [0]


def random_rows(seed):
    """Four weeks over two months with every channel, each with holes, in 3 minute steps."""
    rng = np.random.default_rng(seed)
    count = 28 * 480
    on = np.repeat(rng.random(count // 40 + 1) < 0.6, 40)[:count]

    def holed(values):
        return np.where(rng.random(count) < 0.1, np.nan, values)

    return frame(
        datetime(2026, 3, 18, tzinfo=UTC),
        180,
        on,
        suction_kpa=holed(900 + 60 * rng.standard_normal(count)),
        liquid_kpa=holed(2200 + 200 * rng.standard_normal(count)),
        suction_line_c=holed(rng.normal(12, 2, count)),
        liquid_line_c=holed(rng.normal(28, 2, count)),
        outdoor_c=holed(rng.normal(12, 6, count)),
        return_air_c=holed(rng.normal(24, 1, count)),
        supply_air_c=holed(rng.normal(13, 1, count)),
        compressor_a=holed(rng.normal(18, 1, count)),
    ).fill_nan(None)


@pytest.mark.parametrize("seed", range(2))
def test_medians_against_a_slow_twin(seed):
    trace = trace_of(random_rows(seed), LISTED)
    steady = steady_samples(trace, running(trace), LISTED)
    found = months(trace, running(trace), LISTED, Learned(fan_on_kpa=2300.0))
    gathered = {}
    for i in np.flatnonzero(steady):
        at = datetime.fromtimestamp(trace.at_s[i], UTC)
        channel = {name: float(trace[name][i]) for name in trace.channels}
        bubble = float(bubble_c("R-410A", np.array([channel["liquid_kpa"]]))[0])
        dew = float(dew_c("R-410A", np.array([channel["suction_kpa"]]))[0])
        outdoor_c = channel["outdoor_c"]
        facts_here = {
            "suction_dew_c": dew,
            "pressure_ratio": channel["liquid_kpa"] / channel["suction_kpa"],
            "air_split_k": channel["return_air_c"] - channel["supply_air_c"],
            "compressor_a": channel["compressor_a"],
        }
        if outdoor_c >= 15:
            facts_here["condensing_over_ambient_k"] = bubble - outdoor_c
            facts_here["subcooling_k"] = bubble - channel["liquid_line_c"]
            facts_here["superheat_k"] = channel["suction_line_c"] - dew
        if channel["liquid_kpa"] > 2300:
            facts_here["warm_condensing_over_ambient_k"] = bubble - outdoor_c
        if outdoor_c < 10:
            facts_here["cold_condensing_over_ambient_k"] = bubble - outdoor_c
        for name, value in facts_here.items():
            if np.isfinite(value):
                gathered.setdefault((at.month, name), []).append(value)
    assert found["month"].dt.month().to_list() == [3, 4]
    for row in found.rows(named=True):
        for name in MEDIANS:
            values = gathered[row["month"].month, name]
            assert row[name] == pytest.approx(float(np.median(values)))
            assert row[f"{name}_n"] == len(values)


def test_dense_samples_are_thinned_for_medians_only():
    begin = datetime(2026, 5, 2, tzinfo=UTC)
    seconds = np.arange(0, 6 * 3600, 10)
    rows = frame(begin, 10, np.ones(len(seconds)), liquid_kpa=kpa(300 + 0.001 * seconds), outdoor_c=20.0)
    row = facts(rows).row(0, named=True)
    assert row["condensing_over_ambient_k_n"] == pytest.approx((6 * 3600 - 600) / 120, abs=1)
    middle_c = float(bubble_c("R-410A", np.array([kpa(300 + 0.001 * (6 * 3600 + 600) / 2)]))[0])
    assert row["condensing_over_ambient_k"] == pytest.approx(middle_c - 20.0, abs=0.02)
    assert row["run_h"] == pytest.approx(6.0)


def test_missing_channels_and_no_readings():
    rows = frame(datetime(2026, 5, 2, tzinfo=UTC), 60, np.ones(300))
    row = facts(rows, replace(LISTED, refrigerant=None)).row(0, named=True)
    weather = {"cold_run_h", "mild_run_h", "cold_lockout_h", "lp_trips_cold", "fans_all_below_on_h"}
    unseen = {*MEDIANS, *BASES, *weather, "called_not_running_h", "fans_below_off_h", "lp_trips"}
    unseen |= {"under_cut_out_h", "over_hp_h"}
    assert {name for name, value in row.items() if value is None} == unseen
    assert all(row[f"{name}_n"] == 0 for name in MEDIANS)
    empty = trace_of(rows.clear(), LISTED)
    none = np.zeros(0, dtype=bool)
    table = months(empty, Running(empty.at_s, none, none, none, "cannot tell"), LISTED)
    assert table.is_empty()
    assert dict(table.schema) == SCHEMA


def test_row_order_repeats_and_a_shift_by_whole_days():
    rows = random_rows(5)
    mixed = pl.concat([rows, rows.sample(500, seed=1)]).sample(fraction=1.0, shuffle=True, seed=2)
    assert facts(mixed).equals(facts(rows))
    year = facts(rows.with_columns(pl.col("read_at") + pl.duration(days=365)))
    assert year.drop("month").equals(facts(rows).drop("month"))


# --- switches, trips and lockouts -------------------------------------------------------------------------------------

LOW, HIGH = SwitchLimit(kpa(54.0), 20.0, "listed"), SwitchLimit(kpa(644.0), 20.0, "usual")


def held_beyond(rows, listed=LISTED, low=LOW, high=HIGH):
    row = facts(rows, listed, learned=Learned(lp_cut_out=low, hp_cut_out=high)).row(0, named=True)
    return row["under_cut_out_h"], row["over_hp_h"]


def hour_under(**more):
    """R-410A, ten hours at one minute: an hour off, then running; from the fifth to the seventh hour at 40 psig, where
    a switch that opens at 54 psig (common practice, no source) does not let it run."""
    minute = np.arange(600)
    on = np.asarray(more.pop("on", minute >= 60), dtype=float)
    suction = np.where((minute >= 300) & (minute < 420), kpa(40.0), kpa(110.0))
    values = {"suction_kpa": suction, "liquid_kpa": kpa(250.0), "outdoor_c": 2.0, **more}
    return frame(datetime(2026, 1, 3, tzinfo=UTC), 60, on, **values)


def test_running_under_the_cut_out():
    assert held_beyond(hour_under()) == (pytest.approx(2.0), 0.0)
    assert held_beyond(hour_under(), low=SwitchLimit(kpa(42.0), 20.0, "usual")) == (0.0, 0.0)  # within the error
    assert held_beyond(hour_under(), low=None) == (None, 0.0)


def test_running_over_the_high_pressure_cut_out():
    minute = np.arange(600)
    head = np.where((minute >= 300) & (minute < 330), kpa(660.0), kpa(400.0))
    assert held_beyond(hour_under(liquid_kpa=head)) == (pytest.approx(2.0), pytest.approx(0.5))


def test_what_is_no_jumper():
    """The start delay, the minutes before a stop, a pump-down, heating, a switch on the liquid side, a lone sample."""
    minute = np.arange(600)
    no_start = hour_under(on=minute >= 300)  # of two hours under it the first five minutes are the start's
    assert held_beyond(no_start)[0] == pytest.approx(2.0 - 5 / 60)
    stops = hour_under(on=minute < 420)
    assert held_beyond(stops)[0] == pytest.approx(2.0 - 2 / 60)
    pumped = hour_under(liquid_solenoid_open=np.where((minute >= 300) & (minute < 360), 0.0, 1.0))
    assert held_beyond(pumped)[0] == pytest.approx(1.0)
    assert held_beyond(hour_under(), replace(LISTED, pump_down=True))[0] is None
    assert held_beyond(pumped, replace(LISTED, pump_down=True))[0] == pytest.approx(1.0)
    assert held_beyond(hour_under(), replace(LISTED, lp_switch_at="liquid"))[0] is None
    heated = hour_under().with_columns(mode=pl.when(pl.col("read_at").dt.hour() < 6).then(pl.lit("defrost")))
    assert held_beyond(heated)[0] == pytest.approx(1.0)
    assert held_beyond(hour_under(suction_kpa=np.where(minute % 60 == 30, kpa(40.0), kpa(110.0))))[0] == 0.0


@pytest.mark.parametrize("seed", range(2))
def test_hours_beyond_a_switch_against_a_slow_twin(seed):
    chance = np.random.default_rng(seed)
    on = np.repeat(chance.random(60) < 0.7, 25)[:1440]
    suction = np.repeat(kpa(chance.uniform(30.0, 80.0, 240)), 6)
    solenoid = np.repeat(chance.choice([0.0, 1.0, np.nan], 72), 20)
    rows = frame(datetime(2026, 1, 3, tzinfo=UTC), 60, on, suction_kpa=suction, liquid_solenoid_open=solenoid)
    expected = np.zeros(1440, dtype=bool)
    for i in np.flatnonzero(on):
        first = i - np.argmin(on[i::-1]) + 1 if not on[: i + 1].all() else 0
        last = i + np.argmin(on[i:]) - 1 if not on[i:].all() else 1440 + 120
        in_time = (
            i - first >= 5 and last - i >= 1.5
        )  # two minutes, and half a step of the logger beyond the last sample
        expected[i] = in_time and suction[i] < LOW.kpa - LOW.error_kpa and solenoid[i] != 0
    paired = [
        at
        for at in np.flatnonzero(expected)
        if (at and expected[at - 1] and on[at - 1]) or (at < 1439 and expected[at + 1] and on[at + 1])
    ]
    found = held_beyond(rows.fill_nan(None))[0]
    assert found == pytest.approx(len(paired) / 60)
    assert found > 1


def test_the_best_known_limit_of_a_switch():
    """Found before listed before usual; a found one needs no allowance for the logger's scale."""
    known = Known(480.0, 473.6, 700.0)
    found = switch_limit(Estimate(450.0, 440.0, 470.0, 9), known, 10.0, True)
    assert (found.kpa, found.error_kpa, found.basis) == (450.0, 15.0 + 30.0, "found")
    listed = switch_limit(None, known, 10.0, True)
    assert (listed.kpa, listed.error_kpa, listed.basis) == (480.0, 20.0 + 30.0, "listed")
    assert switch_limit(None, replace(known, listed_kpa=None), 10.0, True).basis == "usual"
    assert switch_limit(None, replace(known, listed_kpa=None), 10.0, False) is None


def test_trips_and_lockouts_by_month_against_a_slow_twin():
    begin = datetime(2026, 1, 31, tzinfo=UTC)
    chance = np.random.default_rng(4)
    outdoor_c = np.repeat(chance.uniform(0.0, 20.0, 96), 30)
    rows = frame(begin, 60, np.ones(2880), suction_kpa=kpa(100.0), outdoor_c=outdoor_c)
    trips_s = begin.timestamp() + 60.0 * np.sort(chance.choice(2880, 40, replace=False))
    starts = begin.timestamp() + 3600.0 * np.array([2.0, 23.5, 40.0])
    lockouts_s = np.stack([starts, starts + 3600.0 * np.array([1.25, 2.0, 0.5])], axis=1)
    found = facts(rows, learned=Learned(lp_trips_s=trips_s, lockouts_s=lockouts_s))
    trips, cold, hours = {1: 0, 2: 0}, {1: 0, 2: 0}, {1: 0.0, 2: 0.0}
    for minute in range(2880):
        at_s = begin.timestamp() + 60.0 * minute
        month = 1 if minute < 1440 else 2
        trips[month] += at_s in trips_s
        cold[month] += at_s in trips_s and outdoor_c[minute] < 10
        locked = any(a <= at_s < b for a, b in lockouts_s)
        hours[month] += locked and outdoor_c[minute] < 10 and 1 / 60
    assert found["lp_trips"].to_list() == list(trips.values())
    assert found["lp_trips_cold"].to_list() == list(cold.values())
    assert found["cold_lockout_h"].to_list() == pytest.approx(list(hours.values()))


def test_every_fan_on_in_the_cold_below_fan_off():
    """One of two fans may have no control; both below the fan-off pressure in the cold may not."""
    minute = np.arange(1440)
    fans = np.where(minute < 300, 1.0, 2.0)
    outdoor_c = np.where(minute < 600, 2.0, 12.0)
    head = np.where(minute < 900, kpa(200.0), kpa(300.0))
    rows = frame(
        datetime(2026, 1, 3, tzinfo=UTC), 60, np.ones(1440), liquid_kpa=head, fans_running=fans, outdoor_c=outdoor_c
    )
    row = facts(rows).row(0, named=True)
    assert row["fans_all_below_on_h"] == pytest.approx(5.0)
    assert row["fans_below_off_h"] == pytest.approx(15.0 - 10 / 60)


def test_condensing_over_ambient_above_fan_on():
    """R-410A condenses at 100 °F at 318.53 psig (regression grid computed with CoolProp 8.0.0)."""
    head = np.where(np.arange(600) < 300, kpa(250.0), kpa(318.53))
    rows = frame(datetime(2026, 1, 3, tzinfo=UTC), 60, np.ones(600), liquid_kpa=head, outdoor_c=celsius(40.0))
    row = facts(rows, learned=Learned(fan_on_kpa=kpa(300.0))).row(0, named=True)
    assert 1.8 * row["warm_condensing_over_ambient_k"] == pytest.approx(60.0, abs=0.05)
    assert row["warm_condensing_over_ambient_k_n"] == 150
    assert facts(rows).row(0, named=True)["warm_condensing_over_ambient_k"] is None
