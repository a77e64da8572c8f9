"""Rates, ratios, proportions and shrinkage against published numbers and a second program."""

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from lowambient.plan.rates import benjamini_hochberg, poisson_interval, rate_ratio, wilson_interval
from lowambient.plan.shrinkage import expected_ranks, maximum_likelihood, shrunk, weighed

PUMP_EVENTS = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22], dtype=float)
PUMP_HOURS = np.array([94.320, 15.720, 62.880, 125.760, 5.240, 31.440, 1.048, 1.048, 2.096, 10.480])
"""Failures and thousands of hours of ten pumps: Gaver & O'Muircheartaigh 1987, Technometrics 29(1), table 3."""


def test_exact_poisson_interval_of_15_events_in_400():
    """statsmodels' tests, made with R: .0209884653 to .0618505472."""
    lower, upper = poisson_interval(15, 400)
    assert float(lower) == pytest.approx(0.0209884653, abs=1e-9)
    assert float(upper) == pytest.approx(0.0618505472, abs=1e-9)


@pytest.mark.parametrize("events", [0, 1, 2, 7, 40, 1000])
def test_exact_poisson_interval_against_statsmodels(events):
    lower, upper = poisson_interval(events, 123.0, level=0.9)
    expected = confint_poisson(events, 123.0, method="exact-c", alpha=0.1)
    assert float(upper) == pytest.approx(expected[1])
    assert float(lower) == (pytest.approx(expected[0]) if events else 0.0)


def test_no_exposure_gives_no_interval():
    lower, upper = poisson_interval([0, 3], [0.0, 10.0])
    assert np.isnan(lower).tolist() == [True, False]
    assert np.isnan(upper).tolist() == [True, False]


@pytest.mark.parametrize("expected", [0.7, 3.0, 12.0])
def test_exact_poisson_interval_covers_at_least_its_level(expected):
    """The exact interval's coverage, summed over all counts, is never under the level: Garwood 1936."""
    counts = np.arange(200)
    lower, upper = poisson_interval(counts, 1.0)
    covered = (lower <= expected) & (expected <= upper)
    assert stats.poisson.pmf(counts, expected)[covered].sum() >= 0.95


def test_exact_rate_ratio():
    """Fay, manual of the R package rateratio.test: 2 in 17,877 against 9 in 16,660."""
    ratio, lower, upper, p = rate_ratio(2, 17877, 9, 16660)
    assert ratio == pytest.approx(0.2070941557, abs=1e-9)
    assert lower == pytest.approx(0.02177406, abs=1e-7)
    assert upper == pytest.approx(1.00054910, abs=1e-7)
    assert p == pytest.approx(0.05011, abs=1e-5)


def test_rate_ratio_without_events():
    assert rate_ratio(0, 10, 3, 10)[0] == 0
    assert rate_ratio(3, 10, 0, 10)[2] == float("inf")
    ratio, lower, upper, p = rate_ratio(0, 10, 0, 10)
    assert np.isnan(ratio)
    assert (lower, upper, p) == (0.0, float("inf"), 1.0)
    with pytest.raises(ValueError, match="exposure"):
        rate_ratio(1, 0, 1, 1)


def test_wilson_interval_of_19_in_38():
    """statsmodels' tests: .348499283644 to .651500716356."""
    lower, upper = wilson_interval(19, 38)
    assert float(lower) == pytest.approx(0.348499283644, abs=1e-12)
    assert float(upper) == pytest.approx(0.651500716356, abs=1e-12)


@pytest.mark.parametrize(("successes", "trials"), [(0, 5), (5, 5), (1, 200), (37, 90)])
def test_wilson_interval_against_statsmodels(successes, trials):
    expected = proportion_confint(successes, trials, alpha=0.1, method="wilson")
    found = wilson_interval(successes, trials, level=0.9)
    assert [float(end) for end in found] == pytest.approx(list(expected), abs=1e-12)


