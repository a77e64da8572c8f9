"""The company's own lists: sites, units, calls, weather and checks, with the dirt that such lists have."""

import datetime as dt
from collections import defaultdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from .build import World
from .fleet import Unit
from .life import Life, Ticket
from .phrases import COMPLAINTS
from .truth import write_table
from .vocabulary import REFRIGERANTS, Vocabulary

CONTROL_NAMES = ("none", "fan cycling", "fan speed", "flooded")
FLAG_OF = {
    "head control out": "head control out",
    "no head control": "no head control",
    "lp switch jumpered": "lp switch jumpered",
    "low charge": "low charge",
    "economizer idle": "economizer idle",
    "condenser fan out": "condenser fan out",
}


def write_exports(world: World, folder: Path, words: Vocabulary) -> dict[int, str]:
    """Everything but logger files; returns the call id of each ticket by its id()."""
    rng = np.random.default_rng([world.options.seed, 52])
    _sites(world, folder, words, rng)
    _units(world, folder, words, rng)
    ids = _calls(world, folder, words, rng)
    _weather(world, folder, words, rng)
    _checks(world, folder, rng)
    return ids


def _sites(world: World, folder: Path, words: Vocabulary, rng: np.random.Generator) -> None:
    rows = []
    for s in world.sites:
        station = world.stations[s.station].station_id if rng.random() < 0.8 else None
        elevation = s.elevation_m if words.metric else round(s.elevation_m / 0.3048)
        values = {
            "site_id": s.site_id,
            "name": s.name,
            "latitude": s.latitude,
            "longitude": s.longitude,
            "time_zone": s.zone,
        }
        rows.append(words.row("sites", {**values, "elevation_m": elevation, "station_id": station}))
    write_table(folder / "sites.csv", words.header("sites"), rows)
    stations = [[s.station_id, s.name, s.latitude, s.longitude, s.elevation_m] for s in world.stations]
    write_table(folder / "stations.csv", ["station", "name", "lat", "lon", "elev_m"], stations)


def _units(world: World, folder: Path, words: Vocabulary, rng: np.random.Generator) -> None:
    habits = world.habits
    rows = []
    for life in world.lives:
        u, c = life.unit, life.unit.circuits[0]
        control = (
            life.now[0].control_fitted if rng.random() < 0.5 else c.head_control
        )  # the list is seldom brought up to date
        draw = rng.random()
        if draw < habits.control_unlisted:
            control = "unknown" if rng.random() < 0.5 else ""
        elif draw < habits.control_unlisted + habits.control_mislisted:
            control = CONTROL_NAMES[int(rng.integers(4))]
        listed = rng.random() < habits.switch_listed
        refrigerant = (
            u.refrigerant if rng.random() > habits.list_wrong else str(rng.choice(["R-410A", "R-22", "R-404A"]))
        )
        gas = REFRIGERANTS[refrigerant][int(rng.integers(3))]
        duty = u.duty if rng.random() > habits.list_wrong else str(rng.choice(["comfort", "year-round"]))
        values: dict[str, Any] = {
            "unit_id": u.unit_id,
            "site_id": u.site.site_id,
            "description": f"{u.maker} {u.tons:g}t {u.serves}" if rng.random() < 0.7 else "",
            "refrigerant": "" if rng.random() < habits.list_blank else gas,
            "capacity_kw": round(u.tons * 3.517, 1) if words.metric else f"{u.tons:g}",
            "circuits": len(u.circuits),
            "condenser_fans": c.fans * len(u.circuits) if rng.random() < 0.7 else None,
            "duty": words.words["duty"][duty],
            "space_c": _space(u, words) if rng.random() < 0.6 or u.duty == "refrigeration" else None,
            "pump_down": ("yes" if c.pump_down else "no") if rng.random() < 0.8 else None,
            "head_control": words.words["head_control"][control] if control else None,
            "economizer": ("yes" if u.economizer else "no") if rng.random() < 0.85 else None,
            "lp_cut_out_kpa": round(u.cut_out_psig * 6.895, 0)
            if words.metric and listed
            else u.cut_out_psig
            if listed
            else None,
            "lp_reset_kpa": round(u.reset_psig * 6.895, 0)
            if words.metric and listed
            else u.reset_psig
            if listed
            else None,
            "coverage": words.words["coverage"][u.coverage],
            "installed_on": f"{u.installed_year}-{int(rng.integers(1, 13)):02d}-15" if rng.random() < 0.8 else None,
            "served_from": world.instant(u.served_from_h).date().isoformat() if u.served_from_h else None,
            "served_to": world.instant(u.served_to_h).date().isoformat() if u.served_to_h else None,
        }
        rows.append(words.row("units", values))
    write_table(folder / "units.csv", words.header("units"), rows)


