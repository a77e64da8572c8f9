"""The best set of packages under a money budget and crew hours, with a bound that proves how good it is.

Each unit gets at most one package. The first chosen unit of a site pays the driving, the others of the site do not.
Without the two limits sites would not touch each other: with a price on money and on hours (Lagrange multipliers)
each site chooses for itself, and the sum of what they would gain, plus the priced limits, is an upper bound on every
set that keeps within them. The prices of least bound are found by cutting planes; each set that sites choose
on the way is brought within the limits and filled up. What that leaves unsettled, and small fleets alone, go to
an exact solver (HiGHS, by scipy.optimize.milp).
Source: Fisher 1981, Management Science 27(1), 1-18 (Lagrangian relaxation); Kelley 1960, J. SIAM 8(4), 703-712.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import optimize, sparse

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

ALONE_BELOW = 1000
"""Units below which the exact solver is asked at once."""

_ROUNDS = 60
_SLACK = 1e-9
_EXACT_SECONDS = 20.0
_EXACT_NODES = 20_000
_CORE_MOST = 4000
"""Offers left unsettled above which the exact solver is not asked: it would only use up its time."""


@dataclass(frozen=True)
class Offers:
    """What can be chosen; arrays over offers, sorted by unit. `unit`, `site`: numbered from 0, units of a site in any
    order; `value`: what is gained; `cost` [currency] and `hours` [h] without driving; `drive_value` (sites,): gained,
    mostly lost, by going there at all; `drive_cost`, `drive_hours` (sites,)."""

    unit: Index
    site: Index
    value: Array
    cost: Array
    hours: Array
    drive_value: Array
    drive_cost: Array
    drive_hours: Array

    @property
    def count(self) -> int:
        """Offers."""
        return len(self.unit)

    def totals(self, chosen: Flags) -> tuple[float, float, float]:
        """Value, cost and hours of a set, driving counted once a site."""
        visited = np.unique(self.site[chosen])
        return (
            float(self.value[chosen].sum() + self.drive_value[visited].sum()),
            float(self.cost[chosen].sum() + self.drive_cost[visited].sum()),
            float(self.hours[chosen].sum() + self.drive_hours[visited].sum()),
        )

    def only(self, kept: Flags) -> "Offers":
        """These offers alone; sites keep their numbers."""
        parts = {name: getattr(self, name)[kept] for name in ("unit", "site", "value", "cost", "hours")}
        return replace(self, **parts)


@dataclass(frozen=True)
class Choice:
    """A set (offers,), its value, cost and hours, and the upper bound on any set; `prices` of money and of an hour."""

    chosen: Flags
    value: float
    cost: float
    hours: float
    bound: float
    prices: tuple[float, float]

    @property
    def gap(self) -> float:
        """How far the best possible set can be over this one [-]."""
        return (self.bound - self.value) / self.bound if self.bound > _SLACK else 0.0


def best_set(offers: Offers, budget: float, crew_h: float, gap: float = 0.005) -> Choice:
    """The best set within both limits (infinite for none), as near to the best as `gap` asks where it can be proven."""
    nothing = np.zeros(offers.count, dtype=bool)
    if offers.count == 0:
        return Choice(nothing, 0.0, 0.0, 0.0, 0.0, (0.0, 0.0))
    limits = np.array([budget, crew_h])
    dual = _Dual(offers, limits)
    prices, bound, found = dual.solved()
    found = _better(offers, found, nothing)
    units = len(np.unique(offers.unit))
    choice = _choice(offers, found, bound, prices)
    if units < ALONE_BELOW:
        return _exact(offers, limits, choice, gap / 10)
    if choice.gap > gap:
        core = dual.unsettled(prices, bound, choice.value)
        if core.sum() <= _CORE_MOST:
            choice = _exact(offers, limits, choice, gap / 2, core)
    return choice


def _choice(offers: Offers, chosen: Flags, bound: float, prices: Array) -> Choice:
    value, cost, hours = offers.totals(chosen)
    return Choice(chosen, value, cost, hours, max(bound, value), (float(prices[0]), float(prices[1])))


def _better(offers: Offers, one: Flags, other: Flags) -> Flags:
    return one if offers.totals(one)[0] > offers.totals(other)[0] else other


class _Dual:
    """The relaxed problem: what each site would choose at given prices, and the bound that follows."""

    def __init__(self, offers: Offers, limits: Array) -> None:
        self.offers, self.limits = offers, limits
        self.capped = np.isfinite(limits)
        self.first = np.flatnonzero(np.r_[True, offers.unit[1:] != offers.unit[:-1]])
        self.group = np.cumsum(np.r_[False, offers.unit[1:] != offers.unit[:-1]])
        self.site_of_unit = offers.site[self.first]
        self.use = np.column_stack([offers.cost, offers.hours])
        self.drive = np.column_stack([offers.drive_cost, offers.drive_hours])

    def at(self, prices: Array) -> tuple[float, Flags]:
        """The bound at these prices, and the set that sites choose."""
        offers = self.offers
        reduced = offers.value - self.use @ prices
        best = np.maximum.reduceat(reduced, self.first)
        of_units = np.asarray(
            np.bincount(self.site_of_unit, np.maximum(best, 0.0), len(offers.drive_value)), np.float64
        )
        gain = of_units + offers.drive_value - self.drive @ prices
        visited = gain > 0
        takes = (reduced >= best[self.group]) & (reduced > 0) & visited[offers.site]
        capped = np.where(self.capped, self.limits, 0.0)
        return float(gain[visited].sum() + prices @ capped), _one_each(takes, self.group)

    def solved(self) -> tuple[Array, float, Flags]:
        """Prices of least bound, that bound, and the best set within the limits met on the way."""
        prices = np.zeros(2)
        bound, chosen = self.at(prices)
        best_prices, best_bound = prices, bound
        found = self._within(chosen, prices)
        if not self.capped.any() or self._fits(chosen):
            return prices, bound, found
        cuts = [(bound, prices, self._slope(chosen))]
        most = self._most_prices()
        for _ in range(_ROUNDS):
            prices, lowest = _cutting_plane(cuts, most, self.capped)
            bound, chosen = self.at(prices)
            if bound < best_bound:
                best_prices, best_bound = prices, bound
            found = _better(self.offers, self._within(chosen, prices), found)
            value = self.offers.totals(found)[0]
            if best_bound - lowest <= 1e-7 * max(best_bound, _SLACK) or best_bound - value <= 1e-6 * best_bound:
                break
            cuts.append((bound, prices, self._slope(chosen)))
        return best_prices, best_bound, found

    def _slope(self, chosen: Flags) -> Array:
        """How the bound changes with the prices: the limits less what the set uses."""
        _, cost, hours = self.offers.totals(chosen)
        return np.where(self.capped, self.limits - np.array([cost, hours]), 0.0)

    def _fits(self, chosen: Flags) -> bool:
        _, cost, hours = self.offers.totals(chosen)
        return bool(cost <= self.limits[0] + _SLACK and hours <= self.limits[1] + _SLACK)

    def _most_prices(self) -> Array:
        """Prices at which nothing at all would be chosen."""
        with np.errstate(divide="ignore", invalid="ignore"):
            ratios = np.where(self.use > 0, self.offers.value[:, None] / self.use, 0.0)
        return np.asarray(np.where(self.capped, ratios.max(axis=0) + _SLACK, 0.0))

    def _within(self, chosen: Flags, prices: Array) -> Flags:
        """The set brought within the limits, then filled up with what still fits, by value over priced use."""
        kept = _cut_down(self.offers, chosen, self.limits, self._weights(prices))
        return _filled_up(self.offers, kept, self.limits, self._weights(prices))

    def _weights(self, prices: Array) -> Array:
        """What a unit of money and of hours weighs when offers are compared."""
        if prices.any():
            return prices
        use = np.maximum(self.use.sum(axis=0), _SLACK)
        return np.asarray(np.where(self.capped, 1 / use, 0.0))

    def unsettled(self, prices: Array, bound: float, value: float) -> Flags:
        """Offers that may stand otherwise in a better set than the one found.

        An offer can be left out for good where forcing it in lowers the bound under the value found. What a site
        gains at these prices, less what it would gain with the offer forced in, is the fall of the bound.
        """
        offers = self.offers
        reduced = offers.value - self.use @ prices
        best = np.maximum(np.maximum.reduceat(reduced, self.first), 0.0)
        gain = np.bincount(self.site_of_unit, best, len(offers.drive_value)) + offers.drive_value - self.drive @ prices
        forced = gain[offers.site] - best[self.group] + reduced
        fall = np.maximum(gain, 0.0)[offers.site] - forced
        return np.asarray(bound - fall > value)


def _one_each(takes: Flags, group: Index) -> Flags:
    """The first of each unit's offers that are taken."""
    places = np.flatnonzero(takes)
    first = np.r_[True, group[places][1:] != group[places][:-1]] if len(places) else np.zeros(0, dtype=bool)
    chosen = np.zeros(len(takes), dtype=bool)
    chosen[places[first]] = True
    return chosen


