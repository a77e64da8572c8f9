"""What a pre-season check is worth: it avoids nothing by itself, and lets the right work be chosen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient import reference
from lowambient.plan.benefits import Outcomes, cause_share
from lowambient.plan.conditions import BESIDE, CAUSES, Conditions
from lowambient.plan.option_effects import Effect

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Checked:
    """A check and the work that it leads to, on some units; arrays over units.

    `outcomes`: what it may avoid; `branch_cost` (units, branches): money spent where a branch comes true, without the
    first drive; `cost`, `hours`: expected, likewise; `value_of_information`: what the best work after the check is
    worth more than the best before it, without the cost of the check, never below 0 [currency];
    `chosen` (units, results): package done after each result, -1 for none.
    """

    outcomes: Outcomes
    branch_cost: Array
    cost: Array
    hours: Array
    value_of_information: Array
    chosen: Index


@dataclass(frozen=True)
class Work:
    """What can be done after a check on some units; arrays (units, packages), the check left out. `cost` [currency] and
    `hours` [h] hold the driving of a second visit, which every work after a check is taken to need."""

    effects: Sequence[Mapping[str, Effect]]
    fits: Flags
    reach: Array
    cost: Array
    hours: Array


def likelihoods() -> Array:
    """P(result | truth), (results, truths). Results: each cause of `check_accuracy.tsv`, then nothing found. Truths:
    CAUSES of a unit that is not sound, then sound.

    A cause that is there is found with its sensitivity; where nothing true is found, each other cause is reported
    falsely with 1 - its specificity.

    >>> likelihoods().sum(axis=0).round(12).tolist()
    [1.0, 1.0, 1.0, 1.0, 1.0]
    """
    rows = reference.rows("check_accuracy")
    found = [row["condition"] for row in rows]
    table = np.zeros((len(found) + 1, len(CAUSES) + 1))
    for truth in range(len(CAUSES) + 1):
        name = CAUSES[truth] if truth < len(CAUSES) else ""
        missed = 1.0
        if name in found:
            hit = float(rows[found.index(name)]["sensitivity"])
            table[found.index(name), truth] = hit
            missed = 1 - hit
        for result, row in enumerate(rows):
            if row["condition"] != name:
                table[result, truth] = missed * (1 - float(row["specificity"]))
        table[-1, truth] = 1 - table[:-1, truth].sum()
    return table


def checked(known: Conditions, rows: Index, work: Work, worth: Array, cost: Array, hours: Array) -> Checked:
    """The check on units `rows`, followed by the work of most worth given its result, or none.

    Over units: `worth`: of one call avoided each winter, over all winters it is counted for [currency]; `cost`, `hours`
    of the check itself.
    """
    like = likelihoods()
    joint = known.probability[rows].sum(axis=1)[:, None] * known.causes[rows]
    avoidable = known.expected[rows][:, None] * known.causes[rows]
    sound = 1 - known.probability[rows].sum(axis=1)
    chance = joint @ like[:, : len(CAUSES)].T + sound[:, None] * like[:, -1]
    shares = np.stack([cause_share(each, known.beside, rows) for each in work.effects], axis=1)
    shares = shares * work.reach[:, :, None]
    # (units, packages, results): calls avoided, and what that is worth less the cost, each times the result's chance
    avoided = np.einsum("upc,uc,rc->upr", shares, avoidable, like[:, : len(CAUSES)])
    net = worth[:, None, None] * avoided - chance[:, None, :] * work.cost[:, :, None]
    net = np.where(work.fits[:, :, None], net, -np.inf)
    best = net.argmax(axis=1)
    gain = np.take_along_axis(net, best[:, None, :], axis=1)[:, 0, :]
    chosen = np.where(gain > 0, best, -1)
    before = np.maximum(np.where(work.fits, worth[:, None] * avoided.sum(axis=2) - work.cost, -np.inf).max(axis=1), 0.0)
    picked = (chosen[:, None, :] == np.arange(work.fits.shape[1])[None, :, None]).astype(np.float64)
    done = np.einsum("upr,ur->up", picked, chance)
    return Checked(
        *_outcomes(known, rows, work, picked, like, cost),
        cost=cost + np.sum(done * work.cost, axis=1),
        hours=hours + np.sum(done * work.hours, axis=1),
        value_of_information=np.maximum(np.maximum(gain, 0.0).sum(axis=1) - before, 0.0),
        chosen=chosen,
    )


def _outcomes(
    known: Conditions, rows: Index, work: Work, picked: Array, like: Array, check_cost: Array
) -> tuple[Outcomes, Array]:
    """Branches: each state that is not sound, package that may follow and condition that it answers."""
    probability, calls, of_branch, branch_cost = [], [], [], []
    truths = like[:, : len(CAUSES)]
    for package, answers in enumerate(work.effects):
        if not picked[:, package].any():
            continue
        follows = picked[:, package, :] @ truths  # (units, causes): P(this package is done | cause)
        for condition, effect in answers.items():
            if condition in BESIDE:
                chance = known.beside[condition][rows] * np.sum(follows * known.causes[rows], axis=1)
            else:
                cause = CAUSES.index(condition)
                chance = known.causes[rows, cause] * follows[:, cause]
            for state in range(known.avoidable.shape[1]):
                probability.append(known.probability[rows, state] * chance)
                calls.append(known.avoidable[rows, state] * work.reach[:, package])
                of_branch.append(effect)
                branch_cost.append(check_cost + work.cost[:, package])
    shape = (len(rows), len(of_branch))
    if not of_branch:
        return Outcomes(np.zeros(shape), np.zeros(shape), ()), np.zeros(shape)
    return Outcomes(np.column_stack(probability), np.column_stack(calls), tuple(of_branch)), np.column_stack(
        branch_cost
    )
