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
from lowambient.traces.noise import noise_kpa
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
BEHAVIOURS = ("follows ambient", "held", "cycling")
FOLLOWS, HELD, CYCLING = range(3)
CANNOT_TELL = "cannot tell"

COLD_C = 10.0
"""Warmer air shows little: any circuit follows ambient once its control has nothing left to do (judgement)."""
ACTS_C = 25.0
"""Condensing temperature under which a control in use would act: usual fan-off settings saturate at 26 to 34 °C. Above
it, a circuit may follow ambient with nothing wrong with its control (common practice, limit is judgement)."""
HOUR_S = 3600.0
SPARSE_S = 3 * HOUR_S
"""Length of the stretches taken for hours where most hours have too few samples to show a spread."""
LEAST_FOR_SPREAD = 3
QUIETEST = 0.1
"""Share of hours that show no more than sensor noise, unless the sensor was quieter at rest."""
MEAN_STEP_TO_SD = float(np.sqrt(np.pi) / 2)
"""Standard deviation over the mean absolute difference of two independent values, Gaussian."""
DAY_S = 86400.0
WHOLE_SHARE = 1 / 6
"""Share of an hour in steady running that makes the hour count in full."""
K_PER_E_FOLD = 33.0
"""Saturation temperature rises by 27 to 38 K while pressure grows e-fold, for refrigerants of the trade; noise only."""
MOST_NOISE_KPA = 21.0
SAMPLES_FOR_NOISE = 5000

SCALES_K = (1.3, 3.5)
"""Scales of what load, wind and rain do to condensing temperature from hour to hour, in quiet and in restless times."""
MIDDLE_OF_SAW_K = 3.0
"""Scale of an hour's median about the middle of a saw."""
CALM_K = 0.5
"""Scale of the spread within an hour in which no fan switches."""
LEAST_SAW_K, WIDEST_SAW_K = 0.9, 12.0
"""Standard deviations within an hour of saws 3 K and 40 K high; any in between is as likely as its double."""
SAW_E_FOLDS = float(np.log(WIDEST_SAW_K / LEAST_SAW_K))
RARE, UNUSUAL = 2.0, 0.5
"""Prices, in log likelihood, of fans that pause for an hour or a load that swings a held circuit; of one that swings
a circuit without control."""
OUTLIER = 4.5
"""Most that one value may cost, in log likelihood: three scales."""
FLOATS = 3.0
"""The same for a value under the level of a control, which cannot hold where little heat is rejected."""
HOURS_ALIKE = 3.0
"""Neighbouring hours share their load, so that this many count as one observation."""
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
ENOUGH_EVIDENCE = 3.0
"""Log likelihood by which a behaviour must beat both others."""
TOO_STEEP = 0.65
"""Slope [-] at which nothing is held: two thirds of what ambient does comes through."""
TOO_FLAT = 0.35
"""Slope [-] within days at which nothing follows: of what ambient does, but a third comes through."""
DAYS_ABOUT = 3
"""Days with cold running on either side of a change in which its hour is looked for."""
STAGED = 5.0
"""Price in log likelihood of fans staged by ambient, which has two numbers to choose."""
GRID_K = 1.5
LEAST_SHARE_HELD = 0.5
"""Share of cold hours in which a control must have something to do."""
NEAR_K = 2.0
UNUSUAL_LEVEL = 1.5
"""Price in log likelihood of any level but the distance in mild air, within NEAR_K."""
LEAST_HOURS = 12
"""Fewer do not show a circuit's least distance over ambient."""
LEAST_HOURS_FOR_SLOPE, LEAST_SPREAD_FOR_SLOPE_K = 3, 0.5