def _space(unit: Unit, words: Vocabulary) -> float:
    space = unit.circuits[0].space_c
    return round(space, 1) if words.metric else round(space * 1.8 + 32)


def _served(ticket: Ticket, world: World) -> bool:
    unit = ticket.unit
    begin = max(world.habits.exports_from, unit.served_from_h + 24)
    end = unit.served_to_h - 24 if unit.served_to_h else world.habits.hours
    return begin <= ticket.opened < end


def _calls(world: World, folder: Path, words: Vocabulary, rng: np.random.Generator) -> dict[int, str]:
    tickets = sorted(
        (t for life in world.lives for t in life.tickets if _served(t, world)), key=lambda t: (t.opened, t.unit.unit_id)
    )
    number = int(rng.integers(2000, 90000))
    prefix = str(rng.choice(["", "W", "SO-", "T"]))
    ids: dict[int, str] = {}
    rows: list[tuple[int, list[Any]]] = []
    for t in tickets:
        number += int(rng.integers(1, 4))
        ids[id(t)] = f"{prefix}{number}"
        rows += [(world.instant(t.opened).year, row) for row in _call_rows(world, t, ids[id(t)], words, rng)]
    by_year: dict[int, list[list[Any]]] = defaultdict(list)
    for year, row in rows:
        by_year[year if words.calls_by_year else 0].append(row)
    for year, some in by_year.items():
        write_table(folder / (f"calls_{year}.csv" if year else "calls_all.csv"), words.header("calls"), some)
    return ids


def _call_rows(world: World, t: Ticket, call_id: str, words: Vocabulary, rng: np.random.Generator) -> list[list[Any]]:
    """The ticket as exported; now and then twice, or again under another number, or beside a cancelled one."""
    habits, note = world.habits, world.notes[id(t)]
    tech = habits.technicians[t.technician]
    closed = t.closed + (rng.uniform(20, 240) if rng.random() < habits.late_close_share else 0.0)
    still_open = t.closed >= habits.hours - 1
    values: dict[str, Any] = {
        "call_id": call_id,
        "unit_id": _written_id(t.unit.unit_id, habits.id_dirt, rng),
        "opened_at": _clock(world, t.opened, t.unit, words),
        "closed_at": None if still_open else _clock(world, min(closed, habits.hours), t.unit, words),
        "work_type": words.words["work_type"][t.work],
        "complaint": note.complaint,
        "finding": note.finding,
        "action": note.action,
        "technician": tech.name,
        "labour_h": round(max(0.5, 4 * tech.labour_factor * rng.lognormal(0.35, 0.45)) / 4, 2),
        "travel_h": round(float(rng.uniform(0.2, 1.4)), 1),
        "parts_cost": round(float(rng.lognormal(4.2, 0.9)), 2) if rng.random() < 0.3 else 0,
        "status": "Open" if still_open else "Completed",
    }
    rows = [words.row("calls", values)]
    if rng.random() < habits.duplicate_share:
        rows.append(list(rows[0]))
    if t.work == "service" and rng.random() < habits.duplicate_share:
        later = _clock(world, t.opened + rng.uniform(0.1, 2.5), t.unit, words)
        again = {
            **values,
            "call_id": f"{call_id}-2",
            "opened_at": later,
            "finding": "",
            "action": "dup",
            "labour_h": 0,
            "parts_cost": 0,
        }
        rows.append(words.row("calls", again))
    if rng.random() < habits.cancelled_share:
        said = COMPLAINTS["other"][int(rng.integers(12))]
        void = {
            **values,
            "call_id": f"{call_id}-X",
            "complaint": said,
            "finding": "",
            "action": "",
            "status": "Cancelled",
            "work_type": words.words["work_type"]["service"],
        }
        rows.append(words.row("calls", {**void, "labour_h": 0, "parts_cost": 0}))
    return rows


