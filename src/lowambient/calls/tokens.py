"""Words as written in service notes and the canonical tokens of the lexicon that they stand for.

A note is cut into pieces: a word, number or mark with the blanks behind it, so that pieces put together again are the
note as written. Misspelled words are mended against the lexicon, each different one once.
"""

import re

import numpy as np
from rapidfuzz.distance import OSA
from rapidfuzz.process import cdist

from lowambient.calls.lexicon import BOUNDARY, SKIPPED, UNKNOWN, WRITER, Lexicon
from lowambient.calls.word_lists import skeleton, stem

_MARKS = r",?#()\[\];!|\n.:+&/-"

PIECE = (
    r"(?:\p{L}(?:[./]\p{L})+\b\.?"  # l/p, l.p.
    r"|\bw/(?:o\b)?"
    r"|\p{L}+(?:'\p{L}+)*"
    r"|\p{N}+(?:[.,]\p{N}+)*"
    rf"|[{_MARKS}])[^\p{{L}}\p{{N}}{_MARKS}]*"
)
"""A piece, for polars."""

_LEADING = re.compile(
    r"[^\W\d_](?:[./][^\W\d_])+\b\.?|\bw/(?:o\b)?|[^\W\d_]+(?:'[^\W\d_]+)*|\d+(?:[.,]\d+)*|.", re.DOTALL
)
"""The word, number or mark of a piece."""

PAUSES = frozenset(("um", "uh", "umm", "uhh", "er", "hmm", "yeah", "basically", "alright"))
"""What a speaker says between two things, where a note was dictated."""

YEAR = re.compile("(?:19[7-9]|20[0-4])[0-9]")
"""Numbers that are more often a year than anything else."""

NAMES_WRITER = frozenset(("i", "we", "i've", "we've", "ive", "weve", "i'd", "we'd"))
"""Words by which the writer names himself."""

SHORTEST_MENDED, LONGEST_WORD, MEND_AT_ONCE = 4, 20, 2_000
"""Letters of words that are mended; words compared at a time, which bounds memory."""

SHORTEST_PART = 3
"""Letters that each of two words written as one must have."""


def learn(pieces: list[str], tokens: dict[str, str], words: Lexicon) -> None:
    """Adds the canonical token of each new piece to `tokens`; several tokens of one word with a `+` between."""
    written = {piece: _LEADING.match(piece)[0] for piece in pieces if piece not in tokens}  # type: ignore[index]
    new = {piece: _token(word, piece, words) for piece, word in written.items()}
    mended = _mended({written[piece] for piece, token in new.items() if token == UNKNOWN}, words)
    for piece, plain in new.items():
        token, right = plain, mended.get(written[piece]) if plain == UNKNOWN else None
        if right is not None:
            token = _token(right, right, words)
        elif plain == UNKNOWN:
            token = _two_words(written[piece], words)
        tokens[piece] = f"{token}+{BOUNDARY}" if piece.endswith("  ") and token not in (BOUNDARY, ".") else token


def _token(written: str, piece: str, words: Lexicon) -> str:
    """Canonical token of one word, number or mark."""
    if written in NAMES_WRITER:
        return WRITER
    if written in PAUSES:
        return BOUNDARY
    if written[0].isalpha() and written != "n":
        return _word_token(written, words)
    if written[0].isnumeric():
        return words.abbreviations.get(written) or _number_token(written)
    return _mark_token(written, piece)


def _number_token(written: str) -> str:
    if YEAR.fullmatch(written):
        return "year"
    return "n" if len(written) == 1 else "0"


def _mark_token(written: str, piece: str) -> str:
    if written in ".;!|\n":
        return "."
    if written in ",()[]" or (written in "-/" and piece != written):
        return BOUNDARY
    return {"&": "and", "+": "and", "n": "and", "?": "?", "#": "#"}.get(written, SKIPPED)


def _word_token(written: str, words: Lexicon) -> str:
    for word in (
        written,
        written.rstrip(".").replace(".", "/"),
        written.replace(".", "").replace("/", ""),
        written.removesuffix("'s").removesuffix("'d").replace("'", ""),
    ):
        meant = words.abbreviations.get(word)
        if meant is not None:
            return meant.replace(" ", "+")
        root = stem(word)
        if root in words.sets["filler"]:
            return SKIPPED
        if root in words.known:
            return root
    return "not" if written.endswith("n't") else UNKNOWN


def _two_words(written: str, words: Lexicon) -> str:
    """Tokens of two known words written as one (`fanmotor`), the longest first; else unknown."""
    if 2 * SHORTEST_PART <= len(written) <= LONGEST_WORD and written not in words.sets["plain"]:
        for cut in range(len(written) - SHORTEST_PART, SHORTEST_PART - 1, -1):
            parts = [_word_token(part, words) for part in (written[:cut], written[cut:])]
            if not {UNKNOWN, SKIPPED} & set(parts):
                return "+".join(parts)
    return UNKNOWN


def _mended(strange: set[str], words: Lexicon) -> dict[str, str]:
    """The known word that an unknown one shortens or misspells: one slip up to 8 letters, two for more.

    A slip is a letter too much, missing, wrong, or two swapped (optimal string alignment). Short words must begin
    with the right letter or with the first two swapped.
    """
    shortened = {word: skeleton(word) for word in strange if _is_shortened(word)}
    mended = {word: words.skeletons[short] for word, short in shortened.items() if short in words.skeletons}
    ordinary = words.sets["plain"]
    by_length: dict[int, list[str]] = {}
    for word in strange - mended.keys():
        if SHORTEST_MENDED <= len(word) <= LONGEST_WORD and word.isalpha() and word not in ordinary:
            by_length.setdefault(len(word), []).append(word)
    for length, tokens in by_length.items():
        slips = 1 if length <= 8 else 2
        longer = length == SHORTEST_MENDED  # so short a word may only have lost a letter
        near = [word for word in words.spellings if len(word) >= 4 and longer <= abs(len(word) - length) <= slips]
        for part in range(0, len(tokens), MEND_AT_ONCE):
            some = sorted(tokens[part : part + MEND_AT_ONCE])
            distances = cdist(some, near, scorer=OSA.distance, score_cutoff=slips, dtype=np.uint8, workers=1)
            for row, column in zip(*np.nonzero(distances <= slips), strict=True):
                token, word = some[row], near[column]
                if not _same_start(token, word):
                    continue
                held = mended.get(token)
                rank = _rank(token, word, distances[row, column], ordinary)
                if held is None or rank < _rank(token, held, OSA.distance(token, held), ordinary):
                    mended[token] = word
    return mended


def _is_shortened(word: str) -> bool:
    return word.isalpha() and not any(vowel in word[1:] for vowel in "aeiou")


def _same_start(token: str, word: str) -> bool:
    return token[0] == word[0] or token[:2] == word[1::-1] or len(token) >= 7


def _rank(token: str, word: str, slips: int, ordinary: frozenset[str]) -> tuple[int, bool, bool, int, str]:
    return int(slips), token[0] != word[0], word in ordinary, abs(len(token) - len(word)), word
