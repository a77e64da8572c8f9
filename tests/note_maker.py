"""A grammar of technicians' notes with planted truth, for scoring what reads them.

A note is a complaint in a dispatcher's words, and a finding and an action in the hand of one technician. Phrases are
templates: `[a|b|c]` takes one, `<2-6>` is a number, `@place` and its like are names. A hand then abbreviates, shouts,
misspells, translates or runs on. A quarter of the notes say almost nothing, a tenth name a wrong cause. How people
write is common practice in the trade, no source; every text is invented.

A statement is true when it happened on this visit. What somebody else did earlier, what is advised, what was refused
and what was looked for in vain are written too, and are not true.
"""

import random
import re
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np

SYMPTOMS = (
    "no cooling",
    "low-pressure trip",
    "high-pressure trip",
    "fan",
    "belt",
    "electrical",
    "control or thermostat",
    "drain",
    "leak or low charge",
    "icing",
    "noise",
    "compressor",
    "airflow",
    "planned",
    "other",
)
STATEMENTS = (
    "bypass found",
    "bypass removed",
    "bypass denied",
    "power cycled",
    "switch reset",
    "refrigerant added",
    "control reconnected",
    "control fitted",
)
HANDS = ("terse", "prose", "capitals", "slashes", "phone", "figures", "foreign", "dictation")
KINDS = ("plain", "almost nothing", "wrong cause")

ALMOST_NOTHING = 0.25
WRONG_CAUSE = 0.10
POOL = 400


@dataclass(frozen=True, slots=True)
class Note:
    """One note: its texts, what kind it is, the cause it names, and which of the true statements it makes."""

    complaint: str
    finding: str
    action: str
    kind: str
    named: str | None
    stated: tuple[str, ...]


def write(
    cause: str, statements: Collection[str], rng: np.random.Generator, technician: str, *, cold: bool = False
) -> tuple[str, str, str]:
    """Complaint, finding and action of one visit; `technician` is one of `HANDS`, `cold`: the cold was to blame."""
    note = NoteWriter(int(rng.integers(2**62))).note(cause, statements, technician, cold=cold)
    return note.complaint, note.finding, note.action


class NoteWriter:
    """Writes notes; each phrase is written afresh until its pool is full, and is then drawn from the pool."""

    def __init__(self, seed: int, pool: int = POOL) -> None:
        self._random = random.Random(seed)
        self._size = pool
        self._pools: dict[tuple[str, str, str], list[str]] = {}

    def note(self, cause: str, statements: Collection[str], hand: str, *, cold: bool = False) -> Note:
        """One visit with its planted truth; raises ValueError on an unknown cause, statement or hand."""
        draw = self._random.random()
        true = [statement for statement in STATEMENTS if statement in statements]
        unknown = {cause} - set(SYMPTOMS) | {hand} - set(HANDS) | set(statements) - set(STATEMENTS)
        if unknown:
            raise ValueError(f"no such cause, hand or statement: {sorted(unknown)}")
        if draw < ALMOST_NOTHING:
            return self._almost_nothing(cause, true, hand)
        if draw < ALMOST_NOTHING + WRONG_CAUSE:
            return self._full(cause, self._random.choice(MISTAKEN[cause]), true, hand, cold=False)
        return self._full(cause, cause, true, hand, cold=cold)

    def _almost_nothing(self, cause: str, true: list[str], hand: str) -> Note:
        chance = self._random.random
        complaint = self._complaint(cause, chance() < 0.15)
        said = [statement for statement in true if chance() < 0.5][:1]
        finding = "" if chance() < 0.5 else self._phrase("empty finding", "", hand)
        parts = [
            self._phrase("statement", f"{statement}|{cause}|{self._safety(cause, true)}", hand) for statement in said
        ]
        if not parts or chance() < 0.5:
            parts.append(self._phrase("empty action", "", hand))
        action = "" if chance() < 0.12 and not said else _joined(hand, parts, self._random)
        return Note(complaint, finding, action, "almost nothing", None, tuple(said))

    def _full(self, cause: str, named: str, true: list[str], hand: str, *, cold: bool) -> Note:
        chance = self._random.random
        slot = "sentence" if hand in ("prose", "foreign") and chance() < 0.5 else "found"
        found = [self._phrase(slot, named, hand)]
        if cold and named == "low-pressure trip" and chance() < 0.55:
            found.append(self._phrase("cold", "", hand))
        if hand != "slashes" and chance() < 0.25:
            found.append(self._phrase("found", named, hand))
        if hand == "figures" or chance() < 0.08:
            found.append(self._phrase("figures", named, hand))
        did = [self._phrase("did", named, hand)] if chance() < 0.8 else []
        about = f"{named}|{self._safety(named, true)}"
        for statement in true:
            part = found if statement in ("bypass found", "bypass denied") and chance() < 0.8 else did
            part.insert(self._random.randint(0, len(part)), self._phrase("statement", f"{statement}|{about}", hand))
        self._add_remarks(found, did, named, true, hand)
        kind = "plain" if named == cause else "wrong cause"
        complaint = self._complaint(cause, chance() < SPECIFIC_COMPLAINT[cause])
        finding, action = self._laid_out(found, did, hand)
        return Note(complaint, finding, action, kind, named, tuple(true))

    def _safety(self, named: str, true: list[str]) -> str:
        """Which safety or control the note is about, one throughout."""
        if "control reconnected" in true:
            return "head control"
        if named == "high-pressure trip":
            return "high"
        return self._random.choice(("low", "low", "head control"))

    def _add_remarks(self, found: list[str], did: list[str], named: str, true: list[str], hand: str) -> None:
        """What muddies a note: good order elsewhere, what others did, what was not done, advice, chatter."""
        chance, pick = self._random.random, self._random.choice
        if chance() < 0.28:
            found.append(self._phrase("in order", pick([other for other in IN_ORDER if other != named]), hand))
        if chance() < 0.12:
            found.insert(0, self._phrase("earlier", "", hand))
        if chance() < 0.15:
            absent = [statement for statement in NOT_DONE if statement not in true]
            did.append(self._phrase("not done", pick(absent), hand)) if absent else None
        if chance() < 0.20:
            did.append(self._phrase("advice", named if chance() < 0.6 else "any", hand))
        if chance() < 0.20:
            pick([found, did]).append(self._phrase("chatter", "", hand))
        if chance() < 0.5:
            did.append(self._phrase("closing", "", hand))

    def _laid_out(self, found: list[str], did: list[str], hand: str) -> tuple[str, str]:
        """Finding and action; some write everything into one box."""
        one_box = {"slashes": 0.8, "terse": 0.3, "phone": 0.4, "dictation": 0.6}.get(hand, 0.1)
        if self._random.random() < one_box:
            return ("", _joined(hand, found + did, self._random))
        return _joined(hand, found, self._random), _joined(hand, did, self._random)

    def _complaint(self, cause: str, specific: bool) -> str:
        if specific:
            return self._phrase("complaint", cause, self._random.choice(DESKS))
        if self._random.random() < 0.06:
            return ""
        key = "hot" if cause in CAUSES_FELT_AS_HEAT and self._random.random() < 0.8 else "neutral"
        return self._phrase("complaint", key, self._random.choice(DESKS))

    def _phrase(self, slot: str, key: str, hand: str) -> str:
        pool = self._pools.setdefault((slot, key, hand), [])
        if len(pool) >= self._size:
            return pool[self._random.randrange(self._size)]
        pool.append(_written(slot, key, hand, self._random))
        return pool[-1]


def _written(slot: str, key: str, hand: str, rnd: random.Random) -> str:
    """One phrase in one hand."""
    subject, _, named = key.partition("|")
    named, _, safety = named.partition("|")
    if slot == "statement":
        own = STATEMENT_SENTENCES.get(hand, {}).get(subject)
        lines = _lines(own) if own and rnd.random() < 0.5 else _lines(STATEMENT_PHRASES[subject])
    elif slot == "sentence":
        lines = _lines((SENTENCES if hand == "prose" else FOREIGN)[subject])
    else:
        book = BOOK[slot]
        lines = _lines(book[subject] if isinstance(book, dict) else book)
    text = VOICES[hand](_expanded(rnd.choice(lines), rnd, named, safety), slot, rnd)
    return re.sub(r"  +", " ", text).strip()


@cache
def _lines(text: str) -> tuple[str, ...]:
    return tuple(line.strip() for line in text.strip().splitlines() if line.strip())


_CHOICE = re.compile(r"\[([^\[\]]*)\]")
_NUMBER = re.compile(r"<([\d.]+)-([\d.]+)>")
_NAME = re.compile(r"@(\w+)")


def _expanded(template: str, rnd: random.Random, named: str = "", safety: str = "") -> str:
    text = template

    def name(match: re.Match[str]) -> str:
        if match[1] == "switch":
            return rnd.choice(SWITCH_NAMES.get(named, SWITCH_NAMES[""]))
        if match[1] == "safety":
            return rnd.choice(SAFETIES[safety or "low"])
        return rnd.choice(NAMES[match[1]])

    text = _NAME.sub(name, text)
    while "[" in text:
        text = _CHOICE.sub(lambda match: rnd.choice(match[1].split("|")), text)
    return re.sub(r"  +", " ", _NUMBER.sub(lambda match: _number(match[1], match[2], rnd), text)).strip()


def _number(low: str, high: str, rnd: random.Random) -> str:
    if "." in low + high:
        return f"{rnd.uniform(float(low), float(high)):.1f}"
    return str(rnd.randint(int(low), int(high)))


# --- hands --------------------------------------------------------------------------------------------------


def _swapped(text: str, table: dict[str, tuple[str, ...]], chance: float, rnd: random.Random) -> str:
    """Words of the table replaced, each with the given chance; longest entries first."""

    def swap(match: re.Match[str]) -> str:
        return rnd.choice(table[match[0].lower()]) if rnd.random() < chance else match[0]

    return _pattern(tuple(table)).sub(swap, text)


@cache
def _pattern(words: tuple[str, ...]) -> re.Pattern[str]:
    longest_first = sorted(words, key=len, reverse=True)
    return re.compile(r"\b(?:" + "|".join(map(re.escape, longest_first)) + r")\b", re.IGNORECASE)


_ARTICLE = re.compile(r"\b(?:the|a|an|was|were) ", re.IGNORECASE)


def _terse(text: str, slot: str, rnd: random.Random) -> str:
    return _swapped(_ARTICLE.sub("", text), SHORT, 0.75, rnd)


def _prose(text: str, slot: str, rnd: random.Random) -> str:
    if slot == "sentence":
        return text
    if slot in ("did", "statement") and _starts_with_verb(text):
        text = f"{rnd.choice(LEADS_DID)} {text}" if rnd.random() < 0.7 else text
    elif slot in ("found", "cold", "in order") and not _starts_with_verb(text):
        text = f"{rnd.choice(LEADS_FOUND)} {text}"
    return text[:1].upper() + text[1:]


def _capitals(text: str, slot: str, rnd: random.Random) -> str:
    return _swapped(text, SHORT, 0.25, rnd).upper()


