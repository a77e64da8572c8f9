"""From the texts of calls to what their sentences say.

Texts, words and clauses repeat, so each is worked on once: text (lower case, one width of letters, no mark-up) ->
pieces (a word with what follows it up to the next) -> canonical tokens (tokens.py) -> sentences, judged clause by
clause (clauses.py).
"""

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from lowambient.calls.clauses import Judge
from lowambient.calls.lexicon import BOUNDARY, SKIPPED, Lexicon
from lowambient.calls.tokens import PIECE, learn

FIELDS = ("complaint", "finding", "action")

FOUND = {
    "said": pl.UInt32,
    "name": pl.String,
    "value": pl.Float64,
    "first": pl.Int32,
    "last": pl.Int32,
    "needs": pl.String,
    "about": pl.String,
}
"""What judging a clause gives, by the number under which it is kept."""

DOUBLE_BLANKS_TELL = 3
"""Two blanks end a clause where at most one gap in so many of its text is so wide (judgement)."""

SLASH, SLASHES_TELL = r"(\p{L}\p{L}|\d)/(\p{L}\p{L})", 3
"""A slash between words ends a clause where its text has so many (judgement); an invisible mark behind it says so."""

STOP, QUESTION, OF_NOTHING, NOT = 1, 2, 3, 4
"""Kinds of token that matter to where sentences end."""

RARE = r"[^a-z !-%'-;=?@\[\]^{-~]|  |/.*/.*/"
"""What `_cleaned` may change."""

MANY_ANDS = 2
"""Where so many `and` are in one sentence, each ends a clause, as `and then` always does (judgement)."""

MOST_REMEMBERED = 500_000
"""Words and clauses kept from batch to batch, which bounds memory."""


