"""How head pressure is held in the cold, by period: does condensing temperature follow ambient, sit, or saw?

Steady cold running is reduced to hours. Every hour is weighed against a grid of states: following ambient at some
distance above it, held at some temperature, cycling about some temperature. The likeliest path of states from day
to day, with a price on every change, gives the periods; one whose other explanations are not clearly worse is
"cannot tell". Slope decides and not level: a distance or a temperature may move at a small price (a fan out, part
load, fans staged by ambient, wind), while a change of behaviour costs more than one day of odd weather can pay.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.traces.circuit import Array, Listed, Mask, Trace
from lowambient.traces.cold_hours import COLD_C, NO_TURNS, Hours, groups, hours_of, least_over_k, medians, noise_k
from lowambient.traces.head_states import (
    BEHAVIOURS,
    CYCLING,
    FOLLOWS,
    States,
    by_days,
    cost_of_one,
    hour_costs,
    likeliest_path,
    states_of,
)
from lowambient.traces.ranks import median
from lowambient.traces.runs import Running
from lowambient.traces.steady import ENOUGH_SETTLED_S, THINNED_S, steady_samples, thinned

Index = npt.NDArray[np.int64]

SCHEMA: dict[str, pl.DataType] = {
    "period_start": pl.Datetime("us", "UTC"),
    "period_end": pl.Datetime("us", "UTC"),
    "behaviour": pl.String(),
    "slope": pl.Float64(),
    "band_c": pl.Float64(),
    "samples": pl.Int64(),
    "low_share": pl.Float64(),
    "change_lower": pl.Datetime("us", "UTC"),
    "change_upper": pl.Datetime("us", "UTC"),
}
Facts = tuple[float | None, float | None, int, float | None]
"""Slope [-], band, K, samples, and share of them under ACTS_C [-]."""
CANNOT_TELL = "cannot tell"
ACTS_C = 25.0
"""Condensing temperature under which a control in use would act: usual fan-off settings saturate at 26 to 34 °C. Above
it, a circuit may follow ambient with nothing wrong with its control (common practice, limit is judgement)."""
DAY_S = 86400.0
ENOUGH_EVIDENCE = 3.0
"""Log likelihood by which a behaviour must beat both others."""
TOO_STEEP = 0.65
"""Slope [-] at which nothing is held: two thirds of what ambient does comes through."""
TOO_FLAT = 0.25
"""Slope [-] within days at which nothing follows: of what ambient does, but a quarter comes through."""
STEEPEST = 1.3
"""Steeper than that, load and not ambient moves condensing temperature (judgement)."""
TURNS_AN_HOUR = 0.7
"""Turns of the fans an hour of running in the cold from which they cycle."""
LEAST_DAYS = 3
NORMAL_90 = 1.645
DAYS_ABOUT = 3
"""Days with cold running on either side of a change in which its hour is looked for."""
LEAST_HOURS_FOR_SLOPE, LEAST_SPREAD_FOR_SLOPE_K = 3, 0.5


@dataclass(frozen=True)
class Period:
    """A stretch of one behaviour; times in seconds since 1970, the change at its start between two of them."""

    start_s: float
    end_s: float
    behaviour: str
    change_s: tuple[float, float] | None = None


def head_pressure(trace: Trace, running: Running, listed: Listed, turned_s: Array = NO_TURNS) -> pl.DataFrame:
    """How head pressure was held, a row for each period, in time order and without holes between them.

    Columns: period_start, period_end, behaviour ("follows ambient", "held", "cycling", "cannot tell"), slope of
    condensing on outdoor temperature over the period's cold hours [-], band_c the width from the 5 % to the 95 %
    point of condensing temperature, K, samples of steady cold running, low_share the share of them with condensing
    temperature under ACTS_C [-], and change_lower and change_upper, between which the change at period_start lies
    (null for the first).

    `turned_s`: when head pressure turned back at a fan's switching pressure, seconds since 1970. A liquid tap behind a
    flooding valve reads what the valve holds: a discharge tap is taken instead, and without one only "follows ambient"
    is believed.
    """
    if len(trace) == 0:
        return _frame([], [])
    if listed.head_control == "flooded" and trace.has("discharge_kpa"):
        trace = trace.with_channels(liquid_kpa=np.full(len(trace), np.nan))
    steady = steady_samples(trace, running, listed, ENOUGH_SETTLED_S)
    told = np.flatnonzero(steady & np.isfinite(trace.head_kpa) & np.isfinite(trace.outdoor_c))
    at_s, condensing_c, outdoor_c = _at(trace, thinned(told, trace.step_s))
    hours = hours_of(at_s, condensing_c, outdoor_c, max(trace.step_s, THINNED_S), noise_k(trace, running), turned_s)
    cold = hours.where(hours.outdoor_c < COLD_C)
    mild = hours.where(hours.outdoor_c >= COLD_C)
    ends_s = (float(trace.at_s[0]), float(trace.at_s[-1]))
    periods = periods_of(cold, least_over_k(hours), least_over_k(mild), *ends_s)
    behind_valve = listed.head_control == "flooded" and trace.head_tap == "liquid_kpa"
    periods = _joined(_doubted(each, cold, behind_valve) for each in periods)
    is_cold = outdoor_c < COLD_C
    counted_s = trace.at_s[told[trace.outdoor_c[told] < COLD_C]]
    return _frame(periods, [_facts(each, cold, at_s[is_cold], condensing_c[is_cold], counted_s) for each in periods])


def _doubted(period: Period, cold: Hours, behind_valve: bool) -> Period:
    """The period as its slope and the fans' switching leave it.

    Behind a flooding valve what seems held or cycling is not told. Where head turns back at one pressure about every
    hour, fans cycle. Else slope decides: what seems held or cycling but moves with ambient follows it, if the slope is
    sure and no steeper than ambient can make it.
    """
    if period.behaviour == BEHAVIOURS[FOLLOWS]:
        slope = _period_slope(period, cold)
        return replace(period, behaviour=CANNOT_TELL) if slope is not None and slope < TOO_FLAT else period
    if behind_valve:
        return replace(period, behaviour=CANNOT_TELL)
    during = cold.where(_during(period, cold))
    if during.turns.sum() >= TURNS_AN_HOUR * len(during) > 0:
        return replace(period, behaviour=BEHAVIOURS[CYCLING])
    if period.behaviour == CANNOT_TELL:
        return period
    slope, error = _period_slope(period, cold) or 0.0, _slope_error(during)
    if slope <= TOO_STEEP:
        return period
    follows = slope - error > TOO_STEEP and slope < STEEPEST
    return replace(period, behaviour=BEHAVIOURS[FOLLOWS] if follows else CANNOT_TELL)


def _slope_error(hours: Hours) -> float:
    """Half width of the 90 % interval of the slope [-], days alike within themselves."""
    x, y = hours.outdoor_c, hours.condensing_c
    days = len(np.unique(np.floor(hours.first_s / DAY_S)))
    if days < LEAST_DAYS:
        return np.inf
    sd = 1.4826 * median(np.abs(y - median(y) - (_slope(x, y) or 0.0) * (x - median(x))))
    return float(NORMAL_90 * sd / (float(np.std(x)) * np.sqrt(days)))


def _at(trace: Trace, samples: Index) -> tuple[Array, Array, Array]:
    """Instant, condensing and outdoor temperature of some samples, those without a saturation temperature left out."""
    needed = {name: trace[name][samples] for name in ("liquid_kpa", "discharge_kpa", "outdoor_c", "station_c")}
    part = replace(trace, at_s=trace.at_s[samples], channels=needed)
    condensing_c = part.condensing_c()
    known = np.isfinite(condensing_c)
    return part.at_s[known], condensing_c[known], part.outdoor_c[known]


def periods_of(cold: Hours, least_k: float, mild_k: float, begin_s: float, end_s: float) -> list[Period]:
    """Periods of one behaviour from cold hours, together covering begin_s to end_s, seconds since 1970.

    `least_k` is the least distance over ambient, K, that the circuit has shown, `mild_k` the same in mild air, where
    it has every fan, NaN where there was none.
    """
    if len(cold) == 0 or np.isnan(least_k):
        return [Period(begin_s, end_s, CANNOT_TELL)]
    first = np.flatnonzero(np.diff(np.floor(cold.first_s / DAY_S), prepend=-np.inf))
    states = states_of(cold, least_k, mild_k)
    costs = hour_costs(cold, states, mild_k)
    by_day = by_days(costs, first)
    path = likeliest_path(by_day, states)
    changes = (np.flatnonzero(np.diff(states.behaviour[path])) + 1).tolist()
    spots = [_change(cold, costs, first, path, day) for day in changes]
    starts = [begin_s, *(spot[0] for spot in spots)]
    ends = [*starts[1:], end_s]
    told = [_told(by_day[a:b], states, path[a]) for a, b in pairwise([0, *changes, len(path)])]
    intervals = [None, *(spot[1:] for spot in spots)]
    return _joined(map(Period, starts, ends, told, intervals))


def _told(by_day: Array, states: States, state: int) -> str:
    """The behaviour of a period if it explains the period's days clearly better than each of the others does."""
    kinds = np.unique(states.behaviour)
    cost = {int(kind): cost_of_one(by_day, states, int(kind)) for kind in kinds}
    own = cost.pop(int(states.behaviour[state]))
    return BEHAVIOURS[states.behaviour[state]] if min(cost.values()) - own >= ENOUGH_EVIDENCE else CANNOT_TELL


