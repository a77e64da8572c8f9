"""Past winters: nothing later leaks into a forecast; scores against scikit-learn, drawing, and sums by hand."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from flag_frames import CHECKS, HEAD_PRESSURE, MONTHS, START, STOPS, WEEKS, WIDTH_K, band_of, call, coldest_c, frames
from scipy import stats
from sklearn.metrics import mean_poisson_deviance

from lowambient import judgement, reference
from lowambient.flags.cutting import known_before
from lowambient.flags.judging import judge_flags, unit_states
from lowambient.plan import backtest as module
from lowambient.plan.backtest import Past, backtest, pit, poisson_deviance
from lowambient.report import schemas

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()} | {"band_width_k": WIDTH_K}
MARTS = Path(__file__).parents[1] / "queries" / "marts"
UNIT_COUNTS = (
    *("unit_id", "site_id", "site_name", "description", "refrigerant", "head_control", "duty", "station_id"),
    *("still_served", "reset_ambient_c", "starve_ambient_c", "episodes", "calls", "cold_hours", "reset_cold_hours"),
    *("last_winter", "calls_last_winter", "basis", "cold_hours_typical", "winters", "spread_cv", "spread_borrowed"),
)
"""Columns of the mart unit_counts."""
CUT = START + timedelta(weeks=104)
UNITS = {"u0": {"head_control": "none"}, "u1": {}, "u2": {"duty": "comfort"}}
EARLY = [call("u0", 20), call("u0", 24), call("u1", 75, said=("bypass found",)), call("u2", 40, "belt")]


def readings(shift: int) -> dict[str, pl.DataFrame]:
    """Readings and checks before the cut, and others after it that depend on `shift`."""
    weeks = [30, 80, 120 + shift]
    at = [START + timedelta(weeks=week) for week in weeks]
    behaviour = ["held", "follows ambient", ("held", "cycling", "follows ambient")[shift % 3]]
    return {
        "in_checks": pl.DataFrame(
            [
                ("u0", None, "no head control", at[0], "confirmed", None),
                ("u1", None, "head control out", at[2], "confirmed", None),
            ],
            schema=CHECKS,
            orient="row",
        ),
        "head_pressure": pl.DataFrame(
            {
                "unit_id": ["u1"] * 3,
                "circuit": ["1"] * 3,
                "period_start": at,
                "period_end": [each + timedelta(weeks=6 if place < 2 else 9) for place, each in enumerate(at)],
                "behaviour": behaviour,
                "samples": [500] * 3,
                "low_share": [0.9] * 3,
            },
            schema=HEAD_PRESSURE,
        ),
        "circuit_months": pl.DataFrame(
            [
                ("u1", "1", datetime(2015, 2, 1, tzinfo=UTC), 8.0, 90, 7.0, 90),
                ("u1", "1", CUT, 1.0 + shift, 90, 25.0, 90),
            ],
            schema=MONTHS,
            orient="row",
        ),
        "logged_weeks": pl.DataFrame(
            {"unit_id": ["u1"] * 3, "week": [w + 1 for w in weeks], "logged_hours": [168] * 3},
            schema={"unit_id": pl.String, "week": pl.Int32, "logged_hours": pl.Int64},
        ),
        "logged_stops": pl.DataFrame(
            [
                ("u1", each, week + 1, each + timedelta(days=7), 3, band_of(coldest_c(week + 1)))
                for each, week in zip(at, weeks, strict=True)
            ],
            schema=STOPS,
            orient="row",
        ),
    }


def given(shift: int, later: list[dict[str, object]]) -> dict[str, pl.DataFrame]:
    return frames(UNITS, EARLY + later, **readings(shift))


def test_what_comes_later_moves_nothing():
    """Other calls, notes, readings and checks after the cut; weather after it too."""
    plain = given(0, [call("u1", 110)])
    others = [call(unit, week, said=("bypass found",)) for unit in UNITS for week in range(104, 190, 7)]
    changed = given(5, others)
    changed["week_bands"] = changed["week_bands"].with_columns(
        pl.when(pl.col("week") >= 104).then(pl.col("band") - 3).otherwise("band").alias("band")
    )
    before, after = (unit_states(known_before(each, CUT), THRESHOLDS) for each in (plain, changed))
    assert before.equals(after)
    assert not unit_states(plain, THRESHOLDS).equals(unit_states(changed, THRESHOLDS))


@pytest.mark.parametrize("table", ["flag_calls", "in_checks", "head_pressure", "logged_stops"])
def test_what_came_earlier_counts(table):
    """Each of the earlier rows moves the states: the cut does not throw away what was known."""
    whole = given(0, [])
    kept = known_before(whole, CUT)
    without = kept | {table: kept[table].clear()}
    assert kept[table].height > 0
    assert not unit_states(kept, THRESHOLDS).equals(unit_states(without, THRESHOLDS))


def test_a_visit_that_was_not_over_says_nothing_yet():
    open_still = call("u1", 103, said=("bypass found",), ended_week=104)
    known = known_before(given(0, [open_still]), CUT)
    row = known["flag_calls"].filter(pl.col("call_id") == open_still["call_id"])
    assert row["is_completed"].to_list() == [False]
    assert open_still["call_id"] not in known["call_statements"]["call_id"].to_list()
    assert known["call_statements"].height == 1


def test_every_frame_that_flags_are_weighed_from_is_cut():
    whole = given(0, [])
    assert set(known_before(whole, CUT)) == set(whole) == set(judgement.WEIGHED)


def test_records_cut_at_their_end_are_the_whole_records():
    """The light road and the full one agree; a year of equal winters is the same however it is counted."""
    whole = given(1, [call("u0", 130)])
    cut = known_before(whole, START + timedelta(weeks=WEEKS))
    full, light = judge_flags(whole, THRESHOLDS).unit_states, unit_states(cut, THRESHOLDS)
    assert light.drop("probability", "cold_calls_per_winter").equals(full.drop("probability", "cold_calls_per_winter"))
    assert light["probability"].to_numpy() == pytest.approx(full["probability"].to_numpy(), abs=1e-12)
    # 52 weeks are 8,736 h in `frames`, twelve months 8,766 h here
    assert light["cold_calls_per_winter"].to_numpy() == pytest.approx(
        full["cold_calls_per_winter"].to_numpy(), rel=0.03
    )


def state_rows(rows) -> pl.DataFrame:
    names = ["unit_id", "state", "probability", "cold_calls_per_winter", "calls_per_1000_h"]
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(
        shape=pl.lit("any"), starts_c=pl.lit(0.0), softness_k=pl.lit(1.5), is_sound=pl.col("calls_per_1000_h") == 0
    )


def past(winters: tuple[str, ...] = ("2015/16", "2016/17"), calls=()) -> Past:
    """Two units at one station, three winters of 1,000 cold hours."""
    every = ("2014/15", "2015/16", "2016/17")
    begins = {winter: datetime(int(winter[:4]), 7, 1, tzinfo=UTC) for winter in every}
    states = state_rows(
        [
            ("a", "sound", 0.5, 0.0, 0.0),
            ("a", "ill", 0.5, 8.0, 6.0),
            ("b", "sound", 1.0, 0.0, 0.0),
            ("c", "ill", 1.0, 99.0, 99.0),
        ]
    )
    return Past(
        winters=pl.DataFrame(
            {
                "winter": winters,
                "winter_from": [begins[each] for each in winters],
                "winter_to": [begins[each].replace(year=begins[each].year + 1) for each in winters],
            },
            schema_overrides={
                "winter": pl.String,
                "winter_from": pl.Datetime("us", "UTC"),
                "winter_to": pl.Datetime("us", "UTC"),
            },
        ),
        states=dict.fromkeys(winters, states),
        calls=pl.DataFrame(
            [(f"{place}", unit, winter) for place, (unit, winter) in enumerate(calls)],
            schema={"call_id": pl.String, "unit_id": pl.String, "winter": pl.String},
            orient="row",
        ),
        unit_counts=pl.DataFrame(
            {
                "unit_id": ["a", "b", "c"],
                "site_id": ["s"] * 3,
                "station_id": ["A"] * 3,
                "still_served": [True] * 3,
                "episodes": [0] * 3,
                "cold_hours": [3000] * 3,
                "calls_last_winter": [0] * 3,
                "cold_hours_typical": [1000.0] * 3,
                "winters": [3] * 3,
                "spread_cv": [0.2] * 3,
            }
        ),
        service=pl.DataFrame(
            {
                "unit_id": ["a", "b", "c"],
                "served_from": [begins["2014/15"], begins["2014/15"], datetime(2016, 12, 1, tzinfo=UTC)],
                "served_to": [
                    datetime(2017, 7, 1, tzinfo=UTC),
                    datetime(2016, 1, 1, tzinfo=UTC),
                    datetime(2017, 7, 1, tzinfo=UTC),
                ],
            }
        ),
        hours=pl.DataFrame(
            [("a", each, 8760, 1000) for each in every]
            + [("b", "2014/15", 8760, 1000), ("b", "2015/16", 4380, 500), ("c", "2016/17", 5000, 900)],
            schema=["unit_id", "winter", "service_hours", "cold_hours"],
            orient="row",
        ),
        bands=pl.DataFrame(
            [("A", each, -3, hours) for each, hours in zip(every, (900, 1000, 1500), strict=True)],
            schema=["station_id", "winter", "band", "hours"],
            orient="row",
        ),
        stations=pl.DataFrame({"station_id": ["A"], "latitude": [45.0], "longitude": [-90.0]}),
    )


CAME = [("a", "2014/15"), ("a", "2014/15"), ("a", "2015/16"), ("a", "2016/17"), *[("b", "2015/16")] * 2]


def test_a_small_past_by_hand():
    tables = backtest(past(calls=CAME), THRESHOLDS)
    first, second = tables["backtest"].sort("winter").iter_rows(named=True)
    assert (first["units"], first["came"], second["units"], second["came"]) == (2, 3, 1, 1)
    assert first["expected"] == second["expected"] == 4.0
    # half a chance of 6 calls in 1,000 h, of 1,000 and of 1,500 h; b is sound, c was not there yet
    assert (first["expected_given_weather"], second["expected_given_weather"]) == (3.0, 4.5)
    assert first["deviance"] == pytest.approx(mean_poisson_deviance([1, 2], [4.0, 1e-3]), abs=1e-4)
    assert first["deviance_last_winter"] == pytest.approx(mean_poisson_deviance([1, 2], [2.0, 0.05]), abs=1e-4)
    assert second["deviance_last_winter"] == pytest.approx(mean_poisson_deviance([1], [1.0]), abs=1e-4)
    assert second["deviance_all_time"] == pytest.approx(mean_poisson_deviance([1], [1.5]), abs=1e-4)
    assert tables["backtest_pit"]["units"].sum() == pytest.approx(3.0, abs=0.05)
    assert tables["backtest_pit"]["units"][-1] >= 1  # the calls of b, which was thought sound
    for name, frame in tables.items():
        schemas.ALL[name].validate(frame, cast=True)


def test_one_winter_alone_gives_no_row():
    tables = backtest(past(winters=()), THRESHOLDS)
    assert tables["backtest"].is_empty()
    assert tables["backtest_pit"].is_empty()
    for name, frame in tables.items():
        schemas.ALL[name].validate(frame, cast=True)


def test_deviance_is_that_of_scikit_learn():
    random = np.random.default_rng(4)
    expected = random.gamma(0.5, 2.0, 500) + 0.01
    came = random.poisson(expected)
    assert poisson_deviance(came.astype(float), expected) == pytest.approx(
        mean_poisson_deviance(came, expected), rel=1e-12
    )


def test_the_transform_is_level_for_true_counts_and_as_drawn_at_random():
    """Counts drawn from what was predicted fill the bins alike; twice as many pile up in the upper ones."""
    random = np.random.default_rng(5)
    mean = random.gamma(0.7, 1.5, 40_000) + 1e-3
    variance = mean + (0.6 * mean) ** 2
    variance[::3] = mean[::3]
    over = np.maximum(variance - mean, 1e-12)
    came = np.where(
        variance > mean, random.negative_binomial(mean**2 / over, mean / (mean + over)), random.poisson(mean)
    ).astype(float)
    filled = pit(came, mean, variance)
    assert filled.sum() == pytest.approx(len(mean))
    assert np.abs(filled / 4000 - 1).max() < 5 / np.sqrt(4000)
    low, high = (stats.nbinom.cdf(came - each, mean**2 / over, mean / (mean + over)) for each in (1, 0))
    low, high = (
        np.where(variance > mean, one, stats.poisson.cdf(came - each, mean)) for each, one in ((1, low), (0, high))
    )
    drawn = np.histogram(low + random.random(len(mean)) * (high - low), module.BINS, (0, 1))[0]
    assert filled == pytest.approx(drawn, abs=5 * np.sqrt(4000))
    assert pit(2 * came, mean, variance)[-1] > 1.5 * filled[-1]


def test_likely_cold_calls_and_last_winter_count_by_the_threshold():
    """A complaint counts from the threshold on, in the winter of its month; other winters move no last winter."""
    at = [datetime(2016, 1, 5, tzinfo=UTC), datetime(2016, 1, 31, 23, 59, tzinfo=UTC), datetime(2015, 2, 1, tzinfo=UTC)]
    months = [(datetime(2015, 2, 1, tzinfo=UTC), "2014/15"), (datetime(2016, 1, 1, tzinfo=UTC), "2015/16")]
    calls = [("k", at[0], 0.5), ("l", at[1], 0.9), ("m", at[2], 0.8), ("n", at[0], 0.49)]
    with duckdb.connect() as connection:
        connection.execute("set timezone = 'UTC'")
        for name, frame in {
            "thresholds": pl.DataFrame({"name": list(THRESHOLDS), "value": list(THRESHOLDS.values())}),
            "months": pl.DataFrame(months, schema=["month", "winter"], orient="row"),
            "call_causes": pl.DataFrame(
                [(one[0], one[2]) for one in calls], ["call_id", "cold_probability"], orient="row"
            ),
            "flag_calls": pl.DataFrame(
                [(one[0], "u", one[1]) for one in calls], ["call_id", "unit_id", "opened_at"], orient="row"
            ),
            "unit_counts": pl.DataFrame(
                {name: ["x", "y"] for name in UNIT_COUNTS}
                | {"unit_id": ["u", "v"], "last_winter": ["2015/16"] * 2, "calls_last_winter": [7, 7]}
            ),
        }.items():
            connection.register(name, frame)
        likely = connection.sql((MARTS / "likely_cold_calls.sql").read_text()).pl()
        connection.register("likely_cold_calls", likely)
        counts = connection.sql((MARTS / "forecast_counts.sql").read_text()).pl()
    assert likely.rows() == [("k", "u", "2015/16"), ("l", "u", "2015/16"), ("m", "u", "2014/15")]
    assert counts.columns == list(UNIT_COUNTS)
    assert counts["calls_last_winter"].to_list() == [2, 0]
