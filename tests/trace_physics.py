"""Refrigerant circuits in the cold as first-order lags between quasi-steady states, many circuits at once.

This is the test's own physics: it shares nothing with the demo's generator. Each lane of the arrays is one circuit,
a step is five seconds. Running, the condenser is one heat capacity between the compressor's heat and the outdoor air;
suction goes toward what the load would give, or what the metering device can feed if that is less. Stopped, both
sides go toward the bubble pressure of the coldest place; what liquid was left indoors holds the low side up for a
while. Pressures absolute kPa, temperatures °C, times seconds from the start of the log.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cache
from types import SimpleNamespace

import numpy as np

from lowambient.refrigerant.saturation import bubble_kpa, dew_kpa

STEP_S = 5
BLOCK_S = 300
STEPS = BLOCK_S // STEP_S
GRID_C = np.arange(-60.0, 70.5, 0.5)
FILLING_S = 30.0
LOW_EVERY = 4  # steps between two looks at where a stopped low side goes: it moves in minutes
TRIP_MEMORY_S = 3600.0

NAMES = [
    "running",
    "wanted",
    "lp_open",
    "hp_open",
    "latched",
    "fans_high",
    "lp_tripped",
    "hp_tripped",
    "held_in",
    "heating",
    "defrosting",
    "waiting",
    "allowed",
]
RUN, WANT, LP, HP, LATCHED, FANS, LP_TRIP, HP_TRIP, HELD_IN, HEAT, DEFROST, WAIT, ALLOWED = range(len(NAMES))
MEASURED = ("suction_kpa", "head_kpa", "head_c", "outdoor_c", "fan_share", "feed", "heat")

WORKING, ALL_ON, STUCK_OFF = 0, 1, 2


@dataclass(frozen=True)
class Plan:
    """One circuit as it is built, and how its head pressure, switches and thermostat behave."""

    days: float = 10.0
    logging_s: int = 60
    refrigerant: str = "R-410A"
    barometric_kpa: float = 101.325
    # Heat exchangers and metering device.
    air_c: float = 24.0  # onto the evaporator
    cond_td_k: float = 14.0  # condensing minus outdoor at full load, all fans
    evap_td_k: float = 17.0
    head_lag_s: float = 70.0
    fan_lag_s: float = 4.0
    pull_down_s: float = 25.0
    rise_s: float = 60.0  # low side after a stop
    high_lag_s: float = 150.0
    settle_s: float = 1500.0  # liquid left indoors moves out
    hold_up: float = 0.7  # how far that liquid holds the low side at indoor temperature
    orifice: bool = False  # fixed orifice: both sides equalise
    feed: float = 1.5  # metering device at rated pressure difference, of the rated flow
    starve_c: float = -25.0  # condensing temperature at which the liquid line feeds nothing
    starve_span_k: float = 16.0
    start_dip: float = 0.5  # share of feed that is missing at the instant of a start
    start_dip_s: float = 60.0
    boil_off_s: float = 100.0  # liquid indoors carries a start for so long
    hunting: float = 0.0
    hunting_s: float = 150.0
    still: float = 0.07  # conductance with no fan
    wind_share: float = 0.01  # and a metre a second of wind
    charge: float = 1.0
    coil: float = 1.0
    lift_k: float = 2.0  # crankcase heat
    # Head pressure.
    control: str = "none"
    fans: int = 2
    always_fans: int = 0  # of a fan-cycling control, not switched
    fan_on_kpa: float = 2970.0
    fan_off_kpa: float = 1757.0
    hold_low_c: float = 32.0
    hold_high_c: float = 38.0
    least_speed: float = 0.05
    stage_c: float = 10.0
    # Switches and board.
    lp_cut_out_kpa: float = 473.6
    lp_reset_kpa: float = 908.0
    lp_at_liquid: bool = False
    lp_delay_s: float = 60.0
    starts_open: bool = False
    anti_recycle_s: float = 180.0
    trips_to_latch: int = 0
    clears_on_call: bool = True
    hp_cut_out_kpa: float = 4500.0
    hp_reset_kpa: float = 3300.0
    repeat_psi: float = 0.5
    # Thermostat and what else starts and stops it.
    run_s: float = 1200.0
    duty_share: float = 0.6
    pump_down: bool = False
    holds_off_below_c: float = -90.0
    visit_after_s: float = 40000.0
    visit_holds_in_s: float = 400.0


@dataclass(frozen=True)
class Around:
    """What happens to one circuit from outside, at each block of five minutes; arrays (blocks + 1,)."""

    outdoor_c: np.ndarray
    wind_m_s: np.ndarray
    air_c: np.ndarray
    load: np.ndarray  # of full load
    sun_k: np.ndarray  # warms the stopped circuit
    wet: np.ndarray  # conductance in rain and gusts, of the dry one
    sister_share: np.ndarray  # fans that another circuit runs
    scheduled: np.ndarray  # cooling may be called
    heating: np.ndarray
    defrosting: np.ndarray
    head_state: np.ndarray  # WORKING, ALL_ON, STUCK_OFF
    fans_out: np.ndarray
    jumpered: np.ndarray
    attended: np.ndarray  # somebody may come: working hours


@dataclass(frozen=True)
class History:
    """One circuit as it was: samples at its logging interval without any error, and every change of its flags."""

    at_s: np.ndarray  # (samples,)
    measured: dict[str, np.ndarray]  # MEASURED and NAMES, (samples,)
    edge_s: np.ndarray  # (edges,)
    edges: np.ndarray  # (edges, len(NAMES)) bool: the flags from that instant on
    visits_s: np.ndarray


@cache
def grid(refrigerant: str, dew: bool) -> np.ndarray:
    """Logarithm of saturation pressure at GRID_C; flat beyond the ends of the refrigerant's table."""
    kpa = (dew_kpa if dew else bubble_kpa)(refrigerant, GRID_C)
    known = np.isfinite(kpa)
    return np.interp(GRID_C, GRID_C[known], np.log(kpa[known]))