def _change(cold: Hours, costs: Array, first: Index, path: Index, day: int) -> tuple[float, float, float]:
    """When the state of the day before gave way to that of `day`: median, 5 % and 95 % point, seconds since 1970.

    Every instant about the change is as likely beforehand; between two hours nothing tells one from another.
    """
    bounds = np.append(first, len(cold))
    begin, end = bounds[max(day - DAYS_ABOUT, 0)], bounds[min(day + DAYS_ABOUT, len(first))]
    old, new = costs[begin:end, path[day - 1]], costs[begin:end, path[day]]
    total = np.cumsum(old - new)[:-1]
    middle_s = 0.5 * (cold.first_s + cold.last_s)[begin:end]
    share = np.exp(total.min() - total) * np.diff(middle_s)
    reached = np.concatenate([[0.0], np.cumsum(share)]) / share.sum()
    found = np.interp([0.5, 0.05, 0.95], reached, middle_s)
    return float(found[0]), float(found[1]), float(found[2])


def _joined(periods: Iterable[Period]) -> list[Period]:
    """Neighbours of one behaviour made one."""
    joined: list[Period] = []
    for each in periods:
        if joined and joined[-1].behaviour == each.behaviour:
            joined[-1] = replace(joined[-1], end_s=each.end_s)
        else:
            joined.append(each)
    return joined


