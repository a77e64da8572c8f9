"""What one sentence of a service note says: symptoms and statements, each with its place, negation and modality.

A sentence comes as canonical tokens (lexicon.py). Words are matched inside one clause; what is denied, advised,
doubted, conditional or only looked at counts less or not at all.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple, cast

from lowambient.calls.lexicon import (
    BOUNDARY,
    END,
    OWN_BYPASS,
    SKIPPED,
    STATEMENTS,
    UNKNOWN,
    Lexicon,
    Pattern,
    Patterns,
    StatementRow,
    Trie,
)

REACH = 6
"""Words on which a `no` speaks (judgement)."""

ACTOR_REACH = 5
"""Words after a person that tell what that person did (judgement)."""

FAR = 1_000_000
"""Reach to the end of the sentence."""

SCOPES = (
    ("denied", "no", REACH),
    ("advised", "advice", FAR),
    ("doubted", "doubt", REACH),
    ("conditional", "if", FAR),
    ("looked at", "inquiry", FAR),
    ("past", "past", REACH),
)
"""What speaks over the words behind it: kind, set of words that begin it, words on which it speaks."""

ENDED_BY_CLAUSE = ("denied", "doubted", "past")

DONE_ON_VISIT = frozenset(STATEMENTS) - {"bypass found", "bypass denied"} | {"power cut"}
"""Statements that are true only of this visit and its technician; a bypass found is somebody else's."""

FACTORS = {"advised": 0.7, "doubted": 0.7, "conditional": 0.4, "past": 0.7, "earlier": 0.3}
"""On a symptom's weight (judgement): a part that is quoted is usually at fault."""

LOOKED_AT = 0.3
"""The same for a part that is only named, and looked at."""


class Symptom(NamedTuple):
    """Evidence for a symptom: natural-log weight (negative where denied) and the first and last token it rests on."""

    symptom: str
    weight: float
    first: int
    last: int


class Statement(NamedTuple):
    """A statement with its probability, the first and last token it rests on, and the statement that it needs."""

    statement: str
    probability: float
    first: int
    last: int
    needs: str


class Found(NamedTuple):
    """A match: the row of its list and the places of its tokens."""

    row: int
    places: tuple[int, ...]


@dataclass(frozen=True)
class Clauses:
    """Tokens of one sentence after phrases were replaced, with what speaks over each place.

    `first` and `last`: the token of the sentence from which each came; `starts`: places that begin a clause; `over`:
    places on which a `no`, an advice, a doubt, a condition, a look, another visit or another person speaks.
    """

    tokens: list[str]
    first: list[int]
    last: list[int]
    starts: set[int]
    over: dict[str, set[int]]


def judge(sentence: str, lexicon: Lexicon) -> tuple[list[Symptom], list[Statement]]:
    """Symptoms and statements of one sentence of canonical tokens with a space between."""
    clauses = _clauses(sentence.split(" "), lexicon)
    if clauses is None:
        return [], []
    return _symptoms(clauses, lexicon), _statements(clauses, lexicon)


def _clauses(written: Sequence[str], lexicon: Lexicon) -> Clauses | None:
    tokens, first, last = [], [], []
    for place, entry in enumerate(written):
        if entry not in (SKIPPED, "."):
            for token in entry.split("+"):
                tokens.append(token)
                first.append(place)
                last.append(place)
    if all(token in (UNKNOWN, BOUNDARY, "0", "n") for token in tokens):
        return None
    for trie in lexicon.phrases:
        tokens, first, last = _replace(tokens, first, last, trie)
    return _scopes(tokens, first, last, lexicon.sets)


def _replace(
    tokens: list[str], first: list[int], last: list[int], trie: Trie
) -> tuple[list[str], list[int], list[int]]:
    """Tokens with each longest known phrase replaced by what it means."""
    new: list[str] = []
    new_first: list[int] = []
    new_last: list[int] = []
    place, count = 0, len(tokens)
    while place < count:
        meant, stop = _longest(tokens, place, trie)
        for token in meant:
            new.append(token)
            new_first.append(first[place])
            new_last.append(last[stop - 1])
        place = stop
    return new, new_first, new_last


def _longest(tokens: list[str], place: int, trie: Trie) -> tuple[tuple[str, ...], int]:
    """What the longest known phrase at a place means, and where it stops; else the token itself."""
    meant: tuple[str, ...] = (tokens[place],)
    stop = place + 1
    node = trie.get(tokens[place])
    ahead = place
    while node is not None:
        branch = cast(Trie, node)
        ahead += 1
        if END in branch:
            meant, stop = cast(tuple[str, ...], branch[END]), ahead
        node = branch.get(tokens[ahead]) if ahead < len(tokens) else None
    return meant, stop


