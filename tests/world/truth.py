"""Writes what is so: conditions, lockouts, trips, calls, units, recurring stretches, and the winters to come."""

import csv
import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from .build import World
from .life import KIND, LATCHED, NURSED_H, Life, Lockout, blame
from .saturation import KPA_PER_PSI, barometer_kpa
from .traces import PER_HOUR, Trace
from .winters import YEAR_H, Winter

COOLS_BELOW_C = 7.0
COOLS_HOURS_A_YEAR = 20.0
LEAST_OUT_STEPS = 20


def write_table(path: Path, header: list[str], rows: Iterable[list[Any]]) -> None:
    """A CSV with LF ends."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def iso(at: dt.datetime | None) -> str:
    """UTC as it stands in every truth file; blank for None."""
    return "" if at is None else at.strftime("%Y-%m-%dT%H:%M:%SZ")


def write_truth(world: World, folder: Path, ids: dict[int, str]) -> None:
    """All truth files; `ids` maps id() of a ticket to its call id."""
    _conditions(world, folder)
    _lockouts(world, folder)
    _calls(world, folder, ids)
    _units(world, folder)
    _winters(world, folder)


def cools_in_cold(life: Life) -> bool:
    """More than 20 h a year of demand below 7 °C, as its economizer was, or a lockout in the cold."""
    if any(x.cold for x in life.lockouts):
        return True
    around = life.around
    idle = any(state[0].economizer_idle for _, state in life.changes)
    hours = float(np.sum((around.demand(idle) > 0) & (around.outdoor_c < COOLS_BELOW_C)))
    return hours / (around.hours / YEAR_H) > COOLS_HOURS_A_YEAR


def _conditions(world: World, folder: Path) -> None:
    rows = []
    for life in world.lives:
        for s in sorted(life.stretches, key=lambda s: (s.name, s.circuit or 0, s.began)):
            if s.ended is not None and (s.ended <= world.habits.exports_from or s.ended <= s.began):
                continue
            if s.name == "no head control" and not cools_in_cold(life):
                continue
            name = "" if s.circuit is None else life.unit.circuits[s.circuit].name
            ended = None if s.ended is None else world.instant(s.ended)
            rows.append([life.unit.unit_id, name, s.name, iso(world.instant(s.began)), iso(ended)])
    write_table(folder / "conditions.csv", ["unit_id", "circuit", "condition", "began_at", "ended_at"], rows)


def _pieces(life: Life, x: Lockout, hours: int) -> list[tuple[float, float | None, str]]:
    """A lockout cut where nobody wants cooling for an hour or more: a circuit not called for is not locked out."""
    ended = x.ended if x.ended is not None else float(hours)
    idle = any(c.economizer_idle for at, state in life.changes if at <= x.began for c in state[:1])
    wanted = life.around.demand(idle)[int(x.began) : int(np.ceil(ended))] > 0
    if len(wanted):
        wanted[0] = True
    edges = np.flatnonzero(np.diff(np.r_[0, wanted.astype(np.int8), 0]))
    pieces: list[tuple[float, float | None, str]] = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        last = int(x.began) + end >= ended
        begins = x.began if begin == 0 else int(x.began) + float(begin)
        closes = (x.ended if last else int(x.began) + float(end)) if not (last and x.ended is None) else None
        pieces.append((begins, closes, x.ended_by if last else "cooling call ended"))
    return pieces


def _lockouts(world: World, folder: Path) -> None:
    rows: list[list[Any]] = []
    trips: list[list[Any]] = []
    logged: dict[tuple[int, int], list[Trace]] = defaultdict(list)
    for trace in world.traces:
        logged[(id(trace.job.life), trace.job.circuit)].append(trace)
    for life in world.lives:
        for x in life.lockouts:
            windows = logged.get((id(life), x.circuit), [])
            for began, ended, by in _pieces(life, x, world.habits.hours):
                if began < world.habits.exports_from or any(
                    t.job.start <= began < t.job.start + t.job.hours for t in windows
                ):
                    continue
                end = None if ended is None else world.instant(ended)
                row = [
                    life.unit.unit_id,
                    life.unit.circuits[x.circuit].name,
                    iso(world.instant(began)),
                    iso(end),
                    KIND[x.kind],
                    x.cause,
                ]
                rows.append([*row, str(x.cold).lower(), by, "hour"])
    for trace in world.traces:
        fine, tripped = _from_trace(world, trace)
        rows += fine
        trips += tripped
    header = ["unit_id", "circuit", "started_at", "ended_at", "kind", "cause", "is_cold", "ended_by", "resolved"]
    write_table(folder / "lockouts.csv", header, sorted(rows, key=lambda r: (r[0], r[2], r[1])))
    write_table(folder / "trips.csv", ["unit_id", "circuit", "tripped_at"], sorted(trips))
    covered = [
        [life.unit.unit_id, life.unit.circuits[at].name, iso(world.instant(began)), iso(world.instant(ended))]
        for life in world.lives
        for began, ended, at in life.quiets
        if ended - began > NURSED_H and ended > world.habits.exports_from
    ]
    write_table(folder / "covered.csv", ["unit_id", "circuit", "began_at", "ended_at"], covered)
    loggers = [
        [
            t.job.life.unit.unit_id,
            t.job.life.unit.circuits[t.job.circuit].name,
            iso(world.instant(t.job.start)),
            iso(world.instant(t.job.start + t.job.hours)),
            t.job.interval_s,
            t.job.brand,
        ]
        for t in world.traces
    ]
    write_table(folder / "loggers.csv", ["unit_id", "circuit", "began_at", "ended_at", "interval_s", "brand"], loggers)


def _from_trace(world: World, trace: Trace) -> tuple[list[list[Any]], list[list[Any]]]:
    """Lockouts of ten minutes and more, and every trip, as the half-minute running has them."""
    job = trace.job
    unit, name = job.life.unit, job.life.unit.circuits[job.circuit].name
    wanted = trace.out & trace.called
    edges = np.flatnonzero(np.diff(np.r_[0, wanted.astype(np.int8), 0]))
    rows = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin < LEAST_OUT_STEPS:
            continue
        hour = job.start + begin / PER_HOUR
        cause, cold = _cause_at(job.life, job.circuit, hour)
        kind = KIND[LATCHED] if trace.latched[begin:end].any() else "switch open"
        last = end == len(wanted)
        by = "log ended" if last else ("cooling call ended" if trace.out[end] else "")
        row = [
            unit.unit_id,
            name,
            iso(world.instant(hour)),
            iso(world.instant(job.start + end / PER_HOUR)),
            kind,
            cause,
        ]
        rows.append([*row, str(cold).lower(), by, "step"])
    opened = np.flatnonzero(np.diff(trace.switch_closed.astype(np.int8)) == -1) + 1
    trips = [
        [unit.unit_id, name, iso(world.instant(job.start + step / PER_HOUR))]
        for step in opened
        if trace.running[step - 1]
    ]
    return rows, trips


def _cause_at(life: Life, circuit: int, hour: float) -> tuple[str, bool]:
    """Cause of the life's lockout nearest in time, else of the trips under the condition of the hour."""
    near = [x for x in life.lockouts if x.circuit == circuit and x.began - 2 <= hour <= (x.ended or 1e9) + 2]
    if near:
        best = min(near, key=lambda x: abs(x.began - hour))
        return best.cause, best.cold
    state = [conditions[circuit] for at, conditions in life.changes if at <= hour][-1]
    trips = life.around.trips(circuit, state)
    i = max(0, int(np.searchsorted(trips.hour, hour, side="right")) - 1)
    if len(trips.hour) == 0:
        return "unknown", False
    return blame(state, bool(trips.cold[i]), bool(trips.despite_control[i])), bool(trips.cold[i])