@dataclass(frozen=True)
class Hours:
    """Hours of steady running, arrays (hours,) in time order.

    `first_s` and `last_s` are the first and last sample used, `condensing_c` and `outdoor_c` medians, `weight` [-] what
    the hour counts. `swing_k` is how condensing temperature moves to and fro beyond sensor noise: the geometric mean of
    its standard deviation and of what its steps would give if it were noise, so that a drift or one change of load
    counts little (NaN under three samples).
    """

    first_s: Array
    last_s: Array
    condensing_c: Array
    outdoor_c: Array
    swing_k: Array
    weight: Array

    def __len__(self) -> int:
        return len(self.first_s)

    def where(self, chosen: Mask) -> "Hours":
        """The hours chosen."""
        return Hours(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class States:
    """Explanations of an hour, arrays (states,) sorted by behaviour.

    `level` is the distance above ambient, K, of one that follows, and the condensing temperature, °C, of the others;
    under `step_at_c` outdoors the distance grows by `step_k`, where fans are staged by ambient; `entry` is what it
    costs to go there, in log likelihood, beyond the price of any change. `scale_k` is how far, K, an hour is usually
    off.
    """

    behaviour: Index
    level: Array
    scale_k: Array
    step_at_c: Array
    step_k: Array
    entry: Array


@dataclass(frozen=True)
class Period:
    """A stretch of one behaviour; times in seconds since 1970, the change at its start between two of them."""

    start_s: float
    end_s: float
    behaviour: str
    change_s: tuple[float, float] | None = None


def head_pressure(trace: Trace, running: Running, listed: Listed) -> pl.DataFrame:
    """How head pressure was held, a row for each period, in time order and without holes between them.

    Columns: period_start, period_end, behaviour ("follows ambient", "held", "cycling", "cannot tell"), slope of
    condensing on outdoor temperature over the period's cold hours [-], band_c the width from the 5 % to the 95 %
    point of condensing temperature, K, samples of steady cold running, low_share the share of them with condensing
    temperature under ACTS_C [-], and change_lower and change_upper, between
    which the change at period_start lies (null for the first).

    A liquid tap behind a flooding valve reads what the valve holds: only "follows ambient" is believed there.
    """
    if len(trace) == 0:
        return _frame([], [])
    steady = steady_samples(trace, running, listed, ENOUGH_SETTLED_S)
    told = np.flatnonzero(steady & np.isfinite(trace.head_kpa) & np.isfinite(trace.outdoor_c))
    at_s, condensing_c, outdoor_c = _at(trace, thinned(told, trace.step_s))
    hours = hours_of(at_s, condensing_c, outdoor_c, max(trace.step_s, THINNED_S), _noise_k(trace, running))
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
    """A period is not told where its slope says otherwise, nor, unless it follows, behind a flooding valve."""
    if period.behaviour == CANNOT_TELL:
        return period
    slope = _period_slope(period, cold)
    if period.behaviour == BEHAVIOURS[FOLLOWS]:
        doubtful = slope is not None and slope < TOO_FLAT
    else:
        doubtful = behind_valve or (slope or 0.0) > TOO_STEEP
    return replace(period, behaviour=CANNOT_TELL) if doubtful else period


def _at(trace: Trace, samples: Index) -> tuple[Array, Array, Array]:
    """Instant, condensing and outdoor temperature of some samples, those without a saturation temperature left out."""
    needed = {name: trace[name][samples] for name in ("liquid_kpa", "discharge_kpa", "outdoor_c", "station_c")}
    part = replace(trace, at_s=trace.at_s[samples], channels=needed)
    condensing_c = part.condensing_c()
    known = np.isfinite(condensing_c)
    return part.at_s[known], condensing_c[known], part.outdoor_c[known]


def hours_of(at_s: Array, condensing_c: Array, outdoor_c: Array, step_s: float, noise_k: float) -> Hours:
    """Samples (in time order, `step_s` apart, without NaN) by UTC hour, or by three where most have few samples."""
    if len(at_s) == 0:
        return Hours(*(np.empty(0) for _ in Hours.__dataclass_fields__))
    length_s = HOUR_S
    first, count = _groups(at_s, HOUR_S)
    if np.median(count) < LEAST_FOR_SPREAD:
        length_s = SPARSE_S
        first, count = _groups(at_s, SPARSE_S)
    no = np.repeat(np.arange(len(first)), count)
    middle_c = _medians(condensing_c, no, first, count)
    off_k = np.clip(condensing_c - middle_c[no], -2 * WIDEST_SAW_K, 2 * WIDEST_SAW_K)
    step_k = np.abs(np.diff(off_k, prepend=0.0))
    step_k[first] = 0.0
    fewer = np.maximum(count - 1, 1)
    from_steps_k = MEAN_STEP_TO_SD * np.add.reduceat(step_k, first) / fewer
    mean_k = np.add.reduceat(off_k, first) / count
    from_spread_k = np.sqrt(np.maximum(np.add.reduceat(off_k**2, first) - count * mean_k**2, 0.0) / fewer)
    seen_k2 = from_steps_k * from_spread_k
    known = count >= LEAST_FOR_SPREAD
    if known.any():
        noise_k = min(noise_k, float(np.sqrt(np.quantile(seen_k2[known], QUIETEST))))
    swing_k = np.sqrt(np.maximum(seen_k2 - noise_k**2, 0.0))
    return Hours(
        first_s=at_s[first],
        last_s=at_s[first + count - 1],
        condensing_c=middle_c,
        outdoor_c=_medians(outdoor_c, no, first, count),
        swing_k=np.where(known, swing_k, np.nan),
        weight=np.minimum(count * step_s / (WHOLE_SHARE * length_s), 1.0) * length_s / (HOURS_ALIKE * HOUR_S),
    )


def _groups(at_s: Array, length_s: float) -> tuple[Index, Index]:
    """First sample and number of samples of each stretch of time that has any."""
    first = np.flatnonzero(np.diff(np.floor(at_s / length_s), prepend=-np.inf))
    return first, np.diff(first, append=len(at_s))


def least_over_k(hours: Hours) -> float:
    """Low end of condensing over ambient in some hours, K, near what every fan gives; NaN where they are few."""
    enough = len(hours) >= LEAST_HOURS
    return float(np.quantile(hours.condensing_c - hours.outdoor_c, 0.1)) if enough else np.nan


def periods_of(cold: Hours, least_k: float, mild_k: float, begin_s: float, end_s: float) -> list[Period]:
    """Periods of one behaviour from cold hours, together covering begin_s to end_s, seconds since 1970.

    `least_k` is the least distance over ambient, K, that the circuit has shown, `mild_k` the same in mild air, where
    it has every fan, NaN where there was none.
    """
    if len(cold) == 0 or np.isnan(least_k):
        return [Period(begin_s, end_s, CANNOT_TELL)]
    first = np.flatnonzero(np.diff(np.floor(cold.first_s / DAY_S), prepend=-np.inf))
    states = _grid(cold, least_k, mild_k)
    costs = hour_costs(cold, states, mild_k)
    by_day = _by_day(costs, first)
    path = likeliest_path(by_day, states)
    changes = (np.flatnonzero(np.diff(states.behaviour[path])) + 1).tolist()
    spots = [_change(cold, costs, first, path, day) for day in changes]
    starts = [begin_s, *(spot[0] for spot in spots)]
    ends = [*starts[1:], end_s]
    told = [_told(by_day[a:b], states, path[a]) for a, b in pairwise([0, *changes, len(path)])]
    intervals = [None, *(spot[1:] for spot in spots)]
    return _joined(map(Period, starts, ends, told, intervals))


def residuals_k(hours: Hours, states: States, mild_k: float) -> Array:
    """Condensing temperature over what each state expects, K (hours, states).

    A held or cycling circuit leaves its level where every fan no longer keeps it down: it then follows ambient at
    its distance in mild air, where that is known.
    """
    outdoor_c, condensing_c = hours.outdoor_c[:, None], hours.condensing_c[:, None]
    held = int(np.searchsorted(states.behaviour, HELD))
    off_k = np.empty((len(hours), len(states.level)))
    off_k[:, :held] = (condensing_c - outdoor_c) - states.level[:held]
    off_k[:, held:] = condensing_c - np.fmax(states.level[held:], outdoor_c + mild_k)
    staged = np.flatnonzero(states.step_k)
    off_k[:, staged] -= states.step_k[staged] * (outdoor_c < states.step_at_c[staged])
    return off_k


def hour_costs(hours: Hours, states: States, mild_k: float) -> Array:
    """Negative log likelihood (hours, states) of each hour's level and spread under each state.

    The level is Gaussian with bounded loss; the bound is lower under the level of a control, which cannot hold where
    little heat is rejected.
    """
    off_k = residuals_k(hours, states, mild_k)
    cost: Array = 0.5 * np.square(off_k / states.scale_k)
    np.minimum(cost, OUTLIER, out=cost)
    np.minimum(cost, FLOATS, out=cost, where=(off_k < 0) & (states.behaviour != FOLLOWS))
    cost += np.log(states.scale_k)
    cost += _spread_costs(hours.swing_k)[:, states.behaviour]
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
    moves = np.where(kind == FOLLOWS, DISTANCE_MOVES + DOUBLING * np.maximum(doublings - 1.0, 0.0), SET_POINT_MOVES)
    price = np.where(kind[:, None] == kind, moves, BEHAVIOUR_CHANGES) + states.entry
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


def _grid(cold: Hours, least_k: float, mild_k: float) -> States:
    """Every level the circuit has shown, and fans staged where that fits best.

    Following ambient near its own distance in mild air is likelier than the rest. A level so low that the circuit
    would mostly stay above it is none: there, holding and following are the same.
    """
    over_k = least_k + _levels(cold.condensing_c - cold.outdoor_c - least_k)
    far = np.log2(np.maximum(over_k, LEAST_DISTANCE_K) / max(least_k, LEAST_DISTANCE_K)) - FREE_DOUBLINGS
    entry = np.where(np.abs(over_k - mild_k) <= NEAR_K, 0.0, UNUSUAL_LEVEL) + DOUBLING * np.maximum(far, 0.0)
    held_c = _levels(cold.condensing_c)
    felt_c = np.fmax(np.quantile(cold.outdoor_c, LEAST_SHARE_HELD) + mild_k, held_c[0])
    held_c = held_c[held_c >= min(felt_c, held_c[-1])]
    plain = (-np.inf, 0.0)
    rows = [
        *((FOLLOWS, least_k, scale_k, *_staging(cold, least_k), STAGED) for scale_k in SCALES_K),
        *(
            (FOLLOWS, *at, scale_k, *plain, price)
            for scale_k in SCALES_K
            for *at, price in zip(over_k, entry, strict=True)
        ),
        *((HELD, level_c, scale_k, *plain, UNUSUAL_LEVEL) for scale_k in SCALES_K for level_c in held_c),
        *((CYCLING, level_c, MIDDLE_OF_SAW_K, *plain, UNUSUAL_LEVEL) for level_c in held_c[::2]),
    ]
    behaviour, *columns = np.array(rows).T
    return States(behaviour.astype(np.int64), *columns)


def _staging(cold: Hours, least_k: float) -> tuple[float, float]:
    """The outdoor temperature, °C, at which resting fans would explain best what is over the distance of every fan,
    and by how much, K."""
    outdoor_c = cold.outdoor_c
    more_k = cold.condensing_c - outdoor_c - least_k
    fits = []
    for step_at_c in np.arange(np.ceil(outdoor_c.min()) + GRID_K, outdoor_c.max(), GRID_K):
        below = outdoor_c < step_at_c
        step_k = max(float(np.median(more_k[below])), 0.0)
        off = np.minimum(0.5 * ((more_k - step_k * below) / SCALES_K[1]) ** 2, OUTLIER)
        fits.append((float(off.sum()), float(step_at_c), step_k))
    return min(fits)[1:] if fits else (-np.inf, 0.0)


def _levels(seen: Array) -> Array:
    """Multiples of GRID_K over what was seen but for the last percents."""
    low, high = np.quantile(seen, [0.02, 0.98]) / GRID_K
    levels: Array = GRID_K * np.arange(np.floor(low), np.ceil(high) + 1)
    return levels


def _by_day(costs: Array, first: Index) -> Array:
    """Costs summed over each day's hours (days, states), odd days bounded."""
    total = np.add.reduceat(costs, first, axis=0)
    bounded: Array = np.minimum(total, total.min(axis=1, keepdims=True) + MOST_OF_A_DAY)
    return bounded


def _told(by_day: Array, states: States, state: int) -> str:
    """The behaviour of a period if it explains the period's days clearly better than each of the others does."""
    kinds = np.unique(states.behaviour)
    cost = {int(kind): _cost_of_one(by_day, states, int(kind)) for kind in kinds}
    own = cost.pop(int(states.behaviour[state]))
    return BEHAVIOURS[states.behaviour[state]] if min(cost.values()) - own >= ENOUGH_EVIDENCE else CANNOT_TELL


def _cost_of_one(by_day: Array, states: States, kind: int) -> float:
    """What the days cost if only one behaviour may be used."""
    few = np.flatnonzero(states.behaviour == kind)
    return float(_cheapest(by_day[:, few], prices(states)[np.ix_(few, few)], states.entry[few])[-1].min())


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
        first, count = _groups(hours.first_s, DAY_S)
        no = np.repeat(np.arange(len(first)), count)
        own_x, own_y = (each - _medians(each, no, first, count)[no] for each in (x, y))
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
        weight = 1.0 / np.maximum(off / (1.345 * 1.4826 * np.median(off) + 1e-6), 1.0)
    return float(slope)


def _noise_k(trace: Trace, running: Running) -> float:
    """Noise of condensing temperature in steady running, K, from the head pressure's scatter at rest."""
    some = slice(SAMPLES_FOR_NOISE)
    head_kpa, running_now = trace.head_kpa[some], running.on[some] & np.isfinite(trace.head_kpa[some])
    if not running_now.any():
        return 0.0
    at_rest = noise_kpa(head_kpa, running.known[some] & ~running.on[some])
    return K_PER_E_FOLD * min(at_rest, MOST_NOISE_KPA) / float(np.median(head_kpa[running_now]))


def _medians(value: Array, no: Index, first: Index, count: Index) -> Array:
    """Median of each group of consecutive values: sorted by group and value as one number."""
    span = 1024.0
    ordered = np.sort(value + span * no) - span * no
    middle: Array = 0.5 * (ordered[first + (count - 1) // 2] + ordered[first + count // 2])
    return middle


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
