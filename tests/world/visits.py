"""What a technician sees and does on one visit, and what it changes. `did` collects what is true of the visit."""

from typing import Any

from .life import Life, Ticket

FIX = {
    "low charge": "leak repaired",
    "metering restricted": "metering replaced",
    "condenser restricted": "condenser cleaned",
    "condenser fan out": "fan replaced",
    "airflow or icing": "airflow restored",
    "compressor failing": "compressor replaced",
    "controls": "controls repaired",
    "economizer idle": "economizer freed",
    "ambient setting holds off": "ambient setting changed",
    "lp switch jumpered": "jumper removed",
    "head control out": "head control reconnected",
}
NEEDS_PARTS = {
    "low charge": 0.25,
    "metering restricted": 0.6,
    "condenser fan out": 0.5,
    "compressor failing": 0.9,
    "controls": 0.2,
    "economizer idle": 0.4,
}
PLANNED_EYE = {
    "condenser restricted": 0.85,
    "airflow or icing": 0.75,
    "condenser fan out": 0.55,
    "lp switch jumpered": 0.2,
    "economizer idle": 0.13,
    "low charge": 0.15,
    "head control out": 0.07,
    "controls": 0.2,
    "ambient setting holds off": 0.02,
    "compressor failing": 0.1,
    "metering restricted": 0.08,
}
COLD_CAUSES = {"no head control", "head control out", "beyond control"}


def attend(life: Life, clock: float, ticket: Ticket) -> None:
    """A service visit."""
    rng, tech = life.rng, life.habits.technicians[ticket.technician]
    say = ticket.did.append
    out_now = sorted(life.out)
    if out_now:
        say("found lp tripped")
    elif ticket.symptom in {"lockout", "was out", "short cycling"}:
        say("running on arrival")
    pressure_call = ticket.symptom in {"lockout", "was out", "short cycling"}
    if ticket.cause in COLD_CAUSES:
        life.cold_visits.append(clock)
    if not life.evolve:
        life.reset(clock, out_now)
        return
    if ticket.cause in COLD_CAUSES:
        _cold_call(life, clock, ticket, tech)
    elif ticket.cause in FIX:
        _fault_call(life, clock, ticket, tech)
    else:
        say(f"{ticket.cause} attended")
    if out_now:
        say(str(rng.choice(["power cycled", "reset", "reset"])))
        if life.reset(clock, out_now) and rng.random() < 0.4:
            say("condenser covered")
    if pressure_call:
        _extras(life, clock, ticket, tech)
    _tempted(life, clock, ticket, tech)


def _extras(life: Life, clock: float, ticket: Ticket, tech: Any) -> None:
    """What is done on low-pressure calls besides: gas that was not missing, parts, jumpers, settings."""
    rng, say = life.rng, ticket.did.append
    if ticket.cause != "low charge" and rng.random() < tech.tops_up:
        say("added refrigerant")
    if rng.random() < 0.08 + 0.2 * tech.parts_happy:
        say(
            str(
                rng.choice(
                    ["lp switch replaced", "contactor replaced", "drier replaced", "board replaced"],
                    p=[0.45, 0.25, 0.1, 0.2],
                )
            )
        )
        if (
            "lp switch replaced" in ticket.did
            and ticket.circuit is not None
            and life.is_so(ticket.circuit, "lp switch jumpered")
        ):
            life.end(clock, ticket.circuit, "lp switch jumpered")
            say("jumper removed")
    if ticket.circuit is not None and rng.random() < tech.jumpers:
        life.begin(clock, ticket.circuit, "lp switch jumpered")
        say("lp switch jumpered")
    if rng.random() < 0.01 and life.unit.duty != "refrigeration":
        life.begin(clock, None, "ambient setting holds off")
        say("ambient lockout enabled")


