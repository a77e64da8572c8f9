"""Callback rates, survival and follow-up: published examples, other programs, and simulated coverage."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_rossi, load_waltons
from scipy import integrate, stats
from statsmodels.genmod.cov_struct import Independence
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_estimating_equations import GEE
from statsmodels.stats.proportion import proportion_confint

from lowambient.plan.callback_rates import (
    callback_rates,
    calls_by_service_age,
    first_time_fix,
    recall_cells,
    time_to_callback,
)
from lowambient.plan.follow_up import follow_up, follow_up_by_work
from lowambient.plan.proportions import against_the_rest, exact_interval, shrunk_proportions
from lowambient.plan.resampling import resampled_ratio
from lowambient.plan.survival import kaplan_meier, mean_cumulative

THRESHOLDS = {
    "recall_window_days": 30.0,
    "recall_cold_hours": 100.0,
    "least_group_calls": 20.0,
    "follow_up_settling_days": 14.0,
    "follow_up_least_expected": 3.0,
    "held_ratio": 0.5,
    "not_held_ratio": 0.8,
    "verdict_probability": 0.9,
}

# Nelson 1995, Technometrics 37(2), valve seats of 41 diesel engines; as in the R package survival, data set valveSeat.
VALVE_SEAT_ENDS = np.array(
    [
        761,
        759,
        667,
        667,
        665,
        667,
        663,
        653,
        653,
        651,
        650,
        648,
        644,
        642,
        641,
        649,
        631,
        596,
        614,
        582,
        589,
        593,
        589,
        606,
        594,
        613,
        595,
        389,
        601,
        601,
        611,
        608,
        587,
        603,
        585,
        587,
        578,
        578,
        586,
        585,
        582,
    ],
    dtype=float,
)
VALVE_SEAT_REPAIRS = {
    **{2: [98], 3: [326, 653, 653], 5: [84], 6: [87], 7: [646], 8: [92], 10: [258, 328, 377, 621], 11: [61, 539]},
    **{12: [254, 276, 298, 640], 13: [76, 538], 14: [635], 15: [349, 404, 561], 18: [120, 479], 19: [323, 449]},
    **{20: [139, 139], 22: [573], 23: [165, 408, 604], 24: [249], 25: [344, 497], 26: [265, 586]},
    **{27: [166, 206, 348], 29: [410, 581], 33: [367], 34: [202, 563, 570]},
}
"""Engine: days of its repairs."""

# Tarone 1982, tumours of rats in 71 experiments, as in Gelman et al., Bayesian Data Analysis, table 5.1.
RAT_TUMOURS = np.array(
    [0] * 14
    + [1] * 8
    + [2] * 9
    + [1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11]
    + [12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4],
    dtype=float,
)
RATS = np.array(
    [
        20,
        20,
        20,
        20,
        20,
        20,
        20,
        19,
        19,
        19,
        19,
        18,
        18,
        17,
        20,
        20,
        20,
        20,
        19,
        19,
        18,
        18,
        25,
        24,
        23,
        20,
        20,
        20,
        20,
        20,
        20,
        10,
        49,
        19,
        46,
        27,
        17,
        49,
        47,
        20,
        20,
        13,
        48,
        50,
        20,
        20,
        20,
        20,
        20,
        20,
        20,
        48,
        19,
        19,
        19,
        22,
        46,
        49,
        20,
        20,
        23,
        19,
        22,
        20,
        20,
        20,
        52,
        46,
        47,
        24,
        14,
    ],
    dtype=float,
)


# proportions


@pytest.mark.parametrize(("hits", "trials"), [(0, 5), (5, 5), (1, 200), (19, 38), (37, 90)])
def test_exact_interval_against_statsmodels(hits, trials):
    expected = proportion_confint(hits, trials, method="beta")
    expected = (0.0 if hits == 0 else expected[0], 1.0 if hits == trials else expected[1])
    assert [float(end) for end in exact_interval(hits, trials)] == pytest.approx(expected, abs=1e-12)


def test_exact_interval_covers_at_least_its_level():
    """Summed over all counts: Clopper & Pearson 1934."""
    for trials in (7, 50, 120):
        hits = np.arange(trials + 1)
        lower, upper = exact_interval(hits, trials)
        for truth in (0.01, 0.06, 0.25, 0.5):
            covered = (lower <= truth) & (truth <= upper)
            assert stats.binom.pmf(hits, trials, truth)[covered].sum() >= 0.95


def test_no_trials_give_no_interval():
    assert np.isnan(exact_interval(0, 0)).all()


def test_group_against_the_rest_is_fishers_test_where_units_have_one_call():
    """Twice the smaller tail of scipy's one-sided tests, where that is the larger of the two p."""
    hits, trials = np.array([2.0, 60.0]), np.array([40.0, 300.0])
    table = [[2, 38], [60, 240]]
    exact = 2 * min(stats.fisher_exact(table, alternative=side).pvalue for side in ("less", "greater"))
    group = np.repeat([0, 1], trials.astype(int))
    calls = np.concatenate([np.arange(count) < hit for hit, count in zip(hits, trials, strict=True)]).astype(float)
    found = against_the_rest(group, np.arange(len(group)), calls, np.ones(len(group)))
    assert found == pytest.approx([exact, exact])