def test_benjamini_hochberg_of_the_published_example():
    """Benjamini & Hochberg 1995, section 3.2: of these 15, four are rejected at .05."""
    p = np.array(
        [
            [0.0001, 0.0004, 0.0019, 0.0095, 0.0201],
            [0.0278, 0.0298, 0.0344, 0.0459, 0.3240],
            [0.4262, 0.5719, 0.6528, 0.7590, 1.0],
        ]
    ).ravel()
    adjusted = benjamini_hochberg(p)
    assert (adjusted <= 0.05).sum() == 4
    mixed = np.random.default_rng(1).permutation(p)
    assert benjamini_hochberg(mixed) == pytest.approx(multipletests(mixed, method="fdr_bh")[1])


def test_gamma_poisson_of_ten_pumps():
    """Maximum likelihood alpha .8223, beta 1.2590 and means of the pumps (data: Gaver & O'Muircheartaigh 1987)."""
    prior = maximum_likelihood(PUMP_EVENTS, PUMP_HOURS)
    assert prior.shape[0] == pytest.approx(0.8223, abs=5e-5)
    assert prior.weight[0] == pytest.approx(1.2590, abs=5e-5)
    means = [0.0609, 0.1073, 0.0908, 0.1167, 0.5881, 0.6062, 0.7899, 0.7899, 1.4374, 1.9441]
    assert shrunk(prior, PUMP_EVENTS, PUMP_HOURS).mean == pytest.approx(means, abs=5.1e-5)


def test_weighed_prior_agrees_with_a_plain_double_integral():
    """Pump rates by integrating over mean and spread on a fine, fixed grid: another road to the same posterior."""
    log_spread = np.linspace(np.log(0.05), np.log(10), 220)[:, None]
    log_mean = np.linspace(np.log(0.01), np.log(60), 400)[None, :]
    shape, mean = np.exp(-2 * log_spread), np.exp(log_mean)
    before_mean = 10 * (PUMP_EVENTS.sum() + 0.5) / PUMP_HOURS.sum()
    log_p = stats.gamma.logpdf(mean, 0.5, scale=before_mean / 0.5) + log_mean
    spread = np.exp(log_spread)
    log_p = log_p + stats.halfcauchy.logpdf(spread) + log_spread
    for events, hours in zip(PUMP_EVENTS, PUMP_HOURS, strict=True):
        log_p = log_p + stats.nbinom.logpmf(events, shape, shape / (shape + mean * hours))
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    expected = [
        (p * (shape + events) / (shape / mean + hours)).sum()
        for events, hours in zip(PUMP_EVENTS, PUMP_HOURS, strict=True)
    ]
    found = shrunk(weighed(PUMP_EVENTS, PUMP_HOURS), PUMP_EVENTS, PUMP_HOURS).mean
    assert found == pytest.approx(expected, rel=0.01)


def test_marginal_of_one_unit_is_the_integral_over_its_rate():
    """The likelihood that is maximised, against integrating Poisson times gamma by quadrature."""
    from lowambient.plan.shrinkage import _Counts

    counts = _Counts.of(np.array([3.0]), np.array([2.5]))
    found = counts.log_likelihood(np.array([0.7]), np.array([1.4]))[0]
    integral, _ = integrate.quad(
        lambda rate: stats.poisson.pmf(3, rate * 2.5) * stats.gamma.pdf(rate, 0.7, scale=2.0), 0, np.inf
    )
    assert found == pytest.approx(np.log(integral), abs=1e-7)


def test_equal_units_are_shrunk_to_one_rate():
    """Counts with no more spread than chance: every unit close to the pooled rate, and no failure to converge."""
    events, hours = np.full(200, 4.0), np.full(200, 1000.0)
    assert maximum_likelihood(events, hours).shape[0] == pytest.approx(400, rel=0.01)
    rates = shrunk(weighed(events, hours), events, hours)
    assert rates.mean == pytest.approx(np.full(200, 0.004), rel=0.02)


def test_a_fleet_without_a_call_gets_a_small_rate_not_zero():
    events, hours = np.zeros(50), np.full(50, 2000.0)
    rates = shrunk(weighed(events, hours), events, hours)
    # with half an event before: between 0 and one event over all the hours
    assert (rates.mean > 0).all()
    assert (rates.mean < 1 / 100_000).all()
    with pytest.raises(ValueError, match="no event"):
        maximum_likelihood(events, hours)