def _slashes(text: str, slot: str, rnd: random.Random) -> str:
    return _swapped(_ARTICLE.sub("", text), SHORT, 0.5, rnd).replace(", ", "/")


def _phone(text: str, slot: str, rnd: random.Random) -> str:
    words = _swapped(text, MISSPELT, 0.45, rnd).lower().replace(",", "").split(" ")
    return " ".join(_mistyped(word, rnd) if rnd.random() < 0.07 else word for word in words)


def _figures(text: str, slot: str, rnd: random.Random) -> str:
    return _swapped(text, SHORT, 0.35, rnd)


def _foreign(text: str, slot: str, rnd: random.Random) -> str:
    if slot == "sentence":
        return text
    return _swapped(_ARTICLE.sub("", text) if rnd.random() < 0.7 else text, BROKEN, 0.7, rnd)


def _dictation(text: str, slot: str, rnd: random.Random) -> str:
    text = _swapped(text, HEARD, 0.6, rnd).lower().replace("/", " ").replace(",", " and" if rnd.random() < 0.5 else "")
    return f"{rnd.choice(FILLERS)} {text}" if rnd.random() < 0.4 else text


def _desk_plain(text: str, slot: str, rnd: random.Random) -> str:
    return text[:1].upper() + text[1:]


def _desk_loud(text: str, slot: str, rnd: random.Random) -> str:
    return text.upper()


def _desk_short(text: str, slot: str, rnd: random.Random) -> str:
    return _swapped(text, SHORT, 0.5, rnd)


def _desk_hasty(text: str, slot: str, rnd: random.Random) -> str:
    words = text.lower().split(" ")
    return " ".join(_mistyped(word, rnd) if rnd.random() < 0.05 else word for word in words)


VOICES: dict[str, Callable[[str, str, random.Random], str]] = {
    "terse": _terse,
    "prose": _prose,
    "capitals": _capitals,
    "slashes": _slashes,
    "phone": _phone,
    "figures": _figures,
    "foreign": _foreign,
    "dictation": _dictation,
    "desk plain": _desk_plain,
    "desk loud": _desk_loud,
    "desk short": _desk_short,
    "desk hasty": _desk_hasty,
}
DESKS = ("desk plain", "desk loud", "desk short", "desk hasty")


def _starts_with_verb(text: str) -> bool:
    first = text.split(" ", 1)[0].lower()
    return first.endswith("ed") or first in VERBS


def _mistyped(word: str, rnd: random.Random) -> str:
    """One slip of the thumb in a word of five letters or more."""
    if len(word) < 5 or not word.isalpha():
        return word
    at = rnd.randrange(1, len(word) - 1)
    slip = rnd.randrange(4)
    if slip == 0:
        return word[:at] + word[at + 1 :]
    if slip == 1:
        return word[:at] + word[at + 1] + word[at] + word[at + 2 :]
    if slip == 2:
        return word[:at] + word[at] + word[at:]
    return word[:at] + rnd.choice("aeiorstn") + word[at + 1 :]


def _joined(hand: str, parts: Iterable[str], rnd: random.Random) -> str:
    parts = [part for part in parts if part]
    if hand == "prose":
        return ". ".join(parts) + "." if parts else ""
    return rnd.choice(JOINTS[hand]).join(parts)


JOINTS = {
    "terse": (", ", ". ", "; ", " - "),
    "capitals": (". ", ", ", " - "),
    "slashes": (" / ", "/"),
    "phone": (" ", ", ", "  ", " n "),
    "figures": ("; ", ". ", "\n"),
    "foreign": (". ", ", ", " and "),
    "dictation": (" and then ", " so ", " and ", " um "),
}
LEADS_FOUND = (
    "Upon arrival found",
    "On arrival I observed",
    "After checking the equipment over I found",
    "Troubleshooting showed",
    "I went through the unit and noticed",
    "It turned out there was",
    "Once on the roof I saw",
)
LEADS_DID = ("I", "Next I", "I then", "With the customer's approval I", "To get them going I")
FILLERS = ("okay so", "um", "alright", "yeah so", "basically", "uh")
VERBS = frozenset({
    "reset", "cut", "found", "took", "put", "made", "let", "gave", "shut", "ran", "got", "set", "built", "blew", "left",
    "brought", "did", "fed", "hit", "rewired", "re-set", "unwired", "told", "poured",
})  # fmt: skip

# --- words of the hands -------------------------------------------------------------------------------------

SHORT: dict[str, tuple[str, ...]] = {
    "compressor": ("comp", "cmpr", "compr", "cprsr"),
    "compressors": ("comps", "cmprs"),
    "condenser": ("cond", "cdsr", "cndsr"),
    "condenser fan": ("CF", "cond fan", "c/f", "OFM"),
    "condenser fan motor": ("CFM mtr", "cond fan mtr", "OFM", "c/f mtr"),
    "evaporator": ("evap", "evp"),
    "thermostat": ("tstat", "t-stat", "stat", "t'stat"),
    "low pressure switch": ("LPS", "LP sw", "lo press sw", "LPC"),
    "high pressure switch": ("HPS", "HP sw", "hi press sw", "HPC"),
    "low pressure": ("LP", "lo press", "low press", "L.P."),
    "high pressure": ("HP", "hi press", "high press", "H.P."),
    "head pressure": ("head", "hd press", "head psi"),
    "head pressure control": ("HPC", "hd press ctrl", "head ctrl"),
    "fan cycling": ("fan cyc", "FC"),
    "fan cycling switch": ("FCS", "fan cyc sw", "FC sw"),
    "suction": ("suct", "suc"),
    "pressure": ("press", "psi", "prs"),
    "pressures": ("press", "psi's"),
    "refrigerant": ("refrig", "gas", "freon", "rfgt", "ref"),
    "replaced": ("repl", "rplcd", "R&R", "repl'd", "chgd"),
    "installed": ("inst", "instld", "inst'd"),
    "removed": ("rmvd", "rem'd", "rem"),
    "checked": ("ck'd", "chkd", "ckd", "cked"),
    "found": ("fnd", "fd", "fnd"),
    "customer": ("cust", "c/o"),
    "motor": ("mtr", "mot"),
    "with": ("w/",),
    "without": ("w/o",),
    "and": ("&", "+"),
    "contactor": ("cont", "contr", "cntctr"),
    "capacitor": ("cap",),
    "transformer": ("xfmr", "x-former", "trans"),
    "temperature": ("temp",),
    "recommend": ("rec", "recmd", "rec'd"),
    "voltage": ("volts", "V"),
    "building": ("bldg",),
    "second floor": ("2nd flr", "2FL"),
    "server room": ("srvr rm", "IT rm", "MDF"),
    "filters": ("fltrs", "filts"),
    "filter": ("fltr",),
    "technician": ("tech",),
    "condensate": ("cond", "conden"),
    "circuit": ("ckt", "cir", "circ"),
    "number": ("#", "no."),
    "not working": ("N/W", "inop", "not wkg"),
    "no cooling": ("N/C", "no clg", "no cool"),
    "air conditioning": ("A/C", "AC"),
    "cooling": ("clg", "cool"),
    "switch": ("sw",),
    "control": ("ctrl", "cntrl", "ctl"),
    "controls": ("ctrls",),
    "repaired": ("rep'd", "rprd"),
    "leaking": ("lkg",),
    "cleaned": ("cln'd", "clnd"),
    "tightened": ("tight'd", "tightnd"),
    "minutes": ("min",),
    "pounds": ("#", "lbs", "lb"),
    "degrees": ("deg", "F"),
    "operating": ("op", "oper"),
    "operation": ("op", "oper"),
    "inspection": ("insp",),
    "maintenance": ("maint", "mtc"),
    "quarterly": ("qtrly",),
    "jumper": ("jmpr", "jmp", "jumper"),
    "jumpered": ("jmpd", "jmp'd", "jumped"),
    "bypass": ("byp", "bypss"),
    "bypassed": ("byp'd", "bypd", "bypassed"),
    "disconnect": ("disc", "disco"),
    "breaker": ("bkr", "brkr", "CB"),
    "discharge": ("disch",),
    "supply": ("sup", "SA"),
    "return": ("ret", "RA"),
    "system": ("sys",),
    "power": ("pwr",),
    "blower": ("blwr",),
    "bearing": ("brg",),
    "bearings": ("brgs",),
}
MISSPELT: dict[str, tuple[str, ...]] = {
    "compressor": ("compresor", "compresser", "comprssor", "compessor"),
    "condenser": ("condensor", "condencer", "condesner"),
    "thermostat": ("thermastat", "theromstat", "termostat", "thermostate"),
    "refrigerant": ("refridgerant", "refrigerent", "refrigrant", "freeon"),
    "contactor": ("contacter", "contractor", "contator"),
    "capacitor": ("capaciter", "cappacitor", "capasitor"),
    "pressure": ("presure", "pressue", "preasure"),
    "jumper": ("jumpr", "jumber", "jummper"),
    "bypassed": ("bypased", "by passed", "bipassed"),
    "bypass": ("by pass", "bipass", "bypas"),
    "removed": ("removd", "remved"),
    "installed": ("instaled", "intsalled"),
    "replaced": ("replced", "repalced", "replacd"),
    "breaker": ("braker", "breakr"),
    "bearing": ("baring", "bareing"),
    "bearings": ("barings", "bearigns"),
    "leak": ("leek", "leak"),
    "leaking": ("leeking", "leakign"),
    "frozen": ("froze", "frozzen", "frozn"),
    "filters": ("filers", "filtres", "fliters"),
    "evaporator": ("evaperator", "evaporater"),
    "drain": ("drian", "drane"),
    "tripped": ("triped", "trippd"),
    "cycled": ("cyled", "cycld"),
    "suction": ("sucton", "suctoin"),
    "circuit": ("curcuit", "circut"),
    "you": ("u",),
    "your": ("ur",),
    "and": ("n", "and"),
    "with": ("w", "wit"),
    "because": ("cuz",),
    "recommend": ("recomend", "reccomend"),
    "noise": ("nosie", "noize"),
    "vibrating": ("vibrateing", "virbating"),
    "transformer": ("tranformer", "transfomer"),
    "fuse": ("fues", "fuze"),
    "airflow": ("air flo", "airlfow"),
    "maintenance": ("maintenence", "maintanance", "maintence"),
    "belt": ("blet", "belt"),
    "motor": ("moter", "motr"),
    "reset": ("resett", "rest", "reseted"),
}
BROKEN: dict[str, tuple[str, ...]] = {
    "found": ("I find", "was finding"),
    "replaced": ("I change", "I have changed for new", "make new"),
    "installed": ("I mount", "I have mounted", "put new"),
    "removed": ("I take away", "I take out", "have removed"),
    "added": ("I fill", "I put inside", "have added"),
    "reset": ("make reset", "I have resetted", "reset"),
    "checked": ("I control", "I have controlled", "checked"),
    "cleaned": ("I clean", "have make clean"),
    "tightened": ("I make tight", "fix strong"),
    "compressor": ("kompressor", "compresor", "compressor"),
    "thermostat": ("termostat", "room regulator", "thermostat"),
    "condenser": ("condensator", "condenser", "kondenser"),
    "evaporator": ("evaporador", "vaporizer", "evaporator"),
    "fan": ("ventilator", "ventilador", "fan"),
    "refrigerant": ("gas", "cooling gas", "cold medium"),
    "pressure": ("presion", "pressure", "presure"),
    "low pressure": ("low presure", "under pressure", "low pressure"),
    "high pressure": ("over pressure", "high presure", "high pressure"),
    "breaker": ("automat", "main switch", "breaker"),
    "power": ("current", "tension", "power"),
    "broken": ("broke", "kaput", "broken"),
    "is": ("", "it is", "is"),
    "not running": ("not turn", "does not going", "no function"),
    "noise": ("noises", "sound"),
    "water": ("waters", "water"),
    "leaking": ("is losing", "not tight", "leaking"),
    "unit": ("machine", "apparatus", "unit"),
    "customer": ("client", "customer"),
    "wire": ("cable", "wire"),
    "wires": ("cables", "wires"),
    "fuse": ("fusible", "fuse"),
    "contactor": ("contactor relay", "schutz", "contactor"),
    "filters": ("filter mats", "filtros", "filters"),
    "jumper": ("bridge", "bridge cable", "jumper"),
    "jumpered": ("bridged", "with bridge", "jumpered"),
    "bypassed": ("bridged over", "bypassed"),
}
HEARD: dict[str, tuple[str, ...]] = {
    "compressor": ("compressor", "the compressor"),
    "condenser": ("condenser", "condensor"),
    "coil": ("coil", "coyle"),
    "capacitor": ("capacity or", "capacitor"),
    "contactor": ("contact or", "contractor", "contactor"),
    "lp": ("l p", "el pee", "lp"),
    "hp": ("h p", "aitch p"),
    "txv": ("t x v", "tx valve"),
    "tstat": ("t stat", "tea stat"),
    "rtu": ("r t u", "are to you"),
    "psi": ("p s i", "pounds"),
    "breaker": ("breaker", "braker"),
    "leak": ("leak", "leek"),
    "bypassed": ("by past", "by passed", "bypassed"),
    "bypass": ("by pass", "bypass"),
    "reset": ("re set", "reset"),
    "jumper": ("jumper", "jump her"),
    "belt": ("belt", "built"),
    "sheave": ("sheave", "chive", "shiv"),
    "ambient": ("ambient", "ambience", "ambulant"),
    "condensate": ("condensate", "condensation", "condense it"),
    "superheat": ("super heat", "superheat"),
    "subcooling": ("sub cooling", "subcooling"),
    "brazed": ("braised", "brazed"),
    "weighed in": ("weighed in", "wade in"),
    "suction": ("suction", "section"),
    "filters": ("filters", "philters"),
    "defrosted": ("defrosted", "the frosted"),
    "frozen": ("frozen", "froze in"),
    "head": ("head", "had"),
}
NAMES: dict[str, tuple[str, ...]] = {
    "place": (
        "server room", "second floor", "kitchen", "dining room", "suite [104|210|305|B]", "clinic side", "laundry",
        "main hall", "north side", "back office", "sales floor", "warehouse office", "lobby", "break room", "gym",
        "chapel", "exam rooms", "walk-in", "pharmacy", "conference room",
    ),
    "unit": ("RTU-<1-14>", "unit <1-9>", "AC-<1-8>", "rtu <1-12>", "CU-<1-6>", "the <3-20> ton", "unit #<1-9>"),
    "who": ("[Mike|Dave|Ramon|Joe|Pete|Lenny]", "prior tech", "other company", "last guy", "night tech"),
    "gas": ("410A", "R410", "R-22", "22", "404", "407C", "R-410A", "454B"),
    "headcontrol": (
        "fan cycling [switch|control]", "head pressure control", "low ambient [kit|control]", "fan cycle control",
        "fan speed control", "low ambient head control", "pressure fan switch", "ambient kit", "head master",
        "condenser fan cycling control",
    ),
}  # fmt: skip
SAFETIES: dict[str, tuple[str, ...]] = {
    "low": ("LP switch", "low pressure switch", "low pressure control", "LP", "low side cutout", "low pressure safety"),
    "high": ("HP switch", "high pressure switch", "high pressure control", "HP", "head pressure switch"),
    "head control": ("fan cycling switch", "head pressure control", "low ambient control", "fan cycle control"),
}
SWITCH_NAMES: dict[str, tuple[str, ...]] = {
    "low-pressure trip": ("LP", "low pressure switch", "low pressure control", "LP switch", "low side switch", "LPS"),
    "high-pressure trip": ("HP", "high pressure switch", "high pressure control", "HP switch", "head pressure switch"),
    "drain": ("float switch", "pan switch", "wet switch", "condensate safety"),
    "compressor": ("overload", "oil safety", "high pressure switch", "low pressure switch"),
    "": ("LP switch", "low pressure switch", "high pressure switch", "HP switch", "pressure switch", "safety switch"),
}