def _cutting_plane(cuts: list[tuple[float, Array, Array]], most: Array, capped: Flags) -> tuple[Array, float]:
    """Prices that make the highest of all cuts lowest, and that height: a lower bound on the least bound."""
    slopes = np.array([slope for _, _, slope in cuts])
    rest = np.array([height - slope @ at for height, at, slope in cuts])
    scale = np.maximum(most, _SLACK)
    left = np.column_stack([slopes * scale, -np.ones(len(cuts))])
    bounds = [(0.0, 1.0 if capped[0] else 0.0), (0.0, 1.0 if capped[1] else 0.0), (None, None)]
    solved = optimize.linprog([0.0, 0.0, 1.0], A_ub=left, b_ub=-rest, bounds=bounds, method="highs")
    return np.maximum(solved.x[:2], 0.0) * scale, float(solved.x[2])


def _cut_down(offers: Offers, chosen: Flags, limits: Array, weights: Array) -> Flags:
    """The set with its least rewarding offers taken out until both limits are kept."""
    kept = chosen.copy()
    members = np.bincount(offers.site[kept], minlength=len(offers.drive_value))
    places = np.flatnonzero(kept)
    shared = (weights[0] * offers.drive_cost + weights[1] * offers.drive_hours) / np.maximum(members, 1)
    priced = weights[0] * offers.cost[places] + weights[1] * offers.hours[places] + shared[offers.site[places]]
    order = places[np.lexsort((places, offers.value[places] / np.maximum(priced, _SLACK)))]
    _, cost, hours = offers.totals(kept)
    for place in order:
        if cost <= limits[0] + _SLACK and hours <= limits[1] + _SLACK:
            break
        kept[place] = False
        site = offers.site[place]
        members[site] -= 1
        cost -= offers.cost[place] + (offers.drive_cost[site] if members[site] == 0 else 0.0)
        hours -= offers.hours[place] + (offers.drive_hours[site] if members[site] == 0 else 0.0)
    return kept


