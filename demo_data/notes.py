"""What people write on tickets: a grammar of shop English with abbreviations, slips, negation and silence.

The only door is `write`: what was complained of, found, done and told goes in as codes, three texts come out. Another
grammar with the same door can stand in for this one.
"""

from __future__ import annotations

import numpy as np

COMPLAINTS = {
    "no cooling": [
        "no cooling",
        "no cool",
        "not cooling",
        "unit down",
        "AC out",
        "no A/C in {room}",
        "unit not running",
        "space warm, unit not cooling",
        "cust says no cooling since {when}",
        "{room} hot, pls respond",
        "down again",
        "no cooling again, same as last time",
        "NO COOLING!!",
    ],
    "server hot": [
        "server rm hot",
        "high temp alarm {room}",
        "IT reports high temp alarm",
        "rm temp {temp} and climbing",
        "data rm alarm, needs asap",
        "equip room overheating",
        "temp alarm overnite",
    ],
    "box warm": [
        "box temp {temp}",
        "walk in warm",
        "cooler not holding temp",
        "freezer alarm",
        "product temp rising, box at {temp}",
        "walkin not pulling down",
    ],
    "not keeping up": [
        "not keeping up",
        "warm in afternoons",
        "poor cooling",
        "runs all the time not getting cold",
        "cools some but not enough",
    ],
    "short cycling": ["unit short cycling", "keeps kicking on and off", "starts and stops", "on/off on/off"],
    "noise": ["loud noise from unit", "squealing", "rattle on roof", "grinding noise", "vibration, tenant complaining"],
    "water": ["water leak at ceiling", "leaking water", "drain pan overflow", "water on floor by unit"],
    "thermostat": [
        "tstat blank",
        "t-stat not responding",
        "thermostat issue",
        "wrong temp on stat",
        "stat reads wrong",
    ],
    "electrical": [
        "breaker tripped",
        "blown fuse at disconnect",
        "unit has no power",
        "burnt smell at unit",
        "tripping breaker",
    ],
    "no heat": ["no heat", "no ht", "furnace section not firing", "heat not working", "cold in {room}, no heat"],
    "odor": ["bad smell from vents", "musty smell", "odor in {room}"],
    "fan": ["fan not running", "cond fan not turning", "outdoor fan stopped"],
    "ice": ["unit iced up", "coil frozen", "ice on lines"],
    "planned": ["spring PM", "fall PM", "PM visit", "quarterly PM", "scheduled maint", "seasonal start up"],
    "quote": ["quote req", "provide quote", "customer requests price", "quote for repair found on last visit"],
    "return": [
        "return w/ parts",
        "parts in, return to complete",
        "return visit per {tech}",
        "finish repair from last trip",
    ],
}
FINDINGS = {
    "locked out": [
        "found unit off on LP",
        "off on low pressure",
        "tripped on lps",
        "LP lockout",
        "board in lockout, lp fault",
        "low press switch open on arrival",
        "ckt {c} off on low press",
        "cmp locked out",
        "found lockout, flash code low pressure",
    ],
    "running on arrival": [
        "unit running on arrival",
        "running when i got here",
        "cooling ok at time of visit",
        "found unit running, all ok",
        "could not duplicate",
        "NPF, unit running",
    ],
    "low suction": ["suction {suct} psi low", "low suct press", "suction low, {suct}#", "sp {suct} hp {head}"],
    "low head": [
        "low head press",
        "head only {head}",
        "head pressure low w/ cold out",
        "no head pressure, {oat} deg outside",
    ],
    "high head": ["head at {high}", "tripped on high head", "off on HPS", "hi head pressure"],
    "no head control": [
        "no low ambient control on unit",
        "unit has no LA kit",
        "no head press control installed",
        "needs low ambient kit",
    ],
    "control bypassed": [
        "found fan cycle control jumped out",
        "FC switch bypassed w/ wire nut",
        "low ambient control was bypassed",
        "head press ctrl wired around",
        "jumper on fan cycling sw",
        "somebody tied fans on with contactor",
    ],
    "control failed closed": [
        "fan cycle sw stuck closed",
        "fan speed ctrl bad, full speed all the time",
        "LA control failed, fans run constant",
    ],
    "control failed open": ["fan cycle sw not closing", "fans not coming on, head ctrl open", "fan spd control dead"],
    "low charge": [
        "low on gas",
        "low on refrig",
        "found low charge",
        "undercharged, sh {sh}",
        "system short",
        "leak at {part}",
        "bubbles at {part}",
    ],
    "metering": [
        "txv not feeding",
        "TXV starving coil",
        "restricted metering dev",
        "drier has temp drop",
        "txv stuck",
        "plugged screen",
    ],
    "dirty condenser": ["cond coil dirty", "condenser plugged w/ cottonwood", "cond coil matted", "dirty cond"],
    "fan motor": ["cond fan mtr bad", "OD fan motor seized", "fan mtr open winding", "cap bad on cond fan"],
    "airflow": ["filters plugged", "blower belt slipping", "dirty evap", "low airflow", "coil iced, filters dirty"],
    "compressor": [
        "compressor weak",
        "comp drawing low amps, poor compression",
        "valves bad in comp",
        "comp tripping on overload",
    ],
    "controls": [
        "control board intermittent",
        "bad relay on board",
        "loose wire at tstat",
        "24v trans weak",
        "contactor pitted",
    ],
    "ambient setting": [
        "controller low ambient lockout set at {set}",
        "amb lockout holding comp off",
        "comp lockout set pt too high in controller",
    ],
    "economizer idle": [
        "econ not modulating",
        "economizer stuck closed",
        "econo actuator dead",
        "damper linkage broken",
    ],
    "no jumper": ["no jumper found", "checked for jumpers - none", "no bypass found", "press controls not jumped"],
    "charge ok": ["charge ok", "pressures good", "not low on gas", "sc {sc} sh {sh} ok", "no leaks found"],
    "lp jumpered": ["found jumper on LP switch", "low press sw was jumped"],
    "belt": ["belt broken", "worn belt", "belt off pulley"],
    "drain": ["drain plugged", "cond drain clogged", "trap dirty"],
    "thermostat": ["tstat batteries dead", "tstat bad", "stat set wrong", "schedule in stat was off"],
    "electrical": ["fuse blown", "breaker weak", "loose lug at disc", "contactor burnt"],
    "noise": ["loose panel", "bearing going out", "fan blade loose", "blower brg bad"],
    "heat": ["flame sensor dirty", "ignitor cracked", "gas valve bad", "limit tripped"],
    "odor": ["dirty evap coil, mold", "dry trap", "dead bird in section"],
    "all ok": ["all ok", "unit ok", "ops normal", "checked op"],
    "load": ["added equip in room, unit undersized", "doors open, load too high", "unit maxed out"],
}
ACTIONS = {
    "reset": [
        "reset",
        "reset lockout",
        "cycled power",
        "power cycled unit",
        "reset board",
        "cycled disc, unit started",
    ],
    "ran": [
        "running on departure",
        "left running",
        "unit running ok at departure",
        "ok at this time",
        "monitored 20 min ok",
        "running, cust ok",
    ],
    "added refrigerant": ["added {lb}# {ref}", "topped off {lb} lbs", "added gas", "adj charge +{lb} lb"],
    "repaired leak": [
        "repaired leak, evac, recharged",
        "fixed flare leak recharge {lb}#",
        "brazed leak at {part}, weighed in charge",
    ],
    "replaced lp switch": ["replaced lp switch", "new LPS installed", "changed low press ctrl"],
    "replaced thermostat": ["replaced tstat", "new stat installed"],
    "replaced contactor": ["replaced contactor", "new contactor + cap", "changed cap"],
    "replaced board": ["replaced control bd", "new board installed", "rewired control ckt"],
    "cleaned condenser": ["cleaned cond coil", "washed condenser", "chem cleaned cond"],
    "replaced fan motor": ["replaced cond fan mtr", "new OD fan motor + cap", "installed motor"],
    "changed filters": ["changed filters", "new filters", "filters + cleaned evap"],
    "changed belt": ["replaced belt", "new belt, adj tension"],
    "cleared drain": ["cleared drain", "blew out drain", "cleaned pan + trap"],
    "fixed electrical": ["replaced fuses", "tightened lugs", "replaced breaker"],
    "fixed noise": ["tightened panel", "greased brgs", "replaced brg", "balanced blade"],
    "fixed heat": ["cleaned flame sensor", "replaced ignitor", "reset limit, ck ops"],
    "fixed odor": ["cleaned coil", "filled trap", "removed bird, sanitized"],
    "replaced valve": ["replaced txv + drier", "new TXV, evac recharge", "changed drier"],
    "replaced compressor": ["replaced compressor, drier, evac, charge", "installed new comp"],
    "reconnected control": [
        "reconnected FC control",
        "removed jumper, FC back in ckt",
        "put head press control back in service, tested",
        "removed bypass on low amb control",
    ],
    "replaced control": [
        "replaced fan cycle switch",
        "new head press control installed + set",
        "installed new fan spd ctrl",
    ],
    "fitted control": [
        "installed low ambient kit",
        "added fan cycle control, set {fon}/{foff}",
        "installed head press ctrl on ckt {c}",
    ],
    "fitted start kit": [
        "installed winter start kit",
        "added start delay + wind baffles",
        "installed lp delay timer and wind guard",
    ],
    "outside air in winter": [
        "unit off for winter, using outside air",
        "set up transfer fan, ac off til spring",
        "cust to run OA in cold wx, cond unit off",
    ],
    "bypassed control": [
        "fan not cycling, jumped out FC sw, fan now on",
        "wired fan direct",
        "bypassed fan control, fan running",
        "fan sw bad? bypassed to get fan going",
        "jumped fan switch, fan runs",
    ],
    "jumpered lp": ["jumped LP to keep running", "bypassed low press temp", "LP jumped til warmer"],
    "removed lp jumper": ["removed jumper from LP", "LP sw back in ckt, removed jumper"],
    "adjusted setting": ["lowered amb lockout set pt", "changed comp lockout in controller to {set}"],
    "fixed economizer": ["replaced econ actuator", "repaired econ linkage", "econ back in operation"],
    "fixed controls": ["repaired wiring", "replaced 24v transformer", "replaced relay"],
    "recommend control": [
        "recommend low amb kit",
        "needs head press control, quote to follow",
        "rec. LA kit, cust to decide",
    ],
    "ordered": ["parts on order", "need to return w/ part", "will return"],
    "nothing": ["no action needed", "advised cust", "no repair made"],
    "checked": ["checked all", "ck pressures, amps ok", "full check ok"],
    "quoted": ["quote sent", "priced job", "emailed quote"],
    "retired": ["unit shut down, to be replaced"],
}
ALMOST_NOTHING = [
    "done",
    "ok",
    "fixed",
    "complete",
    "see ticket",
    "repaired",
    "ck'd ok",
    ".",
    "all good",
    "taken care of",
    "serviced unit",
    "",
]
ROOMS = [
    "server rm",
    "suite 2",
    "kitchen",
    "back office",
    "lobby",
    "rm 104",
    "IDF",
    "main hall",
    "2nd flr",
    "prep area",
]
PARTS = ["flare", "schrader", "u-bend", "svc valve", "drier", "lineset"]
SLIPS = {
    "compressor": "compresor",
    "pressure": "presure",
    "condenser": "condensor",
    "thermostat": "thermastat",
    "control": "controll",
    "installed": "instaled",
    "replaced": "replcaed",
    "running": "runing",
    "bypassed": "bypased",
    "refrig": "refridg",
    "cooling": "colling",
    "switch": "swich",
    "ambient": "ambiant",
    "lockout": "lock out",
    "arrival": "arival",
    "reset": "re-set",
    "economizer": "econimizer",
}


