"""Scores of an analysis of one circuit against the planted truth, with slow, obvious code.

Every function takes frames of the analysis (as `lowambient.traces.analysis.Analysis` holds them) and a `Made`, and
gives small records that can be added over circuits. Pressures in psi here, because the targets are.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Protocol

import polars as pl
from scipy.stats import beta
from trace_maker import PSI, Made

LONG_MIN = 30.0
COLD_HOURS = 50.0
LEAST_EVENTS = 3
CHANGE_WITHIN = timedelta(days=2)
MOST_PARTS = 100


class Found(Protocol):
    """What is used of an Analysis."""

    trips: pl.DataFrame
    lockouts: pl.DataFrame
    set_points: pl.DataFrame
    head_pressure: pl.DataFrame


@dataclass(frozen=True)
class Tally:
    """Events right, missed (true, not found) and false (found, not true)."""

    right: int = 0
    missed: int = 0
    false: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(self.right + other.right, self.missed + other.missed, self.false + other.false)

    @property
    def recall(self) -> float | None:
        return self.right / (self.right + self.missed) if self.right + self.missed else None

    @property
    def precision(self) -> float | None:
        return self.right / (self.right + self.false) if self.right + self.false else None


@dataclass(frozen=True)
class TripScore:
    """`plain`: trips whose run and off outlast two samples, and all false ones; `brief`: the other true trips."""

    plain: Tally
    brief: Tally


def tolerance(made: Made) -> timedelta:
    """How far a found instant may be from the true one: two samples, at least a minute."""
    return timedelta(seconds=max(2 * made.interval_s, 60))


def logged_shift(made: Made) -> timedelta:
    """How far the logger's clock is ahead of the truth's."""
    hours = [to for name, _, _, to in made.order.sensing.faults if name == "clock"]
    return timedelta(hours=sum(hours))


def as_judged(made: Made, faults: pl.DataFrame) -> Made:
    """The circuit with its clock right where the analysis says that it corrected the clock, and so tells true times."""
    if "clock off" not in faults["fault"].to_list():
        return made
    kept = tuple(fault for fault in made.order.sensing.faults if fault[0] != "clock")
    return replace(made, order=replace(made.order, sensing=replace(made.order.sensing, faults=kept)))


def pairs(true_at: list[datetime], found_at: list[datetime], within: timedelta) -> list[tuple[int, int]]:
    """One-to-one matches in order of time: each true instant takes the nearest free found one within reach."""
    out: list[tuple[int, int]] = []
    free = set(range(len(found_at)))
    for i, at in enumerate(true_at):
        near = [j for j in free if abs(found_at[j] - at) <= within]
        if near:
            best = min(near, key=lambda j: (abs(found_at[j] - at), j))
            free.discard(best)
            out.append((i, best))
    return out


def score_trips(found: pl.DataFrame, made: Made, kind: str | None = None) -> TripScore:
    """Trips of one kind (or all, of the same kind): unseen true trips are not missed, yet excuse a find."""
    plain, brief = Tally(), Tally()
    shift = logged_shift(made)
    for one in [kind] if kind else ["low pressure", "high pressure"]:
        truth = made.trips.filter(pl.col("kind") == one).sort("tripped_at").rows(named=True)
        # Trips whose run and off outlast two samples choose first: a brief one may not take their match.
        truth.sort(key=lambda row: (not _outlasts(row, made), row["tripped_at"]))
        at = found.filter(pl.col("kind") == one)["tripped_at"].sort().to_list()
        matched = pairs([row["tripped_at"] + shift for row in truth], at, tolerance(made))
        hit = {i for i, _ in matched}
        false = len(at) - len(matched) - _within_bursts(truth, at, matched, made)
        for i, row in enumerate(truth):
            if i not in hit and not row["seen"]:
                continue
            score = Tally(right=int(i in hit), missed=int(i not in hit))
            if _outlasts(row, made):
                plain += score
            else:
                brief += score
        plain += Tally(false=false)
    return TripScore(plain, brief)


def _within_bursts(truth: list[dict], at: list[datetime], matched: list[tuple[int, int]], made: Made) -> int:
    """Finds that match nothing at their instant, yet lie among trips too brief to be told one by one, at most as many.

    Such trips are scored as a bound: a log that shows one of several in four samples says so much and no more.
    """
    hit, used = ({pair[place] for pair in matched} for place in (0, 1))
    left = [row["tripped_at"] + logged_shift(made) for i, row in enumerate(truth) if i not in hit]
    brief = [when for when, row in zip(left, (r for i, r in enumerate(truth) if i not in hit), strict=True)
             if not _outlasts(row, made)]  # fmt: skip
    return len(pairs(sorted(brief), [when for j, when in enumerate(at) if j not in used], 2 * tolerance(made)))


def _outlasts(row: dict, made: Made) -> bool:
    least = 2 * made.interval_s
    return row["run_s"] > least and (row["off_s"] is None or row["off_s"] > least)


def trip_counts(found: pl.DataFrame, made: Made) -> tuple[int, int]:
    """Found and true trips of a circuit: where they are too brief to be seen one by one, the first is a lower bound."""
    return found.height, made.trips.filter(pl.col("seen")).height


def _minutes(start: datetime, end: datetime) -> float:
    return (end - start).total_seconds() / 60


def _starts_within(made: Made) -> timedelta:
    return max(timedelta(minutes=10), 2 * timedelta(seconds=made.interval_s))


def _near(rows: list[dict], starts: list[datetime], at: datetime, made: Made) -> list[dict]:
    """Those of some lockouts, in order of their `starts`, that begin about an instant."""
    within = _starts_within(made)
    return rows[bisect_left(starts, at - within) : bisect_right(starts, at + within)]


def _same_lockout(true: dict, found: dict, made: Made) -> bool:
    """Starts alike, and at least half of each lies in the other; past the end of an unseen call is nobody's."""
    within = _starts_within(made)
    if abs(found["started_at"] - true["started_at"]) > within:
        return False
    found_end = found["ended_at"]
    if true["ended_at"] < found_end <= true["may_end_at"] + within:
        found_end = true["ended_at"]
    both = _minutes(max(found["started_at"], true["started_at"]), min(found_end, true["ended_at"]))
    true_min = _minutes(true["started_at"], true["ended_at"])
    found_min = _minutes(found["started_at"], found_end)
    return both >= 0.5 * true_min and both >= 0.5 * found_min


