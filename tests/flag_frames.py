"""Frames as the flags room takes them, for small fleets: one station, four winters, calls where they are wanted."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

START = datetime(2014, 7, 1, tzinfo=UTC)
WIDTH_K = 25 / 9
WEEKS = 4 * 52
CHECKS = {
    "unit_id": pl.String,
    "circuit": pl.String,
    "flag": pl.String,
    "checked_at": pl.Datetime("us", "UTC"),
    "verdict": pl.String,
    "note": pl.String,
}


def coldest_c(week: int) -> float:
    """Coldest hour of the day of a week, degC: 14 in July, -12 in January."""
    return 1.0 + 13.0 * float(np.cos(2 * np.pi * (week % 52 - 3) / 52))


def band_of(temperature_c: float) -> int:
    """The band of a temperature."""
    return int(np.floor((temperature_c - 10) / WIDTH_K))


def call(
    unit_id: str, week: int, words: str = "low-pressure trip", *, number: int = 0, **more: object
) -> dict[str, object]:
    """A complaint of a week, with its weather; `said` are its statements, `about` what was bypassed."""
    opened_h = week * 168.0 + 30 + number
    return {
        "call_id": f"{unit_id}-{week:03d}-{number}",
        "unit_id": unit_id,
        "work_type": "service",
        "opened_at": START + timedelta(hours=opened_h),
        "opened_h": opened_h,
        "week": week,
        "ended_week": week,
        "is_complaint": True,
        "is_completed": True,
        "symptom": words,
        "is_unclear": words == "unclear",
        "low_pressure_probability": 0.9 if words == "low-pressure trip" else 0.1,
        "band": band_of(coldest_c(week)),
        "said": (),
        "about": None,
    } | more


def frames(
    units: dict[str, dict[str, object]], calls: list[dict[str, object]], **tables: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Everything that `judge_flags` takes; `units` maps ids to what the list says of them."""
    listed = [_listed(unit_id) | said for unit_id, said in units.items()]
    hours = pl.DataFrame(
        {"station_id": ["s"] * WEEKS, "week": range(WEEKS), "band": [band_of(coldest_c(w)) for w in range(WEEKS)]}
    ).with_columns(hours=pl.lit(168))
    year = (
        hours.filter(pl.col("week") < 52)
        .group_by("station_id", "band")
        .agg(hours=pl.col("hours").sum().cast(pl.Float64))
    )
    stated = [
        {"call_id": each["call_id"], "statement": name, "probability": 0.93, "words": name, "about": each["about"]}
        for each in calls
        for name in each["said"]  # type: ignore[attr-defined]
    ]
    schema = {
        "call_id": pl.String,
        "statement": pl.String,
        "probability": pl.Float64,
        "words": pl.String,
        "about": pl.String,
    }
    given = {
        "flag_units": pl.DataFrame(listed, schema_overrides={"reset_ambient_c": pl.Float64, "economizer": pl.Boolean}),
        "flag_calls": _calls(calls),
        "call_statements": pl.DataFrame(stated, schema=schema),
        "week_bands": hours,
        "year_bands": year.sort("band"),
        "span": pl.DataFrame({"from_hour": [START], "to_hour": [START + timedelta(weeks=WEEKS)]}),
        "in_checks": pl.DataFrame(schema=CHECKS),
        "head_pressure": pl.DataFrame(schema=HEAD_PRESSURE),
        "circuit_months": pl.DataFrame(schema=MONTHS),
        "jumpered_spans": pl.DataFrame(schema=SPANS),
        "logged_weeks": pl.DataFrame(schema={"unit_id": pl.String, "week": pl.Int32, "logged_hours": pl.Int64}),
        "logged_stops": pl.DataFrame(schema=STOPS),
    }
    return given | tables


HEAD_PRESSURE = {
    "unit_id": pl.String,
    "circuit": pl.String,
    "period_start": pl.Datetime("us", "UTC"),
    "period_end": pl.Datetime("us", "UTC"),
    "behaviour": pl.String,
    "samples": pl.Int64,
    "low_share": pl.Float64,
}
MONTHS = {
    "unit_id": pl.String,
    "circuit": pl.String,
    "month": pl.Datetime("us", "UTC"),
    "subcooling_k": pl.Float64,
    "subcooling_k_n": pl.Int64,
    "superheat_k": pl.Float64,
    "superheat_k_n": pl.Int64,
}
SPANS = {
    "unit_id": pl.String,
    "circuit": pl.String,
    "switch": pl.String,
    "from_at": pl.Datetime("us", "UTC"),
    "to_at": pl.Datetime("us", "UTC"),
    "hours": pl.Float64,
    "events_through": pl.Int64,
}
STOPS = {
    "unit_id": pl.String,
    "day": pl.Datetime("us", "UTC"),
    "week": pl.Int32,
    "first_at": pl.Datetime("us", "UTC"),
    "stops": pl.Int64,
    "band": pl.Int32,
}


def _listed(unit_id: str) -> dict[str, object]:
    return {
        "unit_id": unit_id,
        "site_id": "p",
        "duty": "year-round",
        "head_control": "fan cycling",
        "economizer": None,
        "space_c": None,
        "station_id": "s",
        "still_served": True,
        "reset_ambient_c": 4.0,
        "from_h": 0,
        "to_h": WEEKS * 168,
    }


def _calls(calls: list[dict[str, object]]) -> pl.DataFrame:
    shown = {name: value for name, value in call("x", 0).items() if name not in ("said", "about")}
    schema = pl.DataFrame([shown], schema_overrides={"week": pl.Int32, "ended_week": pl.Int32, "band": pl.Int32}).schema
    rows = [{name: each[name] for name in shown} for each in calls]
    return pl.DataFrame(rows, schema=schema).sort("call_id")