# --- what a cause is taken for, and how it reaches the dispatcher -------------------------------------------

MISTAKEN: dict[str, tuple[str, ...]] = {
    "no cooling": ("control or thermostat", "airflow", "electrical"),
    "low-pressure trip": ("leak or low charge", "control or thermostat", "electrical", "compressor", "no cooling"),
    "high-pressure trip": ("fan", "electrical", "compressor", "leak or low charge"),
    "fan": ("high-pressure trip", "electrical", "belt"),
    "belt": ("airflow", "noise", "fan"),
    "electrical": ("control or thermostat", "compressor", "fan"),
    "control or thermostat": ("electrical", "no cooling", "low-pressure trip"),
    "drain": ("leak or low charge", "icing", "other"),
    "leak or low charge": ("low-pressure trip", "icing", "compressor", "airflow"),
    "icing": ("leak or low charge", "airflow", "drain"),
    "noise": ("fan", "belt", "compressor"),
    "compressor": ("electrical", "leak or low charge", "high-pressure trip"),
    "airflow": ("icing", "belt", "no cooling"),
    "planned": ("no cooling", "airflow"),
    "other": ("control or thermostat", "electrical"),
}
CAUSES_FELT_AS_HEAT = frozenset(SYMPTOMS) - {"drain", "noise", "planned", "other"}
SPECIFIC_COMPLAINT: dict[str, float] = dict.fromkeys(SYMPTOMS, 0.3) | {
    "drain": 0.8,
    "noise": 0.8,
    "planned": 0.75,
    "other": 0.75,
    "no cooling": 0.5,
    "low-pressure trip": 0.2,
}

# --- complaints ---------------------------------------------------------------------------------------------

COMPLAINT: dict[str, str] = {
    "hot": """
[customer|cust|tenant|manager|site contact] [states|says|reports] [unit|AC|air] [not cooling|is not working]
no a/c [in @place|at @place|again|since this morning|since last night]
@place [hot|too warm|is warm|getting warm]
@place is <78-92> [degrees|deg|F] [and rising|, needs service asap|]
[no cool|not cooling|no cooling] call, @place
AC [down|out] [@place|again]
[warm|hot] call [@place|per manager]
[temp alarm|high temp alarm] [from|in] @place
@unit not [cooling|working|running]
[please check|check] @unit [not keeping temp|not cooling|blowing warm]
blowing [warm|hot] air
unit will not [come on|run|start]
[tenant|staff] complaining [of heat|it is hot in @place]
space temp [alarm|high] <80-95>
air conditioner not [working|keeping up] in @place
emergency - [@place|IT room] over temp
unit [quit|stopped|went down] [overnight|this am|over the weekend]
no cold air [@place|upstairs]
""",
    "neutral": """
service call
[check|look at] @unit
see [site contact|manager|Brenda|front desk] [on arrival|]
[customer|cust] request
unit problem
AC issue
[call|contact] manager [30 min|before] [ahead|arrival]
svc call @place
HVAC issue, see manager
needs [service|tech]
troubleshoot @unit
@unit
problem with [unit|hvac] in @place
""",
    "no cooling": """
not cooling [at all|] @place
[staff says|cust says] AC not keeping up on hot days
no cooling [in @place|@unit]
@place won't get below <76-84>
temp creeping up in @place
AC runs but [room|space] stays warm
not cooling [well|good enough] after <1-4> pm
warm in @place, unit seems to be running
""",
    "low-pressure trip": """
[controller|panel] showing low pressure [alarm|fault]
[IT|server] room unit on low press alarm
unit [starts and stops|short cycling|kicks on and off]
unit goes off [when it gets cold out|every cold night]
low pressure lockout on @unit
alarm code LP, @place
unit down again same alarm as last time (low pressure)
BAS shows [low suction|LP] alarm
""",
    "high-pressure trip": """
[high pressure|high head] alarm on @unit
unit [kicks off|shuts down] in the [heat of the day|afternoon]
HP fault on [panel|display]
cuts out when hot outside, [comes back at night|works in mornings]
BAS high pressure alarm
staff has to push red button on unit to get it going
@unit tripping on head pressure per customer
""",
    "fan": """
[outside|roof|outdoor] fan not [turning|spinning|running]
fan on top of unit [not spinning|stopped]
no air [coming out|from vents], [hear hum|fan wont start]
customer sees one fan not turning
fan motor smells hot
blower won't come on
""",
    "belt": """
[squealing|screeching] [from roof|unit] then no air
[smell of burning rubber|burnt rubber smell] @place
belt [broke|squealing] per maintenance man
maint. says belt is off
unit running but hardly any air, loud chirping
""",
    "electrical": """
unit [tripping|trips|keeps tripping] breaker
[no power|dead] at unit
breaker [off|tripped] will not [reset|stay on]
burning [smell|electrical smell] at unit
[after storm|power outage last night] unit is dead
sparks at disconnect per janitor
lost a leg? half the unit is dead
""",
    "control or thermostat": """
thermostat [blank|screen dark|not responding]
t-stat [reads wrong|says 70 but it is 80|stuck on hold]
[set to 70 and reads 78|cannot change set point]
unit runs all [night|weekend]
unit [cooling when it should heat|running nonstop]
BAS [cannot see unit|lost comm with @unit]
[schedule|occupied hours] wrong, AC off at <6-9> am
temp swings in @place, stat acting up
""",
    "drain": """
water [leaking|dripping|coming] [from ceiling|thru ceiling tile|from unit|on floor] [@place|]
ceiling [stain|tile wet] below @unit
[puddle|water on floor] by [air handler|closet unit]
drip from vent in @place
overflow alarm / water sensor [tripped|@place]
wet [carpet|ceiling] @place, AC related
condensate leaking [on shelves|onto desk]
bucket under unit [full|again]
""",
    "leak or low charge": """
[not cooling|warm], tech last year said low on freon
think it needs [freon|gas|a charge]
hissing sound at unit then stopped cooling
oil [spot|stain] under unit and not cooling
cooling less and less over [weeks|the past month]
needs refrigerant again per cust
AC weak, cust suspects leak in system
""",
    "icing": """
ice on [unit|pipes|the lines|coil]
[unit|coil] [freezing up|frozen|is iced over]
block of ice inside air handler
freezing up [again|every day]
lines covered in frost
walk-in coil [iced|full of ice]
""",
    "noise": """
[loud|strange|bad] noise [from unit|from roof|above @place]
[rattling|banging|grinding|humming|vibration] [in ceiling|above @place|on roof]
neighbors complain about noise at night
noisy [unit|RTU] @place
unit shakes the ceiling when it starts
buzzing noise
sounds like a [helicopter|freight train]
""",
    "compressor": """
compressor [not starting|trips breaker|hums]
fans run but compressor doesn't
loud clunk when starting then no cooling
need second opinion on compressor
lights dim when unit tries to start
""",
    "airflow": """
[weak|no|low|poor] air [flow|from vents|from registers] @place
barely any air coming out
one room [not getting air|stuffy]
@place stuffy no air movement
filters need changed? no air
vents not blowing
""",
    "planned": """
[PM|pm|preventive maintenance] [visit|inspection|due]
[quarterly|annual|semi-annual|spring|fall] [PM|maintenance|inspection]
scheduled maintenance [all units|@unit]
filter change
contract visit [1 of 4|2 of 4|3 of 4|Q1|Q2|Q3|Q4]
belts and filters
seasonal startup
season change over
[Cooling|Heating] start up check
""",
    "other": """
no heat [@place|]
[gas|gas smell] odor on roof
hood [light out|grease dripping]
water heater [leaking|out]
[need|wants] [price|estimate] for [new unit|adding a zone]
roof hatch [stuck|won't lock]
[humidifier|dehumidifier] [not working|leaking]
odor in @place, sewer like
move [stat|diffuser] for remodel
meet [inspector|fire marshal|electrician] on site
ice machine not making ice
return tools left on roof
raccoon in ductwork
key pickup / deliver filters
boiler [alarm|off]
""",
}

