"""Proportions of calls: exact intervals, a group against the rest, and small groups shrunk towards the others."""

import numpy as np
import numpy.typing as npt
from scipy import special, stats

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_SPREADS = np.geomspace(1e-5, 0.7, 28)
"""Intraclass correlations that are weighed: groups all but alike to groups of yes or no."""

_STEPS = np.linspace(-5.0, 5.0, 21)
"""Mean proportions that are weighed, in standard errors of the logit."""


def exact_interval(successes: npt.ArrayLike, trials: npt.ArrayLike, level: float = 0.95) -> tuple[Array, Array]:
    """Exact central interval of a proportion [-]; NaN without trials. It covers at least its level, mostly more.

    Source: Clopper & Pearson 1934, Biometrika 26, 404-413.
    """
    hits, count = np.broadcast_arrays(np.asarray(successes, dtype=np.float64), np.asarray(trials, dtype=np.float64))
    tail = (1 - level) / 2
    misses = count - hits
    lower = np.where(hits > 0, stats.beta.ppf(tail, np.maximum(hits, 1), misses + 1), 0.0)
    upper = np.where(misses > 0, stats.beta.ppf(1 - tail, hits + 1, np.maximum(misses, 1)), 1.0)
    return np.where(count > 0, lower, np.nan), np.where(count > 0, upper, np.nan)


def against_the_rest(group: Indices, unit: Indices, hits: Array, trials: Array) -> Array:
    """Two-sided p of each group's proportion being that of all others together; NaN where nothing is left to compare.

    Group and unit are numbered from 0; the four arrays may hold a pair of them more than once. The larger of two:
    Fisher's exact test (twice its smaller tail), right where calls are independent; and a score test whose variance
    is taken over units, right where calls of one unit are alike, and never small for a group of a few units.
    Sources: Fisher 1934, Statistical Methods for Research Workers, section 21.02; Rotnitzky & Jewell 1990, Biometrika
    77, 485-497 (the generalised score test, working independence).
    """
    in_group, hits_in_group = np.bincount(group, trials), np.bincount(group, hits)
    every, all_hits = in_group.sum(), hits_in_group.sum()
    rest = every - in_group
    low = stats.hypergeom.cdf(hits_in_group, every, all_hits, in_group)
    high = stats.hypergeom.sf(hits_in_group - 1, every, all_hits, in_group)
    exact = np.minimum(1.0, 2 * np.minimum(low, high))

    residual = hits - all_hits / every * trials
    of_unit = np.bincount(unit, residual)
    pairs, place = np.unique(np.column_stack([group, unit]), axis=0, return_inverse=True)
    of_pair = np.bincount(place.ravel(), residual)
    own = np.bincount(pairs[:, 0], of_pair)
    squares = np.bincount(pairs[:, 0], of_pair**2)
    products = np.bincount(pairs[:, 0], of_pair * of_unit[pairs[:, 1]])
    with np.errstate(divide="ignore", invalid="ignore"):
        to_own, to_all = 1 / in_group + 1 / rest, 1 / rest
        difference = to_own * own
        variance = to_own**2 * squares - 2 * to_own * to_all * products + to_all**2 * np.sum(of_unit**2)
        robust = stats.chi2.sf(difference**2 / variance, 1)
    return np.where((in_group > 0) & (rest > 0), np.fmax(exact, robust), np.nan)


def shrunk_proportions(hits: Array, trials: Array) -> Array:
    """Each group's proportion, its own calls and those of all groups weighed by how much each can tell.

    Model: hits_i ~ Binomial(trials_i, p_i), p_i ~ Beta(a, b). The mean of p_i, (a + hits_i) / (a + b + trials_i), is
    averaged over a grid of means and intraclass correlations 1 / (a + b + 1), weighed by likelihood, so that a few
    groups are not taken for known. Before any call: Jeffreys' rule for the mean m, half-Cauchy of scale 1 for the
    spread sqrt(correlation / (m (1 - m))), about the standard deviation of the logits (judgement). NaN without trials.
    Source: Skellam 1948, Journal of the Royal Statistical Society B 10, 257-261 (the beta-binomial); Carlin & Louis,
    Bayes and Empirical Bayes Methods.
    """
    if trials.sum() == 0:
        return np.full(len(trials), np.nan)
    pairs, place, groups = np.unique(np.column_stack([hits, trials]), axis=0, return_inverse=True, return_counts=True)
    a, b, log_weight = _nodes(pairs, groups)
    weight = special.softmax(log_weight)
    kept = weight > 1e-6 * weight.max()
    a, b, weight = a[kept, None], b[kept, None], weight[kept] / weight[kept].sum()
    means = np.sum(weight[:, None] * (a + pairs[:, 0]) / (a + b + pairs[:, 1]), axis=0)
    return np.asarray(means[place.ravel()])


def _nodes(pairs: Array, groups: npt.NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """Parameters of the beta distributions that are weighed, and the logarithm of each one's weight."""
    hits, trials = pairs[:, 0], pairs[:, 1]
    nodes = []
    for spread in _SPREADS:
        effective = groups * trials / (1 + (trials - 1) * spread)
        share = np.divide(hits, trials, out=np.zeros_like(hits), where=trials > 0)
        centre = (np.sum(effective * share) + 0.5) / (np.sum(effective) + 1)
        error = 1 / np.sqrt(np.sum(effective) * centre * (1 - centre) + 0.5)
        means = special.expit(special.logit(centre) + _STEPS * error)
        a, b = (means * (1 / spread - 1), (1 - means) * (1 / spread - 1))
        likelihood = special.betaln(hits + a[:, None], trials - hits + b[:, None]) - special.betaln(a, b)[:, None]
        logit_spread = np.sqrt(spread / (means * (1 - means)))
        # densities over the logit of the mean and the logarithm of the spread, in which the grid is even
        before = 0.5 * np.log(means * (1 - means)) + np.log(logit_spread) - np.log1p(logit_spread**2)
        nodes.append((a, b, np.sum(groups * likelihood, axis=1) + before + np.log(error)))
    a, b, log_weight = np.concatenate(nodes, axis=1)
    return a, b, log_weight