def _calls(world: World, folder: Path, ids: dict[int, str]) -> None:
    rows = []
    for life in world.lives:
        for t in life.tickets:
            if id(t) not in ids:
                continue
            note = world.notes[id(t)]
            circuit = "" if t.circuit is None else life.unit.circuits[t.circuit].name
            row = [ids[id(t)], life.unit.unit_id, circuit, t.cause, str(t.cold_lockout).lower(), t.work]
            rows.append(
                [*row, "; ".join(t.did), "; ".join(note.written), str(note.blank).lower(), str(note.wrong).lower()]
            )
    header = [
        "call_id",
        "unit_id",
        "circuit",
        "cause",
        "is_cold_lockout",
        "work_type",
        "statements",
        "statements_written",
    ]
    write_table(folder / "calls.csv", [*header, "note_blank", "note_wrong"], sorted(rows))


def _units(world: World, folder: Path) -> None:
    rows = []
    logged = {t.job.life.unit.unit_id for t in world.traces}
    for life in world.lives:
        u, now = life.unit, life.now[0]
        first = u.circuits[0]
        barometer = barometer_kpa(u.elevation_m)
        rows.append(
            [
                u.unit_id,
                u.site.site_id,
                u.refrigerant,
                u.use,
                u.later_use or u.use,
                u.duty,
                now.control_fitted,
                len(u.circuits),
                str(u.unit_id in logged).lower(),
                str(cools_in_cold(life)).lower(),
                round(first.reset_c, 2),
                round((first.cut_out_kpa - barometer) / KPA_PER_PSI, 1),
                round((first.reset_kpa - barometer) / KPA_PER_PSI, 1),
                first.latch_after,
                str(u.economizer).lower(),
                str(first.pump_down).lower(),
            ]
        )
    header = [
        "unit_id",
        "site_id",
        "refrigerant",
        "use_at_start",
        "use_at_end",
        "duty",
        "head_control_fitted",
        "circuits",
        "logged",
        "cools_in_cold",
    ]
    header += ["reset_ambient_c", "lp_cut_out_psig", "lp_reset_psig", "latches_after", "economizer", "pump_down"]
    write_table(folder / "units.csv", header, rows)