def _cold_call(life: Life, clock: float, ticket: Ticket, tech: Any) -> None:
    rng, say = life.rng, ticket.did.append
    again = sum(clock - at < 2000 for at in life.cold_visits)
    insight = min(0.8, tech.cold_insight * (0.6 + 0.35 * again))
    if rng.random() >= insight or (ticket.cause == "beyond control" and again < 3) or ticket.circuit is None:
        return
    if ticket.cause == "beyond control":
        say("control judged too weak")
        if not life.never_buys and rng.random() < life.habits.quote_accepted:
            life._push(clock + rng.uniform(150, 1500), "return", (ticket, "head control fitted", ticket.circuit))
        return
    if ticket.cause == "no head control":
        say("found no head control")
        if rng.random() < 0.7:
            say("quoted head control")
            if not life.never_buys and rng.random() < life.habits.quote_accepted:
                life._push(clock + rng.uniform(150, 2200), "return", (ticket, "head control fitted", ticket.circuit))
        return
    say("found head control out")
    if rng.random() < 0.6:
        say("head control reconnected")
        for at in range(len(life.now)):
            if life.now[at].control_out and (at == ticket.circuit or rng.random() < 0.7):
                life.end(clock, at, "head control out")
    else:
        say("parts ordered")
        life._push(clock + rng.uniform(60, 500), "return", (ticket, "head control reconnected", ticket.circuit))


def _fault_call(life: Life, clock: float, ticket: Ticket, tech: Any) -> None:
    rng, say, name = life.rng, ticket.did.append, ticket.cause
    if not life.is_so(ticket.circuit, name) and not life.is_so(None, name):
        return
    circuit = ticket.circuit if life.is_so(ticket.circuit, name) else None
    if name == "airflow or icing":
        circuit = None
    if rng.random() >= tech.skill * (0.75 if name == "metering restricted" else 1.0):
        say("cause not found")
        if name == "low charge" and rng.random() < 0.4:
            _recharge(life, clock, circuit)
            say("added refrigerant")
        return
    say(f"found {name}")
    if name == "low charge" and rng.random() < 0.4:
        _recharge(life, clock, circuit)
        say("recharged")
        return
    if rng.random() < NEEDS_PARTS.get(name, 0.0):
        say("parts ordered")
        life._push(clock + rng.uniform(30, 330), "return", (ticket, FIX[name], circuit))
        return
    life.end(clock, circuit, name)
    say(FIX[name])


def _recharge(life: Life, clock: float, circuit: int | None) -> None:
    """Topped up with the leak left as it is: sound until it has leaked again."""
    if circuit is None or circuit not in life.leaks:
        return
    life.change(clock, circuit, charge=0.0)
    if life.is_so(circuit, "low charge"):
        life.note_end(clock, circuit, "low charge")
        life._push(clock + life.rng.exponential(2500 / life.unit.leak_prone) + 300, "leak", circuit)


def _tempted(life: Life, clock: float, ticket: Ticket, tech: Any) -> None:
    """On a mild day a sound fan control lets its fans stand: somebody takes that for a fault and wires around it."""
    air = float(life.around.outdoor_c[int(clock)])
    if not 5 < air < 25:
        return
    for at, condition in enumerate(life.now):
        works = (
            condition.control_fitted in {"fan cycling", "fan speed", "dampers", "fan staging by ambient"}
            and not condition.control_out
        )
        if works and life.rng.random() < tech.bypasses * life.habits.bypass_level:
            life.begin(clock, at, "head control out")
            ticket.did.append("head control bypassed")


def maintain(life: Life, clock: float, ticket: Ticket) -> None:
    """A planned visit: cleans, changes filters, sees some of what is wrong, and now and then does harm."""
    rng, tech = life.rng, life.habits.technicians[ticket.technician]
    ticket.did.append("maintained")
    for at in [None, *range(len(life.now))]:
        for name in [s.name for s in life.stretches if s.ended is None and s.circuit == at]:
            if rng.random() < PLANNED_EYE.get(name, 0.0) * (0.6 + 0.5 * tech.skill):
                ticket.did += [d for d in (f"found {name}", FIX[name]) if d not in ticket.did]
                life.end(clock, at, name)
    for at in range(len(life.now)):
        if life.now[at].dirt and rng.random() < 0.7:
            life.change(clock, at, dirt=0.0)
            life.note_end(clock, at, "condenser restricted")
    life.reset(clock, sorted(life.out))
    _tempted(life, clock, ticket, tech)


def come_back(life: Life, clock: float, ticket: Ticket, work: str) -> None:
    """A return that an earlier visit ordered: the work is done, if there is still something to do."""
    if work == "head control fitted":
        life.fit_control(clock, ticket.circuit)
        ticket.did.append(work)
        return
    name = next(key for key, value in FIX.items() if value == work)
    if life.is_so(ticket.circuit, name):
        life.end(clock, ticket.circuit, name)
        ticket.did.append(work)
    else:
        ticket.did.append("nothing left to do")
