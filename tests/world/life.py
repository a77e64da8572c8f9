"""What happens to one unit: conditions come and go, it locks out, somebody notices, comes and does something.

Time is in hours from the world's start (UTC), with fractions. Between two events nothing changes, so that the next
lockout is the next hour whose draw falls under the chance of a trip; those hours are worked out once a condition.
"""

import datetime as dt
import heapq
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .circuit import Condition, standing_c, suction_curve, trip_chance
from .demand import cooling_demand, occupied
from .fleet import Unit
from .options import Habits
from .weather import Weather

UNIT_WIDE = {"economizer idle", "airflow or icing", "ambient setting holds off", "controls"}
SELF_RESET, SWITCH_OPEN, LATCHED = 0, 1, 2
NURSED_H = 12.0  # a quiet time longer than this is the work of a board over the coil
KIND = {SWITCH_OPEN: "switch open", LATCHED: "latched"}


@dataclass
class Lockout:
    """One circuit out; `cold` where it would have been out without any other fault."""

    circuit: int
    began: float
    kind: int
    cause: str
    cold: bool
    ended: float | None = None
    ended_by: str = ""


@dataclass
class Ticket:
    """One visit or call, before anybody has written a word about it."""

    unit: Unit
    opened: float
    work: str
    circuit: int | None
    cause: str
    cold_lockout: bool
    symptom: str
    visited: float = 0.0
    closed: float = 0.0
    technician: int = 0
    did: list[str] = field(default_factory=list)
    call_id: str = ""


@dataclass
class Stretch:
    """A condition from `began` to `ended` (None: still so)."""

    circuit: int | None
    name: str
    began: float
    ended: float | None = None


@dataclass(frozen=True)
class Trips:
    """Hours with a trip under one condition, what each came to, and whether cold alone would have done it."""

    hour: NDArray[np.int64]
    kind: NDArray[np.int8]
    cold: NDArray[np.bool_]
    despite_control: NDArray[np.bool_]
    locks: NDArray[np.int64]  # positions in `hour` of the lockouts