def test_group_against_the_rest_is_the_score_test_of_an_estimating_equation_where_calls_of_a_unit_are_alike():
    """statsmodels' generalised estimating equations, working independence: its score test of the group's effect."""
    random = np.random.default_rng(5)
    unit = np.repeat(np.arange(60), random.integers(1, 30, 60))
    group = (random.random(60) < 0.4).astype(int)[unit]
    hits = (random.random(len(unit)) < random.beta(1, 3, 60)[unit]).astype(float)
    found = against_the_rest(group, unit, hits, np.ones(len(unit)))
    design = np.column_stack([np.ones(len(unit)), group])
    equations = {"groups": unit, "family": Binomial(), "cov_struct": Independence()}
    small = GEE(hits, design[:, :1], **equations).fit()
    expected = GEE(hits, design, **equations).fit().model.compare_score_test(small)["p-value"]
    assert found == pytest.approx([float(expected)] * 2, rel=1e-6)


def test_one_unit_never_makes_a_group_differ():
    """Forty callbacks of one unit are one story: a group of a single unit cannot be told from chance."""
    group, unit = np.array([0, *[1] * 50]), np.arange(51)
    hits, trials = np.array([40.0, *[1.0] * 50]), np.array([45.0, *[10.0] * 50])
    assert (against_the_rest(group, unit, hits, trials) > 0.05).all()


def test_groups_that_do_not_differ_are_seldom_said_to():
    """1,000 fleets without any difference between technicians, callbacks gathered in units."""
    random = np.random.default_rng(6)
    rejected = []
    for _ in range(1000):
        unit = np.repeat(np.arange(80), 8)
        hits = (random.random(640) < random.beta(0.6, 2.4, 80)[unit]).astype(float)
        group = random.integers(0, 4, 80)[unit]
        rejected.append(against_the_rest(group, unit, hits, np.ones(640))[0] < 0.05)
    assert np.mean(rejected) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1000)


def test_shrunk_shares_of_rat_tumours():
    """Gelman et al., Bayesian Data Analysis, section 5.3: posterior means alpha 2.4 and beta 14.3 of the 71 groups."""
    expected = (2.4 + RAT_TUMOURS) / (2.4 + 14.3 + RATS)
    assert shrunk_proportions(RAT_TUMOURS, RATS) == pytest.approx(expected, abs=0.01)


def test_shrunk_shares_agree_with_a_plain_double_integral():
    """Mean over a fine, fixed grid of mean and spread with scipy's beta-binomial: another road to the same number."""
    hits, trials = np.array([3.0, 0.0, 10.0, 2.0, 5.0]), np.array([10.0, 12.0, 30.0, 3.0, 40.0])
    logit_mean, log_spread = np.linspace(-6, 3, 240)[:, None], np.linspace(np.log(1e-5), np.log(0.7), 240)[None, :]
    mean, spread = 1 / (1 + np.exp(-logit_mean)), np.exp(log_spread)
    logit_spread = np.sqrt(spread / (mean * (1 - mean)))
    log_p = 0.5 * np.log(mean * (1 - mean)) + np.log(logit_spread / (1 + logit_spread**2))
    a, b = mean * (1 / spread - 1), (1 - mean) * (1 / spread - 1)
    for hit, trial in zip(hits, trials, strict=True):
        log_p = log_p + stats.betabinom.logpmf(hit, trial, a, b)
    p = np.exp(log_p - log_p.max())
    expected = [(p * (a + hit) / (a + b + trial)).sum() / p.sum() for hit, trial in zip(hits, trials, strict=True)]
    assert shrunk_proportions(hits, trials) == pytest.approx(expected, abs=0.004)


def test_shrunk_shares_of_alike_and_of_empty_groups():
    alike = shrunk_proportions(np.full(100, 20.0), np.full(100, 100.0))
    assert alike == pytest.approx(np.full(100, 0.2), abs=0.005)
    found = shrunk_proportions(np.array([5.0, 0.0]), np.array([50.0, 0.0]))
    assert 0.05 < found[1] < 0.4
    assert np.isnan(shrunk_proportions(np.zeros(2), np.zeros(2))).all()


