"""Did it hold? Cold calls after each repair against those that the unit was expected to bring untreated.

All names here speak of associations: nobody drew lots for which unit was repaired, and how.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient.plan.shrinkage import Prior, Rates, shrunk, weighed

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

RESET_ONLY = "switch reset only"
"""The one kind of work that changes nothing: a unit that only had this counts as untreated."""

_DRIFT_EVENTS = 10.0
"""Judgement: before looking, calls per cold hour of similar units differ between spans by about 30 % (1 / sqrt(10))."""

_CLASS = ["station_id", "demand_from_c", "starve_ambient_c"]
_SIMILAR = ["demand_from_c", "starve_ambient_c"]
_ORDER = ("unit", "done_at", "trigger_at", "call_id")
_DAY_US = 86_400_000_000


def follow_up(
    repairs: pl.DataFrame,
    other_work: pl.DataFrame,
    episodes: pl.DataFrame,
    units: pl.DataFrame,
    cold_days: pl.DataFrame,
    thresholds: Mapping[str, float],
) -> pl.DataFrame:
    """Each repair with the cold calls after it, those expected untreated, and whether it held.

    `repairs`, `other_work`: as the marts; `episodes`: unit_id, first_opened_at of cold low-pressure episodes in
    service; `units`: unit_id, station_id, demand_from_c, starve_ambient_c, served_from, served_to; `cold_days`: as the
    mart.
    Grain: repair, sorted by call_id. Columns:

    - `call_id`, `unit_id`, `work`; `expected_untreated_calls`: rate of the unit * `cold_hours_after` * drift;
      `calls_after`; `cold_hours_after` [h]; `ratio` = calls_after / expected, `lower`, `upper`: 95 % of what it can be;
      `verdict`: `held` where P(ratio < held_ratio) > verdict_probability, `not held` where P(ratio > not_held_ratio)
      is, `too early` with fewer than follow_up_least_expected calls expected, else `cannot tell`; `apart`: its time
      after does not overlap that of an earlier repair of the same kind and unit, so that both can be added up.

    Rate of the unit: gamma-Poisson, from its own calls and cold hours since it was last changed (or served) up to and
    with the day of the trigger call, and from all units in the same position (never changed, or changed before),
    which is what allows for regression to the mean. The trigger belongs to what is known of the unit: a unit that is
    repaired because of a call is likelier to be one that calls, and leaving that call out makes every repair look
    bad. Drift: calls of similar untreated units (same starve ambient and demand) over the cold hours after, against
    theirs over the cold hours before, each over what their rates would give. Time after runs in whole days from
    follow_up_settling_days after the work until the unit leaves service or the day of the call that brought about
    the next change, on whatever call, return or planned visit (that call is counted). The time after a reset alone ends
    also at the next visit of `other_work` that does not state its work, and what is known of its unit begins after the
    last one: such a visit may have changed the unit, and a reset did not. Ratio: calls after are Poisson, their mean
    gamma with Jeffreys' prior; expected calls gamma with the variance of rate and drift; the ratio of two gammas is a
    scaled F.
    Source: Gaver & O'Muircheartaigh 1987, Technometrics 29(1), 1-15 (rates); Hauer 1997, Observational Before-After
    Studies in Road Safety, chapters 11-12 (the empirical-Bayes before-after design, from memory).
    """
    if not _any_served(repairs, units):
        return pl.DataFrame(
            schema={"call_id": pl.String, "unit_id": pl.String, "work": pl.String, **_JUDGED, "apart": pl.Boolean}
        )
    study = _Study.of(repairs, other_work, episodes, units, cold_days, thresholds)
    return study.rows().sort("call_id")


def follow_up_by_work(
    repairs: pl.DataFrame,
    other_work: pl.DataFrame,
    episodes: pl.DataFrame,
    units: pl.DataFrame,
    cold_days: pl.DataFrame,
    thresholds: Mapping[str, float],
) -> pl.DataFrame:
    """All repairs of a kind together; arguments, ratio, interval and verdict as in `follow_up`.

    Grain: work, sorted. `repairs`: those whose time after does not overlap an earlier one's; `units`;
    `expected_untreated_calls`, `calls_after`, `cold_hours_after`: summed; `ratio`: the median of what it can be, each
    repair weighed by what it can tell. It is not the quotient of the sums, which leans, because time after ends sooner
    on units that call more. What is not known of the fleet's rates and of drift is shared by all repairs, and does
    not average out.
    """
    if not _any_served(repairs, units):
        return pl.DataFrame(schema=_BY_WORK)
    study = _Study.of(repairs, other_work, episodes, units, cold_days, thresholds)
    return study.pooled()


def _any_served(repairs: pl.DataFrame, units: pl.DataFrame) -> bool:
    """Whether any repair was on a unit in service."""
    served = units.filter(pl.col("served_from") < pl.col("served_to"))
    return bool(repairs["unit_id"].is_in(served["unit_id"].implode()).any())


@dataclass(frozen=True)
class _Days:
    """Whole days since the first of interest, and cold hours of each class of units by them.

    `cold`: (class, day + 1) cold hours of the class before each day; `similar`: of each class, its group of alike ones.
    """

    first: datetime
    cold: Array
    similar: Whole

    @property
    def count(self) -> int:
        """Days."""
        return int(self.cold.shape[1]) - 1

    def floor(self, instants: pl.Series) -> Whole:
        """Day in which each instant lies, kept within the days there are."""
        return self._days(instants, 0)

    def ceil(self, instants: pl.Series) -> Whole:
        """First day that does not begin before each instant."""
        return self._days(instants, _DAY_US - 1)

    def _days(self, instants: pl.Series, up_us: int) -> Whole:
        since_us = (instants - self.first).dt.total_microseconds().to_numpy().astype(np.int64)
        return np.asarray(np.clip((since_us + up_us) // _DAY_US, 0, self.count))

    def hours(self, of_class: Whole, begin: Whole, end: Whole) -> Array:
        """Cold hours from one day up to another."""
        end = np.maximum(begin, end)
        return np.asarray(self.cold[of_class, end] - self.cold[of_class, begin])


@dataclass(frozen=True)
class _Spans:
    """Of each visit that did something, the days of its time before and after; arrays over visits.

    `trigger`: day after the call that brought it about; `begin` up to `end`: time after; `is_change`: more than a
    reset was stated; `changed_before`: the unit was changed by an earlier one, for a reset it may have been;
    `known_from`: day since which the unit was in the condition that the visit found.
    """

    unit: Whole
    trigger: Whole
    begin: Whole
    end: Whole
    is_change: Flags
    changed_before: Flags
    known_from: Whole

    @classmethod
    def of(
        cls, work: pl.DataFrame, days: _Days, served_from: Whole, served_to: Whole, settling_days: float
    ) -> "_Spans":
        """From visits in order of unit and time, and the first and last day in service of each unit."""
        unit = work["unit"].to_numpy()
        trigger = np.clip(days.floor(work["trigger_at"]) + 1, served_from[unit], served_to[unit])
        settled = work["done_at"].dt.offset_by(f"{round(24 * settling_days)}h")
        begin = np.clip(days.ceil(settled), served_from[unit], served_to[unit])
        is_reset = (work["work"] == RESET_ONLY).fill_null(value=False).to_numpy()
        is_change = ~is_reset & work["work"].is_not_null().to_numpy()
        # a reset is credited and debited only with what lies between visits that may have changed the unit
        maybe, surely = (
            (_until_next(unit, trigger, ends, served_to), *_since_last_change(unit, begin, ends, served_from[unit]))
            for ends in (~is_reset, is_change)
        )
        until, changed_before, known_from = (np.where(is_reset, *each) for each in zip(maybe, surely, strict=True))
        return cls(unit, trigger, begin, np.maximum(begin, until), is_change, changed_before, known_from)

    def chosen(self, which: Flags) -> "_Spans":
        """Those of some visits."""
        return _Spans(*(values[which] for values in vars(self).values()))


@dataclass(frozen=True)
class _Study:
    """Everything counted, each repair with its spans, hours and calls; arrays over repairs."""

    repairs: pl.DataFrame
    hours_after: Array
    calls_after: Array
    apart: Flags
    rates: "_Untreated"
    drift: Array
    drift_variance: Array
    thresholds: Mapping[str, float]

    @classmethod
    def of(
        cls,
        repairs: pl.DataFrame,
        other_work: pl.DataFrame,
        episodes: pl.DataFrame,
        units: pl.DataFrame,
        cold_days: pl.DataFrame,
        thresholds: Mapping[str, float],
    ) -> "_Study":
        units = units.filter(pl.col("served_from") < pl.col("served_to")).sort("unit_id").with_row_index("unit")
        numbered = units.select("unit_id", pl.col("unit").cast(pl.Int64))
        episodes = episodes.join(numbered, on="unit_id")
        days, of_class = _days(units, cold_days)
        calls = _Counter.of(episodes["unit"].to_numpy(), days.floor(episodes["first_opened_at"]), days.count)
        served_from, served_to = days.ceil(units["served_from"]), days.floor(units["served_to"])
        work = _in_order(repairs, other_work).join(numbered, on="unit_id").sort(*_ORDER)
        spans = _Spans.of(work, days, served_from, served_to, thresholds["follow_up_settling_days"])
        repairs = work.filter("is_repair")

        def counted(of: Whole, first: Whole, last: Whole) -> tuple[Array, Array]:
            hours = days.hours(of_class[of], first, last)
            return np.where(hours > 0, calls.between(of, first, last), 0.0), hours

        every = np.arange(units.height)
        changes = spans.chosen(spans.is_change)
        untreated_to = served_to.copy()
        np.minimum.at(untreated_to, changes.unit, changes.trigger)
        untreated = counted(every, served_from, untreated_to)
        of_repairs = spans.chosen(work["is_repair"].to_numpy())
        unit, begin, end = of_repairs.unit, of_repairs.begin, of_repairs.end
        after = counted(unit, begin, end)
        changed_before, known_from, trigger = of_repairs.changed_before, of_repairs.known_from, of_repairs.trigger
        before = counted(unit, known_from, trigger)
        rates = _Untreated.of(before, changed_before, untreated, counted(changes.unit, changes.begin, changes.end))

        unit_rate = _Untreated.of(untreated, np.zeros(len(every), dtype=bool), untreated, untreated).mean
        alike = _Similar.of(days, of_class, rate=unit_rate, begin=served_from, end=untreated_to, calls=calls)
        group = days.similar[of_class[unit]]
        own = (
            np.where(changed_before, 0.0, before[0]),
            np.where(changed_before, 0.0, unit_rate[unit] * before[1]),
        )
        drift_before, variance_before = alike.over(group, known_from, trigger, *own)
        drift_after, variance_after = alike.over(group, begin, end)
        return cls(
            repairs,
            after[1],
            after[0],
            _apart(unit, repairs["work"].to_list(), begin, end),
            rates,
            drift_after / drift_before,
            variance_after + variance_before,
            thresholds,
        )

    def rows(self) -> pl.DataFrame:
        """One row a repair."""
        scale = self.hours_after * self.drift
        expected = self.rates.mean * scale
        variance = self.rates.variance * scale**2 + expected**2 * self.drift_variance
        return self.repairs.select("call_id", "unit_id", "work").with_columns(
            *_judged(expected, variance, self.calls_after, self.hours_after, self.thresholds),
            pl.Series("apart", self.apart),
        )

    def pooled(self) -> pl.DataFrame:
        """One row a kind of work."""
        works = np.array(self.repairs["work"].to_list(), dtype=object)
        rows = []
        for work in sorted(set(works)):
            chosen = self.apart & (works == work)
            counts = {
                "work": work,
                "repairs": int(chosen.sum()),
                "units": self.repairs.filter(pl.Series(chosen))["unit_id"].n_unique(),
            }
            rows.append(counts | self._of_kind(chosen))
        return pl.DataFrame(rows, schema=_BY_WORK, orient="row").with_columns(pl.col(pl.Float64).round(4))

    def _of_kind(self, chosen: Flags) -> dict[str, float | int | str | None]:
        """What is known of the one ratio of these repairs."""
        scale = np.where(chosen, self.hours_after * self.drift, 0.0)
        expected = self.rates.mean * scale
        seen = expected > 0
        told: dict[str, float | int | str | None] = {
            "expected_untreated_calls": float(expected.sum()),
            "calls_after": int(self.calls_after[chosen].sum()),
            "cold_hours_after": float(self.hours_after[chosen].sum()),
        }
        if not seen.any():
            return told | {"verdict": "too early"}
        own_shape = expected[seen] ** 2 / (self.rates.own_variance * scale**2)[seen]
        shared = self.rates.shared_variance_of_sum(scale) / expected.sum() ** 2
        shared += (np.sum(expected * np.sqrt(self.drift_variance)) / expected.sum()) ** 2
        posterior = _CommonRatio.of(self.calls_after[seen], expected[seen], own_shape, float(shared))
        enough = expected.sum() >= self.thresholds["follow_up_least_expected"]
        verdict = _verdict(
            np.array([enough]),
            posterior.below([self.thresholds["held_ratio"]]),
            posterior.below([self.thresholds["not_held_ratio"]]),
            self.thresholds["verdict_probability"],
        )
        lower = posterior.quantile(0.025) if told["calls_after"] else 0.0
        return told | {
            "ratio": posterior.quantile(0.5),
            "lower": lower,
            "upper": posterior.quantile(0.975),
            "verdict": str(verdict[0]),
        }


@dataclass(frozen=True)
class _CommonRatio:
    """What is known of one ratio behind many repairs: its probability by grid point of its logarithm.

    Calls after are negative binomial given each repair's expected calls and the gamma doubt about them; that
    likelihood holds although the time after ends sooner on units that call more, where a quotient of sums does not.
    Jeffreys' prior of a Poisson mean. Where repairs differ more than that lets them, the likelihood is weakened by
    the ratio of found to expected variance of the score (quasi-likelihood: Wedderburn 1974, Biometrika 61, 439-447).
    """

    logs: Array
    cumulative: Array
    shared_sd: float

    @classmethod
    def of(cls, calls: Array, expected: Array, shape: Array, shared_variance: float) -> "_CommonRatio":
        logs = np.linspace(np.log(1e-4), np.log(1e3), 1401)
        likelihood = np.zeros(len(logs))
        for place, ratio in enumerate(np.exp(logs)):
            odds = ratio * expected / shape
            likelihood[place] = np.sum(calls * (np.log(odds) - np.log1p(odds)) - shape * np.log1p(odds))
        best = np.exp(logs[np.argmax(likelihood)])
        weight = 1 / (1 + best * expected / shape)
        dispersion = max(1.0, np.sum(((calls - best * expected) * weight) ** 2) / np.sum(best * expected * weight))
        log_p = likelihood / dispersion + 0.5 * logs
        p = np.exp(log_p - log_p.max())
        return cls(logs, np.cumsum(p) / p.sum(), float(np.sqrt(shared_variance)))

    def below(self, ratio: npt.ArrayLike) -> Array:
        """Probability that the ratio is smaller than each of these."""
        points, weights = np.polynomial.hermite_e.hermegauss(21)
        moved = np.log(ratio)[..., None] + self.shared_sd * points
        reached = np.interp(moved, self.logs, self.cumulative, left=0.0, right=1.0)
        return np.asarray(np.sum(weights * reached, axis=-1) / np.sum(weights))

    def quantile(self, level: float) -> float:
        """The ratio that is not reached with this probability."""
        return float(np.exp(np.interp(level, self.below(np.exp(self.logs)), self.logs)))


@dataclass(frozen=True)
class _Untreated:
    """Rates per cold hour that would go on without a repair; arrays over repairs.

    `parts`: for units never changed before and for units changed before, which repairs they are, the prior and what
    is known of the rates; one or the other may be missing.
    """

    mean: Array
    variance: Array
    own_variance: Array
    parts: tuple[tuple[Flags, Prior, Rates], ...]

    @classmethod
    def of(
        cls,
        known: tuple[Array, Array],
        changed_before: Flags,
        of_untreated: tuple[Array, Array],
        of_changed: tuple[Array, Array],
    ) -> "_Untreated":
        """From calls and cold hours of each repair's unit before it, and those of the two fleets that lend a prior."""
        mean, variance, own_variance = (np.zeros(len(known[0])) for _ in range(3))
        parts = []
        for chosen, (calls, hours) in ((~changed_before, of_untreated), (changed_before, of_changed)):
            if chosen.any() and hours.sum() > 0:
                prior = weighed(calls, hours)
                rates = shrunk(prior, known[0][chosen], known[1][chosen])
                mean[chosen], variance[chosen] = rates.mean, rates.variance
                own_variance[chosen] = rates.own_variance
                parts.append((chosen, prior, rates))
        return cls(mean, variance, own_variance, tuple(parts))

    def shared_variance_of_sum(self, scale: Array) -> float:
        """Variance of sum(rate * scale) that comes from not knowing the fleet, and does not average out."""
        variance = 0.0
        for chosen, prior, rates in self.parts:
            by_node = np.sum(rates.node_means * scale[chosen, None], axis=0)
            centre = np.sum(prior.probability * by_node)
            variance += float(np.sum(prior.probability * (by_node - centre) ** 2))
        return variance


