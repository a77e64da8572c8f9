"""A mixture of kinds of call: words, symptom and weather, fitted by expectation maximisation, with its stability."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.special import logsumexp
from sklearn.metrics import adjusted_rand_score

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Told = Callable[[str, int, int], None]
"""Told of each step of a long piece of work: what is at hand, how many are done, of how many."""

FEWEST_CALLS = 30
"""Fewest calls of a symptom, in the sample, that start a kind (judgement)."""

TEXT_WEIGHT, SYMPTOM_WEIGHT, WEATHER_WEIGHT = 0.5, 0.5, 0.5
"""What each block counts (judgement): words repeat one another, the symptom is read from them, and hour, season and
temperature go together, so none tells as much as if its parts were independent."""

PASSES = 10
"""Passes of expectation maximisation."""

SMOOTHING_WORDS = 10.0
"""Words, drawn as in all notes, that each kind is given beforehand."""

SMOOTHING_CALLS = 5.0
"""Calls with the spread of all calls that each kind is given beforehand."""

BELONGS_FROM = 0.5
"""Least probability of its kind; a call under it belongs nowhere."""

RESAMPLES = 6
"""Halves of the sample that kinds are fitted on anew, to see which come again."""

SPLITS = (0, 1, 2, 4)
"""Numbers of kinds that are tried in two halves."""


@dataclass(frozen=True)
class Calls:
    """What is known of each call, a row: words (0 or 1), probability of each symptom, weather (NaN: not known)."""

    words: csr_matrix
    symptoms: Array
    weather: Array

    def of(self, rows: Indices) -> "Calls":
        """Some of them."""
        return Calls(self.words[rows], self.symptoms[rows], self.weather[rows])


@dataclass(frozen=True)
class Kinds:
    """A fitted mixture: logarithms of share, of word and symptom probabilities; mean and variance of weather."""

    share: Array
    words: Array
    symptoms: Array
    mean: Array
    variance: Array

    def probabilities(self, calls: Calls, *, weather: bool = True) -> Array:
        """Probability of each kind (columns) for each call, with its weather or from words alone."""
        logs = TEXT_WEIGHT * np.asarray(calls.words @ self.words.T)
        logs += SYMPTOM_WEIGHT * np.log(np.einsum("ns,ks->nk", calls.symptoms, np.exp(self.symptoms)))
        logs += self.share
        if weather:
            for place in range(calls.weather.shape[1]):
                value = calls.weather[:, place, None]
                spread = self.variance[:, place]
                density = -0.5 * ((value - self.mean[:, place]) ** 2 / spread + np.log(spread))
                logs += WEATHER_WEIGHT * np.nan_to_num(density)
        return np.asarray(np.exp(logs - logsumexp(logs, axis=1, keepdims=True)))


def first_shares(calls: Calls) -> Array:
    """First shares of each call in the kinds: what its symptom says."""
    return np.asarray(calls.symptoms / np.maximum(calls.symptoms.sum(axis=1, keepdims=True), 1e-12))


def _fitted(calls: Calls, shares: Array) -> Kinds:
    """The mixture after `PASSES` from these first shares."""
    kinds = _estimated(calls, shares)
    for _ in range(PASSES - 1):
        kinds = _estimated(calls, kinds.probabilities(calls))
    return kinds


def _estimated(calls: Calls, shares: Array) -> Kinds:
    """Kinds as the calls' shares in them make them."""
    size = shares.sum(axis=0)
    usual = np.asarray(calls.words.mean(axis=0)).ravel() + 1e-9
    usual /= usual.sum()
    words = np.asarray(calls.words.T @ shares).T + SMOOTHING_WORDS * usual
    symptoms = np.einsum("nk,ns->ks", shares, calls.symptoms) + 1 / calls.symptoms.shape[1]
    known = ~np.isnan(calls.weather)
    value = np.where(known, calls.weather, 0.0)
    weight = np.einsum("nk,nd->kd", shares, known.astype(np.float64))
    mean = np.einsum("nk,nd->kd", shares, value) / (weight + SMOOTHING_CALLS)
    squares = np.einsum("nk,nd->kd", shares, value**2) - 2 * mean * np.einsum("nk,nd->kd", shares, value)
    variance = (squares + weight * mean**2 + SMOOTHING_CALLS) / (weight + SMOOTHING_CALLS)
    return Kinds(
        np.log((size + 1) / (size.sum() + len(size))),
        np.log(words / words.sum(axis=1, keepdims=True)),
        np.log(symptoms / symptoms.sum(axis=1, keepdims=True)),
        mean,
        variance,
    )