@dataclass
class Reader:
    """Reads texts by one lexicon, and remembers words and clauses from batch to batch."""

    lexicon: Lexicon
    tokens: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.judge = Judge(self.lexicon)
        self._said = [_rows([], 0), _rows([], 0)]
        self._known = 0

    def read(self, texts: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Evidence for symptoms and for statements, of texts (text, written).

        Both: text, name, value (a symptom's weight, a statement's probability), needs, about, first (place of the first
        piece), words (those it rests on, as written).
        """
        if len(self.tokens) > MOST_REMEMBERED:
            self.tokens.clear()
        if self.judge.forget(MOST_REMEMBERED):
            self.__post_init__()
        pieces = texts.select("text", pieces=pl.col("written").str.extract_all(PIECE))
        sentences = self._sentences(pieces)
        symptoms, statements = self._judged(sentences)
        return _with_words(symptoms, pieces), _with_words(statements, pieces)

    def _sentences(self, pieces: pl.DataFrame) -> pl.DataFrame:
        """Sentences of the texts. Columns: text, at (place of its first piece), sentence (canonical tokens)."""
        places = pl.int_ranges(0, pl.col("pieces").list.len(), dtype=pl.Int32)
        rows = pieces.with_columns(at=places).explode("pieces", "at").rename({"pieces": "piece"}).drop_nulls("piece")
        rows = rows.join(self._of_pieces(rows["piece"].unique()), on="piece", how="left", maintain_order="left")
        begins = (pl.col("text") != pl.col("text").shift()).fill_null(True)
        stop = pl.col("kind") == STOP
        dotted = pl.col("is_dotted").shift() & ~begins & ~pl.col("is_starter").shift(-1)
        goes_on = (stop & dotted).fill_null(False)
        rows = rows.select(
            "text", "at", "token", pl.when(goes_on).then(OF_NOTHING).otherwise("kind").alias("kind"), begins=begins
        )
        stop, back = pl.col("kind") == STOP, _taken_back()
        token = pl.when(back).then(pl.lit(BOUNDARY)).otherwise("token")
        rows = rows.select("text", "at", "begins", "kind", stops=stop & ~back, token=token)
        ends = pl.col("stops") | (pl.col("kind") == QUESTION)
        number = (pl.col("begins") | ends.shift().fill_null(True)).cum_sum().set_sorted()
        return (
            rows.with_columns(number=number)
            .filter(~pl.col("stops"))
            .with_columns(token=pl.when(pl.col("token") == ".").then(pl.lit(SKIPPED)).otherwise("token"))
            .group_by("number", maintain_order=True)
            .agg(pl.col("text", "at").first(), sentence=_without_and(pl.col("token").str.join(" ")))
            .select("text", "at", "sentence")
        )

    def _of_pieces(self, pieces: pl.Series) -> pl.DataFrame:
        """Different pieces with their token, what kind of token it is, and what a full stop beside them means."""
        learn(pieces.to_list(), self.tokens, self.lexicon)
        sets, token = self.lexicon.sets, pl.Series([self.tokens[piece] for piece in pieces.to_list()], dtype=pl.String)
        kinds = {".": STOP, "?": QUESTION, SKIPPED: OF_NOTHING, "not": NOT}
        return pl.DataFrame(
            {
                "piece": pieces,
                "token": token,
                "kind": token.replace_strict(kinds, default=0, return_dtype=pl.UInt8),
                "is_dotted": pieces.is_in(list(sets["dotted"])),
                "is_starter": token.is_in([*sets["advice"], *sets["done"], *sets["inquiry"]]),
            }
        )

    def _judged(self, sentences: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """What each sentence says: text, name, value, needs, about, first and last piece."""
        different = sentences.select("sentence").unique(maintain_order=True).with_row_index("number")
        numbers, said, offsets = array("I"), array("I"), array("i")
        for number, sentence in enumerate(different["sentence"].to_list()):
            for one, offset in self.judge.sentence(sentence):
                numbers.append(number)
                said.append(one)
                offsets.append(offset)
        parts = pl.DataFrame({"number": np.asarray(numbers), "said": np.asarray(said), "offset": np.asarray(offsets)})
        placed = (
            sentences.join(different, on="sentence", maintain_order="left")
            .join(parts, on="number", maintain_order="left")
            .select("text", "said", at=pl.col("at") + pl.col("offset"))
        )
        new = self.judge.said[self._known :]
        for kind, held in enumerate(self._said):
            self._said[kind] = pl.concat([held, _rows([said[kind] for said in new], self._known)])
        self._known = len(self.judge.said)
        symptoms, statements = (
            placed.join(kept, on="said").with_columns(pl.col("first", "last") + pl.col("at")) for kept in self._said
        )
        return symptoms, statements


def _rows(said: Sequence[Sequence[tuple[object, ...]]], first: int) -> pl.DataFrame:
    """What clauses say, numbered from `first`, as a frame; symptoms need nothing and are about nothing."""
    rows = [(number, *one) for number, several in enumerate(said, first) for one in several]
    columns: list[Sequence[object]] = list(zip(*rows, strict=True)) or [()] * len(FOUND)
    columns += [[""] * len(rows)] * (len(FOUND) - len(columns))
    return pl.DataFrame(dict(zip(FOUND, columns, strict=True)), schema=FOUND)


def _without_and(sentence: pl.Expr) -> pl.Expr:
    """Canonical tokens with the end of a clause for each `and` that only strings things together."""
    sentence = sentence.str.replace_all(" and then ", f" {SKIPPED} {BOUNDARY} ", literal=True)
    many = sentence.str.count_matches(" and ", literal=True) >= MANY_ANDS
    return pl.when(many).then(sentence.str.replace_all(" and ", f" {BOUNDARY} ", literal=True)).otherwise(sentence)


def _taken_back() -> pl.Expr:
    """Where a full stop is followed by a sentence that only says `it is not`, in rows of (text, kind, begins)."""
    kind, text = pl.col("kind"), pl.col("text")
    ends = (kind == STOP) | pl.col("begins")

    def not_after(ahead: int) -> pl.Expr:
        skipped = [kind.shift(-place) == OF_NOTHING for place in range(1, ahead)]
        return pl.all_horizontal(
            *skipped, kind.shift(-ahead) == NOT, ends.shift(-ahead - 1).fill_null(True), text == text.shift(-ahead)
        )

    return ((kind == STOP) & (not_after(2) | not_after(3))).fill_null(False)


def texts_of(calls: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The different texts of calls (text, written), and where each stands (call, field, text)."""
    placed = calls.unpivot(FIELDS, index="call", variable_name="field", value_name="raw").drop_nulls("raw")
    different = placed.select("raw").unique(maintain_order=True).with_row_index("text")
    places = placed.join(different, on="raw").select("call", pl.col("field").cast(pl.Enum(FIELDS)), "text")
    return different.select("text", written=_plain(different["raw"])), places


def _plain(raw: pl.Series) -> pl.Series:
    """Lower case, no mark-up or control characters, one kind of apostrophe and dash, at most two blanks together.

    Most notes hold none of what is rare, and are only put into lower case.
    """
    numbered = pl.DataFrame({"text": raw.cast(pl.String).str.to_lowercase()}).with_row_index("row")
    is_rare = pl.col("text").str.contains(RARE).fill_null(False)
    rare = numbered.filter(is_rare).with_columns(_cleaned(pl.col("text")))
    rows = pl.concat([numbered.filter(~is_rare), rare]).sort("row")
    return rows.select(pl.col("text").str.strip_chars())["text"]


def _cleaned(text: pl.Expr) -> pl.Expr:
    """The same of any text."""
    text = text.str.normalize("NFKC").str.to_lowercase()
    text = text.str.replace_all(r"<(?:br|p|div|li|tr)\b[^<>]{0,200}>", "\n")
    text = text.str.replace_all(r"</?[a-z][^<>]{0,200}>", " ").str.replace_all(r"&(?:nbsp|amp|lt|gt|quot|#\d+);", " ")
    text = text.str.replace_all("[’‘`´]", "'").str.replace_all("[‐‑–—]", "-").str.replace_all(r"[\r\n]+", "\n")
    text = text.str.replace_all(r" *(?:[^\P{C}\n\t]|_)+ *", " ").str.replace_all(r"[^\S\n]{2,}", "  ").str.strip_chars()
    slashed = text.str.count_matches(SLASH) >= SLASHES_TELL
    text = pl.when(slashed).then(text.str.replace_all(SLASH, "${1}/\u2060${2}")).otherwise(text)
    text = text.str.replace_all(r"\b(on|off)/\u2060(on|off)\b", "${1}/${2}")
    single = text.str.replace_all(r"[^\S\n]+", " ")
    gaps, wide = text.str.count_matches(r"[^\S\n]+"), text.str.count_matches("  ")
    return pl.when(DOUBLE_BLANKS_TELL * wide <= gaps).then(text).otherwise(single)


def _with_words(found: pl.DataFrame, pieces: pl.DataFrame) -> pl.DataFrame:
    """What was found with the words it rests on, as written."""
    words = (
        pl.col("pieces")
        .list.slice("first", pl.col("last") - pl.col("first") + 1)
        .list.join("")
        .str.replace_all("\u2060", "")
    )
    return found.join(pieces, on="text", how="left", maintain_order="left").select(
        "text", "name", "value", "needs", "about", "first", words=words.str.strip_chars(' \n.,;:!?()[]|/-&+"*')
    )