def test_shrunk_shares_beat_counted_shares():
    random = np.random.default_rng(2)
    truth = random.beta(2, 12, 300)
    trials = random.integers(3, 40, 300).astype(float)
    hits = random.binomial(trials.astype(int), truth).astype(float)
    found = shrunk_proportions(hits, trials)
    assert ((found - truth) ** 2).mean() < 0.5 * ((hits / trials - truth) ** 2).mean()


# survival


def test_mean_cumulative_function_of_valve_seats():
    """Nelson 1995: .0244 at 61 days, .2195, .5122, .9585, 1.5427 at 653; robust error there .3117 (two programs)."""
    unit = np.concatenate([[engine] * len(times) for engine, times in VALVE_SEAT_REPAIRS.items()])
    times = np.concatenate(list(VALVE_SEAT_REPAIRS.values())).astype(float)
    assert len(times) == 48
    mean, error = mean_cumulative(unit, times, VALVE_SEAT_ENDS, np.array([61, 139, 326, 573, 653.0]))
    assert mean == pytest.approx([0.0244, 0.2195, 0.5122, 0.9585, 1.5427], abs=5e-5)
    assert error[-1] == pytest.approx(0.3117, abs=5e-5)


def test_mean_cumulative_function_of_a_small_example():
    """CRAN package ReliaGrowR, example of its mean cumulative function."""
    unit = np.array([0, 0, 0, 1, 1, 2, 2, 2, 2])
    times = np.array([100, 300, 500, 150, 400, 50, 200, 350, 600.0])
    mean, _ = mean_cumulative(unit, times, np.array([500, 400, 600.0]), np.sort(times))
    assert mean == pytest.approx([0.3333, 0.6667, 1, 1.3333, 1.6667, 2, 2.3333, 2.8333, 3.8333], abs=5e-5)
    beyond, error = mean_cumulative(unit, times, np.array([500, 400, 600.0]), np.array([601.0]))
    assert np.isnan([beyond[0], error[0]]).all()


@pytest.mark.parametrize(("load", "time", "event"), [(load_waltons, "T", "E"), (load_rossi, "week", "arrest")])
def test_kaplan_meier_against_lifelines(load, time, event):
    data = load()
    fitted = KaplanMeierFitter().fit(data[time], data[event])
    times = np.unique(data[time]).astype(float)
    share, lower, upper = kaplan_meier(data[time].to_numpy(float), data[event].to_numpy() == 1, times)
    bounds = 1 - fitted.confidence_interval_.loc[times].to_numpy()
    assert share == pytest.approx(1 - fitted.predict(times).to_numpy(), abs=1e-9)
    inner = (share > 0) & (share < 1)
    assert upper[inner] == pytest.approx(bounds[inner, 0], abs=1e-9)
    assert lower[inner] == pytest.approx(bounds[inner, 1], abs=1e-9)


def test_kaplan_meier_without_calls_and_beyond_the_longest():
    assert np.isnan(kaplan_meier(np.zeros(0), np.zeros(0, dtype=bool), np.array([1.0]))[0]).all()
    share, _, _ = kaplan_meier(np.array([2.0, 5.0]), np.array([True, False]), np.array([1.0, 2.0, 5.0, 6.0]))
    assert share[:3].tolist() == [0.0, 0.5, 0.5]
    assert np.isnan(share[3])


# rates of calls


def windows(**columns):
    """Calls as the mart gives them, with what matters set and the rest filled in."""
    frame = pl.DataFrame(columns)
    kinds = dict.fromkeys(("band_from_c", "band_to_c", "watched_d", "callback_after_d", "any_after_d"), pl.Float64)
    kinds |= dict.fromkeys(("return_after_d", "cold_watched_h", "cold_after_h"), pl.Float64)
    kinds |= dict.fromkeys(("unit_id", "site_id", "duty", "symptom", "technician", "work"), pl.String)
    kinds |= {"opened_at": pl.Datetime("us"), "is_callback": pl.Boolean}
    missing = {"unit_id": "u", "site_id": "s", "symptom": "belt", "opened_at": datetime(2016, 1, 5), "watched_d": 400.0}
    missing |= {"is_callback": False}
    return frame.with_columns(
        *(
            pl.lit(missing.get(name), dtype=kind).alias(name)
            for name, kind in kinds.items()
            if name not in frame.columns
        )
    ).with_columns(pl.col(name).cast(kind) for name, kind in kinds.items())


def only(table, **where):
    """The one row that is so."""
    found = table.filter(*(pl.col(name) == value for name, value in where.items()))
    assert found.height == 1
    return found.row(0, named=True)


