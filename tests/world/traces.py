"""Half-minute running of all logged circuits at once, on the weather, conditions, trips and visits of their lives.

The hours decide *whether* a circuit trips and locks out; here is *how* it looks: fans cycle, head builds up and falls,
suction follows the valve, pressures settle when it stops, the switch opens and closes.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from .circuit import COIL_LOAD, HEAD_GRID_C, Condition, suction_curve
from .fleet import Circuit
from .life import LATCHED, NURSED_H
from .loggers import HOUR_S, Job
from .saturation import BUBBLE, ln_kpa

STEP_S = 30
PER_HOUR = HOUR_S // STEP_S
F32 = NDArray[np.float32]
CONTROL = {
    "none": 0,
    "fan cycling": 1,
    "fan speed": 2,
    "dampers": 2,
    "floating": 2,
    "fan staging by ambient": 3,
    "flooded": 4,
}


@dataclass
class Trace:
    """What one circuit did, every STEP_S from hour `job.start`; temperatures °C, pressures kPa absolute."""

    job: Job
    suction_kpa: NDArray[np.float64]
    head_c: NDArray[np.float64]
    running: NDArray[np.bool_]
    fan: F32
    switch_closed: NDArray[np.bool_]
    called: NDArray[np.bool_]
    out: NDArray[np.bool_]
    latched: NDArray[np.bool_]
    outdoor_c: F32
    states: list[tuple[int, Condition]]


def _states(job: Job) -> list[tuple[int, Condition]]:
    """(step, condition) from which each condition of the circuit holds."""
    found: list[tuple[int, Condition]] = []
    for at, conditions in job.life.changes:
        step = max(0, int((at - job.start) * PER_HOUR))
        if at >= job.start + job.hours:
            break
        if found and found[-1][0] == step:
            found[-1] = (step, conditions[job.circuit])
        else:
            found.append((step, conditions[job.circuit]))
    return found


class Bench:
    """Inputs of all jobs, column by column, padded to the longest."""

    def __init__(self, jobs: list[Job], seed: int) -> None:
        self.jobs = jobs
        self.steps = max(job.hours for job in jobs) * PER_HOUR
        self.circuits: list[Circuit] = [job.life.unit.circuits[job.circuit] for job in jobs]
        n = len(jobs)
        shape = (self.steps, n)
        self.air = np.zeros(shape, np.float32)
        self.still = np.full(shape, 0.1, np.float32)
        self.cover = np.ones(shape, np.float32)  # share of the coil that a board leaves open
        self.want = np.zeros(shape, bool)
        self.called = np.zeros(shape, bool)
        self.demanded = np.zeros(shape, bool)
        self.flag = np.zeros(shape, np.int8)
        self.release = np.zeros(shape, bool)
        self.states = [_states(job) for job in jobs]
        self.begins_out = np.zeros(n, np.int8)
        for k, job in enumerate(jobs):
            self._fill(k, job, np.random.default_rng([seed, 31, k]))

    def _fill(self, k: int, job: Job, rng: np.random.Generator) -> None:
        around, circuit = job.life.around, self.circuits[k]
        n = job.hours * PER_HOUR
        at = np.arange(n) / PER_HOUR
        hours = np.arange(job.start, job.start + job.hours + 1)
        ripple = 0.35 * np.asarray(lfilter([0.12], [1, -0.993], rng.standard_normal(n)))
        self.air[:n, k] = np.interp(at, np.arange(job.hours + 1), around.outdoor_c[hours]) + ripple
        wind = np.interp(at, np.arange(job.hours + 1), around.wind[hours]) * np.exp(0.2 * rng.standard_normal(n))
        share = 0.008 if circuit.baffle or self.states[k][-1][1].baffled else 0.024
        self.still[:n, k] = np.minimum(1, circuit.still_air + share * np.maximum(wind - 1, 0))
        period = rng.uniform(18, 55) / 60
        phase = (at / period + np.cumsum(rng.normal(0, 0.004, n)) + rng.random()) % 1
        for (begin, condition), end in zip(self.states[k], [s for s, _ in self.states[k][1:]] + [n], strict=True):
            steps = slice(begin, min(end, n))
            hour_of = job.start + np.arange(begin, min(end, n)) // PER_HOUR
            self.called[steps, k] = phase[steps] < around.demand(condition.economizer_idle)[hour_of]
            self.demanded[steps, k] = around.demand(condition.economizer_idle)[hour_of] > 0
            self.want[steps, k] = phase[steps] < around.served_demand(condition)[hour_of]
            trips = around.trips(job.circuit, condition).hour
            inside = (
                trips[(trips >= job.start + begin / PER_HOUR - 1) & (trips < job.start + end / PER_HOUR)] - job.start
            )
            for hour in inside[(inside >= 0) & (inside < job.hours)]:
                self.flag[hour * PER_HOUR : (hour + 1) * PER_HOUR, k] = 1
                quarter = hour * PER_HOUR + PER_HOUR // 4  # most trips are trips of a start: rest a little, then start
                self.want[quarter - 14 : quarter, k] = False
                self.want[quarter : (hour + 1) * PER_HOUR - 20, k] = True
        self.called[:n, k] |= self.want[:n, k]
        for begin_q, end_q, which in job.life.quiets:
            if which == job.circuit:
                self._mark(self.flag[:, k], job, begin_q, end_q, 0)
                if end_q - begin_q > NURSED_H:
                    self._mark(self.cover[:, k], job, begin_q, end_q, 0.12)
        for lockout in job.life.lockouts:
            ended = lockout.ended if lockout.ended is not None else 1e9
            if lockout.circuit != job.circuit or ended < job.start or lockout.began > job.start + job.hours:
                continue
            self._mark(self.flag[:, k], job, lockout.began, ended, 2 if lockout.kind == LATCHED else 3)
            if lockout.began < job.start:
                self.begins_out[k] = 2 if lockout.kind == LATCHED else 1
            step = int((ended - job.start) * PER_HOUR)
            if 0 <= step < n and (lockout.kind == LATCHED or lockout.ended_by == "power cycled or reset"):
                self.release[step, k] = True

    def _mark(self, column: NDArray[Any], job: Job, began: float, ended: float, value: float) -> None:
        begin = max(0, int((began - job.start) * PER_HOUR))
        end = min(job.hours * PER_HOUR, int((min(ended, job.start + job.hours) - job.start) * PER_HOUR))
        if end > begin:
            column[begin:end] = value


def run_traces(jobs: list[Job], seed: int) -> list[Trace]:
    """Every job's trace; all circuits are stepped together."""
    if not jobs:
        return []
    bench = Bench(jobs, seed)
    recorded = _march(bench, np.random.default_rng([seed, 32]))
    traces = []
    for k, job in enumerate(jobs):
        n = job.hours * PER_HOUR
        out = recorded["out"][:n, k]
        called = bench.called[:n, k] | (out & bench.demanded[:n, k])
        traces.append(
            Trace(
                job=job,
                suction_kpa=np.exp(recorded["suction"][:n, k].astype(np.float64)),
                head_c=recorded["head"][:n, k].astype(np.float64),
                running=recorded["on"][:n, k],
                fan=recorded["fan"][:n, k],
                switch_closed=recorded["closed"][:n, k],
                called=called,
                out=out,
                latched=recorded["latched"][:n, k],
                outdoor_c=bench.air[:n, k],
                states=bench.states[k],
            )
        )
    return traces


