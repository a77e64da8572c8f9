"""Units with loggers: the ten-second model in their windows, then the sensors, with what sensors do wrong."""

from __future__ import annotations

from dataclasses import dataclass

import circuit as physics
import numpy as np
from circuit import Around
from refrigerants import KPA_PER_PSI, Saturation
from scenario import Options
from seasons import (
    COLD_CAUSE,
    COOLING_LEAST,
    FINE_STEP_S,
    HP_LATCHED,
    LATCHED,
    STEPS_PER_HOUR,
    SWITCH_OPEN,
    FineHour,
    Simulation,
)

CHANNELS = (
    "suction_kpa",
    "liquid_kpa",
    "evaporating_c",
    "condensing_c",
    "air_c",
    "outdoor_c",
    "wetness",
    "high_liquid_s",
    "fan_share",
    "running",
    "lp_open",
    "hp_open",
    "wanted",
    "current",
    "cooled",
)
START_S = 300.0  # a trip within five minutes of a start is a trip on start
KINDS = ("ridge", "kite", "ledger", "panel")  # the four kinds of recorder; names of our own
USUAL_INTERVAL_S = {"ridge": 300, "kite": 60, "ledger": 300, "panel": 300}


@dataclass
class Trip:
    """A protective stop while cooling was wanted; hours from the start."""

    lane: int
    at_h: float
    kind: str
    on_start: bool
    minimum_kpa: float


@dataclass
class Logger:
    """A recorder on one unit, its windows (hours from the start), interval, and what its sensors are like."""

    unit: int
    kind: str
    interval_s: int
    windows: list[tuple[int, int]]
    noise_psi: float
    offset_psi: tuple[float, float]
    lag_s: float
    step_psi: float
    missing: set[str]
    outdoor_bias_k: float
    faults: list[str]