def test_rates_are_over_whole_windows_only():
    """A callback in a cut window is not counted either: counting it alone would lift the rate."""
    calls = windows(
        watched_d=[400.0] * 4 + [10.0] * 2, callback_after_d=[5.0, 40.0, None, None, 5.0, None], unit_id=list("abcdef")
    )
    found = only(callback_rates(calls, THRESHOLDS), clock="days", dimension="fleet", value="related")
    assert (found["calls"], found["censored"], found["callbacks"], found["rate"]) == (6, 2, 1, 0.25)
    assert (found["lower"], found["upper"]) == pytest.approx(proportion_confint(1, 4, method="wilson"), abs=1e-6)
    longer = only(callback_rates(calls, THRESHOLDS), dimension="window", value="60 d")
    assert (longer["censored"], longer["callbacks"]) == (2, 2)
    assert only(callback_rates(calls, THRESHOLDS), dimension="window", value="7 d")["censored"] == 0


def test_each_dimension_adds_up_to_the_fleet():
    random = np.random.default_rng(1)
    count = 900
    unit = random.integers(0, 60, count)
    calls = windows(
        unit_id=[f"u{number}" for number in unit],
        site_id=[f"s{number % 15}" for number in unit],
        symptom=random.choice(["low-pressure trip", "belt", "fan"], count),
        technician=[("T1", "T2", None)[place] for place in random.integers(0, 3, count)],
        work=[("switch reset only", None)[place] for place in random.integers(0, 2, count)],
        duty=[("comfort", None)[place] for place in random.integers(0, 2, count)],
        opened_at=[datetime(2015, 1, 1) + timedelta(hours=int(hour)) for hour in random.integers(0, 20000, count)],
        band_from_c=10 + 5 / 1.8 * random.integers(-4, 4, count),
        band_to_c=10 + 5 / 1.8,
        watched_d=random.uniform(0, 300, count),
        callback_after_d=[float(day) if day < 90 else None for day in random.uniform(0, 300, count)],
        cold_watched_h=[float(hour) if hour > 100 else None for hour in random.uniform(0, 900, count)],
        cold_after_h=[float(hour) if hour < 90 else None for hour in random.uniform(0, 300, count)],
    )
    table = callback_rates(calls, THRESHOLDS)
    for clock in ("days", "cold hours"):
        fleet = only(table, clock=clock, dimension="fleet", value="related")
        of_clock = table.filter(clock=clock)
        dimensions = set(of_clock["dimension"]) - {"fleet", "window"}
        assert len(dimensions) == 8
        for dimension in dimensions:
            rows = of_clock.filter(dimension=dimension)
            assert rows.select("calls", "censored", "callbacks").sum().row(0) == tuple(
                fleet[name] for name in ("calls", "censored", "callbacks")
            )
            shown = rows.filter(pl.col("calls") - pl.col("censored") >= 20)
            share = shown["callbacks"] / (shown["calls"] - shown["censored"])
            assert shown["rate"].to_list() == pytest.approx(share.to_list(), abs=1e-6)
            assert rows.filter(pl.col("calls") - pl.col("censored") < 20)["rate"].null_count() == (
                rows.height - shown.height
            )
            assert ((shown["lower"] <= shown["shrunk_rate"]) & (shown["shrunk_rate"] <= shown["upper"])).mean() > 0.9
    # bands stand in the order of the thermometer, not of the alphabet
    bands = table.filter(clock="days", dimension="weather band")["value"].to_list()
    assert [int(band.split()[0]) for band in bands] == sorted(int(band.split()[0]) for band in bands)
    shuffled = callback_rates(calls.sample(fraction=1.0, shuffle=True, seed=3), THRESHOLDS)
    assert shuffled.equals(table)


def test_weather_bands_hold_their_edges():
    """12.5 and 15 degC are 54.5 and 59 degF; bands so narrow that whole degF do not part them stand as one."""
    edges = [(12.5, 15.0)] * 25 + [(-2.5, 0.0)] * 25 + [(20.1, 20.2), (20.2, 20.25)] * 15 + [(None, None)] * 20
    calls = windows(band_from_c=[edge[0] for edge in edges], band_to_c=[edge[1] for edge in edges])
    table = callback_rates(calls.sample(fraction=1.0, shuffle=True, seed=1), THRESHOLDS)
    bands = table.filter(dimension="weather band")
    assert {row["value"]: (row["lower_c"], row["upper_c"], row["calls"]) for row in bands.to_dicts()} == {
        "28 to 32 °F": (-2.5, 0.0, 25),
        "54 to 59 °F": (12.5, 15.0, 25),
        "68 to 68 °F": (20.1, 20.25, 30),
        "no weather": (None, None, 20),
    }
    others = table.filter(pl.col("dimension") != "weather band")
    assert others.height == others["lower_c"].null_count() == others["upper_c"].null_count() > 0
    assert callback_rates(calls.clear(), THRESHOLDS).schema["lower_c"] == pl.Float64


