"""The retrofit plan of large invented fleets: seconds of the whole plan and of the choice alone, and the gap it proves.

Run as `python tests/benchmarks/retrofit_plan.py [UNITS ...]` (default 2000 20000). The rival, in the same run, is
scipy.optimize.milp on the same offers with the same gap asked and 60 s to find it. Ends with 1 where the largest
fleet takes over 60 s or its gap is over 0.5 %.
"""

import sys
import time

import numpy as np
from plan_frames import plan_inputs

from lowambient.plan import choice
from lowambient.plan.bids import bids, offers
from lowambient.plan.call_costs import call_costs
from lowambient.plan.choice import best_set
from lowambient.plan.retrofit import fleet_of, retrofit_plan

BAR_S, BAR_GAP = 60.0, 0.005


def measured(units: int) -> tuple[float, float]:
    """Prints one line for a fleet; seconds and gap of its plan."""
    given = plan_inputs(
        units=units, sites=max(1, units * 3 // 10), seed=units, budget=40.0 * units, crew_h=0.2 * units, finer=10
    )
    begun = time.perf_counter()
    tables = retrofit_plan(given)
    whole_s = time.perf_counter() - begun
    gap = tables["budget_curve"]["gap"].max()
    costs = call_costs(given.calls, given.units, given.sites, given.costs, given.thresholds)
    found = bids(fleet_of(given, costs)[0])
    one, _, _ = offers(found, "calls")
    limits = (given.limits.budget or np.inf, given.limits.crew_h or np.inf)
    begun = time.perf_counter()
    ours = best_set(one, *limits)
    choice_s = time.perf_counter() - begun
    choice._EXACT_SECONDS = 60.0
    begun = time.perf_counter()
    nothing = choice.Choice(np.zeros(one.count, dtype=bool), 0.0, 0.0, 0.0, np.inf, (0.0, 0.0))
    rival = choice._exact(one, np.array(limits), nothing, BAR_GAP)
    rival_s = time.perf_counter() - begun
    selected = tables["plan"]["selected"].sum()
    print(
        f"{units:>7,} units {one.count:>8,} offers {selected:>6,} chosen | whole plan {whole_s:6.1f} s,"
        f" worst gap of the curve {gap:.3%} | choice {choice_s:6.2f} s, gap {ours.gap:.4%}"
        f" | milp alone {rival_s:6.1f} s, gap {rival.gap:.3%}",
        flush=True,
    )
    return whole_s, max(gap, ours.gap)


if __name__ == "__main__":
    sizes = [int(size) for size in sys.argv[1:]] or [2000, 20000]
    last = [measured(size) for size in sizes][-1]
    sys.exit(int(last[0] > BAR_S or last[1] > BAR_GAP))