class _Rig:
    """Numbers of each circuit that the steps need; `set_condition` changes one circuit's."""

    def __init__(self, bench: Bench) -> None:
        cs = bench.circuits
        n = len(cs)

        def of(name: str) -> Any:
            return np.array([getattr(c, name) for c in cs], np.float32)

        self.on_c, self.off_c, self.space = of("fan_on_c"), of("fan_off_c"), of("space_c")
        self.ln_cut, self.ln_reset = np.log(of("cut_out_kpa")), np.log(of("reset_kpa"))
        self.bias = of("coil_bias_k")
        self.anti = (of("anti_recycle_min") * 60 / STEP_S).astype(np.int32)
        self.delay = (of("start_delay_s") / STEP_S).astype(np.int32)
        self.latch_after = np.array([c.latch_after or 1 for c in cs])
        self.pump = np.array([c.pump_down for c in cs])
        self.poly = np.array([BUBBLE[c.refrigerant] for c in cs], np.float32).T.copy()
        self.mode = np.zeros(n, np.int8)
        self.over, self.share, self.part, self.hold = (np.ones(n, np.float32) for _ in range(4))
        self.jumper = np.zeros(n, bool)
        self.curve = np.zeros((n, len(HEAD_GRID_C)), np.float32)
        self.circuits = cs

    def set_condition(self, k: int, condition: Condition) -> None:
        c = self.circuits[k]
        self.mode[k] = 0 if condition.control_out else CONTROL[condition.control_fitted]
        self.over[k] = c.condenser_over_k * COIL_LOAD * (1 + 0.9 * condition.dirt)
        self.share[k] = 1.0 if not condition.fan_out else (1 - 1 / c.fans if c.fans > 1 else 0.0)
        self.part[k] = max(1 / c.fans, 0.34)
        self.hold[k] = c.hold_c * (1 - 0.9 * condition.charge) if condition.control_fitted == "flooded" else c.hold_c
        self.jumper[k] = condition.jumper
        self.curve[k] = suction_curve(c, condition)


