"""The words of a company's own notes: a small table that a profile names, beside the shipped word list."""

import csv
import hashlib
from pathlib import Path

from lowambient import reference
from lowambient.profile.model import OwnWord
from lowambient.profile.problems import Problems

COLUMNS = ("words", "meant", "weight")


def own_words(path: Path, at: str, problems: Problems) -> tuple[OwnWord, ...]:
    """Rows of a table `words`, `meant`, `weight`, in UTF-8 with tabs, or commas where it ends in `.csv`.

    `words`: what technicians write, as in `reference/symptom_terms.tsv`. `meant`: a symptom, a statement, or the plain
    words that it stands for. `weight`: of a symptom natural-log units (above 0, to 10), of a statement a probability;
    empty for the usual one. Lines that begin with # are passed over. What is wrong is added to `problems`.
    """
    try:
        lines = [line for line in path.read_text("utf-8-sig").splitlines() if line.strip() and not line.startswith("#")]
    except OSError:
        problems.add(at, f'"{path}"', "a file that is there and can be read")
        return ()
    except UnicodeDecodeError:
        problems.add(at, f'"{path}"', "a file of UTF-8 text")
        return ()
    table = csv.DictReader(lines, delimiter="," if path.suffix.lower() == ".csv" else "\t")
    if not {"words", "meant"} <= set(table.fieldnames or ()):
        problems.add(at, f"columns {', '.join(table.fieldnames or ()) or 'none'}", ", ".join(COLUMNS))
        return ()
    return tuple(_word(row, f"{at}, row {place}", problems) for place, row in enumerate(table, 1))


def words_digest(words: tuple[OwnWord, ...]) -> str:
    """SHA-256 of a company's words."""
    return hashlib.sha256(repr(words).encode()).hexdigest()


def _word(row: dict[str, str], at: str, problems: Problems) -> OwnWord:
    words, meant = ((row.get(name) or "").strip().lower() for name in COLUMNS[:2])
    written = (row.get("weight") or "").strip()
    if not words or not meant:
        problems.add(at, "an empty cell", "words, and what they mean")
    if not written:
        return OwnWord(words, meant, None)
    most = (
        10.0 if meant in reference.vocabulary("symptom") else 1.0 if meant in reference.vocabulary("statement") else 0.0
    )
    try:
        weight = float(written)
    except ValueError:
        weight = float("nan")
    if not 0 < weight <= most:
        allowed = f"a number above 0, to {most:g}" if most else "no weight where words stand for other words"
        problems.add(at, f'weight "{written}"', allowed)
    return OwnWord(words, meant, weight)
