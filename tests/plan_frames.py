"""Invented frames for the retrofit plan: units with states and causes, sites, a station's winter, calls."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from lowambient import reference
from lowambient.plan.plan_inputs import PlanInputs
from lowambient.profile import Costs, OptionProfile, PlanLimits
from lowambient.records import inputs

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
CONTROLS = ("none", "fan cycling", "fan speed", "flooded", "unknown", "floating")
REFRIGERANTS = ("R-410A", "R410a", "R-22", "R-454B", None, "R-9999")
COSTS = Costs(truck_roll=95.0, labour_per_h=118.0, after_hours_factor=1.5)


def plan_inputs(
    units: int = 60,
    sites: int = 20,
    seed: int = 1,
    budget: float | None = None,
    crew_h: float | None = None,
    objective: str = "calls",
    costs: Costs = COSTS,
    options: Mapping[str, OptionProfile] | None = None,
    changed: Mapping[str, float] | None = None,
    finer: int = 1,
) -> PlanInputs:
    """A fleet of which about a fifth is not sound, on the winter of one station; `finer`: parts of each state."""
    random = np.random.default_rng(seed)
    ids = [f"RTU-{place:05d}" for place in range(units)]
    control = random.choice(CONTROLS, units, p=[0.25, 0.35, 0.15, 0.05, 0.15, 0.05])
    refrigerant = random.choice(np.array(REFRIGERANTS, dtype=object), units, p=[0.4, 0.25, 0.15, 0.1, 0.05, 0.05])
    listed = pl.DataFrame(
        {
            "unit_id": ids,
            "site_id": [f"S{place:05d}" for place in random.integers(0, sites, units)],
            "description": ["server room"] * units,
            "refrigerant": refrigerant.tolist(),
            "circuits": random.integers(1, 3, units),
            "condenser_fans": random.integers(1, 5, units),
            "shared_condenser": random.random(units) < 0.2,
            "duty": ["year-round"] * units,
            "heat_pump": random.random(units) < 0.1,
            "head_control": control.tolist(),
            "economizer": random.random(units) < 0.4,
            "lp_switch_at": random.choice(["suction", "liquid", "unknown"], units, p=[0.7, 0.1, 0.2]).tolist(),
            "coverage": random.choice(["full", "time and material", "warranty"], units, p=[0.5, 0.4, 0.1]).tolist(),
            "outage_cost_per_h": np.where(random.random(units) < 0.7, random.choice([20.0, 60.0, 250.0], units), 0.0),
        }
    )
    given = listed.with_columns(
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in inputs.Units.create_empty().schema.items()
        if name not in listed.columns
    )
    return PlanInputs(
        units=given,
        sites=pl.DataFrame(
            {"site_id": [f"S{place:05d}" for place in range(sites)], "time_zone": ["America/Chicago"] * sites}
        ),
        calls=calls(random, ids),
        unit_counts=pl.DataFrame(
            {
                "unit_id": ids,
                "station_id": ["A"] * units,
                "still_served": [True] * units,
                "cold_hours_typical": [2500.0] * units,
                "winters": [4] * units,
            }
        ),
        unit_limits=pl.DataFrame(
            {"unit_id": ids, "demand_from_c": [None] * units, "starve_ambient_c": starve(control)},
            schema_overrides={"demand_from_c": pl.Float64},
        ),
        unit_states=split(states(random, ids), finer),
        unit_causes=causes(random, ids, control),
        station_hours=station_hours(),
        winter_minimums=pl.DataFrame({"station_id": ["A"], "winter_minimum_c": [-15.0]}),
        follow_up_by_work=follow_up_by_work(),
        costs=costs,
        limits=PlanLimits(budget, crew_h, objective),
        options=options or {},
        thresholds=THRESHOLDS | dict(changed or {}),
    )


def starve(control) -> list[float]:
    """Starve ambient by listed control."""
    by_control = {"fan cycling": 1.667, "fan speed": 1.667, "floating": 1.667, "flooded": -17.778}
    return [by_control.get(one, 10.0) for one in control]


def states(random: np.random.Generator, ids: list[str]) -> pl.DataFrame:
    """Three states a unit: sound, now and then, again and again."""
    unsound = np.clip(random.beta(0.4, 1.6, len(ids)), 0, 0.98)
    often = random.random(len(ids))
    calls = random.gamma(2.0, 1.0, len(ids)) + 1
    rows = []
    for unit, p, share, many in zip(ids, unsound, often, calls, strict=True):
        rows += [
            (unit, "sound", 1 - p, 0.05, True),
            (unit, "now and then", p * (1 - share), 0.7, False),
            (unit, "again and again", p * share, many, False),
        ]
    names = ["unit_id", "state", "probability", "cold_calls_per_winter", "is_sound"]
    return pl.DataFrame(rows, schema=names, orient="row")


def split(given: pl.DataFrame, parts: int) -> pl.DataFrame:
    """Each state that is not sound as several, of calls from half to one and a half times its own."""
    if parts == 1:
        return given
    factor = pl.DataFrame({"part": range(parts), "factor": np.linspace(0.5, 1.5, parts)})
    apart = given.filter(~pl.col("is_sound")).join(factor, how="cross")
    finer = apart.with_columns(
        pl.format("{} {}", "state", "part").alias("state"),
        pl.col("probability") / parts,
        pl.col("cold_calls_per_winter") * pl.col("factor"),
    )
    return pl.concat([given.filter("is_sound"), finer.select(given.columns)])


def causes(random: np.random.Generator, ids: list[str], control) -> pl.DataFrame:
    """Causes that go with the listed control."""
    bypassed = np.select([control == "none", control == "unknown"], [0.02, 0.4], 0.8)
    none = np.select([control == "none", control == "unknown"], [0.93, 0.4], 0.03)
    count = len(ids)
    return pl.DataFrame(
        {
            "unit_id": ids,
            "p_bypassed": bypassed,
            "p_no_control": none,
            "p_low_charge": random.beta(1, 12, count),
            "p_lp_jumpered": np.where(random.random(count) < 0.05, 0.7, 0.02),
            "p_economizer_idle": random.beta(1, 6, count),
        }
    )


def station_hours() -> pl.DataFrame:
    """A year from -20 to 35 degC, most hours between 0 and 25."""
    floors = np.arange(-20, 35)
    weight = np.exp(-(((floors - 11) / 13.0) ** 2))
    return pl.DataFrame(
        {"station_id": ["A"] * len(floors), "floor_c": floors.astype(np.int64), "hours": 8760 * weight / weight.sum()}
    )


def calls(random: np.random.Generator, ids: list[str], count: int = 80) -> pl.DataFrame:
    """Completed service calls that take an hour and a half, half of them after hours."""
    opened = [datetime(2016, 12, 1, 15, tzinfo=UTC) + timedelta(hours=12 * place) for place in range(count)]
    return pl.DataFrame(
        {
            "call_id": [f"T{place}" for place in range(count)],
            "unit_id": random.choice(ids, count).tolist(),
            "opened_at": opened,
            "closed_at": [at + timedelta(hours=6) for at in opened],
            "work_type": ["service"] * count,
            "labour_h": [1.5] * count,
            "travel_h": [0.75] * count,
            "parts_cost": [20.0] * count,
            "status": ["completed"] * count,
        }
    )


def follow_up_by_work(ratio: float = 0.3, work: str = "control fitted", expected: float = 60.0) -> pl.DataFrame:
    """One kind of work with what came after it."""
    return pl.DataFrame(
        {
            "work": [work],
            "repairs": [20],
            "units": [18],
            "expected_untreated_calls": [expected],
            "calls_after": [round(ratio * expected)],
            "cold_hours_after": [50_000.0],
            "ratio": [ratio],
            "lower": [ratio / 1.8],
            "upper": [ratio * 1.8],
            "verdict": ["cannot tell"],
        }
    )
