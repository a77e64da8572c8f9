"""Makes an invented service company: `python demo_data/generate.py --seed 7 --units 300 --out DIR`.

The same seed and options give the same bytes. See README.md beside this file.
"""

from __future__ import annotations

import argparse
import shutil
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import circuit as physics
import exports
import fleet as fleets
import loggers as recorders
import numpy as np
import profile_text
import truth
from circuit import Around
from exports import Books, Trace
from fleet import Unit
from loggers import Logger
from refrigerants import Saturation
from scenario import REGIONS, Options
from seasons import COLD_CAUSE, Call, Simulation, service_hours
from visits import Service
from weather_blocks import Weather, make_weather

WINTER_H = 240 * 24  # October to May
PROBE_H = 1.9
FORTNIGHT_H = 16 * 24


def streams(options: Options) -> dict[str, np.random.SeedSequence]:
    """One source of random numbers for each concern, so that asking for more of one leaves the others alone."""
    names = ("fleet", "weather", "people", "loggers", "exports", "future", "probes")
    return dict(zip(names, np.random.SeedSequence(options.seed).spawn(len(names)), strict=True))


def unit_seeds(root: np.random.SeedSequence, indices: list[int]) -> list[np.random.SeedSequence]:
    """A unit's own random numbers, whoever else is simulated with it."""
    return [np.random.SeedSequence(root.entropy, spawn_key=(*root.spawn_key, at)) for at in indices]


def simulate(
    options: Options, units: list[Unit], indices: list[int], weather: dict[str, Weather], root: np.random.SeedSequence
) -> Simulation:
    """Chosen units set up with their service company, nothing run yet."""
    regions = list(weather)
    chosen = [units[at] for at in indices]
    row = np.array([regions.index(unit.site.region) for unit in chosen])
    simulation = Simulation(chosen, options, list(weather.values()), row, unit_seeds(root, indices))
    Service(simulation)
    return simulation


def whole_span(simulation: Simulation) -> np.ndarray:
    """The hour to which everything runs."""
    return np.full(len(simulation.units), simulation.hours)


