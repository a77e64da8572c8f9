"""The chosen set: against trying every set on small fleets, its bound on large ones, limits that are always kept."""

import itertools

import numpy as np
import pytest

from lowambient.plan import choice as module
from lowambient.plan.choice import Offers, best_set


def offers(seed: int, units: int, sites: int, packages: int = 3, drive_value: float = 0.0) -> Offers:
    """Random offers with values that grow, more slowly, with cost; some units share a site, some have no offer."""
    random = np.random.default_rng(seed)
    site_of = random.integers(0, sites, units)
    unit, site, value, cost, hours = [], [], [], [], []
    for each in range(units):
        rate = random.gamma(0.6, 2.0)
        for _ in range(random.integers(0, packages + 1)):
            spent = random.uniform(50, 3000)
            unit.append(each)
            site.append(site_of[each])
            cost.append(round(spent, 2))
            hours.append(round(random.uniform(1, 3 + spent / 200), 2))
            value.append(rate * (1 - np.exp(-spent / 900)) * random.uniform(0.7, 1.0))
    return Offers(
        np.array(unit, dtype=np.intp),
        np.array(site, dtype=np.intp),
        np.array(value, dtype=float),
        np.array(cost, dtype=float),
        np.array(hours, dtype=float),
        np.full(sites, -drive_value),
        random.uniform(40, 400, sites).round(2),
        random.uniform(0.5, 3, sites).round(2),
    )


def by_trying_every_set(given: Offers, budget: float, crew_h: float) -> float:
    """The value of the best set, from all combinations of nothing or one offer a unit."""
    choices = [[None, *np.flatnonzero(given.unit == unit)] for unit in np.unique(given.unit)]
    best = 0.0
    for combination in itertools.product(*choices):
        places = [place for place in combination if place is not None]
        visited = sorted({int(given.site[place]) for place in places})
        cost = sum(given.cost[place] for place in places) + sum(given.drive_cost[site] for site in visited)
        hours = sum(given.hours[place] for place in places) + sum(given.drive_hours[site] for site in visited)
        if cost <= budget and hours <= crew_h:
            value = sum(given.value[place] for place in places) + sum(given.drive_value[site] for site in visited)
            best = max(best, value)
    return best


def within(given: Offers, found: module.Choice, budget: float, crew_h: float) -> bool:
    """At most one offer a unit, both limits kept, and the totals are those of the set."""
    taken = given.unit[found.chosen]
    value, cost, hours = given.totals(found.chosen)
    assert (value, cost, hours) == pytest.approx((found.value, found.cost, found.hours))
    return len(set(taken)) == len(taken) and cost <= budget + 1e-6 and hours <= crew_h + 1e-6


@pytest.mark.parametrize("seed", range(40))
def test_small_fleets_with_both_limits_binding_get_the_best_of_all_sets(seed):
    given = offers(seed, 8, 3, drive_value=0.05 * (seed % 3))
    _, cost, hours = given.totals(best_set(given, np.inf, np.inf).chosen)
    budget, crew_h = 0.45 * cost, 0.4 * hours
    best = by_trying_every_set(given, budget, crew_h)
    found = best_set(given, budget, crew_h, gap=1e-6)
    assert within(given, found, budget, crew_h)
    assert found.value == pytest.approx(best, rel=1e-5)
    assert best <= found.bound * (1 + 1e-9)


@pytest.mark.parametrize("seed", range(15))
def test_the_relaxation_alone_bounds_and_nearly_reaches_the_best_of_all_sets(seed, monkeypatch):
    monkeypatch.setattr(module, "ALONE_BELOW", 0)
    monkeypatch.setattr(module, "_CORE_MOST", 0)
    given = offers(100 + seed, 8, 3)
    _, cost, hours = given.totals(best_set(given, np.inf, np.inf).chosen)
    budget, crew_h = 0.5 * cost, 0.5 * hours
    best = by_trying_every_set(given, budget, crew_h)
    found = best_set(given, budget, crew_h)
    assert within(given, found, budget, crew_h)
    assert found.value <= best + 1e-9 <= found.bound + 1e-6
    assert found.value >= 0.7 * best


@pytest.mark.parametrize("seed", range(6))
def test_what_stays_unsettled_goes_to_the_exact_solver_and_comes_back_proven(seed, monkeypatch):
    monkeypatch.setattr(module, "ALONE_BELOW", 0)
    given = offers(200 + seed, 9, 4)
    _, cost, hours = given.totals(best_set(given, np.inf, np.inf).chosen)
    budget, crew_h = 0.35 * cost, 0.5 * hours
    found = best_set(given, budget, crew_h, gap=1e-4)
    best = by_trying_every_set(given, budget, crew_h)
    assert within(given, found, budget, crew_h)
    assert found.value == pytest.approx(best, rel=1e-3)
    assert found.gap <= 1e-4


@pytest.mark.parametrize(("share_of_cost", "share_of_hours"), [(0.3, 0.3), (0.15, np.inf), (np.inf, 0.2), (0.02, 0.9)])
def test_a_large_fleet_is_proven_within_half_a_percent(share_of_cost, share_of_hours):
    given = offers(7, 5000, 1400, packages=5)
    _, cost, hours = given.totals(best_set(given, np.inf, np.inf).chosen)
    budget, crew_h = share_of_cost * cost, share_of_hours * hours
    found = best_set(given, budget, crew_h)
    assert within(given, found, budget, crew_h)
    assert 0 <= found.gap <= 0.005


def test_without_limits_each_unit_gets_its_best_and_a_limit_never_helps():
    given = offers(3, 300, 90)
    free = best_set(given, np.inf, np.inf)
    best = np.zeros(300)
    np.maximum.at(best, given.unit, given.value)
    assert free.value == pytest.approx(best.sum())
    values = [best_set(given, share * free.cost, np.inf).value for share in (0.0, 0.2, 0.5, 0.8, 1.0)]
    assert values[0] == 0.0
    assert all(less <= more * 1.0006 for less, more in itertools.pairwise(values))
    assert values[-1] == pytest.approx(free.value, rel=1e-3)


def test_nothing_to_choose_from_and_nothing_to_spend():
    given = offers(3, 20, 6)
    for budget, crew_h in ((0.0, np.inf), (np.inf, 0.0), (0.0, 0.0)):
        found = best_set(given, budget, crew_h)
        assert not found.chosen.any()
        assert found.gap == 0.0
    none = given.only(np.zeros(given.count, dtype=bool))
    assert best_set(none, 1000.0, 10.0).value == 0.0


def test_a_visit_to_a_site_is_paid_once():
    sites = np.array([500.0, 20.0])
    given = Offers(
        unit=np.array([0, 1, 2]),
        site=np.array([0, 0, 1]),
        value=np.array([1.0, 1.0, 1.3]),
        cost=np.full(3, 100.0),
        hours=np.ones(3),
        drive_value=np.zeros(2),
        drive_cost=sites,
        drive_hours=np.zeros(2),
    )
    assert best_set(given, 700.0, np.inf).chosen.tolist() == [True, True, False]
    assert best_set(given, 699.0, np.inf).chosen.tolist() == [False, False, True]