@dataclass(frozen=True)
class _Counter:
    """Calls by unit and day, sorted, so that those of a span are two places apart."""

    keys: Whole
    days: int

    @classmethod
    def of(cls, unit: Whole, day: Whole, days: int) -> "_Counter":
        return cls(np.sort(unit * (days + 2) + day), days)

    def between(self, unit: Whole, begin: Whole, end: Whole) -> Array:
        """Calls of each unit from one day up to another."""
        base = unit * (self.days + 2)
        first, last = (np.searchsorted(self.keys, base + day, side="left") for day in (begin, np.maximum(begin, end)))
        return (last - first).astype(np.float64)

    def listed(self) -> tuple[Whole, Whole]:
        """Unit and day of each call."""
        return self.keys // (self.days + 2), self.keys % (self.days + 2)


@dataclass(frozen=True)
class _Similar:
    """Untreated units that are alike: (group, day + 1) calls that came and calls that their rates would give."""

    came: Array
    expected: Array

    @classmethod
    def of(cls, days: _Days, of_class: Whole, *, rate: Array, begin: Whole, end: Whole, calls: _Counter) -> "_Similar":
        """From each unit's rate and the days from which and up to which it was untreated; arrays over units."""
        groups = int(days.similar.max()) + 1
        changes = np.zeros_like(days.cold)
        np.add.at(changes, (of_class, begin), rate)
        np.add.at(changes, (of_class, np.maximum(begin, end)), -rate)
        of_day = np.cumsum(changes, axis=1)[:, :-1] * np.diff(days.cold, axis=1)
        expected = np.zeros((groups, days.count))
        np.add.at(expected, days.similar, of_day)
        unit, day = calls.listed()
        untreated = (day >= begin[unit]) & (day < end[unit])
        came = np.zeros((groups, days.count))
        np.add.at(came, (days.similar[of_class[unit[untreated]]], day[untreated]), 1.0)
        return cls(_before_each(came), _before_each(expected))

    def over(
        self, group: Whole, begin: Whole, end: Whole, own_came: Array | float = 0.0, own_expected: Array | float = 0.0
    ) -> tuple[Array, Array]:
        """Calls over expected in a span, and the relative variance of that, without a unit's own."""
        came = np.maximum(self.came[group, end] - self.came[group, begin] - own_came, 0)
        expected = np.maximum(self.expected[group, end] - self.expected[group, begin] - own_expected, 0)
        return (_DRIFT_EVENTS + came) / (_DRIFT_EVENTS + expected), 1 / (_DRIFT_EVENTS + came)


