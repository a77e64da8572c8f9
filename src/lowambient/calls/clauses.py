"""What one sentence of a service note says: symptoms and statements, each with its place, negation and modality.

A sentence comes as canonical tokens (lexicon.py) and is judged clause by clause: what is denied, advised, doubted,
conditional or only looked at counts less or not at all (scopes.py). Notes repeat their clauses, so each is judged once
for each thing that the rest of its sentence may say of it.
"""

import re
from typing import NamedTuple

from lowambient.calls.lexicon import (
    BYPASS_TOLD,
    OWN_BYPASS,
    SKIPPED,
    STATEMENTS,
    UNKNOWN,
    WRITER,
    Lexicon,
    StatementRow,
)
from lowambient.calls.matching import Found, matches, replace
from lowambient.calls.scopes import Around, Clause, Sets, scoped

DONE_ON_VISIT = frozenset(STATEMENTS) - {"bypass found", "bypass denied"} | {"power cut"}
"""Statements that are true only of this visit and its technician; a bypass found is somebody else's."""

FACTORS = {"advised": 0.7, "doubted": 0.7, "conditional": 0.4, "past": 0.7, "earlier": 0.3, "hearsay": 0.5}
"""On a symptom's weight (judgement): a part that is quoted is usually at fault."""

SOME_DAY = 0.25
"""The same for work that is advised for some other day."""

LOOKED_AT = 0.3
"""The same for a part that is only named, and looked at."""

ALONE, ASKED = tuple(Around()), tuple(Around(asked=True))
"""Around a clause that is the whole of its sentence."""

SETTLING = ("power cycled", OWN_BYPASS)
"""Statements that settle what other words of their sentence mean."""

_BOUNDARY = re.compile(r"(?:^|(?<=\+)| ),(?= |$)")
"""A mark that ends a clause: a token of its own, or the last part of one."""


class Symptom(NamedTuple):
    """Evidence for a symptom: natural-log weight (negative where denied) and the first and last token it rests on."""

    symptom: str
    weight: float
    first: int
    last: int


class Statement(NamedTuple):
    """A statement with its probability, the first and last token it rests on, the statement that it needs, and the
    control or switch that its clause is about."""

    statement: str
    probability: float
    first: int
    last: int
    needs: str
    about: str


class Judged(NamedTuple):
    """What a clause says, by the number under which it is kept; the (advised, conditional, looked at) that it leaves
    open; whether it says something that settles what others of its sentence mean."""

    said: int
    leaves: tuple[bool, bool, bool]
    settles: bool


Said = tuple[tuple[Symptom, ...], tuple[Statement, ...]]


class Hint(NamedTuple):
    """What a clause says of the ones before it, seen without reading it."""

    takes_back: bool
    is_good: bool


class Judge:
    """Judges sentences by one lexicon, and remembers clauses. `said`: what they say, by number; 0 says nothing."""

    def __init__(self, lexicon: Lexicon) -> None:
        self.lexicon = lexicon
        self.said: list[Said] = [((), ())]
        self._judged: dict[tuple[str, tuple[bool, ...]], Judged] = {}
        self._hints: dict[str, Hint] = {}

    def forget(self, most: int) -> bool:
        """Forgets the clauses where they are more than `most`, and tells whether it has."""
        if len(self.said) <= most:
            return False
        self.said = [((), ())]
        self._judged.clear()
        self._hints.clear()
        return True

    def sentence(self, sentence: str) -> list[tuple[int, int]]:
        """What a sentence of canonical tokens with a space between says: numbers in `said`, and the places of the
        tokens from which these count."""
        asked = sentence.endswith("?")
        if "," not in sentence:
            judged = self._clause(sentence, ASKED if asked else ALONE)
            found, settles = [(judged.said, 0)] if judged.said else [], judged.settles
        else:
            found, settles = self._several(_clauses(sentence), asked)
        return [(self._keep(_settled([(self.said[said], offset) for said, offset in found])), 0)] if settles else found

    def _several(self, clauses: list[tuple[int, str]], asked: bool) -> tuple[list[tuple[int, int]], bool]:
        """What the clauses of a sentence say, each with its first token, and whether one settles what others mean."""
        hints = [self._hint(clause) for _, clause in clauses]
        last_good = max((number for number, hint in enumerate(hints) if hint.is_good), default=-1)
        found, settles = [], False
        leaves = (False, False, False)
        for number, (offset, clause) in enumerate(clauses):
            back = number + 1 < len(hints) and hints[number + 1].takes_back
            judged = self._clause(clause, (*leaves, back, number < last_good, asked))
            leaves = judged.leaves
            if judged.said:
                found.append((judged.said, offset))
                settles = settles or judged.settles
        return found, settles

    def _keep(self, said: Said) -> int:
        """The number under which this is kept."""
        if not any(said):
            return 0
        self.said.append(said)
        return len(self.said) - 1

    def _hint(self, clause: str) -> Hint:
        hint = self._hints.get(clause)
        if hint is None:
            sets = self.lexicon.sets
            whole = re.split(r"[ +]", clause)
            tokens = [token for token in whole if token not in (SKIPPED, WRITER)]
            takes_back = bool(tokens) and (
                tokens[0] in sets["none"]
                or (tokens[0] in sets["not"] and sets["so"].issuperset(tokens[1:]) and whole[-1] == tokens[-1])
            )
            hint = self._hints[clause] = Hint(takes_back, not sets["ok, none or clean"].isdisjoint(tokens))
        return hint

    def _clause(self, clause: str, told: tuple[bool, ...]) -> Judged:
        """A clause, given what an Around tells."""
        judged = self._judged.get((clause, told))
        if judged is None:
            around = Around(*told)
            symptoms, statements, leaves = judge_clause(clause.split(" "), around, self.lexicon)
            settles = any(one.statement in SETTLING for one in statements)
            judged = self._judged[clause, told] = Judged(self._keep((symptoms, statements)), leaves, settles)
        return judged


