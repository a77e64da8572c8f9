"""Ways in which head pressure may be held, weighed hour by hour, and the likeliest sequence of them from day to day.

Every hour is weighed against a grid of states: following ambient at some distance above it, held at some temperature,
cycling about some temperature. A change of state has its price: a distance or a temperature may move at a small one (a
fan out, part load, fans staged by ambient, wind), while a change of behaviour costs more than one day of odd weather
can pay.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient.traces.circuit import Array, Mask
from lowambient.traces.cold_hours import LEAST_SAW_K, WIDEST_SAW_K, Hours
from lowambient.traces.ranks import median

Index = npt.NDArray[np.int64]

BEHAVIOURS = ("follows ambient", "held", "cycling")
FOLLOWS, HELD, CYCLING = range(3)
SCALES_K = (1.3, 3.5)
"""Scales of what load, wind and rain do to condensing temperature from hour to hour, in quiet and in restless times."""
MIDDLE_OF_SAW_K = 3.0
"""Scale of an hour's median about the middle of a saw."""
CALM_K = 0.5
"""Scale of the spread within an hour in which no fan switches."""
SAW_E_FOLDS = float(np.log(WIDEST_SAW_K / LEAST_SAW_K))
TURNED = 2.0
"""Price, in log likelihood, of an hour in which head turned back at a fan's switching pressure though no fan cycles."""
RARE, UNUSUAL = 2.0, 0.5
"""Prices, in log likelihood, of fans that pause for an hour or a load that swings a held circuit; of one that swings
a circuit without control."""
OUTLIER = 4.5
"""Most that one value may cost, in log likelihood: three scales."""
FLOATS = 3.0
"""The same for a value under the level of a control, which cannot hold where little heat is rejected."""
MOST_OF_A_DAY = 12.0
"""Most that one day may say for one state over another: a day can be odd as a whole."""
DISTANCE_MOVES, SET_POINT_MOVES = 3.0, 12.0
"""Prices in log likelihood: load, fans and wind move a distance, only a screwdriver a set-point."""
DOUBLING = 4.0
"""Price of each doubling of a distance beyond the first: half load or half the fans are common, a quarter is not."""
FREE_DOUBLINGS = 1.5
"""Doublings of its own distance with every fan at which a circuit may follow ambient for nothing."""
LEAST_DISTANCE_K = 3.0
BEHAVIOUR_CHANGES = 14.0
"""About 3 ln n for a winter of days."""
REFITTED = 3.0
"""Changes of behaviour that one control for another counts as: it takes new parts, a lost one only a wire."""
STAGED = 5.0
"""Price in log likelihood of what has two numbers to choose: fans staged by ambient, a fan that cycles beside others.
"""
GRID_K = 1.5
LEAST_SHARE_HELD = 0.5
"""Share of cold hours in which a control must have something to do."""
LEAST_HELD_C = 10.0
"""Condensing temperature under which no control is set: it would pass too little refrigerant (judgement)."""
LEAST_TURNED = 3
"""Hours in which head turned back from which they show where it does."""
LEAST_SHARE_CYCLED = 0.1
"""Share of cold hours in which a fan must have something to do beside those that run all the time."""
CLEARLY_K = 3.0
NEAR_K = 2.0
UNUSUAL_LEVEL = 1.5
"""Price in log likelihood of any level but the distance in mild air, within NEAR_K."""


@dataclass(frozen=True)
class States:
    """Explanations of an hour, arrays (states,) sorted by behaviour.

    `level` is the distance above ambient, K, of one that follows, and the condensing temperature, °C, of the others;
    under `step_at_c` outdoors the distance grows by `step_k`, where fans are staged by ambient; `few_k` is the
    distance, K, of the fans that run all the time beside one that cycles (infinite where none does); `entry` is what it
    costs to go there, in log likelihood, beyond the price of any change. `scale_k` is how far, K, an hour is usually
    off.
    """

    behaviour: Index
    level: Array
    scale_k: Array
    step_at_c: Array
    step_k: Array
    few_k: Array
    entry: Array


def residuals_k(hours: Hours, states: States, mild_k: float) -> Array:
    """Condensing temperature over what each state expects, K (hours, states).

    A held or cycling circuit leaves its level where every fan no longer keeps it down: it then follows ambient at
    its distance in mild air, where that is known; and where the fans that always run keep it down alone.
    """
    outdoor_c, condensing_c = hours.outdoor_c[:, None], hours.condensing_c[:, None]
    held = int(np.searchsorted(states.behaviour, HELD))
    off_k = np.empty((len(hours), len(states.level)))
    off_k[:, :held] = (condensing_c - outdoor_c) - states.level[:held]
    held_c = np.where(_floats(hours, states)[:, held:], outdoor_c + states.few_k[held:], states.level[held:])
    off_k[:, held:] = condensing_c - np.fmax(held_c, outdoor_c + mild_k)
    staged = np.flatnonzero(states.step_k)
    off_k[:, staged] -= states.step_k[staged] * (outdoor_c < states.step_at_c[staged])
    return off_k