def _days(units: pl.DataFrame, cold_days: pl.DataFrame) -> tuple[_Days, Whole]:
    """Cold hours by day, and the class of each unit."""
    classes = units.select(_CLASS).unique().sort(_CLASS).with_row_index("class")
    of_class = units.join(classes, on=_CLASS, nulls_equal=True, maintain_order="left")["class"].to_numpy()
    similar = classes.select(pl.struct(_SIMILAR).rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    first = units["served_from"].dt.truncate("1d").min()
    last = units["served_to"].max()
    count = 1 + (last - first).days if isinstance(first, datetime) and isinstance(last, datetime) else 0
    hours = np.zeros((classes.height, count))
    placed = cold_days.join(classes, on=_CLASS, nulls_equal=True).with_columns(
        number=(pl.col("day") - pl.lit(first)).dt.total_days()
    )
    placed = placed.filter(pl.col("number").is_between(0, count - 1))
    hours[placed["class"].to_numpy(), placed["number"].to_numpy()] = placed["cold_hours"].to_numpy()
    start = first if isinstance(first, datetime) else datetime(1970, 1, 1)  # noqa: DTZ001
    return _Days(start, _before_each(hours), similar), of_class.astype(np.int64)


def _before_each(values: Array) -> Array:
    """Running sums along days, from 0."""
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def _in_order(repairs: pl.DataFrame, other_work: pl.DataFrame) -> pl.DataFrame:
    """Repairs and the other visits that changed a unit, or may have, as one table."""
    columns = ("call_id", "unit_id", "work", "trigger_at", "done_at")
    others = other_work.select(columns).cast(repairs.select(columns).schema)
    return pl.concat(
        [
            frame.select(columns).with_columns(is_repair=pl.lit(mine))
            for frame, mine in ((repairs, True), (others, False))
        ]
    )


def _since_last_change(unit: Whole, begin: Whole, is_change: Flags, served_from: Whole) -> tuple[Flags, Whole]:
    """Whether the unit was changed before each repair, and since which day it is in its present condition."""
    changed, since = np.zeros(len(unit), dtype=bool), served_from.copy()
    last: dict[int, int] = {}
    for place in range(len(unit)):
        if int(unit[place]) in last:
            changed[place], since[place] = True, last[int(unit[place])]
        if is_change[place]:
            last[int(unit[place])] = int(begin[place])
    return changed, since


def _until_next(unit: Whole, trigger: Whole, ends: Flags, served_to: Whole) -> Whole:
    """First day on which a later visit that `ends` the time of those before it was brought about, else the end of
    the unit's service; arrays over visits, in order of unit and time."""
    until = served_to[unit]
    first: dict[int, int] = {}
    for place in range(len(unit) - 1, -1, -1):
        number = int(unit[place])
        until[place] = min(until[place], first.get(number, int(until[place])))
        if ends[place]:
            first[number] = min(int(trigger[place]), first.get(number, int(trigger[place])))
    return until


def _apart(unit: Whole, works: list[str], begin: Whole, end: Whole) -> Flags:
    """Which repairs have a time after that no earlier kept one of the same unit and kind overlaps."""
    kept_to: dict[tuple[int, str], int] = {}
    apart = np.zeros(len(unit), dtype=bool)
    for place, work in enumerate(works):
        key = int(unit[place]), work
        apart[place] = begin[place] >= kept_to.get(key, 0)
        if apart[place]:
            kept_to[key] = int(end[place])
    return apart


def _judged(
    expected: Array, variance: Array, calls: Array, hours: Array, thresholds: Mapping[str, float]
) -> list[pl.Series]:
    """Expected and counted calls, their ratio with its interval, and the verdict."""
    known = expected > 0
    mean = np.where(known, expected, 1.0)
    shape = calls + 0.5
    # a ratio of gammas: (shape / mean) times F with 2 shape and 2 / (relative variance) degrees of freedom
    freedom = 2 * mean**2 / np.where(known, np.maximum(variance, 1e-12), 1.0)
    scale = shape / mean

    def below(ratio: float) -> Array:
        return np.asarray(stats.f.cdf(ratio / scale, 2 * shape, freedom))

    lower, upper = (scale * stats.f.ppf(tail, 2 * shape, freedom) for tail in (0.025, 0.975))
    verdict = _verdict(
        expected >= thresholds["follow_up_least_expected"],
        below(thresholds["held_ratio"]),
        below(thresholds["not_held_ratio"]),
        thresholds["verdict_probability"],
    )

    def of_known(name: str, values: Array) -> pl.Series:
        return pl.Series(name, np.where(known, values, np.nan), dtype=pl.Float64, nan_to_null=True).round(4)

    return [
        pl.Series("expected_untreated_calls", expected, dtype=pl.Float64).round(4),
        pl.Series("calls_after", calls.astype(np.int64), dtype=pl.Int64),
        pl.Series("cold_hours_after", hours, dtype=pl.Float64).round(1),
        of_known("ratio", calls / mean),
        of_known("lower", np.where(calls > 0, lower, 0.0)),
        of_known("upper", upper),
        pl.Series("verdict", verdict, dtype=pl.String),
    ]


def _verdict(enough: Flags, below_held: Array, below_not_held: Array, sure: float) -> npt.NDArray[np.str_]:
    """The verdict, from the probabilities that the ratio is below `held_ratio` and below `not_held_ratio`."""
    return np.select(
        [~enough, below_held > sure, 1 - below_not_held > sure], ["too early", "held", "not held"], "cannot tell"
    )


_JUDGED: dict[str, type[pl.DataType]] = {
    "expected_untreated_calls": pl.Float64,
    "calls_after": pl.Int64,
    "cold_hours_after": pl.Float64,
    "ratio": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "verdict": pl.String,
}
_BY_WORK: dict[str, type[pl.DataType]] = {"work": pl.String, "repairs": pl.Int64, "units": pl.Int64, **_JUDGED}