def temperature_c(refrigerant: str, kpa: np.ndarray | float, dew: bool = False) -> np.ndarray:
    """Saturation temperature of one refrigerant by the same straight lines."""
    return np.interp(np.log(kpa), grid(refrigerant, dew), GRID_C)


class Curves:
    """Saturation pressure, one refrigerant a lane."""

    def __init__(self, names: list[str], dew: bool) -> None:
        self.table = np.concatenate([grid(name, dew) for name in names])
        self.base = np.arange(len(names)) * GRID_C.size

    def trim(self, lanes: int) -> None:
        self.base = self.base[:lanes]

    def kpa(self, celsius: np.ndarray) -> np.ndarray:
        position = (np.minimum(np.maximum(celsius, GRID_C[0]), GRID_C[-1] - 0.01) - GRID_C[0]) * 2.0
        knot = position.astype(np.intp)
        at = self.base + knot
        low = self.table.take(at)
        return np.exp(low + (self.table.take(at + 1) - low) * (position - knot))


def _constants(plans: list[Plan]) -> SimpleNamespace:
    """The plans as arrays, with what follows from them for a step."""
    c = SimpleNamespace()
    for field in fields(Plan):
        setattr(c, field.name, np.array([getattr(plan, field.name) for plan in plans]))
    names = [plan.refrigerant for plan in plans]
    rated_low = [np.exp(np.interp(p.air_c - p.evap_td_k, GRID_C, grid(p.refrigerant, True))) for p in plans]
    rated_high = [np.exp(np.interp(35.0 + p.cond_td_k, GRID_C, grid(p.refrigerant, False))) for p in plans]
    c.rated_low = np.array(rated_low)
    c.rated_split = np.array(rated_high) - c.rated_low
    for name in ("fan_on", "fan_off", "hp_cut_out", "hp_reset"):
        kpa = getattr(c, f"{name}_kpa")
        setattr(c, f"{name}_c", np.array([temperature_c(r, p) for r, p in zip(names, kpa, strict=True)]))
    slope = [
        (temperature_c(r, p * 1.01) - temperature_c(r, p)) / (0.01 * p)
        for r, p in zip(names, c.fan_on_kpa, strict=True)
    ]
    c.repeat_k = c.repeat_psi * 6.894757 * np.array(slope)
    c.repeat_kpa = c.repeat_psi * 6.894757
    c.cycles = c.control == "fan cycling"
    c.modulates = np.isin(c.control, ("fan speed", "dampers", "floating"))
    c.staged = c.control == "fan staging by ambient"
    c.floods = c.control == "flooded"
    c.k_head = STEP_S / c.head_lag_s
    c.k_fan = 1.0 - np.exp(-STEP_S / c.fan_lag_s)
    c.k_pull = 1.0 - np.exp(-STEP_S / c.pull_down_s)
    c.k_rise = 1.0 - np.exp(-STEP_S / c.rise_s)
    c.k_high = 1.0 - np.exp(-STEP_S / c.high_lag_s)
    c.k_settle = STEP_S / c.settle_s
    c.k_dip = STEP_S / c.start_dip_s
    c.k_boil = STEP_S / c.boil_off_s
    c.always = np.where(c.cycles, c.always_fans / c.fans, 0.0)
    c.starve = c.starve_c + 14.0 * (1.0 - c.charge)
    c.power = c.feed * c.charge**0.5
    return c


