"""What each package avoids on each unit it fits: expected calls with their interval, and whether it pays back."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from lowambient.plan.conditions import BESIDE, CAUSES, Conditions
from lowambient.plan.option_effects import Effect

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

_POINTS = 16
_GRID = np.linspace(0.0, 1.0, 513)
_HALVINGS = 18


@dataclass(frozen=True)
class Outcomes:
    """What may come of a package on some units: a mixture of branches.

    `probability`, `calls` (units, branches): how likely a branch is, and the avoidable calls a winter that its share is
    of [-]; `effects`: the share avoided in each branch. What is left of probability avoids nothing.
    """

    probability: Array
    calls: Array
    effects: tuple[Effect, ...]

    @property
    def mean(self) -> Array:
        """Expected calls avoided in a typical winter (units,)."""
        return np.asarray((self.probability * self.calls) @ np.array([effect.mean for effect in self.effects]))

    def interval(self, level: float = 0.90) -> tuple[Array, Array]:
        """Interval of the *expected number* of calls avoided a winter, over what is not known: what state the unit is
        in, what is wrong with it, and how well the package works. The chance of a single winter is not in it.
        """
        tables = [stats.beta.cdf(_GRID, effect.alpha, effect.beta) for effect in self.effects]
        tail = (1 - level) / 2
        return self._quantile(tail, tables), self._quantile(1 - tail, tables)

    def _quantile(self, level: float, tables: list[Array]) -> Array:
        """The number that is not exceeded with probability `level`, by halving."""
        low, high = np.zeros(len(self.calls)), self.calls.max(axis=1, initial=0.0)
        nothing = 1 - np.sum(np.where(self.calls > 0, self.probability, 0.0), axis=1)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            reached = nothing.copy()
            for branch, table in enumerate(tables):
                calls = self.calls[:, branch]
                with np.errstate(divide="ignore", invalid="ignore"):
                    share = np.where(calls > 0, middle / calls, 0.0)
                some = np.where(calls > 0, self.probability[:, branch], 0.0)
                reached += some * np.interp(share, _GRID, table)
            short = reached < level
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        return np.asarray(np.where(nothing >= level, 0.0, (low + high) / 2))

    def pays_back(self, least_calls: Array, winters: float) -> Array:
        """Probability that at least `least_calls` (units, or units by branches) calls are avoided in so many winters.

        The number avoided is Poisson about winters * calls * share: here the chance of the winters counts as well. A
        winter harder or milder than typical, which moves all of it by a tenth, is not counted.
        """
        least = np.broadcast_to(least_calls if least_calls.ndim == 2 else least_calls[:, None], self.calls.shape)
        left = 1 - self.probability.sum(axis=1)
        total = left * (least.min(axis=1, initial=np.inf) <= 0)
        for branch, effect in enumerate(self.effects):
            shares = stats.beta.ppf((np.arange(_POINTS) + 0.5) / _POINTS, effect.alpha, effect.beta)
            mean = winters * self.calls[:, branch, None] * shares
            reached = _at_least(least[:, branch, None], mean).mean(axis=1)
            total = total + self.probability[:, branch] * reached
        return np.asarray(np.clip(total, 0.0, 1.0))


def _at_least(least: Array, mean: Array) -> Array:
    """P(N >= least) of a Poisson number N."""
    whole = np.ceil(least)
    return np.asarray(np.where(whole <= 0, 1.0, special.pdtrc(np.maximum(whole - 1, 0), mean)))


def cause_share(effects: Mapping[str, Effect], beside: Mapping[str, Array], rows: Index) -> Array:
    """Mean share that a package avoids of the avoidable calls of each cause (units, CAUSES).

    What answers a condition beside the cause works whatever the cause is, as likely as that condition is.
    """
    share = np.zeros((len(rows), len(CAUSES)))
    for condition, effect in effects.items():
        if condition in CAUSES:
            share[:, CAUSES.index(condition)] += effect.mean
        else:
            share += (effect.mean * beside[condition][rows])[:, None]
    return share


def outcomes(known: Conditions, rows: Index, effects: Mapping[str, Effect], reach: Array) -> Outcomes:
    """What may come of a package with these effects on units `rows`, `reach` (units,) of its effect being left.

    Branches: each state that is not sound, times each condition that the package answers.
    """
    probability, calls, branch_effects = [], [], []
    for condition, effect in effects.items():
        chance = known.beside[condition] if condition in BESIDE else known.causes[:, CAUSES.index(condition)]
        for state in range(known.avoidable.shape[1]):
            probability.append(known.probability[rows, state] * chance[rows])
            calls.append(known.avoidable[rows, state] * reach)
            branch_effects.append(effect)
    shape = (len(rows), len(branch_effects))
    return Outcomes(
        np.column_stack(probability) if probability else np.zeros(shape),
        np.column_stack(calls) if calls else np.zeros(shape),
        tuple(branch_effects),
    )


def least_calls(cost: Array, worth_of_a_call: Array) -> Array:
    """Calls that have to be avoided for their worth to reach the cost; infinite where a call costs nobody anything."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(cost <= 0, 0.0, np.where(worth_of_a_call > 0, cost / worth_of_a_call, np.inf)))