class Surroundings:
    """Weather, demand and luck of one unit over a span of hours; shared by every condition it may be in."""

    def __init__(self, unit: Unit, weather: Weather, start: dt.datetime, seed: list[int], later: bool = False) -> None:
        self.unit = unit
        self.changes_at = 0 if later else unit.use_changes_h
        self.start = start
        self.outdoor_c = weather.temperature_c
        self.wind = weather.wind_m_s
        self.hours = len(self.outdoor_c)
        self.seed = seed
        rng = np.random.default_rng([*seed, 1])
        self.luck = [rng.random((2, self.hours), dtype=np.float32) for _ in unit.circuits]
        self.open_now = occupied(unit, start, self.hours)
        self.open_hours = np.flatnonzero(self.open_now)
        self._demand: dict[bool, NDArray[np.float32]] = {}
        self._trips: dict[tuple[int, Condition], Trips] = {}
        self._weights: dict[str, NDArray[np.float64]] = {}
        self._warm: dict[int, NDArray[np.int64]] = {}

    def demand(self, economizer_idle: bool) -> NDArray[np.float32]:
        if economizer_idle not in self._demand:
            rng = np.random.default_rng([*self.seed, 2])
            demand = cooling_demand(self.unit, self.unit.use, self.start, self.outdoor_c, economizer_idle, rng)
            if self.unit.later_use:
                later = cooling_demand(self.unit, self.unit.later_use, self.start, self.outdoor_c, economizer_idle, rng)
                demand[self.changes_at :] = later[self.changes_at :]
            self._demand[economizer_idle] = demand
        return self._demand[economizer_idle]

    def served_demand(self, condition: Condition) -> NDArray[np.float32]:
        demand = self.demand(condition.economizer_idle)
        if condition.held_off_below_c is None:
            return demand
        return np.where(self.outdoor_c < condition.held_off_below_c, 0, demand).astype(np.float32)

    def trips(self, at: int, condition: Condition) -> Trips:
        key = (at, condition)
        if key not in self._trips:
            self._trips[key] = self._work_out(at, condition)
        return self._trips[key]

    def _work_out(self, at: int, condition: Condition) -> Trips:
        circuit = self.unit.circuits[at]
        demand = self.served_demand(condition)
        faulty = condition != condition.without_faults
        starved = condition.charge + condition.metering + condition.airflow > 0
        wanted = np.flatnonzero((demand > 0) & (self.outdoor_c < (45.0 if starved else 17.0)))
        air, wind, load = self.outdoor_c[wanted], self.wind[wanted], demand[wanted]
        curve = suction_curve(circuit, condition)
        chance = trip_chance(circuit, condition, curve, air, wind, load)
        draw, second = self.luck[at][0][wanted], self.luck[at][1][wanted]
        hit = draw < chance
        wanted, air, wind, load, chance = wanted[hit], air[hit], wind[hit], load[hit], chance[hit]
        draw, second = draw[hit], second[hit]
        below = standing_c(circuit, air) < circuit.reset_c
        kind = np.where(below & (second < 0.93), SWITCH_OPEN, SELF_RESET)
        if circuit.latch_after == 1:
            kind = np.full(len(kind), LATCHED)
        elif circuit.latch_after:
            kind = np.where((kind == SELF_RESET) & (second < chance ** (circuit.latch_after - 1)), LATCHED, kind)
        plain = condition.without_faults
        cold = np.ones(len(draw), bool)
        if faulty:
            cold = draw < trip_chance(circuit, plain, suction_curve(circuit, plain), air, wind, load)
        sound = plain.with_sound_head
        despite = draw < trip_chance(circuit, sound, suction_curve(circuit, sound), air, wind, load)
        return Trips(wanted, kind.astype(np.int8), cold & (air < 17.0), despite, np.flatnonzero(kind > 0))

    def warm_enough(self, at: int, after: float) -> float:
        """First hour after `after` at which the standing pressure has reached reset; inf if never."""
        if at not in self._warm:
            circuit = self.unit.circuits[at]
            self._warm[at] = np.flatnonzero(standing_c(circuit, self.outdoor_c) >= circuit.reset_c)
        warm = self._warm[at]
        i = int(np.searchsorted(warm, int(after) + 1))
        return float(warm[i]) if i < len(warm) else np.inf

    def weight(self, name: str) -> NDArray[np.float64]:
        """Running sum of the hours in which a kind of trouble shows."""
        if name not in self._weights:
            t = self.outdoor_c
            demand = self.demand(self.unit.economizer and name == "unserved")
            if name == "hot":
                hours = demand * np.clip((t - 20) / 10, 0, 2)
            elif name == "warm":
                hours = demand * np.clip((t - 8) / 12, 0, 1.5)
            elif name == "unserved":
                hours = demand * (t < self.unit.ambient_setting_c)
            elif name == "heating":
                hours = np.clip((12 - t) / 15, 0, 2)
            else:
                hours = demand.astype(float) if name == "demand" else np.full(len(t), 1 / 8766)
            self._weights[name] = np.cumsum(hours.astype(float))
        return self._weights[name]

    def next_of(self, name: str, rate: float, after: float, rng: np.random.Generator) -> float:
        """Next time of an event whose rate follows a weight; inf past the end."""
        total = self.weight(name)
        i = int(min(after, self.hours - 1))
        j = int(np.searchsorted(total, total[i] + rng.exponential(1 / rate)))
        return j + float(rng.random()) if j < self.hours else np.inf