def _floats(hours: Hours, states: States) -> Mask:
    """Where the fans that always run keep head from where another comes on (hours, states)."""
    floats: Mask = hours.outdoor_c[:, None] + states.few_k < states.level + _half_saw_k(hours)
    return floats


def _half_saw_k(hours: Hours) -> float:
    """How far a saw reaches from its middle, K: that of a straight one with the spread of the hours with turns."""
    spread_k = hours.swing_k[(hours.turns > 0) & np.isfinite(hours.swing_k)]
    return float(np.sqrt(3.0) * median(spread_k)) if len(spread_k) else MIDDLE_OF_SAW_K


def hour_costs(hours: Hours, states: States, mild_k: float) -> Array:
    """Negative log likelihood (hours, states) of each hour's level and spread under each state.

    The level is Gaussian with bounded loss; the bound is lower under the level of a control, which cannot hold where
    little heat is rejected, but not under the middle of a saw with many turns an hour.
    """
    off_k = residuals_k(hours, states, mild_k)
    cost: Array = 0.5 * np.square(off_k / states.scale_k)
    np.minimum(cost, OUTLIER, out=cost)
    floats = (states.behaviour == HELD) | ((states.behaviour == CYCLING) & (states.scale_k > SCALES_K[0]))
    np.minimum(cost, FLOATS, out=cost, where=(off_k < 0) & floats)
    cost += np.log(states.scale_k)
    spread = _spread_costs(hours.swing_k)
    cost += spread[:, states.behaviour]
    few = np.flatnonzero(np.isfinite(states.few_k))
    if len(few):
        at, of = np.nonzero(_floats(hours, states)[:, few])
        cost[at, few[of]] += (spread[:, FOLLOWS] - spread[:, CYCLING])[at]
    cost += TURNED * (hours.turns[:, None] > 0) * (states.behaviour != CYCLING)
    cost *= hours.weight[:, None]
    return cost


def _spread_costs(swing_k: Array) -> Array:
    """Negative log likelihood (hours, behaviours) of a spread within the hour; zero where it is not known.

    A saw is rare for a held circuit, a calm hour for a cycling one; following ambient, a saw is less unusual, since no
    control smooths what the load does.
    """
    calm = 0.5 * (swing_k / CALM_K) ** 2 + np.log(CALM_K)
    short = np.maximum(LEAST_SAW_K - swing_k, 0.0) / (LEAST_SAW_K / 3)
    saw = 0.5 * short**2 + np.log(np.maximum(swing_k, LEAST_SAW_K) * SAW_E_FOLDS)
    held, cycling = np.minimum(calm, saw + RARE), np.minimum(saw, calm + RARE)
    costs: Array = np.nan_to_num(np.stack([np.minimum(calm, saw + UNUSUAL), held, cycling], axis=1))
    return costs


def prices(states: States) -> Array:
    """What it costs to go from one state to another (states, states), in log likelihood; nothing to stay."""
    kind = states.behaviour
    distance = np.maximum(states.level, LEAST_DISTANCE_K)
    doublings = np.abs(np.log2(distance[:, None] / distance))
    sets = np.where(states.level[:, None] == states.level, DISTANCE_MOVES, SET_POINT_MOVES)
    moves = np.where(kind == FOLLOWS, DISTANCE_MOVES + DOUBLING * np.maximum(doublings - 1.0, 0.0), sets)
    refitted = (kind[:, None] != FOLLOWS) & (kind != FOLLOWS)
    changes = np.where(refitted, REFITTED * BEHAVIOUR_CHANGES, BEHAVIOUR_CHANGES)
    price = np.where(kind[:, None] == kind, moves, changes) + states.entry
    np.fill_diagonal(price, 0.0)
    return price


def likeliest_path(by_day: Array, states: States) -> Index:
    """State of each day (days,) on the cheapest path through daily costs (days, states), changes at their price."""
    price = prices(states)
    best = _cheapest(by_day, price, states.entry)
    path = np.empty(len(by_day), dtype=np.int64)
    path[-1] = best[-1].argmin()
    for day in range(len(by_day) - 1, 0, -1):
        path[day - 1] = (best[day - 1] + price[:, path[day]]).argmin()
    return path


def _cheapest(by_day: Array, price: Array, entry: Array) -> Array:
    """Cost of the cheapest path that ends in each state on each day (days, states)."""
    best = np.empty_like(by_day)
    best[0] = by_day[0] + entry
    from_to = price.T.copy()
    for day in range(1, len(by_day)):
        best[day] = (best[day - 1] + from_to).min(axis=1) + by_day[day]
    return best