def belonging(probability: Array) -> Indices:
    """The kind of each call, -1 for none."""
    best = probability.argmax(axis=1)
    return np.where(probability[np.arange(len(best)), best] >= BELONGS_FROM, best, -1)


def most_stable(calls: Calls, start: Array, draw: np.random.Generator, told: Told | None = None) -> tuple[Kinds, Array]:
    """The mixture, of those with no or some kinds in two halves, that comes again most alike, and how alike."""
    order = _two_humps(calls, start)
    halves = [np.sort(draw.permutation(start.shape[0])[: start.shape[0] // 2]) for _ in range(RESAMPLES)]
    best: tuple[float, Kinds, Array] | None = None
    tried = sorted({min(count, len(order)) for count in SPLITS})
    for done, splits in enumerate(tried):
        if told:
            told(f"kinds, {splits} of them in two halves", done, len(tried))
        shares = _split(calls, start, order[:splits])
        kinds = _fitted(calls, shares)
        whole = belonging(kinds.probabilities(calls))
        again = [belonging(_fitted(calls.of(rows), shares[rows]).probabilities(calls)) for rows in halves]
        alike = float(np.mean([adjusted_rand_score(whole, labels) for labels in again]))
        if best is None or alike > best[0] + 1e-6:
            best = alike, kinds, np.mean([_jaccard(whole, labels, shares.shape[1]) for labels in again], axis=0)
    assert best is not None
    return best[1], best[2]


def _two_humps(calls: Calls, start: Array) -> list[int]:
    """Kinds whose outdoor temperature is told better by two normals than one, most first.

    By the Bayesian information criterion (Schwarz 1978, Annals of Statistics 6, 461-464), with three more parameters.
    """
    gains = []
    label = start.argmax(axis=1)
    for kind in range(start.shape[1]):
        outdoor = np.sort(calls.weather[label == kind, 0])
        outdoor = outdoor[~np.isnan(outdoor)]
        count = len(outdoor)
        if count < 2 * FEWEST_CALLS:
            continue
        one = -0.5 * count * np.log(outdoor.var() + 1e-6)
        means, spreads, parts = (
            np.quantile(outdoor, [0.25, 0.75]),
            np.full(2, outdoor.var() / 2 + 1e-6),
            np.full(2, 0.5),
        )
        for _ in range(50):
            logs = np.log(parts) - 0.5 * ((outdoor[:, None] - means) ** 2 / spreads + np.log(spreads))
            shares = np.exp(logs - logsumexp(logs, axis=1, keepdims=True))
            size = shares.sum(axis=0) + 1e-9
            parts, means = size / size.sum(), np.einsum("nk,n->k", shares, outdoor) / size
            spreads = np.einsum("nk,nk->k", shares, (outdoor[:, None] - means) ** 2) / size + 0.01
        two = float(logsumexp(logs, axis=1).sum())
        gain = 2 * (two - (one - 0.5 * count)) - 3 * np.log(count)
        if gain > 0 and size.min() >= FEWEST_CALLS:
            gains.append((-float(gain), kind))
    return [kind for _, kind in sorted(gains)]


def _split(calls: Calls, start: Array, kinds: list[int]) -> Array:
    """First shares with some kinds in two halves, by middle outdoor temperature; calls without weather in both."""
    shares, label = start.copy(), start.argmax(axis=1)
    for kind in kinds:
        outdoor = calls.weather[:, 0]
        middle = np.nanmedian(outdoor[label == kind])
        warm = np.where(np.isnan(outdoor), 0.5, (outdoor > middle).astype(np.float64))
        shares = np.column_stack([shares, shares[:, kind] * warm])
        shares[:, kind] *= 1 - warm
    return shares


def _jaccard(whole: Indices, again: Indices, count: int) -> Array:
    """For each kind, the best Jaccard index of its calls with those of any kind fitted again."""
    table = np.zeros((count + 1, count + 1))
    np.add.at(table, (whole, again), 1)  # -1 is the last row and column: none
    union = table.sum(axis=1, keepdims=True) + table.sum(axis=0, keepdims=True) - table
    return np.asarray((table / np.maximum(union, 1))[:count, :count].max(axis=1))