def _winters(world: World, folder: Path) -> None:
    rows = []
    for life, stretches in zip(world.lives, world.recurring, strict=True):
        for r in stretches:
            if r.ended is None or r.ended > world.habits.exports_from:
                ended = None if r.ended is None else world.instant(r.ended)
                rows.append([life.unit.unit_id, iso(world.instant(r.began)), iso(ended), r.by, round(r.spells, 2)])
    write_table(folder / "recurring.csv", ["unit_id", "began_at", "ended_at", "by", "spells_a_winter"], rows)
    _future(world, folder / "next_winter.csv", world.next_winters)
    _future(world, folder / "next_winter_fixed.csv", world.next_fixed)
    weather = []
    for station, future in zip(world.stations, world.future, strict=True):
        for hour in range(YEAR_H - 6):
            at = world.ends + dt.timedelta(hours=hour)
            values = (future.temperature_c[hour], future.dew_point_c[hour], future.wind_m_s[hour])
            weather.append([station.station_id, iso(at), *(round(float(v), 1) for v in values)])
    write_table(
        folder / "next_winter_weather.csv", ["station_id", "hour", "temperature_c", "dew_point_c", "wind_m_s"], weather
    )


def _future(world: World, path: Path, winters: list[list[Winter]]) -> None:
    rows = [
        [life.unit.unit_id, w.number, w.cold_calls, w.cold_spells, w.fault_spells]
        for life, years in zip(world.lives, winters, strict=True)
        for w in years
    ]
    write_table(
        path,
        ["unit_id", "winter", "cold_lockout_calls", "cold_spells_with_lockout", "spells_with_lockout_any_cause"],
        rows,
    )