class Bench:
    """Runs circuits together; each has its own chance, so that a lane does not depend on its neighbours."""

    def __init__(self, plans: list[Plan], around: list[Around], seeds: list[list[int]]) -> None:
        self.order = sorted(range(len(plans)), key=lambda i: -plans[i].days)
        plans = [plans[i] for i in self.order]
        around = [around[i] for i in self.order]
        self.plans = plans
        self.rngs = [np.random.default_rng([*seeds[i], 77]) for i in self.order]
        self.c = _constants(plans)
        self.bubble = Curves([p.refrigerant for p in plans], dew=False)
        self.dew = Curves([p.refrigerant for p in plans], dew=True)
        self.blocks = np.array([round(p.days * 86400 / BLOCK_S) for p in plans])
        self.inputs = {}
        for field in fields(Around):
            rows = np.zeros((self.blocks[0] + 1, len(plans)), dtype=np.float32)
            for lane, one in enumerate(around):
                rows[: self.blocks[lane] + 1, lane] = getattr(one, field.name)[: self.blocks[lane] + 1]
            self.inputs[field.name] = rows
        self.edges: list[tuple[int, np.ndarray, np.ndarray]] = []
        self.visits: list[tuple[int, np.ndarray]] = []
        self.flags = np.zeros((len(NAMES), len(plans)), dtype=bool)
        self.state = self._at_rest()

    def _at_rest(self) -> SimpleNamespace:
        lanes, c = len(self.plans), self.c
        s = SimpleNamespace()
        s.stand_c = np.minimum(self.inputs["outdoor_c"][0] + c.lift_k, c.air_c)
        s.head_c = s.stand_c.copy()
        s.suction = self.bubble.kpa(s.stand_c)
        for name in ("left_in", "air", "dip", "run_s", "wait_s", "trips", "first_trip_s", "out_s", "held_in_s"):
            setattr(s, name, np.zeros(lanes))
        s.flood = np.ones(lanes)
        s.timer_s = np.array([rng.uniform(0, 1) for rng in self.rngs]) * c.run_s
        s.call = np.zeros(lanes, dtype=bool)
        s.visit_s, s.visit_hold_s = np.zeros(lanes), np.zeros(lanes)
        for lane in range(lanes):
            self._plan_visit(s, lane)
        s.cut_out, s.reset = c.lp_cut_out_kpa.copy(), c.lp_reset_kpa.copy()
        s.fan_on, s.fan_off, s.hp_out = c.fan_on_c.copy(), c.fan_off_c.copy(), c.hp_cut_out_c.copy()
        s.low_kpa = s.suction.copy()
        s.seen_low, s.seen_high = s.suction.copy(), s.suction.copy()
        return s

    def _plan_visit(self, s: SimpleNamespace, lane: int) -> None:
        rng, c = self.rngs[lane], self.c
        s.visit_s[lane] = c.visit_after_s[lane] * rng.lognormal(0.0, 0.6)
        s.visit_hold_s[lane] = c.visit_holds_in_s[lane] * rng.uniform(0.5, 1.5) * (rng.random() < 0.7)

    def _trim(self, lanes: int) -> None:
        """Lanes whose log has ended are the last ones: they are let go."""
        for group in (self.c, self.state):
            for name, value in vars(group).items():
                setattr(group, name, value[:lanes])
        self.flags = self.flags[:, :lanes].copy()
        self.bubble.trim(lanes)
        self.dew.trim(lanes)

    def run(self, lag_s: np.ndarray) -> Iterator[tuple[int, History]]:
        """Runs all to the end and hands out (index as given, history), one at a time; sensors lag by `lag_s`."""
        lag_s = lag_s[self.order]
        self.c.k_seen = np.where(lag_s > 0, 1.0 - np.exp(-STEP_S / np.maximum(lag_s, 0.1)), 1.0)
        every = np.array([p.logging_s // STEP_S for p in self.plans])
        groups = {int(n): np.flatnonzero(every == n) for n in np.unique(every)}
        stores = {}
        for n, lanes in groups.items():
            size = int(self.blocks[lanes].max()) * STEPS // n
            stores[n] = (
                np.zeros((len(MEASURED), lanes.size, size), np.float32),
                np.zeros((len(NAMES), lanes.size, size), bool),
            )
        self._loop(groups, stores)
        starts = [[] for _ in self.plans]
        for step, lanes, flags in self.edges:
            for column, lane in enumerate(lanes):
                starts[lane].append((step, flags[:, column]))
        self.edges.clear()
        for lane, plan in enumerate(self.plans):
            n = plan.logging_s // STEP_S
            place = int(np.flatnonzero(groups[n] == lane)[0])
            size = int(self.blocks[lane]) * STEPS // n
            numbers, flags = stores[n]
            measured = {name: numbers[row, place, :size] for row, name in enumerate(MEASURED)}
            measured |= {name: flags[row, place, :size] for row, name in enumerate(NAMES)}
            yield (
                self.order[lane],
                History(
                    at_s=np.arange(size) * float(plan.logging_s),
                    measured=measured,
                    edge_s=np.array([step for step, _ in starts[lane]], float) * STEP_S,
                    edges=np.array([flags for _, flags in starts[lane]]),
                    visits_s=np.array([at * BLOCK_S for at, who in self.visits if lane in who], float),
                ),
            )

    def _loop(self, groups: dict, stores: dict) -> None:
        lanes = len(self.plans)
        before = ~self.flags
        for block in range(int(self.blocks[0])):
            active = int((self.blocks > block).sum())
            if active < lanes:
                lanes = active
                self._trim(lanes)
                before = before[:, :lanes].copy()
                groups = {n: members[members < lanes] for n, members in groups.items()}
            slow = self._block(block, lanes)
            for part in range(STEPS):
                step = block * STEPS + part
                sampled = [n for n, members in groups.items() if step % n == 0 and members.size]
                if sampled:
                    self._sample(step, sampled, groups, stores, slow, part)
                self._step(step, part, slow)
                changed = self.flags != before
                if changed.any():
                    which = np.flatnonzero(changed.any(axis=0))
                    self.edges.append((step + 1 if step else 0, which, self.flags[:, which]))
                    np.copyto(before, self.flags)

    def _sample(self, step: int, sampled: list, groups: dict, stores: dict, slow: SimpleNamespace, part: int) -> None:
        s = self.state
        outdoor = slow.outdoor_c + slow.outdoor_step * part
        rows = np.stack((s.seen_low, s.seen_high, s.head_c, outdoor, s.air, slow.feed, slow.heat))
        for n in sampled:
            members = groups[n]
            numbers, flags = stores[n]
            numbers[:, : members.size, step // n] = rows[:, members]
            flags[:, : members.size, step // n] = self.flags[:, members]

    def _block(self, block: int, lanes: int) -> SimpleNamespace:
        """What holds for five minutes: weather, load, what the fans can do; somebody may come by."""
        c, s, flags = self.c, self.state, self.flags
        slow = SimpleNamespace(**{name: rows[block, :lanes].astype(float) for name, rows in self.inputs.items()})
        slow.outdoor_step = (self.inputs["outdoor_c"][block + 1, :lanes] - slow.outdoor_c) / STEPS
        s.stand_c += (slow.outdoor_c + c.lift_k + slow.sun_k - s.stand_c) * 0.25
        slow.cold_c = np.minimum(s.stand_c, slow.air_c)
        # Liquid goes where it is colder: indoors on a warm day.
        slow.stays_in = np.minimum(np.maximum(1.0 - (slow.air_c - s.stand_c) / 10.0, 0.0), 1.0)
        slow.most = np.maximum(c.fans - slow.fans_out, 0.0) / c.fans
        working = slow.head_state == WORKING
        slow.cycles = c.cycles & working
        slow.modulates = c.modulates & working
        slow.floods = c.floods & working
        fixed = np.where(
            c.staged & working & (slow.outdoor_c < c.stage_c), np.minimum(1.0 / c.fans, slow.most), slow.most
        )
        slow.fixed = np.where(slow.head_state == STUCK_OFF, np.minimum(c.always, slow.most), fixed)
        slow.still = np.minimum(c.still + c.wind_share * slow.wind_m_s, 0.4)
        slow.load_kpa = self.dew.kpa(slow.air_c - c.evap_td_k * slow.load**0.6)
        slow.heating, slow.defrosting = slow.heating > 0, slow.defrosting > 0
        slow.jumpered = slow.jumpered > 0
        slow.scheduled = (slow.scheduled > 0) & ~slow.heating & ~slow.defrosting
        slow.allowed = slow.outdoor_c > c.holds_off_below_c
        slow.any_heat = bool(slow.heating.any())
        slow.any_flood = bool(slow.floods.any())
        slow.feed, slow.heat = np.zeros(lanes), np.zeros(lanes)
        if slow.any_heat:
            slow.heat_low = self.dew.kpa(np.where(slow.defrosting, -16.0, slow.outdoor_c - 7.0))
            slow.heat_high_c = np.where(slow.defrosting, 13.0, 40.0 + 0.25 * slow.outdoor_c)
        flags[ALLOWED] = slow.allowed
        flags[HEAT], flags[DEFROST] = slow.heating, slow.defrosting
        out = (flags[LP_TRIP] | flags[HP_TRIP] | flags[LP]) & flags[WANT] & ~flags[RUN]
        s.out_s = np.where(out, s.out_s + BLOCK_S, 0.0)
        visited = (s.out_s > s.visit_s) & (slow.attended > 0)
        if visited.any():
            who = np.flatnonzero(visited)
            self.visits.append((block, who))
            flags[LATCHED][who] = False
            s.trips[who] = 0.0
            s.wait_s[who] = 0.0
            s.held_in_s[who] = s.visit_hold_s[who]
            s.out_s[who] = 0.0
            for lane in who:
                self._plan_visit(s, lane)
        return slow

    def _step(self, step: int, part: int, slow: SimpleNamespace) -> None:
        c, s, flags = self.c, self.state, self.flags
        run = flags[RUN]
        outdoor = slow.outdoor_c + slow.outdoor_step * part
        # Fans, and the condenser between the compressor's heat and the outdoor air.
        fans_high = (flags[FANS] & (s.head_c > s.fan_off)) | (s.head_c >= s.fan_on)
        speed = np.minimum(np.maximum((s.head_c - c.hold_low_c) / (c.hold_high_c - c.hold_low_c), c.least_speed), 1.0)
        share = np.where(slow.cycles, np.where(fans_high, 1.0, c.always), np.where(slow.modulates, speed, slow.fixed))
        share = np.maximum(np.minimum(share, slow.most) * run, slow.sister_share)
        s.air += (share - s.air) * c.k_fan
        conductance = (slow.still + (1.0 - slow.still) * s.air) * slow.wet * c.coil
        heat = c.cond_td_k * slow.load * (0.4 + 0.6 * s.suction / c.rated_low)
        if slow.any_flood:
            wish = heat / np.maximum(c.hold_low_c - outdoor, 0.5)
            s.flood += (np.minimum(np.maximum(wish, 0.03), 1.0) - s.flood) * 0.03
            conductance = np.where(slow.floods, np.minimum(conductance, s.flood), conductance)
        low_c = slow.cold_c + (slow.air_c - slow.cold_c) * c.hold_up * s.left_in
        rest_c = np.where(c.orifice, low_c, slow.cold_c)
        # Just after a start vapour fills the condenser before its metal is warm.
        k_head = np.where(s.run_s < FILLING_S, 4.0, 1.0) * c.k_head
        moved = np.where(run, (heat - conductance * (s.head_c - outdoor)) * k_head, (rest_c - s.head_c) * c.k_high)
        if slow.any_heat:
            moved = np.where(slow.heating, (slow.heat_high_c - s.head_c) * c.k_head, moved)
        head_c = s.head_c + moved
        # A switch acts at its pressure, not at the end of the step in which that is passed.
        crossed = run & slow.cycles & fans_high & (head_c < s.fan_off)
        head_c = np.where(crossed, s.fan_off - 1e-3, np.minimum(head_c, 69.0))
        crossed = run & slow.cycles & ~fans_high & (head_c > s.fan_on)
        s.head_c = np.where(crossed, s.fan_on + 1e-3, head_c)
        head = self.bubble.kpa(s.head_c)
        # Low side: the load's pressure, or what the metering device feeds.
        ready = np.minimum(np.maximum((s.head_c - c.starve) / c.starve_span_k, 0.05), 1.0)
        feed = c.power * np.sqrt(np.maximum(head - s.suction, 0.0) / c.rated_split) * ready * (1.0 - s.dip)
        boiling = np.maximum(feed, 0.95 * s.left_in)
        target = np.minimum(slow.load_kpa, c.rated_low * np.maximum(boiling, 0.12))
        target *= 1.0 + c.hunting * np.sin(s.run_s * (6.283 / c.hunting_s))
        pumping = c.pump_down & ~flags[WANT]
        target = np.where(pumping, 0.4 * c.lp_cut_out_kpa, target)
        if slow.any_heat:
            target = np.where(slow.heating, slow.heat_low, target)
        if part % LOW_EVERY == 0:
            s.low_kpa = np.where(
                pumping, s.suction + 0.02 * c.lp_cut_out_kpa * (s.suction < c.lp_reset_kpa), self.bubble.kpa(low_c)
            )
        suction = s.suction + np.where(run, (target - s.suction) * c.k_pull, (s.low_kpa - s.suction) * c.k_rise)
        armed = s.run_s >= c.lp_delay_s
        crossed = run & armed & ~c.lp_at_liquid & ~slow.jumpered & (s.suction > s.cut_out) & (suction < s.cut_out)
        s.suction = np.where(crossed & ~flags[HEAT], s.cut_out - 0.5, np.maximum(suction, 20.0))
        s.left_in += np.where(
            run, (np.minimum(feed, 1.0) - s.left_in) * c.k_boil, (slow.stays_in - s.left_in) * c.k_settle
        )
        s.dip -= s.dip * c.k_dip
        s.seen_low += (s.suction - s.seen_low) * c.k_seen
        s.seen_high += (head - s.seen_high) * c.k_seen
        slow.feed, slow.heat = feed, heat
        self._switches(step, slow, fans_high, head)

    def _switches(self, step: int, slow: SimpleNamespace, fans_high: np.ndarray, head: np.ndarray) -> None:
        c, s, flags = self.c, self.state, self.flags
        run = flags[RUN].copy()
        turned = fans_high != flags[FANS]
        flags[FANS] = fans_high
        sensed = np.where(c.lp_at_liquid, head, s.suction)
        flags[LP] = (flags[LP] | (sensed < s.cut_out)) & (sensed < s.reset)
        flags[HP] = (flags[HP] | (s.head_c > s.hp_out)) & (s.head_c > c.hp_reset_c)
        held_in = s.held_in_s > 0
        flags[HELD_IN] = held_in
        lp_acts = flags[LP] & ~slow.jumpered & ~held_in
        # The thermostat is satisfied by running, so a lockout keeps it calling.
        s.timer_s -= np.where(s.call & ~run, 0.0, STEP_S)
        spent = s.timer_s <= 0
        if spent.any():
            self._turn_call(np.flatnonzero(spent), slow)
        wanted = s.call & slow.scheduled
        let_go = flags[WANT] & ~wanted & c.clears_on_call
        if let_go.any():
            flags[LATCHED] &= ~let_go
            s.trips[let_go] = 0.0
        flags[WANT] = wanted
        lp_stop = run & lp_acts & ((s.run_s >= c.lp_delay_s) | ~wanted) & ~slow.heating
        hp_stop = run & flags[HP] & ~slow.heating
        released = run & ~wanted & ~c.pump_down & ~slow.heating
        barred = run & ~slow.allowed & ~slow.heating
        stop = lp_stop | hp_stop | released | barred
        start = (
            ~run & wanted & slow.allowed & ~flags[LATCHED] & (s.wait_s <= 0) & (~lp_acts | c.starts_open) & ~flags[HP]
        )
        if slow.any_heat:
            start |= slow.heating & ~run
            stop &= ~slow.heating
        s.run_s = (s.run_s + STEP_S) * run
        s.wait_s = np.maximum(s.wait_s - STEP_S, 0.0)
        s.held_in_s = np.maximum(s.held_in_s - STEP_S, 0.0)
        if stop.any() or start.any():
            self._stop_and_start(step, stop, start, lp_stop & wanted, hp_stop)
        if turned.any():
            self._again(np.flatnonzero(turned))
        flags[WAIT] = s.wait_s > 0

    def _turn_call(self, lanes: np.ndarray, slow: SimpleNamespace) -> None:
        c, s = self.c, self.state
        for lane in lanes:
            rng = self.rngs[lane]
            s.call[lane] = not s.call[lane]
            length = c.run_s[lane] * rng.lognormal(0.0, 0.5)
            share = min(max(c.duty_share[lane] * (0.4 + 0.6 * slow.load[lane]), 0.05), 0.98)
            s.timer_s[lane] = max(length if s.call[lane] else length * (1.0 - share) / share, 60.0)

    def _stop_and_start(
        self, step: int, stop: np.ndarray, start: np.ndarray, lp_trip: np.ndarray, hp_trip: np.ndarray
    ) -> None:
        c, s, flags = self.c, self.state, self.flags
        tripped = lp_trip | hp_trip
        now = step * STEP_S
        fresh = tripped & (now - s.first_trip_s > TRIP_MEMORY_S)
        s.trips = np.where(fresh, 0.0, s.trips) + tripped
        s.first_trip_s = np.where(fresh, now, s.first_trip_s)
        flags[LATCHED] |= tripped & (c.trips_to_latch > 0) & (s.trips >= c.trips_to_latch)
        flags[LP_TRIP] = (flags[LP_TRIP] & ~start) | lp_trip
        flags[HP_TRIP] = (flags[HP_TRIP] & ~start) | (hp_trip & ~lp_trip)
        flags[RUN] = (flags[RUN] & ~stop) | start
        s.wait_s = np.where(stop, c.anti_recycle_s, s.wait_s)
        s.dip = np.where(start, c.start_dip, s.dip)
        s.run_s = np.where(start, 0.0, s.run_s)
        self._again(np.flatnonzero(stop))

    def _again(self, lanes: np.ndarray) -> None:
        """No switch acts twice at quite the same pressure."""
        c, s = self.c, self.state
        for lane in lanes:
            chance = self.rngs[lane].standard_normal(5)
            s.cut_out[lane] = c.lp_cut_out_kpa[lane] + c.repeat_kpa[lane] * chance[0]
            s.reset[lane] = c.lp_reset_kpa[lane] + c.repeat_kpa[lane] * chance[1]
            s.fan_on[lane] = c.fan_on_c[lane] + c.repeat_k[lane] * chance[2]
            s.fan_off[lane] = c.fan_off_c[lane] + c.repeat_k[lane] * chance[3]
            s.hp_out[lane] = c.hp_cut_out_c[lane] + c.repeat_k[lane] * chance[4]
