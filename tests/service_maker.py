"""A service company's calls over several years with planted causes, weather and returns; shares nothing with the demo.

What breaks when is common practice in the trade, no source: low-pressure lockouts gather in the cold hours of units
that have lost their head-pressure control and of no others; high-pressure trips, fans, compressors and leaks come in
heat; drains in humid weather; belts, controls and wiring at any time. A cause returns until it is properly mended.
Hours are counted from `START`; sites lie six hours west of UTC.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl
from note_maker import HANDS, STATEMENTS, SYMPTOMS, NoteWriter
from scipy.signal import lfilter

START = datetime(2012, 7, 1, tzinfo=UTC)
LOCAL_H = -6
HOURS_A_YEAR = 8766
CLIMATES = {  # mean, half the yearly swing, half the daily swing, degC
    "northern plain": (8.0, 15.0, 4.5),
    "high valley": (7.0, 11.5, 7.0),
    "river delta": (18.0, 10.0, 4.0),
}
RATE_A_YEAR = {  # calls a unit and year that are not cold lockouts
    "no cooling": 0.45,
    "low-pressure trip": 0.14,
    "high-pressure trip": 0.35,
    "fan": 0.35,
    "belt": 0.25,
    "electrical": 0.35,
    "control or thermostat": 0.40,
    "drain": 0.35,
    "leak or low charge": 0.35,
    "icing": 0.22,
    "noise": 0.18,
    "compressor": 0.22,
    "airflow": 0.25,
    "planned": 0.60,
    "other": 0.45,
}
HEAT_GROWTH_PER_K = {
    "no cooling": 0.06,
    "high-pressure trip": 0.15,
    "fan": 0.06,
    "leak or low charge": 0.05,
    "icing": 0.03,
    "compressor": 0.08,
    "electrical": 0.02,
}
MENDED = dict.fromkeys(SYMPTOMS, 0.86) | {"leak or low charge": 0.7, "no cooling": 0.75, "planned": 1.0}
STATED = {  # chance that a statement is true of a visit, by cause
    "low-pressure trip": {"switch reset": 0.5, "power cycled": 0.3, "refrigerant added": 0.15, "bypass denied": 0.13},
    "high-pressure trip": {"switch reset": 0.55, "power cycled": 0.15, "refrigerant added": 0.04},
    "fan": {"power cycled": 0.08},
    "electrical": {"power cycled": 0.12, "switch reset": 0.05},
    "control or thermostat": {"power cycled": 0.30, "bypass denied": 0.06},
    "compressor": {"switch reset": 0.10, "power cycled": 0.15, "refrigerant added": 0.08},
    "leak or low charge": {"refrigerant added": 0.65, "switch reset": 0.08},
    "icing": {"refrigerant added": 0.10, "power cycled": 0.08},
    "no cooling": {"power cycled": 0.15, "switch reset": 0.05, "bypass denied": 0.04},
    "drain": {"switch reset": 0.06},
    "planned": {"bypass denied": 0.06},
}
TECHNICIANS = tuple(
    f"{first} {last}"
    for first in ("Avo", "Bix", "Cale", "Dru")
    for last in ("Hask", "Imber", "Jurn", "Kell", "Lorn", "Mott")
)
CODE = {symptom: code for code, symptom in enumerate(SYMPTOMS)}
BIT = {statement: bit for bit, statement in enumerate(STATEMENTS)}


@dataclass(frozen=True)
class Service:
    """Input tables as the contract has them, and what was planted.

    `truth` has one row a call: call_id, cause, statements, is_cold_lockout, kind, named (the cause that the note
    names, null where it names none), stated (statements that the note makes), returns_from, duplicate_of.
    """

    sites: pl.DataFrame
    units: pl.DataFrame
    calls: pl.DataFrame
    weather: pl.DataFrame
    stations: pl.DataFrame
    truth: pl.DataFrame


@dataclass(frozen=True)
class _Units:
    station: np.ndarray
    site: np.ndarray
    year_round: np.ndarray
    starve_c: np.ndarray  # nan where head pressure is held
    lost_from_h: np.ndarray
    frailty: np.ndarray

    @property
    def unit_count(self) -> int:
        return self.site.size


@dataclass
class _Events:
    """Calls before they have notes, one array a column; `origin` is the row that a call returns from, -1 for none."""

    unit: np.ndarray
    cause: np.ndarray
    opened_h: np.ndarray
    cold: np.ndarray
    statements: np.ndarray
    work_type: np.ndarray
    origin: np.ndarray

    def taken(self, keep: np.ndarray) -> "_Events":
        return _Events(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))

    def followed_by(self, other: "_Events") -> "_Events":
        return _Events(*(np.concatenate([getattr(self, n), getattr(other, n)]) for n in self.__dataclass_fields__))


def make(seed: int, *, units: int = 300, years: float = 3, rate: float = 1.0) -> Service:
    """A fleet of `units` over `years`; `rate` scales calls a unit and year (at 1, about six)."""
    rng = np.random.default_rng(seed)
    hours = int(years * HOURS_A_YEAR)
    temperature, dew_point, wind = _weather(rng, hours)
    fleet = _fleet(rng, units, hours)
    events = _background(rng, fleet, temperature, dew_point, years, rate)
    events = _with_returns(rng, events)
    events = events.followed_by(_cold_lockouts(rng, fleet, temperature, events.unit.size, rate))
    events = _opened_before(events, hours - 1)
    calls, truth = _ticketed(rng, fleet, events)
    return Service(
        sites=_site_table(fleet),
        units=_unit_table(rng, fleet),
        calls=calls,
        weather=_weather_table(temperature, dew_point, wind),
        stations=_station_table(),
        truth=truth,
    )


# --- weather and units ------------------------------------------------------------------------------------------


def _weather(rng: np.random.Generator, hours: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Temperature and dew point in degC and wind in m/s, station by hour: seasons, days and spells of a few days."""
    hour = np.arange(hours)
    season = np.cos(2 * np.pi * (hour - 24 * 20) / HOURS_A_YEAR)  # warmest about 20 July
    day = np.cos(2 * np.pi * (hour + LOCAL_H - 15) / 24)
    temperature, dew_point, wind = [], [], []
    for mean_c, year_c, day_c in CLIMATES.values():
        spell = lfilter([1], [1, -0.985], rng.normal(0, 0.78 - 0.25 * season))
        air = mean_c + year_c * season + day_c * day * (0.75 + 0.25 * season) + spell
        depression = np.abs(lfilter([1], [1, -0.95], rng.normal(0, 1, hours))) + 2.5 + 0.35 * day_c * (1 + day)
        temperature.append(np.round(air, 1))
        dew_point.append(np.round(air - depression, 1))
        wind.append(np.round(np.exp(1.1 + 0.25 * lfilter([1], [1, -0.9], rng.normal(0, 1, hours))), 1))
    return np.array(temperature), np.array(dew_point), np.array(wind)