# --- findings -----------------------------------------------------------------------------------------------

FOUND: dict[str, str] = {
    "no cooling": """
unit [running|cooling] normal [on arrival|when I got there], nothing wrong found
space at <74-82>, set at <68-72>, unit [running steady|just doesn't have the capacity for the load]
[undersized|too small] for [load|the space]
cooling call, unit [satisfied|ran|cycled] ok, could not [duplicate|reproduce] [complaint|problem]
@place warm, unit [was cooling|making cold air] but [behind|not catching up]
no fault found, all [readings|temps] normal
<14-22> [deg|degree] split, can't find a problem
unit is doing all it can at <95-108> outdoors
doors propped open, [heat load|solar load] in space
too many [people|computers|ovens] in @place for unit size
not cooling per customer, [everything checks out|all checks ok]
everything ran when I put a call in, no cause [found|seen]
no problem found with equipment
room over set point, unit at full cooling, [design issue|load issue]
warm space, [intermittent problem|could not get it to act up]
ran unit in test, cooled fine, unable to verify complaint
space slow to pull down after [weekend setback|power outage|being off]
both stages on and <16-20> deg drop, still warm at [far end|windows]
""",
    "low-pressure trip": """
unit [off|out|down|locked out] on [LP|low pressure|low pressure switch|the LP control|low side]
[low pressure|LP] [switch|cutout|control|safety] [open|tripped|out|was open]
[circuit|stage|ckt] [1|2|A|B] [tripped|out|locked] [on low|on low pressure|on LP]
[low pressure|low side|suction pressure] lockout [on board|flashing|on display|stored in controller]
[LED|light] blinking [3 times|code 31|4 flashes], low pressure [switch|lockout]
board showing [low press fault|LP fault|low suction]
suction [pulling|pulls] down to <12-38> psi then [cuts out|drops out|trips]
unit [short cycling|starts then stops] on [LP|low pressure switch]
[starts|it starts], pulls low and [trips|kicks out] after <20-90> sec
button on [LP|low pressure control] popped [out|]
static pressure only <85-112> and [LP|low switch] won't make
[LP|low pressure] contacts open, <24-27> volts across them
tripped on low suction
low suction trip [again|on startup|overnight]
[pumps itself down|pumped down] and won't come back
nuisance LP trips [per history|in alarm log]
<2-7> low pressure trips in [log|alarm history]
[dead|off] on low side safety
[lo|low] press cutout had it [off|down]
no call at contactor, traced to open low pressure switch
24v stops at the low pressure control
[LPS|low switch] opening at <48-62> psi
unit tries three times then locks out on low pressure
low pressure alarm on @unit, switch hasn't made back up
safety chain open at LP
low suction in the [teens|20's|30's] at start then lockout
""",
    "high-pressure trip": """
unit [off|out|locked out] on [HP|high pressure|high head|the high pressure switch|head pressure]
[high pressure|HP|high head] [switch|cutout|control|limit] [tripped|open|out]
head pressure [climbing|going|running] to <480-640> [psi|and cutting out|then trips]
condenser coil [plugged|dirty|matted|packed] [with cottonwood|with grease|w/ dirt|solid], head [high|thru the roof]
tripping on head in afternoon sun
[circuit|ckt] [1|2|A|B] locked out on high pressure
[manual reset|red button] on HP [popped|tripped]
display shows high [pressure|head] lockout
dirty outdoor coil causing high [head|discharge pressure]
high head pressure, [cottonwood all over coil|coil filthy|coil is blocked]
condensing <35-55> deg over ambient, coil [dirty|plugged]
[HPS|hp switch] opened at <600-650>
hot gas recirculating to condenser, [trips on HP|goes out on head]
head at <450-600> with <85-105> outside
non condensables in system, head high
high side cutout [had it down|open]
code [5|32|HP1|E4] high pressure lockout
condenser [needs cleaning bad|coil stopped up], over pressure trip
trips out on over pressure when sun is on it
overcharged by someone, [head way up|goes off on HP]
high limit pressure switch out, <2-6> events [today|in memory]
""",
    "fan": """
condenser fan motor [bad|burned up|seized|open windings|locked up|dead|shorted]
[outdoor|condenser] fan [not running|dead|not spinning|stalled]
[one of two|#1|#2|front|rear] condenser fan [motor out|not running|motor bad]
fan blade [broken|cracked|loose on shaft|hit shroud|slipping]
fan motor [bearings shot|drawing <5-12> amps high|hot to touch and off on internal overload]
OFM [shot|tight|won't turn by hand]
[blower|indoor fan|evap fan] motor [bad|burned out|not running|dead]
fan [hums and won't start|spins slow|runs backwards]
fan capacitor [bad|swollen|weak|reads <1-4> mfd], fan not turning
ECM [module|motor] failed on [blower|condenser fan]
fan motor [windings grounded|grounded out]
motor shaft frozen on cond fan
[inducer|evap] fan [seized|loose wheel]
fan wheel [came off shaft|out of balance|set screw backed off]
no outdoor fan, [motor has power but doesn't turn|24v ok at relay motor dead]
walk-in evap fan [1|2|3] [out|dead|not spinning]
fan motor running intermittently, thermal cutting it out
propeller [broke|in pieces|lost a blade]
condenser fan relay [ok] but motor [open|burnt]
""",
    "belt": """
[belt|drive belt|blower belt|fan belt] [broken|broke|off|snapped|gone|shredded|missing]
belt [worn|cracked|glazed|loose|slipping|stretched out]
found belt [laying in bottom of unit|in pieces|in the pan]
belts [bad|squealing|worn badly] on [supply fan|exhaust|blower]
V-belt [torn|frayed|turned over in sheave]
sheave [worn|grooves worn|misaligned], eating belts
broken [A48|BX52|B45|AX38|A-60|5VX] belt
no airflow, belt [broken|off the pulley]
loose belt [chirping|slipping on startup]
pulley [loose|out of line], belt [jumped off|walked off]
squealing was the belt
belt tension [gone|too loose]
one belt of a pair snapped
blower wheel turning slow, belt slips
motor running but [blower not, no belt|belt is off]
adjustable sheave opened up, belt riding low
""",
    "electrical": """
[contactor|compressor contactor] [burned|pitted|stuck|bad coil|welded|chattering]
[blown|bad|popped] [fuse|fuses|fuse at disconnect|control fuse|<30-60> amp fuse]
[breaker|main breaker|circuit breaker] [tripped|bad|weak|won't hold]
[burnt|loose|melted|fried] [wire|lug|connection|terminal] [at contactor|in disconnect|at breaker|on L2]
transformer [burned|bad|blown|no output|shorted]
run capacitor [bad|blown|swollen|open], [dual cap|35/5] failed
no [power|voltage] at [unit|disconnect|line side]
lost [leg|phase] [B|C|L1|of incoming power]
[single phasing|phase loss|low voltage on one leg|voltage imbalance <4-12>%]
[disconnect|pull out] [burnt|bad|arcing|corroded]
phase monitor [tripped|showing fault|out]
short [in low voltage wiring|to ground in whip]
24v fuse on board [blown|open] [from rubbed wire|]
whip [chafed|rubbed through] shorted to [cabinet|frame]
mice chewed [wires|wiring]
supply voltage [only <180-199>|at 188 low|sagging]
[relay|fan relay|start relay] [burnt|stuck|bad]
control transformer [cooked|primary open]
loose neutral / burnt lug
water in disconnect, fuses blown
power was [off|shut off] at [panel|disconnect] by [electrician|roofers]
ground fault in [crankcase heater|whip]
""",
    "control or thermostat": """
[thermostat|stat|t-stat] [bad|dead|blank|not calling|miswired|locked|in hold|dead batteries|out of calibration]
stat [set to heat|set wrong|in off position|set at 78|fan on / system off]
[control board|main board|board|IGC|unit controller] [bad|failed|locked up|no output]
[sensor|supply sensor|return sensor|room sensor|space temp sensor] [reading wrong|failed|open|off by <6-18> deg|shorted]
no Y call from [stat|BAS]
[BAS|EMS|DDC] [schedule wrong|had unit off|in unoccupied|commanding off|override left on]
[economizer actuator|econ board|economizer] [stuck|failed|open 100%|not responding]
[time clock|timer] [off|wrong time|lost program]
programming [lost|wrong|set to unoccupied]
[comm|communication] [lost|error|failure] to [zone panel|controller]
[loose|broken] stat wire at [terminal Y|R terminal|sub base]
stat wire [cut by roofers|broken in wall|corroded]
zone panel [dead|not calling|damper calls but no Y out]
delay timer [stuck|bad], no output
setpoint [locked at 76|changed by staff|was 80]
jumped R to Y at unit and it ran, stat [bad|not sending call]
thermostat in [sun|path of hot air|bad location]
remote sensor [unplugged|wires loose]
controller needs [new program|update|setup parameters]
heat and cool calls at same time, stat [config wrong|wired wrong]
changeover setting wrong (O/B)
""",
    "drain": """
[drain|condensate drain|drain line|cond line] [plugged|clogged|stopped up|backed up|slimed up|blocked]
[drain pan|pan] [full|overflowing|rusted through|cracked|plugged|holding water]
[trap|p-trap] [dry|plugged|missing|broken|frozen|wrong height]
condensate pump [bad|dead|not pumping|float stuck|unplugged]
water [running out of unit|overflowing pan|over secondary pan]
[float switch|wet switch|pan switch] [tripped|wet|open], pan full [of water|]
water in [secondary|emergency] pan
algae in [drain|trap|pan]
line not pitched, [water stands in it|holding water]
[mud dauber|slime|sludge|leaves] in drain [line|outlet]
leak was condensate, [drain plugged|fitting loose]
drain [disconnected|came apart at coupling|broken by roofers]
pan outlet stopped up with [gunk|slime|insulation]
water dripping off [uninsulated drain|sweating line]
double trapped drain
evap pan overflowed into [return|ceiling]
pump discharge tube [kinked|off|plugged]
negative pressure holding water in pan, no trap
""",
    "leak or low charge": """
[unit|system|circuit 1|circuit 2] [low|low on charge|short|under charged|flat|empty|out of gas]
found [leak|leaks] at [schrader|flare|braze joint|evap coil|u-bend|suction line|condenser header|service valve|TXV]
low on [gas|refrigerant|freon|charge|R-410A|22]
[refrigerant|freon|gas] leak [at|on|in] [schrader core|evaporator|distributor|cap tube|liquid line|coil]
oil [stain|spot|residue] at [u-bend|flare|coil end|rub out|braze joint], leaking
superheat <28-55>, subcooling <0-2>, [low charge|undercharged|short of gas]
no pressure [in system|left], lost charge
bubbles at [flare|valve stem|joint], leak
[charge|circuit] leaked out
[sight glass bubbling|glass full of bubbles|flashing in sight glass], short on gas
rub out on [cap tube|liquid line|suction line], leaking
electronic detector hit on [evap coil|condenser|valve]
leaking [schrader|shrader|valve core|flare nut|coil]
[evap|condenser|cond] coil leaking
pressure test did not hold, dropped <10-80> psi overnight
missing caps, cores leaking
undercharged about <2-6> [lbs|pounds]
dye showing at [coil|header]
[flat|dead flat], <0-15> psi on gauges
half the charge gone, [leak not found yet|leak in coil]
vibration crack in [suction|discharge] line
""",
    "icing": """
[evap|evaporator|coil|indoor coil|a-coil] [frozen|iced over|froze up|iced solid|block of ice]
[coil|unit|evap] [frozen solid|full of ice|frosted over|a ball of ice]
ice [on|all over] [suction line|coil|compressor|evaporator]
frozen coil
frosted [back to compressor|suction line and coil]
coil [blocked with ice|bridged with frost]
[walk-in|freezer|cooler] [coil iced up|evap full of ice]
[not defrosting|defrost not terminating|defrost heater out|failed defrost], coil iced
unit froze up [from running at low set point|overnight|]
ice build up on [evap|fan guard|drain pan]
evaporator one sheet of ice
unit running with coil frozen, no air gets thru the ice
froze [up|] again
ice in unit, [melting all over|<2-5> inch thick]
lines iced to the [condenser|compressor]
frost on [half of coil|lower rows|entire coil]
freeze stat open, ice on coil
""",
    "noise": """
[panel|door|access panel|cover] [rattling|loose|vibrating|banging]
[vibration|noise|rattle] from [loose bolts|mounting bracket|hold down|isolator|sheet metal|conduit]
[isolators|springs|rubber feet|mounts] [worn|collapsed|missing|bottomed out]
noise from [ductwork oil canning|loose hanger|damper blade|transition]
[refrigerant line|pipe|tubing] [vibrating against cabinet|touching panel|hitting frame|rubbing]
humming from [line set in wall|structure|roof curb]
[loud rattle|buzz|clanking], [loose screws|panel screws missing]
debris [hitting|in] blower housing making noise
[stick|zip tie|screw|tie wrap] rubbing [in blower|against wheel]
ticking noise from [duct expansion|damper linkage]
whistling at [grille|diffuser|filter rack]
bad noise, [panel not seated|bracket broke loose]
chattering sound from [cover|flashing|loose louver]
heard [rattle|banging] on startup, [conduit strap loose|curb cap loose]
unit sounds normal [to me|], noise traced to [shelf|plumbing vent|ceiling grid]
resonance in duct [at certain speed|]
unit sitting metal to metal on [rail|curb]
""",
    "compressor": """
compressor [bad|burned out|grounded|shorted|locked up|locked rotor|seized|open winding|dead|weak]
[#1|#2|lead|lag|circuit A] compressor [grounded|won't start|down|failed|megged out bad]
compressor [not pumping|bypassing internally|has bad valves|won't build pressure]
comp [drawing LRA|locked rotor amps|pulling <80-190> amps then off on overload]
[compressor off on|off on] internal overload, [too hot to touch|waiting on cool down]
windings [open|grounded|shorted to case] on compressor
[burnout|burn out], acid test positive
compressor trips breaker [instantly|on start], reads to ground
scroll [noisy|running backwards|blown|broken inside]
[suction and discharge equal|suction 150 head 180], compressor not pumping
compressor [oil low|no oil in glass|lost oil]
hard starting compressor, [weak|on its way out]
[tight|stuck] compressor, hums and cuts off
compressor terminal [blown out|burnt off]
comp [ohmed out|ohms] [open|C to R open|to ground]
knocking compressor, [broken rod|liquid slugged]
valve plate [gone|broken] in semi hermetic
mechanical failure of comp
""",
    "airflow": """
[filters|filter] [dirty|plugged|black|loaded|sucked in|collapsed|completely blocked]
[low|poor|restricted|no] air flow [across coil|thru unit|at registers|]
[evap|indoor] coil [dirty|plugged with lint|matted with dust|impacted]
[duct|flex|supply duct] [collapsed|disconnected|crushed|came apart|kinked]
[damper|fire damper|balancing damper] [closed|fell shut|stuck closed|shut]
blower wheel [dirty|caked|loaded with dirt]
[return|return grille] [blocked|covered|blocked by boxes|too small]
[supplies|registers|vents] [closed|taped off|blocked by furniture]
static pressure [high|1.<2-6> in], [filters|coil] loaded
low CFM, [dirty coil|filters never changed]
filters [never been changed|haven't been changed in a year|wrong size and bypassing]
air [not getting to @place|starved], [VAV box stuck|zone damper shut]
return air [starved|choked off]
air side restricted
unit starving for air, filters [plugged solid|impacted]
plastic bag on return
VAV box [stuck closed|at minimum]
furniture in front of return
""",
    "planned": """
[performed|did|completed] [PM|pm|quarterly maintenance|inspection|annual service]
[all units|unit|equipment] [in good order|operating properly|inspected, ok] [for season|]
PM [checklist done|sheet attached|tasks per contract]
[changed|replaced] [all|<4-24>] filters [per contract|on schedule]
[spring|fall|seasonal] [start up|startup|inspection] [done|completed]
scheduled service, nothing [found|to report]
[routine|regular] [maintenance|check], [no issues|no problems|all good]
quarterly [visit|PM], belts and filters
[annual|yearly] coil cleaning [per agreement|]
contract maintenance [2 of 4|visit|complete]
inspected <3-14> rooftops
[preventive|preventative] maintenance [performed|on all rtus]
greased bearings, changed filters, [checked belts|washed coils] per PM
cooling check out for season, all [stages|units] tested
PM [no repairs needed|all ok]
walked units w/ checklist, took readings
tune up [done|]
""",
    "other": """
kitchen hood [suppression tripped|needs cleaning by others]
[no heat, ignitor bad|ignitor cracked|flame sensor dirty|gas valve off|heat section locked out]
[water heater|boiler|unit heater] [pilot out|leaking|off on limit]
wrong [address|unit|building], [not our equipment|not our unit]
[nobody on site|no one let me in|site closed|couldn't get access]
[measured for|looked at|took pictures for] [new unit|quote|curb adapter]
[roof leak|roof leaking around curb], not hvac
[smell|odor] from [dry floor drain|sewer vent|paint next door]
[humidifier|dehumidifier] [pad plugged|float stuck|needs canister]
gas leak at [union|drip leg|valve]
met [electrician|inspector|GC|roofer] on site
[ice machine|reach in|ice maker] [water filter plugged|not ours|needs cleaning]
delivered [filters|parts|keys]
heat not working, [rollout tripped|limit open|inducer pressure switch]
plumbing [leak|pipe sweating] above ceiling
diffuser [moved|fell out of grid]
smoke detector [trouble|dirty] in duct
bird nest in flue
squirrel [dead in duct|got in ductwork]
warranty paperwork [picked up|data plate photos]
""",
}

