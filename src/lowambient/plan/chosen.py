"""The set that is chosen within the limits, and what it costs and avoids."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient.plan.bids import Bids, Told, offers
from lowambient.plan.choice import Choice, best_set
from lowambient.profile import PlanLimits

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Plan:
    """The bids, the doubt about them, and the set chosen (units, packages)."""

    found: Bids
    told: Told
    choice: Choice
    chosen: Flags


def choose(found: Bids, limits: PlanLimits, gap: float, budget: float | None = None) -> tuple[Choice, Flags]:
    """The best set within the limits (`budget` in place of the profile's where given), also as (units, packages)."""
    given, unit, package = offers(found, limits.objective)
    money = budget if budget is not None else np.inf if limits.budget is None else limits.budget
    choice = best_set(given, money, np.inf if limits.crew_h is None else limits.crew_h, gap)
    chosen = np.zeros(found.fleet.fits.shape, dtype=bool)
    chosen[unit[choice.chosen], package[choice.chosen]] = True
    return choice, chosen


def figures(found: Bids, choice: Choice, chosen: Flags) -> dict[str, float | int]:
    """What a set costs and avoids."""
    fleet = found.fleet
    unit, package = np.nonzero(chosen)
    avoided = found.avoided[unit, package]
    return {
        "units": len(unit),
        "sites": len(set(fleet.facts["site_id"].to_numpy()[unit])),
        "cost": round(choice.cost, 2),
        "crew_h": round(choice.hours, 2),
        "avoided_calls_per_winter": round(float(avoided.sum()), 4),
        "avoided_cost_contractor": round(float(avoided @ fleet.contractor[unit]), 2),
        "avoided_cost_customer": round(float(avoided @ fleet.customer[unit]), 2),
        "value": round(choice.value, 4),
        "bound": round(choice.bound, 4),
        "gap": round(choice.gap, 6),
    }