def _filled_up(offers: Offers, chosen: Flags, limits: Array, weights: Array) -> Flags:
    """The set with further offers put in, or dearer ones for cheaper, while both limits are kept."""
    kept = chosen.copy()
    of_unit = np.full(int(offers.unit.max()) + 1, -1, dtype=np.intp)
    of_unit[offers.unit[kept]] = np.flatnonzero(kept)
    members = np.bincount(offers.site[kept], minlength=len(offers.drive_value))
    value, cost, hours = offers.totals(kept)
    del value
    now = of_unit[offers.unit]
    has = now >= 0
    gain = offers.value - np.where(has, offers.value[now], 0.0)
    more = np.column_stack(
        [offers.cost - np.where(has, offers.cost[now], 0.0), offers.hours - np.where(has, offers.hours[now], 0.0)]
    )
    unvisited = members[offers.site] == 0
    gain = gain + np.where(unvisited, offers.drive_value[offers.site], 0.0)
    more = more + np.where(
        unvisited[:, None], np.column_stack([offers.drive_cost, offers.drive_hours])[offers.site], 0.0
    )
    priced = np.maximum(more @ weights, _SLACK)
    left = limits - np.array([cost, hours])
    worth = np.flatnonzero((gain > _SLACK) & (more[:, 0] <= left[0] + _SLACK) & (more[:, 1] <= left[1] + _SLACK))
    for place in worth[np.lexsort((worth, -(gain / priced)[worth]))]:
        unit, site = offers.unit[place], offers.site[place]
        old = of_unit[unit]
        before = (offers.value[old], offers.cost[old], offers.hours[old]) if old >= 0 else (0.0, 0.0, 0.0)
        goes = members[site] == 0
        gained = offers.value[place] - before[0] + (offers.drive_value[site] if goes else 0.0)
        costs = offers.cost[place] - before[1] + (offers.drive_cost[site] if goes else 0.0)
        takes = offers.hours[place] - before[2] + (offers.drive_hours[site] if goes else 0.0)
        if gained <= _SLACK or cost + costs > limits[0] + _SLACK or hours + takes > limits[1] + _SLACK:
            continue
        if old >= 0:
            kept[old] = False
        else:
            members[site] += 1
        kept[place], of_unit[unit] = True, place
        cost, hours = cost + costs, hours + takes
    return kept