def plan_loggers(
    options: Options, units: list[Unit], trouble: np.ndarray, seed: np.random.SeedSequence
) -> list[Logger]:
    """Who gets a recorder: at random, or (`trouble`: cold calls) where the first half of the span was worst."""
    rng = np.random.default_rng(seed)
    first_h = 0 if options.loggers_go == "random" else options.hours // 2
    spans = [service_hours(unit, options) for unit in units]
    spans = [(max(begin, first_h), min(end, options.hours - 48)) for begin, end in spans]
    able = np.array([end - begin > min(24 * 240, options.hours // 2) for begin, end in spans])
    chosen = recorders.choose(rng, options, trouble, able)
    plan = [recorders.plan_logger(rng, options, int(at), spans[at][1], spans[at][0]) for at in chosen]
    return [logger for logger in plan if logger.windows]


def run_logged(simulation: Simulation, plan: list[Logger]) -> recorders.Recorder:
    """Hourly between the windows, every ten seconds inside them."""
    recorder = recorders.Recorder(simulation, plan)
    # In pieces of a fortnight: all first pieces run side by side, then all second ones, whatever their dates.
    pieces = [
        [(a, min(a + FORTNIGHT_H, end)) for begin, end in logger.windows for a in range(begin, end, FORTNIGHT_H)]
        for logger in plan
    ]
    for number in range(max(len(p) for p in pieces)):
        spans = [p[number] if number < len(p) else None for p in pieces]
        here = simulation.clock.copy()
        simulation.advance(np.array([s[0] if s else here[u] for u, s in enumerate(spans)]))
        here = simulation.clock.copy()
        simulation.advance(np.array([s[1] if s else here[u] for u, s in enumerate(spans)]), recorder)
    simulation.advance(whole_span(simulation))
    return recorder


def logged_traces(
    options: Options,
    units: list[Unit],
    simulation: Simulation,
    recorder: recorders.Recorder,
    plan: list[Logger],
    seed: np.random.SeedSequence,
) -> list[Trace]:
    """What the sensors made of it."""
    rng = np.random.default_rng(seed)
    traces = []
    for lane, u in enumerate(simulation.owner):
        times, values = recorder.series(lane)
        if times.size:
            unit = units[plan[u].unit]
            drop_k, rated_a = float(rng.uniform(9, 12)), unit.capacity_kw * 0.9
            heating = Saturation.of([unit.refrigerant]) if unit.heat_pump else None
            channels = recorders.sensed(rng, plan[u], times, values, drop_k, rated_a, unit.fans, heating)
            traces.append(Trace(plan[u], unit, int(simulation.number[lane]), times, channels))
    return traces


def probe_traces(
    options: Options, units: list[Unit], simulation: Simulation, calls: list[Call], seed: np.random.SeedSequence
) -> list[Trace]:
    """Hoses on for about an hour at the end of some visits, on circuits that run."""
    rng = np.random.default_rng(seed)
    wanted = [c for c in calls if c.snapshot is not None and c.visit_h > 24 and c.visit_h + 3 < options.hours]
    picked = (
        [wanted[i] for i in sorted(rng.choice(len(wanted), min(options.probe_sessions, len(wanted)), replace=False))]
        if wanted
        else []
    )
    if not picked:
        return []
    lanes = np.array([c.snapshot[0] for c in picked])  # type: ignore[index]
    circuits = physics.take(simulation.circuits, lanes)
    circuits.sister, circuits.shared_fans = np.arange(lanes.size), np.zeros(lanes.size, dtype=bool)
    condition = physics.sound(lanes.size)
    for name in condition.__dataclass_fields__:
        setattr(condition, name, np.array([getattr(c.snapshot[1], name)[0] for c in picked]))  # type: ignore[index]
    row = simulation.row[simulation.owner[lanes]]
    hour = np.array([int(c.visit_h) for c in picked])
    outdoor, wind = simulation.outdoor[row, hour], simulation.wind[row, hour]
    air = simulation.space_c[simulation.owner[lanes]] + rng.uniform(0, 3, lanes.size)
    state = physics.at_rest(circuits, condition, outdoor + simulation.offset_k[lanes])
    samples, steps = [], int(PROBE_H * 360)
    for number in range(steps):
        pause = 250 <= number < 290  # the technician stops it once
        around = Around(outdoor, outdoor + simulation.offset_k[lanes], wind, air, np.full(lanes.size, not pause))
        flows = physics.step(circuits, condition, state, around, 10.0)
        samples.append(
            np.stack(
                [
                    np.asarray(v, dtype=float)
                    for v in (
                        state.suction_kpa,
                        state.head_kpa,
                        flows.evaporating_c,
                        flows.condensing_c,
                        air,
                        outdoor,
                        flows.wetness,
                        state.high_liquid_s,
                        state.fan_share,
                        state.running,
                        state.lp_open,
                        state.hp_open,
                        around.wanted,
                        physics.current_share(circuits, state),
                        flows.vapour,
                    )
                ]
            )
        )
    values = np.stack(samples)
    traces = []
    for at, call in enumerate(picked):
        every = int(rng.choice([10, 20, 30, 60]))
        index = np.arange(int(rng.integers(90, 200)), int(rng.integers(500, steps)), every // 10)
        unit = units[call.unit]
        logger = Logger(
            call.unit,
            "probe",
            every,
            [],
            float(rng.uniform(0.3, 1.0)),
            (float(rng.normal(0, 0.6)), float(rng.normal(0, 1.0))),
            15.0,
            0.1,
            set(),
            0.5,
            [],
        )
        channels = recorders.sensed(rng, logger, index / 360.0, values[index, :, at].T, 10.0, 10.0, unit.fans)
        traces.append(
            Trace(logger, unit, int(simulation.number[lanes[at]]), call.visit_h - 0.6 + index / 360.0, channels)
        )
    return traces


def next_winters(
    options: Options, units: list[Unit], simulations: list[tuple[Simulation, list[int]]], seed: np.random.SeedSequence
) -> list[tuple[int, int, int, int, float]]:
    """Possible next winters from the condition at the data's end, with nothing but resets: (unit, winter, cold calls,
    cold spells with a lockout, hours locked out)."""
    found = []
    begin = datetime(options.end.year, 10, 1, tzinfo=UTC)
    span = replace(options, start=begin.date(), end=date(begin.year + 1, 5, 28))
    rng = np.random.default_rng(seed)
    for winter in range(options.future_winters):
        weather = {region: make_weather(region, begin, span.hours, rng, unaltered=False) for region in options.climates}
        for number, (now, index) in enumerate(simulations):
            alive = [at for at, u in enumerate(now.units) if now.served[at, -1]]
            if not alive:
                continue
            future = _carried_on(span, now, alive, weather, seed, winter * 2 + number)
            future.advance(whole_span(future))
            for at, u in enumerate(alive):
                locks = [lock for lock in future.lockouts[at] if lock.cause == COLD_CAUSE]
                hours = sum(min(lock.to_h, span.hours) - lock.from_h for lock in locks)
                found.append(
                    (
                        index[u],
                        winter,
                        truth.cold_calls(future, at),
                        cold_spells([lock.from_h for lock in locks]),
                        hours,
                    )
                )
    return found


def cold_spells(starts_h: list[float]) -> int:
    """Separate cold spells among the starts of lockouts: three quiet days between."""
    ordered = np.sort(np.array(starts_h))
    return int(ordered.size > 0) + int((np.diff(ordered) > 72.0).sum())


def _carried_on(
    span: Options,
    now: Simulation,
    alive: list[int],
    weather: dict[str, Weather],
    seed: np.random.SeedSequence,
    number: int,
) -> Simulation:
    """The same units, as they are at the data's end, facing another winter."""
    units = [replace(now.units[at], served_from=span.start, served_to=None, retired_on=None) for at in alive]
    regions = list(weather)
    row = np.array([regions.index(u.site.region) for u in units])
    lanes = np.concatenate([now.lanes_of[at] for at in alive])
    seeds = unit_seeds(seed, [100_000 * (number + 1) + at for at in alive])
    tables = now.tables.take(lanes)
    future = Simulation(units, span, list(weather.values()), row, seeds, tables)
    sister = future.circuits.sister
    future.circuits = physics.take(now.circuits, lanes)
    future.circuits.sister = sister
    future.condition = physics.take(now.condition, lanes)
    future.economizer, future.hold_c = now.economizer[alive].copy(), now.hold_c[alive].copy()
    future.watched, future.patience_h = now.watched[alive].copy(), now.patience_h[alive].copy()
    for at, u in enumerate(alive):
        if now.use_now[u] != now.units[u].use:
            future.load[at], future.in_use[at] = future.load_for(at, now.use_now[u])
        if now.winter_off[u]:
            future.load[at] *= future.outdoor[row[at]] > 6.0
    Service(future, treat=False, accidents=False)
    return future


def write_checks(books: Books, folder: Path, simulations: list[tuple[Simulation, list[int]]]) -> None:
    """A dozen visits on which the tech lead looked for himself."""
    rows: list[list[object]] = []
    rng = books.rng
    bypassed = [
        (index[u], circuit)
        for sim, index in simulations
        for u, circuit, kind in sim.open_interval
        if kind == "head control fans always on"
    ]
    sound = [
        (u, 1)
        for u, unit in enumerate(books.units)
        if unit.head == "fan cycling" and u not in {at for at, _ in bypassed}
    ]
    notes_on = {
        "confirmed": "jumper on fan control, left till quote is signed",
        "not found": "control works, checked with gauges",
    }
    for keys, verdict in ((bypassed, "confirmed"), (sound, "not found")):
        for at in rng.permutation(len(keys))[:6]:
            unit, circuit = keys[at]
            day = books.at(books.options.hours - 24 * float(rng.uniform(3, 60)))
            rows.append(
                [
                    books.units[unit].unit_id,
                    circuit,
                    "head control out",
                    day.strftime("%Y-%m-%d %H:%M"),
                    verdict,
                    notes_on[verdict],
                ]
            )
    exports.write_csv(
        folder / "checks.csv", ["unit", "circuit", "flag", "checked", "verdict", "note"], sorted(rows, key=str)
    )


def generate(options: Options) -> dict[str, int]:
    """Simulates and writes one fleet; gives row counts."""
    seed = streams(options)
    rng_weather = [np.random.default_rng(s) for s in seed["weather"].spawn(len(REGIONS))]
    weather = {
        r: make_weather(r, options.first_hour, options.hours, rng_weather[REGIONS.index(r)]) for r in options.climates
    }
    units = fleets.draw_fleet(
        np.random.default_rng(seed["fleet"]), options, {r: w.temperature_c for r, w in weather.items()}
    )
    everyone = list(range(len(units)))
    simulations: list[tuple[Simulation, list[int]]] = []
    plan: list[Logger] = []
    if options.logger_share > 0:
        trouble = np.zeros(len(units))
        if options.loggers_go == "troubled":
            scout = simulate(options, units, everyone, weather, seed["people"])
            scout.advance(whole_span(scout) // 2)
            trouble = recorders.cold_calls(scout, options.hours / 2)
        plan = plan_loggers(options, units, trouble, seed["loggers"])
    logged = [logger.unit for logger in plan]
    rest = [at for at in everyone if at not in set(logged)]
    if rest:
        simulations.append((simulate(options, units, rest, weather, seed["people"]), rest))
        simulations[0][0].advance(whole_span(simulations[0][0]))
    traces: list[Trace] = []
    trips = []
    if logged:
        watched = simulate(options, units, logged, weather, seed["people"])
        recorder = run_logged(watched, plan)
        traces = logged_traces(options, units, watched, recorder, plan, seed["exports"].spawn(1)[0])
        trips = [(logged[watched.owner[t.lane]], int(watched.number[t.lane]), t) for t in recorder.trips]
        simulations.append((watched, logged))

    calls, intervals, lockouts = [], [], []
    for sim, index in simulations:
        for u, at in enumerate(index):
            for call in sim.calls[u]:
                call.unit = at
                call.outdoor_c = float(
                    sim.outdoor[sim.row[u], min(int(max(call.visit_h, call.opened_h)), sim.hours - 1)]
                )
            calls += [c for c in sim.calls[u] if 0 <= c.opened_h < options.hours - 1 and c.closed_h < options.hours]
            for interval in sim.intervals[u]:
                interval.unit = at
            intervals += sim.intervals[u]
            lockouts += [(at, int(sim.number[lock.lane]), lock) for lock in sim.lockouts[u]]
    books = Books(options, units, weather, calls, np.random.default_rng(seed["exports"]))
    probes = (
        probe_traces(options, units, simulations[0][0], [c for c in calls if c.unit in set(rest)], seed["probes"])
        if rest
        else []
    )
    return write_all(books, simulations, plan, traces, probes, trips, intervals, lockouts, seed)


def write_all(
    books: Books,
    simulations: list,
    plan: list[Logger],
    traces: list[Trace],
    probes: list[Trace],
    trips: list,
    intervals: list,
    lockouts: list,
    seed: dict[str, np.random.SeedSequence],
) -> dict[str, int]:
    """Exports, profile and truth under `options.out`."""
    out = books.options.out
    for name in ("exports", "truth"):
        shutil.rmtree(out / name, ignore_errors=True)
    folder = out / "exports"
    exports.number_calls(books)
    exports.write_notes(books)
    exports.write_sites(books, folder)
    exports.write_stations(books, folder)
    exports.write_units(books, folder)
    aliases = exports.write_aliases(books, folder)
    exports.write_calls(books, folder, aliases)
    write_checks(books, folder, simulations)
    exports.write_weather(books, folder / "weather")
    exports.write_readings(books, folder / "readings", traces + probes)
    profile_text.write_profile(out)

    planted = out / "truth"
    truth.write_units(books, planted, {logger.unit for logger in plan})
    truth.write_conditions(books, planted, intervals)
    truth.write_calls(books, planted)
    truth.write_lockouts(books, planted, lockouts)
    truth.write_trips(books, planted, trips)
    truth.write_set_points(books, planted, simulations)
    truth.write_loggers(books, planted, plan, traces)
    futures = next_winters(books.options, books.units, simulations, seed["future"])
    truth.write_next_winter(books, planted, futures)
    return {
        "units": len(books.units),
        "sites": len({u.site.site_id for u in books.units}),
        "calls": len(books.calls),
        "cold lockout calls": sum(c.cause == COLD_CAUSE for c in books.calls),
        "lockouts": len(lockouts),
        "trips while logged": len(trips),
        "logged units": len(plan),
        "probe sessions": len(probes),
        "readings": sum(t.times_h.size for t in traces + probes),
        "weather hours": sum(w.temperature_c.size for w in books.weather.values()),
        "bytes": sum(p.stat().st_size for p in out.rglob("*") if p.is_file()),
    }


def parse(arguments: list[str] | None = None) -> Options:
    """Command line to options."""
    parser = argparse.ArgumentParser(description=__doc__)
    usual = Options(Path())
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=usual.seed)
    parser.add_argument("--units", type=int, default=usual.units)
    parser.add_argument("--sites", type=int)
    parser.add_argument("--start", type=date.fromisoformat, default=usual.start)
    parser.add_argument("--end", type=date.fromisoformat, default=usual.end)
    parser.add_argument("--climates", nargs="+", choices=REGIONS, default=list(REGIONS))
    parser.add_argument("--refrigerants", nargs="*", default=[])
    parser.add_argument("--logger-share", type=float, default=usual.logger_share)
    parser.add_argument("--loggers-go", choices=("random", "troubled"), default=usual.loggers_go)
    parser.add_argument(
        "--intervals", type=int, nargs="*", default=[], help="logging intervals in seconds, multiples of 10"
    )
    parser.add_argument("--log-days", type=int, default=usual.log_days)
    parser.add_argument("--probe-sessions", type=int, default=usual.probe_sessions)
    parser.add_argument("--missing-channels", type=float, default=usual.missing_channels)
    parser.add_argument("--future-winters", type=int, default=usual.future_winters)
    a = parser.parse_args(arguments)
    return Options(
        a.out,
        a.seed,
        a.units,
        a.sites,
        a.start,
        a.end,
        tuple(a.climates),
        tuple(a.refrigerants),
        a.logger_share,
        a.loggers_go,
        tuple(a.intervals),
        a.log_days,
        a.probe_sessions,
        a.missing_channels,
        a.future_winters,
    )


def main() -> None:
    """Makes the fleet and prints what came out."""
    options = parse()
    options.out.mkdir(parents=True, exist_ok=True)
    for name, count in generate(options).items():
        print(f"{name:>20}  {count:>10,}")


if __name__ == "__main__":
    main()
