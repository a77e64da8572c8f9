"""The word lists of service notes, made ready for matching: one lexicon from the tables in `reference/`.

A note is judged on canonical tokens: lower case, inflection cut off, shop writing replaced by plain words, and several
words for one idea by one word with a hyphen. The same is done to the word lists, so that both meet.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import polars as pl

from lowambient import reference
from lowambient.calls.word_lists import Pattern, Trie, WordLists

UNKNOWN, SKIPPED, BOUNDARY, WRITER = "~", "_", ",", "@"
"""Canonical tokens without meaning: a word in no list, one that says nothing (`the`), the end of a clause, `I`."""

OWN_WORDS = {"words": pl.String, "meant": pl.String, "weight": pl.Float64}
"""Columns of a company's own words."""

USUAL_WEIGHT, USUAL_PROBABILITY = 4.0, 0.9
"""For a company's own words without a weight (judgement)."""

OWN_BYPASS, BYPASS_MADE, BYPASS_TOLD = "own bypass", "bypass made", "bypass told"
ABOUT = ("head control", "low-pressure switch", "high-pressure switch", "something else")
"""What a bypass or a connection may be about; note_words.tsv has a set `about ...` of words for each."""

UNSTATED = (
    OWN_BYPASS,
    "other reset",
    "other charge",
    "other connection",
    "head control named",
    "power cut",
)
"""Statements of no vocabulary: bridged to test; bridged by the writer or, in a finding, by somebody else; reset, but no
safety; charge taken out; reconnected, but no control; power taken away; and what other rows need."""


class WordsRefused(ValueError):
    """A company's own words cannot be read; the message says which and why."""


LEAK = "leak"
"""A leak of something that is not named: in a complaint water, in a finding refrigerant."""

WARM = "warm"
"""That it is too warm or does not run, which every other trouble may cause: no cooling where nothing else is told."""

FINE = "fine"
"""That nothing was found: no cooling where the customer felt it too warm."""

SYMPTOMS = tuple(
    dict.fromkeys(row["symptom"] for row in reference.rows("symptom_terms") if row["symptom"] not in (LEAK, WARM, FINE))
)
"""The classes of the vocabulary `symptom`."""

STATEMENTS = tuple(
    dict.fromkeys(
        row["statement"]
        for row in reference.rows("statement_terms")
        if row["statement"] not in (*UNSTATED, BYPASS_MADE)
    )
)
"""What the vocabulary `statement` holds."""


@dataclass(frozen=True)
class Heads:
    """Patterns that begin with a word: rows that need no other, and patterns by their second word."""

    alone: list[int]
    seconds: dict[str, list[Pattern]]


@dataclass(frozen=True)
class SymptomRow:
    """One row of symptom_terms.tsv: `weight` in natural-log units; `named_only` where a part is only named."""

    symptom: str
    weight: float
    named_only: bool


@dataclass(frozen=True)
class StatementRow:
    """One row of statement_terms.tsv."""

    statement: str
    group: str
    when: str
    needs: str
    probability: float


@dataclass(frozen=True)
class Lexicon:
    """All word lists in canonical form. `objects`: words that name one of ABOUT."""

    abbreviations: dict[str, str]
    phrases: tuple[Trie, Trie]
    sets: dict[str, frozenset[str]]
    known: frozenset[str]
    spellings: tuple[str, ...]
    skeletons: dict[str, str]
    symptom_rows: tuple[SymptomRow, ...]
    symptoms: dict[str, Heads]
    statement_rows: tuple[StatementRow, ...]
    statements: dict[str, Heads]
    objects: dict[str, str]


def _index(patterns: Iterable[Pattern]) -> dict[str, Heads]:
    heads: dict[str, Heads] = {}
    for pattern in patterns:
        for word in pattern.elements[0]:
            head = heads.setdefault(word, Heads([], {}))
            if len(pattern.elements) == 1:
                head.alone.append(pattern.row)
            for second in pattern.elements[1] if len(pattern.elements) > 1 else ():
                head.seconds.setdefault(second, []).append(pattern)
    return heads


def lexicon(extra: pl.DataFrame | None = None) -> Lexicon:
    """The lexicon of the shipped word lists, with a company's own rows.

    `extra`: words (as in symptom_terms.tsv), meant (a symptom, a statement, or the plain words that shop writing
    stands for), weight (of a symptom, or probability of a statement; null for the usual one).

    Raises: WordsRefused for words of the company that cannot be read.
    """
    if extra is None:
        return _shipped()
    try:
        return _build(extra)
    except (ValueError, KeyError) as error:
        raise WordsRefused(str(error.args[0])) from None


@cache
def _shipped() -> Lexicon:
    return _build(None)


def _build(extra: pl.DataFrame | None) -> Lexicon:
    own = [] if extra is None else extra.to_dicts()
    lists = WordLists([row for row in own if row["meant"] not in (*SYMPTOMS, *STATEMENTS)])
    phrases = (lists.phrases("1"), lists.phrases("2"))

    told = [
        (row["words"], SymptomRow(row["symptom"], float(row["weight"]), row["kind"] == "named"))
        for row in reference.rows("symptom_terms")
    ]
    told += [
        (lists.without_fillers(row["words"]), SymptomRow(row["meant"], row["weight"] or USUAL_WEIGHT, False))
        for row in own
        if row["meant"] in SYMPTOMS
    ]
    stated = [
        (
            row["words"],
            StatementRow(row["statement"], row["group"], row["when"], row["needs"], float(row["probability"])),
        )
        for row in reference.rows("statement_terms")
    ]
    stated += [
        (
            lists.without_fillers(row["words"]),
            StatementRow(row["meant"], row["meant"], "asserted", "", row["weight"] or USUAL_PROBABILITY),
        )
        for row in own
        if row["meant"] in STATEMENTS
    ]
    spellings = lists.spellings()
    symptoms = _index(pattern for place, (words, _) in enumerate(told) for pattern in lists.patterns(words, place))
    statements = _index(pattern for place, (words, _) in enumerate(stated) for pattern in lists.patterns(words, place))
    return Lexicon(
        abbreviations={word: " ".join(lists.canonical(word)) for word in lists.abbreviations},
        phrases=phrases,
        sets=lists.all_sets(),
        known=lists.known(),
        spellings=spellings,
        skeletons=lists.skeletons(spellings),
        symptom_rows=tuple(row for _, row in told),
        symptoms=symptoms,
        statement_rows=tuple(row for _, row in stated),
        statements=statements,
        objects={word: about for about in ABOUT for word in lists.sets[f"about {about}"]},
    )
