"""Words of column headers, and what exports commonly call the columns and values of the contract."""

import re
import unicodedata
from functools import cache

from lowambient import reference
from lowambient.intake.matching import normal_form

BRACKETS = re.compile(r"\(((?:[^()]|\([^()]*\))*)\)|\[([^\]]*)\]")
"""Round brackets, with or without others in them, and square ones."""


@cache
def words_of(text: str) -> tuple[str, ...]:
    """Words of a header without its brackets: split at case, digits and punctuation, abbreviations written out.

    >>> words_of("SuctPress_1 (psig)")
    ('suction', 'pressure', '1')
    """
    bare = BRACKETS.sub(" ", unicodedata.normalize("NFKC", text.replace("º", "°")))
    split = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])|(?<=[A-ZÀ-Þ])(?=[A-ZÀ-Þ][a-zà-ÿ])", " ", bare)
    split = re.sub(r"(?<=[^\W\d])(?=\d)|(?<=\d)(?=[^\W\d])", " ", split)
    words = (part for word in re.findall(r"[^\W_]+|[%°#]", split.casefold()) for part in _parts(word))
    return tuple(_abbreviations().get(word, word) for word in words)


def _parts(word: str) -> tuple[str, ...]:
    """A word in two where p or t (pressure, temperature) is glued to a shortened place, as in `psuc` and `tamb`."""
    return (word[0], word[1:]) if len(word) > 2 and word[0] in "pt" and word[1:] in _abbreviations() else (word,)


@cache
def value_words(target: str, kind: str) -> dict[str, str]:
    """How exports commonly write the values of a closed vocabulary or flag, and what they mean."""
    columns = ("flag_true", "flag_false") if kind == "flag" else (target,)
    return {
        word: row["meant"]
        for row in reference.rows("value_words")
        if row["column"] in columns
        for word in row["written"].split("|")
    }


@cache
def zone_words() -> dict[str, str]:
    """What people call time zones, in normal form, and an area that keeps that time."""
    return {
        normal_form(word): row["column"]
        for row in reference.rows("column_words")
        if row["table"] == "zone"
        for word in row["words"].split("|")
    }


@cache
def column_names() -> dict[str, dict[str, tuple[tuple[str, ...], ...]]]:
    """Names of each contract column by table, each as its words."""
    found: dict[str, dict[str, tuple[tuple[str, ...], ...]]] = {}
    for row in reference.rows("column_words"):
        if row["table"] not in ("abbreviation", "zone"):
            names = tuple(words_of(name) for name in row["words"].split("|"))
            found.setdefault(row["table"], {})[row["column"]] = names
    return found


@cache
def typical_range(table: str, target: str) -> tuple[float | None, float | None, str]:
    """Where a column's numbers usually lie, in the contract's unit, and what of them: the median or the upper tenth."""
    for row in reference.rows("column_words"):
        if (row["table"], row["column"]) == ("readings" if table == "long" else table, target):
            low, high, of = row["typical_low"], row["typical_high"], row["typical_of"]
            return (float(low), float(high), of or "median") if low and high else (None, None, "median")
    return None, None, "median"


@cache
def _abbreviations() -> dict[str, str]:
    return {
        short: row["column"]
        for row in reference.rows("column_words")
        if row["table"] == "abbreviation"
        for short in row["words"].split("|")
    }
