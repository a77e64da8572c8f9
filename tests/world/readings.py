"""Logger files in four brands' formats, with each brand's clock, units, channels and faults of its sensors."""

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy.signal import lfilter

from .build import World
from .saturation import KPA_PER_PSI, barometer_kpa, bubble_c, bubble_kpa, dew_c, dew_kpa
from .traces import STEP_S, Trace

CHANNELS = {
    "clamp": ("suction", "liquid", "outdoor", "suction line", "liquid line"),
    "gauge box": ("suction", "discharge", "outdoor", "suction line", "amps"),
    "panel": ("suction", "liquid", "outdoor", "liquid line", "running", "fans", "switch", "called", "return air"),
    "historian": ("suction", "liquid", "outdoor", "running", "supply air", "fan speed"),
}
KEPT = {"suction", "outdoor", "liquid", "discharge", "running"}


def _lag(values: Any, minutes: float) -> Any:
    keep = float(np.exp(-STEP_S / (60 * minutes)))
    return lfilter([1 - keep], [1.0, -keep], values, zi=[keep * values[0]])[0]


def _sensed(world: World, trace: Trace, rng: np.random.Generator) -> dict[str, Any]:
    """Every channel at every step, as sensors see it: °C, kPa absolute, 0/1."""
    unit = trace.job.life.unit
    circuit = unit.circuits[trace.job.circuit]
    n = len(trace.suction_kpa)
    evaporating = dew_c(unit.refrigerant, trace.suction_kpa)
    full = circuit.design_evaporating_c
    starts = [step for step, _ in trace.states]
    which = np.searchsorted(starts, np.arange(n), side="right") - 1

    def severity(name: str) -> Any:
        return np.array([getattr(c, name) for _, c in trace.states])[which]

    charge, metering, airflow = severity("charge"), severity("metering"), severity("airflow")
    starved = np.clip((full - evaporating) / 12.0, 0, 1.5) * (airflow < 0.2)
    superheat = np.clip(5.5 + 9 * starved + 12 * charge + 8 * metering - 6 * airflow, 1.5, 30) * (
        1 + 0.1 * rng.standard_normal()
    )
    subcooling = np.clip(6.0 * (1 - 1.25 * charge) + 5 * metering, 0.2, 14)
    if circuit.valve == "orifice":
        subcooling = np.clip(subcooling + 0.12 * (25 - trace.outdoor_c), 0.2, 16)
    on = trace.running
    room = (
        circuit.space_c
        + _lag((trace.out & trace.called).astype(float), 240.0) * 9.0
        + 0.4 * np.sin(np.arange(n) / 330.0)
    )
    suction_line = np.where(on, np.minimum(evaporating + superheat, room - 1), 0.6 * room + 0.4 * trace.outdoor_c)
    liquid_line = np.where(
        on, np.maximum(trace.head_c - subcooling, trace.outdoor_c + 0.4), 0.2 * room + 0.8 * trace.outdoor_c
    )
    head = bubble_kpa(unit.refrigerant, trace.head_c)
    pressure_bias = rng.normal(0, 1.0) + (4.0 if rng.random() < 0.04 else 0.0)
    noise = rng.uniform(0.25, 1.1)

    def pressure(values: Any) -> Any:
        return values + KPA_PER_PSI * (pressure_bias + noise * rng.standard_normal(n))

    def warmth(values: Any, minutes: float) -> Any:
        return _lag(values, minutes) + rng.normal(0, 0.4) + 0.1 * rng.standard_normal(n)

    load = np.clip(dew_kpa(unit.refrigerant, evaporating) / dew_kpa(unit.refrigerant, full), 0.3, 1.3)
    amps = np.where(on, unit.tons * 1.3 * (0.55 + 0.3 * load + 0.006 * trace.head_c), 0.0) + 0.1 * np.abs(
        rng.standard_normal(n)
    )
    return {
        "suction": pressure(trace.suction_kpa),
        "liquid": pressure(head * np.where(on, 0.985, 1.0)),
        "discharge": pressure(dew_kpa(unit.refrigerant, bubble_c(unit.refrigerant, head)) * np.where(on, 1.03, 1.0)),
        "suction line": warmth(suction_line, rng.uniform(0.7, 3)),
        "liquid line": warmth(liquid_line, rng.uniform(0.7, 3)),
        "outdoor": warmth(trace.outdoor_c.astype(float) + (1.2 * on if rng.random() < 0.2 else 0.0), rng.uniform(2, 9)),
        "return air": warmth(room, 3.0),
        "supply air": warmth(np.where(on, room - 9 * np.minimum(load, 1.1), room - 0.5), 2.0),
        "running": on.astype(int),
        "fans": np.where(trace.fan > 0.05, np.maximum(1, np.rint(trace.fan * circuit.fans)), 0).astype(int),
        "fan speed": np.rint(100 * trace.fan).astype(int),
        "switch": trace.switch_closed.astype(int),
        "called": trace.called.astype(int),
        "amps": np.round(amps, 1),
    }