def _facts(period: Period, cold: Hours, at_s: Array, condensing_c: Array, counted_s: Array) -> Facts:
    """What is told of a period; the arrays are of cold steady samples."""
    sampled = condensing_c[_within(period, at_s)]
    band_k = float(np.subtract(*np.quantile(sampled, [0.95, 0.05]))) if len(sampled) else None
    low_share = float((sampled < ACTS_C).mean()) if len(sampled) else None
    return _period_slope(period, cold), band_k, len(counted_s[_within(period, counted_s)]), low_share


def _within(period: Period, at_s: Array) -> slice:
    return slice(*np.searchsorted(at_s, [period.start_s, np.nextafter(period.end_s, np.inf)]).tolist())


def _during(period: Period, hours: Hours) -> Mask:
    chosen: Mask = (hours.first_s >= period.start_s) & (hours.first_s <= period.end_s)
    return chosen


def _period_slope(period: Period, cold: Hours) -> float | None:
    """Slope of condensing on outdoor temperature [-]; of a period that follows ambient within its days, because its
    distance may move from one to the next (a fan out, load)."""
    hours = cold.where(_during(period, cold))
    x, y = hours.outdoor_c, hours.condensing_c
    if period.behaviour == BEHAVIOURS[FOLLOWS] and len(hours):
        first, count = groups(hours.first_s, DAY_S)
        no = np.repeat(np.arange(len(first)), count)
        own_x, own_y = (each - medians(each, no, first, count)[no] for each in (x, y))
        if np.std(own_x) >= LEAST_SPREAD_FOR_SLOPE_K:
            x, y = own_x, own_y
    return _slope(x, y)


def _slope(x: Array, y: Array) -> float | None:
    """Slope of y on x [-], Huber-weighted; None where x hardly varies."""
    if len(x) < LEAST_HOURS_FOR_SLOPE or np.std(x) < LEAST_SPREAD_FOR_SLOPE_K:
        return None
    weight = np.ones(len(x))
    for _ in range(5):
        x0, y0 = np.average(x, weights=weight), np.average(y, weights=weight)
        slope = (weight * (x - x0) * (y - y0)).sum() / (weight * (x - x0) ** 2).sum()
        off = np.abs(y - y0 - slope * (x - x0))
        weight = 1.0 / np.maximum(off / (1.345 * 1.4826 * median(off) + 1e-6), 1.0)
    return float(slope)


def _frame(periods: list[Period], facts: list[Facts]) -> pl.DataFrame:
    rows = [
        (
            _us(each.start_s),
            _us(each.end_s),
            each.behaviour,
            *fact,
            *(map(_us, each.change_s or (None, None))),
        )
        for each, fact in zip(periods, facts, strict=True)
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _us(at_s: float | None) -> int | None:
    return None if at_s is None else round(at_s * 1e6)
