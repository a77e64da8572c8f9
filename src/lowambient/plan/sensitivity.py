"""What other budgets would buy, and how the plan bears other figures than those taken."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special, stats

from lowambient.plan.bids import Bids, Fleet, bids
from lowambient.plan.chosen import Plan, choose, figures
from lowambient.plan.conditions import Conditions
from lowambient.plan.option_effects import Effect
from lowambient.profile import PlanLimits

Flags = npt.NDArray[np.bool_]

_CURVE_SHARES = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9, 1.0)
_LOW, _HIGH = 0.05, 0.95


def budget_curve(found: Bids, limits: PlanLimits, gap: float) -> pl.DataFrame:
    """What money would buy: the best set at each of several budgets, crew hours as they are.

    Grain: budget, rising. `is_given`: it is the profile's own; then figures of the set. `value` and `bound` are in what
    the plan seeks (calls a winter, or money); `gap`: proven to be within of the best [-].
    """
    free = choose(found, limits, gap, np.inf)[0].cost
    budgets = {round(share * free, 2): False for share in _CURVE_SHARES}
    if limits.budget is not None:
        budgets[round(limits.budget, 2)] = True
    rows = []
    for budget in sorted(budgets):
        choice, chosen = choose(found, limits, gap, budget)
        rows.append({"budget": budget, "is_given": budgets[budget], **figures(found, choice, chosen)})
    return pl.DataFrame(rows)


def plan_sensitivity(plan: Plan, limits: PlanLimits, gap: float) -> pl.DataFrame:
    """How the plan bears other figures than those taken.

    Grain: scenario. Figures of the set that would be best then; `kept_share`: of the units chosen now, those chosen
    then too [-]; `still_worth_share`: of the packages chosen now, those still worth their money then [-];
    `value_of_plan`: what the set chosen now reaches then, over the best where it holds work that is no longer worth its
    money; `loss_share`: how much less than the best [-].
    Scenarios: a call that costs half or double; effects at the ends of their 90 % intervals, all at once; cold calls at
    the lower end of what a rate from so few winters can be.
    """
    fleet = plan.found.fleet
    rows = []
    for name, other in _scenarios(fleet):
        found = plan.found if other is fleet else bids(other)
        choice, chosen = (plan.choice, plan.chosen) if other is fleet else choose(found, limits, gap)
        value_now = _value_of(found, plan.chosen, limits.objective)
        now, then = (np.asarray(each.any(axis=1)) for each in (plan.chosen, chosen))
        rows.append(
            {
                "scenario": name,
                **figures(found, choice, chosen),
                "kept_share": _share(then[now]),
                "still_worth_share": _share(found.worth_it[plan.chosen]),
                "value_of_plan": round(value_now, 4),
                "loss_share": round(max(0.0, 1 - value_now / choice.value), 4) if choice.value > 1e-9 else 0.0,
            }
        )
    shares = ("kept_share", "still_worth_share", "loss_share")
    return pl.DataFrame(rows, schema_overrides=dict.fromkeys(shares, pl.Float64))


def _share(which: Flags) -> float | None:
    return round(float(which.mean()), 4) if len(which) else None


def _value_of(found: Bids, chosen: Flags, objective: str) -> float:
    if objective == "calls":
        return float(found.avoided[chosen].sum())
    sites = len(set(found.fleet.facts["site_id"].to_numpy()[chosen.any(axis=1)]))
    return float(found.net[chosen].sum()) - sites * found.fleet.drive_cost


def _scenarios(fleet: Fleet) -> list[tuple[str, Fleet]]:
    return [
        ("as taken", fleet),
        *(
            (
                f"a call costs {word}",
                replace(fleet, contractor=factor * fleet.contractor, customer=factor * fleet.customer),
            )
            for word, factor in (("half", 0.5), ("double", 2.0))
        ),
        ("effects at their lower ends", replace(fleet, effects=_at(fleet, _LOW))),
        ("effects at their upper ends", replace(fleet, effects=_at(fleet, _HIGH))),
        ("cold calls at their lower ends", replace(fleet, known=_fewer_calls(fleet))),
    ]


def _at(fleet: Fleet, level: float) -> tuple[Mapping[str, Effect], ...]:
    return tuple(
        {
            name: Effect(share * 1e6, (1 - share) * 1e6)
            for name, effect in effects.items()
            for share in [float(np.clip(stats.beta.ppf(level, effect.alpha, effect.beta), 1e-6, 1 - 1e-6))]
        }
        for effects in fleet.effects
    )


def _fewer_calls(fleet: Fleet) -> Conditions:
    """Each state's calls at the 5 % point of a gamma with as many calls seen as the state brings in the winters seen.

    Jeffreys' prior adds half a call. Judgement: a state's calls are known no better than from the unit's own winters.
    """
    winters = np.maximum(fleet.facts["winters"].cast(pl.Float64).fill_null(1.0).to_numpy(), 1.0)[:, None]
    calls = fleet.known.avoidable
    lower = special.gammaincinv(calls * winters + 0.5, _LOW) / winters
    with np.errstate(divide="ignore", invalid="ignore"):
        return fleet.known.scaled(np.where(calls > 0, np.minimum(lower / calls, 1.0), 0.0))