def _as_logged(truth: list[dict], made: Made) -> list[tuple[dict, list[int]]]:
    """Lockouts in a row that only runs within two samples part, each stretch of them as one, with their numbers.

    Such a run leaves one sample or none, as a trip within two samples does: no log tells the parts from the whole, nor
    which of several such runs it will show; nor a rest whose call went and came back unseen before such a run.
    """
    least = timedelta(seconds=2 * made.interval_s)
    out: list[tuple[dict, list[int]]] = []
    for number, row in enumerate(truth):
        whole, parts = row, [number]
        for later in range(number + 1, min(number + MOST_PARTS, len(truth))):
            if truth[later]["started_at"] - whole["may_end_at"] > least:
                break
            whole = {**whole, "ended_at": truth[later]["ended_at"], "may_end_at": truth[later]["may_end_at"]}
            parts = [*parts, later]
            out.append((whole, parts))
    return out


def score_lockouts(found: pl.DataFrame, made: Made, shown: bool = False, strict: bool = False) -> Tally:
    """Lockouts over 30 minutes; with `shown` only true ones whose trip ended a run that outlasts two samples.

    Recall over true ones that follow a trip and are seen to begin; precision over found ones, which may match any true
    stop (also shorter, or without a trip before); time in defrost does not count. A found one with its end unknown runs
    to the end of the log. True ones parted by runs within two samples may be found as one (`_as_logged`), but for
    `strict`.
    """
    shift = logged_shift(made)
    end_of_log = made.frame["read_at"].max()
    truth = made.lockouts.sort("started_at").rows(named=True)
    for row in truth:
        for name in ("started_at", "ended_at", "may_end_at"):
            row[name] += shift
    joined = [] if strict else _as_logged(truth, made)
    claims = [{**row, "ended_at": row["ended_at"] or end_of_log} for row in found.sort("started_at").rows(named=True)]
    claimed = [each["started_at"] for each in claims]

    def is_found(row: dict) -> bool:
        return any(_same_lockout(row, claim, made) for claim in _near(claims, claimed, row["started_at"], made))

    outlast = set(made.trips.filter(pl.col("run_s") > 2 * made.interval_s)["tripped_at"].to_list())
    whole = {n for row, parts in joined if is_found(row) for n in parts}
    right = missed = false = 0
    for number, row in enumerate(truth):
        net_min = _minutes(row["started_at"], row["ended_at"]) - row["defrost_min"]
        if shown and row["started_at"] - shift not in outlast:
            continue
        if net_min > LONG_MIN and row["after_trip"] and row["seen"]:
            hit = number in whole or is_found(row)
            right, missed = right + hit, missed + (not hit)
    any_true = sorted([*truth, *(row for row, _ in joined)], key=lambda row: row["started_at"])
    began = [each["started_at"] for each in any_true]
    for claim in claims:
        if _minutes(claim["started_at"], claim["ended_at"]) > LONG_MIN:
            near = _near(any_true, began, claim["started_at"], made)
            false += not any(_same_lockout(row, claim, made) for row in near)
    return Tally(right, missed, false)