def test_cells_add_up_to_the_rates_of_every_window_and_group():
    """Against plain loops over the calls, and against the table of rates where both have a number."""
    random = np.random.default_rng(5)
    count = 400
    calls = windows(
        unit_id=[f"u{number}" for number in random.integers(0, 30, count)],
        symptom=random.choice(["low-pressure trip", "belt"], count),
        technician=[("T1", "T2", None)[place] for place in random.integers(0, 3, count)],
        watched_d=random.uniform(0, 200, count),
        callback_after_d=[float(day) if day < 90 else None for day in random.uniform(0, 300, count)],
        cold_watched_h=[float(hour) if hour > 100 else None for hour in random.uniform(0, 900, count)],
        cold_after_h=[float(hour) if hour < 90 else None for hour in random.uniform(0, 300, count)],
    )
    cells, rates = recall_cells(calls, THRESHOLDS), callback_rates(calls, THRESHOLDS)
    assert set(cells["dimension"]) == {"fleet", "work", "weather band", "month", "unit kind", "technician"}
    assert cells.select("clock", "window", "dimension", "value", "symptom").is_duplicated().sum() == 0
    for clock, watched, after in (
        ("days", "watched_d", "callback_after_d"),
        ("cold hours", "cold_watched_h", "cold_after_h"),
    ):
        for window in cells.filter(clock=clock)["window"].unique():
            whole = [row for row in calls.to_dicts() if row[watched] is not None and row[watched] >= window]
            for symptom in ("low-pressure trip", "belt"):
                mine = [row for row in whole if row["symptom"] == symptom and row["technician"] == "T1"]
                back = sum(row[after] is not None and row[after] <= window for row in mine)
                cell = only(cells, clock=clock, window=window, dimension="technician", value="T1", symptom=symptom)
                assert (cell["calls"] - cell["censored"], cell["callbacks"]) == (len(mine), back)
            fleet = cells.filter(clock=clock, window=window, dimension="fleet").select("calls", "censored", "callbacks")
            named = only(rates, clock=clock, dimension="window", window=window)
            assert fleet.sum().row(0) == (named["calls"], named["censored"], named["callbacks"])
    assert recall_cells(calls.clear(), THRESHOLDS).is_empty()


def test_no_calls_give_an_empty_table():
    nothing = windows(unit_id=["a"]).clear()
    assert callback_rates(nothing, THRESHOLDS).height == 0
    assert first_time_fix(nothing, THRESHOLDS).height == 0


def test_one_group_that_differs_is_found():
    random = np.random.default_rng(9)
    units = [f"u{number}" for number in range(200) for _ in range(10)]
    technician = [f"T{number % 8}" for number in range(200) for _ in range(10)]
    share = np.where(np.array(technician) == "T3", 0.3, 0.06)
    back = random.random(2000) < share
    calls = windows(unit_id=units, technician=technician, callback_after_d=[5.0 if each else None for each in back])
    found = callback_rates(calls, THRESHOLDS).filter(dimension="technician")
    differing = found.filter(pl.col("differs")).sort("p")
    assert differing["value"][0] == "T3"
    # the rest of anybody else holds T3: who differs as well can only lie below
    assert (differing["rate"][1:] < 0.09).all()
    assert differing.height <= 3


def test_first_time_fix_counts_returns_and_leaves_out_callbacks():
    calls = windows(
        callback_after_d=[3.0, None, None, None], return_after_d=[None, 2.0, None, None],
        is_callback=[False, False, False, True],
    )  # fmt: skip
    found = only(first_time_fix(calls, THRESHOLDS | {"least_group_calls": 1}), dimension="fleet")
    assert (found["calls"], found["fixed"], found["rate"]) == (3, 1, pytest.approx(1 / 3, abs=1e-6))


def test_time_to_callback_uses_what_was_watched():
    calls = windows(watched_d=[400.0, 20.0, 400.0, 400.0], callback_after_d=[10.0, None, 40.0, None])
    found = time_to_callback(calls).filter(clock="days")
    expected = KaplanMeierFitter().fit([10, 20, 40, 400], [1, 0, 1, 0])
    assert only(found, time=60.0)["share"] == pytest.approx(1 - float(expected.predict(60)), abs=1e-4)
    assert only(found, time=15.0)["at_risk"] == 3


def test_calls_by_service_age_are_the_mean_cumulative_function():
    """The small example of ReliaGrowR again, as calls of units that were served for 500, 400 and 600 days."""
    began = [datetime(2014, 1, 1), datetime(2014, 6, 1), datetime(2015, 3, 1)]
    service = pl.DataFrame(
        {
            "unit_id": ["a", "b", "c"],
            "served_from": began,
            "served_to": [start + timedelta(days=days) for start, days in zip(began, (500, 400, 600), strict=True)],
        }
    )
    after = [(0, 100), (0, 300), (0, 500), (1, 150), (1, 400), (2, 50), (2, 200), (2, 350), (2, 600)]
    calls = pl.DataFrame(
        {
            "unit_id": ["abc"[unit] for unit, _ in after],
            "opened_at": [began[unit] + timedelta(days=days) for unit, days in after],
        }
    )
    units = pl.DataFrame({"unit_id": ["a", "b", "c"], "duty": ["comfort"] * 3})
    found = calls_by_service_age(calls, service, units)
    assert only(found, time=600.0)["mean"] == pytest.approx(3.8333, abs=1e-4)
    assert only(found, time=300.0)["mean"] == pytest.approx(1.6667, abs=1e-4)


