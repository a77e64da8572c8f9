"""Whether episodes gather in cold hours: against scipy's exact test, statsmodels' correction, and chance."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from lowambient import reference
from lowambient.plan.cold_gathering import FALSE_DISCOVERIES, cold_gathering

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
LEAST = THRESHOLDS["least_gathering_episodes"]
LEVEL = FALSE_DISCOVERIES


def counts(*units: tuple[int, int, int, int]) -> pl.DataFrame:
    """Units as (episodes, cold episodes, cold hours, demand hours)."""
    columns = ("episodes", "cold_episodes", "cold_hours", "demand_hours")
    frame = pl.DataFrame(units, schema=dict.fromkeys(columns, pl.Int64), orient="row")
    return frame.select(pl.format("u{}", pl.int_range(pl.len())).alias("unit_id"), *columns)


FLEET = counts(
    (12, 10, 2000, 20_000), (5, 2, 9000, 20_000), (4, 4, 3000, 21_000), (9, 1, 5000, 20_000), (30, 9, 6000, 19_000)
)


def test_p_and_interval_are_those_of_scipys_exact_test_and_the_correction_that_of_statsmodels() -> None:
    found = cold_gathering(FLEET, THRESHOLDS)
    tests = [
        stats.binomtest(row["cold_episodes"], row["episodes"], row["cold_hours"] / row["demand_hours"], "greater")
        for row in FLEET.to_dicts()
    ]
    assert found["p"].to_list() == pytest.approx([test.pvalue for test in tests], abs=1e-6)
    adjusted = multipletests([test.pvalue for test in tests], LEVEL, method="fdr_bh")
    assert found["adjusted_p"].to_list() == pytest.approx(adjusted[1].tolist(), abs=1e-6)
    assert found["gathers"].to_list() == adjusted[0].tolist()
    assert set(found["gathers"]) == {True, False}
    for row, given_row in zip(found.to_dicts(), FLEET.to_dicts(), strict=True):
        share = given_row["cold_hours"] / given_row["demand_hours"]
        ends = stats.binomtest(given_row["cold_episodes"], given_row["episodes"]).proportion_ci(0.95, method="exact")
        assert (row["lower"], row["upper"]) == pytest.approx((ends.low / share, ends.high / share), abs=1e-4)
        assert row["ratio"] == pytest.approx(given_row["cold_episodes"] / given_row["episodes"] / share, abs=1e-4)


def test_units_that_cannot_tell_are_not_tested_and_do_not_thin_out_the_others() -> None:
    """Two episodes; none; no cold hour; all hours cold; three that chance would make cold in half of all cases."""
    mute = counts(
        (2, 2, 100, 20_000), (0, 0, 100, 20_000), (5, 0, 0, 20_000), (5, 5, 20_000, 20_000), (3, 3, 16_000, 20_000)
    )
    together = cold_gathering(
        pl.concat([FLEET, mute.with_columns(pl.format("m{}", "unit_id").alias("unit_id"))]).sort("unit_id"), THRESHOLDS
    )
    untested = together.filter(pl.col("unit_id").str.starts_with("m"))
    assert untested.height == 5
    for name in ("p", "adjusted_p", "gathers"):
        assert untested[name].null_count() == 5
    assert untested["ratio"].null_count() == 3  # without an episode, without cold hours, with nothing else
    alone = cold_gathering(FLEET, THRESHOLDS)
    assert together.filter(~pl.col("unit_id").str.starts_with("m")).equals(alone)


def test_no_unit_gives_an_empty_table() -> None:
    found = cold_gathering(FLEET.clear(), THRESHOLDS)
    assert found.height == 0
    assert found.schema["gathers"] == pl.Boolean


units = st.tuples(st.integers(0, 30), st.floats(0, 1), st.integers(0, 30_000), st.integers(0, 30_000)).map(
    lambda drawn: (drawn[0], int(drawn[0] * drawn[1]), drawn[2], drawn[2] + drawn[3])
)


@settings(max_examples=100, deadline=None)
@given(st.lists(units, max_size=8))
def test_whatever_the_counts(fleet: list[tuple[int, int, int, int]]) -> None:
    frame = counts(*fleet)
    found = cold_gathering(frame, THRESHOLDS)
    assert found["unit_id"].to_list() == frame["unit_id"].to_list()
    told = found.filter(pl.col("ratio").is_not_null())
    assert ((told["lower"] <= told["ratio"]) & (told["ratio"] <= told["upper"])).all()
    tested = found.filter(pl.col("p").is_not_null())
    assert (tested["episodes"] >= LEAST).all()
    assert (tested["adjusted_p"] >= tested["p"] - 1e-6).all()
    assert (tested["gathers"] == (tested["adjusted_p"] <= LEVEL)).all()


def test_units_whose_calls_do_not_mind_the_cold_are_seldom_said_to_gather() -> None:
    """Of 400 fleets without any such unit, at most about one in twenty may name one."""
    draw = np.random.default_rng(11)
    false_alarms = 0
    for _ in range(400):
        episodes, share = draw.integers(0, 20, 40), draw.uniform(0.02, 0.7, 40)
        cold = draw.binomial(episodes, share)
        hours = np.full(40, 20_000)
        fleet = counts(*zip(episodes, cold, (share * hours).astype(int), hours, strict=True))
        false_alarms += bool(cold_gathering(fleet, THRESHOLDS)["gathers"].fill_null(value=False).any())
    assert stats.binomtest(false_alarms, 400, LEVEL, "greater").pvalue > 0.001


def test_a_unit_that_locks_out_in_the_cold_is_found_among_many_that_do_not() -> None:
    draw = np.random.default_rng(12)
    plain = [(int(n), int(draw.binomial(n, 0.3)), 6000, 20_000) for n in draw.integers(3, 15, 60)]
    found = cold_gathering(counts((14, 14, 6000, 20_000), *plain), THRESHOLDS)
    assert found["gathers"][0] is True
