"""People: what goes wrong by itself, who calls, who comes, what they find, and what they do to the unit.

A visit sees one unit on one day. What it finds depends on the technician and on what the unit does at that hour; what
it does changes the unit. Causes never set labour hours or parts by themselves: the work done does.
"""

from __future__ import annotations

from collections.abc import Callable

import circuit as physics
import numpy as np
import outcomes
from fleet import FIELD_BAND_C
from seasons import COLD_CAUSE, HP_LATCHED, SHORT_CYCLING, Call, Simulation, service_hours

HOURS_PER_YEAR = 8766.0
TECHNICIANS = {  # initials and skill, 0-1
    "R. Imlay": 0.85,
    "D. Pask": 0.7,
    "T. Orrin": 0.55,
    "M. Sefton-Vale": 0.9,
    "K. Brill": 0.45,
    "J. Tamsin": 0.6,
    "L. Odgar": 0.5,
    "P. Venn": 0.75,
    "C. Hathe": 0.35,
    "A. Moxley": 0.65,
    "S. Quill": 0.8,
    "B. Yarrow": 0.4,
    "N. Esk": 0.55,
    "G. Fallon-Pyke": 0.7,
}
ORDINARY = {  # kind: calls a unit-year, season ("any", "summer", "winter"), finding, action
    "belt": (0.07, "any", "belt", "changed belt", ("noise", "not keeping up")),
    "drain": (0.09, "summer", "drain", "cleared drain", ("water",)),
    "thermostat": (0.12, "any", "thermostat", "replaced thermostat", ("thermostat", "no cooling", "not keeping up")),
    "electrical": (0.11, "any", "electrical", "fixed electrical", ("electrical", "no cooling")),
    "noise": (0.07, "any", "noise", "fixed noise", ("noise",)),
    "heat": (0.12, "winter", "heat", "fixed heat", ("no heat",)),
    "odor": (0.03, "any", "odor", "fixed odor", ("odor",)),
    "nothing wrong": (0.10, "any", "all ok", "nothing", ("not keeping up", "no cooling", "thermostat")),
    "contactor": (0.06, "any", "controls", "replaced contactor", ("no cooling", "short cycling")),
}
HAZARDS = {  # condition: starts a unit-year
    "control fails closed": 0.04,
    "control fails open": 0.02,
    "leak": 0.05,
    "metering": 0.015,
    "fan motor": 0.045,
    "compressor": 0.015,
    "economizer": 0.10,
    "controls": 0.03,
    "airflow": 0.06,
    "ambient setting": 0.008,
    "use changes": 0.012,
}
PARTS = {  # action: median parts cost, spread
    "added refrigerant": (90, 0.6),
    "repaired leak": (210, 0.5),
    "replaced lp switch": (45, 0.3),
    "replaced thermostat": (120, 0.5),
    "replaced contactor": (55, 0.4),
    "replaced board": (260, 0.4),
    "replaced fan motor": (240, 0.4),
    "changed filters": (35, 0.4),
    "changed belt": (22, 0.3),
    "fixed electrical": (30, 0.8),
    "fixed heat": (70, 0.7),
    "replaced valve": (230, 0.3),
    "replaced compressor": (1900, 0.4),
    "replaced control": (180, 0.4),
    "fitted control": (320, 0.4),
    "fitted start kit": (190, 0.4),
    "fixed economizer": (280, 0.5),
    "fixed controls": (60, 0.7),
    "fixed noise": (25, 0.9),
}
LABOUR = {
    "replaced compressor": 5.0,
    "repaired leak": 2.2,
    "replaced valve": 2.6,
    "fitted control": 2.0,
    "fitted start kit": 1.2,
    "replaced fan motor": 1.2,
    "fixed economizer": 1.0,
    "replaced board": 0.8,
    "replaced control": 0.7,
    "cleaned condenser": 0.8,
    "fixed noise": 0.6,
}
TOLD_WRONG = ["low charge", "metering", "controls", "thermostat", "dirty condenser", "compressor", "airflow"]