def states_of(cold: Hours, least_k: float, mild_k: float) -> States:
    """Every level the circuit has shown, and fans staged where that fits best.

    Following ambient near its own distance in mild air is likelier than the rest. A level so low that the circuit
    would mostly stay above it is none: there, holding and following are the same.
    """
    over_k = least_k + _levels(cold.condensing_c - cold.outdoor_c - least_k)
    far = np.log2(np.maximum(over_k, LEAST_DISTANCE_K) / max(least_k, LEAST_DISTANCE_K)) - FREE_DOUBLINGS
    entry = np.where(np.abs(over_k - mild_k) <= NEAR_K, 0.0, UNUSUAL_LEVEL) + DOUBLING * np.maximum(far, 0.0)
    held_c = _levels(cold.condensing_c)
    felt_c = np.fmax(np.quantile(cold.outdoor_c, LEAST_SHARE_HELD) + mild_k, max(held_c[0], LEAST_HELD_C))
    held_c = held_c[held_c >= min(felt_c, held_c[-1])]
    plain = (-np.inf, 0.0, np.inf)
    rows = [
        *((FOLLOWS, least_k, scale_k, *_staging(cold, least_k), np.inf, STAGED) for scale_k in SCALES_K),
        *(
            (FOLLOWS, *at, scale_k, *plain, price)
            for scale_k in SCALES_K
            for *at, price in zip(over_k, entry, strict=True)
        ),
        *((HELD, level_c, scale_k, *plain, UNUSUAL_LEVEL) for scale_k in SCALES_K for level_c in held_c),
        *_cycling(cold, held_c, over_k[over_k > np.fmax(mild_k, least_k) + CLEARLY_K]),
    ]
    behaviour, *columns = np.array(rows).T
    return States(behaviour.astype(np.int64), *columns)


def _cycling(cold: Hours, held_c: Array, few_k: Array) -> list[tuple[float, ...]]:
    """Rows of the states in which a fan cycles about one of some condensing temperatures, those at which head was seen
    to turn back if it was.

    An hour with many turns has its median in the middle of the saw, one with few has it anywhere. Where head turns
    back, other fans may run all the time, which leave it `few_k` over ambient, K, when that is lower.
    """
    turned_c = cold.condensing_c[cold.turns > 0]
    seen = len(turned_c) >= LEAST_TURNED
    if seen:
        low_c, high_c = np.quantile(turned_c, [0.1, 0.9]) + MIDDLE_OF_SAW_K * np.array([-1.0, 1.0])
        held_c = held_c[(held_c >= low_c) & (held_c <= high_c)]
    warmest_c = np.quantile(cold.outdoor_c, 1.0 - LEAST_SHARE_CYCLED)
    return [
        *((CYCLING, level_c, MIDDLE_OF_SAW_K, -np.inf, 0.0, np.inf, UNUSUAL_LEVEL) for level_c in held_c[::2]),
        *((CYCLING, level_c, SCALES_K[0], -np.inf, 0.0, np.inf, UNUSUAL_LEVEL) for level_c in held_c),
        *(
            (CYCLING, level_c, scale_k, -np.inf, 0.0, over_k, STAGED)
            for scale_k in SCALES_K
            for level_c in held_c[::2]
            for over_k in few_k[::2]
            if seen and warmest_c + over_k > level_c
        ),
    ]


def _staging(cold: Hours, least_k: float) -> tuple[float, float]:
    """The outdoor temperature, °C, at which resting fans would explain best what is over the distance of every fan,
    and by how much, K."""
    outdoor_c = cold.outdoor_c
    more_k = cold.condensing_c - outdoor_c - least_k
    fits = []
    for step_at_c in np.arange(np.ceil(outdoor_c.min()) + GRID_K, outdoor_c.max(), GRID_K):
        below = outdoor_c < step_at_c
        step_k = max(median(more_k[below]), 0.0)
        off = np.minimum(0.5 * ((more_k - step_k * below) / SCALES_K[1]) ** 2, OUTLIER)
        fits.append((float(off.sum()), float(step_at_c), step_k))
    return min(fits)[1:] if fits else (-np.inf, 0.0)


def _levels(seen: Array) -> Array:
    """Multiples of GRID_K over what was seen but for the last percents."""
    low, high = np.quantile(seen, [0.02, 0.98]) / GRID_K
    levels: Array = GRID_K * np.arange(np.floor(low), np.ceil(high) + 1)
    return levels


def by_days(costs: Array, first: Index) -> Array:
    """Costs summed over each day's hours (days, states), odd days bounded."""
    total = np.add.reduceat(costs, first, axis=0)
    bounded: Array = np.minimum(total, total.min(axis=1, keepdims=True) + MOST_OF_A_DAY)
    return bounded


def cost_of_one(by_day: Array, states: States, kind: int) -> float:
    """What the days cost if only one behaviour may be used."""
    few = np.flatnonzero(states.behaviour == kind)
    return float(_cheapest(by_day[:, few], prices(states)[np.ix_(few, few)], states.entry[few])[-1].min())
