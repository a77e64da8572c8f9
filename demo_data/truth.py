"""What was planted, written beside the exports and read by tests only."""

from __future__ import annotations

import csv
from datetime import timedelta
from pathlib import Path

import circuit as physics
import numpy as np
from exports import Books, Trace
from loggers import Logger, Trip
from seasons import COLD_CAUSE, Interval, Lockout, Simulation

HEAD_NAMES = {code: name for name, code in physics.HEAD_CODES.items()}


def _write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def instant(books: Books, hours: float) -> str:
    """UTC, to the second; nothing for what had not ended with the data."""
    if not np.isfinite(hours) or hours >= books.options.hours:
        return ""
    return (books.options.first_hour + timedelta(seconds=round(hours * 3600))).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_units(books: Books, folder: Path, logged: set[int]) -> None:
    """What each unit really is, beside what the office has on its list."""
    header = [
        "unit_id",
        "site_id",
        "region",
        "use",
        "duty",
        "refrigerant",
        "refrigerant_listed",
        "circuits",
        "head_control",
        "head_control_listed",
        "thermostatic_valve",
        "logged",
        "watched",
    ]
    rows = [
        [
            u.unit_id,
            u.site.site_id,
            u.site.region,
            u.use,
            u.duty,
            u.refrigerant,
            u.listed.get("refrigerant", ""),
            u.circuits,
            u.head,
            u.listed.get("head_meant", ""),
            u.lanes[0]["thermostatic"],
            at in logged,
            u.watched,
        ]
        for at, u in enumerate(books.units)
    ]
    _write(folder / "units.csv", header, rows)


def write_conditions(books: Books, folder: Path, intervals: list[Interval]) -> None:
    """Stretches in which something was the matter; circuit blank for the whole unit, end blank if it still is."""
    rows = [
        [
            books.units[i.unit].unit_id,
            i.circuit or "",
            i.kind,
            instant(books, i.from_h),
            instant(books, i.to_h),
            i.detail,
        ]
        for i in intervals
    ]
    _write(
        folder / "conditions.csv",
        ["unit_id", "circuit", "condition", "began_at", "ended_at", "detail"],
        sorted(rows, key=lambda r: [str(c) for c in r]),
    )


def write_calls(books: Books, folder: Path) -> None:
    """The true cause of every call."""
    header = ["call_id", "unit_id", "circuit", "cause", "contributing", "note", "outdoor_c", "work_type", "status"]
    rows = [
        [
            c.call_id,
            books.units[c.unit].unit_id,
            c.circuit or "",
            c.cause,
            c.contributing,
            c.told,
            round(c.outdoor_c, 1),
            c.work_type,
            c.status,
        ]
        for c in books.calls
    ]
    _write(folder / "calls.csv", header, rows)


def write_lockouts(books: Books, folder: Path, lockouts: list[tuple[int, int, Lockout]]) -> None:
    """Every lockout: unit index, circuit, record. `resolved` says whether it is known to the step or to the hour."""
    header = [
        "unit_id",
        "circuit",
        "started_at",
        "ended_at",
        "kind",
        "outdoor_c",
        "ended_by",
        "cause",
        "contributing",
        "resolved",
        "after_trip",
    ]
    rows = [
        [
            books.units[u].unit_id,
            c,
            instant(books, r.from_h),
            instant(books, r.to_h),
            r.kind,
            round(r.outdoor_c, 1),
            r.ended_by,
            r.cause,
            r.contributing,
            r.resolved,
            r.after_trip,
        ]
        for u, c, r in sorted(lockouts, key=lambda x: (x[0], x[1], x[2].from_h))
    ]
    _write(folder / "lockouts.csv", header, rows)


def write_trips(books: Books, folder: Path, trips: list[tuple[int, int, Trip]]) -> None:
    """Protective stops while a logger was fitted."""
    rows = [
        [books.units[u].unit_id, c, instant(books, t.at_h), t.kind, t.on_start, round(t.minimum_kpa, 1)]
        for u, c, t in sorted(trips, key=lambda x: (x[0], x[1], x[2].at_h))
    ]
    _write(folder / "trips.csv", ["unit_id", "circuit", "tripped_at", "kind", "on_start", "minimum_kpa"], rows)


def write_set_points(books: Books, folder: Path, simulations: list[tuple[Simulation, list[int]]]) -> None:
    """Switches and controls as they really are, with the fleet index of each simulation's units."""
    header = [
        "unit_id",
        "circuit",
        "head_control",
        "fan_on_kpa",
        "fan_off_kpa",
        "lp_cut_out_kpa",
        "lp_reset_kpa",
        "hp_cut_out_kpa",
        "hp_reset_kpa",
        "lp_at_liquid",
        "lp_delay_s",
        "starts_open",
        "anti_recycle_s",
        "trips_to_latch",
        "clears_on_call",
        "standing_offset_k",
        "settle_s",
    ]
    rows = []
    for sim, index in simulations:
        c = sim.circuits
        for lane, u in enumerate(sim.owner):
            head = HEAD_NAMES[int(c.head[lane])]
            cycles = head == "fan cycling"
            numbers = [c.lp_out_kpa, c.lp_reset_kpa, c.hp_out_kpa, c.hp_reset_kpa]
            rows.append(
                [
                    books.units[index[u]].unit_id,
                    int(sim.number[lane]),
                    head,
                    round(float(c.fan_on_kpa[lane]), 1) if cycles else "",
                    round(float(c.fan_off_kpa[lane]), 1) if cycles else "",
                    *(round(float(n[lane]), 1) for n in numbers),
                    bool(c.lp_at_liquid[lane]),
                    int(c.lp_delay_s[lane]),
                    bool(c.starts_open[lane]),
                    int(c.anti_recycle_s[lane]),
                    int(c.trips_to_latch[lane]),
                    bool(c.clears_on_call[lane]),
                    round(float(sim.offset_k[lane]), 2),
                    round(float(c.settle_s[lane])),
                ]
            )
    _write(folder / "set_points.csv", header, sorted(rows))


def write_loggers(books: Books, folder: Path, loggers: list[Logger], traces: list[Trace]) -> None:
    """Who was logged when, on what, with which faults."""
    header = [
        "unit_id",
        "kind",
        "interval_s",
        "began_at",
        "ended_at",
        "noise_psi",
        "offset_suction_psi",
        "offset_liquid_psi",
        "lag_s",
        "faults",
        "missing",
    ]
    rows = [
        [
            books.units[lg.unit].unit_id,
            lg.kind,
            lg.interval_s,
            instant(books, a),
            instant(books, b),
            round(lg.noise_psi, 2),
            round(lg.offset_psi[0], 2),
            round(lg.offset_psi[1], 2),
            round(lg.lag_s),
            "; ".join(lg.faults),
            "; ".join(sorted(lg.missing)),
        ]
        for lg in loggers
        for a, b in lg.windows
    ]
    _write(folder / "loggers.csv", header, sorted(rows))


def write_next_winter(books: Books, folder: Path, futures: list[tuple[int, int, int, int, float]]) -> None:
    """What next winter would bring if nothing were done but resets: a line a unit and possible winter."""
    rows = [
        [books.units[u].unit_id, k + 1, calls, spells, round(hours, 1)]
        for u, k, calls, spells, hours in sorted(futures)
    ]
    _write(
        folder / "next_winter.csv", ["unit_id", "winter", "cold_calls", "cold_spells_with_lockout", "lockout_h"], rows
    )


def cold_calls(simulation: Simulation, unit: int) -> int:
    """Calls of a unit whose true cause was the cold."""
    return sum(call.cause == COLD_CAUSE for call in simulation.calls[unit])
