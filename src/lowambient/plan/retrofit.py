"""The retrofit plan: which packages fit, what each would avoid, and the best set within money and crew hours."""

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference
from lowambient.plan.bids import Bids, Fleet, bids, doubt, resources
from lowambient.plan.call_costs import CallCosts, call_costs
from lowambient.plan.chosen import Plan, choose
from lowambient.plan.climate import ColdShares, reach
from lowambient.plan.conditions import Conditions, conditions
from lowambient.plan.fitting import fitting, holds_to_c, unit_facts
from lowambient.plan.option_effects import option_effects, package_effects
from lowambient.plan.options import CHECK, options, packages
from lowambient.plan.plan_inputs import PlanInputs
from lowambient.plan.plan_summary import plan_summary
from lowambient.plan.sensitivity import budget_curve, plan_sensitivity
from lowambient.plan.work_list import work_list

Flags = npt.NDArray[np.bool_]


def retrofit_plan(given: PlanInputs) -> dict[str, pl.DataFrame]:
    """Tables of the plan: `plan`, `option_fit`, `option_effects`, `work_list`, `budget_curve`, `plan_sensitivity`,
    `plan_assumptions`, `plan_summary`.

    Avoided calls are means over what is not known, with the fleet's own record already weighed in: choosing those that
    look best does not flatter them further, and no correction is made (shown by drawing fleets from what is believed).
    That holds as far as the probabilities of the flags are calibrated.
    """
    costs = call_costs(given.calls, given.units, given.sites, given.costs, given.thresholds)
    fleet, fit, effects = fleet_of(given, costs)
    found = bids(fleet)
    choice, chosen = choose(found, given.limits, given.thresholds["plan_gap"])
    plan = Plan(found, doubt(found), choice, chosen)
    table = _table(plan)
    return {
        "plan": table,
        "option_fit": fit,
        "option_effects": effects,
        "work_list": work_list(table, fleet, given.units, given.sites, given.thresholds),
        "budget_curve": budget_curve(found, given.limits, given.thresholds["plan_gap"]),
        "plan_sensitivity": plan_sensitivity(plan, given.limits, given.thresholds["plan_gap"]),
        "plan_assumptions": costs.assumptions,
        "plan_summary": plan_summary(plan, given, costs),
    }


def fleet_of(given: PlanInputs, costs: CallCosts) -> tuple[Fleet, pl.DataFrame, pl.DataFrame]:
    thresholds = given.thresholds
    known = conditions(given.units, given.unit_states, given.unit_causes)
    facts = unit_facts(given.units, given.unit_counts, given.unit_limits, given.winter_minimums, known)
    every = packages(given.options)
    shares = ColdShares(facts, given.station_hours, thresholds)
    reaches = np.column_stack([reach(shares.below(holds_to_c(facts, package)), thresholds) for package in every])
    fit, fits = fitting(facts, every, shares, thresholds)
    alone = {
        package.name: float(reaches[:, at].mean())
        for at, package in enumerate(every)
        if facts.height and len(package.options) == 1
    }
    effects = option_effects(
        options(given.options), given.follow_up_by_work, _background_share(known), alone, thresholds
    )
    cost, hours = resources(facts, every, costs)
    contractor, customer = costs.by_payer(facts)
    fleet = Fleet(
        facts,
        every,
        known,
        tuple(package_effects(effects, package) for package in every),
        fits,
        reaches,
        cost,
        hours,
        costs.figures["truck_roll"],
        costs.travel_of(facts["site_id"]),
        contractor,
        customer,
        thresholds["payback_winters"],
    )
    return fleet, fit, effects


def _background_share(known: Conditions) -> float:
    """Of the cold calls of units that are not sound, the part that a sound unit would bring as well [-]."""
    unsound = known.probability.sum(axis=1)
    background, avoidable = float(unsound @ known.background), float(known.expected.sum())
    return background / (background + avoidable) if background + avoidable > 0 else 0.0


def _drives(found: Bids, chosen: Flags) -> Flags:
    """Bids that carry the driving: the first chosen unit of a site (most calls avoided), and whatever is not chosen."""
    drives = np.ones(chosen.shape, dtype=bool)
    unit, package = np.nonzero(chosen)
    site = found.fleet.facts["site_id"].to_numpy()[unit]
    order = np.lexsort((unit, -found.avoided[unit, package], site))
    later = np.r_[False, site[order][1:] == site[order][:-1]] if len(order) else np.zeros(0, dtype=bool)
    drives[unit[order][later], package[order][later]] = False
    return drives


def _table(plan: Plan) -> pl.DataFrame:
    """The table `plan`: grain unit, package that fits it; chosen ones first, then by calls avoided for the money."""
    found, fleet = plan.found, plan.found.fleet
    unit, package = np.nonzero(fleet.fits)
    drives = _drives(found, plan.chosen)[unit, package]
    avoided = found.avoided[unit, package]
    information = np.full(fleet.fits.shape, np.nan)
    information[found.checked_rows, fleet.check] = found.check.value_of_information
    cost = found.cost[unit, package] + np.where(drives, fleet.drive_cost, 0.0)
    names = np.array([each.name for each in fleet.packages], dtype=object)
    table = pl.DataFrame(
        {
            "unit_id": fleet.facts["unit_id"].gather(unit),
            "site_id": fleet.facts["site_id"].gather(unit),
            "option": names[package].tolist(),
            "cost": cost.round(2),
            "crew_h": (found.hours[unit, package] + np.where(drives, fleet.drive_hours[unit], 0.0)).round(2),
            "drives": drives,
            "avoided_calls_per_winter": avoided.round(4),
            "lower_90": plan.told.lower[unit, package].round(4),
            "upper_90": plan.told.upper[unit, package].round(4),
            "avoided_cost_contractor": (avoided * fleet.contractor[unit]).round(2),
            "avoided_cost_customer": (avoided * fleet.customer[unit]).round(2),
            "probability_pays_back": plan.told.pays_back[unit, package].round(4),
            "value_of_information": information[unit, package].round(2),
            "after_check": _after_check(found)[unit, package].tolist(),
            "worth_it": found.worth_it[unit, package],
            "selected": plan.chosen[unit, package],
            "place": package,
        },
        schema_overrides={"unit_id": pl.String, "site_id": pl.String, "option": pl.String, "after_check": pl.String},
        nan_to_null=True,
    )
    by_money = pl.col("avoided_calls_per_winter") / (pl.col("cost") + 1e-9)
    return (
        table.sort(
            pl.col("selected"),
            pl.col("worth_it"),
            by_money.round(9),
            "unit_id",
            "place",
            descending=[True, True, True, False, False],
        )
        .drop("place")
        .with_row_index("rank", offset=1)
        .with_columns(pl.col("rank").cast(pl.Int64))
    )


def _after_check(found: Bids) -> npt.NDArray[np.object_]:
    """What a check leads to, in words, where there is one."""
    fleet = found.fleet
    words = np.full(fleet.fits.shape, None, dtype=object)
    others = [package.name for package in fleet.packages if package.name != CHECK]
    results = [*(f"{row['condition']} found" for row in reference.rows("check_accuracy")), "nothing found"]
    for row, chosen in zip(found.checked_rows, found.check.chosen, strict=True):
        told = [f"{result}: {others[column]}" for result, column in zip(results, chosen, strict=True) if column >= 0]
        words[row, fleet.check] = "; ".join(told) or "no result would lead to work"
    return words