def _march(bench: Bench, rng: np.random.Generator) -> dict[str, Any]:
    n, steps, rig = len(bench.jobs), bench.steps, _Rig(bench)
    events: dict[int, list[tuple[int, Condition]]] = {}
    for k, states in enumerate(bench.states):
        for step, condition in states:
            events.setdefault(step, []).append((k, condition))
    out = {name: np.zeros((steps, n), np.float32) for name in ("suction", "head", "fan")}
    out |= {name: np.zeros((steps, n), bool) for name in ("on", "closed", "out", "latched")}
    offset = np.arange(n) * len(HEAD_GRID_C)
    head = bench.air[0] + rig.bias
    suction = ln_kpa(tuple(rig.poly), head)
    on, closed, latched = np.zeros(n, bool), bench.begins_out != 1, bench.begins_out == 2
    fan, push, indoor = np.zeros(n, np.float32), np.zeros(n, np.float32), np.full(n, 0.1, np.float32)
    on_for, off_for, count = np.zeros(n, np.int32), np.full(n, 99, np.int32), np.zeros(n, np.int32)
    keep_indoor = np.exp(-STEP_S / rng.uniform(500, 1500, n)).astype(np.float32)
    stay_cold = rng.uniform(0.05, 0.45, n).astype(np.float32)
    shock = (0.02 * lfilter([0.2], [1, -0.98], rng.standard_normal((steps, n)), axis=0)).astype(np.float32)
    last_grid = len(HEAD_GRID_C) - 2
    for step in range(steps):
        for k, condition in events.get(step, ()):
            rig.set_condition(k, condition)
        air, flag, want = bench.air[step], bench.flag[step], bench.want[step]
        if step % PER_HOUR == 0:
            count[flag < 2] = 0
        freed = bench.release[step]
        if freed.any():
            closed, latched = closed | freed, latched & ~freed
            indoor = np.where(freed, 0.9, indoor)
        held_out = ~closed | latched
        wanted = want | (held_out & ~rig.pump) | (latched & rig.pump)
        start = wanted & ~on & closed & ~latched & (off_for >= rig.anti)
        stop = on & ~wanted
        on = (on | start) & ~stop
        indoor = np.where(stop, 0.45, indoor * keep_indoor)
        on_for = np.where(on, on_for + 1, 0)
        off_for = np.where(on, 0, off_for + 1)
        # the hot side
        mode = rig.mode
        fan = np.where(mode == 1, np.where(head > rig.on_c, 1, np.where(head < rig.off_c, 0, fan)), 1.0)
        fan = np.where(mode == 2, np.clip((head - rig.hold + 3) / 6, 0, 1), fan)
        fan = np.where((mode == 3) & (air < 16), rig.part, fan) * on
        still = bench.still[step]
        flow = still + (1 - still) * fan * rig.share
        balance = air + rig.over * (flow * bench.cover[step]) ** -0.6
        balance = np.where(mode == 4, np.maximum(balance, rig.hold), balance)
        cold = np.minimum(air + rig.bias, rig.space)
        rest = cold + indoor * (rig.space - cold)
        head = head + np.where(
            on,
            (balance - head) * np.where(fan > 0.4, 0.36, 0.15),
            (np.maximum(air, rest * 0.6 + air * 0.4) - head) * 0.09,
        )
        # the cold side
        at = np.clip(head - HEAD_GRID_C[0], 0, last_grid)
        i = at.astype(np.int32)
        flat = rig.curve.ravel()
        low = flat[offset + i]
        target = low + (flat[offset + i + 1] - low) * (at - i) + shock[step] - push
        calm = flag == 0
        ignored = on_for <= rig.delay
        settle = ln_kpa(tuple(rig.poly), rest)
        settle = np.where(calm & want & ~closed, np.maximum(settle, rig.ln_reset + 0.012), settle)
        settle = np.where(rig.pump & ~want & ~held_out, rig.ln_cut + 0.05, settle)
        suction = suction + np.where(
            on, (target - suction) * 0.33, (settle - suction) * np.where(off_for < 12, 0.3, 0.12)
        )
        floor = on & ~ignored & ~rig.jumper & (calm | ((flag == 1) & (count >= 2)))
        suction = np.where(floor, np.maximum(suction, rig.ln_cut + 0.025), suction)
        armed = on & (flag > 0) & ~((flag == 1) & (count >= 2)) & ~rig.jumper
        push = np.where(armed, push + np.where(on_for < 14, 0.07, 0.02), 0.0)
        trip = armed & ~ignored & (suction < rig.ln_cut)
        if trip.any():
            on, closed = on & ~trip, closed & ~trip
            count = count + trip
            latched = latched | (trip & (flag == 2) & (count >= rig.latch_after))
            indoor = np.where(trip, stay_cold * rng.uniform(0.3, 1.5, n).astype(np.float32), indoor)
            off_for, push = np.where(trip, 0, off_for), np.where(trip, 0.0, push)
        closed = closed | (~on & (suction >= rig.ln_reset))
        out["suction"][step], out["head"][step], out["fan"][step] = suction, head, fan
        out["on"][step], out["closed"][step], out["out"][step], out["latched"][step] = (
            on,
            closed,
            ~on & (~closed | latched),
            latched,
        )
    return out