def _settled(parts: list[tuple[Said, int]]) -> Said:
    """What a whole sentence says, where one part of it settles what another means; places count from its beginning."""
    symptoms = [one._replace(first=one.first + at, last=one.last + at) for said, at in parts for one in said[0]]
    statements = [one._replace(first=one.first + at, last=one.last + at) for said, at in parts for one in said[1]]
    symptoms = _without_switching(symptoms, statements)
    if any(one.statement == OWN_BYPASS for one in statements):
        statements = [one for one in statements if one.statement != "bypass removed"]
    return tuple(symptoms), tuple(statements)


def _without_switching(symptoms: list[Symptom], statements: list[Statement]) -> list[Symptom]:
    """Symptoms without electrical ones that rest on words of power taken away and given back by the writer."""
    said = {one.statement for one in statements}
    if not any(one.statement == "power cycled" and (not one.needs or one.needs in said) for one in statements):
        return symptoms
    spans = [(one.first, one.last) for one in statements if one.statement in ("power cycled", "power cut")]
    return [
        one
        for one in symptoms
        if one.symptom != "electrical" or all(one.last < first or last < one.first for first, last in spans)
    ]


def _clauses(sentence: str) -> list[tuple[int, str]]:
    """Clauses of a sentence with the number of their first token."""
    found, offset = [], 0
    if "+," not in sentence and " , , " not in sentence and not sentence.startswith(",") and not sentence.endswith(","):
        for clause in sentence.split(" , "):
            found.append((offset, clause))
            offset += clause.count(" ") + 2
        return found
    start = 0
    for mark in _BOUNDARY.finditer(sentence):
        clause = sentence[start : mark.start()].removesuffix("+")
        if clause:
            found.append((offset, clause))
        offset += sentence.count(" ", start, mark.end() + 1)
        start = mark.end() + 1
    if sentence[start:]:
        found.append((offset, sentence[start:]))
    return found


def judge_clause(
    written: list[str], around: Around, lexicon: Lexicon
) -> tuple[tuple[Symptom, ...], tuple[Statement, ...], tuple[bool, bool, bool]]:
    """What one clause of canonical tokens says, given what the rest of its sentence says of it, and what it leaves
    open."""
    tokens, first, writer = [], [], set()
    for place, entry in enumerate(written):
        if entry == WRITER:
            writer.add(place + 1)
        elif entry not in (SKIPPED, "."):
            for token in entry.split("+"):
                tokens.append(token)
                first.append(place)
    if all(token in (UNKNOWN, "0", "n") for token in tokens):
        return (), (), around[:3]
    last = first
    for trie in lexicon.phrases:
        tokens, first, last = replace(tokens, first, last, trie)
    begins = frozenset(next((at for at, came in enumerate(first) if came >= place), len(tokens)) for place in writer)
    clause, leaves = scoped(tokens, first, last, begins, around, lexicon.sets)
    return tuple(_symptoms(clause, lexicon)), tuple(_statements(clause, lexicon)), leaves


def _symptoms(clause: Clause, lexicon: Lexicon) -> list[Symptom]:
    rows = lexicon.symptom_rows
    found = matches(clause.tokens, lexicon.symptoms, lexicon.sets["barred or part"])
    found.sort(key=lambda one: (-len(one.places), -rows[one.row].weight, one.places[-1] - one.places[0], one.places[0]))
    taken: set[int] = set()
    symptoms = []
    for one in found:
        if not taken.isdisjoint(one.places):
            continue
        taken.update(one.places)
        row = rows[one.row]
        weight = row.weight * _factor(clause, one, row.named_only, lexicon.sets)
        symptoms.append(Symptom(row.symptom, weight, clause.first[one.places[0]], clause.last[one.places[-1]]))
    return symptoms