def test_one_bad_unit_does_not_drag_the_others():
    events, hours = np.r_[30.0, np.zeros(99)], np.full(100, 3000.0)
    rates = shrunk(weighed(events, hours), events, hours)
    assert rates.mean[0] == pytest.approx(0.01, rel=0.1)
    assert (rates.mean[1:] < 0.0001).all()


@pytest.mark.parametrize(("events", "hours"), [([1.0], [1000.0]), ([0.0], [10.0]), ([0.0, 1.0], [5.0, 8000.0])])
def test_few_units_stay_finite_and_near_what_was_seen(events, hours):
    rates = shrunk(weighed(np.array(events), np.array(hours)), np.array(events), np.array(hours))
    pooled = (sum(events) + 0.5) / sum(hours)
    lower, upper = rates.interval()
    assert np.isfinite(rates.mean).all()
    assert (rates.mean < 10 * pooled).all()
    assert (lower <= upper).all()


def test_events_without_exposure_are_refused():
    with pytest.raises(ValueError, match="without exposure"):
        weighed(np.array([1.0, 0.0]), np.array([0.0, 5.0]))
    with pytest.raises(ValueError, match="no unit has exposure"):
        weighed(np.zeros(2), np.zeros(2))


def test_shrunk_intervals_cover_rates_drawn_from_a_gamma():
    """90 % intervals over 40 fleets of 50 units (2,000 units): the share covered, by fleet, is 90 % within chance."""
    random = np.random.default_rng(7)
    shares = []
    for _ in range(40):
        rate = random.gamma(0.8, 0.002 / 0.8, 50)
        hours = random.integers(500, 8000, 50).astype(float)
        events = random.poisson(rate * hours).astype(float)
        lower, upper = shrunk(weighed(events, hours), events, hours).interval()
        shares.append(((lower <= rate) & (rate <= upper)).mean())
    error = np.std(shares, ddof=1) / np.sqrt(len(shares))
    assert abs(np.mean(shares) - 0.9) < 3 * error + 0.005


def test_shrunk_rates_beat_counted_rates():
    """Squared error against the true rates: shrinking must win, as it does for any such fleet (Efron & Morris 1975)."""
    random = np.random.default_rng(8)
    rate = random.gamma(0.8, 0.002 / 0.8, 300)
    hours = random.integers(500, 4000, 300).astype(float)
    events = random.poisson(rate * hours).astype(float)
    found = shrunk(weighed(events, hours), events, hours).mean
    assert ((found - rate) ** 2).mean() < 0.8 * ((events / hours - rate) ** 2).mean()


def test_order_of_units_does_not_matter():
    order = np.random.default_rng(3).permutation(10)
    one = shrunk(weighed(PUMP_EVENTS, PUMP_HOURS), PUMP_EVENTS, PUMP_HOURS)
    other = shrunk(weighed(PUMP_EVENTS[order], PUMP_HOURS[order]), PUMP_EVENTS[order], PUMP_HOURS[order])
    assert (one.mean[order] == other.mean).all()
    assert (one.variance[order] == other.variance).all()


def test_expected_ranks_against_drawing_the_units():
    """Ranks of 20,000 drawings of each unit's rate, against the quantile method."""
    random = np.random.default_rng(4)
    mean = np.array([0.1, 0.5, 1.0, 1.1, 3.0, 8.0])
    variance = np.array([0.05, 0.1, 0.5, 0.6, 1.0, 2.0])
    drawn = random.gamma(mean**2 / variance, variance / mean, (20000, 6))
    ranks = 6 - drawn.argsort(axis=1).argsort(axis=1)
    assert expected_ranks(mean, variance) == pytest.approx(ranks.mean(axis=0), abs=0.05)


def test_ranks_of_units_that_cannot_be_told_apart_are_equal():
    found = expected_ranks(np.array([1.0, 1.0, 1.0, 0.0]), np.array([0.5, 0.5, 0.5, 0.0]))
    assert found == pytest.approx([2.0, 2.0, 2.0, 4.0])
    assert pl.Series(found).sum() == pytest.approx(10.0)
