"""What a file's times tell of the clock they were written by: local time with daylight saving, or another."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

import polars as pl

from lowambient.intake.instants import EPOCH_MS, EPOCH_S, ISO, zone_steps

# One area for each set of daylight-saving rules that is looked for.
_RULES = {
    "America/Chicago": "North American",
    "Europe/Berlin": "European",
    "Europe/London": "British",
    "Australia/Sydney": "Australian",
}
_COMMON = ("North American", "European")
_ISO_OFFSET = r"(:\d{2}(?:\.\d+)?)\s*(?:[Zz]|[+-]\d{2}(?::?\d{2})?)$"
_HOUR = timedelta(hours=1)
_WARMEST_H = 15.0  # air is warmest in mid-afternoon: common practice, no source
_NEAR_H = 3.5  # daylight saving and a site's place in its zone move the warmest hour by less
_LEAST_DAYS = 5


@dataclass(frozen=True)
class Clock:
    """What was found. `kind`: `offset` (each time carries its own), `fixed`, `utc`, `local`, `standard` or `unknown`.

    `zone` is the offset of a fixed clock as a profile writes it.
    """

    kind: str
    reason: str
    zone: str | None = None


@dataclass
class _Changes:
    """What happened at the hours that daylight saving leaves out or repeats, by logger and change."""

    skipped: list[datetime] = field(default_factory=list)
    repeated: list[datetime] = field(default_factory=list)
    ran_on: list[datetime] = field(default_factory=list)
    came_once: list[datetime] = field(default_factory=list)


def guess_clock(
    texts: Sequence[str], formats: Sequence[str], groups: Sequence[str], outdoor: Sequence[float | None]
) -> Clock:
    """What the times tell: their own offsets, the hours that daylight saving moves, and when the air is warmest.

    Shape: one entry for each row. `groups` names its logger, unit or station; `outdoor` is its outdoor temperature
    in any unit, null where there is none.
    """
    if {EPOCH_S, EPOCH_MS} & set(formats):
        return Clock("utc", "seconds since 1970 are counted in UTC")
    if ISO in formats and texts and all(_has_offset(text) for text in texts):
        return Clock("offset", "each time carries its own offset from UTC")
    frame = pl.DataFrame({"at": parsed(texts, formats), "group": groups, "outdoor": outdoor}, strict=False)
    frame = frame.drop_nulls("at").sort("group", "at")
    return _by_changes(frame) if frame.height else Clock("unknown", "no time could be read")


def _by_changes(frame: pl.DataFrame) -> Clock:
    warmest = _warmest_hour(frame)
    air = f"; the air is warmest near {warmest:02.0f}:00 by this clock" if warmest is not None else ""
    like_utc = warmest is not None and abs((warmest - _WARMEST_H + 12) % 24 - 12) > _NEAR_H
    changes = {rule: _at_changes(frame, zone) for zone, rule in _RULES.items()}
    for rule, seen in changes.items():
        if (seen.skipped or seen.repeated) and not seen.ran_on:
            return Clock("local", f"{rule} daylight saving shows: {_sentence(seen)}{air}")
    denied = {rule: seen for rule, seen in changes.items() if seen.ran_on and rule in _COMMON}
    if denied:
        told = "; ".join(f"no {rule} daylight saving: {_sentence(seen)}" for rule, seen in denied.items())
        return Clock("utc" if like_utc else "standard", told + air)
    return Clock("utc" if like_utc else "unknown", f"no change of daylight saving can be seen in these rows{air}")


def clock_in_header(header: str) -> Clock | None:
    """The clock that the header of a time column names, as loggers write it; null where it names none.

    >>> clock_in_header("Date Time, GMT-06:00").zone, clock_in_header("Time (UTC)").kind
    ('UTC-06:00', 'utc')
    """
    found = re.search(r"\b(?:UTC|GMT)\b ?(?:([+-])(\d{1,2})(?::?(\d{2}))?)?", header, re.IGNORECASE)
    if found is None:
        return None
    sign, hours, minutes = found[1], int(found[2] or 0), int(found[3] or 0)
    if not sign or (hours, minutes) == (0, 0):
        return Clock("utc", f"the header says {found[0].strip()}")
    return Clock("fixed", f"the header says {found[0].strip()}", f"UTC{sign}{hours:02d}:{minutes:02d}")


def parsed(texts: Sequence[str], formats: Sequence[str]) -> pl.Series:
    """Instants as written (naive, microseconds), null where no format reads the text; offsets are left out."""
    written = pl.col("written").str.strip_chars()
    tries = [attempt for format_ in formats for attempt in _attempts(written, format_)]
    frame = pl.DataFrame({"written": pl.Series(texts, dtype=pl.String)})
    return frame.select(pl.coalesce(*tries, pl.lit(None, dtype=pl.Datetime("us"))).alias("at"))["at"]


def _attempts(written: pl.Expr, format_: str) -> list[pl.Expr]:
    if format_ == ISO:
        plain = written.str.replace("[Tt]", " ").str.replace(_ISO_OFFSET, "${1}")
        return [
            plain.str.to_datetime(each, strict=False, time_unit="us")
            for each in ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M")
        ] + [plain.str.to_date("%Y-%m-%d", strict=False).cast(pl.Datetime("us"))]
    if format_ in (EPOCH_S, EPOCH_MS):
        number = written.cast(pl.Float64, strict=False) * (1_000_000 if format_ == EPOCH_S else 1_000)
        return [number.cast(pl.Int64, strict=False).cast(pl.Datetime("us"))]
    if any(clock in format_ for clock in ("%H", "%I")):
        return [written.str.to_datetime(format_.replace(".%f", "%.f"), strict=False, time_unit="us")]
    return [written.str.to_date(format_, strict=False).cast(pl.Datetime("us"))]


def _at_changes(frame: pl.DataFrame, zone: str) -> _Changes:
    """What the times of each group do at each change of the zone's offset within them."""
    seen = _Changes()
    times = frame["at"].sort()
    for step in zone_steps(zone, times[0], times[-1]):
        start, stop = step.local_from, step.local_to
        if step.kind == "plain" or stop - start != _HOUR:
            continue
        around = frame.filter(pl.col("at").is_between(start - 6 * _HOUR, stop + 6 * _HOUR))
        for _, group in around.group_by("group", maintain_order=True):
            stamps = group["at"].to_list()
            usual = _usual_step(stamps)
            if usual and stamps[0] <= start - usual and stamps[-1] >= stop + usual:
                (_spring if step.kind == "missing" else _autumn)(stamps, start, stop, usual, seen)
    return seen


