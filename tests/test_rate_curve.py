"""Rates against outdoor temperature: the curve's limits and optimum, a planted change, none where there is none."""

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from lowambient import reference
from lowambient.plan import rate_curve as module
from lowambient.plan.rate_curve import rate_change, rate_curve
from lowambient.plan.smoothing import smoothness, whittaker_poisson

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
WIDTH = THRESHOLDS["band_width_k"]
BANDS = np.arange(-12, 8)
HOURS = np.round(4000 * np.exp(-(((BANDS + 1) / 5.0) ** 2))) + 20


def fleet(
    rates_per_h: np.ndarray, sites: int = 30, spread: float = 0.0, seed: int = 1
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`unit_bands` and `symptom_bands` with these true rates by band; sites differ by a gamma of variance `spread`."""
    draw = np.random.default_rng(seed)
    hours, came = [], []
    for site in range(sites):
        pull = draw.gamma(1 / spread, spread) if spread else 1.0
        for unit in range(2):
            name = f"u{site:03d}{unit}"
            for band, h, rate in zip(BANDS.tolist(), HOURS.tolist(), rates_per_h, strict=True):
                edges = (round(10 + band * WIDTH, 4), round(10 + (band + 1) * WIDTH, 4))
                hours.append((name, f"s{site:03d}", "at opening", band, *edges, int(h)))
                count = int(draw.poisson(rate * h * pull))
                if count:
                    came.append((name, "at opening", "low-pressure trip", band, count + 1, count))
    bands = pl.DataFrame(
        hours, schema=("unit_id", "site_id", "measure", "band", "lower_c", "upper_c", "unit_hours"), orient="row"
    )
    columns = {"unit_id": pl.String, "measure": pl.String, "symptom": pl.String} | dict.fromkeys(
        ("band", "calls", "episodes"), pl.Int64
    )
    return bands, pl.DataFrame(came, schema=columns, orient="row")


def step(below: float, above: float, band: int) -> np.ndarray:
    return np.where(band > BANDS, below, above)


def totals(bands: pl.DataFrame, counts: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Episodes and hours by band, plainly."""
    events = dict(counts.group_by("band").agg(pl.col("episodes").sum()).iter_rows())
    hours = dict(bands.group_by("band").agg(pl.col("unit_hours").sum()).iter_rows())
    return np.array([events.get(band, 0) for band in BANDS.tolist()], float), np.array(
        [hours[band] for band in BANDS.tolist()], float
    )


def test_a_curve_without_penalty_is_the_raw_rate_and_a_stiff_one_the_exponential_of_a_poisson_regression() -> None:
    events, hours = totals(*fleet(0.02 * np.exp(-0.25 * BANDS)))
    raw = whittaker_poisson(events[None], hours[None], 0.0)[0]
    assert raw[events > 5] == pytest.approx((events / hours)[events > 5], rel=1e-3)
    stiff = whittaker_poisson(events[None], hours[None], 1e9)[0]
    regression = sm.GLM(events, sm.add_constant(BANDS.astype(float)), sm.families.Poisson(), exposure=hours).fit()
    assert stiff == pytest.approx(regression.fittedvalues / hours, rel=1e-3)


def test_the_curve_is_where_its_own_objective_is_highest() -> None:
    """scipy's general minimiser, on the objective as the docstring states it."""
    events, hours = totals(*fleet(step(0.01, 0.001, -2), seed=2))
    weight = 10.0

    def loss(curve: np.ndarray) -> float:
        return float(weight / 2 * np.sum(np.diff(curve, 2) ** 2) - np.sum(events * curve - hours * np.exp(curve)))

    found = optimize.minimize(
        loss, np.full(len(BANDS), np.log(events.sum() / hours.sum())), method="BFGS", options={"gtol": 1e-4}
    )
    assert whittaker_poisson(events[None], hours[None], weight)[0] == pytest.approx(np.exp(found.x), rel=0.01)


def test_a_straight_rate_is_drawn_stiffer_than_one_with_a_cliff() -> None:
    weights = []
    for rates in (0.004 * np.exp(-0.1 * BANDS), step(0.02, 0.0005, -2)):
        bands, counts = fleet(rates, seed=3)
        matrix = counts.group_by("unit_id", "band").agg(pl.col("episodes").sum())
        units = bands["unit_id"].unique().sort().to_list()
        events = np.zeros((len(units), len(BANDS)))
        for unit, band, count in matrix.iter_rows():
            events[units.index(unit), band - BANDS[0]] = count
        weights.append(smoothness(events, np.tile(HOURS, (len(units), 1))))
    assert weights[0] > 10 * weights[1]


def test_the_table_counts_all_and_its_intervals_hold_the_truth() -> None:
    truth = 0.003 * np.exp(-0.2 * BANDS)
    bands, counts = fleet(truth, spread=0.3, seed=4)
    table = rate_curve(bands, counts, THRESHOLDS)
    events, hours = totals(bands, counts)
    assert table["episodes"].to_list() == events.tolist()
    assert table["unit_hours"].to_list() == hours.tolist()
    assert table["calls"].sum() == counts["calls"].sum()
    assert table["rate_per_1000_h"].to_list() == pytest.approx((1000 * events / hours).tolist(), abs=1e-5)
    for name, value in (("exact_lower", 0.025), ("exact_upper", 0.975)):
        shape = events + (name == "exact_upper")
        wanted = np.nan_to_num(stats.gamma.ppf(value, shape)) / hours * 1000  # Garwood's, as quantiles of a gamma
        assert table[name].to_list() == pytest.approx(wanted.tolist(), abs=1e-4)
    assert ((table["lower"] <= table["exact_lower"]) & (table["upper"] >= table["exact_upper"])).all()
    shuffled = rate_curve(
        bands.sample(fraction=1.0, shuffle=True, seed=1), counts.sample(fraction=1.0, shuffle=True, seed=2), THRESHOLDS
    )
    assert shuffled.equals(table)


def test_the_interval_of_the_curve_holds_the_truth_where_sites_differ() -> None:
    """In 80 fleets of 15 sites, at the coldest band and in the middle; the binomial interval must reach 95 %."""
    truth = 0.003 * np.exp(-0.2 * BANDS)
    inside = np.zeros(2)
    for seed in range(80):
        table = rate_curve(*fleet(truth, sites=15, spread=0.5, seed=1000 + seed), THRESHOLDS)
        for at, band in enumerate((0, len(BANDS) // 2)):
            inside[at] += table["smooth_lower"][band] <= 1000 * truth[band] <= table["smooth_upper"][band]
    for hits in inside:
        assert stats.binomtest(int(hits), 80).proportion_ci(0.95).high >= 0.95


def test_few_episodes_have_rates_and_no_curve() -> None:
    bands, counts = fleet(np.full(len(BANDS), 2e-6), seed=5)
    assert 0 < counts["episodes"].sum() < THRESHOLDS["least_group_calls"]
    table = rate_curve(bands, counts, THRESHOLDS)
    assert table["smooth_per_1000_h"].null_count() == table.height == len(BANDS)
    assert table["exact_upper"].null_count() == 0
    assert rate_change(bands, counts, THRESHOLDS).is_empty()


def test_without_calls_or_hours_there_is_nothing_to_say() -> None:
    bands, counts = fleet(np.zeros(len(BANDS)))
    for given in ((bands, counts), (bands.clear(), counts)):
        assert rate_curve(*given, THRESHOLDS).is_empty()
        assert rate_change(*given, THRESHOLDS).is_empty()


def test_a_change_is_the_likeliest_of_all_edges_and_its_rates_are_plain_quotients() -> None:
    """A slow twin: the probability of each edge's two counts at their own rates, over that at one rate, by scipy."""
    bands, counts = fleet(0.004 / (1 + np.exp(0.8 * (BANDS + 3))) + 0.0003, seed=6)
    row = rate_change(bands, counts, THRESHOLDS).row(0, named=True)
    events, hours = totals(bands, counts)
    found = []
    for place in range(1, len(BANDS)):
        sides = ((events[:place].sum(), hours[:place].sum()), (events[place:].sum(), hours[place:].sum()))
        expected = [events.sum() / hours.sum() * h for _, h in sides]
        if min(expected) >= 5:
            gain = sum(
                stats.poisson.logpmf(n, n) - stats.poisson.logpmf(n, mean)
                for (n, _), mean in zip(sides, expected, strict=True)
            )
            found.append((gain, place, sides))
    _, place, ((below, below_h), (above, above_h)) = max(found)
    assert row["change_c"] == pytest.approx(10 + BANDS[place] * WIDTH, abs=1e-3)
    assert row["below_per_1000_h"] == pytest.approx(1000 * below / below_h, abs=1e-4)
    assert row["above_per_1000_h"] == pytest.approx(1000 * above / above_h, abs=1e-4)
    assert row["ratio"] == pytest.approx(below / below_h / (above / above_h), abs=1e-3)
    assert row["lower_c"] <= row["change_c"] <= row["upper_c"]
    assert row["ratio_lower"] < row["ratio"] < row["ratio_upper"]
    assert row["changes"] is True


def test_a_planted_change_is_found_and_lies_in_its_interval(monkeypatch: pytest.MonkeyPatch) -> None:
    """In 60 fleets whose sites differ; the binomial interval of the coverage must reach the nominal 95 %."""
    monkeypatch.setattr(module, "DRAWS", 200)
    edge = 10 - 3 * WIDTH
    inside, near = 0, 0
    for seed in range(60):
        row = rate_change(*fleet(step(0.008, 0.0015, -3), spread=0.4, seed=100 + seed), THRESHOLDS).row(0, named=True)
        inside += row["lower_c"] - 1e-3 <= edge <= row["upper_c"] + 1e-3
        near += abs(row["change_c"] - edge) <= WIDTH + 1e-3
        assert row["changes"] is True
    assert stats.binomtest(inside, 60).proportion_ci(0.95).high >= 0.95
    assert near >= 50


def test_one_rate_at_all_temperatures_is_seldom_said_to_change(monkeypatch: pytest.MonkeyPatch) -> None:
    """Though the edge is chosen, and some sites call five times as often as others."""
    monkeypatch.setattr(module, "DRAWS", 200)
    said = sum(
        rate_change(*fleet(np.full(len(BANDS), 0.0008), spread=0.6, seed=500 + seed), THRESHOLDS)["changes"][0]
        for seed in range(120)
    )
    assert stats.binomtest(said, 120, 0.05, "greater").pvalue > 0.001


def test_one_site_alone_cannot_show_a_change() -> None:
    """All its episodes are of one unit, so nothing says that another would do the same."""
    bands, counts = fleet(step(0.02, 0.0002, -3), sites=30, seed=7)
    one = counts.filter(pl.col("unit_id") == counts["unit_id"][0])
    many = (
        pl.concat([one] * 20).group_by("unit_id", "measure", "symptom", "band").agg(pl.col("calls", "episodes").sum())
    )
    row = rate_change(bands, many, THRESHOLDS).row(0, named=True)
    assert row["changes"] is False