def _exact(offers: Offers, limits: Array, so_far: Choice, gap: float, core: Flags | None = None) -> Choice:
    """The exact solver on these offers, or on the core of them; the better of its set and the one so far.

    Offers outside the core are in no set better than the one so far, so the bound of the core, or that one's value,
    bounds them all.
    """
    kept = np.flatnonzero(core) if core is not None else np.arange(offers.count)
    if len(kept) == 0:
        return replace(so_far, bound=so_far.value)
    part = offers.only(np.isin(np.arange(offers.count), kept)) if core is not None else offers
    sites, site = np.unique(part.site, return_inverse=True)
    units, unit = np.unique(part.unit, return_inverse=True)
    count, visits = part.count, len(sites)
    use = np.array([np.r_[part.cost, part.drive_cost[sites]], np.r_[part.hours, part.drive_hours[sites]]])
    constraints = [optimize.LinearConstraint(_link(unit, site, count, visits, len(units)), -np.inf, 0)]
    capped = np.isfinite(limits)
    if capped.any():
        constraints.append(optimize.LinearConstraint(sparse.csr_array(use[capped]), -np.inf, limits[capped]))
    with _silent():
        solved = optimize.milp(
            -np.r_[part.value, part.drive_value[sites]],
            integrality=np.ones(count + visits),
            bounds=optimize.Bounds(0, 1),
            constraints=constraints,
            options={"mip_rel_gap": gap, "time_limit": _EXACT_SECONDS, "node_limit": _EXACT_NODES},
        )
    bound = -float(solved.mip_dual_bound) if solved.mip_dual_bound is not None else np.inf
    chosen = so_far.chosen
    if solved.x is not None:
        taken = np.zeros(offers.count, dtype=bool)
        taken[kept[np.round(solved.x[:count]) > 0.5]] = True
        _, cost, hours = offers.totals(taken)
        tolerance = 1e-6
        if cost <= limits[0] + tolerance and hours <= limits[1] + tolerance:
            chosen = _better(offers, taken, chosen)
    value, cost, hours = offers.totals(chosen)
    return Choice(chosen, value, cost, hours, max(min(so_far.bound, max(bound, so_far.value)), value), so_far.prices)


@contextmanager
def _silent() -> Iterator[None]:
    """Standard output closed to the solver's library, which now and then writes a line to it that is not asked for."""
    try:
        kept = os.dup(1)
    except OSError:  # there is no standard output
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _link(unit: Index, site: Index, count: int, visits: int, units: int) -> sparse.csr_array:
    """Rows over units: its offers together are at most the visit to its site."""
    site_of = np.zeros(units, dtype=np.intp)
    site_of[unit] = site
    rows = np.r_[unit, np.arange(units)]
    columns = np.r_[np.arange(count), count + site_of]
    return sparse.csr_array((np.r_[np.ones(count), -np.ones(units)], (rows, columns)), shape=(units, count + visits))
