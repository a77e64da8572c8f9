"""Units of measure as people write them: a row of `reference/measures.tsv` for a spelling."""

import unicodedata
from dataclasses import dataclass
from functools import cache

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.profile.problems import nearest


@dataclass(frozen=True)
class Measure:
    """A unit of measure: value in the contract's unit = written * `factor` + `offset`.

    `reference_pressure` says what a pressure is counted from: `gauge`, `absolute`, or `ask` where the
    spelling leaves it open; it is empty for other quantities.
    """

    name: str
    factor: float
    offset: float
    reference_pressure: str


def quantities() -> list[str]:
    """Quantities that have measures, in the order of `measures.tsv`."""
    return list(dict.fromkeys(row["quantity"] for row in reference.rows("measures")))


@cache
def measures(quantity: str) -> dict[str, Measure]:
    """Measures of `quantity` (`pressure`, `temperature`, ... of `measures.tsv`) by normalised spelling."""
    return {
        normalised(spelling): Measure(
            row["measure"], float(row["factor"]), float(row["offset"]), row["reference_pressure"] or ""
        )
        for row in reference.rows("measures")
        if row["quantity"] == quantity
        for spelling in row["spellings"].split("|")
    }


def measure_names(quantity: str) -> list[str]:
    """Names of the measures of `quantity`, in the order of `measures.tsv`."""
    return list(dict.fromkeys(found.name for found in measures(quantity).values()))


def measure(quantity: str, written: str) -> Measure:
    """The measure of `quantity` that `written` spells.

    Raises: InputRefused with the measures allowed and the nearest one.

    >>> measure("pressure", "PSI (g)").name
    'psig'
    """
    found = measures(quantity).get(normalised(written))
    if found is None:
        names = measure_names(quantity)
        near = nearest(written, names)
        advice = f"; did you mean {near}?" if near else ""
        raise InputRefused(
            f"“{written}” is not a unit of {quantity} that is known here; allowed: {', '.join(names)}{advice}"
        )
    return found


def normalised(spelling: str) -> str:
    """`spelling` after NFKC and case folding, without spaces; the ordinal sign º counts as a degree sign."""
    return "".join(unicodedata.normalize("NFKC", spelling.replace("º", "°")).casefold().split())