# coverage


@pytest.mark.slow
@pytest.mark.parametrize("truth", [0.06, 0.2])
def test_wilson_interval_of_a_group_covers_its_truth(truth):
    """4,000 groups of 50 to 300 independent calls: 93 to 97 %."""
    random = np.random.default_rng(11)
    trials = random.integers(50, 300, 4000)
    units = np.repeat([f"u{number}" for number in range(4000)], trials)
    back = random.random(trials.sum()) < truth
    calls = windows(
        unit_id=units, site_id=units, callback_after_d=pl.Series(np.where(back, 5.0, np.nan), nan_to_null=True)
    )
    found = callback_rates(calls, THRESHOLDS).filter(clock="days", dimension="site")
    assert found.height == 4000
    covered = (found["lower"] <= truth) & (truth <= found["upper"])
    exactly = (found["exact_lower"] <= truth) & (truth <= found["exact_upper"])
    assert 0.93 <= covered.mean() <= 0.97
    assert exactly.mean() >= 0.95


@pytest.mark.slow
def test_resampled_interval_covers_where_calls_of_a_unit_are_alike():
    """1,000 fleets of 60 sites, callbacks gathered in their 180 units: 93 to 97 %, where Wilson's falls short."""
    random = np.random.default_rng(12)
    truth = 0.2
    covered, wilson = 0, 0
    for trial in range(1000):
        calls = random.integers(2, 12, (60, 3))
        hits = random.binomial(calls, random.beta(truth * 2, (1 - truth) * 2, (60, 3)))
        tops, bottoms = (values.sum(axis=1).astype(float)[:, None] for values in (hits, calls))
        lower, upper = resampled_ratio(tops, bottoms, trial)
        covered += bool(lower[0] <= truth <= upper[0])
        ends = proportion_confint(hits.sum(), calls.sum(), method="wilson")
        wilson += ends[0] <= truth <= ends[1]
    assert 930 <= covered <= 970
    assert wilson < 900


# did it hold

DAYS = 365 * 5
BEGAN = datetime(2012, 7, 1)
WORKS = ("refrigerant added", "control reconnected", "switch reset only")


def repaired_fleet(seed, effects, mean=0.0006, units=300, drift=0.3, elsewhere=0.0):
    """Units with gamma rates and winters that differ; each call brings one kind of work about, by lot.

    `effects`: what each kind of work multiplies the unit's rate by; `elsewhere`: share of the work, resets apart, that
    stands in `other_work`, half of it with nothing stated.
    """
    random = np.random.default_rng(seed)
    dates = [BEGAN + timedelta(days=day) for day in range(DAYS)]
    cold = np.array([12 if date.month in (11, 12, 1, 2, 3) else 0 for date in dates])
    winters = np.repeat(np.exp(random.normal(0, drift, 5)), 365)
    episodes, repairs, others = [], [], []
    for number, rate in enumerate(random.gamma(0.8, mean / 0.8, units)):
        unit, left = f"u{number:03d}", 1.0
        # days on which the unit would call untreated, of which some are spared once it was repaired
        for day in np.flatnonzero(random.random(DAYS) < -np.expm1(-rate * cold * winters)):
            if random.random() < left:
                work = str(random.choice(WORKS, p=(0.15, 0.15, 0.7)))
                called = dates[day] + timedelta(hours=9)
                episodes.append((unit, called))
                visit = (f"c{len(episodes):05d}", unit, work, called, called + timedelta(hours=3))
                if elsewhere and work != "switch reset only" and random.random() < elsewhere:
                    others.append(visit if random.random() < 0.5 else (*visit[:2], None, *visit[3:]))
                else:
                    repairs.append(visit)
                left *= effects.get(work, 1.0)
    kind = {"station_id": ["A"], "demand_from_c": [-273.15], "starve_ambient_c": [10.0]}
    visit = {
        "call_id": pl.String,
        "unit_id": pl.String,
        "work": pl.String,
        "trigger_at": pl.Datetime,
        "done_at": pl.Datetime,
    }
    return {
        "repairs": pl.DataFrame(repairs, schema=visit, orient="row"),
        "other_work": pl.DataFrame(others, schema=visit, orient="row"),
        "episodes": pl.DataFrame(episodes, schema=["unit_id", "first_opened_at"], orient="row"),
        "units": pl.DataFrame({"unit_id": [f"u{number:03d}" for number in range(units)]}).join(
            pl.DataFrame(kind | {"served_from": [BEGAN], "served_to": [BEGAN + timedelta(days=DAYS)]}), how="cross"
        ),
        "cold_days": pl.DataFrame(kind)
        .join(pl.DataFrame({"day": dates, "cold_hours": cold}), how="cross")
        .filter(pl.col("cold_hours") > 0),
    }


