"""Gamma-Poisson rates: what a unit's few events say once the fleet's are taken into account.

Model: events_i ~ Poisson(rate_i * exposure_i), rate_i ~ Gamma(shape, weight), of mean shape / weight. Given events and
exposure, a unit's rate is Gamma(shape + events_i, weight + exposure_i), and events_i alone is negative binomial.
Source: Gaver & O'Muircheartaigh 1987, Technometrics 29(1), 1-15; Carlin & Louis, Bayes and Empirical Bayes Methods.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

Array = npt.NDArray[np.float64]

_LOG_SPREADS = (float(np.log(0.05)), float(np.log(10.0)))
"""Range of the logarithm of the coefficient of variation of true rates: units all but alike to one in a hundred bad."""

_NODES = 24
"""Coefficients of variation that are weighed; they stand where the events allow them, however narrow that is."""

_STEPS = np.linspace(-5.0, 3.5, 18)
"""Mean rates that are weighed, in standard errors of the logarithm; more below, where the tail is long."""

_TOO_UNLIKELY = 10.0
"""Difference of log probability beyond which a node is left out."""

_EVENTS_BEFORE = 0.5
"""Judgement: the mean rate is gamma before any event, with this shape (Jeffreys' rule for a Poisson rate) ..."""

_TIMES_POOLED = 10.0
"""... and a mean of this many times the pooled rate, so that a fleet of a few units cannot run away."""


@dataclass(frozen=True)
class Prior:
    """Gamma distributions of the true rates, one or a weighted mixture; equal-length arrays.

    `shape` [-], `weight` [unit of exposure] (the rate parameter), `probability` [-], summing to 1.
    """

    shape: Array
    weight: Array
    probability: Array

    @property
    def mean(self) -> float:
        """Mean rate of a unit nobody has seen, per unit of exposure."""
        return float(np.sum(self.probability * self.shape / self.weight))


@dataclass(frozen=True)
class Rates:
    """What is known of each unit's rate.

    `mean` and `variance` of each unit, and `node_means` (unit, node of the prior): the mean given that node, of which
    the spread over nodes is shared by all units and the rest (`own_variance`) is each unit's own.
    """

    mean: Array
    variance: Array
    own_variance: Array
    node_means: Array

    def interval(self, level: float = 0.90) -> tuple[Array, Array]:
        """Central credible interval of each rate, from the gamma distribution of the same mean and variance."""
        shape = self.mean**2 / self.variance
        tail = (1 - level) / 2
        scale = self.variance / self.mean
        return stats.gamma.ppf(tail, shape, scale=scale), stats.gamma.ppf(1 - tail, shape, scale=scale)


def maximum_likelihood(events: Array, exposure: Array) -> Prior:
    """The single gamma distribution that makes the events most likely, as the handbooks do.

    `events` and `exposure` are arrays over units. Where events vary no more than Poisson counts do, the likelihood
    rises for ever with the shape; it is stopped at a coefficient of variation of 5 %.

    Raises: ValueError without exposure, or without a single event, when there is nothing to fit.
    """
    counts = _Counts.of(events, exposure)
    if counts.events.sum() == 0:
        raise ValueError("no event: a likelihood cannot tell the rate from zero")

    def loss(log_spread: float) -> float:
        shape = np.exp([-2 * log_spread])
        return -float(counts.log_likelihood(shape, counts.means_given(shape, events_before=0.0))[0])

    best = optimize.minimize_scalar(loss, bounds=_LOG_SPREADS, method="bounded", options={"xatol": 1e-9})
    shape = np.exp([-2 * float(best.x)])
    return Prior(shape, shape / counts.means_given(shape, events_before=0.0), np.ones(1))


def weighed(events: Array, exposure: Array) -> Prior:
    """The gamma distributions that the events allow, each with its probability.

    Instead of the one most likely pair of mean and spread, all of a grid are kept and weighed by likelihood, so that
    a small fleet, one without a call, one that a single unit dominates or one of equals is not taken for known.
    Before any event: gamma for the mean rate, worth half an event, and half-Cauchy of scale 1 for the coefficient of
    variation of true rates (judgement: it rules out neither a fleet of equals nor one bad unit among a hundred).

    `events` and `exposure` are arrays over units; units without exposure say nothing.

    Raises: ValueError without any exposure, or for a unit with events and no exposure.
    """
    counts = _Counts.of(events, exposure)
    spread_shapes = np.exp(-2 * _log_spreads(counts))
    centres = counts.means_given(spread_shapes)
    nodes = []
    for shape, centre in zip(spread_shapes, centres, strict=True):
        error = 1 / np.sqrt(counts.information(shape, centre) + _EVENTS_BEFORE)
        means = centre * np.exp(_STEPS * error)
        shapes = np.full_like(means, shape)
        nodes.append((shapes, shapes / means, counts.log_posterior(shapes, means) + np.log(error)))
    shape, weight, log_probability = np.concatenate(nodes, axis=1)
    kept = log_probability > log_probability.max() - _TOO_UNLIKELY
    return Prior(shape[kept], weight[kept], special.softmax(log_probability[kept]))


def _log_spreads(counts: "_Counts") -> Array:
    """Evenly spaced logarithms of the coefficient of variation over the range that the events allow."""
    low, high = _LOG_SPREADS
    for _ in range(3):
        grid = np.linspace(low, high, _NODES)
        shapes = np.exp(-2 * grid)
        height = counts.log_posterior(shapes, counts.means_given(shapes))
        likely = np.flatnonzero(height > height.max() - _TOO_UNLIKELY)
        low, high = grid[max(likely[0] - 1, 0)], grid[min(likely[-1] + 1, _NODES - 1)]
    return np.linspace(low, high, _NODES)


def shrunk(prior: Prior, events: Array, exposure: Array) -> Rates:
    """Each unit's rate, its own events and the fleet's weighed by how much each can tell.

    `events` and `exposure` are arrays over units; the result has the same order. Mean (shape + events) / (weight +
    exposure), averaged over the prior.
    """
    total = prior.weight[None, :] + exposure[:, None]
    node_means = (prior.shape[None, :] + events[:, None]) / total
    # plain sums along rows, not matrix products: those may differ in the last digit with threads and position
    mean = np.sum(node_means * prior.probability, axis=1)
    own_variance = np.sum(node_means / total * prior.probability, axis=1)
    shared = np.sum((node_means - mean[:, None]) ** 2 * prior.probability, axis=1)
    return Rates(mean, own_variance + shared, own_variance, node_means)


def expected_ranks(mean: Array, variance: Array, levels: int = 24) -> Array:
    """Expected rank of each unit, 1 for the highest, over what is known of their rates or counts.

    E(rank_i) = 1 + sum over j of P(x_j > x_i), each x taken as gamma of that mean and variance, at `levels` equally
    likely values. Units of mean 0 stand at 0.
    Source: Laird & Louis 1989, Journal of Educational Statistics 14(1), 29-46.
    """
    if len(mean) == 0:
        return np.zeros(0)
    known = mean > 0
    values = np.zeros((len(mean), levels))
    pairs, place = np.unique(np.column_stack([mean[known], variance[known]]), axis=0, return_inverse=True)
    quantiles = (np.arange(levels) + 0.5) / levels
    shape, scale = pairs[:, 0] ** 2 / pairs[:, 1], pairs[:, 1] / pairs[:, 0]
    values[known] = stats.gamma.ppf(quantiles[None, :], shape[:, None], scale=scale[:, None])[place.ravel()]
    every = np.sort(values.ravel())
    at_most, below = (np.searchsorted(every, values, side=side) for side in ("right", "left"))
    # values above, and half of those equal (the unit's own value among them), less what a unit counts against itself
    above = (every.size - at_most) + 0.5 * (at_most - below)
    return np.asarray(1 + above.mean(axis=1) / levels - 0.5)


@dataclass(frozen=True)
class _Counts:
    """Distinct pairs of events and exposure with the number of units of each, sorted: order of units cannot matter.

    `counts` are the distinct events, and `place` says which of them each pair has.
    """

    events: Array
    exposure: Array
    units: Array
    counts: Array
    place: npt.NDArray[np.intp]

    @classmethod
    def of(cls, events: Array, exposure: Array) -> "_Counts":
        if np.any((exposure <= 0) & (events > 0)):
            raise ValueError("a unit has events without exposure")
        seen = exposure > 0
        if not np.any(seen):
            raise ValueError("no unit has exposure")
        pairs, units = np.unique(np.column_stack([events[seen], exposure[seen]]), axis=0, return_counts=True)
        counts, place = np.unique(pairs[:, 0], return_inverse=True)
        return cls(pairs[:, 0], pairs[:, 1], units.astype(np.float64), counts, place)

    @property
    def pooled(self) -> float:
        """Events by exposure of all units together, with the events before counted in."""
        return float((np.sum(self.units * self.events) + _EVENTS_BEFORE) / np.sum(self.units * self.exposure))

    @property
    def most_before(self) -> float:
        """Mean of the mean rate before any event, per unit of exposure."""
        return float(_TIMES_POOLED * self.pooled)

    def log_likelihood(self, shapes: Array, means: Array) -> Array:
        """Log probability of all events under negative binomials, for each pair of shape and mean rate."""
        shape = shapes[:, None]
        odds = means[:, None] * self.exposure / shape
        of_counts = special.gammaln(shape + self.counts) - special.gammaln(shape) - special.gammaln(self.counts + 1)
        each = of_counts[:, self.place] + special.xlogy(self.events, odds) - (shape + self.events) * np.log1p(odds)
        return np.asarray(np.sum(self.units * each, axis=1))

    def log_posterior(self, shapes: Array, means: Array) -> Array:
        """The same, with what was thought before any event, as a density over the logarithms of mean and spread."""
        of_mean = _EVENTS_BEFORE * (np.log(means) - means / self.most_before)
        of_spread = -0.5 * np.log(shapes) - np.log1p(1 / shapes)
        return self.log_likelihood(shapes, means) + of_mean + of_spread

    def means_given(self, shapes: Array, events_before: float = _EVENTS_BEFORE) -> Array:
        """Most likely mean rate for each shape, by scoring on its logarithm."""
        log_means = np.full(len(shapes), np.log(self.pooled))
        most_before = self.most_before
        for _ in range(100):
            expected = np.exp(log_means)[:, None] * self.exposure
            weight = self.units / (1 + expected / shapes[:, None])
            pull = events_before * (1 - np.exp(log_means) / most_before)
            score = np.sum(weight * (self.events - expected), axis=1) + pull
            step = np.clip(score / (np.sum(weight * expected, axis=1) + events_before), -1.0, 1.0)
            log_means += step
            if np.max(np.abs(step)) < 1e-12:
                break
        return np.asarray(np.exp(log_means))

    def information(self, shape: float, mean: float) -> float:
        """Fisher information about the logarithm of the mean rate."""
        expected = mean * self.exposure
        return float(np.sum(self.units * expected / (1 + expected / shape)))
