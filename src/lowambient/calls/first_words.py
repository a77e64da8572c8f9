"""A first rule for low-pressure calls: what the note says, and nothing but what it says.

No weather, date or unit enters, so that calls can be set against weather without going in a circle. The rule is a
list of words, `reference/symptom_words.tsv`; each class is handed out with the words that led to it.
"""

from functools import cache

import polars as pl

from lowambient import reference

LOW = (
    r"(?:\bl[./]?p(?:s|sw|c|co|[1-4])?\b\.?"
    r"|\blow?[ -]?(?:(?:side|suction)[ -])?(?:pres+u?r?e?s?|psi)\b|\blow suction\b)"
)
"""Low pressure as shops write it: LP, L/P, LPS, LP1, low pressure, lo press, low presure, low side pressure."""

BETWEEN = r"[ /&:#()-]+"
"""What may stand between two words of one clause: no full stop, comma or semicolon, and no end of a field."""

UNCLEAR_PROBABILITY = 0.5


def first_symptoms(calls: pl.DataFrame) -> pl.DataFrame:
    """The symptom of each call from its complaint, finding and action.

    Grain: call, sorted. Columns: call_id; symptom (`low pressure`; `other` where words tell of something else, or
    that there was no low-pressure trip; `unclear` where none tells anything); symptom_probability [-] of that
    class, a judgement; symptom_words: the words that led to it, `; ` between them, null where there are none.

    Limits: English as shops write it; a note about two troubles is `low pressure` if one of them is. A note that
    never names the switch (“no cooling, reset, running on departure”) is `unclear`, however cold it was.
    """
    stages = (
        calls.select("call_id", written=_written())
        .rechunk()  # a pattern is compiled once a chunk
        .with_columns(named=_without("written", "look-alike"))
        .with_columns(told=_without("named", "denied"))
        .with_columns(plain=_without("told", "strong", "reading"))
    )
    low = [("told", "strong"), ("plain", "weak")]
    against = [("named", "denied"), ("told", "other"), ("written", "look-alike")]
    found = stages.select(
        "call_id",
        low_words=_words(low),
        low_probability=_probability(low),
        other_words=_words(against),
        other_probability=_probability(against),
    )
    is_low, is_other = (pl.col(f"{kind}_probability").is_not_null() for kind in ("low", "other"))
    return found.select(
        "call_id",
        symptom=pl.when(is_low)
        .then(pl.lit("low pressure"))
        .when(is_other)
        .then(pl.lit("other"))
        .otherwise(pl.lit("unclear")),
        symptom_probability=pl.coalesce("low_probability", "other_probability", pl.lit(UNCLEAR_PROBABILITY)),
        symptom_words=pl.when(is_low).then("low_words").when(is_other).then("other_words"),
    ).sort("call_id")


def _written() -> pl.Expr:
    """All that was written on a call, lower case, one space between words, fields kept apart."""
    fields = (pl.col(name).cast(pl.String).fill_null("") for name in ("complaint", "finding", "action"))
    text = pl.concat_str(fields, separator=" | ").str.normalize("NFKC").str.to_lowercase()
    return text.str.replace_all("[’‘`´]", "'").str.replace_all("[‐‑–—_]", "-").str.replace_all(r"\s+", " ")


def _without(text: str, *steps: str) -> pl.Expr:
    """The text without all words of these steps; a mark stands where they were, so that nothing closes the gap."""
    left = pl.col(text)
    for step in steps:
        for pattern, _ in _patterns(step):
            left = left.str.replace_all(pattern, " ; ")
    return left


def _words(steps: list[tuple[str, str]]) -> pl.Expr:
    """The first match of each pattern of each (text, step), once each, `; ` between."""
    matches = [
        pl.col(text).str.extract(f"({pattern})", 1)
        for text, step in steps
        for pattern, probability in _patterns(step)
        if probability
    ]
    once = pl.concat_list(matches).list.drop_nulls().list.eval(pl.element().str.strip_chars(" |;,.:")).list
    return once.unique(maintain_order=True).list.join("; ")


def _probability(steps: list[tuple[str, str]]) -> pl.Expr:
    """Highest probability among the patterns that match; null without a match."""
    return pl.max_horizontal(
        pl.when(pl.col(text).str.contains(pattern)).then(probability)
        for text, step in steps
        for pattern, probability in _patterns(step)
        if probability
    )


@cache
def _patterns(step: str) -> tuple[tuple[str, float | None], ...]:
    """Patterns of a step in file order, each with its probability; None for one that only sets words aside."""
    return tuple(
        (
            row["pattern"].replace("{low}", LOW).replace("{_}", BETWEEN),
            float(row["probability"]) if row["probability"] else None,
        )
        for row in reference.rows("symptom_words")
        if row["step"] == step
    )
