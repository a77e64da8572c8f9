"""What speaks over each word of a clause: a `no`, an advice, a doubt, a condition, a look, another visit or person.

A clause comes as canonical tokens (lexicon.py). Advice, conditions and looks last to the end of the sentence, so each
clause takes over what the ones before it left open.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

Sets = dict[str, frozenset[str]]

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


AT = (["on"], ["in"], ["at"], ["across"], ["around"], ["between"])
"""What follows `found` where it tells of a place."""

MODAL = ("advised", "doubted")
"""Kinds whose words tell what happened where a `not` follows: `would not reset`, `could not find`."""


class Around(NamedTuple):
    """What the rest of its sentence says of a clause.

    Left open by the clauses before: `advised`, `conditional`, `looked_at`. `taken_back`: the next clause begins with
    `none` or is only `it is not`; `good_later`: a later one says `ok` or `none`; `asked`: the sentence is a question.
    """

    advised: bool = False
    conditional: bool = False
    looked_at: bool = False
    taken_back: bool = False
    good_later: bool = False
    asked: bool = False


NOTHING_OVER: dict[str, set[int]] = {
    kind: set() for kind in (*(kind for kind, _, _ in SCOPES), "earlier", "hearsay", "other")
}
"""Of a clause over which nothing speaks."""


@dataclass(frozen=True)
class Clause:
    """Tokens of one clause after phrases were replaced, with what speaks over each place.

    `first`, `last`: the written token from which each came; `over`: kind to places on which it speaks; `writer`: places
    before which the writer names himself (`I`, `we`).
    """

    tokens: list[str]
    first: list[int]
    last: list[int]
    writer: frozenset[int]
    over: dict[str, set[int]]
    around: Around


def scoped(
    tokens: list[str], first: list[int], last: list[int], writer: frozenset[int], around: Around, sets: Sets
) -> tuple[Clause, tuple[bool, bool, bool]]:
    """A clause with what speaks over it, and the (advised, conditional, looked at) that it leaves open."""
    if not any(around[:3]) and not around.asked and sets["speaks"].isdisjoint(tokens):
        return Clause(tokens, first, last, writer, NOTHING_OVER, around), (False, False, False)
    over: dict[str, set[int]] = {kind: set() for kind, _, _ in SCOPES} | _others(tokens, writer, sets)
    left: dict[str, int] = {}  # words up to which each still reaches
    for kind, is_open in zip(("advised", "conditional", "looked at"), around[:3], strict=True):
        if is_open:
            left[kind] = FAR
    if tokens and tokens[0] in sets["done"]:
        _end(left, "advised", "looked at")
    talk = False
    for place, token in enumerate(tokens):
        if place in writer:
            _end(left, "advised", "looked at")
        if left and token in sets["break"]:
            _end(left, "looked at", *(() if _goes_on(tokens, place, sets) else ("denied",)))
        for kind in list(left):
            over[kind].add(place)
            left[kind] -= 1
            if left[kind] <= 0:
                del left[kind]
        begun = _begun(tokens, place, sets) if token in sets["speaks"] else None
        if begun:
            left[begun[0]] = begun[1]
            talk = token in sets["talk"] if begun[0] == "advised" else talk
    if around.asked:
        over["doubted"].update(range(len(tokens)))
    leaves = ("advised" in left and not talk, "conditional" in left, "looked at" in left)
    return Clause(tokens, first, last, writer, over, around), leaves


def _begun(tokens: list[str], place: int, sets: Sets) -> tuple[str, int] | None:
    """What a word begins to say of those behind it, and of how many."""
    for kind, words, reach in SCOPES:
        if tokens[place] in sets[words] and not (kind in MODAL and _negative(tokens, place + 1, sets["no"])):
            return kind, reach
    return None


def _end(left: dict[str, int], *kinds: str) -> None:
    for kind in kinds:
        left.pop(kind, None)


def _others(tokens: list[str], writer: frozenset[int], sets: Sets) -> dict[str, set[int]]:
    """Places of an earlier visit, of hearsay, and of what somebody else did: `customer reset`, `reset by`."""
    everywhere = set(range(len(tokens)))
    other: set[int] = set()
    for place, token in enumerate(tokens):
        if token in sets["actor"]:
            before = tokens[place - 1] if place else ""
            if before in ("by", "from"):
                other.update(range(place))
            elif before not in sets["towards"]:
                other.update(_deeds(tokens, range(place + 1, min(place + 2 + ACTOR_REACH, len(tokens))), writer, sets))
    return {
        "earlier": everywhere if not sets["earlier"].isdisjoint(tokens) else set(),
        "hearsay": everywhere if not sets["hearsay"].isdisjoint(tokens) else set(),
        "other": other,
    }


def _deeds(tokens: list[str], places: range, writer: frozenset[int], sets: Sets) -> Iterator[int]:
    """Places behind a person up to the bridging, which is as a rule undone by the writer, or to what was found."""
    for place in places:
        if tokens[place] in sets["found anew"] or place in writer:
            return
        yield place


def _goes_on(tokens: list[str], place: int, sets: Sets) -> bool:
    """Whether a `no` speaks on behind this word: `did not find`, `no need to reset`, `no jumper found on`."""
    if place and tokens[place - 1] in sets["carry"]:
        return True
    return tokens[place] in sets["seen"] and place > 0 and tokens[place + 1 : place + 2] in ([], *AT)


def _negative(tokens: list[str], place: int, no: frozenset[str]) -> bool:
    """Whether `would` or `will` is followed by a `not`: then it tells what happened."""
    return place < len(tokens) and (
        tokens[place] in no or tokens[place] in ("inoperative", "no-cool", "no-reset", "no-heat")
    )