SENTENCES: dict[str, str] = {
    "no cooling": """
The [space|room] was at <78-84> degrees but the unit was [cooling|operating as designed] and I found nothing wrong
I ran the unit through both stages of cooling and was unable to [duplicate|reproduce] the customer's complaint
The equipment is simply too small for the heat load in this room and cannot hold set point on the hottest days
Customer reported no cooling, however the system was cooling normally with a <15-21> degree split when I arrived
I found no fault of any kind; the room was warm because the doors had been standing open all [morning|afternoon]
""",
    "low-pressure trip": """
I found [circuit <1-2>|the unit] locked out because the low pressure [switch|control] had opened
The controller showed <2-6> low pressure trips in its history and the compressor was off
When I started the unit the suction fell to <15-35> psi within a minute and the low pressure control shut it down
The compressor was off and I traced the open safety to the low pressure switch, which had not closed again
The system was sitting with a static pressure of <85-112> psi, which is not enough for the low pressure switch to make
The unit had been cycling on its low pressure cutout [all night|since the weekend] until it locked itself out
""",
    "high-pressure trip": """
I found the unit off on its high pressure [switch|cutout] with the condenser coil [completely plugged|badly fouled]
Head pressure rose to over <520-620> psi after about ten minutes and the high pressure control opened
The display showed a high pressure lockout on circuit <1-2>, and the outdoor coil was packed with cottonwood
The customer explained that it trips in the afternoon, and I confirmed that it goes out on high head in the sun
The manual reset high pressure control had tripped because the condenser could not reject heat through all that dirt
""",
    "fan": """
One of the two condenser fan motors had failed and the blade would not turn by hand
I found the condenser fan motor [seized|with open windings] and the blade not turning
The indoor blower motor was humming but could not start, and the windings tested open
The fan blade had cracked at the hub and was striking the shroud
The outdoor fan was not running although it had proper voltage at the motor leads, so the motor has failed
""",
    "belt": """
I found the supply fan belt broken and lying in the bottom of the blower compartment
The drive belt was glazed and slipping so badly that the blower barely turned
The belt had come off because the motor sheave was out of alignment
Both belts were cracked and one had already let go
The squeal that the tenants heard was a worn out blower belt
""",
    "electrical": """
I found two of the three fuses blown in the disconnect and a burnt lug on the line side
The contactor was badly pitted and one pole was no longer making contact
The breaker had tripped because a wire had rubbed through in the whip and shorted to the cabinet
There was no control voltage because the transformer had burned out
We were missing one leg of the incoming power at the panel
The run capacitor was swollen and tested far below its rating
""",
    "control or thermostat": """
The thermostat screen was blank and it was not sending a call for cooling to the unit
The building automation system had the unit scheduled off and in unoccupied mode
I found that the control board had power but no output to the compressor contactor
The return air sensor was reading <8-20> degrees low so the controller believed that the space was satisfied
The economizer actuator was stuck wide open and was bringing in outdoor air
Someone had changed the thermostat to [heat|emergency hold] and locked the keypad
""",
    "drain": """
The condensate line was completely clogged with algae and the pan had overflowed into the ceiling
I found the drain pan full of water and the trap plugged
The condensate pump had failed and the float switch had shut the unit off
Water was running over the edge of the pan because the line has no slope
The drain fitting had come apart above the ceiling, which is where the water came from
""",
    "leak or low charge": """
I put gauges on and found the system low on refrigerant, with high superheat and almost no subcooling
I leak searched the circuit and found refrigerant escaping from a flare at the [TXV|service valve]
The circuit had lost its entire charge through a rub out on the liquid line
There was oil around a return bend of the evaporator, and soap bubbles confirmed the leak
The schrader cores were leaking and the system was about <2-5> pounds short
""",
    "icing": """
I found the evaporator coil frozen into a solid block of ice
The coil had iced over completely and no air could pass
The suction line was frosted all the way back to the compressor and the indoor coil was covered in ice
The freezer coil was full of ice because the defrost heater had burned out
The unit had been run at a very low set point overnight and the coil froze
""",
    "noise": """
The noise came from a loose access panel that rattled against the frame
I traced the vibration to worn rubber isolators under the unit
A refrigerant line was touching the cabinet and buzzing whenever the unit ran
The banging that was reported is the ductwork flexing when the unit starts
A loose conduit strap was hammering on the curb
""",
    "compressor": """
The compressor is grounded and trips the breaker as soon as the contactor closes
I measured locked rotor current and the compressor would not turn
Suction and discharge pressure were nearly equal with the compressor running, so the valves have failed
The compressor windings measured open and it was still cold after two hours
An oil sample tested acidic which confirms that the compressor has burned out
""",
    "airflow": """
The filters were completely plugged and had been pulled into the rack
I measured very low airflow and found the evaporator coil matted with dust
A section of flexible duct had come apart above the ceiling
The fire damper had dropped shut and no air could reach that part of the building
The return grille was covered by boxes and the unit was starved for air
""",
    "planned": """
I performed the quarterly preventive maintenance on this unit in accordance with the contract
The annual inspection was completed and all equipment was found in good working order
Filters were changed and belts were inspected as part of the scheduled visit
I completed the seasonal start up check list and recorded all readings
This was a routine maintenance visit and no deficiencies were noted
""",
    "other": """
This turned out to be a roof leak around the curb and not an HVAC problem
The heating section would not light because the ignitor was cracked
I was unable to gain access to the building and will need to be rescheduled
The unit in question belongs to another contractor, so I informed the manager
I met with the [electrician|general contractor] to go over the layout for the remodel
The kitchen hood is serviced by another company and was not part of this call
""",
}

