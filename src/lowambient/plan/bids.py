"""Every package on every unit it fits: cost, hours, calls avoided and their worth; arrays (units, packages)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.plan.benefits import Outcomes, cause_share, least_calls, outcomes
from lowambient.plan.call_costs import CallCosts
from lowambient.plan.choice import Offers
from lowambient.plan.conditions import Conditions
from lowambient.plan.option_effects import Effect
from lowambient.plan.options import CHECK, Package
from lowambient.plan.preseason import Checked, Work, checked

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Fleet:
    """What the bids rest on. Rows are units in the order of `facts`, columns `packages`.

    `fits`; `reach`: part of each package's effect that is left on the unit; `cost` [currency] and `hours` [h] without
    driving; `drive_cost` of one visit; `drive_hours` (units,); `contractor`, `customer` (units,): what a call costs
    each [currency]; `winters`: over which work has to be worth its money.
    """

    facts: pl.DataFrame
    packages: tuple[Package, ...]
    known: Conditions
    effects: tuple[Mapping[str, Effect], ...]
    fits: Flags
    reach: Array
    cost: Array
    hours: Array
    drive_cost: float
    drive_hours: Array
    contractor: Array
    customer: Array
    winters: float

    @property
    def worth(self) -> Array:
        """What one call less each winter is worth over all winters, to both [currency] (units,)."""
        return self.winters * (self.contractor + self.customer)

    @property
    def check(self) -> int:
        """Column of the pre-season check."""
        return [package.name for package in self.packages].index(CHECK)


@dataclass(frozen=True)
class Bids:
    """`avoided`: calls a winter; `cost`, `hours` as in the fleet, for a check with the work that it leads to, as
    expected; `worth_it`: no extra money of it would be better kept; `check`: of the units `checked_rows`."""

    fleet: Fleet
    avoided: Array
    cost: Array
    hours: Array
    worth_it: Flags
    check: Checked
    checked_rows: Index

    @property
    def net(self) -> Array:
        """Worth of the calls avoided over all winters less the cost, driving left out [currency]."""
        return self.avoided * self.fleet.worth[:, None] - self.cost


def resources(facts: pl.DataFrame, packages: Sequence[Package], costs: CallCosts) -> tuple[Array, Array]:
    """Cost [currency] (parts, and labour at the hourly cost) and crew hours of each package on each unit."""
    circuits, place = np.unique(facts["circuits"].to_numpy(), return_inverse=True)
    table = np.array([[package.resources(int(count)) for package in packages] for count in circuits]).reshape(
        len(circuits), len(packages), 2
    )
    parts, hours = table[..., 0][place], table[..., 1][place]
    return parts + hours * costs.figures["labour_per_h"], hours


def bids(fleet: Fleet) -> Bids:
    """What every package would do on every unit.

    `worth_it`: against doing nothing and against every cheaper package that fits, what it avoids more is worth, to
    contractor and customer together over the winters, at least what it costs more.
    """
    every = np.arange(fleet.facts.height)
    known = fleet.known
    avoidable = known.expected[:, None] * known.causes
    avoided, cost, hours = np.zeros(fleet.fits.shape), fleet.cost.copy(), fleet.hours.copy()
    for column, effects in enumerate(fleet.effects):
        avoided[:, column] = (
            np.sum(cause_share(effects, known.beside, every) * avoidable, axis=1) * fleet.reach[:, column]
        )
    at = fleet.check
    rows = np.flatnonzero(fleet.fits[:, at])
    others = np.array([column for column in range(len(fleet.packages)) if column != at], dtype=np.intp)
    part = np.ix_(rows, others)
    work = Work(
        [fleet.effects[column] for column in others],
        fleet.fits[part],
        fleet.reach[part],
        fleet.cost[part] + fleet.drive_cost,
        fleet.hours[part] + fleet.drive_hours[rows, None],
    )
    check = checked(known, rows, work, fleet.worth[rows], fleet.cost[rows, at], fleet.hours[rows, at])
    avoided[rows, at], cost[rows, at], hours[rows, at] = check.outcomes.mean, check.cost, check.hours
    avoided[~fleet.fits] = 0.0
    found = Bids(fleet, avoided, cost, hours, fleet.fits, check, rows)
    return replace(found, worth_it=_worth_it(fleet.fits, cost, found.net))


def _worth_it(fits: Flags, cost: Array, net: Array) -> Flags:
    order = np.lexsort((-net, np.where(fits, cost, np.inf)), axis=1)
    in_order = np.take_along_axis(np.where(fits, net, -np.inf), order, axis=1)
    best_cheaper = np.maximum.accumulate(np.column_stack([np.zeros(len(net)), in_order[:, :-1]]), axis=1)
    passes = np.zeros_like(fits)
    np.put_along_axis(passes, order, in_order >= np.maximum(best_cheaper, 1e-9), axis=1)
    return passes & fits


def offers(found: Bids, objective: str) -> tuple[Offers, Index, Index]:
    """What the choice chooses from, with the unit and the package of each offer.

    `calls`: packages that are worth their money, valued by the calls they avoid. `money`: all that save more than they
    cost, valued by that; driving costs then count against the value as well as against the budget.
    """
    fleet = found.fleet
    sites, site = np.unique(fleet.facts["site_id"].to_numpy(), return_inverse=True)
    value = found.avoided if objective == "calls" else found.net
    unit, package = np.nonzero((found.worth_it if objective == "calls" else fleet.fits) & (value > 0))
    drive_hours = np.zeros(len(sites))
    drive_hours[site] = fleet.drive_hours
    drive_cost = np.full(len(sites), fleet.drive_cost)
    given = Offers(
        unit.astype(np.intp),
        site[unit].astype(np.intp),
        value[unit, package].round(9),
        found.cost[unit, package].round(2),
        found.hours[unit, package].round(2),
        np.zeros(len(sites)) if objective == "calls" else -drive_cost,
        drive_cost,
        drive_hours,
    )
    return given, unit.astype(np.intp), package.astype(np.intp)


@dataclass(frozen=True)
class Told:
    """The doubt about each bid (units, packages): interval of expected calls avoided, probability of paying back."""

    lower: Array
    upper: Array
    pays_back: Array


def doubt(found: Bids) -> Told:
    """Intervals and probabilities of paying back, with the driving of a visit for this unit alone counted in."""
    fleet = found.fleet
    told = Told(*(np.zeros(fleet.fits.shape) for _ in range(3)))
    a_call = fleet.contractor + fleet.customer
    for column, effects in enumerate(fleet.effects):
        rows = np.flatnonzero(fleet.fits[:, column])
        if column == fleet.check or not len(rows):
            continue
        may_come = outcomes(fleet.known, rows, effects, fleet.reach[rows, column])
        _tell(
            told,
            rows,
            column,
            may_come,
            least_calls(fleet.cost[rows, column] + fleet.drive_cost, a_call[rows]),
            fleet.winters,
        )
    rows = found.checked_rows
    if len(rows):
        spent = found.check.branch_cost + fleet.drive_cost
        _tell(told, rows, fleet.check, found.check.outcomes, least_calls(spent, a_call[rows, None]), fleet.winters)
    return told


def _tell(told: Told, rows: Index, column: int, may_come: Outcomes, least: Array, winters: float) -> None:
    told.lower[rows, column], told.upper[rows, column] = may_come.interval()
    told.pays_back[rows, column] = may_come.pays_back(least, winters)
