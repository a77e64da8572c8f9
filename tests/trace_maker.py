"""Logged frames of invented circuits with planted truth: draws circuits, weather, loggers and faults.

`make` gives one circuit made to order, `sample` one drawn at random, `made_of` many at once (far quicker). The
physics is in `trace_physics`; here are the surroundings, the sensors, what the lists say, and the truth.
"""

import gzip
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
from trace_physics import (
    ALL_ON,
    ALLOWED,
    BLOCK_S,
    DEFROST,
    FANS,
    GRID_C,
    HEAT,
    HELD_IN,
    HP,
    HP_TRIP,
    LATCHED,
    LP,
    LP_TRIP,
    RUN,
    STUCK_OFF,
    WANT,
    Around,
    Bench,
    History,
    Plan,
    grid,
    temperature_c,
)

from lowambient.records.inputs import CHANNELS
from lowambient.refrigerant.pressure import barometric_kpa
from lowambient.refrigerant.saturation import bubble_kpa, dew_kpa
from lowambient.traces.circuit import Listed

PSI = 6.894757
INTERVALS_S = (10, 30, 60, 300)
COMFORT = ("R-410A", "R-32", "R-454B", "R-22", "R-407C", "R-134a", "R-513A", "R-290")
REFRIGERATION = ("R-404A", "R-507A", "R-448A", "R-449A", "R-407A", "R-134a", "R-22", "R-290")
CONTROLS = ("none", "fan cycling", "fan speed", "fan staging by ambient", "flooded", "dampers", "floating")
FLAGS = {"lp_switch_closed", "hp_switch_closed", "cooling_called", "compressor_on", "liquid_solenoid_open"}
START_S = 300.0  # a trip within five minutes of a start is a trip on start
COLD_C = 10.0
NOAA = Path(__file__).parents[1] / "demo_data" / "noaa_isd_lite"
STATION_YEARS = {
    "lakes": ("725300", (2015, 2016, 2017)),
    "highlands": ("725957", (2015, 2016, 2017)),
    "north": ("702910", (2018, 2019)),
}
MEAN_C = {"mild": 8.0, "cold": -1.0, "bitter": -14.0, "hot": 31.0}  # of our own diurnal and synoptic weather
MISTAKEN = {"R-410A": "R-22", "R-22": "R-410A", "R-32": "R-134a", "R-404A": "R-134a"}  # in a wrong list
HEAD_STATES = {"bypassed": ALL_ON, "stuck off": STUCK_OFF, "restored": 0}


@dataclass(frozen=True)
class Sensing:
    """What the logger and its sensors do; a fault is (name, channel, from share of the log, to share)."""

    noise_psi: float = 1.0
    lag_s: float = 5.0
    step_psi: float = 0.1
    line_lag_s: float = 45.0
    outdoor_bias_k: float = 0.4
    offset_psi: tuple[float, float] = (0.0, 0.0)
    missing: tuple[str, ...] = ()
    jitter_s: float = 1.0
    no_station: bool = False
    station_bias_k: float = 0.0
    faults: tuple[tuple[str, str, float, float], ...] = ()


@dataclass(frozen=True)
class Order:
    """Everything that makes one circuit; `changes` are (day, what): what is in HEAD_STATES or below in `_switched`."""

    seed: tuple[int, ...]
    plan: Plan
    start: datetime
    climate: str = "cold"
    duty: str = "year-round"
    heat_pump: bool = False
    shared: bool = False
    changes: tuple[tuple[float, str], ...] = ()
    fans_out: int = 0
    constant_c: float | None = None  # outdoor air that never changes, instead of a climate
    sun_k: float = 2.0
    opens_h: float = 0.0  # hours of the day, UTC, when cooling may be called; all day where both are alike
    closes_h: float = 0.0
    steadiness: float = 0.7  # 1: full load always
    stages: bool = False
    defrosts: bool = False
    sensing: Sensing = field(default_factory=Sensing)
    listed: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Made:
    """One logged circuit and its truth; instants UTC, pressures absolute kPa.

    trips: tripped_at, kind, on_start, restarted_at, run_s, off_s (null: to the end), minimum_kpa, seen (not in a gap
    or a stuck stretch). lockouts: started_at, ended_at, may_end_at (where the end of the call cannot be seen), kind,
    ended_by, after_trip, seen, defrost_min. behaviours: start, end, behaviour (or "mixed"), cold_h. set_points: name ->
    kPa. shown: name -> events whose stretches before and after outlast two samples. faults: fault, channel, from_at,
    to_at.
    """

    name: str
    order: Order
    frame: pl.DataFrame
    listed: Listed
    trips: pl.DataFrame
    lockouts: pl.DataFrame
    set_points: dict[str, float]
    shown: dict[str, int]
    behaviours: pl.DataFrame
    changes: list[tuple[datetime, str, str]]
    faults: pl.DataFrame

    @property
    def interval_s(self) -> int:
        return self.order.plan.logging_s


# ---------------------------------------------------------------------------------------------------------------------
# Weather and surroundings


@cache
def observed_c(station: str, year: int) -> tuple[np.ndarray, np.ndarray]:
    """Hourly temperature, °C, and wind, m/s, of one ISD-Lite file (NOAA); holes closed by straight lines."""
    hours = int((datetime(year + 1, 1, 1) - datetime(year, 1, 1)).total_seconds() / 3600)
    values = np.full((2, hours), np.nan)
    with gzip.open(NOAA / f"{station}-{year}.gz", "rt") as lines:
        for line in lines:
            cell = [int(text) for text in line.split()]
            at = int((datetime(*cell[:4]) - datetime(year, 1, 1)).total_seconds() / 3600)
            values[:, at] = [np.nan if cell[i] == -9999 else cell[i] / 10 for i in (4, 8)]
    places = np.arange(hours)
    known = np.isfinite(values)
    return tuple(np.interp(places, places[k], row[k]) for row, k in zip(values, known, strict=True))


def wander(rng: np.random.Generator, count: int, memory: float) -> np.ndarray:
    """A standard Ornstein-Uhlenbeck path of `count` points whose memory is `memory` points."""
    keep = np.exp(-1.0 / memory)
    noise = rng.standard_normal(count)
    out = np.empty(count)
    now = noise[0]
    for i in range(count):
        now = keep * now + np.sqrt(1 - keep**2) * noise[i]
        out[i] = now
    return out