def write_readings(world: World, folder: Path) -> dict[str, list[str]]:
    """One file a circuit under `folder`/BRAND/; returns the brands written and the channels that each of them has."""
    written: dict[str, list[str]] = {}
    for number, trace in enumerate(world.traces):
        rng = np.random.default_rng([world.options.seed, 41, number])
        job = trace.job
        channels = [c for c in CHANNELS[job.brand] if c in KEPT or rng.random() < 0.8]
        every = max(1, job.interval_s // STEP_S)
        picked = {c: v[every - 1 :: every] for c, v in _sensed(world, trace, rng).items() if c in channels}
        n = len(picked["suction"])
        seconds = job.start * 3600 + (np.arange(n) + 1) * every * STEP_S
        stamps = pl.Series("at", seconds * 1000).cast(pl.Duration("ms")) + pl.Series([world.habits.start]).cast(
            pl.Datetime("ms")
        )
        keep = np.ones(n, bool)
        for _ in range(int(rng.poisson(1.2))):  # battery out, cable off
            at = int(rng.integers(n))
            keep[at : at + int(rng.exponential(0.02 * n))] = False
        frame = pl.DataFrame({"at": stamps, **picked}).filter(pl.Series(keep))
        path = folder / job.brand.replace(" ", "_")
        path.mkdir(parents=True, exist_ok=True)
        circuit = job.life.unit.circuits[job.circuit].name
        table = _format(frame, trace, circuit, channels)
        table.write_csv(path / f"{job.brand.replace(' ', '')}{number:03d}.csv", null_value="")
        written.setdefault(job.brand, [])
        written[job.brand] += [c for c in channels if c not in written[job.brand]]
    return written


def _format(frame: pl.DataFrame, trace: Trace, circuit: str, channels: list[str]) -> pl.DataFrame:
    unit = trace.job.life.unit
    barometer = barometer_kpa(unit.elevation_m)
    names = pl.DataFrame({"unit": [unit.unit_id] * len(frame), "circuit": [circuit] * len(frame)})
    gauge = {c: (pl.col(c) - barometer) for c in channels if c in {"suction", "liquid", "discharge"}}
    warm = [c for c in channels if c in {"outdoor", "suction line", "liquid line", "return air", "supply air"}]
    at = pl.col("at").dt.replace_time_zone("UTC")
    if trace.job.brand == "clamp":  # psig, °F, the site's own clock
        local = frame.select(
            at.dt.convert_time_zone(unit.site.zone).dt.strftime("%m/%d/%Y %H:%M:%S").alias("Stamp"),
            *[(e / KPA_PER_PSI).round(1).alias(f"{c.title()} psi") for c, e in gauge.items()],
            *[(pl.col(c) * 1.8 + 32).round(1).alias(f"{c.title()} F") for c in warm],
        )
        return pl.concat([names.rename({"unit": "Tag", "circuit": "Sys"}), local], how="horizontal")
    if trace.job.brand == "gauge box":  # bar gauge, °C, UTC
        local = frame.select(
            at.dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("utc"),
            *[(e / 100).round(3).alias(f"{c}_bar") for c, e in gauge.items()],
            *[pl.col(c).round(2).alias(f"{c.replace(' ', '_')}_c") for c in warm],
            *[pl.col(c).alias("amps") for c in channels if c == "amps"],
        )
        return pl.concat([names, local], how="horizontal")
    if trace.job.brand == "panel":  # absolute kPa, °C, UTC
        local = frame.select(
            at.dt.strftime("%Y-%m-%d %H:%M:%S").alias("time"),
            *[pl.col(c).round(0).alias(f"P {c}") for c in gauge],
            *[pl.col(c).round(1).alias(f"T {c}") for c in warm],
            *[pl.col(c).alias(c) for c in channels if c in {"running", "fans", "switch", "called"}],
        )
        return pl.concat([names.rename({"unit": "equip", "circuit": "ckt"}), local], how="horizontal")
    standard = pl.col("at") + pl.duration(hours=-6)  # historian: a row a value, gauge kPa, standard time all year
    wide = frame.select(
        standard.dt.strftime("%Y-%m-%d %H:%M:%S").alias("ts"),
        *[e.round(0).cast(pl.Float64).alias(f"P.{c}") for c, e in gauge.items()],
        *[pl.col(c).round(1).cast(pl.Float64).alias(f"T.{c}") for c in warm],
        *[pl.col(c).cast(pl.Float64).alias(f"S.{c}") for c in channels if c in {"running", "fan speed"}],
    )
    long = pl.concat([names, wide], how="horizontal").unpivot(
        index=["unit", "circuit", "ts"], variable_name="point", value_name="val"
    )
    return long.rename({"unit": "asset", "circuit": "loop"})
