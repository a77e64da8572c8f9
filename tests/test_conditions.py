"""Monthly facts of a circuit: figures of the trade, counted hours, a slow twin, and channels that are missing."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from lowambient.records.inputs import CHANNELS
from lowambient.refrigerant.saturation import bubble_c, dew_c
from lowambient.traces.circuit import Listed, trace_of
from lowambient.traces.conditions import MEDIANS, SCHEMA, months
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
    assert facts(rows, fan_off_kpa=kpa(310.0))["fans_below_off_h"].to_list() == [pytest.approx((180 - 10 + 1080) / 60)]
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
    found = months(trace, running(trace), LISTED)
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
    unseen = {*MEDIANS, "cold_run_h", "mild_run_h", "called_not_running_h", "fans_below_off_h"}
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