class Recorder(FineHour):
    """Runs an hour at ten seconds and keeps samples; `loggers` by the unit's index in the simulation."""

    def __init__(self, simulation: Simulation, loggers: list[Logger]) -> None:
        self.sim, self.loggers = simulation, loggers
        lanes = simulation.owner
        every = np.array([logger.interval_s for logger in loggers])
        self.every = {int(s): np.flatnonzero(every[lanes] == s) for s in np.unique(every)}
        self.samples: dict[int, list[np.ndarray]] = {s: [] for s in self.every}
        self.stamps: dict[int, list[np.ndarray]] = {s: [] for s in self.every}
        self.trips: list[Trip] = []
        self.least_kpa = np.full(lanes.size, np.inf)
        rngs = simulation.rngs
        self.mass_s = np.array([rng.uniform(350, 1100) for rng in rngs])
        self.stage = np.zeros((2, len(loggers)), dtype=bool)
        self.tripped = np.zeros(lanes.size, dtype=bool)
        self.locked = np.zeros(lanes.size, dtype=bool)
        self.asked_s = np.zeros(lanes.size)
        self.run_before = np.zeros(lanes.size)
        self.previous = np.full(len(loggers), -2)
        self.rng = np.random.default_rng(rngs[0].integers(2**63))

    def _enter(self, active: np.ndarray, hour: np.ndarray, outdoor: np.ndarray) -> None:
        """Lanes whose window begins: at rest, in lockout if the hourly model left them so."""
        sim = self.sim
        fresh_units = active & (hour != self.previous + 1)
        fresh = fresh_units[sim.owner]
        if sim.state is None:
            sim.state = physics.at_rest(sim.circuits, sim.condition, outdoor + sim.offset_k)
        elif fresh.any():
            rest = physics.at_rest(sim.circuits, sim.condition, outdoor + sim.offset_k)
            for name in rest.__dataclass_fields__:
                setattr(sim.state, name, np.where(fresh, getattr(rest, name), getattr(sim.state, name)))
        sim.state.latched = np.where(fresh, sim.out >= LATCHED, sim.state.latched)
        self.tripped = np.where(fresh, sim.out > 0, self.tripped)
        self.locked = np.where(fresh, sim.out > 0, self.locked)
        sim.space_now_c = np.where(fresh_units, sim.space_c, sim.space_now_c)
        self.previous = np.where(active, hour, self.previous)

    def run(self, simulation: Simulation, active: np.ndarray, hour: np.ndarray, demand: np.ndarray) -> np.ndarray:
        """One hour; gives what each unit was cooled, and leaves lockouts and trips in the books."""
        sim, owner = simulation, simulation.owner
        units = np.arange(len(sim.units))
        following = np.minimum(hour + 1, sim.hours - 1)
        ends = [sim.outdoor[sim.row, at][owner] for at in (hour, following)]
        lifts = [sim.lift_k(at, t) for at, t in zip((hour, following), ends, strict=True)]
        wind = sim.wind[sim.row, hour][owner]
        self._enter(active, hour, ends[0])
        state = sim.state
        assert state is not None
        # Somebody reset it since the last hour: the board forgets.
        state.latched &= sim.out > 0
        reset = self.locked & (sim.out == 0)
        state.trips = np.where(reset, 0.0, state.trips)
        state.low_liquid_s = np.where(reset & ~state.running, np.maximum(state.low_liquid_s, 3.0), state.low_liquid_s)
        self.locked &= sim.out > 0
        going = active[owner]
        # Within the hour: people, doors, clouds and gusts, ten minutes at a time.
        restless = self.rng.standard_normal((3, 6, units.size))
        cooled = np.zeros(len(sim.units))
        share = 1.0 / np.where(sim.two, 2.0, 1.0)
        for number in range(STEPS_PER_HOUR):
            part = number / STEPS_PER_HOUR
            load, sky, gust = restless[:, number * 6 // STEPS_PER_HOUR]
            outdoor = ends[0] + (ends[1] - ends[0]) * part + 0.25 * sky[owner]
            standing = outdoor + lifts[0] + (lifts[1] - lifts[0]) * part
            air = sim.space_now_c[owner] + 0.0
            wanted = self._thermostat(demand) & ~(outdoor < sim.hold_c[owner]) & ~sim.dead[owner] & going
            around = Around(outdoor, standing, np.maximum(wind * (1.0 + 0.25 * gust[owner]), 0.3), air, wanted)
            flows = physics.step(sim.circuits, sim.condition, state, around, FINE_STEP_S)
            got = np.bincount(owner, weights=flows.vapour, minlength=units.size) * share
            cooled += got / STEPS_PER_HOUR
            drift = FINE_STEP_S * (demand * (1.0 + 0.22 * load) - got) / self.mass_s
            sim.space_now_c = np.clip(sim.space_now_c + drift, sim.space_c - 1.5, sim.space_c + 9.0)
            self._book(going, hour, part, flows, wanted, outdoor)
            self._sample(hour, number, flows, around)
        self._commit(going, hour)
        return cooled

    def _thermostat(self, demand: np.ndarray) -> np.ndarray:
        """Two stages with a band each; per lane."""
        sim = self.sim
        over = sim.space_now_c - sim.space_c
        first, second = self.stage
        asked = demand > COOLING_LEAST
        self.stage[0] = asked & ((first & (over > -0.5)) | (over > 0.5))
        self.stage[1] = self.stage[0] & ((second & (over > 0.1)) | (over > 1.2))
        return np.where(sim.number == 1, self.stage[0][sim.owner], self.stage[1][sim.owner])

    def _book(
        self,
        going: np.ndarray,
        hour: np.ndarray,
        part: float,
        flows: physics.Flows,
        wanted: np.ndarray,
        outdoor: np.ndarray,
    ) -> None:
        """Trips and lockouts, to the step."""
        sim, state = self.sim, self.sim.state
        assert state is not None
        self.least_kpa = np.where(flows.started, np.inf, np.minimum(self.least_kpa, state.suction_kpa))
        trips = (flows.lp_trip | flows.hp_trip) & going
        if trips.any():
            for lane in np.flatnonzero(trips):
                at = float(hour[sim.owner[lane]]) + part
                kind = "low pressure" if flows.lp_trip[lane] else "high pressure"
                self.trips.append(
                    Trip(int(lane), at, kind, bool(self.run_before[lane] < START_S), float(self.least_kpa[lane]))
                )
        self.run_before = np.where(state.running, state.run_s, self.run_before)
        self.tripped = (self.tripped | trips) & ~state.running
        # A pump-down leaves its switch open, and the call closes it within a minute: that is no lockout.
        asked = wanted & ~state.running
        self.asked_s = np.where(asked, self.asked_s + FINE_STEP_S, 0.0)
        lp_bars = (
            state.lp_open
            & ~sim.condition.lp_jumpered
            & ~sim.circuits.starts_open
            & (self.tripped | (self.asked_s > 300.0))
        )
        locked = (state.latched | lp_bars | state.hp_open) & wanted & ~state.running & going
        began, ended = locked & ~self.locked, self.locked & ~locked & going
        if began.any() or ended.any():
            for lane in np.flatnonzero(began):
                at = float(hour[sim.owner[lane]]) + part
                kind = (HP_LATCHED if state.hp_open[lane] else LATCHED) if state.latched[lane] else SWITCH_OPEN
                if sim.lockout[lane] is None:
                    sim.lock(int(lane), kind, at, float(outdoor[lane]), 1.0, after_trip=bool(self.tripped[lane]))
                    sim.lockout[lane].resolved = "step"  # type: ignore[union-attr]
            for lane in np.flatnonzero(ended):
                record = sim.lockout[lane]
                why = "cooling call ended" if not wanted[lane] else "pressure recovered otherwise"
                if record is not None and wanted[lane] and outdoor[lane] > record.outdoor_c + 0.3:
                    why = "outdoor warmed"
                sim.unlock(int(lane), float(hour[sim.owner[lane]]) + part, why)
        self.locked = np.where(going, locked, self.locked)

    def _commit(self, going: np.ndarray, hour: np.ndarray) -> None:
        """What the hourly books need to know at the end of the hour."""
        sim, state = self.sim, self.sim.state
        assert state is not None
        kind = np.where(state.latched, np.where(state.hp_open, HP_LATCHED, LATCHED), SWITCH_OPEN)
        sim.out = np.where(going, np.where(self.locked, kind, 0), sim.out)

    def _sample(self, hour: np.ndarray, number: int, flows: physics.Flows, around: Around) -> None:
        sim, state = self.sim, self.sim.state
        assert state is not None
        for every, lanes in self.every.items():
            if (number * FINE_STEP_S) % every:
                continue
            values = (
                state.suction_kpa,
                state.head_kpa,
                flows.evaporating_c,
                flows.condensing_c,
                around.air_c,
                around.outdoor_c,
                flows.wetness,
                state.high_liquid_s,
                state.fan_share,
                state.running,
                state.lp_open,
                state.hp_open,
                around.wanted,
                physics.current_share(sim.circuits, state),
                flows.vapour,
            )
            self.samples[every].append(np.stack([np.asarray(v, dtype=np.float32)[lanes] for v in values]))
            stamp = hour[sim.owner[lanes]] + number / STEPS_PER_HOUR
            self.stamps[every].append(np.where(self._active[sim.owner[lanes]], stamp, np.nan))

    @property
    def _active(self) -> np.ndarray:
        return self.previous == self.sim.clock

    def series(self, lane: int) -> tuple[np.ndarray, np.ndarray]:
        """Times (hours) and channels (len(CHANNELS), times) of one lane."""
        for every, lanes in self.every.items():
            where = np.flatnonzero(lanes == lane)
            if where.size:
                times = np.array([stamp[where[0]] for stamp in self.stamps[every]])
                values = np.stack([sample[:, where[0]] for sample in self.samples[every]], axis=1)
                keep = np.isfinite(times)
                return times[keep], values[:, keep].astype(float)
        raise KeyError(lane)


def choose(rng: np.random.Generator, options: Options, trouble: np.ndarray, able: np.ndarray) -> np.ndarray:
    """Units that get loggers: at random, or those with the most cold calls so far; indices."""
    count = round(options.logger_share * trouble.size)
    if options.loggers_go == "troubled":
        score = trouble + rng.random(trouble.size) * 0.9
        score = np.where(able, score, -1.0)
        return np.sort(np.argsort(-score, kind="stable")[:count])
    open_to = np.flatnonzero(able)
    return np.sort(rng.choice(open_to, min(count, open_to.size), replace=False))


def plan_logger(rng: np.random.Generator, options: Options, unit: int, latest_h: int, earliest_h: int) -> Logger:
    """A recorder for one unit: kind, windows mostly in the cold season, sensor errors."""
    kind = str(rng.choice(KINDS, p=[0.42, 0.2, 0.08, 0.3]))
    interval = int(rng.choice(options.intervals_s)) if options.intervals_s else USUAL_INTERVAL_S[kind]
    days = max(3, round(options.log_days * min(1.0, interval / 240.0 + 0.06)))
    windows = []
    parts = 2 if rng.random() < 0.35 and days >= 16 else 1
    for _ in range(parts):
        windows.append(_window(rng, options, days // parts, earliest_h, latest_h))
    windows = sorted(w for w in windows if w is not None)
    if len(windows) == 2 and windows[0][1] >= windows[1][0]:
        windows = windows[:1]
    missing = {
        name
        for name in (
            "suction_line_c",
            "liquid_line_c",
            "outdoor_c",
            "supply_air_c",
            "return_air_c",
            "compressor_a",
            "compressor_on",
            "fans_running",
            "cooling_called",
            "lp_switch_closed",
        )
        if rng.random() < options.missing_channels
    }
    faults = []
    if rng.random() < 0.10:
        faults.append("stuck suction")
    if rng.random() < 0.12:
        faults.append("bad values")
    if rng.random() < 0.06:
        faults.append("swapped")
    if rng.random() < 0.08:
        faults.append("spikes")
    if rng.random() < 0.05:
        faults.append("clock an hour off")
    if kind == "panel" and rng.random() < 0.08:
        faults.append("gauge taken for absolute")
    if rng.random() < 0.3:
        faults.append("gaps")
    return Logger(
        unit,
        kind,
        interval,
        windows,
        float(rng.uniform(0.6, 2.6)),
        (float(rng.normal(0, 1.2)), float(rng.normal(0, 2.0))),
        float(rng.uniform(5, 60)),
        float(rng.choice([0.1, 0.5, 1.0], p=[0.35, 0.3, 0.35])),
        missing,
        float(rng.normal(0.4, 0.6)),
        faults,
    )


def _window(
    rng: np.random.Generator, options: Options, days: int, earliest_h: int, latest_h: int
) -> tuple[int, int] | None:
    """A window of some days, four in five between mid-October and the end of March."""
    start = options.first_hour
    for _ in range(200):
        begin = int(rng.integers(earliest_h, max(latest_h - days * 24, earliest_h + 1)))
        if begin + days * 24 > latest_h:
            return None
        day_of_year = (start.timetuple().tm_yday + begin // 24) % 365
        if day_of_year > 288 or day_of_year < 75 or rng.random() < 0.06:
            return begin, begin + days * 24
    return None


def sensed(
    rng: np.random.Generator,
    logger: Logger,
    times_h: np.ndarray,
    values: np.ndarray,
    supply_drop_k: float,
    rated_a: float,
    fans: int,
    heating: Saturation | None = None,
) -> dict[str, np.ndarray]:
    """What the recorder writes: the contract's channels, pressures in absolute kPa; NaN where nothing was written."""
    raw = dict(zip(CHANNELS, values, strict=True))
    count = times_h.size
    spread = logger.noise_psi * KPA_PER_PSI
    running = raw["running"] > 0.5
    superheat = physics.superheat_k(raw["air_c"], raw["evaporating_c"], raw["wetness"])
    suction_line = np.where(running, raw["evaporating_c"] + superheat + 1.5, 0.5 * (raw["outdoor_c"] + raw["air_c"]))
    subcooling = physics.subcooling_k(raw["condensing_c"], raw["outdoor_c"], raw["high_liquid_s"])
    liquid_line = np.where(running, raw["condensing_c"] - subcooling - 0.5, raw["outdoor_c"] + 1.0)
    out = {
        "suction_kpa": raw["suction_kpa"] + logger.offset_psi[0] * KPA_PER_PSI + spread * rng.standard_normal(count),
        "liquid_kpa": raw["liquid_kpa"]
        + logger.offset_psi[1] * KPA_PER_PSI
        + 1.4 * spread * rng.standard_normal(count),
        "suction_line_c": lagged(suction_line, logger) + 0.3 * rng.standard_normal(count),
        "liquid_line_c": lagged(liquid_line, logger) + 0.3 * rng.standard_normal(count),
        "outdoor_c": raw["outdoor_c"] + logger.outdoor_bias_k + 0.25 * rng.standard_normal(count),
        "return_air_c": raw["air_c"] + 0.2 * rng.standard_normal(count),
        "supply_air_c": lagged(raw["air_c"] - supply_drop_k * raw["cooled"], logger) + 0.3 * rng.standard_normal(count),
        "compressor_a": np.where(running, rated_a * raw["current"] + 0.2 * rng.standard_normal(count), 0.0),
        "compressor_on": raw["running"],
        "fans_running": np.ceil(raw["fan_share"] * fans - 1e-6),
        "fan_speed_fraction": raw["fan_share"],
        "lp_switch_closed": 1.0 - raw["lp_open"],
        "hp_switch_closed": 1.0 - raw["hp_open"],
        "cooling_called": raw["wanted"],
        "liquid_solenoid_open": raw["wanted"],
        "mode": np.zeros(count),
    }
    if heating is not None:
        _heat(out, raw, heating, times_h, rated_a)
    for name in logger.missing:
        out[name] = np.full(count, np.nan)
    return out


HEATS_UNDER_C = 12.0
DEFROST_EVERY_H = 1.5
DEFROST_H = 0.12


def _heat(
    out: dict[str, np.ndarray], raw: dict[str, np.ndarray], sat: Saturation, times_h: np.ndarray, rated_a: float
) -> None:
    """A heat pump that heats while no cooling is called: low suction by nature, and defrosts in the frost.

    Steady states only; `sat` is the refrigerant's curve, one lane. Mode: 0 cooling, 1 heating, 2 defrost.
    """
    outdoor = raw["outdoor_c"]
    idle = (raw["wanted"] < 0.5) & (raw["running"] < 0.5) & (outdoor < HEATS_UNDER_C)
    share = np.minimum(np.maximum((14.0 - outdoor) / 24.0, 0.0), 1.0)
    heats = idle & ((times_h * 2.0) % 1.0 < share)
    defrosts = heats & (outdoor < 4.0) & (times_h % DEFROST_EVERY_H < DEFROST_H)
    evaporating = np.where(defrosts, -18.0, outdoor - 7.0)
    condensing = np.where(defrosts, 14.0, 40.0 + 0.2 * outdoor)
    low = np.array([sat.dew_kpa(np.array([t]))[0] for t in evaporating[heats]])
    high = np.array([sat.bubble_kpa(np.array([t]))[0] for t in condensing[heats]])
    wobble = out["suction_kpa"][heats] - raw["suction_kpa"][heats]
    out["suction_kpa"][heats] = low + wobble
    out["liquid_kpa"][heats] = high + 1.4 * wobble
    out["suction_line_c"][heats] = evaporating[heats] + 5.0
    out["liquid_line_c"][heats] = condensing[heats] - 6.0
    out["supply_air_c"][heats] = raw["air_c"][heats] + np.where(defrosts[heats], -6.0, 16.0)
    out["compressor_on"][heats] = 1.0
    out["compressor_a"][heats] = rated_a * 0.7
    out["fans_running"][heats] = np.where(defrosts[heats], 0.0, 1.0)
    out["fan_speed_fraction"][heats] = np.where(defrosts[heats], 0.0, 1.0)
    out["mode"] = np.where(defrosts, 2.0, np.where(heats, 1.0, 0.0))


def lagged(values: np.ndarray, logger: Logger) -> np.ndarray:
    """A first-order sensor seen at the logging interval."""
    keep = float(np.exp(-logger.interval_s / logger.lag_s))
    if keep < 0.02:
        return values
    out = np.empty_like(values)
    now = values[0]
    for at, value in enumerate(values):
        now = keep * now + (1.0 - keep) * value
        out[at] = now
    return out


def cold_calls(simulation: Simulation, before_h: float) -> np.ndarray:
    """Cold-lockout calls of each unit before an hour."""
    return np.array([sum(c.cause == COLD_CAUSE and c.opened_h < before_h for c in calls) for calls in simulation.calls])
