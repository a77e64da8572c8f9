"""Where the words of a list stand in the canonical tokens of a clause: phrases replaced, patterns found."""

from typing import NamedTuple, cast

from lowambient.calls.lexicon import Heads
from lowambient.calls.word_lists import END, Pattern, Trie


class Found(NamedTuple):
    """A match: the row of its list and the places of its tokens."""

    row: int
    places: tuple[int, ...]


def replace(tokens: list[str], first: list[int], last: list[int], trie: Trie) -> tuple[list[str], list[int], list[int]]:
    """Tokens with each longest known phrase replaced by what it means; `first`, `last`: the places they came from."""
    if trie.keys().isdisjoint(tokens):
        return tokens, first, last
    new: list[str] = []
    new_first: list[int] = []
    new_last: list[int] = []
    place, count = 0, len(tokens)
    while place < count:
        if tokens[place] in trie:
            meant, stop = _longest(tokens, place, trie)
        else:
            meant, stop = (tokens[place],), place + 1
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


def matches(tokens: list[str], patterns: dict[str, Heads], barred: frozenset[str]) -> list[Found]:
    """Every match of the patterns; none reaches across a word of `barred`."""
    found: list[Found] = []
    count = len(tokens)
    for place, token in enumerate(tokens):
        heads = patterns.get(token)
        if heads is None:
            continue
        for row in heads.alone:
            found.append(Found(row, (place,)))
        seconds = heads.seconds
        for ahead in range(place + 1, min(place + 5, count)):
            for pattern in seconds.get(tokens[ahead], ()):
                if ahead - place <= pattern.gaps[1] + 1:
                    places = _rest(tokens, pattern, place, ahead, barred)
                    if places:
                        found.append(Found(pattern.row, places))
            if tokens[ahead] in barred:
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
            if tokens[place] in barred:
                return None
        else:
            return None
    return tuple(places)