def test_work_that_does_nothing_shows_no_effect():
    """Regression to the mean: units are repaired because they called, and would have called less anyhow.

    Ten fleets, 0.6 calls per 1,000 cold hours, no work with any effect: pooled ratios stand about 1 and their
    intervals hold it; of single repairs, 95 % intervals hold it in at least 92 %, and no more than one in ten is said
    to have held.
    """
    fleets = [repaired_fleet(seed, {}) for seed in range(10)]
    pooled = pl.concat(follow_up_by_work(**fleet, thresholds=THRESHOLDS) for fleet in fleets)
    assert np.exp(np.log(pooled["ratio"]).mean()) == pytest.approx(1.0, abs=0.05)
    assert ((pooled["lower"] <= 1) & (pooled["upper"] >= 1)).mean() >= 0.9
    single = pl.concat(follow_up(**fleet, thresholds=THRESHOLDS) for fleet in fleets).filter(
        pl.col("verdict") != "too early"
    )
    assert single.height > 500
    assert ((single["lower"] <= 1) & (single["upper"] >= 1)).mean() >= 0.92
    assert (single["verdict"] == "held").mean() <= 0.1


@pytest.mark.slow
def test_work_that_helps_is_found_to_hold_and_work_that_does_not_is_not():
    """Reconnecting takes nine calls in ten away; the other two kinds of work, on the same units, take none."""
    fleets = [repaired_fleet(100 + seed, {"control reconnected": 0.1}, mean=0.0015) for seed in range(4)]
    for fleet in fleets:
        pooled = follow_up_by_work(**fleet, thresholds=THRESHOLDS)
        held = only(pooled, work="control reconnected")
        assert held["verdict"] == "held"
        assert held["lower"] < 0.1 * 1.5
        assert held["upper"] < 0.3
        for work in ("refrigerant added", "switch reset only"):
            assert only(pooled, work=work)["verdict"] != "held"
            assert only(pooled, work=work)["lower"] <= 1 <= only(pooled, work=work)["upper"]
        single = follow_up(**fleet, thresholds=THRESHOLDS).filter(pl.col("verdict") != "too early")
        verdicts = single.group_by("work").agg((pl.col("verdict") == "held").mean().alias("held"))
        assert only(verdicts, work="control reconnected")["held"] > 0.35
        assert only(verdicts, work="switch reset only")["held"] < 0.1


@pytest.mark.parametrize("elsewhere", [0.0, 0.6])
def test_counts_after_are_those_of_plain_loops(elsewhere):
    """Calls and cold hours after each repair, looked up day by day, whatever visit ends them."""
    fleet = repaired_fleet(7, {}, units=40, mean=0.002, elsewhere=elsewhere)
    found = {row["call_id"]: row for row in follow_up(**fleet, thresholds=THRESHOLDS).to_dicts()}
    repairs, others = (fleet[name].sort("done_at").to_dicts() for name in ("repairs", "other_work"))
    hours = dict(fleet["cold_days"].select("day", "cold_hours").iter_rows())
    called = fleet["episodes"].to_dicts()
    assert len(found) == len(repairs) > 30
    assert (len(others) > 20) == (elsewhere > 0)
    ended_by = set()
    for repair in repairs:
        settled = repair["done_at"] + timedelta(days=14)
        begin = datetime(settled.year, settled.month, settled.day) + timedelta(days=1)
        of_a_reset = repair["work"] == "switch reset only"
        later = [
            (each["trigger_at"].replace(hour=0) + timedelta(days=1), each["work"], each in others)
            for each in repairs + others
            if each["unit_id"] == repair["unit_id"]
            and each["done_at"] > repair["done_at"]
            and each["work"] != "switch reset only"
            and (each["work"] is not None or of_a_reset)
        ]
        served_to = BEGAN + timedelta(days=DAYS)
        end, *why = min([*later, (served_to, "", False)], key=lambda each: each[0])
        if begin < end < served_to:
            ended_by.add((of_a_reset, why[0] is None, why[1]))
        row = found[repair["call_id"]]
        assert row["cold_hours_after"] == sum(count for day, count in hours.items() if begin <= day < end)
        assert row["calls_after"] == sum(
            call["unit_id"] == repair["unit_id"] and begin <= call["first_opened_at"] < end for call in called
        )
    # of a reset: a repair, stated work elsewhere, work not stated; of a change: the first two
    expected = {(True, False, False), (False, False, False)}
    assert ended_by == (
        expected | {(True, False, True), (True, True, True), (False, False, True)} if elsewhere else expected
    )