def _fill(rng: np.random.Generator, text: str, facts: dict[str, str]) -> str:
    numbers = {
        "room": str(rng.choice(ROOMS)),
        "when": str(rng.choice(["this am", "last nite", "yesterday", "sat", "6am", "the weekend"])),
        "temp": str(int(rng.integers(74, 96))),
        "suct": str(int(rng.integers(25, 75))),
        "head": str(int(rng.integers(120, 215))),
        "high": str(int(rng.integers(480, 640))),
        "sh": str(int(rng.integers(6, 35))),
        "sc": str(int(rng.integers(4, 14))),
        "part": str(rng.choice(PARTS)),
        "lb": str(int(rng.integers(1, 6))),
        "set": str(rng.choice(["40", "45", "50", "55"])),
        "fon": "400",
        "foff": "300",
        "tech": "office",
        "c": "1",
        "oat": "30",
        "ref": "gas",
    }
    numbers.update(facts)
    return text.format(**numbers)


def _style(rng: np.random.Generator, text: str) -> str:
    """A slip of the pen now and then, capitals now and then."""
    for right, wrong in SLIPS.items():
        if right in text and rng.random() < 0.12:
            text = text.replace(right, wrong)
    shape = rng.random()
    if shape < 0.08:
        return text.upper()
    return text[:1].upper() + text[1:] if shape < 0.45 else text


def _join(rng: np.random.Generator, parts: list[str]) -> str:
    glue = str(rng.choice([". ", ", ", "; ", " - ", "\n", " "], p=[0.4, 0.25, 0.1, 0.08, 0.12, 0.05]))
    return glue.join(part for part in parts if part)


def write(
    rng: np.random.Generator,
    complaint: str,
    findings: list[str],
    actions: list[str],
    facts: dict[str, str],
    silent: bool,
) -> tuple[str, str, str]:
    """Complaint, finding and action text. `silent`: somebody who writes almost nothing."""
    says = _style(rng, _fill(rng, str(rng.choice(COMPLAINTS[complaint])), facts)) if complaint else ""
    if silent:
        brief = str(rng.choice(ALMOST_NOTHING))
        return (says if rng.random() < 0.7 else ""), "", brief
    found = _join(rng, [_fill(rng, str(rng.choice(FINDINGS[code])), facts) for code in findings])
    done = _join(rng, [_fill(rng, str(rng.choice(ACTIONS[code])), facts) for code in actions])
    if rng.random() < 0.18:  # some write everything into one box
        return says, _style(rng, _join(rng, [found, done])), ""
    return says, _style(rng, found), _style(rng, done)