FOREIGN: dict[str, str] = {
    "no cooling": """
machine is working good, make cold, I not find the failure
room is hot but apparatus all correct, is too small for so much heat
client say no cold, I look two hours and everything normal
all is in order, temperature difference <14-20> grade, no defect
""",
    "low-pressure trip": """
machine is stopped, low pressure pressostat was open
pressostat of low pressure has cut, compressor not want start
is in lock out from low presure side, the pressure in suction fall to <15-35>
the small pressure automat (low) has jumped out
low pressure alarm, in standing only <85-110> psi and contact not close
always stop with low pressure fault after one minute
""",
    "high-pressure trip": """
high pressure pressostat has cut because condensator is full with dirt
over pressure stop, head go up until <520-620>
machine stop by high pressure, outside coil very dirty like carpet
the pressostat of high side open, too much heat on the roof
""",
    "fan": """
ventilator motor of condenser is kaput, not turn
the helix of the outside fan is broken
one ventilator is standing, winding burned
motor of inside fan make only humming and no rotation
""",
    "belt": """
belt of the blower was teared, laying in the box
correa is broken, no air
the strap of the motor is old and slide
belt is too loose, make whistle
""",
    "electrical": """
fuses are burned, two pieces
contactor have bad contacts, all black
no tension on phase L2 coming from building
cable was melted in the main switch
transformator is dead, no 24 volt
""",
    "control or thermostat": """
termostat is no function, display dark
somebody have put the regulator on heating
electronic card is defect, no output for compressor
sensor of room show <10-20> grade wrong
the hour program was false, machine was off
""",
    "drain": """
water tube is closed with dirty slime
the pan is full of water and it run on the ceiling
condens pump is dead
siphon is blocked
water not go away, the pipe has no falling
""",
    "leak or low charge": """
in the system is not enough gas
I find a hole in the cupper pipe, gas is gone
gas loss on the flare nut, see oil
system almost empty, only <5-25> psi
escape of gas in evaporator coil
""",
    "icing": """
evaporator is complete frozen like snow man
very much ice on the coil, air can not pass
pipe of suction with ice until compressor
the defrosting not work, is all ice
""",
    "noise": """
the cover was loose and make tack tack tack
vibration because rubber under machine is finished
pipe touch the metal and make big sound
noises come from the air channel when start
""",
    "compressor": """
kompressor is blocked, take <80-190> ampere and stop
compressor have short to ground, finished
compressor run but no compression
the winding of compressor is open
""",
    "airflow": """
the filter mats was totally full of dust
very little air because exchanger is dirty
air channel was broken apart over the ceiling
somebody close the clapet, no air in @place
""",
    "planned": """
I make the normal maintenance of the quarter
revision of all machines done, all good
change filters and control everything like in contract
yearly inspection, nothing special
""",
    "other": """
is not our machine, is from other firma
nobody in the house, I go back
heating not burn, electrode was broken
water come from the roof, not from air condition
I make measure for new apparatus
""",
}

COLD = """
head pressure [too low|won't build|only <120-195>] [with this cold|in this weather|for outdoor temp]
[fans|both fans] running [flat out|full] with cold air on the coil
low ambient [trip|condition|problem|issue]
trips in cold weather
too cold [out|outside] to hold head
[<8-34> deg|below freezing|cold and windy] on roof
won't make until it warms up outside
condenser over condensing, liquid line cold
standing pressure below reset point at this temp
happens when temp drops at night
condenser fans don't cycle off, head stays down
winter operation issue
wind blowing thru condenser, head way down
"""

# --- repairs and other work ---------------------------------------------------------------------------------

DID: dict[str, str] = {
    "no cooling": """
ran unit for <20-60> min, cooling
checked [all|operation], [no action needed|no repairs]
verified [temps|split|operation]
explained [load|capacity] issue to customer
monitored, [space dropping|space coming down]
checked pressures and amps, all normal
told customer to [close doors|close blinds|keep set point at 72]
tested both stages
took readings
cycled thru cooling call from stat
""",
    "low-pressure trip": """
verified [suction|pressures] after start
let run <20-60> min, [held|no trip]
watched thru <2-4> cycles
monitored suction, [stable|holding] at <95-130>
[blocked off|covered] part of [condenser|coil] [with cardboard|w/ plastic|]
checked LP cut in and cut out
replaced low pressure switch
checked txv and [bulb|strainer], ok
ran on high stage, suction stays at <90-125>
checked suction with gauges
waited for pressures to come up, then started
tested LP control, opens at <48-60>
""",
    "high-pressure trip": """
[washed|cleaned|hosed off|chemically cleaned] [condenser|outdoor|cond] coil
brushed and rinsed coil, head down to <320-390>
replaced [high pressure switch|HP control]
verified head pressure after cleaning
split coils and washed between
[combed|straightened] fins
cleared [bags|cottonwood|leaves] off condenser
[recovered <2-4> lb overcharge|bled off air]
head dropped <80-160> psi after wash
checked HP cut out, [ok|opens at <600-650>]
power washed coil
""",
    "fan": """
replaced [condenser fan motor|fan motor and cap|OFM|motor]
[installed|put in] new [fan motor|blade|motor and blade|blower motor]
[changed out|swapped] [motor|fan motor|fan cap]
replaced fan blade [and balanced|]
tightened blade on shaft
ordered [motor|OFM|blade]
[rewired|reversed] fan rotation
motor [oiled|freed up] for now
replaced ECM module
new motor <0.3-1.5> hp, amps good
""",
    "belt": """
[replaced|installed|changed|put on] [belt|new belt|belts|A48 belt|2 belts]
[tightened|adjusted|tensioned] belt
[aligned|replaced] [sheave|pulley|pulleys]
set tension, [checked alignment|amps <4-9>]
new [belt and sheave|B52|belts on blower]
put [spare|new] belt on
belt changed
tightened motor base
""",
    "electrical": """
replaced [contactor|fuse|fuses|transformer|breaker|relay|run capacitor|dual cap|disconnect]
[installed|put in] new [contactor|fuses|cap|transformer|phase monitor]
[repaired|spliced|rewired] [burnt wire|wiring|connection|whip]
tightened [all|] [lugs|connections|terminals]
cut back wire and put on new [lug|terminal]
[changed|chg] contactor, points burnt
[called|customer to call] [electrician|power company] [for lost leg|]
checked voltage all legs, <206-241>/<206-241>/<206-241>
found and cleared short
new whip pulled
fuses <30-60>A x3
""",
    "control or thermostat": """
[replaced|installed new] [thermostat|stat|board|sensor|control board|actuator|zone panel]
[reprogrammed|set up|set] [stat|schedule|thermostat|controller]
[changed|fixed] schedule, [set to auto|returned to 72]
corrected stat [wiring|settings]
changed batteries in [tstat|stat]
calibrated [sensor|stat]
[released|removed] override in BAS
tightened [stat|low voltage] wires
replaced sub base
moved [stat|sensor] to return
closed economizer [and set min|by hand], [needs actuator|]
showed staff how to use thermostat
loaded program, verified [Y1 and Y2|outputs]
""",
    "drain": """
[cleared|blew out|snaked|flushed|vacuumed|unclogged|blew thru] drain [line|]
[vacuumed|wet vac] pan [and line|]
[replaced|installed] [condensate pump|trap|float switch|p-trap]
cleaned [pan|trap], [added|put in] pan tabs
[repaired|re-glued] drain [fitting|line|coupling]
poured water, draining good
[nitrogen|CO2] thru drain, flowing
[re-pitched|insulated] drain line
mopped up, put in pan treatment
primed trap
""",
    "leak or low charge": """
[repaired|fixed|brazed] leak [at u-bend|on suction line|on liquid line|]
replaced [schrader cores|valve cores|core|cap tube]
[tightened|reflared|remade] flare
leak [searched|checked] [all joints|evap|with bubbles and detector|]
put in dye
pressure tested with nitrogen to <250-400>
[quoted|need] evap coil
capped ports
isolated leak to [coil|circuit 2]
changed [drier|filter drier]
used leak lock on threads
sealed leak at [valve stem|header]
""",
    "icing": """
[thawed|defrosted|melted|de-iced] coil
[shut off|turned off] compressor and ran fan to [thaw|melt ice]
let [ice melt|coil thaw|thaw out] <1-4> hrs
raised [set point|stat] to 70
[steamed|hosed] ice off coil
replaced defrost [heater|timer|termination]
forced manual defrost
customer to leave off until thawed
cleared ice, [running|restarted on fan only]
set <3-6> defrosts per day
""",
    "noise": """
[tightened|secured|refastened] [panel|panels|door|screws|bracket|hold downs]
[added|installed] [rubber pad|isolators|foam|screws|strap]
[moved|bent|separated] line away from [frame|cabinet]
removed [debris|zip tie|stick] from [blower|wheel]
shimmed unit
screwed down [cover|flashing], quiet now
[lubed|tightened] damper linkage
listened for <20-40> min, quiet
put zip ties and armaflex on lines
replaced [springs|grommets|isolators]
""",
    "compressor": """
[quoted|ordered|need] [new compressor|comp|replacement compressor]
[replaced|installed new|changed out] compressor
[locked out|disconnected|isolated] bad compressor, [running on other|left stage 2 on]
[installed|added] hard start kit
megged compressor, [bad|0.<1-4> megohm]
took oil sample
[warranty|price] on compressor [requested|to office]
pulled model and serial off comp
compressor R&R job to be scheduled
unwired comp 1
""",
    "airflow": """
[replaced|changed|installed new] filters
[cleaned|vacuumed|washed] [evap coil|indoor coil|blower wheel]
[opened|reset position of|freed] damper
[reconnected|repaired|rehung|re-taped] [duct|flex]
[removed|moved] boxes from return
pulled out filters, flow came right back
opened registers
adjusted [blower speed|sheave for more cfm]
[measured|checked] static, now 0.<4-9>
replaced fusible link
changed <4-16> filters 20x25x2
""",
    "planned": """
[changed|replaced] filters
[checked|inspected] [belts|amps|all electrical|temps|operation]
[greased|lubed] bearings
[washed|rinsed] coils [per PM|]
[filled out|left] [checklist|PM sheet|inspection report]
flushed drains, [pan tabs|tested floats]
recorded [temps and pressures|readings]
tightened [connections|terminals]
tested heat and cool
next [visit|PM] in [June|October|3 months|spring]
""",
    "other": """
[will reschedule|rescheduled|left tag on door]
[informed|told] [manager|customer] [to call roofer|to call plumber|not ours]
[replaced ignitor|cleaned flame sensor|relit pilot], heat [working|on]
took [pictures|measurements]
[sent info|gave info] to sales
moved diffuser
dropped off [filters|keys|parts]
water heater [relit|needs replaced]
replaced [canister|pad] in humidifier
gave hood company's number
no work done
""",
}

