"""Frames behind the page on callbacks: invented calls put through the functions that make the tables."""

from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np
import polars as pl

from lowambient import reference
from lowambient.plan.callback_rates import callback_rates, first_time_fix, recall_cells, time_to_callback
from lowambient.plan.cold_gathering import cold_gathering
from lowambient.plan.rate_curve import rate_change, rate_curve

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
SYMPTOMS = ("low-pressure trip", "belt", "drain", "electrical", "icing")
SHARES = (0.45, 0.2, 0.15, 0.18, 0.02)
COMES_BACK = {"low-pressure trip": 0.7, "belt": 0.05, "drain": 0.08, "electrical": 0.3, "icing": 0.5}
WORKS = ("switch reset only", "refrigerant added", "control fitted", None)
DUTIES = ("year-round", "comfort", "refrigeration")


def windows(
    units: int, sites: int, people: int, calls: int, seed: int = 3, names: tuple[str, ...] = ()
) -> pl.DataFrame:
    """Index calls as the mart `callback_windows` gives them; `names` are the first technicians and units."""
    rng = np.random.default_rng(seed)
    named = dict(enumerate(names))
    unit = rng.integers(0, units, calls)
    symptom = [SYMPTOMS[at] for at in rng.choice(len(SYMPTOMS), calls, p=SHARES)]
    band = np.where(
        [one == "low-pressure trip" for one in symptom], rng.integers(-6, 4, calls), rng.integers(-3, 15, calls)
    )
    opened = [
        datetime(2014, 7, 1, tzinfo=UTC) + timedelta(hours=int(at)) for at in np.sort(rng.integers(0, 30_000, calls))
    ]
    back = rng.random(calls) < [COMES_BACK[one] for one in symptom]
    after = rng.exponential(18.0, calls)
    watched = np.where(rng.random(calls) < 0.03, rng.uniform(0, 40, calls), 400.0)
    is_cold = np.array([one in ("low-pressure trip", "icing") for one in symptom])
    cold_after, cold_watched = after * 9, watched * 9
    width = THRESHOLDS["band_width_k"]

    def where(kept: np.ndarray, values: np.ndarray) -> list[float | None]:
        return [float(value) if one else None for one, value in zip(kept, values, strict=True)]

    return pl.DataFrame(
        {
            "call_id": [f"C{at:06d}" for at in range(calls)],
            "unit_id": [named.get(int(at), f"RTU-{at:05d}") for at in unit],
            "site_id": [f"S-{at % sites:04d}" for at in unit],
            "duty": [DUTIES[at % 3] for at in unit],
            "opened_at": opened,
            "symptom": symptom,
            "technician": [named.get(int(at), f"T. Person {at}") for at in rng.integers(0, people, calls)],
            "work": [WORKS[at] for at in rng.integers(0, 4, calls)],
            "band_from_c": [None if at % 97 == 0 else round(10 + float(one) * width, 4) for at, one in enumerate(band)],
            "band_to_c": [
                None if at % 97 == 0 else round(10 + float(one + 1) * width, 4) for at, one in enumerate(band)
            ],
            "watched_d": watched,
            "callback_after_d": where(back & (after <= watched), after),
            "any_after_d": where(back & (after <= watched), after),
            "return_after_d": [5.0 if at % 29 == 0 else None for at in range(calls)],
            "cold_watched_h": where(is_cold, cold_watched),
            "cold_after_h": where(is_cold & back & (after <= watched), cold_after),
            "is_callback": rng.random(calls) < 0.3,
        },
        schema_overrides={"return_after_d": pl.Float64},
    )


