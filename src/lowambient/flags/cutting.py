"""The records as they stood at an instant, for judging units as if nothing later were known."""

from collections.abc import Mapping
from datetime import datetime, timedelta

import polars as pl

from lowambient.flags.history import HOURS_A_WEEK

HOURS_A_MONTH = 730.5
"""A twelfth of a year of 8,766 h."""


def known_before(frames: Mapping[str, pl.DataFrame], at: datetime) -> dict[str, pl.DataFrame]:
    """The frames of `judging.judge_flags` with what was known in the last whole week before `at`; empty ones if none.

    Weeks count from the start of the records. A frame that is not named here is not handed on. Left out: later calls,
    weather, logged weeks and stops, checks; what the notes of a visit say that was not over; months of readings, spans
    of jumpers and periods of head pressure that were not over. The typical year is that of the earlier weather,
    calendar month by calendar month, where the station had any.
    Limits: the unit list is that of today. Stops, months and periods come from analysing whole logs, so that settings
    of a circuit and the bounds of a period may have been read off later readings as well.
    """
    started: datetime = frames["span"]["from_hour"][0]
    weeks = max(int((at - started) / timedelta(hours=HOURS_A_WEEK)), 0)
    ended = started + timedelta(weeks=weeks)
    earlier = pl.col("week") < weeks
    over = pl.col("ended_week") < weeks
    calls = frames["flag_calls"].filter(earlier).with_columns(pl.col("is_completed") & over)
    written = calls.filter(over).select("call_id")
    week_bands = frames["week_bands"].filter(earlier)
    month_over = pl.col("month").dt.offset_by("1mo") <= ended
    return {
        "flag_units": frames["flag_units"],
        "span": frames["span"].with_columns(to_hour=pl.lit(ended).cast(frames["span"].schema["to_hour"])),
        "flag_calls": calls,
        "call_statements": frames["call_statements"].join(written, on="call_id", how="semi", maintain_order="left"),
        "week_bands": week_bands,
        "year_bands": _year(week_bands, frames["year_bands"], started),
        "logged_weeks": frames["logged_weeks"].filter(earlier),
        "logged_stops": frames["logged_stops"].filter(earlier),
        "head_pressure": frames["head_pressure"].filter(pl.col("period_end") <= ended),
        "circuit_months": frames["circuit_months"].filter(month_over),
        "jumpered_spans": frames["jumpered_spans"].filter(pl.col("to_at") <= ended),
        "in_checks": frames["in_checks"].filter(pl.col("checked_at") < ended),
    }


def _year(week_bands: pl.DataFrame, whole: pl.DataFrame, started: datetime) -> pl.DataFrame:
    """`year_bands` from some weeks, each in the calendar month of its middle; for stations without them as it was."""
    middle = pl.lit(started) + pl.duration(hours=pl.col("week").cast(pl.Int64) * int(HOURS_A_WEEK) + 84)
    by_month = (
        week_bands.with_columns(calendar_month=middle.dt.month())
        .group_by("station_id", "calendar_month", "band")
        .agg(pl.col("hours").sum().cast(pl.Float64))
    )
    share = pl.col("hours") / pl.col("hours").sum().over("station_id", "calendar_month")
    seen = by_month.with_columns(share.alias("share")).group_by("station_id", "band").agg(pl.col("share").sum())
    of_weeks = seen.select("station_id", "band", hours=HOURS_A_MONTH * pl.col("share"))
    others = whole.join(of_weeks, on="station_id", how="anti").select("station_id", "band", "hours")
    return pl.concat([of_weeks, others.cast(of_weeks.schema)]).sort("station_id", "band")