FIGURES: dict[str, str] = {
    "no cooling": """
suct <118-140> / head <300-380>, SH <8-14> SC <8-14>, TD <15-21>
RA <74-80> SA <54-60>, split <16-21>
comp <14-24>A, <460-478>V, all ok
""",
    "low-pressure trip": """
suct <18-52>, head <130-260>
LP opens <48-60> closes <90-118>
static <80-115> psig
SP <15-48># / DP <140-250>#, comp <9-18>A
suct <95-125> after <15-40> min
""",
    "high-pressure trip": """
head <500-640>, suct <140-180>, SC <4-18>
DP <490-630># before wash, <330-400># after
LLT <115-135>, cond TD <38-55>
""",
    "fan": """
OFM <0-1> A, RLA <2-6>.<1-9>
motor ohms C-R open, C-S <8-30>
cap <1-4> mfd, rated <5-15>
""",
    "belt": """
blower <2-6>.<1-9>A with new belt, RLA <5-9>
belt size A<38-62>
defl 1/2 in
""",
    "electrical": """
L1-L2 <180-241>, L2-L3 <100-241>, L1-L3 <90-241>
24v sec = <0-3>, pri <208-240>
cap reads <8-20> mfd, rated <35-55>
<0-6> ohm to gnd
""",
    "control or thermostat": """
stat <70-74> / actual <77-84>
sensor <8-20>k ohm, should be 10k
Y to C = 0v, R to C <24-28>v
econ sig <2-10> vdc
""",
    "drain": """
pan level <1-3> in
pump amps <0-1>
static in pan -<1-3> wc
""",
    "leak or low charge": """
suct <40-95> head <180-270> SH <28-55> SC <0-2>
SH <30-50>F, SC 0, comp <6-12>A
nitrogen <250-400># , lost <8-60># in <1-12> hr
""",
    "icing": """
coil temp <18-31>, suct <50-90>
box <38-52>, coil iced
SST <15-28>F
""",
    "noise": """
vib <3-9> mm/s
<68-84> dB at 10 ft
amps normal <12-22>
""",
    "compressor": """
LRA <90-190>A on start
suct <150-185> head <190-220>, no diff
C-S open, C-R <1-3> ohm, R-gnd 0
megs 0.<1-4>
""",
    "airflow": """
ESP 1.<1-9> wc, rated 0.<5-9>
CFM <900-2200> design <3000-4000>
split <24-32>, low flow
dP filter 1.<1-6>
""",
    "planned": """
suct <118-135> head <290-360> comp <12-22>A
RA <70-76> SA <52-58>
<4-24> filters, <1-6> belts ok
""",
    "other": """
gas 3.<3-7> wc
<2-9> photos
flame <2-5>.<1-9> uA
""",
}

# --- remarks that muddy -------------------------------------------------------------------------------------

IN_ORDER: dict[str, str] = {
    "low-pressure trip": """
no [low pressure|LP] trips in [history|log]
LP switch [closed|made|ok]
not [off|out] on low pressure
suction normal, never got near LP cutout
low pressure control checks ok
""",
    "high-pressure trip": """
[head|head pressure] normal
HP switch [closed|ok|not tripped]
no high pressure trips
condenser coil [clean|looks good]
high side fine
""",
    "fan": """
[all|both] [condenser fans|fans] [running|ok]
[fan|blower] motor [ok|amps good]
fans not the problem
condenser fan motor checks good
""",
    "belt": """
[belt|belts] [ok|good|tight|in good shape]
belt not [broken|slipping]
no belt issues
""",
    "electrical": """
[voltage|power|incoming power] [good|ok|good all legs]
contactor [ok|clean|pulls in fine]
fuses [good|ok|not blown]
no burnt wires
breaker not tripped
caps test good
""",
    "control or thermostat": """
[stat|thermostat] [calling|ok|set right|is good]
board [ok|lights normal]
calling for [cooling|Y1] properly
no problem with controls
sensors read right
""",
    "drain": """
drain [clear|ok|flowing]
no water in pan
pan dry
drain not plugged
""",
    "leak or low charge": """
no leaks [found|detected]
charge [good|ok|looks good|full]
not low on [gas|refrigerant|charge]
SH and SC in range, charge fine
no sign of leak
sight glass clear
""",
    "icing": """
no ice [on coil|]
coil not [frozen|iced]
no frost on lines
""",
    "noise": """
no [unusual|strange] noise
unit quiet
no vibration
""",
    "compressor": """
[compressor|compressors] [ok|good|amps good|megged good]
nothing wrong with compressor
compressor ohms good
comp not the issue
""",
    "airflow": """
filters [clean|ok|good]
air flow [good|ok|fine]
coil clean
no restriction in air flow
evap coil clean and filters changed last month
""",
}

EARLIER = """
@who [replaced|changed] [contactor|fan motor|thermostat] [last week|last month|in May]
@who added <2-4> lb [last visit|in spring|last year]
was here [last week|2 weeks ago|in June] for [belt|drain|fan motor|thermostat]
customer [flipped breaker|turned it off and on|shut power off and on] before I got here, no help
@who reset it [yesterday|on Friday|twice last week]
[maintenance man|custodian] had reset [it|high pressure|low pressure] this morning
other company put in low ambient kit <2-6> years ago
per @who compressor was replaced in <2009-2014>
history: coil froze up [last summer|in July]
previous call was for [water leak|noise|no heat]
@who said stat was bad, it is not
building engineer cycled power [last night|at 6 am]
@who charged system [in April|a month ago]
fan cycling control was installed by others [at start up|last fall]
prior notes say leak in coil, [did not see it|none seen]
last tech hooked the ambient control back up in [March|October]
"""

NOT_DONE: dict[str, str] = {
    "power cycled": """
did not cycle power
[could not|unable to] shut power off, [server racks|disconnect is locked]
did not have to kill power
no need to power down
""",
    "switch reset": """
did not reset anything
[did not|didn't] have to reset @switch
no reset needed, running
could not reset it, too cold / needs to warm up
@switch would not reset
will try to reset when pressure comes up
""",
    "refrigerant added": """
did not add [gas|refrigerant|any freon]
no [gas|refrigerant|charge] added
[customer declined|cust refused] charging until leak fixed
will need about <2-6> lb [when repaired|next trip]
no refrigerant needed
[didn't|did not] have any [410|gas|R22] on truck
charge not touched
""",
    "control fitted": """
[recommend|rec|suggest|advise] [installing|adding] @headcontrol
[quoted|quote|pricing] @headcontrol
needs @headcontrol
customer declined @headcontrol
should have @headcontrol for winter
@headcontrol on order
will install @headcontrol [next week|when approved|in fall]
unit has no @headcontrol
if it trips again install @headcontrol
""",
    "control reconnected": """
did not reconnect @headcontrol, [needs part|no time]
@headcontrol not hooked up yet
should put @headcontrol back in [circuit|line]
need to wire @headcontrol back in before winter
""",
    "bypass removed": """
[explained|told cust] never to [jumper|bypass] safeties
told [maintenance|manager] not to bypass [LP|safety] switches
hot gas bypass valve [ok|closed]
bypass damper [ok|closed]
left safeties alone as always
refused to bypass [safety|switch] for customer
would not jump out [low pressure|safety] as customer asked
""",
}

ADVICE: dict[str, str] = {
    "any": """
recommend [replacing unit|coil cleaning|PM contract|new unit, 18 yrs old]
unit is [old|at end of life|beat up]
[needs|should have] condenser coil cleaned [in spring|soon]
[suggest|rec] replacing [contactor|capacitors|belts|filters] next visit
advise [customer|manager] to change filters monthly
customer declined [coil cleaning|leak search|new motor]
quote [new unit|drain pan|thermostat upgrade]
may need compressor down the road
recommend new thermostat
keep eye on condenser fan bearings
""",
    "no cooling": """
recommend load calculation
suggest adding [second unit|mini split] for this room
will need larger unit
""",
    "low-pressure trip": """
if trips again check [txv|charge|low ambient]
may need new LP switch
call back if it goes out on low pressure again
recommend [leak check|full charge check] when above 55 deg
""",
    "high-pressure trip": """
recommend coil cleaning [2x a year|every spring]
needs deeper cleaning with coil pulled
might need new HP switch if it trips again
""",
    "fan": """
recommend replacing other fan motor also
[need|order] rain shield for motor
""",
    "belt": """
keep spare belt on site
recommend new sheaves
""",
    "electrical": """
needs new disconnect
electrician to check panel
recommend surge protector
""",
    "control or thermostat": """
recommend [lockable|programmable] stat
controls contractor to [check|review] program
""",
    "drain": """
drain should be [flushed every 3 months|re-piped]
recommend overflow switch
""",
    "leak or low charge": """
recommend [leak search|new evap coil|coil replacement]
will leak again until coil is changed
return to leak check
""",
    "icing": """
recommend not setting below 70
customer to call if ice comes back
""",
    "noise": """
recommend new isolators
needs duct work done by sheet metal
""",
    "compressor": """
recommend new unit vs compressor
needs compressor, acid clean up and drier
""",
    "airflow": """
recommend filter changes every 2 months
duct needs to be redesigned
""",
    "planned": """
quote for [repairs noted|worn belts|coil cleaning]
see sheet for deficiencies
""",
    "other": """
office to call customer
send plumber
""",
}

