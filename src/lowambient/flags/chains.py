"""A condition over time: off, or on at one of several levels, week by week; what is known of it after all evidence.

A hidden Markov chain for each unit. State 0 is off. From week to week a condition begins (at a level drawn from the
unit's `entry`), ends, or changes its level. Visits make beginnings and ends likelier in their weeks.
Source: Rabiner 1989, Proceedings of the IEEE 77(2), 257-286 (scaled forward and backward recursions).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Moves:
    """How a condition comes and goes. Shapes: `first` unit by state; `begins`, `ends` unit by week, the probability
    that it begins or ends between this week and the next; `entry` unit by level (states but the first), its level once
    it has begun; `yields` by level: the share of its ends that take place at that level; `redrawn`: probability a week
    that a condition that is on draws its level anew.
    """

    first: Array
    begins: Array
    ends: Array
    entry: Array
    yields: Array
    redrawn: float = 0.0

    def taken(self, rows: npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> "Moves":
        """Those of some units, in this order."""
        return Moves(self.first[rows], self.begins[rows], self.ends[rows], self.entry[rows], self.yields, self.redrawn)

    def forward(self, held: Array, week: int) -> Array:
        """Probabilities a week later: unit by state."""
        off, on = held[:, :1], held[:, 1:]
        begins, ends = self.begins[:, week, None], self.ends[:, week, None] * self.yields
        left = (1 - ends) * on
        anew = left.sum(axis=1, keepdims=True) * self.entry
        over = (ends * on).sum(axis=1, keepdims=True)
        later_on = (1 - self.redrawn) * left + self.redrawn * anew + begins * off * self.entry
        return np.concatenate([(1 - begins) * off + over, later_on], axis=1)

    def backward(self, later: Array, week: int) -> Array:
        """Likelihood of what comes after, given the state in `week`: unit by state."""
        off, on = later[:, :1], later[:, 1:]
        anew = (self.entry * on).sum(axis=1, keepdims=True)
        begins, ends = self.begins[:, week, None], self.ends[:, week, None] * self.yields
        before_on = ends * off + (1 - ends) * ((1 - self.redrawn) * on + self.redrawn * anew)
        return np.concatenate([(1 - begins) * off + begins * anew, before_on], axis=1)


@dataclass(frozen=True)
class Known:
    """After all evidence: `states` unit by week by state; `likelihood` of the evidence, its log, unit."""

    states: Array
    likelihood: Array


def smoothed(log_like: Array, moves: Moves) -> Known:
    """Probability of each state in each week given the evidence of all weeks; `log_like` is unit by week by state."""
    units, weeks, states = log_like.shape
    top = log_like.max(axis=2, keepdims=True)
    like = np.exp(log_like - top)
    held = np.empty((units, weeks, states))
    scale = np.empty((units, weeks))
    now = moves.first
    for week in range(weeks):
        joint = now * like[:, week]
        scale[:, week] = np.maximum(joint.sum(axis=1), 1e-300)
        held[:, week] = joint / scale[:, week, None]
        now = moves.forward(held[:, week], week)
    later = np.ones((units, states))
    for week in range(weeks - 2, -1, -1):
        later = moves.backward(later * like[:, week + 1], week) / scale[:, week + 1, None]
        held[:, week] *= later
    held /= held.sum(axis=2, keepdims=True)
    return Known(held, np.log(scale).sum(axis=1) + top.sum(axis=(1, 2)))


def at_the_end(log_like: Array, moves: Moves) -> tuple[Array, Array]:
    """Probability of each state in the last week (unit by state), and the log likelihood of the evidence (unit)."""
    now, total = moves.first, np.zeros(len(log_like))
    held = now
    for week in range(log_like.shape[1]):
        top = log_like[:, week].max(axis=1, keepdims=True)
        top = np.where(np.isfinite(top), top, 0.0)
        joint = now * np.exp(log_like[:, week] - top)
        scale = np.maximum(joint.sum(axis=1), 1e-300)
        held = joint / scale[:, None]
        total += np.log(scale) + top[:, 0]
        now = moves.forward(held, week)
    return held, total


def ever(log_like: Array, moves: Moves, counted: Flags, likelihood: Array) -> Array:
    """Probability that a unit was ever in a counted state in a counted week; `counted` is unit by week by state.

    One minus the share of the likelihood that goes by paths that keep out of them.
    """
    kept_out = np.where(counted, -np.inf, log_like)
    kept_out = np.where(np.isneginf(kept_out), -700.0 + np.minimum(log_like, 0.0), kept_out)
    _, without = at_the_end(kept_out, moves)
    return np.asarray(np.clip(-np.expm1(np.minimum(without - likelihood, 0.0)), 0.0, 1.0))