def _usual_step(times: list[datetime]) -> timedelta | None:
    """Median interval of the times; null for fewer than six or an interval over an hour."""
    steps = [(later - earlier).total_seconds() for earlier, later in pairwise(times) if later > earlier]
    usual = timedelta(seconds=median(steps)) if len(steps) >= 5 else None
    return usual if usual and usual <= _HOUR else None


def _spring(times: list[datetime], start: datetime, stop: datetime, usual: timedelta, seen: _Changes) -> None:
    """Whether the hour from `start` is left out (stamps of an hour's end leave out the next full hour)."""
    near = [
        (earlier, later - earlier)
        for earlier, later in pairwise(times)
        if later > start - usual and earlier < stop + usual
    ]
    if any(start - usual <= at <= start and _HOUR + usual / 2 <= gap <= _HOUR + 1.5 * usual for at, gap in near):
        seen.skipped.append(start)
    elif near and all(gap <= 1.5 * usual for _, gap in near):
        seen.ran_on.append(start)


def _autumn(times: list[datetime], start: datetime, stop: datetime, usual: timedelta, seen: _Changes) -> None:
    """Whether the hour from `start` holds twice as many times as an hour does."""
    once = _HOUR / usual + 1
    there = sum(start <= at <= stop for at in times)
    if there >= 1.5 * (once - 1) + 1:
        seen.repeated.append(start)
    elif there >= 0.8 * once:
        seen.came_once.append(start)


def _sentence(seen: _Changes) -> str:
    parts = [
        (seen.skipped, "the hour from {} is left out"),
        (seen.repeated, "the hour from {} comes twice"),
        (seen.ran_on, "the times run on through {}, which would not exist"),
        (seen.came_once, "the hour from {} comes once"),
    ]
    return ", ".join(says.format(f"{times[0]:%Y-%m-%d %H:%M}") for times, says in parts if times)


def _warmest_hour(frame: pl.DataFrame) -> float | None:
    """Hour at which the daily wave (first harmonic) of outdoor temperature peaks; null where none shows."""
    hours = (
        frame.drop_nulls("outdoor")
        .group_by(pl.col("at").dt.hour().alias("hour"))
        .agg(pl.col("outdoor").mean(), pl.col("at").dt.date().n_unique().alias("days"))
        .sort("hour")
    )
    if hours.height < 24 or int(hours["days"].to_numpy().min()) < _LEAST_DAYS:
        return None
    angles = [2 * math.pi * (hour + 0.5) / 24 for hour in hours["hour"]]
    means = hours["outdoor"].to_list()
    sine = sum(mean * math.sin(angle) for mean, angle in zip(means, angles, strict=True)) / 12
    cosine = sum(mean * math.cos(angle) for mean, angle in zip(means, angles, strict=True)) / 12
    if math.hypot(sine, cosine) < 1.0:
        return None
    return round(math.atan2(sine, cosine) / (2 * math.pi) * 24) % 24


def _has_offset(text: str) -> bool:
    return len(text) > 16 and (text[-1] in "Zz" or "+" in text[10:] or "-" in text[10:])
