"""The word lists of service notes in canonical form: lower case, inflection cut off, shop writing replaced.

The same is done to notes (tokens.py), so that both meet.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import cast

from lowambient import reference

AS_WRITTEN = ("dotted", "plain")
"""Sets that are compared with words as written."""

SPEAKING = ("no", "advice", "doubt", "if", "inquiry", "past", "actor", "earlier", "hearsay")
"""Sets of words that speak over others (scopes.py)."""

SHORT_GAP, LONG_GAP = 1, 3
"""Words that may stand between two elements of a pattern: within a phrase, and around `&`."""

Trie = dict[str, "Trie | tuple[str, ...]"]
END = ""
"""Key under which a node of a trie keeps what a phrase means."""


@dataclass(frozen=True)
class Pattern:
    """Words that speak for one thing: sets of words one after the other, with the words allowed before each."""

    row: int
    elements: tuple[frozenset[str], ...]
    gaps: tuple[int, ...]


@cache
def stem(word: str) -> str:
    """The word without English inflection; short words and ideas with a hyphen stay as they are.

    >>> [stem(word) for word in ("tripped", "trips", "icing", "ice", "installed", "batteries")]
    ['trip', 'trip', 'ic', 'ic', 'instal', 'batery']
    """
    if len(word) <= 2 or "-" in word or not word.isalpha():
        return word
    if word.endswith("s") and not word.endswith("ss") and len(word) > 3:
        word = word[:-3] + "y" if word.endswith("ies") else word[:-1]
    for suffix in ("ing", "ed"):
        root = word.removesuffix(suffix)
        if root != word and len(root) >= 2 and not word.endswith("eed") and re.search("[aeiouy]", root):
            word = root
            break
    if len(word) > 3:
        word = re.sub(r"(\w)\1", r"\1", word)
    return word[:-1] if word.endswith("e") and len(word) > 2 else word


def skeleton(word: str) -> str:
    """The word without vowels behind its first letter and without doubled letters, as shops shorten it.

    >>> [skeleton(word) for word in ("compressor", "cmprssr", "replaced", "rplcd")]
    ['cmprsr', 'cmprsr', 'rplcd', 'rplcd']
    """
    return re.sub(r"(\w)\1", r"\1", word[0] + re.sub("[aeiou]", "", word[1:]))


def _ways(cell: str) -> list[str]:
    return [way.strip() for way in cell.split("; ") if way.strip()]


class WordLists:
    """The word lists of `reference/`, turned into canonical words."""

    def __init__(self, own: list[dict[str, str]]) -> None:
        """`own`: a company's shop writing: words, meant."""
        self.written: set[str] = set()
        self.shop = [*reference.rows("note_abbreviations")]
        lists = {row["set"]: row["words"].split("|") for row in reference.rows("note_words")}
        self.as_written = {name: frozenset(lists.pop(name)) for name in AS_WRITTEN}
        self.sets = {"filler": frozenset(stem(word) for word in lists["filler"])}
        self.shop += [
            {"step": "1", "written": self.without_fillers(row["words"]), "meant": row["meant"]} for row in own
        ]
        self.abbreviations = {
            way: row["meant"]
            for row in self.shop
            for way in _ways(row["written"])
            if row["step"] == "1" and re.fullmatch(r"[^ |{}?]+", way)
        }
        self.sets = {name: frozenset(" ".join(self.canonical(word)) for word in words) for name, words in lists.items()}

    def without_fillers(self, cell: str) -> str:
        """The cell without words that are skipped in notes (`the`). Raises ValueError where nothing is left."""
        kept = [word for word in cell.split() if stem(word) not in self.sets["filler"]]
        if not kept:
            raise ValueError(f"words that are skipped in notes, and no other: {cell}")
        return " ".join(kept)

    def canonical(self, word: str) -> tuple[str, ...]:
        """Canonical tokens of one written word."""
        self.written.add(word)
        plain = self.abbreviations.get(word, word)
        self.written.update(plain.split())
        return tuple(stem(part) for part in plain.split())

    def alternatives(self, element: str) -> tuple[tuple[tuple[str, ...], ...], bool]:
        """Each way of one element (`a|b`, `{set}`), and whether it may be missing."""
        optional = len(element) > 1 and element.endswith("?")
        ways: dict[tuple[str, ...], None] = {}
        for word in (element[:-1] if optional else element).split("|"):
            if word.startswith("{"):
                ways.update(dict.fromkeys((one,) for one in sorted(self.sets[word[1:-1]])))
            else:
                ways[self.canonical(word)] = None
        return tuple(ways), optional

    def phrases(self, step: str) -> Trie:
        """All phrases of one step as nested tables of words."""
        trie: Trie = {}
        for row in self.shop:
            if row["step"] != step:
                continue
            meant = tuple(token for word in row["meant"].split() for token in self.canonical(word))
            for way in _ways(row["written"]):
                for tokens in self._expand(way):
                    node = trie
                    for token in tokens:
                        node = cast(Trie, node.setdefault(token, {}))
                    node.setdefault(END, meant)
        return trie

    def _expand(self, way: str) -> Iterator[tuple[str, ...]]:
        slots = []
        for element in way.split():
            ways, optional = self.alternatives(element)
            slots.append((*ways, ()) if optional else ways)
        for combination in product(*slots):
            tokens = tuple(token for part in combination for token in part)
            if not self.sets["filler"].isdisjoint(tokens):
                raise ValueError(f"a word that is skipped cannot be part of a phrase: {way}")
            if tokens:
                yield tokens

    def patterns(self, cell: str, row: int) -> Iterator[Pattern]:
        """Patterns of one cell of a term list."""
        for way in _ways(cell):
            halves = re.split(r" & | \.\. ", way)
            orders = [halves, halves[::-1]] if " & " in way else [halves]
            for order in orders:
                yield from self._sequences(order, row)

    def _sequences(self, halves: list[str], row: int) -> Iterator[Pattern]:
        slots: list[list[tuple[frozenset[str], int] | None]] = []
        for half in halves:
            for place, element in enumerate(half.split()):
                ways, optional = self.alternatives(element)
                words = frozenset(way[0] for way in ways if len(way) == 1)
                gap = LONG_GAP if slots and place == 0 else SHORT_GAP
                slots.append([(words, gap), None] if optional else [(words, gap)])
                for several in (way for way in ways if len(way) > 1):
                    raise ValueError(f"a term needs one canonical word, not {' '.join(several)}, in {half}")
        for combination in product(*slots):
            taken = [slot for slot in combination if slot is not None]
            if any(not self.sets["filler"].isdisjoint(words) for words, _ in taken):
                raise ValueError(f"a word that is skipped cannot be part of a term: {halves}")
            if taken:
                yield Pattern(row, tuple(words for words, _ in taken), tuple(gap for _, gap in taken))

    def all_sets(self) -> dict[str, frozenset[str]]:
        """The sets of the word list, and unions of them."""
        sets = dict(self.sets)
        sets |= self.as_written
        sets["trouble"] = sets["trip"] | sets["bad"] | sets["dirty"]
        sets["telling"] = sets["trouble"] | sets["repair"] | sets["clean"] | sets["off"] | sets["no"]
        sets["ok, none or clean"] = sets["ok"] | sets["none"] | sets["state"]
        sets["speaks"] = frozenset[str]().union(*(sets[name] for name in SPEAKING))
        sets["barred"] = sets["ok"] | sets["no"] | sets["none"]
        sets["barred or part"] = sets["barred"] | sets["part"]
        sets["barred or bypass"] = sets["barred"] | {*self.canonical("bypass"), *self.canonical("bypassed")}
        return sets

    def known(self) -> frozenset[str]:
        """Every canonical token that some list names."""
        words = {word for word in self.written | set(self.abbreviations) if word.isalpha()}
        tokens = {token for word in words for token in self.canonical(word)}
        return frozenset(tokens.union(*self.sets.values()))

    def spellings(self) -> tuple[str, ...]:
        """Words and their usual forms, as targets for mending misspellings, with ordinary words that look alike."""
        words = {word for word in self.written | set(self.abbreviations) if word.isalpha() and len(word) >= 4}
        return tuple(sorted({form for word in words for form in _inflected(word)} | self.as_written["plain"]))

    def skeletons(self, spellings: Iterable[str]) -> dict[str, str]:
        """Words by their skeleton of four letters or more, where only one word has it."""
        found: dict[str, set[str]] = {}
        for word in spellings:
            if len(skeleton(word)) >= 4 and word not in self.as_written["plain"]:
                found.setdefault(skeleton(word), set()).add(word)
        return {
            short: min(words, key=len)
            for short, words in found.items()
            if len({self.canonical(word) for word in words}) == 1
        }


def _inflected(word: str) -> Iterator[str]:
    """The word and its usual forms, as targets for mending misspellings."""
    yield word
    if not word.isalpha() or len(word) < 4 or word.endswith(("ed", "ing", "s")):
        return
    yield word + "s"
    base = word[:-1] if word.endswith("e") else word
    if re.search(r"[^aeiou][aeiou][bdgmnprt]$", word):
        base = word + word[-1]
    yield from (base + "ed", base + "ing")
