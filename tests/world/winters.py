"""Which stretches of a unit's life are recurring, and what next winters would bring: the same life on new weather."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .circuit import Condition
from .life import Life, Lockout, Surroundings
from .options import FUTURE_WINTERS, Habits

YEAR_H = 8766
SPELL_GAP_H = 72.0
RECURRING_SPELLS = 2.0


@dataclass(frozen=True)
class Winter:
    """What one future winter brought."""

    number: int
    cold_calls: int
    cold_spells: int
    fault_spells: int


@dataclass(frozen=True)
class Recurring:
    """From `began` to `ended` [h] the unit, left as it was, would lock out in two or more spells a winter."""

    began: float
    ended: float | None
    by: str  # "cold", or "fault" where only a leak or a restriction brings it to two
    spells: float


def count_spells(lockouts: list[Lockout]) -> int:
    """Lockouts that begin less than 72 h after the end of the one before belong to its spell."""
    spells, over = 0, -np.inf
    for lockout in sorted(lockouts, key=lambda x: x.began):
        if lockout.began >= over + SPELL_GAP_H:
            spells += 1
        over = max(over, lockout.ended if lockout.ended is not None else lockout.began + 24)
    return spells


def future_winters(around: Surroundings, habits: Habits, conditions: list[Condition]) -> list[Winter]:
    """The future years of `around`, one after another, in these conditions and with nothing done but resets."""
    if all(len(around.trips(at, c).locks) == 0 for at, c in enumerate(conditions)):
        return [Winter(k + 1, 0, 0, 0) for k in range(FUTURE_WINTERS)]
    life = Life(around, habits, conditions, evolve=False).run()
    winters = []
    for k in range(FUTURE_WINTERS):
        inside = [x for x in life.lockouts if k * YEAR_H <= x.began < (k + 1) * YEAR_H]
        calls = sum(t.cold_lockout and k * YEAR_H <= t.opened < (k + 1) * YEAR_H for t in life.tickets)
        cold = count_spells([x for x in inside if x.cold])
        winters.append(Winter(k + 1, calls, cold, count_spells(inside)))
    return winters


def recurring_stretches(life: Life, around: Surroundings) -> list[Recurring]:
    """Stretches of a lived life in which the unit was recurring; neighbouring ones of one kind are joined."""
    end = float(life.around.hours)
    known: dict[tuple[Condition, ...], tuple[str, float]] = {}
    changes = list(life.changes)
    marks = [max(at, 0.0) for at, _ in changes] + [end]
    found: list[Recurring] = []
    for (began, ended), (_, state) in zip(pairwise(marks), changes, strict=True):
        if ended <= began:
            continue
        key = tuple(state)
        if key not in known:
            known[key] = _verdict(future_winters(around, life.habits, list(state)))
        by, spells = known[key]
        if not by:
            continue
        last = found[-1] if found else None
        if last is not None and last.by == by and last.ended is not None and began - last.ended < 1e-6:
            found[-1] = Recurring(last.began, ended, by, max(last.spells, spells))
        else:
            found.append(Recurring(began, ended, by, spells))
    return [Recurring(r.began, None if r.ended == end else r.ended, r.by, r.spells) for r in found]


def _verdict(winters: list[Winter]) -> tuple[str, float]:
    cold = float(np.mean([w.cold_spells for w in winters]))
    any_cause = float(np.mean([w.fault_spells for w in winters]))
    if cold >= RECURRING_SPELLS:
        return "cold", cold
    return ("fault", any_cause) if any_cause >= RECURRING_SPELLS else ("", 0.0)
