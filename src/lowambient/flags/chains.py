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
Index = npt.NDArray[np.int64]


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


@dataclass(frozen=True)
class Known:
    """After all evidence: `states` unit by week by state; `likelihood` of the evidence, its log, unit."""

    states: Array
    likelihood: Array


@dataclass(frozen=True)
class Steps:
    """Moves with units along the last axis, which keeps sums over states quick."""

    begins: Array
    ends: Array
    entry: Array
    yields: Array
    redrawn: float

    @classmethod
    def of(cls, moves: Moves) -> "Steps":
        """From unit by week and unit by level to week by unit and level by unit."""
        begins, ends, entry = (np.ascontiguousarray(each.T) for each in (moves.begins, moves.ends, moves.entry))
        return cls(begins, ends, entry, moves.yields[:, None], moves.redrawn)

    def first(self, count: int) -> "Steps":
        """Those of the first units."""
        return Steps(self.begins[:, :count], self.ends[:, :count], self.entry[:, :count], self.yields, self.redrawn)

    def forward(self, held: Array, week: int) -> Array:
        """Probabilities a week later: state by unit."""
        later = np.empty_like(held)
        on = held[1:]
        over = on * self.yields
        over *= self.ends[week]
        left = on - over
        begun = self.begins[week] * held[0]
        np.multiply(left, 1 - self.redrawn, out=later[1:])
        np.multiply(self.entry, self.redrawn * left.sum(axis=0) + begun, out=left)
        later[1:] += left
        later[0] = held[0] - begun + over.sum(axis=0)
        return later

    def backward(self, later: Array, week: int) -> Array:
        """Likelihood of what comes after, given the state in `week`: state by unit."""
        before = np.empty_like(later)
        off, on = later[0], later[1:]
        anew = (self.entry * on).sum(axis=0)
        begins = self.begins[week]
        np.multiply(on, 1 - self.redrawn, out=before[1:])
        before[1:] += self.redrawn * anew
        change = off - before[1:]
        change *= self.yields
        change *= self.ends[week]
        before[1:] += change
        before[0] = off + begins * (anew - off)
        return before


def smoothed(log_like: Array, moves: Moves) -> Known:
    """Probability of each state in each week given the evidence of all weeks; `log_like` is unit by week by state."""
    units, weeks, states = log_like.shape
    steps = Steps.of(moves)
    like = np.array(log_like.transpose(1, 2, 0), order="C")
    top = like.max(axis=1)
    np.exp(np.subtract(like, top[:, None], out=like), out=like)
    held = np.empty((weeks, states, units))
    scale = np.empty((weeks, units))
    now = np.ascontiguousarray(moves.first.T)
    for week in range(weeks):
        np.multiply(now, like[week], out=held[week])
        scale[week] = np.maximum(held[week].sum(axis=0), 1e-300)
        held[week] /= scale[week]
        now = steps.forward(held[week], week)
    later = np.ones((states, units))
    for week in range(weeks - 2, -1, -1):
        later *= like[week + 1]
        later = steps.backward(later, week)
        later /= scale[week + 1]
        held[week] *= later
    held /= held.sum(axis=1, keepdims=True)
    return Known(held.transpose(2, 0, 1), np.log(scale).sum(axis=0) + top.sum(axis=0))


def at_the_end(log_like: Array, moves: Moves) -> tuple[Array, Array]:
    """Probability of each state in the last week (unit by state), and the log likelihood of the evidence (unit)."""
    steps = Steps.of(moves)
    now = held = np.ascontiguousarray(moves.first.T)
    total = np.zeros(len(log_like))
    for week in range(log_like.shape[1]):
        like = np.array(log_like[:, week].T, order="C")
        top = like.max(axis=0)
        top = np.where(np.isfinite(top), top, 0.0)
        held = np.exp(np.subtract(like, top, out=like), out=like)
        held *= now
        scale = np.maximum(held.sum(axis=0), 1e-300)
        held /= scale
        total += np.log(scale) + top
        now = steps.forward(held, week)
    return np.ascontiguousarray(held.T), total


def before_each_week(log_like: Array, moves: Moves) -> Array:
    """Probability of each state before a week's own evidence is looked at: week by state by unit."""
    units, weeks, states = log_like.shape
    steps = Steps.of(moves)
    like = np.array(log_like.transpose(1, 2, 0), order="C")
    np.exp(like - like.max(axis=1, keepdims=True), out=like)
    before = np.empty((weeks, states, units))
    before[0] = moves.first.T
    for week in range(weeks - 1):
        held = before[week] * like[week]
        before[week + 1] = steps.forward(held / np.maximum(held.sum(axis=0), 1e-300), week)
    return before


def states_after(log_like: Array, moves: Moves, since: Index, before: Array) -> Array:
    """Probability of each state in the last week, of chains that differ from known ones only from a week on.

    `log_like`, `moves`: of the chains; `since`: the first week that differs; `before`: state by chain, those of
    `before_each_week` in that week. As `at_the_end`, whose answer it gives without the weeks that are known.
    """
    order = np.argsort(since, kind="stable")
    steps, begins = Steps.of(moves.taken(order)), since[order]
    now, count, weeks = before[:, order], 0, log_like.shape[1]
    held = now
    for week in range(int(begins[0]), weeks):
        count = int(np.searchsorted(begins, week, side="right"))
        like = np.array(log_like[order[:count], week].T, order="C")
        held = np.exp(np.subtract(like, like.max(axis=0), out=like), out=like)
        held *= now[:, :count]
        held /= np.maximum(held.sum(axis=0), 1e-300)
        now[:, :count] = steps.first(count).forward(held, week)
    found = np.empty((len(order), log_like.shape[2]))
    found[order] = held.T
    return found


def ever(log_like: Array, moves: Moves, counted: Flags, likelihood: Array) -> Array:
    """Probability that a unit was ever in a counted state in a counted week; `counted` is unit by week by state.

    One minus the share of the likelihood that goes by paths that keep out of them.
    """
    kept_out = np.where(counted, -np.inf, log_like)
    kept_out = np.where(np.isneginf(kept_out), -700.0 + np.minimum(log_like, 0.0), kept_out)
    _, without = at_the_end(kept_out, moves)
    return np.asarray(np.clip(-np.expm1(np.minimum(without - likelihood, 0.0)), 0.0, 1.0))