@dataclass(frozen=True)
class SetPoint:
    """One switch of one circuit; errors in psi, None where nothing was estimated or listed."""

    switch: str
    events: int  # that the trace shows
    error_psi: float | None
    width_psi: float | None
    holds: bool | None  # the 90 % interval, without the sensor's own offset, holds the truth
    listed_error_psi: float | None
    name: str


def score_set_points(found: pl.DataFrame, made: Made) -> list[SetPoint]:
    """Each switch that the circuit has and the trace shows at least 3 times.

    The truth is on the logger's own scale: the sensor's offset is added, since no trace can show it.
    """
    rows = {row["switch"]: row for row in found.rows(named=True)}
    low, high = made.order.sensing.offset_psi
    out = []
    for switch, true_kpa in made.set_points.items():
        events = made.shown[switch]
        if events < LEAST_EVENTS:
            continue
        suction_side = switch.startswith("lp") and not made.order.plan.lp_at_liquid
        on_logger_kpa = true_kpa + (low if suction_side else high) * PSI
        row = rows.get(switch, {"estimate_kpa": None, "lower_kpa": None, "upper_kpa": None})
        estimate, lower, upper = row["estimate_kpa"], row["lower_kpa"], row["upper_kpa"]
        listed = getattr(made.listed, switch.replace(" ", "_").replace("-", "_") + "_kpa")
        interval = lower is not None and upper is not None
        out.append(
            SetPoint(
                switch=switch,
                events=events,
                error_psi=(estimate - on_logger_kpa) / PSI if estimate is not None else None,
                width_psi=(upper - lower) / PSI if interval else None,
                holds=lower <= on_logger_kpa <= upper if interval else None,
                listed_error_psi=(listed - true_kpa) / PSI if listed is not None else None,
                name=made.name,
            )
        )
    return out


def score_behaviour(found: pl.DataFrame, made: Made) -> list[tuple[str, str, float]]:
    """(true, found, cold hours) of every true period with 50 cold running hours that is not mixed.

    The found behaviour is the one whose periods cover most of the true period; none at all is "cannot tell".
    """
    shift = logged_shift(made)
    out = []
    for row in made.behaviours.rows(named=True):
        if row["cold_h"] < COLD_HOURS or row["behaviour"] == "mixed":
            continue
        covered: dict[str, float] = {}
        for claim in found.rows(named=True):
            both = _minutes(
                max(claim["period_start"], row["start"] + shift), min(claim["period_end"], row["end"] + shift)
            )
            if both > 0:
                covered[claim["behaviour"]] = covered.get(claim["behaviour"], 0.0) + both
        answer = max(covered, key=lambda name: (covered[name], name)) if covered else "cannot tell"
        out.append((row["behaviour"], answer, row["cold_h"]))
    return out


def found_changes(found: pl.DataFrame) -> list[tuple[datetime, datetime]]:
    """From and to between two answered periods of different behaviour."""
    answered = [row for row in found.sort("period_start").rows(named=True) if row["behaviour"] != "cannot tell"]
    return [
        (min(one["period_end"], two["period_start"]), max(one["period_end"], two["period_start"]))
        for one, two in pairwise(answered)
        if one["behaviour"] != two["behaviour"]
    ]


def score_changes(found: pl.DataFrame, made: Made) -> Tally:
    """Changes of behaviour with 24 cold running hours on each side, found within 2 days.

    A found change is false where no true border of periods at all (also one too short to count) lies within 2 days.
    """
    claims = found_changes(found)
    shift = logged_shift(made)
    borders = made.behaviours["start"].to_list()[1:]

    def near(at: datetime, claim: tuple[datetime, datetime]) -> bool:
        return claim[0] - CHANGE_WITHIN <= at + shift <= claim[1] + CHANGE_WITHIN

    hits = [any(near(at, claim) for claim in claims) for at, _, _ in made.changes]
    false = sum(not any(near(at, claim) for at in borders) for claim in claims)
    return Tally(right=sum(hits), missed=len(hits) - sum(hits), false=false)


def binomial_interval(right: int, of: int, level: float = 0.9) -> tuple[float, float]:
    """Exact (Clopper-Pearson) interval of a share [-]; 0 to 1 where there is nothing."""
    tail = (1 - level) / 2
    lower = 0.0 if right == 0 else float(beta.ppf(tail, right, of - right + 1))
    upper = 1.0 if right == of else float(beta.ppf(1 - tail, right + 1, of - right))
    return lower, upper