def _scopes(tokens: list[str], first: list[int], last: list[int], sets: dict[str, frozenset[str]]) -> Clauses:
    over: dict[str, set[int]] = {kind: set() for kind, _, _ in SCOPES}
    clauses = Clauses(tokens, first, last, set(), over | _others(tokens, sets))
    left = {kind: 0 for kind, _, _ in SCOPES}  # words up to which each still reaches
    starts = True
    for place, token in enumerate(tokens):
        if token == BOUNDARY:
            starts = True
            left |= dict.fromkeys(ENDED_BY_CLAUSE, 0)
            continue
        if starts:
            starts = False
            clauses.starts.add(place)
            if token in sets["done"]:
                left["advised"] = left["looked at"] = 0
        if token in sets["break"]:
            left["looked at"] = 0
            if place == 0 or tokens[place - 1] not in sets["carry"]:  # `did not find`, `no need to reset` go on
                left["denied"] = 0
        for kind, reach in left.items():
            if reach > 0:
                clauses.over[kind].add(place)
                left[kind] = reach - 1
        for kind, words, reach in SCOPES:
            if token in sets[words] and not (kind == "advised" and _negative(tokens, place + 1, sets["no"])):
                left[kind] = reach
                break
    if tokens[-1] == "?":
        clauses.over["doubted"].update(range(len(tokens)))
    return clauses


def _others(tokens: list[str], sets: dict[str, frozenset[str]]) -> dict[str, set[int]]:
    """Places in a clause of an earlier visit, and those where somebody else did it: `customer reset`, `reset by`."""
    earlier: set[int] = set()
    other: set[int] = set()
    start = 0
    for end in (*(place for place, token in enumerate(tokens) if token == BOUNDARY), len(tokens)):
        clause = range(start, end)
        if any(tokens[place] in sets["earlier"] for place in clause):
            earlier.update(clause)
        for place in clause:
            before = tokens[place - 1] if place > start else ""
            if tokens[place] in sets["actor"]:
                if before in ("by", "from"):
                    other.update(range(start, place))
                elif before not in sets["towards"]:
                    other.update(_deeds(tokens, range(place + 1, min(place + 2 + ACTOR_REACH, end)), sets))
        start = end + 1
    return {"earlier": earlier, "other": other}


def _deeds(tokens: list[str], places: range, sets: dict[str, frozenset[str]]) -> Iterator[int]:
    """Places behind a person up to the bridging, which is as a rule undone by the writer, or to what was found."""
    for place in places:
        if tokens[place] in sets["found anew"]:
            return
        yield place


def _negative(tokens: list[str], place: int, no: frozenset[str]) -> bool:
    """Whether `would` or `will` is followed by a `not`: then it tells what happened."""
    return place < len(tokens) and (
        tokens[place] in no or tokens[place] in ("inoperative", "no-cool", "no-reset", "no-heat")
    )


def _matches(tokens: list[str], patterns: Patterns, barred: frozenset[str]) -> list[Found]:
    found: list[Found] = []
    for place, token in enumerate(tokens):
        found.extend(Found(row, (place,)) for row in patterns.alone.get(token, ()))
        seconds = patterns.first.get(token)
        if seconds is None:
            continue
        for ahead in range(1, 5):
            if place + ahead >= len(tokens) or tokens[place + ahead] == BOUNDARY:
                break
            for pattern in seconds.get(tokens[place + ahead], ()):
                if ahead <= pattern.gaps[1] + 1:
                    places = _rest(tokens, pattern, place, place + ahead, barred)
                    if places:
                        found.append(Found(pattern.row, places))
            if tokens[place + ahead] in barred:
                break
    return found


def _rest(
    tokens: list[str], pattern: Pattern, first: int, second: int, barred: frozenset[str]
) -> tuple[int, ...] | None:
    """Places of all elements, given those of the first two; None if the others do not follow."""
    places = [first, second]
    for element, gap in zip(pattern.elements[2:], pattern.gaps[2:], strict=True):
        for place in range(places[-1] + 1, min(places[-1] + gap + 2, len(tokens))):
            if tokens[place] in element:
                places.append(place)
                break
            if tokens[place] == BOUNDARY or tokens[place] in barred:
                return None
        else:
            return None
    return tuple(places)