# condition: weight, calls for each unit of weight at severity 1, what the customer says
SHOWS: dict[str, tuple[str, float, str]] = {
    "low charge": ("warm", 0.005, "not keeping up"),
    "metering restricted": ("warm", 0.005, "not keeping up"),
    "condenser restricted": ("hot", 0.005, "trips in heat"),
    "condenser fan out": ("warm", 0.005, "trips in heat"),
    "airflow or icing": ("warm", 0.0045, "iced"),
    "compressor failing": ("demand", 0.004, "no cooling"),
    "controls": ("demand", 0.005, "erratic"),
    "economizer idle": ("warm", 0.0003, "stuffy"),
    "ambient setting holds off": ("unserved", 0.004, "no cooling"),
}
# condition: beginnings a circuit-year (unit-year for unit-wide ones)
BEGINS = {
    "low charge": 0.075,
    "metering restricted": 0.022,
    "condenser fan out": 0.05,
    "airflow or icing": 0.13,
    "compressor failing": 0.02,
    "controls": 0.07,
    "economizer idle": 0.1,
    "head control out": 0.05,
}


class Life:
    """One unit over the span of its surroundings. With `evolve` off nothing changes but that visits reset it."""

    def __init__(self, around: Surroundings, habits: Habits, conditions: list[Condition], *, evolve: bool) -> None:
        self.around = around
        self.unit = around.unit
        self.habits = habits
        self.now = list(conditions)
        self.evolve = evolve
        self.rng = np.random.default_rng([*around.seed, 3 if evolve else 4])
        self.queue: list[tuple[float, int, str, Any]] = []
        self.counter = 0
        self.out: dict[int, Lockout] = {}
        self.quiet_until = [0.0] * len(conditions)
        self.lockouts: list[Lockout] = []
        self.tickets: list[Ticket] = []
        self.stretches: list[Stretch] = []
        self.changes: list[tuple[float, tuple[Condition, ...]]] = [(0.0, tuple(conditions))]
        self.resets: list[tuple[float, int]] = []
        self.quiets: list[tuple[float, float, int]] = []
        self.version: dict[tuple[int | None, str], int] = {}
        self.open_ticket: Ticket | None = None
        self.cold_visits: list[float] = []
        self.leaks: set[int] = set()
        self.never_buys = self.rng.random() < 0.5  # this customer signs no quote

    # --- running -------------------------------------------------------------------------------------------------

    def run(self) -> "Life":
        if self.evolve:
            self._first_events()
        end = float(self.around.hours)
        clock = 0.0
        while True:
            limit = min(self.queue[0][0], end) if self.queue else end
            found = self._next_lockout(clock, limit)
            if found:
                clock = self._lock_out(*found, limit)
                continue
            if limit >= end:
                break
            clock, _, kind, data = heapq.heappop(self.queue)
            getattr(self, f"_on_{kind}")(clock, data)
        return self

    def _push(self, at: float, kind: str, data: Any = None) -> None:
        if at < self.around.hours:
            self.counter += 1
            heapq.heappush(self.queue, (at, self.counter, kind, data))

    def _next_lockout(self, clock: float, limit: float) -> tuple[int, Trips, int] | None:
        best: tuple[int, Trips, int] | None = None
        for at, condition in enumerate(self.now):
            if at in self.out:
                continue
            trips = self.around.trips(at, condition)
            after = int(np.ceil(max(clock, self.quiet_until[at])))
            i = int(np.searchsorted(trips.hour[trips.locks], after))
            if i < len(trips.locks):
                position = int(trips.locks[i])
                hour = int(trips.hour[position])
                if hour < limit and (best is None or hour < best[1].hour[best[2]]):
                    best = (at, trips, position)
        return best

    def _lock_out(self, at: int, trips: Trips, position: int, limit: float) -> float:
        hour = int(trips.hour[position])
        condition = self.now[at]
        began = hour + float(self.around.luck[at][1][hour] * 0.9) * min(1.0, limit - hour)  # before the next event
        cold = bool(trips.cold[position])
        lockout = Lockout(
            at, began, int(trips.kind[position]), blame(condition, cold, bool(trips.despite_control[position])), cold
        )
        self.lockouts.append(lockout)
        self.out[at] = lockout
        release = self.around.warm_enough(at, began) if lockout.kind == SWITCH_OPEN else np.inf
        if lockout.kind == LATCHED and self.unit.circuits[at].clears_with_call:
            idle = np.flatnonzero(self.around.served_demand(condition)[hour + 1 : hour + 400] == 0)
            release = hour + 1 + float(idle[0]) if len(idle) else np.inf
        self._push(
            release, "release", (lockout, "outdoor warmed" if lockout.kind == SWITCH_OPEN else "cooling call ended")
        )
        weary = sum(began - at < 1500 for at in self.cold_visits)  # people get used to it and help themselves
        if self.rng.random() < min(0.85, self.habits.resets_by_staff * (0.4 + 0.3 * weary)):
            self._push(began + self.rng.uniform(0.5, 30), "staff_reset", lockout)
        self._notice(lockout, patient=self.rng.random() > 1 / (1 + 0.6 * weary))
        return began

    def _notice(self, lockout: Lockout, *, patient: bool) -> None:
        unit, rng = self.unit, self.rng
        share = unit.redundant if len(self.out) == len(self.now) else 0.4 + 0.5 * unit.redundant
        delay = rng.uniform(0.7, 7) / (0.3 + unit.watched)
        if rng.random() < share:
            if rng.random() < 0.2:
                return
            delay = rng.uniform(30, 300)
        elif patient:
            delay += rng.uniform(24, 200)
        at = lockout.began + delay
        if unit.watched < 0.55 and at < self.around.hours and not self.around.open_now[int(at)]:
            i = int(np.searchsorted(self.around.open_hours, at))
            at = (self.around.open_hours[i] + rng.uniform(0, 2)) if i < len(self.around.open_hours) else np.inf
        self._push(at, "noticed", lockout)

    # --- what comes out of the queue -----------------------------------------------------------------------------

    def _on_release(self, clock: float, data: tuple[Lockout, str]) -> None:
        lockout, by = data
        if self.out.get(lockout.circuit) is lockout:
            self._end(lockout, clock, by)
            if by == "cooling call ended":
                self.quiet_until[lockout.circuit] = clock + 1

    def _on_staff_reset(self, clock: float, lockout: Lockout) -> None:
        if self.out.get(lockout.circuit) is lockout and self._would_start(lockout, clock):
            self._end(lockout, clock, "power cycled or reset")
            self.resets.append((clock, lockout.circuit))
            self.quiet_until[lockout.circuit] = clock + 1

    def _would_start(self, lockout: Lockout, clock: float) -> bool:
        """Cycling the power helps a latched board; an open switch stays open unless something warms the coil."""
        return lockout.kind == LATCHED or self.rng.random() < 0.15

    def _end(self, lockout: Lockout, clock: float, by: str) -> None:
        lockout.ended, lockout.ended_by = clock, by
        self.out.pop(lockout.circuit, None)
        self.quiet_until[lockout.circuit] = max(self.quiet_until[lockout.circuit], clock)

    def _on_noticed(self, clock: float, lockout: Lockout) -> None:
        still = self.out.get(lockout.circuit) is lockout
        if self.open_ticket is not None or (not still and self.rng.random() > 0.2):
            return
        self._open(
            Ticket(
                self.unit,
                clock,
                "service",
                lockout.circuit,
                lockout.cause,
                lockout.cold,
                "lockout" if still else "was out",
            )
        )

    def _open(self, ticket: Ticket) -> None:
        self.open_ticket = ticket
        rng = self.rng
        urgent = self.unit.watched > 0.6
        wait = rng.gamma(1.6, 2.2) if urgent else rng.gamma(1.8, 7.0)
        visited = ticket.opened + 0.4 + float(wait)
        local = (visited + self.unit.site.utc_offset_h) % 24
        if not urgent and (local < 7 or local > 18):
            visited += (7.5 - local) % 24 + rng.uniform(0, 5)
        ticket.visited = visited
        ticket.technician = int(rng.integers(len(self.habits.technicians)))
        if self.tickets and rng.random() < 0.45:
            ticket.technician = self.tickets[-1].technician
        self._push(visited, "visit", ticket)
        if visited >= self.around.hours:
            ticket.visited = ticket.closed = self.around.hours - 0.5
            self.tickets.append(ticket)

    def _on_visit(self, clock: float, ticket: Ticket) -> None:
        from .visits import attend

        self.open_ticket = None
        ticket.closed = clock + float(self.rng.gamma(2.5, 0.6)) + 0.3
        self.tickets.append(ticket)
        attend(self, clock, ticket)

    def _on_planned(self, clock: float, _: None) -> None:
        from .visits import maintain

        ticket = Ticket(
            self.unit, clock - self.rng.uniform(24, 200), "planned", None, "planned", False, "planned", visited=clock
        )
        ticket.closed = clock + self.rng.uniform(0.8, 3)
        ticket.technician = int(self.rng.integers(len(self.habits.technicians)))
        self.tickets.append(ticket)
        maintain(self, clock, ticket)

    def _on_return(self, clock: float, data: tuple[Ticket, str, int | None]) -> None:
        from .visits import come_back

        first, work, circuit = data
        ticket = Ticket(
            self.unit,
            first.closed + 0.2,
            "return",
            circuit,
            first.cause,
            False,
            "return",
            visited=clock,
            technician=first.technician,
        )
        ticket.closed = clock + self.rng.uniform(0.8, 4)
        self.tickets.append(ticket)
        come_back(self, clock, ticket, work)

    def _on_begin(self, clock: float, data: tuple[int | None, str]) -> None:
        circuit, name = data
        self.begin(clock, circuit, name)
        self._push(clock + self.rng.exponential(8766 / self._rate(name)), "begin", data)

    def _on_leak(self, clock: float, circuit: int) -> None:
        if circuit not in self.leaks:
            return
        level = min(0.8, round(self.now[circuit].charge + 0.2, 2))
        self.change(clock, circuit, charge=level)
        if level == 0.2:
            self.note_begin(clock, circuit, "low charge")
        if level < 0.8:
            self._push(clock + self.rng.exponential(1500 / self.unit.leak_prone) + 100, "leak", circuit)

    def _on_dirt(self, clock: float, circuit: int) -> None:
        level = min(1.0, round(self.now[circuit].dirt + 0.25, 2))
        self.change(clock, circuit, dirt=level)
        if level == 0.5:
            self.note_begin(clock, circuit, "condenser restricted")
        self._push(clock + self.rng.uniform(0.5, 1.5) * 6000 / self.unit.dust, "dirt", circuit)

    def _on_shows(self, clock: float, data: tuple[int | None, str, int]) -> None:
        circuit, name, version = data
        if self.version.get((circuit, name)) != version or not self.is_so(circuit, name):
            return
        if self.open_ticket is None and self.rng.random() < 1 - 0.6 * self.unit.redundant:
            self._open(Ticket(self.unit, clock, "service", circuit, name, False, SHOWS[name][2]))
        self._plan_show(clock + 3, circuit, name)

    def _on_nuisance(self, clock: float, kind: str) -> None:
        if self.open_ticket is None:
            self._open(Ticket(self.unit, clock, "service", None, kind, False, kind))
        rate, weight = self._nuisance_rate(kind)
        self._push(self.around.next_of(weight, rate, clock + 3, self.rng), "nuisance", kind)

    def _on_cycling(self, clock: float, _: None) -> None:
        """Many trips that clear themselves: now and then somebody hears them."""
        for at, condition in enumerate(self.now):
            trips = self.around.trips(at, condition)
            i, j = np.searchsorted(trips.hour, [clock - 168, clock])
            heard = np.flatnonzero(trips.kind[i:j] == SELF_RESET)
            if len(heard) > 3 and self.open_ticket is None and self.rng.random() < min(0.35, 0.006 * len(heard)):
                k = int(i + heard[-1])
                cause = blame(condition, bool(trips.cold[k]), bool(trips.despite_control[k]))
                self._open(
                    Ticket(self.unit, clock + self.rng.uniform(0, 9), "service", at, cause, False, "short cycling")
                )
        self._push(clock + 168, "cycling")

    # --- conditions ----------------------------------------------------------------------------------------------

    def change(self, clock: float, circuit: int | None, **fields: Any) -> None:
        for at in range(len(self.now)) if circuit is None else [circuit]:
            self.now[at] = replace(self.now[at], **fields)
        self.changes.append((clock, tuple(self.now)))

    def note_begin(self, clock: float, circuit: int | None, name: str) -> None:
        self.stretches.append(Stretch(circuit, name, clock))
        key = (circuit, name)
        self.version[key] = self.version.get(key, 0) + 1
        if name in SHOWS:
            self._plan_show(clock, circuit, name)

    def note_end(self, clock: float, circuit: int | None, name: str) -> None:
        for stretch in self.stretches:
            if stretch.ended is None and stretch.name == name and stretch.circuit == circuit:
                stretch.ended = clock
        key = (circuit, name)
        self.version[key] = self.version.get(key, 0) + 1

    def is_so(self, circuit: int | None, name: str) -> bool:
        return any(s.ended is None and s.name == name and s.circuit == circuit for s in self.stretches)

    def _plan_show(self, clock: float, circuit: int | None, name: str) -> None:
        weight, rate, _ = SHOWS[name]
        at = self.around.next_of(weight, rate, clock, self.rng)
        self._push(at, "shows", (circuit, name, self.version[(circuit, name)]))

    def begin(self, clock: float, circuit: int | None, name: str) -> None:
        """A condition begins, if it can and is not there yet."""
        if self.is_so(circuit, name):
            return
        rng = self.rng
        if name == "low charge":
            if circuit not in self.leaks:
                assert circuit is not None
                self.leaks.add(circuit)
                self._push(clock + rng.exponential(900), "leak", circuit)
            return
        if name == "head control out":
            assert circuit is not None
            if self.now[circuit].control_fitted in {"none", "floating"}:
                return
            fields: dict[str, Any] = {"control_out": True}
        elif name == "economizer idle":
            if not self.unit.economizer:
                return
            fields = {"economizer_idle": True}
        else:
            faults: dict[str, dict[str, Any]] = {
                "metering restricted": {"metering": float(rng.choice([0.3, 0.45, 0.6]))},
                "condenser fan out": {"fan_out": True},
                "airflow or icing": {"airflow": float(rng.choice([0.25, 0.4, 0.55]))},
                "compressor failing": {"compressor": float(rng.choice([0.3, 0.6]))},
                "controls": {"controls": True},
                "lp switch jumpered": {"jumper": True},
                "ambient setting holds off": {"held_off_below_c": self.unit.ambient_setting_c},
            }
            fields = faults[name]
        self.change(clock, circuit, **fields)
        self.note_begin(clock, circuit, name)

    def end(self, clock: float, circuit: int | None, name: str) -> None:
        """A condition ends, by somebody's hand."""
        if name == "low charge" and circuit is not None:
            self.leaks.discard(circuit)
        sound: dict[str, dict[str, Any]] = {
            "low charge": {"charge": 0.0},
            "head control out": {"control_out": False},
            "metering restricted": {"metering": 0.0},
            "condenser restricted": {"dirt": 0.0},
            "condenser fan out": {"fan_out": False},
            "airflow or icing": {"airflow": 0.0},
            "compressor failing": {"compressor": 0.0},
            "controls": {"controls": False},
            "economizer idle": {"economizer_idle": False},
            "lp switch jumpered": {"jumper": False},
            "ambient setting holds off": {"held_off_below_c": None},
        }
        self.change(clock, circuit, **sound[name])
        self.note_end(clock, circuit, name)

    def fit_control(self, clock: float, circuit: int | None) -> None:
        """A good head-pressure control is fitted to every circuit of the cabinet that has none or a weak one."""
        kind = "fan speed" if self.rng.random() < 0.6 else "fan cycling"
        for at, condition in enumerate(self.now):
            if condition.control_fitted in {"none", "fan staging by ambient"}:
                if condition.control_out:
                    self.note_end(clock, at, "head control out")
                self.change(clock, at, control_fitted=kind, baffled=True, control_out=False)
                self.note_end(clock, at, "no head control")

    def active(self, circuit: int | None) -> list[str]:
        """Names of what is wrong now on a circuit or on the whole unit."""
        return [s.name for s in self.stretches if s.ended is None and s.circuit in {circuit, None}]

    def reset(self, clock: float, circuits: list[int]) -> bool:
        """Gets circuits going again; true where a board over the coil or the like helps them through the spell."""
        weary = sum(clock - visit < 1500 for visit in self.cold_visits)
        nursed = bool(circuits) and self.rng.random() < 0.65
        for at in circuits:
            lockout = self.out.get(at)
            if lockout is not None:
                self._end(lockout, clock, "power cycled or reset")
                self.resets.append((clock, at))
            hold = float(self.rng.uniform(24, 140)) if nursed else float(self.rng.choice([1, 2, 5]))
            if weary >= 3 and self.rng.random() < 0.45:  # enough: the board stays on for weeks
                hold = float(self.rng.uniform(250, 1500))
            self.quiet_until[at] = max(self.quiet_until[at], clock + hold)
            self.quiets.append((clock, self.quiet_until[at], at))
        return nursed

    # --- the beginning -------------------------------------------------------------------------------------------

    def _rate(self, name: str) -> float:
        rate = BEGINS[name] * self.habits.fault_level
        if name == "low charge":
            rate *= self.unit.leak_prone
        if name == "compressor failing" and any(c.jumper for c in self.now):
            rate *= 8
        return rate

    def _nuisance_rate(self, kind: str) -> tuple[float, str]:
        if kind == "heating":
            return self.habits.heating_per_year / 2500.0, "heating"
        return self.habits.nuisance_per_year, "always"

    def _first_events(self) -> None:
        rng, habits = self.rng, self.habits
        for name in BEGINS:
            places: list[int | None] = [None] if name in UNIT_WIDE else list(range(len(self.now)))
            for place in places:
                self._push(rng.exponential(8766 / self._rate(name)), "begin", (place, name))
        for at, condition in enumerate(self.now):
            if condition.control_fitted == "none":
                self.note_begin(0.0, at, "no head control")
            self._push(rng.uniform(0, 5000) / self.unit.dust, "dirt", at)
        bad = rng.random() < habits.controls_bad_at_start
        for at in range(len(self.now)):
            if bad and rng.random() < 0.75:
                self.begin(0.0, at, "head control out")
            if rng.random() < 0.015:
                self.begin(0.0, at, "lp switch jumpered")
        if rng.random() < (0.05 if self.unit.duty == "year-round" else 0.12):
            self.begin(0.0, None, "ambient setting holds off")
        if rng.random() < 0.25:
            self.begin(0.0, None, "economizer idle")
        gap = 8766 / habits.planned_per_year
        at_hour = rng.uniform(0, gap)
        while at_hour < self.around.hours:
            local = (at_hour + self.unit.site.utc_offset_h) % 24
            self._push(at_hour + (8 - local) % 24 + rng.uniform(0, 8), "planned")
            at_hour += gap * rng.uniform(0.8, 1.2)
        for kind in ("other", "heating"):
            if kind == "other" or self.unit.duty == "comfort":
                rate, weight = self._nuisance_rate(kind)
                self._push(self.around.next_of(weight, rate, 0.0, rng), "nuisance", kind)
        self._push(rng.uniform(0, 168), "cycling")


def blame(condition: Condition, cold: bool, despite_control: bool) -> str:
    """The condition that a lockout is put down to."""
    if cold:
        if condition.control_fitted == "none":
            return "no head control"
        return "head control out" if condition.control_out and not despite_control else "beyond control"
    worst = {
        "low charge": condition.charge,
        "metering restricted": condition.metering,
        "airflow or icing": 0.7 * condition.airflow,
    }
    return max(worst, key=lambda key: worst[key])