@pytest.mark.parametrize("work", [None, "control reconnected"])
def test_a_reset_gets_no_credit_for_a_later_cure(work):
    """Six resets in one winter, then a visit after which no call comes for three: only without that visit they held."""
    fleet = repaired_fleet(5, {}, units=60, mean=0.002)
    visits = [BEGAN + timedelta(days=140 + 12 * number, hours=9) for number in range(7)]
    ids = {"call_id": [f"x{number}" for number in range(7)], "unit_id": ["u000"] * 7}
    rows = pl.DataFrame(ids | {"work": [WORKS[2]] * 6 + [work], "trigger_at": visits, "done_at": visits}).cast(
        dict(fleet["repairs"].schema)
    )
    others = {name: frame.filter(pl.col("unit_id") != "u000") for name, frame in fleet.items() if name != "cold_days"}
    fleet |= others | {
        "units": fleet["units"],
        "repairs": pl.concat([others["repairs"], rows.head(6)]),
        "episodes": pl.concat(
            [others["episodes"], rows.select("unit_id", first_opened_at=pl.col("trigger_at").cast(pl.Datetime))]
        ),
    }
    alone = follow_up(**fleet, thresholds=THRESHOLDS).filter(unit_id="u000")
    assert (alone["verdict"] == "held").sum() >= 3
    cured = follow_up(**fleet | {"other_work": rows.tail(1)}, thresholds=THRESHOLDS).filter(unit_id="u000")
    assert cured.height == 6
    assert not (cured["verdict"] == "held").any()
    assert (cured["cold_hours_after"] <= 12 * 12 * 6).all()


def test_other_work_of_no_effect_leaves_resets_without_effect():
    """Half of the changes not among the repairs, none with effect: the resets' ratio stands about 1 all the same."""
    fleets = [repaired_fleet(200 + seed, {}, elsewhere=0.5) for seed in range(10)]
    pooled = pl.concat(follow_up_by_work(**fleet, thresholds=THRESHOLDS) for fleet in fleets).filter(work=WORKS[2])
    assert np.exp(np.log(pooled["ratio"]).mean()) == pytest.approx(1.0, abs=0.08)
    assert ((pooled["lower"] <= 1) & (pooled["upper"] >= 1)).sum() >= 9


def test_a_repair_without_time_after_is_too_early():
    fleet = repaired_fleet(3, {}, units=20, mean=0.002)
    last = BEGAN + timedelta(days=DAYS - 5)
    late = pl.DataFrame(
        {"call_id": ["late"], "unit_id": ["u001"], "work": [WORKS[1]], "trigger_at": [last], "done_at": [last]}
    )
    row = only(follow_up(**fleet | {"repairs": late}, thresholds=THRESHOLDS), call_id="late")
    assert (row["verdict"], row["calls_after"], row["ratio"]) == ("too early", 0, None)


def test_verdict_is_what_the_two_gammas_say():
    """One repair's interval and verdict against drawing both gammas: the ratio's F distribution by another road."""
    random = np.random.default_rng(0)
    from lowambient.plan.follow_up import _judged

    calls, expected, variance = np.array([2.0]), np.array([8.0]), np.array([6.0])
    judged = {series.name: series[0] for series in _judged(expected, variance, calls, np.array([900.0]), THRESHOLDS)}
    after = random.gamma(2.5, 1.0, 400_000)
    untreated = random.gamma(64 / 6, 6 / 8, 400_000)
    assert [judged["lower"], judged["upper"]] == pytest.approx(np.quantile(after / untreated, [0.025, 0.975]), rel=0.02)
    share = float((after / untreated < 0.5).mean())
    assert judged["verdict"] == ("held" if share > 0.9 else "cannot tell")


def test_common_ratio_is_the_negative_binomial_posterior():
    """Median of the pooled ratio against integrating scipy's negative binomial over the ratio."""
    from lowambient.plan.follow_up import _CommonRatio

    calls, expected, shape = np.array([3.0, 1.0, 6.0]), np.array([4.0, 2.0, 5.0]), np.array([5.0, 2.0, 8.0])

    def density(log_ratio):
        mean = np.exp(log_ratio) * expected
        return np.exp(0.5 * log_ratio) * np.prod(stats.nbinom.pmf(calls, shape, shape / (shape + mean)))

    whole = integrate.quad(density, -9, 7, limit=200)[0]
    median = _CommonRatio.of(calls, expected, shape, 1e-12).quantile(0.5)
    assert integrate.quad(density, -9, np.log(median), limit=200)[0] / whole == pytest.approx(0.5, abs=0.01)