def _symptoms(clauses: Clauses, lexicon: Lexicon) -> list[Symptom]:
    rows = lexicon.symptom_rows
    found = _matches(clauses.tokens, lexicon.symptoms, lexicon.sets["barred or part"])
    found.sort(key=lambda one: (-len(one.places), -rows[one.row].weight, one.places[-1] - one.places[0], one.places[0]))
    taken: set[int] = set()
    symptoms = []
    for one in found:
        if not taken.isdisjoint(one.places):
            continue
        taken.update(one.places)
        row = rows[one.row]
        weight = row.weight * _factor(clauses, one, row.named_only, lexicon.sets)
        symptoms.append(Symptom(row.symptom, weight, clauses.first[one.places[0]], clauses.last[one.places[-1]]))
    return symptoms


def _factor(clauses: Clauses, one: Found, named_only: bool, sets: dict[str, frozenset[str]]) -> float:
    start, end = one.places[0], one.places[-1]
    named_only = named_only or all(clauses.tokens[place] not in sets["telling"] for place in one.places)
    if start in clauses.over["denied"] or _denied_after(clauses.tokens, end, sets, named_only):
        return -1.0
    if end > start and clauses.tokens[end] in sets["state"] and clauses.tokens[end + 1 : end + 2] in ([], [BOUNDARY]):
        return -1.0  # `drain clear`
    factor = LOOKED_AT if named_only and start in clauses.over["looked at"] else 1.0
    for kind, less in FACTORS.items():
        if start in clauses.over[kind]:
            factor *= less
    return factor


def _denied_after(tokens: list[str], last: int, sets: dict[str, frozenset[str]], named_only: bool) -> bool:
    """Whether what follows takes it back: `jumpers - none`, `leak not found`, and for a part `belt ok`."""
    ahead = tokens[last + 1 : last + 6]
    crossed = False
    for place, token in enumerate(ahead):
        if token == BOUNDARY and not crossed:
            crossed = True
        elif token in sets["none"]:
            return True
        elif crossed:
            return False
        elif token in sets["no"]:
            after = ahead[place + 1] if place + 1 < len(ahead) else ""
            return after in sets["seen"] or (named_only and after in sets["trouble"])
        elif token not in sets["link"] and not (named_only and token in sets["part"]):
            return named_only and token in sets["ok"]
    return False


def _statements(clauses: Clauses, lexicon: Lexicon) -> list[Statement]:
    rows = lexicon.statement_rows
    found = _matches(clauses.tokens, lexicon.statements, lexicon.sets["barred or bypass"])
    found.sort(key=lambda one: (one.row, -len(one.places), one.places[-1] - one.places[0], one.places[0]))
    taken: dict[str, set[int]] = {}
    statements = []
    for one in found:
        row = rows[one.row]
        used = taken.setdefault(row.group, set())
        if not used.isdisjoint(one.places) or not _holds(clauses, one, row, lexicon.sets):
            continue
        used.update(one.places)
        first, last = clauses.first[one.places[0]], clauses.last[one.places[-1]]
        statements.append(Statement(row.statement, row.probability, first, last, row.needs))
    if any(one.statement == OWN_BYPASS for one in statements):
        statements = [one for one in statements if one.statement != "bypass removed"]
    return statements


def _holds(clauses: Clauses, one: Found, row: StatementRow, sets: dict[str, frozenset[str]]) -> bool:
    """Whether the sentence asserts a match, or denies it, as its row asks."""
    if row.when == "any":
        return True
    if row.statement in DONE_ON_VISIT and any(
        place in clauses.over[kind] for place in one.places for kind in ("earlier", "other")
    ):
        return False
    first, last = one.places[0], one.places[-1]
    looked_at = first in clauses.over["looked at"]
    denied = first in clauses.over["denied"] or last in clauses.over["denied"]
    denied = denied or _denied_after(clauses.tokens, last, sets, False)
    if row.when == "denied":  # also `checked for jumpers, all intact`
        denied = denied or (looked_at and not sets["ok or none"].isdisjoint(clauses.tokens[last:]))
        return denied and not _only_meant(clauses, one, sets)
    if row.when == "start" and first not in clauses.starts:
        return False
    return not denied and not (looked_at and row.group == "bypass") and not _only_meant(clauses, one, sets)


def _only_meant(clauses: Clauses, one: Found, sets: dict[str, frozenset[str]]) -> bool:
    """Whether it is advised, planned, doubted or conditional, by words before or just behind it."""
    over = clauses.over
    if any(place in over[kind] for place in one.places for kind in ("advised", "doubted", "conditional")):
        return True
    after = clauses.tokens[one.places[-1] + 1 : one.places[-1] + 4]
    if BOUNDARY in after:
        after = after[: after.index(BOUNDARY)]
    return not sets["advice"].isdisjoint(after) and "as" not in after  # `as needed`, `as quoted` was done