def weather(order: Order, rng: np.random.Generator, hours: int) -> tuple[np.ndarray, np.ndarray]:
    """Hourly outdoor temperature and wind over the log, (hours + 2,)."""
    count = hours + 2
    if order.constant_c is not None:
        return np.full(count, order.constant_c), np.full(count, 2.0)
    if order.climate in STATION_YEARS:
        station, _ = STATION_YEARS[order.climate]
        year = [observed_c(station, order.start.year)]
        if order.start.year + 1 in STATION_YEARS[order.climate][1]:
            year.append(observed_c(station, order.start.year + 1))
        temperature, wind = (np.concatenate(rows) for rows in zip(*year, strict=True))
        first = int((order.start - datetime(order.start.year, 1, 1, tzinfo=UTC)).total_seconds() / 3600)
        picked = np.arange(first, first + count) % temperature.size
        return temperature[picked], wind[picked]
    hour = np.arange(count) + order.start.hour
    swing = rng.uniform(1.5, 7.0) * (1 + 0.5 * wander(rng, count, 48))
    diurnal = swing * np.sin((hour - 9 - 6) * 2 * np.pi / 24)
    spells = rng.uniform(3.0, 6.0) * wander(rng, count, rng.uniform(40, 90))
    wind = np.abs(2.5 + 2.2 * wander(rng, count, 8))
    return MEAN_C[order.climate] + diurnal + spells + 0.4 * rng.standard_normal(count), wind


def surroundings(order: Order) -> tuple[Around, np.ndarray]:
    """What surrounds a circuit in blocks of five minutes, and the hourly air of the station."""
    rng = np.random.default_rng([*order.seed, 1])
    plan = order.plan
    blocks = round(plan.days * 86400 / BLOCK_S) + 1
    hourly_c, hourly_wind = weather(order, rng, int(plan.days * 24) + 1)
    at_h = np.arange(blocks) * BLOCK_S / 3600
    hour = (at_h + order.start.hour) % 24
    hours = np.arange(hourly_c.size)
    outdoor = np.interp(at_h, hours, hourly_c) + (0.35 * wander(rng, blocks, 6) if order.constant_c is None else 0.0)
    wind = np.maximum(np.interp(at_h, hours, hourly_wind) * (1 + 0.3 * wander(rng, blocks, 3)), 0.0)
    noon = rng.uniform(16, 21)  # UTC
    cloud = np.clip(0.6 + 0.6 * wander(rng, blocks, 60), 0, 1)
    sun = order.sun_k * cloud * np.maximum(np.cos((hour - noon) * 2 * np.pi / 24), 0)
    busy = 0.5 + 0.5 * np.cos((hour - noon) * 2 * np.pi / 24)
    load = order.steadiness + (1 - order.steadiness) * (busy - 0.5 + 0.6 * wander(rng, blocks, 24))
    load = np.clip(load, 0.35, 1.1)
    if order.stages:
        load = load * np.where(wander(rng, blocks, 10) > 0.2, 0.55, 1.0)
    rain = wander(rng, blocks, 100) > 1.6
    wet = 1 + 0.35 * rain + 0.05 * wander(rng, blocks, 4)
    sister = np.zeros(blocks)
    if order.shared:
        sister = np.where(wander(rng, blocks, 8) > 0.3, 1.0, 0.0)
        if plan.control == "fan cycling":
            sister *= rng.random(blocks) < 0.5
    scheduled = np.ones(blocks, bool)
    if order.opens_h != order.closes_h:
        scheduled = ((hour - order.opens_h) % 24) < ((order.closes_h - order.opens_h) % 24)
    heating, defrosting = np.zeros(blocks, bool), np.zeros(blocks, bool)
    if order.heat_pump:
        need = np.clip((13.0 - outdoor) / 22.0, 0, 1)
        heating = ((np.arange(blocks) % 8) / 8 < need) & (need > 0.1)
        every = int(rng.integers(8, 16))
        defrosting = heating & (outdoor < 4) & (np.arange(blocks) % every == every - 1)
        around_heat = heating | np.roll(heating, 1) | np.roll(heating, 2) | np.roll(heating, -1)
        scheduled &= ~around_heat
    elif order.defrosts:
        defrosting = (np.arange(blocks) % 72) < int(rng.integers(3, 8))
    switched = _switched(order, blocks)
    return (
        Around(
            outdoor_c=outdoor,
            wind_m_s=wind,
            air_c=plan.air_c + 0.8 * wander(rng, blocks, 20),
            load=load,
            sun_k=sun,
            wet=wet,
            sister_share=sister,
            scheduled=scheduled,
            heating=heating,
            defrosting=defrosting,
            head_state=switched["head"],
            fans_out=switched["fans"],
            jumpered=switched["jumper"],
            attended=(hour > noon - 5) & (hour < noon + 6),
        ),
        np.stack([hourly_c, hourly_wind]),
    )


def _switched(order: Order, blocks: int) -> dict[str, np.ndarray]:
    """Head control, fans out and jumper over time, from the dated changes."""
    out = {
        "head": np.zeros(blocks),
        "fans": np.full(blocks, float(order.fans_out)),
        "jumper": np.zeros(blocks),
    }
    for day, what in sorted(order.changes):
        after = np.arange(blocks) * BLOCK_S >= day * 86400
        if what in HEAD_STATES:
            out["head"][after] = HEAD_STATES[what]
        elif what in ("fan fails", "fan mended"):
            out["fans"][after] = float(what == "fan fails")
        elif what in ("jumper on", "jumper off"):
            out["jumper"][after] = float(what == "jumper on")
        else:
            raise ValueError(what)
    return out


# ---------------------------------------------------------------------------------------------------------------------
# Sensors


def _quantised(kpa: np.ndarray, step_psi: float, barometer: float) -> np.ndarray:
    return np.round((kpa - barometer) / PSI / step_psi) * step_psi * PSI + barometer


def _slowed(values: np.ndarray, interval_s: float, lag_s: float) -> np.ndarray:
    keep = np.exp(-interval_s / lag_s)
    if keep < 0.02:
        return values
    out = np.empty_like(values)
    now = values[0]
    for i, value in enumerate(values.tolist()):
        now = keep * now + (1 - keep) * value
        out[i] = now
    return out