class Service:
    """The office and its technicians, bound to a simulation of units."""

    def __init__(self, simulation: Simulation, treat: bool = True, accidents: bool = True) -> None:
        self.sim, self.treat, self.accidents = simulation, treat, accidents
        simulation.on_notice = self.on_notice  # type: ignore[attr-defined]
        self.home_tech = {}
        names = list(TECHNICIANS)
        for u in range(len(simulation.units)):
            self.home_tech[u] = names[int(simulation.rngs[u].integers(len(names)))]
        if accidents:
            for u in range(len(simulation.units)):
                self._plan_unit(u)

    # --- what happens by itself --------------------------------------------------------------------------------

    def _plan_unit(self, u: int) -> None:
        sim, rng = self.sim, self.sim.rngs[u]
        begin, end = service_hours(sim.units[u], sim.options)
        end = min(end, sim.hours - 1)
        sim.note_conditions(u, 0.0)
        bias = float(rng.gamma(2.0, 0.5))  # some units are simply looked after worse
        for kind, (rate, season, *_rest) in ORDINARY.items():
            for hour in self._times(rng, begin, end, rate * bias, season):
                self._at(u, hour, lambda s, i, h, k=kind: self._ordinary(i, h, k))
        for kind, rate in HAZARDS.items():
            for hour in self._times(rng, 0, end, rate, "any"):
                self._at(u, hour, lambda s, i, h, k=kind: self._accident(i, h, k))
        if sim.units[u].coverage != "time and material" or rng.random() < 0.35:
            self._plan_maintenance(u, begin, end)

    def _at(self, u: int, hour: float, what: Callable[[Simulation, int, float], None]) -> None:
        self.sim.schedule(u, hour, what)

    def _times(self, rng: np.random.Generator, begin: int, end: int, rate: float, season: str) -> list[float]:
        """Times of a Poisson process, thinned to its season and, mostly, to hours when people are about."""
        years = max(end - begin, 0) / HOURS_PER_YEAR
        peak = 2.2 if season != "any" else 1.0
        hours = rng.uniform(begin, max(end, begin + 1), rng.poisson(rate * years * peak))
        start = self.sim.options.first_hour
        phase = np.cos(
            2 * np.pi * ((hours / 24 + start.timetuple().tm_yday) / 365.25 - (0.55 if season == "summer" else 0.03))
        )
        keep = rng.random(hours.size) * peak < {"any": 1.0}.get(season, 0.0) + (season != "any") * np.clip(
            1 + 1.1 * phase, 0, None
        )
        return sorted(float(h) for h in hours[keep])

    def _plan_maintenance(self, u: int, begin: int, end: int) -> None:
        """A spring and an autumn visit, the same week for a whole site."""
        sim, rng = self.sim, self.sim.rngs[u]
        site_shift = int(sim.units[u].site.site_id[1:]) * 37 % 30
        day0 = sim.options.first_hour.timetuple().tm_yday
        for year in range(-1, sim.hours // 8766 + 2):
            for day_of_year in (100, 275):
                hour = self._working_hour(
                    u, (year * 365.25 + day_of_year + site_shift - day0) * 24 + rng.uniform(14, 22)
                )
                if begin < hour < end and rng.random() < 0.93:
                    self._at(u, hour, lambda s, i, h: self._maintain(i, h))

    def _ordinary(self, u: int, hour: float, kind: str) -> None:
        sim, rng = self.sim, self.sim.rngs[u]
        if not sim.served[u, int(hour)] or sim.call_open[u]:
            return
        *_rest, complaints = ORDINARY[kind]
        call = self._open(u, self._phone_hour(u, hour), "service", f"ordinary: {kind}", str(rng.choice(complaints)))
        self._dispatch(call)

    def _accident(self, u: int, hour: float, kind: str) -> None:
        """A condition begins."""
        sim, rng = self.sim, self.sim.rngs[u]
        lanes, condition = sim.lanes_of[u], sim.condition
        lane = int(rng.choice(lanes))
        modulates = sim.circuits.head[lane] in (physics.CYCLING, physics.SPEED, physics.DAMPERS, physics.STAGED)
        if kind == "control fails closed" and modulates:
            self._set_head(u, lane, physics.FANS_ALWAYS_ON)
        elif kind == "control fails open" and modulates and sim.circuits.head[lane] != physics.STAGED:
            self._set_head(u, lane, physics.FANS_STUCK_OFF)
        elif kind == "leak":
            sim.leak_per_h[lane] = rng.uniform(0.15, 0.9) / HOURS_PER_YEAR
        elif kind == "metering":
            condition.metering[lane] = rng.uniform(0.4, 0.75)
        elif kind == "fan motor":
            condition.fans_out[lane] = 1.0
        elif kind == "compressor":
            condition.compressor[lane] = rng.uniform(0.45, 0.8)
        elif kind == "economizer":
            sim.economizer[u] = False
        elif kind == "controls":
            sim.dead[u] = True
        elif kind == "airflow":
            condition.airflow[lanes] = rng.uniform(0.35, 0.7)
        elif kind == "ambient setting" and sim.units[u].duty == "year-round":
            sim.hold_c[u] = float(rng.choice([4.4, 7.2, 10.0, 12.8]))
        elif kind == "use changes":
            self._change_use(u, hour)
        sim.note_conditions(u, hour)

    def _set_head(self, u: int, lane: int, mode: int) -> None:
        """Shared fans have one control; otherwise each circuit has its own."""
        lanes = self.sim.lanes_of[u] if self.sim.units[u].shared_fans else [lane]
        self.sim.condition.head[lanes] = mode

    def _change_use(self, u: int, hour: float) -> None:
        """A tenant makes an office of a server room, or the other way round: the load changes, the list does not."""
        sim, unit, rng = self.sim, self.sim.units[u], self.sim.rngs[u]
        if unit.duty == "refrigeration":
            return
        use = str(rng.choice(["server room", "office", "telecom hut", "shop"]))
        at = int(hour)
        load, there = sim.load_for(u, use)
        sim.use_now[u] = use
        sim.load[u, at:], sim.in_use[u, at:] = load[at:], there[at:]
        sim.mark(u, 0, "use changed", True, hour, use)

    # --- calls -------------------------------------------------------------------------------------------------

    def _open(self, u: int, hour: float, work_type: str, cause: str, complaint: str) -> Call:
        call = Call(u, hour, work_type, cause, complaint)
        self.sim.calls[u].append(call)
        return call

    def _phone_hour(self, u: int, hour: float) -> float:
        """Units fail at four in the morning, the phone rings at nine."""
        sim, rng = self.sim, self.sim.rngs[u]
        local = (sim.local_hour[sim.row[u], min(max(int(hour), 0), sim.hours - 1)] + hour % 1) % 24
        if sim.watched[u]:
            return hour + rng.uniform(0.1, 0.8)
        if local < 7.5:
            return hour + (7.5 - local) + float(rng.gamma(2.0, 0.6))
        if local > 18:
            return hour + (31.5 - local) + float(rng.gamma(2.0, 0.6))
        return hour + rng.uniform(0.1, 2.0)

    def on_notice(self, u: int, hour: float, why: tuple[str, int, str]) -> None:
        """Somebody notices that it is too warm, and calls."""
        sim, rng = self.sim, self.sim.rngs[u]
        cause, circuit, contributing = why
        unit = sim.units[u]
        if cause in (COLD_CAUSE, SHORT_CYCLING) and self._copes(u, hour):
            sim.warm_h[u] = -float(rng.uniform(20, 110))
            return
        if unit.duty == "refrigeration":
            words = ["box warm"] * 4 + ["no cooling"]
        elif unit.use in ("server room", "telecom hut", "imaging suite"):
            words = ["server hot"] * 3 + ["no cooling"] * 2
        elif cause in (COLD_CAUSE, SHORT_CYCLING, "controls", "compressor failing"):
            words = ["no cooling"] * 5 + ["not keeping up", "short cycling"]
        elif cause == "airflow or icing":
            words = ["ice", "not keeping up", "no cooling"]
        elif cause in ("condenser fan out", "head control failed open"):
            words = ["no cooling", "fan", "not keeping up"]
        else:
            words = ["not keeping up"] * 2 + ["no cooling"] * 2
        call = self._open(u, hour + float(rng.uniform(0.1, 1.2)), "service", cause, str(rng.choice(words)))
        call.circuit, call.contributing = circuit, contributing
        sim.call_open[u] = True
        self._dispatch(call, urgent=True)

    def _copes(self, u: int, hour: float) -> bool:
        """After some calls a site knows the trouble by now: doors open, a portable, wait for noon."""
        week, month = self._recent_cold(u, hour, 8), self._recent_cold(u, hour, 35)
        silence = 0.0 if week < 1 else 0.45 if week < 2 else 0.85
        return bool(self.sim.rngs[u].random() < max(silence, 0.9 if month >= 4 else 0.0))

    def _recent_cold(self, u: int, hour: float, days: float) -> int:
        """Cold-lockout calls on a unit in the last days."""
        return sum(
            1
            for c in self.sim.calls[u]
            if c.cause in (COLD_CAUSE, SHORT_CYCLING) and hour - 24 * days < c.opened_h < hour - 0.5
        )

    def _dispatch(self, call: Call, urgent: bool = False) -> None:
        """Decides who comes and when; some calls are cancelled before anybody sets out."""
        sim, rng, u = self.sim, self.sim.rngs[call.unit], call.unit
        local = sim.local_hour[sim.row[u], min(int(call.opened_h), sim.hours - 1)]
        same_day = 6 <= local <= 14 or (urgent and (sim.watched[u] or rng.random() < 0.3))
        wait = float(rng.lognormal(np.log(2.6), 0.5)) if same_day else (24 - local + rng.uniform(7.5, 14)) % 24
        if not urgent:
            wait += 24 * int(rng.choice([0, 1, 2, 4], p=[0.5, 0.25, 0.15, 0.1]))
        call.visit_h = call.opened_h + wait
        if not (urgent and sim.watched[u]):
            call.visit_h = self._working_hour(u, call.visit_h)
        call.technician = self.home_tech[u] if rng.random() < 0.55 else str(rng.choice(list(TECHNICIANS)))
        self._at(u, call.visit_h, lambda s, i, h: self._visit(call))

    def _working_hour(self, u: int, hour: float) -> float:
        """The same day between seven and four, if nobody is paid to come at night."""
        sim = self.sim
        local = (sim.local_hour[sim.row[u], min(max(int(hour), 0), sim.hours - 1)] + hour % 1) % 24
        if 7 <= local <= 17:
            return hour
        return hour + (7.0 - local) % 24 + float(sim.rngs[u].uniform(0.2, 7.0))

    def _visit(self, call: Call) -> None:
        sim, rng, u = self.sim, self.sim.rngs[call.unit], call.unit
        sim.call_open[u] = False
        sim.warm_h[u] = 0.0
        hour = min(call.visit_h, sim.hours - 1.0)
        out = [lane for lane in sim.lanes_of[u] if sim.out[lane]]
        recovered = not out and not call.cause.startswith("ordinary") and call.cause == COLD_CAUSE
        if rng.random() < (0.16 if recovered else 0.02):
            call.status, call.closed_h, call.technician = "cancelled", hour, ""
            call.findings, call.actions = [], ["nothing"]
            return
        visit = Visit(self, call, hour, out)
        visit.go()
        call.snapshot = (visit.lane, physics.take(sim.condition, np.array([visit.lane])))
        self._charge(call)
        sim.note_conditions(u, hour)

    def _charge(self, call: Call) -> None:
        """Hours and parts: from the work done, with a wide spread."""
        rng = self.sim.rngs[call.unit]
        base = float(rng.lognormal(np.log(1.0), 0.45)) + sum(
            LABOUR.get(a, 0.25) * float(rng.lognormal(0, 0.3)) for a in call.actions[:3]
        )
        call.labour_h = max(0.25, round(base * 4) / 4)
        call.travel_h = max(0.25, round(float(rng.lognormal(np.log(0.8), 0.5)) * 4) / 4)
        call.parts_cost = round(
            sum(float(rng.lognormal(np.log(PARTS[a][0]), PARTS[a][1])) for a in call.actions if a in PARTS), 2
        )
        if rng.random() < 0.2:
            call.parts_cost = round(call.parts_cost + float(rng.lognormal(np.log(18), 0.7)), 2)
        call.closed_h = call.visit_h + call.labour_h

    # --- planned work ------------------------------------------------------------------------------------------

    def _maintain(self, u: int, hour: float) -> None:
        sim, rng = self.sim, self.sim.rngs[u]
        if not sim.served[u, int(hour)]:
            return
        call = self._open(u, hour - float(rng.uniform(24, 400)), "planned", "planned", "planned")
        call.opened_h, call.visit_h, call.technician = max(call.opened_h, 0.0), hour, self.home_tech[u]
        call.actions = ["changed filters"] if rng.random() < 0.8 else ["checked"]
        condition, lanes = sim.condition, sim.lanes_of[u]
        condition.airflow[lanes] = np.maximum(condition.airflow[lanes], 0.97)
        if rng.random() < 0.6:
            condition.coil[lanes] = np.maximum(condition.coil[lanes], rng.uniform(0.9, 1.0))
            call.actions.append("cleaned condenser")
        skill = TECHNICIANS[call.technician]
        visit = Visit(self, call, hour, [])
        visit.look_around(skill * 0.35)
        visit.maybe_bypass(0.5)
        if not call.findings:
            call.findings = ["all ok"]
        self._charge(call)
        sim.note_conditions(u, hour)

    def order_return(self, call: Call, action: str, days: tuple[float, float], quote: bool = False) -> None:
        """The fix comes on a later visit that this one ordered."""
        rng, u = self.sim.rngs[call.unit], call.unit
        opened = call.visit_h + 1.0
        due = self._working_hour(u, opened + 24.0 * float(rng.uniform(*days)))
        if quote:
            offer = self._open(u, opened + float(rng.uniform(20, 90)), "quote", call.cause, "quote")
            offer.visit_h, offer.technician, offer.actions = offer.opened_h + 2.0, call.technician, ["quoted"]
            offer.labour_h, offer.closed_h = 0.5, offer.opened_h + 3.0
            if rng.random() < 0.5:
                return
            due += 24.0 * int(rng.integers(5, 40))
        lane = self._lane_of(call)
        self._at(u, due, lambda s, i, h: self._complete(call, i, h, action, lane))

    def _lane_of(self, call: Call) -> int:
        lanes = self.sim.lanes_of[call.unit]
        return int(lanes[max(call.circuit - 1, 0)]) if call.circuit <= len(lanes) else int(lanes[0])

    def _complete(self, first: Call, u: int, hour: float, action: str, lane: int) -> None:
        sim = self.sim
        if not sim.served[u, int(hour)]:
            return
        call = self._open(u, max(hour - 30.0, first.visit_h + 2.0), "return", first.cause, "return")
        call.visit_h, call.technician, call.circuit = hour, first.technician, first.circuit
        apply(self, u, lane, action, hour)
        call.actions = [action, "ran"]
        self._charge(call)
        sim.note_conditions(u, hour)


def apply(service: Service, u: int, lane: int, action: str, hour: float) -> None:
    """What a piece of work does to the unit."""
    sim = service.sim
    condition, lanes, rng = sim.condition, sim.lanes_of[u], sim.rngs[u]
    if action in ("reset", "replaced board", "replaced contactor", "replaced lp switch"):
        for each in lanes:
            if sim.out[each]:
                sim.unlock(int(each), hour, "power cycled or reset")
        if action == "replaced board":
            sim.dead[u] = False
    elif action == "added refrigerant":
        condition.charge[lane] = min(condition.charge[lane] + rng.uniform(0.08, 0.3), 1.12)
    elif action == "repaired leak":
        condition.charge[lane], sim.leak_per_h[lane] = 1.0, 0.0
    elif action == "replaced valve":
        condition.metering[lane], condition.charge[lane] = 1.0, 1.0
    elif action == "replaced compressor":
        condition.compressor[lane], condition.charge[lane] = 1.0, 1.0
    elif action == "cleaned condenser":
        condition.coil[lanes] = np.maximum(condition.coil[lanes], rng.uniform(0.9, 1.0))
    elif action == "replaced fan motor":
        condition.fans_out[lanes] = 0.0
    elif action in ("changed filters", "changed belt"):
        condition.airflow[lanes] = 1.0
    elif action in ("reconnected control", "replaced control"):
        service._set_head(u, lane, physics.WORKING)
    elif action == "bypassed control":
        service._set_head(u, lane, physics.FANS_ALWAYS_ON)
    elif action == "outside air in winter":
        outdoor = sim.outdoor[sim.row[u]]
        sim.load[u, int(hour) :] *= outdoor[int(hour) :] > 6.0
        sim.winter_off[u] = True
        sim.mark(u, 0, "outside air in winter", True, hour)
    elif action in ("fitted control", "fitted start kit"):
        fit_control(sim, u, lane, hour, action)
    elif action == "jumpered lp":
        condition.lp_jumpered[lane] = True
    elif action == "removed lp jumper":
        condition.lp_jumpered[lanes] = False
    elif action == "adjusted setting":
        sim.hold_c[u] = np.nan
    elif action == "fixed economizer":
        sim.economizer[u] = sim.units[u].economizer
    elif action in ("fixed controls", "replaced thermostat", "fixed electrical"):
        sim.dead[u] = sim.dead[u] and rng.random() < (0.1 if action == "fixed controls" else 0.75)


def fit_control(sim: Simulation, u: int, lane: int, hour: float, action: str) -> None:
    """A field-fitted fan-cycling control, or a start delay with wind baffles; the tabulated starts follow."""
    lanes = sim.lanes_of[u] if sim.units[u].shared_fans else np.array([lane])
    c = sim.circuits
    if action == "fitted control":
        everywhere = np.ones(sim.owner.size)
        c.head[lanes] = physics.CYCLING
        c.fan_on_kpa[lanes] = c.sat.bubble_kpa(FIELD_BAND_C[0] * everywhere)[lanes]
        c.fan_off_kpa[lanes] = c.sat.bubble_kpa(FIELD_BAND_C[1] * everywhere)[lanes]
        c.always_fans[lanes] = 0.0
        sim.condition.head[lanes] = physics.WORKING
    c.exposure[lanes] *= 0.5
    c.lp_delay_s[lanes] = np.maximum(c.lp_delay_s[lanes], 180.0)
    fresh = outcomes.tabulate(physics.take(c, lanes), sim.space_c[sim.owner[lanes]], sim.offset_k[lanes])
    for name in ("lp_margin_kpa", "hp_margin_kpa", "cooling"):
        getattr(sim.tables, name)[..., lanes] = getattr(fresh, name)
    for each in lanes:
        sim.mark(u, int(sim.number[each]), action, True, hour)


class Visit:
    """One technician at one unit on one day."""

    def __init__(self, service: Service, call: Call, hour: float, out: list[int]) -> None:
        self.service, self.call, self.hour, self.out = service, call, hour, out
        self.sim = service.sim
        self.u = call.unit
        self.rng = self.sim.rngs[self.u]
        self.skill = TECHNICIANS.get(call.technician, 0.5)
        self.lane = service._lane_of(call)
        self.outdoor_c = float(self.sim.outdoor[self.sim.row[self.u], int(hour)])

    def do(self, *actions: str) -> None:
        """Carries out and writes down."""
        for action in actions:
            apply(self.service, self.u, self.lane, action, self.hour)
            self.call.actions.append(action)

    def chance(self, probability: float) -> bool:
        """True with this probability."""
        return bool(self.rng.random() < probability)

    def go(self) -> None:
        """Looks, decides, does."""
        cause = self.call.cause
        if cause.startswith("ordinary"):
            _, _, finding, action, _ = ORDINARY[cause.split(": ")[1]]
            self.call.findings.append(finding)
            self.do(action)
            self.look_around(0.05 * self.skill)
        elif not self.service.treat:
            self.do("reset")
        elif cause in (COLD_CAUSE, SHORT_CYCLING):
            self.cold()
        else:
            self.other(cause)
        self.maybe_bypass()
        if self.sim.dead[self.u] and cause != "controls":
            self.do("fixed controls")
        for lane in self.out:  # whoever leaves a unit standing has at least switched it off and on
            if self.sim.out[lane] and self.chance(0.85):
                self.sim.unlock(lane, self.hour, "power cycled or reset")

    def cold(self) -> None:
        """Called for a cold lockout: the reset is easy, the reason is not."""
        sim, call = self.sim, self.call
        call.findings.append("locked out" if self.out else "running on arrival")
        mode, fitted = sim.condition.head[self.lane], sim.circuits.head[self.lane] != physics.ALL_ON
        recent = self.service._recent_cold(self.u, call.opened_h, 60)
        insight = min(self.skill * (0.08 + 0.09 * min(recent, 5)), 0.9) * (1.0 if self.out else 0.4)
        if self.out:
            self.do("reset")
        if self.chance(insight):
            self._understood(bool(fitted), int(mode), recent)
        else:
            self._puzzled()
        if self.chance(0.6):
            call.actions.append("ran")

    def _understood(self, fitted: bool, mode: int, recent: int) -> None:
        call = self.call
        if self.chance(0.5):
            call.findings.append("low head")
        if fitted and mode == physics.FANS_ALWAYS_ON:
            was_bypassed = any(i.kind == "head control fans always on" for i in self.sim.intervals[self.u])
            if was_bypassed and self.chance(0.6):
                call.findings.append("control bypassed")
                self.do("reconnected control")
            else:
                call.findings.append("control failed closed")
                if self.chance(0.6):
                    self.do("replaced control")
                else:
                    call.actions.append("ordered")
                    self.service.order_return(call, "replaced control", (1, 9))
        elif not fitted:
            call.findings.append("no head control")
            call.actions.append("recommend control")
            if self.chance(0.25 + 0.08 * recent):
                self.service.order_return(call, "fitted control", (5, 40), quote=recent < 5 or self.chance(0.5))
        else:
            call.findings += ["no jumper"] if self.chance(0.5) else ["low suction"]
            fitted_already = (self.u, int(self.sim.number[self.lane]), "fitted start kit") in self.sim.open_interval
            if not fitted_already and self.chance(0.15 + 0.08 * recent):
                self.service.order_return(call, "fitted start kit", (3, 20))
            elif recent >= 4 and self.chance(0.2):
                self.do("outside air in winter")

    def _puzzled(self) -> None:
        """The usual wrong tracks."""
        call, roll = self.call, self.rng.random()
        if roll < 0.34:
            if self.chance(0.4):
                call.findings.append("charge ok")
            elif self.chance(0.2):
                call.findings.append("no jumper")
        elif roll < 0.50:
            call.findings += ["low suction"] if self.chance(0.5) else ["low charge"]
            self.do("added refrigerant")
        elif roll < 0.60:
            self.do("replaced lp switch")
        elif roll < 0.67:
            self.do("replaced thermostat")
        elif roll < 0.75:
            self.do("replaced contactor")
        elif roll < 0.80:
            self.do("replaced board")
        elif roll < 0.86:
            call.findings.append("dirty condenser")
            self.do("cleaned condenser")
        elif roll < 0.90:
            call.findings.append("airflow")
            self.do("changed filters")
        elif roll < 0.91:
            self.do("jumpered lp")
        else:
            call.actions.append("checked")

    def other(self, cause: str) -> None:
        """The look-alikes, each with its own repair and its own ways of being missed."""
        call, skill = self.call, self.skill
        if self.out:
            call.findings.append("high head" if self.sim.out[self.out[0]] == HP_LATCHED else "locked out")
            self.do("reset")
        if cause == "low charge":
            call.findings.append("low charge" if self.chance(0.75) else "low suction")
            self.do("repaired leak" if self.chance(0.2 + 0.5 * skill) else "added refrigerant")
        elif cause == "metering restricted":
            if self.chance(0.45 + 0.5 * skill):
                call.findings.append("metering")
                call.actions.append("ordered")
                self.service.order_return(call, "replaced valve", (2, 10))
            else:
                call.findings.append("low suction")
                self.do("added refrigerant")
        elif cause == "condenser restricted":
            call.findings.append("dirty condenser")
            self.do("cleaned condenser")
        elif cause == "condenser fan out":
            if self.chance(0.9):
                call.findings.append("fan motor")
                self.do("replaced fan motor")
            else:
                self.do("cleaned condenser")
        elif cause == "head control failed open":
            if self.chance(0.25 + 0.35 * skill):
                call.findings.append("control failed open")
                self.do("replaced control")
            else:
                self.do("bypassed control")
        elif cause == "airflow or icing":
            call.findings.append("airflow")
            self.do("changed filters")
        elif cause == "compressor failing":
            if self.chance(0.5 + 0.3 * skill):
                call.findings.append("compressor")
                self.service.order_return(call, "replaced compressor", (3, 14))
            else:
                self.do("replaced contactor")
        elif cause == "controls":
            call.findings.append("controls")
            self.do("fixed controls" if self.chance(0.75) else "replaced board")
        elif cause == "ambient setting holds off":
            if self.chance(0.3 + 0.5 * skill):
                call.findings.append("ambient setting")
                self.do("adjusted setting")
            else:
                call.findings.append("all ok")
        else:
            call.findings.append("load")
            call.actions.append("nothing")
        if self.chance(0.45):
            call.actions.append("ran")
        self.look_around(0.1 * skill)

    def maybe_bypass(self, share: float = 1.0) -> None:
        """On a mild day the fans of a sound control seem not to start; somebody helps them."""
        sim, head = self.sim, self.sim.circuits.head[self.lane]
        if head not in (physics.CYCLING, physics.SPEED) or not self.service.treat:
            return
        waiting = sim.condition.head[self.lane] == physics.WORKING and 4.0 < self.outdoor_c < 22.0
        if waiting and self.chance(0.10 * share * (1.3 - self.skill)):
            self.do("bypassed control")
            sim.mark(self.u, int(sim.number[self.lane]), "bypassed on a mild day", True, self.hour)
            sim.mark(self.u, int(sim.number[self.lane]), "bypassed on a mild day", False, self.hour + 1)

    def look_around(self, care: float) -> None:
        """Things seen by the way, if one looks."""
        sim, call, condition, u = self.sim, self.call, self.sim.condition, self.u
        lanes = sim.lanes_of[u]
        fitted = sim.circuits.head[lanes] != physics.ALL_ON
        always = (condition.head[lanes] == physics.FANS_ALWAYS_ON) & fitted
        if always.any() and self.chance(care * 0.2):
            self.lane = int(lanes[np.argmax(always)])
            call.findings.append("control bypassed")
            self.do("reconnected control")
        if condition.lp_jumpered[lanes].any() and self.chance(care * 1.2):
            call.findings.append("lp jumpered")
            self.do("removed lp jumper")
        if sim.units[u].economizer and not sim.economizer[u] and self.chance(care * 0.8):
            call.findings.append("economizer idle")
            self.do("fixed economizer")
        if condition.fans_out[lanes].any() and self.chance(care * 2.5):
            call.findings.append("fan motor")
            self.do("replaced fan motor")
        if condition.charge[lanes].min() < 0.85 and self.chance(care * 1.2):
            self.lane = int(lanes[np.argmin(condition.charge[lanes])])
            call.findings.append("low charge")
            self.do("added refrigerant")
        if not always.any() and self.chance(care * 0.15):
            call.findings.append("no jumper")
