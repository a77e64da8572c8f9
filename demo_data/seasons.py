"""Four years of every unit, hour by hour: load, trips, lockouts, who notices, and what a visit changes.

Between visits the hourly model reads the tabulated cold starts (`outcomes`); while a logger is fitted the same hour is
run through the circuit model every ten seconds (`advance(..., fine=True)`), so that readings and calls tell one story.
Each unit keeps its own clock and its own random numbers: a unit's history does not depend on who else is simulated.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from datetime import timedelta
from zoneinfo import ZoneInfo

import circuit as physics
import fleet as fleets
import numpy as np
import outcomes
from fleet import USES, Unit
from scenario import Options
from weather_blocks import Weather

COOLING_LEAST = 0.04  # load under which nobody asks for cooling
SWITCH_OPEN, LATCHED, HP_LATCHED = 1, 2, 3
FINE_STEP_S = 10
STEPS_PER_HOUR = 3600 // FINE_STEP_S
WEEK_H = 168
COLD_CAUSE = "cold lockout"
SHORT_CYCLING = "cold short cycling"  # trips on low pressure in the cold, and restarts by itself each time


@dataclass
class Call:
    """A ticket, with what the office exports and what was really the matter (`cause`)."""

    unit: int
    opened_h: float
    work_type: str
    cause: str
    complaint: str = ""
    closed_h: float = 0.0
    visit_h: float = 0.0
    status: str = "completed"
    technician: str = ""
    labour_h: float = 0.0
    travel_h: float = 0.0
    parts_cost: float = 0.0
    findings: list[str] = field(default_factory=list)
    actions: list[str] = field(default_factory=list)
    told: str = ""  # cause named in the note, if any
    circuit: int = 0
    contributing: str = ""
    call_id: str = ""
    outdoor_c: float = 0.0
    texts: tuple[str, str, str] = ("", "", "")
    snapshot: tuple[int, physics.Condition] | None = None  # lane and condition as the technician left it


@dataclass
class Interval:
    """A stretch of truth about a unit or circuit (circuit 0: the whole unit); hours from the start."""

    unit: int
    circuit: int
    kind: str
    from_h: float
    to_h: float = np.inf
    detail: str = ""


@dataclass
class Lockout:
    """Stopped after a trip with cooling wanted; hours from the start."""

    lane: int
    from_h: float
    kind: str
    outdoor_c: float
    cause: str
    contributing: str
    to_h: float = np.inf
    ended_by: str = "data ended"
    resolved: str = "hour"
    after_trip: bool = True  # otherwise the switch opened while the circuit stood still


class Simulation:
    """A fleet in motion. `weather_rows` are (rows, hours) arrays; `row` gives each unit's row."""

    def __init__(
        self,
        units: list[Unit],
        options: Options,
        weather: list[Weather],
        row: np.ndarray,
        seeds: list[np.random.SeedSequence],
        tables: outcomes.Outcomes | None = None,
    ) -> None:
        self.units, self.options, self.row = units, options, row
        self.weather = weather
        self.outdoor = np.stack([w.temperature_c for w in weather])
        self.wind = np.stack([w.wind_m_s for w in weather])
        self.hours = self.outdoor.shape[1]
        self.circuits, self.owner, self.number = fleets.circuits_of(units)
        self.lanes_of = [np.flatnonzero(self.owner == u) for u in range(len(units))]
        self.first_lane = np.array([lanes[0] for lanes in self.lanes_of])
        self.condition = fleets.first_condition(units)
        self.space_c = np.array([u.space_c for u in units])
        self.offset_k, self.heater_k, self.sun_k = (
            fleets.lane_values(units, name) for name in ("standing_offset_k", "heater_k", "sun_k")
        )
        self.tables = tables or outcomes.tabulate(self.circuits, self.space_c[self.owner], self.offset_k)
        self.rngs = [np.random.default_rng(s) for s in seeds]
        self._clocks()
        self._loads()
        self._people()

    # --- set-up ------------------------------------------------------------------------------------------------

    def _clocks(self) -> None:
        """Local hour, weekday and sun for each weather row."""
        self.local_hour = np.empty((len(self.weather), self.hours), dtype=np.int64)
        self.weekday = np.empty_like(self.local_hour)
        cache: dict[str, tuple[np.ndarray, np.ndarray]] = {}
        for at, w in enumerate(self.weather):
            zone = w.station.time_zone
            if zone not in cache:
                shift = np.array(
                    [
                        (w.start + timedelta(days=int(d))).astimezone(ZoneInfo(zone)).utcoffset().total_seconds() / 3600  # type: ignore[union-attr]
                        for d in range(self.hours // 24 + 1)
                    ]
                )
                local = np.arange(self.hours) + np.repeat(shift, 24)[: self.hours].astype(int)
                cache[zone] = (local % 24, (local // 24 + w.start.weekday()) % 7)
            self.local_hour[at], self.weekday[at] = cache[zone]
        self.sun = np.clip(np.cos((self.local_hour - 13) * np.pi / 11), 0.0, None)

    def _loads(self) -> None:
        """Cooling load of every unit and hour as a share of its capacity, before any economizer."""
        hours = self.hours
        self.load = np.empty((len(self.units), hours), dtype=np.float32)
        self.noise = np.empty((len(self.units), hours), dtype=np.float32)
        self.in_use = np.empty((len(self.units), hours), dtype=bool)
        self.served = np.zeros((len(self.units), hours), dtype=bool)
        for u, (unit, rng) in enumerate(zip(self.units, self.rngs, strict=True)):
            row = self.row[u]
            self.load[u], self.in_use[u] = load_of(
                unit, unit.use, rng.normal(1.0, 0.12), self.outdoor[row], self.local_hour[row], self.weekday[row]
            )
            self.noise[u] = rng.standard_normal(hours, dtype=np.float32)
            self.load[u] = np.clip(self.load[u] * (1 + 0.08 * self.noise[u][::-1]), 0.0, 1.05)
            begin, end = service_hours(unit, self.options)
            self.served[u, begin : min(end, hours)] = True

    def load_for(self, u: int, use: str) -> tuple[np.ndarray, np.ndarray]:
        """Load and presence of a unit if it served this use, over the whole span."""
        row = self.row[u]
        return load_of(self.units[u], use, 1.0, self.outdoor[row], self.local_hour[row], self.weekday[row])

    def _people(self) -> None:
        """Ledgers, thresholds of notice, and states that persist between hours."""
        count, lanes = len(self.units), self.owner.size
        self.clock = np.zeros(count, dtype=np.int64)
        self.out = np.zeros(lanes, dtype=np.int64)
        self.out_since = np.zeros(lanes)
        self.curves = np.empty((lanes, outcomes.WIND_M_S.size, outcomes.OUTDOOR_C.size, 3))
        self.stale = np.ones(lanes, dtype=bool)
        self.lockout: list[Lockout | None] = [None] * lanes
        self.warm_h = np.zeros(count)
        self.patience_h = np.array(
            [rng.uniform(*PATIENCE_H.get(u.use, (2.0, 8.0))) for u, rng in zip(self.units, self.rngs, strict=True)]
        )
        self.watched = np.array([u.watched for u in self.units])
        self.call_open = np.zeros(count, dtype=bool)
        self.dead = np.zeros(count, dtype=bool)  # controls: nothing runs until somebody comes
        self.hold_c = np.array([np.nan if u.ambient_hold_c is None else u.ambient_hold_c for u in self.units])
        self.economizer = np.array([u.economizer and u.start["economizer"] == "works" for u in self.units])
        self.leak_per_h = np.zeros(lanes)
        self.soil_per_h = np.array([self.rngs[u].uniform(0.02, 0.16) / 8766 for u in self.owner])
        self.events: list[list[tuple[float, int, object]]] = [[] for _ in range(count)]
        self.next_event = np.full(count, np.inf)
        self.order = 0
        self.calls: list[list[Call]] = [[] for _ in range(count)]
        self.lockouts: list[list[Lockout]] = [[] for _ in range(count)]
        self.intervals: list[list[Interval]] = [[] for _ in range(count)]
        self.open_interval: dict[tuple[int, int, str], Interval] = {}
        self.was_wanted = np.zeros(lanes, dtype=bool)
        self.use_now = [u.use for u in self.units]
        self.winter_off = np.zeros(count, dtype=bool)
        self.two = np.array([len(lanes) == 2 for lanes in self.lanes_of])
        self.treat = True
        self.state: physics.State | None = None
        self.space_now_c = self.space_c.copy()

    # --- truth about conditions --------------------------------------------------------------------------------

    def mark(self, unit: int, circuit: int, kind: str, present: bool, hour: float, detail: str = "") -> None:
        """Opens or closes an interval of truth; nothing happens if it already stands so."""
        key = (unit, circuit, kind)
        now = self.open_interval.get(key)
        if now is not None and (not present or now.detail != detail):
            now.to_h = hour
            del self.open_interval[key]
            now = None
        if present and now is None:
            fresh = Interval(unit, circuit, kind, hour, detail=detail)
            self.open_interval[key] = fresh
            self.intervals[unit].append(fresh)

    def note_conditions(self, unit: int, hour: float) -> None:
        """Writes down what now is the matter with a unit and its circuits."""
        c, condition = self.circuits, self.condition
        self.stale[self.lanes_of[unit]] = True
        for lane in self.lanes_of[unit]:
            circuit = int(self.number[lane])
            mode = condition.head[lane]
            fitted = c.head[lane] != physics.ALL_ON
            self.mark(unit, circuit, "no head control", not fitted, hour)
            self.mark(
                unit, circuit, "head control fans always on", bool(fitted and mode == physics.FANS_ALWAYS_ON), hour
            )
            self.mark(
                unit, circuit, "head control fans stuck off", bool(fitted and mode == physics.FANS_STUCK_OFF), hour
            )
            for kind, name, limit in GRADUAL:
                self.mark(unit, circuit, kind, bool(getattr(condition, name)[lane] < limit), hour)
            self.mark(unit, circuit, "condenser fan out", bool(condition.fans_out[lane] > 0), hour)
            self.mark(unit, circuit, "lp switch jumpered", bool(condition.lp_jumpered[lane]), hour)
            self.mark(unit, circuit, "hp switch jumpered", bool(condition.hp_jumpered[lane]), hour)
        self.mark(unit, 0, "economizer idle", bool(self.units[unit].economizer and not self.economizer[unit]), hour)
        self.mark(unit, 0, "ambient setting holds off", bool(np.isfinite(self.hold_c[unit])), hour)
        self.mark(unit, 0, "controls", bool(self.dead[unit]), hour)

    def schedule(self, unit: int, hour: float, what: object) -> None:
        """Something that will happen to a unit: a callable of (simulation, unit, hour)."""
        self.order += 1
        heapq.heappush(self.events[unit], (hour, self.order, what))
        self.next_event[unit] = self.events[unit][0][0]

    # --- the hour ----------------------------------------------------------------------------------------------

    def advance(self, until: np.ndarray, fine: FineHour | None = None) -> None:
        """Runs every unit from its own clock to its own `until` (hours)."""
        while True:
            active = self.clock < until
            if not active.any():
                return
            self._happen(active)
            hour = np.minimum(self.clock, self.hours - 1)
            self._weekly(active, hour)
            demand = self._demand(hour)
            if fine is None:
                cooled = self._coarse_hour(active, hour, demand)
            else:
                cooled = fine.run(self, active, hour, demand)
            self._notice(active, hour, demand, cooled)
            self.clock[active] += 1

    def _happen(self, active: np.ndarray) -> None:
        for u in np.flatnonzero(active & (self.next_event <= self.clock)):
            queue = self.events[u]
            while queue and queue[0][0] <= self.clock[u]:
                _, _, what = heapq.heappop(queue)
                what(self, int(u), float(self.clock[u]))  # type: ignore[operator]
            self.next_event[u] = queue[0][0] if queue else np.inf

    def _weekly(self, active: np.ndarray, hour: np.ndarray) -> None:
        """Leaks run on and condensers soil."""
        due = active & (hour % WEEK_H == 0)
        if not due.any():
            return
        lanes = due[self.owner]
        condition = self.condition
        condition.charge = np.where(
            lanes, np.maximum(condition.charge - self.leak_per_h * WEEK_H, 0.3), condition.charge
        )
        condition.coil = np.where(lanes, np.maximum(condition.coil - self.soil_per_h * WEEK_H, 0.35), condition.coil)
        for u in np.flatnonzero(due):
            self.note_conditions(int(u), float(hour[u]))

    def _demand(self, hour: np.ndarray) -> np.ndarray:
        """Mechanical cooling asked of each unit, as a share of its capacity; (units,)."""
        units = np.arange(len(self.units))
        load = self.load[units, hour] * self.served[units, hour]
        outdoor = self.outdoor[self.row, hour]
        free = np.where(self.economizer, np.clip((outdoor - 12.0) / 4.0, 0.0, 1.0), 1.0)
        return load * free

    def _coarse_hour(self, active: np.ndarray, hour: np.ndarray, demand: np.ndarray) -> np.ndarray:
        """One hour from the tables; gives the cooling that each unit got, (units,)."""
        owner, c, condition = self.owner, self.circuits, self.condition
        outdoor = self.outdoor[self.row, hour][owner]
        wind = self.wind[self.row, hour][owner]
        noise = self.noise[np.arange(len(self.units)), hour][owner]
        standing_kpa = self._standing_kpa(hour, outdoor)
        held = outdoor < self.hold_c[owner]
        wanted = self._wanted(demand) & ~held & ~self.dead[owner]
        going = active[owner]
        idle = self.out == 0
        lp, hp, cooling = np.full(owner.size, np.inf), np.full(owner.size, np.inf), np.zeros(owner.size)
        asked = np.flatnonzero(going & wanted & idle)
        if self.stale.any():
            changed = np.flatnonzero(self.stale)
            self.curves[changed], self.stale[changed] = self.tables.folded(condition, changed), False
        lp[asked], hp[asked], cooling[asked] = outcomes.look_up(self.curves, asked, outdoor[asked], wind[asked])
        lp_trip = (lp + 7.0 * noise < 0.0) & ~condition.lp_jumpered
        fans_lost = condition.fans_out / c.fans
        hp = hp - 1500.0 * fans_lost * np.clip((outdoor - 12.0) / 20.0, 0.0, 1.0)
        hp_trip = ~lp_trip & (hp + 15.0 * noise < 0.0) & ~condition.hp_jumpered
        locks = lp_trip & (c.trips_to_latch > 0)
        opens = lp_trip & ~locks & (standing_kpa < c.lp_reset_kpa) & ~c.starts_open
        hp_locks = hp_trip & (c.trips_to_latch > 0)
        # Stood still for an hour or more in great cold: the switch opened by itself and the call finds it open.
        stood = np.isfinite(lp) & ~self.was_wanted & ~lp_trip & ~hp_trip
        stood &= (standing_kpa < c.lp_out_kpa) & ~c.starts_open & ~condition.lp_jumpered & ~c.lp_at_liquid
        self.was_wanted = np.where(going, wanted, self.was_wanted)
        for lane in np.flatnonzero(locks | opens | hp_locks | stood):
            kind = HP_LATCHED if hp_locks[lane] else LATCHED if locks[lane] else SWITCH_OPEN
            u = owner[lane]
            since = float(hour[u]) + float(self.rngs[u].random())
            self.lock(int(lane), kind, since, float(outdoor[lane]), float(wind[lane]), after_trip=not stood[lane])
        self._recover(going, hour, outdoor, standing_kpa, wanted)
        working = wanted & (self.out == 0)
        cooling = np.clip(cooling, 0.0, 1.1) * condition.compressor
        cooling = cooling * np.where(lp_trip | hp_trip, 0.4, 1.0)
        return np.bincount(owner, weights=cooling * working, minlength=len(self.units)) / np.where(self.two, 2.0, 1.0)

    def _standing_kpa(self, hour: np.ndarray, outdoor: np.ndarray) -> np.ndarray:
        standing = outdoor + self.lift_k(hour, outdoor)
        return self.circuits.sat.bubble_kpa(np.minimum(standing, np.maximum(self.space_c[self.owner], outdoor)))

    def lift_k(self, hour: np.ndarray, outdoor: np.ndarray) -> np.ndarray:
        """How far a standing circuit's cold place is above the outdoor air: heater, sun, indoor heat; (lanes,)."""
        sun = self.sun[self.row, hour][self.owner]
        return self.offset_k + self.heater_k * (outdoor < 5.0) + self.sun_k * sun

    def _wanted(self, demand: np.ndarray) -> np.ndarray:
        """Which circuits the thermostat calls: the second from half load on, or when the first is out."""
        load = demand[self.owner]
        first_out = (self.out[self.first_lane] > 0)[self.owner]
        return (load > COOLING_LEAST) & ((self.number == 1) | (load > 0.48) | first_out)

    def lock(
        self, lane: int, kind: int, since: float, outdoor_c: float, wind_m_s: float, after_trip: bool = True
    ) -> None:
        """A circuit goes out; writes down why."""
        self.out[lane], self.out_since[lane] = kind, since
        cause, contributing = self.cause_of(lane, kind, outdoor_c, wind_m_s) if after_trip else (COLD_CAUSE, "")
        name = {SWITCH_OPEN: "switch open", LATCHED: "latched", HP_LATCHED: "high pressure latched"}[kind]
        record = Lockout(lane, since, name, outdoor_c, cause, contributing, after_trip=after_trip)
        self.lockout[lane] = record
        self.lockouts[int(self.owner[lane])].append(record)

    def cause_of(self, lane: int, kind: int, outdoor_c: float, wind_m_s: float) -> tuple[str, str]:
        """The cause of a lockout by counterfactual: would a circuit without these faults have tripped as well?"""
        condition = self.condition
        severity = {name: (1.0 - getattr(condition, name)[lane]) for name in ("charge", "metering", "airflow")}
        worst = max(severity, key=lambda name: severity[name])
        label = {"charge": "low charge", "metering": "metering restricted", "airflow": "airflow or icing"}[worst]
        if kind == HP_LATCHED:
            if condition.fans_out[lane]:
                return "condenser fan out", ""
            return (
                "head control failed open" if condition.head[lane] == physics.FANS_STUCK_OFF else "condenser restricted"
            ), ""
        mild = physics.sound(1)
        mild.head[:] = condition.head[lane]
        curve = self.tables.take(np.array([lane])).folded(mild, np.array([0]))
        margin = outcomes.look_up(curve, np.array([0]), np.array([outdoor_c]), np.array([wind_m_s]))[0][0]
        if margin < 12.0:
            return COLD_CAUSE, label if severity[worst] > 0.15 else ""
        return label if severity[worst] > 0.08 else COLD_CAUSE, ""

    def _recover(
        self, going: np.ndarray, hour: np.ndarray, outdoor: np.ndarray, standing_kpa: np.ndarray, wanted: np.ndarray
    ) -> None:
        open_again = going & (self.out == SWITCH_OPEN) & (standing_kpa > self.circuits.lp_reset_kpa)
        let_go = going & ~wanted & ((self.out == SWITCH_OPEN) | ((self.out == LATCHED) & self.circuits.clears_on_call))
        for lane in np.flatnonzero(open_again | let_go):
            record = self.lockout[lane]
            why = "cooling call ended"
            if open_again[lane] and not let_go[lane]:
                warmer = record is not None and outdoor[lane] > record.outdoor_c + 0.3
                why = "outdoor warmed" if warmer else "pressure recovered otherwise"
            self.unlock(int(lane), float(hour[self.owner[lane]]) + 0.5, why)

    def unlock(self, lane: int, hour: float, why: str) -> None:
        """A circuit comes back."""
        record = self.lockout[lane]
        if record is not None:
            record.to_h, record.ended_by = max(hour, record.from_h + 0.02), why
        self.lockout[lane], self.out[lane] = None, 0

    # --- who notices -------------------------------------------------------------------------------------------

    def _notice(self, active: np.ndarray, hour: np.ndarray, demand: np.ndarray, cooled: np.ndarray) -> None:
        short = np.clip(demand - cooled - 0.06, 0.0, None) / np.maximum(demand, 0.05)
        short = np.where(demand > COOLING_LEAST, short, 0.0)
        self.warm_h = np.where(active, np.where(short > 0.05, self.warm_h + short, self.warm_h * 0.75), self.warm_h)
        units = np.arange(len(self.units))
        local = self.local_hour[self.row, hour]
        awake = self.watched | (self.in_use[units, hour] & (local >= 7) & (local <= 19))
        for u in np.flatnonzero(active & (self.warm_h > self.patience_h) & awake & ~self.call_open):
            self.on_notice(int(u), float(hour[u]), self.why_short(int(u), hour[u]))  # type: ignore[attr-defined]

    def why_short(self, unit: int, hour: int) -> tuple[str, int, str]:
        """What really keeps a unit from cooling: cause, circuit (0 whole unit), what contributes."""
        for lane in self.lanes_of[unit]:
            record = self.lockout[lane]
            if record is not None:
                return record.cause, int(self.number[lane]), record.contributing
        if self.dead[unit]:
            return "controls", 0, ""
        if self.outdoor[self.row[unit], hour] < self.hold_c[unit]:
            return "ambient setting holds off", 0, ""
        condition = self.condition
        lanes = self.lanes_of[unit]
        shares = {
            "compressor failing": condition.compressor[lanes].min(),
            "low charge": condition.charge[lanes].min() + 0.1,
            "metering restricted": condition.metering[lanes].min(),
            "airflow or icing": condition.airflow[lanes].min(),
            "condenser restricted": condition.coil[lanes].min() + 0.15,
            "condenser fan out": 0.5 if condition.fans_out[lanes].any() else 1.0,
            "head control failed open": 0.45 if (condition.head[lanes] == physics.FANS_STUCK_OFF).any() else 1.0,
        }
        cause = min(shares, key=lambda name: shares[name])
        if self.outdoor[self.row[unit], hour] < 8.0 and shares[cause] > 0.8:
            return SHORT_CYCLING, 1, ""
        return (cause if shares[cause] < 0.9 else "load over capacity"), 0, ""


GRADUAL = [
    ("low charge", "charge", 0.87),
    ("metering restricted", "metering", 0.8),
    ("condenser restricted", "coil", 0.62),
    ("airflow or icing", "airflow", 0.72),
    ("compressor failing", "compressor", 0.9),
]
PATIENCE_H = {
    "server room": (0.8, 2.5),
    "telecom hut": (1.5, 6.0),
    "imaging suite": (0.8, 2.5),
    "clinic": (1.5, 4.0),
    "kitchen": (1.5, 5.0),
    "laundry": (2.0, 6.0),
    "walk-in cooler": (2.5, 7.0),
    "walk-in freezer": (3.0, 9.0),
}


def load_of(
    unit: Unit, use: str, scale: float, outdoor_c: np.ndarray, local_hour: np.ndarray, weekday: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Hourly cooling load as a share of capacity, and whether anybody is there."""
    duty, (opens, closes), busy, quiet, slope, _ = USES[use]
    there = (local_hour >= opens) & (local_hour < closes)
    if use in ("office", "school"):
        there &= weekday < 5
    balance_c = 16.0 if duty == "comfort" else 15.0
    load = np.where(there, busy, quiet) * scale + slope * (outdoor_c - balance_c)
    if use == "school":
        load = np.where(there, load, load * 0.4)
    return np.clip(load, 0.0, 1.05).astype(np.float32), there


def service_hours(unit: Unit, options: Options) -> tuple[int, int]:
    """First and last hour in which the company looks after a unit that exists."""
    begin = max((unit.served_from - options.start).days * 24, 0)
    ends = [d for d in (unit.served_to, unit.retired_on) if d is not None]
    end = min([(d - options.start).days * 24 for d in ends], default=10**9)
    return begin, end


class FineHour:
    """Stands for the ten-second model of an hour (see `loggers`)."""

    def run(self, simulation: Simulation, active: np.ndarray, hour: np.ndarray, demand: np.ndarray) -> np.ndarray:
        """Cooling that each unit got in the hour."""
        raise NotImplementedError