def sensed(order: Order, history: History, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """All channels as the sensors give them, before any fault; NaN nowhere yet."""
    plan, sensing, m = order.plan, order.sensing, history.measured
    count = history.at_s.size
    run = m["running"]
    cooling = run & ~m["heating"]
    ref, barometer = plan.refrigerant, plan.barometric_kpa

    def noise(size: float) -> np.ndarray:
        return size * rng.standard_normal(count)

    low, high = m["suction_kpa"].astype(float), m["head_kpa"].astype(float)
    evaporating = temperature_c(ref, low, dew=True)
    starved = np.clip(1.3 - m["feed"], 0.05, 1.0) if plan.orifice else np.clip(1.05 - m["feed"], 0.0, 1.0)
    superheat = np.minimum(
        5.0 + 0.9 * starved * np.maximum(plan.air_c - evaporating, 0), np.maximum(plan.air_c - evaporating, 1)
    )
    subcooling = (
        0.55 * np.maximum(m["head_c"] - m["outdoor_c"], 0) * np.clip(1.0 - 3.0 * (1 - plan.charge), 0.03, 1) * 0.6
    )
    suction_line = np.where(run, evaporating + superheat, 0.6 * plan.air_c + 0.4 * m["outdoor_c"])
    liquid_line = np.where(run, m["head_c"] - subcooling, m["outdoor_c"] + 1.0)
    cooled = np.where(cooling, np.clip(m["feed"], 0, 1), 0.0)
    flow = np.clip(low / plan.evap_td_k / 60.0, 0.2, 1.5) * run
    rated_a = float(rng.uniform(6, 40))
    heater_a = float(rng.uniform(0.2, 0.6)) if rng.random() < 0.4 else 0.0
    drop = float(rng.uniform(5, 60))
    supply_change = np.where(m["heating"] & ~m["defrosting"] & run, 15.0, -11.0 * cooled)
    fans = np.ceil(np.minimum(m["fan_share"], 1.0) * plan.fans - 0.35)
    share = np.clip(m["fan_share"], 0, 1)
    spread = sensing.noise_psi * PSI
    out = {
        "suction_kpa": low + sensing.offset_psi[0] * PSI + noise(spread),
        "liquid_kpa": high - 0.1 * drop * flow + sensing.offset_psi[1] * PSI + noise(spread),
        "discharge_kpa": high + drop * flow + sensing.offset_psi[1] * PSI + noise(spread),
        "suction_line_c": _slowed(suction_line, plan.logging_s, sensing.line_lag_s) + noise(0.3),
        "liquid_line_c": _slowed(liquid_line, plan.logging_s, sensing.line_lag_s) + noise(0.3),
        "outdoor_c": m["outdoor_c"] + sensing.outdoor_bias_k + noise(0.2),
        "return_air_c": plan.air_c + noise(0.3),
        "supply_air_c": _slowed(plan.air_c + supply_change, plan.logging_s, 90.0) + noise(0.3),
        "compressor_on": run.astype(float),
        "compressor_a": np.where(run, rated_a * (0.45 + 0.5 * high / 2500.0) + noise(0.03 * rated_a), heater_a),
        "fans_running": fans,
        "fan_speed_fraction": share,
        "lp_switch_closed": 1.0 - m["lp_open"],
        "hp_switch_closed": 1.0 - m["hp_open"],
        "liquid_solenoid_open": (m["wanted"] if plan.pump_down else run).astype(float),
        "cooling_called": m["wanted"].astype(float),
        "mode": np.where(m["defrosting"], 2.0, np.where(m["heating"], 1.0, 0.0)),
    }
    for name in ("suction_kpa", "liquid_kpa", "discharge_kpa"):
        out[name] = _quantised(out[name], sensing.step_psi, barometer)
    for name in ("suction_line_c", "liquid_line_c", "outdoor_c", "return_air_c", "supply_air_c"):
        out[name] = np.round(out[name], 1)
    return out


def _with_faults(
    order: Order, channels: dict[str, np.ndarray], keep: np.ndarray, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """What sensors and loggers do wrong, in place; rows of a gap leave `keep`."""
    count = keep.size
    for name, channel, from_share, to_share in order.sensing.faults:
        part = slice(int(from_share * count), max(int(to_share * count), int(from_share * count) + 1))
        if name == "stuck":
            channels[channel][part] = channels[channel][part.start]
        elif name == "spikes":
            where = rng.choice(count, max(count // 1500, 3), replace=False)
            channels[channel][where] = rng.choice([0.0, 5000.0, 7000.0, 101.3], where.size)
        elif name == "drop-outs":
            where = rng.choice(count, max(count // 60, 3), replace=False)
            channels[channel][where] = np.nan
        elif name == "gap":
            keep[part] = False
        elif name == "swapped":
            channels["suction_kpa"], channels["liquid_kpa"] = channels["liquid_kpa"], channels["suction_kpa"]
        elif name == "gauge taken for absolute":
            for one in ("suction_kpa", "liquid_kpa", "discharge_kpa"):
                channels[one] = channels[one] - order.plan.barometric_kpa
        elif name == "wrong unit":
            for one in ("suction_kpa", "liquid_kpa", "discharge_kpa"):
                channels[one] = (channels[one] - order.plan.barometric_kpa) / PSI + order.plan.barometric_kpa
        elif name not in ("wrong refrigerant", "clock"):
            raise ValueError(name)
    return channels


def _frame(order: Order, history: History, hourly: np.ndarray) -> pl.DataFrame:
    """The circuit's frame as the analysis gets it."""
    rng = np.random.default_rng([*order.seed, 2])
    sensing = order.sensing
    channels = sensed(order, history, rng)
    keep = np.ones(history.at_s.size, bool)
    channels = _with_faults(order, channels, keep, rng)
    jitter = np.round(rng.uniform(-sensing.jitter_s, sensing.jitter_s, keep.size))
    shift_h = sum(to for name, _, _, to in sensing.faults if name == "clock")
    stamp_s = np.maximum(history.at_s + jitter, 0) + shift_h * 3600
    hours = np.arange(hourly.shape[1])
    weather_c = np.interp(stamp_s / 3600, hours, hourly[0] + sensing.station_bias_k, left=np.nan, right=np.nan)
    wind = np.interp(stamp_s / 3600, hours, hourly[1], left=np.nan, right=np.nan)
    if sensing.no_station:
        weather_c[:], wind[:] = np.nan, np.nan
    origin = np.datetime64(order.start.replace(tzinfo=None), "us")
    columns = {"read_at": pl.Series(origin + (stamp_s * 1e6).astype("timedelta64[us]")).dt.replace_time_zone("UTC")}
    for name in CHANNELS:
        gone = name in sensing.missing or name not in channels
        values = np.full(keep.size, np.nan) if gone else channels[name]
        series = pl.Series(name, values, nan_to_null=True)
        if name in FLAGS:
            series = series.cast(pl.Boolean)
        elif name == "fans_running":
            series = series.cast(pl.Int64)
        elif name == "mode":
            series = series.cast(pl.Int8).replace_strict(
                {0: "cooling", 1: "heating", 2: "defrost"}, return_dtype=pl.String
            )
        columns[name] = series
    columns["station_c"] = pl.Series(np.round(weather_c, 2), nan_to_null=True)
    columns["station_wind_m_s"] = pl.Series(np.round(wind, 1), nan_to_null=True)
    return pl.DataFrame(columns).filter(pl.Series(keep))


# ---------------------------------------------------------------------------------------------------------------------
# Truth


def _at(order: Order, seconds: float) -> datetime:
    return order.start + timedelta(seconds=float(seconds))


def _blind(order: Order, seconds: float) -> bool:
    """Whether nothing of the low side is seen at an instant: a gap, or a stuck sensor."""
    length = order.plan.days * 86400
    for name, channel, from_share, to_share in order.sensing.faults:
        if (name == "gap" or (name == "stuck" and channel == "suction_kpa")) and (
            from_share * length - 2 * order.plan.logging_s <= seconds <= to_share * length + 2 * order.plan.logging_s
        ):
            return True
    return False


def _stretches(history: History, row: np.ndarray, end_s: float) -> list[tuple[float, float]]:
    """From and to of every stretch in which a flag over the edges is true, seconds."""
    out = []
    begin = None
    for at, on in zip(history.edge_s, row, strict=True):
        if on and begin is None:
            begin = at
        elif not on and begin is not None:
            out.append((begin, at))
            begin = None
    return [*out, (begin, end_s)] if begin is not None else out


def _trips(order: Order, history: History) -> pl.DataFrame:
    """Each protective stop while cooling was wanted."""
    end_s = order.plan.days * 86400
    runs = _stretches(history, history.edges[:, RUN] & ~history.edges[:, HEAT], end_s)
    began, ended = np.array([a for a, _ in runs]), np.array([b for _, b in runs])
    low = history.measured["suction_kpa"]
    rows = []
    for flag, kind in ((LP_TRIP, "low pressure"), (HP_TRIP, "high pressure")):
        marked = history.edges[:, flag]
        rising = np.flatnonzero(marked & ~np.roll(marked, 1))
        for edge in rising:
            at = history.edge_s[edge]
            if at == 0:
                continue
            before = began[began < at]
            after = began[began > at]
            if not before.size or not np.isclose(ended, at).any():
                continue
            run_s = at - before[-1]
            off_s = after[0] - at if after.size else None
            part = (history.at_s >= before[-1]) & (history.at_s <= at + order.plan.logging_s)
            rows.append(
                {
                    "tripped_at": _at(order, at),
                    "kind": kind,
                    "on_start": bool(run_s < START_S),
                    "restarted_at": _at(order, after[0]) if after.size else None,
                    "run_s": float(run_s),
                    "off_s": float(off_s) if off_s is not None else None,
                    "minimum_kpa": float(low[part].min()) if part.any() else None,
                    "seen": not _blind(order, at),
                }
            )
    schema = {
        "tripped_at": pl.Datetime("us", "UTC"),
        "kind": pl.String,
        "on_start": pl.Boolean,
        "restarted_at": pl.Datetime("us", "UTC"),
        "run_s": pl.Float64,
        "off_s": pl.Float64,
        "minimum_kpa": pl.Float64,
        "seen": pl.Boolean,
    }
    return pl.DataFrame(rows, schema=schema).sort("tripped_at")


def _lockouts(order: Order, history: History) -> pl.DataFrame:
    """Stops after a trip while cooling is still wanted, timers included.

    Also stops that no trip began, because a switch was open when cooling was called: `after_trip` is false there. A
    defrost holds a circuit out by design: it does not end a lockout, nor does its time make one (`defrost_min`).
    """
    end_s = order.plan.days * 86400
    e = history.edges
    defrosts = _stretches(history, e[:, DEFROST] & ~e[:, HEAT], end_s)
    after_trip = e[:, LP_TRIP] | e[:, HP_TRIP]
    barred = (((e[:, LP] | e[:, HP]) & ~e[:, HELD_IN]) | e[:, LATCHED]) & e[:, WANT] & e[:, ALLOWED]
    wanted = e[:, WANT] | _wanted_before(e[:, DEFROST] & ~e[:, HEAT], e[:, WANT])
    locked = ~e[:, RUN] & ((after_trip & wanted) | barred)
    call_seen = "cooling_called" not in order.sensing.missing
    starts = [a for a, _ in _stretches(history, e[:, RUN], end_s)]
    rows = []
    for begin, end in _stretches(history, locked, end_s):
        inside = (history.edge_s >= begin) & (history.edge_s < end)
        ender = np.flatnonzero(history.edge_s >= end)
        later = [at for at in starts if at >= end]
        visited = bool(((history.visits_s > begin) & (history.visits_s <= end + 60)).any())
        latched = bool(e[inside, LATCHED].any())
        by = _ended_by(order, history, begin, ender, visited or latched)
        next_start = later[0] if later else end_s
        unseen_end = by == "cooling call ended" and not call_seen
        rows.append(
            {
                "started_at": _at(order, begin),
                "ended_at": _at(order, end),
                "may_end_at": _at(order, next_start if unseen_end else end),
                "kind": "latched" if latched else "switch open",
                "ended_by": by,
                "after_trip": bool(after_trip[inside].any()),
                "seen": not _blind(order, begin),
                "defrost_min": sum(max(min(end, b) - max(begin, a), 0.0) for a, b in defrosts) / 60,
            }
        )
    if not call_seen:
        rows = _joined(rows)
    schema = {
        "started_at": pl.Datetime("us", "UTC"),
        "ended_at": pl.Datetime("us", "UTC"),
        "may_end_at": pl.Datetime("us", "UTC"),
        "kind": pl.String,
        "ended_by": pl.String,
        "after_trip": pl.Boolean,
        "seen": pl.Boolean,
        "defrost_min": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema)


def _wanted_before(defrost: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Edges within a defrost before which cooling was wanted: a defrost does not satisfy the thermostat."""
    out = np.zeros(defrost.size, bool)
    for at in np.flatnonzero(defrost):
        out[at] = at > 0 and (out[at - 1] if defrost[at - 1] else wanted[at - 1])
    return out


def _joined(rows: list[dict]) -> list[dict]:
    """Lockouts with no run between them are one where nobody can see the call come and go."""
    out: list[dict] = []
    for row in rows:
        if out and out[-1]["may_end_at"] >= row["started_at"]:
            out[-1] = {
                **row,
                "started_at": out[-1]["started_at"],
                "after_trip": out[-1]["after_trip"] or row["after_trip"],
                "seen": out[-1]["seen"],
                "defrost_min": out[-1]["defrost_min"] + row["defrost_min"],
            }
        else:
            out.append(row)
    return out


def _ended_by(order: Order, history: History, begin: float, ender: np.ndarray, reset: bool) -> str:
    if not ender.size:
        return "log ended"
    now = history.edges[ender[0]]
    if not now[WANT]:
        return "cooling call ended"
    if reset:
        return "power cycled or reset"
    outdoor = history.measured["outdoor_c"]
    at = np.searchsorted(history.at_s, [begin, history.edge_s[ender[0]]]).clip(0, outdoor.size - 1)
    return "outdoor warmed" if outdoor[at[1]] > outdoor[at[0]] + 0.3 else "pressure recovered otherwise"


def _behaviours(order: Order, history: History) -> pl.DataFrame:
    """How head pressure was really held between the dated changes, from the noise-free trace.

    Cold steady running (over 300 s into a run, heating out). Fans that a switch turns at least once an hour: cycling.
    Else the slope of condensing on outdoor temperature, at like fans: 0.65 and over follows, 0.35 and under held; in
    between, or where the outdoor air hardly moved, "mixed", which is not scored.
    """
    m, plan = history.measured, order.plan
    days = sorted({0.0, plan.days, *(day for day, what in order.changes if "jumper" not in what)})
    run_for = np.zeros(history.at_s.size)
    for begin, end in _stretches(history, history.edges[:, RUN] & ~history.edges[:, HEAT], plan.days * 86400):
        inside = slice(*np.searchsorted(history.at_s, [begin, end]))
        run_for[inside] = history.at_s[inside] - begin
    cold = (run_for > 300) & (m["outdoor_c"] < COLD_C)
    fans = history.edges[:, FANS] & history.edges[:, RUN]
    offs = history.edge_s[np.flatnonzero(~fans & np.roll(fans, 1) & history.edges[:, RUN])]
    rows = []
    for begin, end in pairwise(days):
        inside = cold & (history.at_s >= begin * 86400) & (history.at_s < end * 86400)
        cold_h = inside.sum() * plan.logging_s / 3600
        off_at = np.searchsorted(history.at_s, offs).clip(0, inside.size - 1)
        turns = inside[off_at].sum() if plan.control == "fan cycling" and offs.size else 0
        state = _switched(order, int(plan.days * 86400 / BLOCK_S) + 2)["head"][int(begin * 86400 / BLOCK_S) + 1]
        behaviour = "mixed"
        if turns >= max(cold_h, 1) and state == 0:
            behaviour = "cycling"
        elif inside.sum() > 30:
            t, c = m["outdoor_c"][inside].astype(float), m["head_c"][inside].astype(float)
            if plan.control == "fan staging by ambient" and state == 0:
                low = t < plan.stage_c
                for group in (low, ~low):
                    if group.any():
                        t[group], c[group] = t[group] - t[group].mean(), c[group] - c[group].mean()
            if t.std() > 1.0:
                slope = float(np.polyfit(t, c, 1)[0])
                behaviour = "follows ambient" if slope >= 0.65 else "held" if slope <= 0.35 else "mixed"
        rows.append((_at(order, begin * 86400), _at(order, end * 86400), behaviour, float(cold_h)))
    return pl.DataFrame(rows, schema=["start", "end", "behaviour", "cold_h"], orient="row")


def _shown(order: Order, history: History, trips: pl.DataFrame) -> dict[str, int]:
    """Events of each switch whose stretches before and after outlast two samples (and were not in a blind stretch)."""
    least = 2 * order.plan.logging_s
    end_s = order.plan.days * 86400
    out = dict.fromkeys(("lp cut-out", "lp reset", "fan on", "fan off", "hp cut-out"), 0)
    long = trips.filter((pl.col("run_s") >= least) & (pl.col("off_s").fill_null(1e9) >= least) & pl.col("seen"))
    out["lp cut-out"] = long.filter(pl.col("kind") == "low pressure").height
    out["hp cut-out"] = long.filter(pl.col("kind") == "high pressure").height
    e = history.edges
    runs = _stretches(history, e[:, RUN], end_s)
    lp_open = _stretches(history, e[:, LP] & ~e[:, RUN] & ~e[:, HEAT], end_s)
    began = {round(a): b - a for a, b in runs}
    jumpers = [what for _, what in order.changes if what == "jumper on"]
    for begin, end in lp_open:
        # The switch itself let it start: no timer, no board, no call came later.
        starts = [length for at, length in began.items() if end - 1 <= at <= end + 6]
        if starts and end - begin >= least and starts[0] >= least and not jumpers and not _blind(order, end):
            out["lp reset"] += 1
    if order.plan.control == "fan cycling":
        fans_on = _stretches(history, e[:, FANS] & e[:, RUN], end_s)
        fans_off = _stretches(history, ~e[:, FANS] & e[:, RUN], end_s)
        head = _switched(order, int(end_s / BLOCK_S) + 2)["head"]
        working = [(a, b) for a, b in fans_on if head[int(a / BLOCK_S)] == 0]
        off_ends = {round(b): b - a for a, b in fans_off}
        off_starts = {round(a): b - a for a, b in fans_off}
        for begin, end in working:
            before, after = off_ends.get(round(begin), 0), off_starts.get(round(end), 0)
            out["fan on"] += before >= least and end - begin >= least
            out["fan off"] += after >= least and end - begin >= least
    return out


def _listed(order: Order, name: str) -> Listed:
    plan = order.plan
    values = {
        "unit_id": name,
        "circuit": "1",
        "refrigerant": plan.refrigerant,
        "barometric_kpa": plan.barometric_kpa,
        "duty": order.duty,
        "head_control": plan.control,
        "pump_down": plan.pump_down,
        "heat_pump": order.heat_pump,
        "lp_switch_at": "liquid" if plan.lp_at_liquid else "suction",
        "lp_cut_out_kpa": plan.lp_cut_out_kpa,
        "lp_reset_kpa": plan.lp_reset_kpa,
        "hp_cut_out_kpa": plan.hp_cut_out_kpa,
        "fan_on_kpa": plan.fan_on_kpa if plan.control == "fan cycling" else None,
        "fan_off_kpa": plan.fan_off_kpa if plan.control == "fan cycling" else None,
        "condenser_fans": plan.fans,
        "shared_condenser": order.shared,
        "space_c": plan.air_c,
    }
    known = {one.name for one in fields(Listed)}
    return Listed(**{key: value for key, value in (values | order.listed).items() if key in known})


def _finished(order: Order, history: History, hourly: np.ndarray) -> Made:
    name = "-".join(str(part) for part in order.seed)
    trips = _trips(order, history)
    behaviours = _behaviours(order, history)
    plan = order.plan
    set_points = {"lp cut-out": plan.lp_cut_out_kpa, "lp reset": plan.lp_reset_kpa, "hp cut-out": plan.hp_cut_out_kpa}
    if plan.control == "fan cycling":
        set_points |= {"fan on": plan.fan_on_kpa, "fan off": plan.fan_off_kpa}
    rows = behaviours.rows(named=True)
    changes = [
        (after["start"], before["behaviour"], after["behaviour"])
        for before, after in pairwise(rows)
        if before["behaviour"] != after["behaviour"]
        and "mixed" not in (before["behaviour"], after["behaviour"])
        and min(before["cold_h"], after["cold_h"]) >= 24
    ]
    length = plan.days * 86400
    whole = ("swapped", "gauge taken for absolute", "wrong unit", "wrong refrigerant", "clock")
    faults = [
        (
            fault,
            channel,
            _at(order, 0 if fault in whole else a * length),
            _at(order, length if fault in whole else b * length),
        )
        for fault, channel, a, b in order.sensing.faults
    ]
    return Made(
        name=name,
        order=order,
        frame=_frame(order, history, hourly),
        listed=_listed(order, name),
        trips=trips,
        lockouts=_lockouts(order, history),
        set_points=set_points,
        shown=_shown(order, history, trips),
        behaviours=behaviours,
        changes=changes,
        faults=pl.DataFrame(faults, schema=["fault", "channel", "from_at", "to_at"], orient="row"),
    )


def made_of(orders: Sequence[Order]) -> Iterator[tuple[int, Made]]:
    """Makes all orders in one run of the physics; hands out (index, Made) one at a time to spare memory."""
    pairs = [surroundings(order) for order in orders]
    bench = Bench([order.plan for order in orders], [around for around, _ in pairs], [list(o.seed) for o in orders])
    for index, history in bench.run(np.array([order.sensing.lag_s for order in orders])):
        yield index, _finished(orders[index], history, pairs[index][1])


# ---------------------------------------------------------------------------------------------------------------------
# Orders


def kpa(psig: float, barometer: float = 101.325) -> float:
    """Absolute pressure of a gauge pressure at the site."""
    return psig * PSI + barometer


def order_of(
    seed: int | tuple[int, ...],
    *,
    days: float = 10.0,
    logging_s: int = 60,
    refrigerant: str = "R-410A",
    climate: str = "cold",
    behaviour: str = "none",
    changes: Sequence[tuple[float, str]] = (),
    missing: Sequence[str] = (),
    noise_psi: float = 1.0,
    lag_s: float = 5.0,
    **more: object,
) -> Order:
    """An order with these things fixed; `behaviour` is a head control, `more` any field of Plan, Sensing or Order."""
    seed = (seed,) if isinstance(seed, int) else tuple(seed)
    kinds = {kind: {f.name for f in fields(kind)} for kind in (Plan, Sensing, Order)}
    parts = {kind: {k: v for k, v in more.items() if k in names} for kind, names in kinds.items()}
    unknown = set(more) - set().union(*kinds.values())
    if unknown:
        raise TypeError(f"no such field: {sorted(unknown)}")
    start = datetime(2016, 1, 4, tzinfo=UTC)
    plan = Plan(days=days, logging_s=logging_s, refrigerant=refrigerant, control=behaviour, **parts[Plan])
    sensing = Sensing(noise_psi=noise_psi, lag_s=lag_s, missing=tuple(missing), **parts[Sensing])
    order = {"start": start, "climate": climate, "changes": tuple(changes), **parts[Order]}
    return Order(seed=seed, plan=plan, sensing=sensing, **order)


def make(seed: int | tuple[int, ...], **wishes: object) -> Made:
    """One circuit made to order; see `order_of`."""
    return next(made_of([order_of(seed, **wishes)]))[1]


def sample(seed: int, index: int = 0) -> Made:
    """One circuit with everything drawn at random."""
    return next(made_of([drawn(seed, index)]))[1]


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _settings(rng: np.random.Generator, ref: str, plan: dict, box: bool) -> dict:
    """Switch settings as labels would give them, from saturation temperatures drawn wide."""
    barometer = plan["barometric_kpa"]

    def label(pressure: float) -> float:
        return float(kpa(round((pressure - barometer) / PSI), barometer))

    evaporating = plan["air_c"] - plan["evap_td_k"]
    if box:
        cut_c = evaporating - rng.uniform(8, 15)
        cut = float(dew_kpa(ref, [cut_c])[0])
        reset = float(dew_kpa(ref, [cut_c + rng.uniform(5, 11)])[0])
    else:
        cut = float(dew_kpa(ref, [rng.uniform(-23, -9)])[0])
        reset = float(bubble_kpa(ref, [rng.uniform(-10, 5)])[0])
    cut = max(cut, kpa(5.0, barometer))
    reset = max(reset, cut + 8 * PSI)
    top = _top_c(ref)
    off_c = rng.uniform(14, 24) if box else rng.uniform(25, 37)
    on_c = off_c + _log_uniform(rng, 5, 21)
    return {
        "lp_cut_out_kpa": label(cut),
        "lp_reset_kpa": label(reset),
        "fan_off_kpa": label(float(bubble_kpa(ref, [off_c])[0])),
        "fan_on_kpa": label(float(bubble_kpa(ref, [on_c])[0])),
        "hp_cut_out_kpa": label(float(bubble_kpa(ref, [min(rng.uniform(57, 65), top)])[0])),
        "hp_reset_kpa": label(float(bubble_kpa(ref, [min(rng.uniform(44, 52), top - 8)])[0])),
    }


def _top_c(ref: str) -> float:
    """The highest temperature that the refrigerant's table still tells apart, less a margin."""
    return float(GRID_C[np.flatnonzero(np.diff(grid(ref, False)) > 0)[-1] + 1]) - 3.0


def drawn(seed: int, index: int = 0) -> Order:
    """An order with everything drawn at random."""
    rng = np.random.default_rng([seed, index, 3])
    box = rng.random() < 0.25
    ref = str(
        rng.choice(
            REFRIGERATION if box else COMFORT, p=None if box else [0.36, 0.08, 0.1, 0.16, 0.12, 0.08, 0.05, 0.05]
        )
    )
    logging_s = int(rng.choice(INTERVALS_S))
    days = {10: rng.uniform(6, 12), 30: rng.uniform(10, 22), 60: rng.uniform(12, 30), 300: rng.uniform(20, 45)}[
        logging_s
    ]
    orifice = not box and rng.random() < 0.3
    plan: dict = {
        "days": float(np.round(days)),
        "logging_s": logging_s,
        "refrigerant": ref,
        "barometric_kpa": barometric_kpa(float(rng.choice([0, 30, 200, 400, 1000, 1609, 2200]))),
        "air_c": float(rng.choice([-20.0, 2.0, 4.0])) if box else float(rng.uniform(20, 27)),
        "evap_td_k": float(rng.uniform(5, 9)) if box else float(rng.uniform(14, 20)),
        "cond_td_k": float(rng.uniform(8, 20)),
        "head_lag_s": _log_uniform(rng, 35, 350),
        "fan_lag_s": float(rng.uniform(1.5, 7)),
        "pull_down_s": _log_uniform(rng, 10, 150),
        "rise_s": _log_uniform(rng, 15, 60) if orifice else _log_uniform(rng, 20, 240),
        "high_lag_s": _log_uniform(rng, 60, 500),
        "settle_s": _log_uniform(rng, 180, 10800),
        "hold_up": float(rng.uniform(0.2, 0.95)),
        "orifice": orifice,
        "feed": float(rng.uniform(1.0, 1.25)) if orifice else float(rng.uniform(1.25, 2.0)),
        "starve_c": float(rng.uniform(-12, 9) if rng.random() < 0.5 else rng.uniform(-40, -15)),
        "starve_span_k": float(rng.uniform(8, 22)),
        "start_dip": float(rng.uniform(0.0, 0.8)),
        "start_dip_s": _log_uniform(rng, 20, 150),
        "boil_off_s": _log_uniform(rng, 40, 250),
        "hunting": float(rng.choice([0, 0, 0.02, 0.05])) if not orifice else 0.0,
        "hunting_s": float(rng.uniform(60, 300)),
        "still": float(rng.uniform(0.03, 0.12)),
        "wind_share": float(rng.uniform(0.0, 0.02)),
        "charge": float(rng.uniform(0.6, 0.85)) if rng.random() < 0.1 else 1.0,
        "coil": float(rng.uniform(0.5, 0.75)) if rng.random() < 0.07 else 1.0,
        "lift_k": float(rng.uniform(0, 3.5)),
        "lp_delay_s": float(rng.choice([0, 0, 15, 30, 60, 90, 120, 180])),
        "starts_open": bool(rng.random() < 0.08),
        "anti_recycle_s": float(rng.choice([0, 30, 120, 180, 240, 300, 480])),
        "trips_to_latch": int(rng.choice([0, 1, 3], p=[0.3, 0.12, 0.58])),
        "clears_on_call": bool(rng.random() < 0.6),
        "repeat_psi": float(rng.uniform(0.2, 1.0)),
        "run_s": _log_uniform(rng, 180, 43200),
        "duty_share": float(rng.uniform(0.45, 0.98)),
        "pump_down": bool(rng.random() < (0.5 if box else 0.06)),
        "holds_off_below_c": float(rng.uniform(-5, 8)) if not box and rng.random() < 0.06 else -90.0,
        "visit_after_s": _log_uniform(rng, 14400, 250000),
        "visit_holds_in_s": float(rng.uniform(120, 900)),
        "fans": int(rng.choice([1, 2, 2, 3, 4])),
        "control": str(rng.choice(CONTROLS, p=[0.26, 0.34, 0.16, 0.07, 0.06, 0.04, 0.07])),
    }
    if plan["starts_open"]:
        plan["trips_to_latch"] = 3
    plan |= _settings(rng, ref, plan, box)
    plan |= _head_control(rng, plan, box)
    named = dict(plan)
    # A label is not a switch: each sits a little off its own.
    for name in ("lp_cut_out_kpa", "lp_reset_kpa", "fan_on_kpa", "fan_off_kpa"):
        plan[name] = named[name] + float(rng.normal(0, 2.0)) * PSI
    plan["lp_cut_out_kpa"] = max(plan["lp_cut_out_kpa"], kpa(1.0, plan["barometric_kpa"]))
    plan["lp_reset_kpa"] = max(plan["lp_reset_kpa"], plan["lp_cut_out_kpa"] + 6 * PSI)
    plan["lp_at_liquid"] = bool(not box and not plan["pump_down"] and rng.random() < 0.04)
    return _ordered(rng, (seed, index), Plan(**plan), Plan(**named), box)


def _head_control(rng: np.random.Generator, plan: dict, box: bool) -> dict:
    """Bands of modulating controls, and fans that a cycling control leaves alone."""
    low = float(rng.uniform(14, 26) if box else rng.uniform(24, 36))
    if plan["control"] == "floating":
        low = float(rng.uniform(10, 21))
    out = {
        "hold_low_c": low,
        "hold_high_c": low + float(rng.uniform(2.5, 9)),
        "least_speed": float(rng.choice([0.0, 0.03, 0.1])),
        "stage_c": float(rng.uniform(2, 18)),
    }
    if plan["control"] == "dampers":
        out["fan_lag_s"] = float(rng.uniform(20, 70))
    if plan["control"] == "fan cycling" and plan["fans"] > 1:
        out["always_fans"] = int(rng.random() < 0.3)
    return out


def _ordered(rng: np.random.Generator, seed: tuple[int, int], plan: Plan, named: Plan, box: bool) -> Order:
    """Weather, use, changes, logger and lists around a drawn plan."""
    climate = str(
        rng.choice(
            ["lakes", "highlands", "north", "mild", "cold", "bitter", "hot"],
            p=[0.27, 0.15, 0.05, 0.16, 0.22, 0.07, 0.08],
        )
    )
    if climate in STATION_YEARS:
        years = STATION_YEARS[climate][1]
        year = int(rng.choice(years[:-1]))
        start = datetime(year, 10, 20, tzinfo=UTC) + timedelta(days=int(rng.integers(0, 115)))
        start = start if start.year == year or start.year in years else datetime(year, 11, 20, tzinfo=UTC)
    else:
        start = datetime(2016, 11 if climate != "hot" else 7, 1, tzinfo=UTC) + timedelta(days=int(rng.integers(0, 30)))
    duty = "refrigeration" if box else str(rng.choice(["year-round", "comfort"], p=[0.75, 0.25]))
    comfort = duty == "comfort"
    opens = float(rng.integers(11, 15)) if comfort or rng.random() < 0.15 else 0.0
    heat_pump = bool(comfort and not plan.pump_down and rng.random() < 0.3)
    changes, fans_out = _changes(rng, plan)
    sensing = _sensing(rng, plan, heat_pump)
    return Order(
        seed=seed,
        plan=plan,
        start=start + timedelta(hours=int(rng.integers(0, 24))),
        climate=climate,
        duty=duty,
        heat_pump=heat_pump,
        shared=bool(plan.fans > 1 and not box and rng.random() < 0.1),
        changes=changes,
        fans_out=fans_out,
        sun_k=float(rng.uniform(0, 5)),
        opens_h=opens,
        closes_h=(opens + float(rng.integers(10, 15))) % 24 if opens else 0.0,
        steadiness=float(rng.uniform(0.45, 1.0)),
        stages=bool(rng.random() < 0.15),
        defrosts=bool(box and rng.random() < 0.7),
        sensing=sensing,
        listed=_lists(rng, named, sensing.faults),
    )


def _changes(rng: np.random.Generator, plan: Plan) -> tuple[tuple[tuple[float, str], ...], int]:
    """What is done to it and when: the control bypassed, failed, restored; a fan; a jumper."""
    changes: list[tuple[float, str]] = []
    controlled = plan.control not in ("none", "floating")
    first = float(np.round(rng.uniform(0.25, 0.5) * plan.days, 3))
    second = float(np.round(rng.uniform(0.6, 0.8) * plan.days, 3))
    if controlled and rng.random() < 0.45:
        kind = rng.random()
        if kind < 0.35:
            changes = [(0.0, "bypassed")]
        elif kind < 0.65:
            changes = [(first, "bypassed")]
        elif kind < 0.8:
            changes = [(0.0, "bypassed"), (first, "restored")]
        elif kind < 0.92:
            changes = [(first, "bypassed"), (second, "restored")]
        else:
            changes = [(first, "stuck off")]
    fans_out = int(plan.fans > 1 and rng.random() < 0.08)
    if rng.random() < 0.06:
        changes.append((0.0 if rng.random() < 0.5 else second, "jumper on"))
    return tuple(sorted(changes)), fans_out


def _sensing(rng: np.random.Generator, plan: Plan, heat_pump: bool) -> Sensing:
    """Logger, missing channels and the faults: about one circuit in ten has a grave one."""
    status = rng.random()
    missing = {
        name for name in ("suction_line_c", "liquid_line_c", "return_air_c", "supply_air_c") if rng.random() < 0.4
    }
    missing |= {"outdoor_c"} if rng.random() < 0.25 else set()
    missing |= {"discharge_kpa"} if rng.random() < 0.75 else set()
    missing |= {"compressor_on"} if status > 0.35 else set()
    missing |= {"compressor_a"} if 0.15 < status < 0.65 else set()
    missing |= {"cooling_called"} if rng.random() < 0.55 else set()
    missing |= {name for name in ("lp_switch_closed", "hp_switch_closed") if rng.random() < 0.85}
    missing |= {"fans_running"} if rng.random() < 0.7 else set()
    missing |= {"fan_speed_fraction"} if plan.control not in ("fan speed", "floating") or rng.random() < 0.7 else set()
    missing |= {"liquid_solenoid_open"} if rng.random() < (0.4 if plan.pump_down else 0.9) else set()
    missing |= {"mode"} if rng.random() < (0.2 if heat_pump else 0.8) else set()
    faults: list[tuple[str, str, float, float]] = []
    if rng.random() < 0.10:
        kind = str(
            rng.choice(
                ["stuck", "spikes", "swapped", "gauge taken for absolute", "wrong unit", "wrong refrigerant", "clock"]
            )
        )
        begin = float(rng.uniform(0.1, 0.7))
        channel = str(rng.choice(["suction_kpa", "liquid_kpa"]))
        length = float(rng.uniform(0.3, 4.0)) / plan.days
        faults = [(kind, channel, begin, begin + length)]
        if kind == "clock":
            faults = [(kind, "read_at", 0.0, float(rng.choice([-7.0, -6.0, -5.0, -1.0, 1.0, 5.0])))]
    for _ in range(int(rng.integers(0, 4)) if rng.random() < 0.3 else 0):
        begin = float(rng.uniform(0.02, 0.95))
        faults.append(("gap", "", begin, begin + _log_uniform(rng, 0.3, 40) / 24 / plan.days))
    if rng.random() < 0.1:
        faults.append(("drop-outs", str(rng.choice(["suction_kpa", "liquid_kpa"])), 0.0, 1.0))
    return Sensing(
        noise_psi=float(rng.uniform(1.0, 3.0)),
        lag_s=float(rng.uniform(0, 30)),
        step_psi=float(rng.choice([0.1, 0.5, 1.0])),
        line_lag_s=float(rng.uniform(20, 90)),
        outdoor_bias_k=float(rng.normal(0.4, 0.7)),
        offset_psi=(float(rng.normal(0, 1.0)), float(rng.normal(0, 1.5))),
        missing=tuple(sorted(missing)),
        jitter_s=float(rng.choice([0, 1, 2])),
        no_station=bool(rng.random() < 0.06 and "outdoor_c" not in missing),
        station_bias_k=float(rng.normal(0, 1.0)),
        faults=tuple(faults),
    )


def _lists(
    rng: np.random.Generator, named: Plan, faults: tuple[tuple[str, str, float, float], ...]
) -> dict[str, object]:
    """What the unit list says instead of the truth: label, another label, or nothing."""
    out: dict[str, object] = {}
    if any(fault[0] == "wrong refrigerant" for fault in faults):
        out["refrigerant"] = MISTAKEN.get(named.refrigerant, "R-410A")
    for name in ("lp_cut_out_kpa", "lp_reset_kpa", "hp_cut_out_kpa", "fan_on_kpa", "fan_off_kpa"):
        chance = rng.random()
        label = getattr(named, name) if named.control == "fan cycling" or not name.startswith("fan") else None
        out[name] = None if chance < 0.35 or label is None else label
        if label is not None and 0.35 <= chance < 0.5:
            out[name] = kpa(
                max((label - named.barometric_kpa) / PSI * float(rng.uniform(0.7, 1.35)), 1.0), named.barometric_kpa
            )
    for pair in (("lp_cut_out_kpa", "lp_reset_kpa"), ("fan_off_kpa", "fan_on_kpa")):
        low, high = (out[name] for name in pair)
        if low is not None and high is not None and low > high:
            out[pair[0]] = None
    chance = rng.random()
    out["head_control"] = named.control if chance < 0.6 else (None if chance < 0.85 else str(rng.choice(CONTROLS)))
    for name, chance_blank in (
        ("pump_down", 0.15),
        ("heat_pump", 0.2),
        ("condenser_fans", 0.3),
        ("shared_condenser", 0.4),
        ("duty", 0.15),
        ("lp_switch_at", 0.4),
        ("space_c", 0.6),
    ):
        if rng.random() < chance_blank:
            out[name] = None
    return out
