"""Frames for tests of the pages: invented, of any size, passing the schemas; numbers are drawn, not modelled."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from callback_frames import callback_frames
from winter_frames import plan_frames

from lowambient.records import inputs, outputs
from lowambient.report import RunFacts, schemas

HOSTILE = {
    "script": "<script>window.hacked = 1</script>",
    "attribute": '" onerror="window.hacked = 1" x="',
    "image": "<img src=x onerror='window.hacked = 1'>",
    "closing": "</script><script>window.hacked = 1</script>",
    "lines": "one\u2028two\u2029three",
    "right to left": "\u202egnp.exe \u05d0\u05d1\u05d2\u200f",
    "emoji": "cold \U0001f976 unit",
    "formula": '=HYPERLINK("http://example.org","look")',
    "template": "{{ 7 * 7 }}{% raw %}",
    "control": "bell\x07 null\x00 end",
    "expression": "'); window.hacked = 1; ('",
}
WINTERS = ("2014-15", "2015-16", "2016-17", "2017-18")
CONTROLS = ("none", "fan cycling", "fan speed", "flooded", "unknown")
DUTIES = ("year-round", "comfort", "refrigeration")
FACTS = RunFacts(
    fleet="Larkspur Climate Services",
    versions={"lowambient": "0.1.0", "coolprop": "8.0.0", "duckdb": "2.0.1"},
    thresholds={"episode_days": 10.0},
    data_from=datetime(2014, 7, 1, tzinfo=UTC),
    data_to=datetime(2018, 6, 30, tzinfo=UTC),
    last_winter="2017-18",
    notes=("Units without service dates are taken to be in service from the first day of the calls export.",),
    failed_audits=("episodes without a call: 2",),
    costs={"truck_roll": 95.0, "after_hours_factor": 1.5},
    currency="USD",
)


def empty_frames() -> dict[str, pl.DataFrame]:
    """Every frame without rows."""
    tables = {
        **outputs.TABLES,
        **schemas.WORKING,
        **{name: inputs.TABLES[name] for name in ("sites", "units", "stations")},
    }
    return {name: pl.DataFrame(schema.create_empty()) for name, schema in tables.items()}


def fleet_frames(
    units: int = 60, sites: int = 12, seed: int = 7, names: tuple[str, ...] = ()
) -> dict[str, pl.DataFrame]:
    """Frames of an invented fleet; `names` are given to the first units, sites, reasons and cells."""
    rng = np.random.default_rng(seed)
    frames = empty_frames()
    named = dict(enumerate(names))
    site_ids = [f"S-{at:04d}" for at in range(sites)]
    unit_ids = [named.get(at, f"RTU-{at:05d}") for at in range(units)]
    site_of = [site_ids[at % sites] for at in range(units)]
    rates = rng.gamma(0.6, 1.2, units)
    cold = rng.uniform(400, 2600, units).round(1)
    episodes = rng.poisson(rates * cold / 1000)
    expected = (episodes + 0.6) / (cold / 1000 + 0.5) * cold / 4000
    frames["sites"] = pl.DataFrame(
        {
            "site_id": site_ids,
            "name": [named.get(at, f"Alder Row {at}") for at in range(sites)],
            "latitude": [None if at == 5 else float(value) for at, value in enumerate(rng.uniform(38, 47, sites))],
            "longitude": [float(value) for value in rng.uniform(-98, -80, sites)],
            "time_zone": ["America/Chicago"] * sites,
        }
    )
    frames["units"] = pl.DataFrame({"unit_id": unit_ids, "site_id": site_of, "refrigerant": ["R-410A"] * units})
    frames["unit_ranking"] = _ranking((unit_ids, site_of), named, (episodes, cold, expected), rng)
    frames["forecast"] = _forecast(frames["unit_ranking"])
    frames["exposure"] = _exposure(rng)
    frames["cold_hours"] = _cold_hours(unit_ids, rng)
    frames["calls"] = _calls(unit_ids, episodes)
    frames["coverage"] = pl.DataFrame(
        {
            "unit_id": unit_ids,
            "calls": rng.poisson(4, units),
            "readings": [int(90_000 * (at % 4 == 0)) for at in range(units)],
            "first_reading": [datetime(2017, 11, 3, 6, tzinfo=UTC) if at % 4 == 0 else None for at in range(units)],
            "last_reading": [datetime(2018, 3, 9, 18, tzinfo=UTC) if at % 4 == 0 else None for at in range(units)],
            "weather_hours": [0 if at == 3 else 35_000 for at in range(units)],
            "weather_gap_hours": [35_064 if at == 3 else int(value) for at, value in enumerate(rng.poisson(2, units))],
        }
    )
    frames["unit_station"] = pl.DataFrame(
        {
            "unit_id": unit_ids[: units - 1],
            "station_id": ["725300-94846"] * (units - 1),
            "station_km": rng.uniform(2, 120, units - 1),
            "station_named": [at % 3 == 0 for at in range(units - 1)],
        }
    )
    frames.update(_intake(named))
    frames.update(callback_frames(units, sites, names))
    frames.update(plan_frames(unit_ids, site_of, names))
    return frames


def _ranking(
    places: tuple[list[str], list[str]],
    named: dict[int, str],
    numbers: tuple[np.ndarray, np.ndarray, np.ndarray],
    rng: np.random.Generator,
) -> pl.DataFrame:
    (unit_ids, site_of), (episodes, cold, expected) = places, numbers
    units = len(unit_ids)
    order = np.argsort(np.argsort(-expected, kind="stable"), kind="stable") + 1
    return pl.DataFrame(
        {
            "unit_id": unit_ids,
            "site_id": site_of,
            "description": [
                named.get(at, ("server room", "kitchen", "walk-in cooler", None)[at % 4]) for at in range(units)
            ],
            "refrigerant": [("R-410A", "R-22", "R-407C", "R-404A")[at % 4] for at in range(units)],
            "head_control": [CONTROLS[value] for value in rng.integers(0, 5, units)],
            "duty": [DUTIES[value] for value in rng.integers(0, 3, units)],
            "episodes": episodes,
            "calls": episodes * 2,
            "cold_hours": cold,
            "rate_per_1000_h": 1000 * episodes / cold,
            "lower": 500 * episodes / cold,
            "upper": [float("inf") if at == 0 else value for at, value in enumerate(1000 * (episodes + 3.7) / cold)],
            "shrunk_rate": (episodes + 0.6) / (cold / 1000 + 0.5),
            "shrunk_lower_90": 0.5 * (episodes + 0.2) / (cold / 1000 + 0.5),
            "shrunk_upper_90": 1.5 * (episodes + 2) / (cold / 1000 + 0.5),
            "expected_cold_calls": expected,
            "lower_90": np.floor(expected / 3),
            "upper_90": np.ceil(expected * 2 + 1),
            "calls_last_winter": episodes // 3,
            "reset_ambient_c": [None if at == 2 else 3.9 for at in range(units)],
            "starve_ambient_c": [10.0 if at % 2 else 1.6667 for at in range(units)],
            "rank": order,
        }
    )


def _forecast(ranking: pl.DataFrame) -> pl.DataFrame:
    sums = ("expected_cold_calls", "lower_90", "upper_90", "calls_last_winter", "cold_hours_typical")
    unit = ranking.with_columns(level=pl.lit("unit"), cold_hours_typical=pl.col("cold_hours") / 4)
    site = (
        unit.group_by("site_id")
        .agg(pl.col(*sums).sum())
        .with_columns(level=pl.lit("site"), unit_id=pl.lit(None, pl.String))
    )
    fleet = unit.select(pl.col(*sums).sum()).with_columns(
        level=pl.lit("fleet"), unit_id=pl.lit(None, pl.String), site_id=pl.lit(None, pl.String)
    )
    columns = outputs.TABLES["forecast"].column_names()
    return pl.concat([part.select(columns) for part in (unit, site, fleet)])


def _exposure(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for measure, shift in (("at opening", 0.5), ("coldest demand hour", 1.0)):
        for fahrenheit in range(-20, 100, 5):
            hours = 400_000 * np.exp(-(((fahrenheit - 55) / 22) ** 2))
            rate = 0.9 * shift / (1 + np.exp((fahrenheit - 30) / 6)) + 0.01
            episodes = int(rng.poisson(rate * hours / 1000))
            rows.append(
                {
                    "measure": measure,
                    "lower_c": (fahrenheit - 32) / 1.8,
                    "upper_c": (fahrenheit - 27) / 1.8,
                    "unit_hours": 0.0 if fahrenheit == 95 else hours,
                    "calls": episodes * 2,
                    "episodes": episodes,
                    "rate_per_1000_h": None if fahrenheit == 95 else 1000 * episodes / hours,
                    "lower": None if fahrenheit == 95 else 1000 * max(0.0, episodes - 2 * episodes**0.5) / hours,
                    "upper": None if fahrenheit == 95 else 1000 * (episodes + 2 * episodes**0.5 + 3.7) / hours,
                }
            )
    return pl.DataFrame(rows)


def _cold_hours(unit_ids: list[str], rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for at, unit in enumerate(unit_ids):
        for winter, factor in zip(WINTERS, (1.2, 1.0, 0.9, 0.8), strict=True):
            joined_late = at % 5 == 0 and winter == WINTERS[0]
            hours = 3000.0 if joined_late else 8700.0
            cold = factor * float(rng.uniform(300, 900))
            rows.append((unit, winter, hours, hours / 2, cold, cold / 3, 60.0))
    names = ("unit_id", "winter", "service_hours", "demand_hours", "cold_hours", "reset_cold_hours", "gap_hours")
    return pl.DataFrame(rows, schema=names, orient="row")


def _calls(unit_ids: list[str], episodes: np.ndarray) -> pl.DataFrame:
    rows = []
    for unit, count in zip(unit_ids, episodes, strict=True):
        for at in range(int(count) + 1):
            opened = datetime(2015, 1, 3, 9, 30, tzinfo=UTC) + timedelta(days=40 * at)
            rows.append((f"C{len(rows):06d}", unit, opened, -12.34, "low-pressure trip" if at else "other"))
    return _with_nulls(
        "calls",
        pl.DataFrame(
            rows, schema=("call_id", "unit_id", "opened_at", "outdoor_c", "symptom"), orient="row"
        ).with_columns(is_unclear=False),
    )


def _with_nulls(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    schema = outputs.TABLES[table].create_empty().schema
    return frame.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in schema.items() if name not in frame.columns
    )


def _intake(named: dict[int, str]) -> dict[str, pl.DataFrame]:
    refused = [
        ("exports/calls.csv", 10 + 3 * at, "calls", reason)
        for at, reason in enumerate(["no opened_at"] * 5 + ["unknown unit"] * 2)
    ]
    refused += [("exports/calls.csv", 100 + at, "calls", text) for at, text in named.items()]
    rows = [named.get(at, f"TKT-{at},RTU 9,not a date") for at in range(len(refused))]
    loads = [
        ("exports/calls.csv", "a" * 64, "calls", 1200 + len(refused), 1190, len(refused), 10),
        ("exports/units.csv", "b" * 64, "units", 60, 60, 0, 0),
        *((f"loggers/{at}.csv", "c" * 64, "readings", 90_000, 90_000, 0, 0) for at in range(30)),
        *((text, "d" * 64, "weather", 8_760, 8_759, 0, 1) for text in named.values()),
    ]
    aside = [("exports/units.csv", 4 + at, "units", "capacity_kw", f"{at} tuns", "not a number") for at in range(3)]
    aside += [("exports/units.csv", 50 + at, "units", "space_c", text, text) for at, text in named.items()]
    return {
        "loads": pl.DataFrame(
            loads,
            schema=("source", "digest", "target", "rows_read", "loaded", "refused", "repeated"),
            orient="row",
        ),
        "quarantine": pl.DataFrame(
            [(*where, row) for where, row in zip(refused, rows, strict=True)],
            schema=("source", "line", "target", "reason", "row"),
            orient="row",
        ),
        "set_aside": pl.DataFrame(
            aside, schema=("source", "line", "target", "column", "written", "reason"), orient="row"
        ),
        "unmatched": pl.DataFrame(
            [("exports/calls.csv", "RTU9", 14, "RTU-00009"), ("exports/calls.csv", "roof", 2, None)]
            + [("exports/calls.csv", text, 1, text) for text in named.values()],
            schema=("source", "written", "rows", "nearest"),
            orient="row",
        ),
    }