def _written_id(unit_id: str, dirt: float, rng: np.random.Generator) -> str:
    if rng.random() > dirt:
        return unit_id
    return str(
        rng.choice(
            [
                unit_id.lower(),
                unit_id.replace("-", " "),
                unit_id.replace("-", ""),
                unit_id.replace(" ", ""),
                f" {unit_id}",
            ]
        )
    )


def _clock(world: World, hour: float, unit: Unit, words: Vocabulary) -> str:
    at = world.instant(hour).replace(tzinfo=dt.UTC)
    if words.calls_zone != "UTC":
        at = at.astimezone(ZoneInfo(unit.site.zone if words.calls_zone == "site" else words.calls_zone))
    return at.strftime("%d/%m/%Y %H:%M" if words.day_first else "%m/%d/%Y %H:%M")


def _weather(world: World, folder: Path, words: Vocabulary, rng: np.random.Generator) -> None:
    start = world.habits.exports_from
    hours = world.habits.hours - start
    for station, weather in zip(world.stations, world.weather, strict=True):
        keep = rng.random(hours) > 0.002
        for _ in range(int(rng.poisson(3))):
            at = int(rng.integers(hours))
            keep[at : at + int(rng.integers(3, 60))] = False
        stamps = pl.Series("hour", np.arange(start, start + hours) * 3600_000).cast(pl.Duration("ms"))
        first = pl.Series([world.habits.start]).cast(pl.Datetime("ms"))
        warm, dew = weather.temperature_c[start:], weather.dew_point_c[start:]
        if words.weather_fahrenheit:
            warm, dew = warm * 1.8 + 32, dew * 1.8 + 32
        frame = pl.DataFrame(
            {
                "station": [station.station_id] * hours,
                "hour": (stamps + first).dt.strftime("%Y-%m-%d %H:%M"),
                "temp": np.round(warm, 1),
                "dew": np.round(dew, 1),
                "wind": weather.wind_m_s[start:],
            }
        ).filter(pl.Series(keep))
        path = folder / "weather"
        path.mkdir(parents=True, exist_ok=True)
        frame.write_csv(path / f"{station.station_id}.csv")


def _checks(world: World, folder: Path, rng: np.random.Generator) -> None:
    """What a tech lead found when he went and looked, in the last year: nine in ten verdicts are right."""
    rows = []
    for life in world.lives:
        if rng.random() >= world.options.checks:
            continue
        flag = str(rng.choice(list(FLAG_OF)))
        hour = float(rng.uniform(world.habits.hours - 6000, world.habits.hours - 100))
        true = _was_so(life, flag, hour)
        verdict = (
            str(rng.choice(["other cause", "could not check"]))
            if rng.random() < 0.1
            else ("confirmed" if true else "not found")
        )
        rows.append([life.unit.unit_id, flag, world.instant(hour).strftime("%Y-%m-%d %H:%M"), verdict, ""])
    if rows:
        write_table(folder / "checks.csv", ["unit", "flag", "checked", "verdict", "note"], rows)


def _was_so(life: Life, name: str, hour: float) -> bool:
    return any(s.name == name and s.began <= hour < (s.ended if s.ended is not None else 1e9) for s in life.stretches)