def _factor(clause: Clause, one: Found, named_only: bool, sets: Sets) -> float:
    start, end = one.places[0], one.places[-1]
    named_only = named_only or all(clause.tokens[place] not in sets["telling"] for place in one.places)
    if start in clause.over["denied"] or _denied_after(clause, end, sets, named_only):
        return -1.0
    if end > start and clause.tokens[end] in sets["state"] and end + 1 == len(clause.tokens):
        return -1.0  # `drain clear`
    factor = LOOKED_AT if named_only and start in clause.over["looked at"] else 1.0
    for kind, less in FACTORS.items():
        if start in clause.over[kind]:
            factor *= less
    if start in clause.over["advised"] and not sets["some day"].isdisjoint(clause.tokens):
        factor *= SOME_DAY
    return factor


def _denied_after(clause: Clause, last: int, sets: Sets, named_only: bool) -> bool:
    """Whether what follows takes it back: `jumpers - none`, `leak not found`, and for a part `belt ok`."""
    ahead = clause.tokens[last + 1 : last + 6]
    for place, token in enumerate(ahead):
        if token in sets["none"]:
            return True
        if token in sets["no"]:
            after = ahead[place + 1] if place + 1 < len(ahead) else ""
            return after in sets["seen"] or (named_only and after in sets["trouble"] and token != "never")
        if token not in sets["link"] and not (named_only and token in sets["part"]):
            return named_only and token in sets["ok"]
    return len(ahead) < 5 and clause.around.taken_back


def _statements(clause: Clause, lexicon: Lexicon) -> list[Statement]:
    rows = lexicon.statement_rows
    found = matches(clause.tokens, lexicon.statements, lexicon.sets["barred or bypass"])
    found.sort(key=lambda one: (one.row, -len(one.places), one.places[-1] - one.places[0], one.places[0]))
    taken: dict[str, set[int]] = {}
    statements = []
    for one in found:
        row = rows[one.row]
        used = taken.setdefault(row.group, set())
        if not used.isdisjoint(one.places):
            continue
        if not _holds(clause, one, row, lexicon.sets):
            if row.statement == "bypass removed" and one.places[0] in clause.over["earlier"]:
                used.update(one.places)  # nor was it found on this visit
            continue
        used.update(one.places)
        first_place = one.places[0]
        first, last = clause.first[first_place], clause.last[one.places[-1]]
        about = _about(clause, one, lexicon) if row.group in ("bypass", "control") else ""
        hearsay = row.statement == "bypass found" and first_place in clause.over["hearsay"]
        name = BYPASS_TOLD if hearsay else row.statement
        statements.append(Statement(name, row.probability, first, last, row.needs, about))
    return statements


def _about(clause: Clause, one: Found, lexicon: Lexicon) -> str:
    """The control or switch that the clause names nearest to a match, `` where it names none."""
    nearest = (len(clause.tokens) + 1, True, "")
    for place, token in enumerate(clause.tokens):
        about = lexicon.objects.get(token)
        if about is not None:
            away = min(abs(place - at) for at in one.places)
            nearest = min(nearest, (away, place < one.places[0], about))
    return nearest[2]


def _holds(clause: Clause, one: Found, row: StatementRow, sets: Sets) -> bool:
    """Whether the clause asserts a match, or denies it, as its row asks."""
    if row.when == "any":
        return True
    over = clause.over
    if row.statement in DONE_ON_VISIT and any(
        place in over[kind] for place in one.places for kind in ("earlier", "other")
    ):
        return False
    first, last = one.places[0], one.places[-1]
    looked_at = first in over["looked at"]
    denied = first in over["denied"] or last in over["denied"] or _denied_after(clause, last, sets, False)
    if row.when == "denied":  # also `checked for jumpers, all intact`
        good = clause.around.good_later or not sets["ok, none or clean"].isdisjoint(clause.tokens[last:])
        return (denied or (looked_at and good)) and not _only_meant(clause, one, sets)
    if (row.when in ("start", "whole") and first > 0) or (row.when == "whole" and last + 1 < len(clause.tokens)):
        return False
    if row.when == "negated":  # `never opens` tells of a fault
        return not looked_at and not _only_meant(clause, one, sets)
    return not denied and not (looked_at and row.group == "bypass") and not _only_meant(clause, one, sets)


def _only_meant(clause: Clause, one: Found, sets: Sets) -> bool:
    """Whether it is advised, planned, doubted or conditional, by words before or just behind it."""
    if any(place in clause.over[kind] for place in one.places for kind in ("advised", "doubted", "conditional")):
        return True
    after = clause.tokens[one.places[-1] + 1 : one.places[-1] + 4]
    ends = [place for place, token in enumerate(after) if token in sets["break"] or token == "and"]
    after = after[: ends[0]] if ends else after
    return not sets["advice"].isdisjoint(after) and "as" not in after  # `as needed`, `as quoted` was done
