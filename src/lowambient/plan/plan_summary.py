"""The plan in figures, and what is doubtful about it in words."""

from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy import stats

from lowambient.plan.bids import Fleet
from lowambient.plan.call_costs import ASSUMED, CallCosts
from lowambient.plan.chosen import Plan, figures
from lowambient.plan.option_effects import Effect
from lowambient.plan.plan_inputs import PlanInputs

_LOW, _HIGH = 0.05, 0.95
_TWO_SIDED_90 = 1.644854
_LEANS_FROM = 0.25
"""Share of the calls avoided from which a plan leans on one unit (judgement)."""
_MOST_NAMED = 20


def plan_summary(plan: Plan, given: PlanInputs, costs: CallCosts) -> pl.DataFrame:
    """Grain: fact. `value` with its `meaning`, or a doubt in words alone, in order."""
    rows = [
        (name, float(value), _MEANINGS[name]) for name, value in figures(plan.found, plan.choice, plan.chosen).items()
    ]
    lower, upper = total_interval(plan)
    rows += [
        ("avoided_lower_90", lower, _MEANINGS["avoided_lower_90"]),
        ("avoided_upper_90", upper, _MEANINGS["avoided_upper_90"]),
    ]
    money, hour = plan.choice.prices
    rows += [
        ("next_1000_buys", 1000 * money, _MEANINGS["next_1000_buys"]),
        ("next_hour_buys", hour, _MEANINGS["next_hour_buys"]),
    ]
    limits = {"budget": given.limits.budget, "crew_h_limit": given.limits.crew_h}
    rows += [(name, float(value), _MEANINGS[name]) for name, value in limits.items() if value is not None]
    doubts = [(f"doubt {place}", None, text) for place, text in enumerate(_doubts(plan, given, costs), 1)]
    table = pl.DataFrame(
        [*rows, *doubts], schema={"fact": pl.String, "value": pl.Float64, "meaning": pl.String}, orient="row"
    )
    return table.with_columns(pl.col("value").round(4))


_MEANINGS = {
    "units": "units chosen",
    "sites": "sites that the chosen units stand on",
    "cost": "parts, labour and driving of the chosen set; of checks with the work expected after them",
    "crew_h": "crew hours of the chosen set, with driving",
    "avoided_calls_per_winter": "cold calls that the set is expected to avoid in a typical winter",
    "avoided_cost_contractor": "what the contractor would have spent on them, a winter",
    "avoided_cost_customer": "what customers would have been billed for them and lost by outage, a winter",
    "value": "what the plan seeks, reached by the set",
    "bound": "no set within the limits reaches more than this",
    "gap": "the best set is at most this share better",
    "avoided_lower_90": "lower end of the 90 % interval of the calls expected to be avoided by the set",
    "avoided_upper_90": "upper end of it",
    "next_1000_buys": "what a further 1,000 of money would add to what the plan seeks, about",
    "budget": "money that the profile sets",
    "crew_h_limit": "crew hours that the profile sets",
    "next_hour_buys": "what a further crew hour would add, about",
}


def total_interval(plan: Plan) -> tuple[float, float]:
    """90 % interval of the expected calls that the set avoids together.

    States and causes of units are independent; how well packages work is shared, and taken as one doubt for all (the
    wide side). The total is taken as gamma of that mean and variance.
    """
    unit, package = np.nonzero(plan.chosen)
    mean = plan.found.avoided[unit, package]
    half = (plan.told.upper[unit, package] - plan.told.lower[unit, package]) / (2 * _TWO_SIDED_90)
    shared = sum(
        float(mean[package == at].sum())
        * max((effect.square - effect.mean**2) ** 0.5 / effect.mean for effect in effects.values())
        for at, effects in enumerate(_doubtful_effects(plan.found.fleet))
        if effects and (package == at).any()
    )
    total, variance = float(mean.sum()), float(np.sum(half**2)) + shared**2
    if total <= 0 or variance <= 0:
        return 0.0, 0.0
    lower, upper = stats.gamma.ppf([_LOW, _HIGH], total**2 / variance, scale=variance / total)
    return float(lower), float(upper)


def _doubtful_effects(fleet: Fleet) -> list[Mapping[str, Effect]]:
    """Effects of each package; a check shares the doubt of the package of most doubt, as it may lead to any."""
    every = [effects for effects in fleet.effects if effects]
    widest = max(every, key=lambda effects: max((one.square - one.mean**2) / one.mean**2 for one in effects.values()))
    return [widest if at == fleet.check else effects for at, effects in enumerate(fleet.effects)]


def _doubts(plan: Plan, given: PlanInputs, costs: CallCosts) -> list[str]:
    fleet, told = plan.found.fleet, []
    assumed = costs.assumptions.filter(pl.col("standing") == ASSUMED)["name"].to_list()
    if assumed:
        told.append(f"Assumed, because neither the profile nor the calls say: {', '.join(assumed)}.")
    if given.limits.budget is None and given.limits.crew_h is None:
        told.append("The profile sets no budget and no crew hours: all that is worth its money is chosen.")
    if given.unit_states.is_empty():
        told.append("Nothing is known of the state of any unit: nothing can be planned.")
    winters = given.unit_counts["winters"].max()
    if isinstance(winters, (int, float)) and winters < 2:
        told.append(
            "At most one whole winter of weather is known: how typical it was cannot be told, nor how calls vary."
        )
    if not given.station_hours.height:
        told.append("No weather is known: half of each unit's cold hours are taken to lie below any control's limit.")
    if not plan.chosen.any() and fleet.fits.any():
        why = "within the limits" if plan.found.worth_it.any() else "is worth its money"
        told.append(f"Nothing is chosen, because no package {'fits ' if 'limits' in why else ''}{why}.")
    jumpered = fleet.facts.filter("still_served", pl.col("p_jumpered") >= given.thresholds["lp_jumpered_likely"])
    if jumpered.height:
        names = ", ".join(jumpered["unit_id"].head(_MOST_NAMED)) + (", ..." if jumpered.height > _MOST_NAMED else "")
        told.append(f"Put right whatever the plan chooses: the LP switch is likely jumpered on {names}.")
    told += _leaning(plan)
    alone = int((~fleet.fits).all(axis=1).sum())
    if alone:
        told.append(f"On {alone} units no package fits; the table of fits says why.")
    if plan.choice.gap > given.thresholds["plan_gap"]:
        told.append(f"The set is proven to within {plan.choice.gap:.1%} of the best only.")
    return told


def _leaning(plan: Plan) -> list[str]:
    """Says so where one unit of several stands for much of what the plan avoids."""
    by_unit = np.where(plan.chosen, plan.found.avoided, 0.0).sum(axis=1)
    total, largest = float(by_unit.sum()), int(by_unit.argmax()) if by_unit.size else 0
    if total <= 0 or np.count_nonzero(by_unit) < 2 or by_unit[largest] < _LEANS_FROM * total:
        return []
    name, share = plan.found.fleet.facts["unit_id"][largest], by_unit[largest] / total
    return [f"The plan leans on one unit: {share:.0%} of the calls avoided are expected on {name}. Check it first."]