CHATTER = """
roof access [thru @place closet|by ladder in back|locked, waited 30 min for key]
[parked|had to park] in [alley|garage level 2]
ladder [needed|24 ft]
checked filters
[spoke|talked] with [Brenda|manager|security|chef]
no key for roof, [security let me up|got from front desk]
[signed by|ticket signed] [Karen|night manager|shift lead]
need badge for @place
windy up there
lots of goose poop on roof
second trip, [forgot|had to get] [gauges|meter] from truck
dog in yard
[lunch|part run] <20-60> min
unit is above @place
nameplate unreadable
took before and after pics
roof hatch heavy
after hours rate applies per office
store very busy
picked up part at supply house
Model and S/N on tag
washed hands of grease lol
helped @who with boiler next door
"""

CLOSING = """
[running|ok|running ok] [on departure|when left|at this time]
unit [running|operating|back on line]
left [running|unit running]
[all ok|ok|good]
cooling [at this time|good]
[supply|discharge] air <52-59>
job complete
checked operation
temps dropping
returned to service
done
[closed|close] ticket
unit operational
"""

EMPTY_FINDING = """
ok
see ticket
see below
unit running on arrival
running when I got here
n/a
checked [unit|out unit]
unit down
unit off
.
as reported
same as before
see notes
unit on roof
looked at unit
"""

EMPTY_ACTION = """
ok [on departure|now|]
done
[fixed|took care of it|repaired]
running
[running|all ok] when left
completed
unit back on
[good|all good]
got it going
checked [operation|all]
serviced unit
made repairs
complete
up and running
[see|call] [office|me] for details
cooling
working now
"""

# --- statements ---------------------------------------------------------------------------------------------

STATEMENT_PHRASES: dict[str, str] = {
    "bypass found": """
[found|] @safety [jumpered|jumpered out|jumped out|jumped]
[found|] jumper [on|across|at] @safety
@safety [was|is] bypassed
@safety [wired around|wired out|taken out of circuit]
someone [jumped|jumpered|bypassed|wired around] @safety
[found|saw] wire nut joining @safety leads together
@safety has been defeated
bypass on @safety from [before|last summer|someone]
both wires of @safety tied together
alligator clip [left on|across] @safety
@safety terminals shorted w/ piece of wire
prior tech left jumper on @safety
noticed @safety [jumped|bypassed]
fans run all the time, @safety jumped out
@safety cut out of circuit, wires twisted together
[spade|loop] of wire bridging @safety
found @safety cheated with a jumper
jumper still in on @safety
other guys bypassed @safety [on mild day|in summer|to keep it going]
@safety straight wired
""",
    "bypass removed": """
[removed|rmvd|pulled|took off|took out|cut out] jumper [from|on|off] @safety
[removed|undid|took out] bypass [on|at|of] @safety
jumper [removed|taken off|pulled|cut out]
got rid of [jumper|bypass] on @safety
[removed|pulled] jumper wire
took jumper off @safety
unjumpered @safety
jumper on @safety removed
[clipped|cut] out jumper at @safety
eliminated bypass on @safety
bypass wire [pulled|removed]
removed the wire nut jumper on @safety
jumper has been removed from @safety
cleared bypass of @safety
took somebody's jumper off @safety
pulled the alligator clip off @safety
""",
    "bypass denied": """
no jumper [found|on @safety|seen|]
no jumpers [found|in unit|anywhere]
@safety not [jumpered|bypassed|jumped out]
[checked for|looked for] jumpers, none
no bypass [found|on @safety|seen]
no safeties [bypassed|jumped out]
nothing [jumpered|bypassed]
@safety in circuit, not bypassed
verified @safety is not [jumped|bypassed|jumpered]
didn't see any [jumper|jumpers|bypass]
no sign of [bypass|jumper] on @safety
safeties all in line, no jumpers
could not find any jumper
[checked|confirmed] nobody [jumpered|bypassed] @safety
jumpers: none
no evidence @safety was ever bypassed
no one has bypassed @safety
""",
    "power cycled": """
[cycled|cycle|cycled the] power
[cycled|recycled] power [at disconnect|to unit|to board]
power cycled [unit|board|]
killed power [5 min|for a minute|and turned back on]
shut power off [10 minutes|a few minutes] and back on
turned [disconnect|unit|breaker] off and on
turned unit off then back on
[pulled|opened] disconnect [for 5 min,|and] put back in
flipped breaker off and on
power reset [at disconnect|on unit]
rebooted [unit|board|controller]
dropped power to clear lockout
cut power to board to clear [fault|lockout]
hard reboot at disconnect
powered down and back up
de-energized and re-energized unit
toggled the disconnect
cleared lockout by [cycling|killing] power
off/on at disconnect
""",
    "switch reset": """
reset @switch
[reset|manually reset] [the|] @switch
pushed [reset|reset button] on @switch
@switch reset
[pressed|hit] [red|manual] reset [button|] on @switch
had to reset @switch
pushed button on @switch [back in|in]
@switch manually reset
reset tripped @switch
reset @switch and [started|unit started|it came on]
did manual reset of @switch
popped @switch back in
re-set @switch
set @switch button back
@switch was reset and [held|unit ran]
cleared and reset @switch
""",
    "refrigerant added": """
added <2-6> [lb|lbs|pounds|#] [@gas|of @gas|gas|]
added <1-4> [lb|pound] <2-14> oz @gas
[topped off|topped up] [charge|system|gas|]
charged [unit|system|circuit 1] [to proper subcooling|to <8-12> SC|with <2-6> lb @gas]
weighed in [factory charge|<4-12> lb @gas]
[put in|put] <2-5> [pounds|lb] of [gas|@gas|refrigerant]
[gave|shot] it [a shot of|some] [gas|@gas|freon]
recharged [unit|system|circuit]
brought charge up [to normal|to <8-12> subcool]
[dumped|squirted] in [some|a couple pounds of] [gas|freon|@gas]
added refrigerant
added freon
[evacuated and charged|pulled vacuum and weighed in charge]
gassed it up [<2-5> lb|]
used <2-6># @gas
fed in <2-4> lbs vapor @gas
adjusted charge, <1-4> lb in
<2-6> lb @gas added
filled to proper charge
""",
    "control reconnected": """
[reconnected|rewired|re-connected] @headcontrol
@headcontrol [wired back in|put back in circuit|back in service|reconnected]
put @headcontrol back in [circuit|line|service|control]
tied @headcontrol back in
hooked @headcontrol back up
landed wires back on @headcontrol
wired @headcontrol back into fan circuit
reinstated @headcontrol
restored @headcontrol [to operation|wiring]
connected @headcontrol again
@headcontrol hooked back up, fan cycles
put leads back on @headcontrol
re-terminated @headcontrol
placed @headcontrol back in operation
@headcontrol reattached and tested
got @headcontrol wired the way it should be
put the @headcontrol back to work
""",
    "control fitted": """
installed [new|] @headcontrol
installed @headcontrol and set for <220-300>/<380-420>
added @headcontrol
put in [new|] @headcontrol
mounted and wired [new|] @headcontrol
[fitted|furnished and installed] @headcontrol
@headcontrol installed
new @headcontrol [put on|installed|mounted on liquid line]
retrofitted [unit with|] @headcontrol
equipped unit with @headcontrol
completed install of @headcontrol
@headcontrol added to unit
put @headcontrol on
piped and wired new @headcontrol
low ambient kit in and working
@headcontrol went in today
tee'd in new @headcontrol
""",
}

STATEMENT_SENTENCES: dict[str, dict[str, str]] = {
    "prose": {
        "bypass found": """
I discovered that a previous mechanic had bypassed the @safety
The @safety had been jumpered out with a short piece of wire
It is clear that the @safety has been taken out of the circuit by somebody
""",
        "bypass removed": """
The jumper was removed from the @safety
I removed the bypass so that the @safety protects the unit again
I took the jumper wire off of the @safety
""",
        "bypass denied": """
I verified that none of the safeties had been bypassed
There were no jumpers on the @safety or anywhere else in the control circuit
I did not find any evidence of a jumper
""",
        "power cycled": """
I turned the power off at the disconnect for several minutes and then restored it
Power to the unit was cycled in order to clear the lockout
I cleared the fault by removing and reapplying power
""",
        "switch reset": """
The @switch was reset and the unit started
I manually reset the @switch
I pressed the reset button on the @switch
""",
        "refrigerant added": """
I added <2-6> pounds of @gas to bring the system to the correct subcooling
The system was charged with <2-8> pounds of refrigerant
An additional <1-5> pounds of @gas were weighed in
""",
        "control reconnected": """
I reconnected the @headcontrol and confirmed that the fans now cycle
The @headcontrol was wired back into the circuit
The @headcontrol has been placed back in service
""",
        "control fitted": """
I installed a new @headcontrol on this unit
A @headcontrol was installed, set and tested
We have now equipped this unit with a @headcontrol for winter operation
""",
    },
    "foreign": {
        "bypass found": """
somebody have made bridge on @safety
the @safety was shorted with cable
@safety is bridged over, not good
""",
        "bypass removed": """
I have take away the bridge from @safety
bridge cable on @safety taken out
the jumper I have removed
""",
        "bypass denied": """
no bridge on the @safety
I look for bridge, is not one
nobody has bridged the @safety
""",
        "power cycled": """
I switch current off and after 5 minute on again
make new start with main switch off on
main switch off, wait, main switch on
""",
        "switch reset": """
I make reset on @switch
button of @switch I have pushed in
@switch resetted by hand
""",
        "refrigerant added": """
I have filled <2-5> pounds of gas
fill up with @gas <1-3>.<1-9> kg
put gas inside until pressure good
""",
        "control reconnected": """
I have connected again the @headcontrol
cables of @headcontrol are again on place
@headcontrol is back in the circuit now
""",
        "control fitted": """
I have mounted new @headcontrol
new @headcontrol built in and adjusted
@headcontrol is now installed from me
""",
    },
}

BOOK: dict[str, str | dict[str, str]] = {
    "complaint": COMPLAINT,
    "found": FOUND,
    "cold": COLD,
    "did": DID,
    "figures": FIGURES,
    "in order": IN_ORDER,
    "earlier": EARLIER,
    "not done": NOT_DONE,
    "advice": ADVICE,
    "chatter": CHATTER,
    "closing": CLOSING,
    "empty finding": EMPTY_FINDING,
    "empty action": EMPTY_ACTION,
}
