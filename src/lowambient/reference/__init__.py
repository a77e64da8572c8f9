"""Sourced facts as data: each number with meaning is a row of a TSV beside this file, with its source.

Lines starting with `#` are comments. Every table has a `source` or `meaning` column; the word `judgement` in a
source says that no publication stands behind the number.
"""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent


@cache
def rows(table: str) -> tuple[dict[str, str], ...]:
    """Rows of `reference/TABLE.tsv` in file order, each a dict of texts keyed by column name."""
    text = (FOLDER / f"{table}.tsv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return tuple(csv.DictReader(lines, delimiter="\t", quoting=csv.QUOTE_NONE))


@cache
def numbers(table: str) -> dict[str, float]:
    """Values of a table of names and values, in the unit of each row."""
    return {row["name"]: float(row["value"]) for row in rows(table)}


@cache
def vocabulary(name: str) -> tuple[str, ...]:
    """Allowed values of one closed vocabulary, in the order of `vocabularies.tsv`."""
    return tuple(row["value"] for row in rows("vocabularies") if row["vocabulary"] == name)


@dataclass(frozen=True)
class Limit:
    """Plausible range of one kind of quantity; `lower` and `upper` in the unit of the contract."""

    lower: float
    upper: float
    unit: str
    source: str


@cache
def limit(quantity: str) -> Limit:
    """Plausible range of `quantity`, a row of `limits.tsv`."""
    for row in rows("limits"):
        if row["quantity"] == quantity:
            return Limit(float(row["lower"]), float(row["upper"]), row["unit"], row["source"])
    raise KeyError(quantity)


@dataclass(frozen=True)
class Threshold:
    """A number that a judgement rests on; a profile may set another value."""

    name: str
    value: float
    unit: str
    lower: float
    upper: float
    source: str


@cache
def thresholds() -> dict[str, Threshold]:
    """All thresholds of `thresholds.tsv` by name, with the range a profile may choose from."""
    return {
        row["name"]: Threshold(
            row["name"],
            float(row["value"]),
            row["unit"],
            float(row["lower"]),
            float(row["upper"]),
            row["source"],
        )
        for row in rows("thresholds")
    }
