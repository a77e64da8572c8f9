"""Guesses what the columns of a foreign file mean: by the words of their headers and by what stands in them."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from rapidfuzz import fuzz
from scipy.optimize import linear_sum_assignment

from lowambient import reference
from lowambient.intake.header_words import column_names, typical_range, words_of
from lowambient.intake.matching import normal_form
from lowambient.intake.plan import ColumnPlan, meant_values
from lowambient.intake.samples import ColumnSample, FileSample
from lowambient.intake.unit_guesses import Measured, column_facts, sizes_that_fit, unit_in_header
from lowambient.profile.checks import area_names
from lowambient.records.inputs import CHANNELS, TABLES, required_columns

ENOUGH = 62.0
_NEUTRAL = frozenset(("id", "number", "code", "key", "average", "avg", "mean", "actual", "current", "value", "reading"))
# Columns that a profile can give otherwise, from a file name or as a constant.
_GIVEN_OTHERWISE = {
    ("readings", "unit_id"),
    ("long", "unit_id"),
    ("weather", "station_id"),
    ("sites", "time_zone"),
}
_EVENTS = ("read_at", "hour", "opened_at", "checked_at")
_LONG_NEEDS = ("unit_id", "read_at", "channel", "value")


@dataclass(frozen=True)
class Feed:
    """A column of the file that may feed a contract column. `score` is 0-100; `circuit` is named in the header."""

    column: ColumnSample
    target: str
    score: float
    circuit: str | None


@dataclass(frozen=True)
class Guess:
    """What a file looks like. `table` is a contract table, or `long` for readings with a row a channel."""

    table: str
    feeds: dict[str, Feed]
    score: float
    runner_up: str | None


def guess_table(sample: FileSample) -> Guess | None:
    """The contract table that the file most looks like, with its columns; null where it looks like none."""
    found = sorted((_as_table(table, sample) for table in column_names()), key=lambda guess: guess.score, reverse=True)
    best, second = found[0], found[1]
    if not best.feeds or best.score <= 0:
        return None
    return Guess(best.table, best.feeds, best.score, second.table if second.score > 0.7 * best.score else None)


def guess_channel(written: str) -> tuple[str, float] | None:
    """The channel of the contract that a text in a channel column means, with its score; null for none."""
    words = words_of(written)
    scores = {name: max(_word_scores("readings", name, words, written)) for name in CHANNELS}
    best = max(scores, key=lambda name: scores[name])
    return (best, scores[best]) if scores[best] >= ENOUGH else None


def understood(table: str, target: str, texts: Iterable[str]) -> dict[str, str]:
    """What the intake makes of texts of a closed vocabulary or flag without being told."""
    schema = TABLES["readings" if table == "long" else table]
    column = schema.columns()[target]
    plan = ColumnPlan(target, column_facts(table, target)["kind"], False, None, None, None, None, column)
    return meant_values(plan, {}, texts)


def _as_table(table: str, sample: FileSample) -> Guess:
    targets = list(column_names()[table])
    usable = [column for column in sample.columns if column.name and column.name not in sample.doubled]
    feeds = [[_feed(table, target, column) for target in targets] for column in usable]
    chosen: dict[str, Feed] = {}
    if usable:
        scores = np.array([[feed.score if feed.score >= ENOUGH else 0.0 for feed in row] for row in feeds])
        for row, place in zip(*linear_sum_assignment(scores, maximize=True), strict=True):
            if scores[row, place] > 0:
                chosen[targets[place]] = feeds[row][place]
    ordered = {target: chosen[target] for target in targets if target in chosen}
    return Guess(table, ordered, _table_score(table, ordered, len(usable)), None)


def _table_score(table: str, feeds: Mapping[str, Feed], columns: int) -> float:
    """Required columns count three times; a required column that is not there counts against the table."""
    needed = _LONG_NEEDS if table == "long" else required_columns(table)
    score = sum(feed.score / 100 * (3 if name in needed else 1) for name, feed in feeds.items())
    for name in needed:
        if name not in feeds and (table, name) != ("weather", "kind"):
            score -= 1 if (table, name) in _GIVEN_OTHERWISE else 4
    if table == "readings" and not set(feeds) & set(CHANNELS):
        score -= 6
    return score + 3 * len(feeds) / max(1, columns)


def _feed(table: str, target: str, column: ColumnSample) -> Feed:
    words = words_of(column.name)
    circuit, rest = _circuit_of(words) if table == "readings" and target in CHANNELS else (None, words)
    by_words = max(_word_scores(table, target, words, column.header))
    if circuit:
        by_words = max(by_words, max(_word_scores(table, target, rest, column.header)) - 4)
    by_content = _score_by_content(target, column)
    fits = _fit(table, target, column) if by_words >= ENOUGH else 1.0
    return Feed(column, target, max(by_words * fits, by_content), circuit)


def _word_scores(table: str, target: str, words: tuple[str, ...], header: str) -> Iterator[float]:
    """How well the words of a header fit each name of a contract column, with and without a unit at their end."""
    quantity = column_facts(table, target).get("measure")
    told = unit_in_header(header, quantity) if quantity else None
    variants = [words]
    if told and told[1] and len(words) > told[1]:
        variants.append(words[: -told[1]])
    for name in (*column_names()[table][target], words_of(target)):
        for variant in variants:
            yield _likeness(variant, name)


def _likeness(words: tuple[str, ...], name: tuple[str, ...]) -> float:
    """0-100: the same words in any order, the same but for neutral ones, a part of the header, or misspelled."""
    if not words:
        return 0.0
    if sorted(words) == sorted(name) or "".join(words) == "".join(name):
        return 100.0
    bare = [word for word in words if word not in _NEUTRAL]
    if bare and sorted(bare) == sorted(word for word in name if word not in _NEUTRAL):
        return 93.0
    extra = len(words) - len(name)
    length = len("".join(name))
    if extra > 0 and set(name) <= set(words) and length >= 6:
        return (92.0 if len(name) > 1 else 82.0) - 7.0 * extra
    alike = fuzz.ratio("".join(words), "".join(name))
    return 0.95 * alike if length >= 6 and alike >= 86 else 0.0


def _fit(table: str, target: str, column: ColumnSample) -> float:
    """0-1: whether what stands in the column can be what its header suggests."""
    facts = column_facts(table, target)
    kind = facts.get("kind", "number" if target == "value" else "text")
    if not column.texts:
        return 0.9
    if kind == "instant":
        return 1.0 if column.is_dated else 0.0
    if kind in ("number", "whole"):
        return _number_fit(table, target, column)
    if kind in ("flag", "choice"):
        known = understood(table, target, column.counts)
        share = sum(column.counts[text] for text in known) / len(column.texts)
        if share > 0:
            return 0.8 + 0.2 * share if len(column.counts) <= (6 if kind == "flag" else 60) else 0.0
        return 0.7 if len(column.counts) <= (2 if kind == "flag" else 12) and column.number_share < 0.5 else 0.0
    return _text_fit(table, target, column)


def _number_fit(table: str, target: str, column: ColumnSample) -> float:
    if column.number_share < 0.7:
        return 0.0
    if typical_range(table, target)[0] is None:
        return 1.0
    return 1.0 if sizes_that_fit(Measured(table, target, column.header, column.numbers)) else 0.85


def _text_fit(table: str, target: str, column: ColumnSample) -> float:
    grain = {("sites", "site_id"), ("units", "unit_id"), ("calls", "call_id"), ("stations", "station_id")}
    if (table, target) in grain and column.distinct_share < 0.9:
        return 0.6
    if target == "channel":
        shared = sum(guess_channel(text) is not None for text in column.example(60)) / len(column.example(60))
        return 0.0 if column.number_share > 0.5 or len(column.counts) > 500 or not shared else 0.7 + 0.3 * shared
    if target in ("complaint", "finding", "action", "description", "name", "note") and column.number_share > 0.5:
        return 0.0
    if target == "time_zone":
        return 1.0
    return 0.0 if column.number_share < 0.5 and column.is_dated else 1.0


def _score_by_content(target: str, column: ColumnSample) -> float:
    """Columns that give themselves away whatever their header says: refrigerants, time zones, instants."""
    if target in _EVENTS and column.texts:
        # Just enough, the first column before later ones, so that any header that fits counts for more.
        return max(ENOUGH, ENOUGH + 2 - 0.01 * column.place) if column.is_dated else 0.0
    if target == "refrigerant" and column.texts:
        known = sum(count for text, count in column.counts.items() if _refrigerant_form(text) in _refrigerants())
        return 80.0 if known > 0.8 * len(column.texts) and column.number_share < 0.5 else 0.0
    if target == "time_zone" and column.texts:
        return 80.0 if set(column.counts) <= set(area_names()) else 0.0
    return 0.0


def _circuit_of(words: tuple[str, ...]) -> tuple[str | None, tuple[str, ...]]:
    """A circuit number or letter in a header, and the words without it."""
    for place, word in enumerate(words):
        named = place > 0 and words[place - 1] in ("circuit", "system", "stage", "c")
        if re.fullmatch("[1-8]", word) or (named and re.fullmatch("[a-d]", word)):
            return word.upper(), words[: place - named] + words[place + 1 :]
    return None, words


@cache
def _refrigerants() -> frozenset[str]:
    return frozenset(_refrigerant_form(row["name"]) for row in reference.rows("refrigerants"))


@cache
def _refrigerant_form(written: str) -> str:
    return re.sub(r"^(hcfc|hfc|cfc|hfo|hc|r)", "", normal_form(written))