def bands(units: int, sites: int, seed: int = 5, names: tuple[str, ...] = ()) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Hours as the mart `unit_bands`, calls as `symptom_bands`: low-pressure trips in the cold, belts at any time."""
    rng = np.random.default_rng(seed)
    width = THRESHOLDS["band_width_k"]
    hours, counts = [], []
    for unit in range(units):
        name = names[unit] if unit < len(names) else f"RTU-{unit:05d}"
        for measure in ("at opening", "coldest demand hour"):
            for band in range(-14, 12):
                h = int(2000 * np.exp(-(((band - 1) / 5) ** 2))) + 1
                low = int(rng.poisson(h / 1000 * (2.0 if band < -4 else 0.05) * (unit % 3)))
                belt = int(rng.poisson(h / 1000 * 0.2))
                hours.append(
                    (
                        name,
                        f"S-{unit % sites:04d}",
                        measure,
                        band,
                        10 + band * width,
                        10 + (band + 1) * width,
                        h,
                        low,
                        low,
                    )
                )
                counts += [
                    (name, measure, symptom, band, n, n)
                    for symptom, n in (("low-pressure trip", low), ("belt", belt))
                    if n
                ]
    unit_bands = pl.DataFrame(
        hours,
        schema=("unit_id", "site_id", "measure", "band", "lower_c", "upper_c", "unit_hours", "calls", "episodes"),
        orient="row",
    )
    return unit_bands, pl.DataFrame(
        counts, schema=("unit_id", "measure", "symptom", "band", "calls", "episodes"), orient="row"
    )


@lru_cache
def callback_frames(units: int = 60, sites: int = 12, names: tuple[str, ...] = ()) -> dict[str, pl.DataFrame]:
    """Every table that the page on callbacks shows."""
    large = units > 1000
    calls = windows(units, min(sites, 300), 300 if large else 12, 20_000 if large else 1500, names=names)
    unit_bands, counts = bands(min(units, 45), min(sites, 12), names=names)
    cold = (
        unit_bands.filter(measure="coldest demand hour")
        .group_by("unit_id")
        .agg(
            pl.col("episodes").sum(),
            cold_episodes=pl.col("episodes").filter(pl.col("band") < -4).sum(),
            cold_hours=pl.col("unit_hours").filter(pl.col("band") < -4).sum(),
            demand_hours=pl.col("unit_hours").sum(),
        )
    )
    return {
        "callback_rates": callback_rates(calls, THRESHOLDS),
        "recall_cells": recall_cells(calls, THRESHOLDS),
        "first_time_fix": first_time_fix(calls, THRESHOLDS),
        "time_to_callback": time_to_callback(calls),
        "calls_by_service_age": _ages(),
        "rate_curve": rate_curve(unit_bands, counts, THRESHOLDS),
        "rate_change": rate_change(unit_bands, counts, THRESHOLDS),
        "cold_gathering": cold_gathering(cold.sort("unit_id"), THRESHOLDS),
        "clusters": _clusters(names),
        **_follow_up(5000 if large else 150, names),
    }


def _ages() -> pl.DataFrame:
    rows = [
        (kind, 15.0 * at, 60 - at // 4, pace * at / 10, pace * at / 12, pace * at / 8)
        for kind, pace in (("comfort", 0.5), ("year-round", 2.0))
        for at in range(1, 101)
    ]
    return pl.DataFrame(rows, schema=("kind", "time", "at_risk", "mean", "lower", "upper"), orient="row")


def _clusters(names: tuple[str, ...]) -> pl.DataFrame:
    terms = [
        *(name or "x" for name in names[:4]),
        "lockout, lp, low, pressure",
        "belt, worn, squeal",
        "pan, drain, water, trap",
        "rare",
    ]
    count = len(terms)
    return pl.DataFrame(
        {
            "cluster": [f"c{at:02d}" for at in range(count)],
            "name": terms,
            "calls": [600 - 40 * at for at in range(count - 1)] + [12],
            "callbacks": [300 - 35 * at for at in range(count - 1)] + [3],
            "callback_share": [(300 - 35 * at) / (600 - 40 * at) for at in range(count - 1)] + [None],
            "callback_lower": [0.8 * (300 - 35 * at) / (600 - 40 * at) for at in range(count - 1)] + [None],
            "callback_upper": [1.2 * (300 - 35 * at) / (600 - 40 * at) for at in range(count - 1)] + [None],
            "callback_differs": [at == 0 for at in range(count - 1)] + [None],
            "callback_outdoor_c": [-12.0 + at for at in range(count)],
            "median_outdoor_c": [-8.0 + 2 * at for at in range(count)],
            "cold_rate_ratio": [14.5 / (1 + at) for at in range(count - 1)] + [None],
            "lower": [7.0 / (1 + at) for at in range(count - 1)] + [None],
            "upper": [None, *(30.0 / (1 + at) for at in range(1, count - 1)), None],
            "stability": [round(0.9 - 0.05 * at, 2) for at in range(count)],
        }
    )


def _follow_up(repairs: int, names: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    verdicts = ("held", "not held", "too early", "cannot tell")
    rows = [
        (
            f"C{at:06d}",
            names[at] if at < len(names) else f"RTU-{at % 60:05d}",
            WORKS[at % 3],
            round(0.3 * (at % 40), 2),
            at % 7,
            900.0 + at,
            None if at % 40 == 0 else round((at % 7) / (0.3 * (at % 40)), 3),
            None if at % 40 == 0 else 0.01,
            None if at % 40 == 0 else 9.5,
            verdicts[at % 4],
            True,
        )
        for at in range(repairs)
    ]
    columns = (
        "call_id",
        "unit_id",
        "work",
        "expected_untreated_calls",
        "calls_after",
        "cold_hours_after",
        "ratio",
        "lower",
        "upper",
        "verdict",
        "apart",
    )
    by_work = pl.DataFrame(
        {
            "work": list(WORKS[:3]),
            "repairs": [50, 50, 50],
            "units": [30, 30, 30],
            "expected_untreated_calls": [300.0, 200.0, 100.0],
            "calls_after": [290, 150, 10],
            "cold_hours_after": [9000.0, 8000.0, 7000.0],
            "ratio": [1.01, 0.8, 0.12],
            "lower": [0.5, 0.4, 0.05],
            "upper": [2.1, 1.6, 0.3],
            "verdict": ["cannot tell", "cannot tell", "held"],
        }
    )
    return {"follow_up": pl.DataFrame(rows, schema=columns, orient="row"), "follow_up_by_work": by_work}