def _fleet(rng: np.random.Generator, count: int, hours: int) -> _Units:
    sites = max(3, count // 4)
    site_station = rng.integers(len(CLIMATES), size=sites)
    site = np.sort(rng.integers(sites, size=count))
    year_round = rng.random(count) < 0.5
    lost = year_round & (rng.random(count) < 0.5)
    late = rng.random(count) < 0.4
    return _Units(
        station=site_station[site],
        site=site,
        year_round=year_round,
        starve_c=np.where(lost, rng.integers(0, 12, size=count), np.nan),
        lost_from_h=np.where(late, rng.uniform(0, 0.6 * hours, size=count), 0.0),
        frailty=rng.gamma(3.0, 1 / 3.0, size=count),
    )


# --- calls ------------------------------------------------------------------------------------------------------


def _background(
    rng: np.random.Generator,
    fleet: _Units,
    temperature: np.ndarray,
    dew_point: np.ndarray,
    years: float,
    rate: float,
) -> _Events:
    """Calls for every cause but cold: Poisson by unit, at hours drawn in proportion to how the weather drives it."""
    unit, cause, opened = [], [], []
    for station in range(len(CLIMATES)):
        here = np.flatnonzero(fleet.station == station)
        for name, yearly in RATE_A_YEAR.items():
            counts = rng.poisson(yearly * years * rate * fleet.frailty[here])
            weight = np.cumsum(_drive(name, temperature[station], dew_point[station]))
            failed = np.searchsorted(weight, rng.random(counts.sum()) * weight[-1])
            unit.append(np.repeat(here, counts))
            cause.append(np.full(counts.sum(), CODE[name]))
            opened.append(_by_day(rng, failed) if name == "planned" else _reported(rng, failed))
    return _new_events(rng, np.concatenate(unit), np.concatenate(cause), np.concatenate(opened), cold=False)


def _drive(cause: str, temperature: np.ndarray, dew_point: np.ndarray) -> np.ndarray:
    if cause == "drain":
        return 0.05 + 1 / (1 + np.exp(-(dew_point - 13) / 2))
    return np.exp(HEAT_GROWTH_PER_K.get(cause, 0.0) * np.minimum(temperature, 38.0))


def _cold_lockouts(
    rng: np.random.Generator, fleet: _Units, temperature: np.ndarray, first_row: int, rate: float
) -> _Events:
    """Lockouts of units without head-pressure control, in their own cold hours, until the control is back."""
    unit, failed = [], []
    for at in np.flatnonzero(~np.isnan(fleet.starve_c)):
        air = temperature[fleet.station[at]]
        below = np.flatnonzero((air < fleet.starve_c[at]) & (np.arange(air.size) >= fleet.lost_from_h[at]))
        if not below.size:
            continue
        hazard = np.cumsum(0.3 + (fleet.starve_c[at] - air[below]) / 8)
        count = rng.poisson(0.006 * rate * fleet.frailty[at] * hazard[-1])
        failed.append(below[np.searchsorted(hazard, rng.random(count) * hazard[-1])])
        unit.append(np.full(count, at))
    units = np.concatenate(unit) if unit else np.zeros(0, dtype=int)
    hours = np.concatenate(failed) if failed else np.zeros(0, dtype=int)
    order = np.lexsort((hours, units))
    units, hours = units[order], hours[order]
    apart = np.ones(units.size, dtype=bool)  # a stopped circuit cannot stop again before somebody came
    apart[1:] = (units[1:] != units[:-1]) | (np.diff(hours) > 30)
    units, hours = units[apart], hours[apart]
    cause = np.full(units.size, CODE["low-pressure trip"])
    events = _new_events(rng, units, cause, _reported(rng, hours), cold=True)
    mended = (_has(events, "control reconnected") | _has(events, "control fitted")) & (rng.random(units.size) < 0.92)
    earlier_mended = _running_any(units, mended)
    position = np.arange(units.size)
    same_unit = np.r_[False, units[1:] == units[:-1]] if units.size else np.zeros(0, dtype=bool)
    kept = ~earlier_mended
    place = first_row + np.cumsum(kept) - 1
    events.origin = np.where(same_unit, place[np.maximum(position - 1, 0)], -1)
    return events.taken(kept)


def _opened_before(events: _Events, hour: float) -> _Events:
    kept = events.opened_h < hour
    place = np.where(kept, np.cumsum(kept) - 1, -1)
    events.origin = np.where(events.origin >= 0, place[np.maximum(events.origin, 0)], -1)
    return events.taken(kept)


def _running_any(group: np.ndarray, flag: np.ndarray) -> np.ndarray:
    """Whether an earlier row of the same group has the flag; rows of a group stand together."""
    frame = pl.DataFrame({"group": group, "flag": flag})
    return (
        frame.select(pl.col("flag").cast(pl.Int32).cum_sum().over("group") - pl.col("flag") > 0).to_series().to_numpy()
    )


def _with_returns(rng: np.random.Generator, events: _Events) -> _Events:
    """Causes that were not mended come back within weeks, up to three times; some returns were ordered."""
    mended = np.array([MENDED[symptom] for symptom in SYMPTOMS])
    fresh, first = events, 0
    for _ in range(3):
        back = np.flatnonzero(rng.random(fresh.unit.size) >= mended[fresh.cause])
        opened = _by_day(rng, fresh.opened_h[back] + 20 + rng.exponential(24 * 11, back.size))
        again = _new_events(rng, fresh.unit[back], fresh.cause[back], opened, cold=False)
        again.origin = first + back
        again.work_type = np.where(rng.random(back.size) < 0.2, "return", again.work_type)
        first += fresh.unit.size
        events = events.followed_by(again)
        fresh = again
    return events


def _new_events(
    rng: np.random.Generator, unit: np.ndarray, cause: np.ndarray, opened_h: np.ndarray, *, cold: bool
) -> _Events:
    planned = (cause == CODE["planned"]) & (rng.random(unit.size) < 0.9)
    quoted = (cause == CODE["other"]) & (rng.random(unit.size) < 0.06)
    return _Events(
        unit=unit,
        cause=cause,
        opened_h=opened_h,
        cold=np.full(unit.size, cold),
        statements=_statements(rng, cause, cold),
        work_type=np.select([planned, quoted], ["planned", "quote"], "service").astype("U8"),
        origin=np.full(unit.size, -1),
    )


def _statements(rng: np.random.Generator, cause: np.ndarray, cold: bool) -> np.ndarray:
    """Which statements are true of each visit: visit by statement."""
    chance = np.array([[STATED.get(symptom, {}).get(name, 0.0) for name in STATEMENTS] for symptom in SYMPTOMS])
    true = rng.random((cause.size, len(STATEMENTS))) < chance[cause]

    def draw(share: float) -> np.ndarray:
        return rng.random(cause.size) < share

    looked_at = np.isin(cause, [CODE["low-pressure trip"], CODE["high-pressure trip"], CODE["planned"]])
    found = looked_at & draw(0.30 if cold else 0.08)
    removed = found & draw(0.65)
    true[:, BIT["bypass found"]] = found & ~(removed & draw(0.4))  # "removed jumper" alone implies that it was found
    true[:, BIT["bypass removed"]] = removed
    true[:, BIT["bypass denied"]] &= ~found
    winter = np.isin(cause, [CODE["low-pressure trip"], CODE["planned"]])
    true[:, BIT["control reconnected"]] = winter & (removed & draw(0.5) | draw(0.05))
    true[:, BIT["control fitted"]] = winter & ~true[:, BIT["control reconnected"]] & draw(0.10 if cold else 0.06)
    return true


def _has(events: _Events, statement: str) -> np.ndarray:
    return events.statements[:, BIT[statement]]


def _reported(rng: np.random.Generator, failed_h: np.ndarray) -> np.ndarray:
    """When the phone rings: soon by day, mostly in the morning for what failed at night."""
    local = (failed_h + LOCAL_H) % 24
    night = (local < 7) | (local >= 19)
    until_seven = (7 - local) % 24
    waits = night & (rng.random(failed_h.size) < 0.7)
    return failed_h + np.where(
        waits, until_seven + rng.uniform(0, 3, failed_h.size), rng.exponential(1.5, failed_h.size)
    )


def _by_day(rng: np.random.Generator, wanted_h: np.ndarray) -> np.ndarray:
    """The same day between seven and four o'clock local time, never before what is wanted by more than a day."""
    day = np.floor((wanted_h + LOCAL_H) / 24)
    return 24 * day - LOCAL_H + 7 + rng.uniform(0, 9, wanted_h.size)


# --- tickets ----------------------------------------------------------------------------------------------------


def _ticketed(rng: np.random.Generator, fleet: _Units, events: _Events) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Calls with notes, and the truth; adds duplicate tickets and cancelled calls, drops some closing times."""
    count = events.unit.size
    doubled = np.flatnonzero(rng.random(count) < 0.02)
    row = np.r_[np.arange(count), doubled]
    is_double = np.arange(row.size) >= count
    opened = events.opened_h[row] + np.where(is_double, rng.uniform(0, 3.5, row.size), 0.0)
    cancelled = rng.random(row.size) < np.where(is_double, 0.5, 0.02)
    spent = np.exp(rng.normal(1.4, 0.8, row.size)) + np.where(rng.random(row.size) < 0.12, 24.0, 0.0)
    closed = np.where(cancelled | (rng.random(row.size) < 0.03), np.nan, opened + spent)
    home = fleet.site[events.unit[row]] % len(TECHNICIANS)
    technician = np.where(rng.random(row.size) < 0.7, home, rng.integers(len(TECHNICIANS), size=row.size))
    notes = _noted(rng, events, row, technician, is_double | cancelled)
    named = np.array([f"W{number:07d}" for number in range(row.size)], dtype=object)
    order = np.argsort(opened, kind="stable")
    call_id = np.empty(row.size, dtype=object)
    call_id[order] = named
    origin = events.origin[row]
    frame = pl.DataFrame(
        {
            "call_id": call_id,
            "unit_id": np.array([f"U-{unit:05d}" for unit in range(fleet.unit_count)], dtype=object)[events.unit[row]],
            "opened_at": _instants(opened),
            "closed_at": _instants(closed),
            "work_type": events.work_type[row].astype(object),
            "technician": np.array(TECHNICIANS, dtype=object)[technician],
            "labour_h": np.round(np.minimum(spent, 9.0), 2),
            "status": np.where(cancelled, "cancelled", "completed").astype(object),
            "cause": np.array(SYMPTOMS, dtype=object)[events.cause[row]],
            "is_cold_lockout": events.cold[row],
            "returns_from": np.where((origin >= 0) & ~is_double, call_id[np.maximum(origin, 0)], None).tolist(),
            "duplicate_of": np.where(is_double, call_id[row], None).tolist(),
        },
        schema_overrides={"returns_from": pl.String, "duplicate_of": pl.String},
    )
    frame = frame.hstack(notes)[order]
    truth = ["call_id", "cause", "statements", "is_cold_lockout", "kind", "named", "stated", "returns_from"]
    left_out = {*truth[1:], "duplicate_of"}
    return frame.drop(left_out), frame.select(*truth, "duplicate_of")


def _noted(
    rng: np.random.Generator, events: _Events, row: np.ndarray, technician: np.ndarray, unvisited: np.ndarray
) -> pl.DataFrame:
    """Texts and their truth; a call that nobody went to has a complaint and no more."""
    writer = NoteWriter(int(rng.integers(2**62)))
    hand_of = rng.permutation(np.arange(len(TECHNICIANS)) % len(HANDS))
    true = [tuple(np.array(STATEMENTS)[flags].tolist()) if flags.any() else () for flags in events.statements]
    columns: dict[str, list[object]] = {
        name: [] for name in ("complaint", "finding", "action", "statements", "kind", "named", "stated")
    }
    cause, cold = events.cause[row].tolist(), events.cold[row].tolist()
    for at, (source, who, absent) in enumerate(
        zip(row.tolist(), hand_of[technician].tolist(), unvisited.tolist(), strict=True)
    ):
        happened = () if absent else true[source]
        note = writer.note(SYMPTOMS[cause[at]], happened, HANDS[who], cold=cold[at])
        columns["complaint"].append(note.complaint or None)
        columns["finding"].append(None if absent else note.finding or None)
        columns["action"].append(None if absent else note.action or None)
        columns["statements"].append(happened)
        columns["kind"].append("almost nothing" if absent else note.kind)
        columns["named"].append(None if absent else note.named)
        columns["stated"].append(note.stated)
    return pl.DataFrame(
        columns,
        schema={
            "complaint": pl.String,
            "finding": pl.String,
            "action": pl.String,
            "statements": pl.List(pl.String),
            "kind": pl.String,
            "named": pl.String,
            "stated": pl.List(pl.String),
        },
    )


# --- tables of the contract -----------------------------------------------------------------------------------------


def _instants(hours: np.ndarray) -> pl.Series:
    minutes = pl.Series(np.round(np.nan_to_num(hours) * 60).astype(np.int64))
    known = pl.Series(~np.isnan(hours))
    frame = pl.DataFrame({"minutes": minutes, "known": known})
    at = pl.lit(START).dt.cast_time_unit("us") + pl.duration(minutes="minutes")
    return frame.select(pl.when("known").then(at).dt.cast_time_unit("us").alias("at")).to_series()


def _site_table(fleet: _Units) -> pl.DataFrame:
    places = np.unique(fleet.site)
    station = fleet.station[np.searchsorted(fleet.site, places)]
    return pl.DataFrame(
        {
            "site_id": [f"P-{place:04d}" for place in places],
            "name": [f"Invented place {place}" for place in places],
            "time_zone": ["Etc/GMT+6"] * places.size,
            "station_id": [f"st{number}" for number in station],
        }
    )


def _station_table() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "station_id": [f"st{number}" for number in range(len(CLIMATES))],
            "name": list(CLIMATES),
            "latitude": [44.0, 40.0, 32.0],
            "longitude": [-93.0, -106.0, -91.0],
        }
    )


def _unit_table(rng: np.random.Generator, fleet: _Units) -> pl.DataFrame:
    """The list says little of the head-pressure control: a lost one still stands there, or nobody knows."""
    count = fleet.unit_count
    held = np.where(fleet.year_round, "fan cycling", "none")
    listed = np.where(rng.random(count) < 0.3, "unknown", held)
    return pl.DataFrame(
        {
            "unit_id": [f"U-{unit:05d}" for unit in range(count)],
            "site_id": [f"P-{place:04d}" for place in fleet.site],
            "refrigerant": rng.choice(["R-410A", "R-22", "R-407C"], size=count, p=[0.7, 0.2, 0.1]).astype(object),
            "duty": np.where(fleet.year_round, "year-round", "comfort").astype(object),
            "head_control": listed.astype(object),
            "served_from": [START] * count,
        },
        schema_overrides={"served_from": pl.Datetime("us", "UTC")},
    )


def _weather_table(temperature: np.ndarray, dew_point: np.ndarray, wind: np.ndarray) -> pl.DataFrame:
    stations, hours = temperature.shape
    return pl.DataFrame(
        {
            "station_id": np.repeat(np.array([f"st{number}" for number in range(stations)], dtype=object), hours),
            "hour": np.tile(np.arange(hours), stations),
            "temperature_c": temperature.ravel(),
            "dew_point_c": dew_point.ravel(),
            "wind_m_s": wind.ravel(),
            "kind": ["observed"] * (stations * hours),
        }
    ).with_columns(hour=pl.lit(START).dt.cast_time_unit("us") + pl.duration(hours="hour"))
