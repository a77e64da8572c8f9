"""Guesses the unit of measure of foreign columns: from their headers, else from where their numbers usually lie."""

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lowambient import reference
from lowambient.intake.header_words import BRACKETS, typical_range, words_of
from lowambient.profile.measures import measures, normalised
from lowambient.profile.rules import contract

_STANDARD_ATMOSPHERE_KPA = 101.325
_US = frozenset(("psig", "psia", "psi", "°F", "ton", "Btu/h", "kBtu/h", "ft", "mph"))
_SI = frozenset(("bar", "barg", "bara", "kPa", "kPag", "kPaa", "MPa", "MPag", "MPaa", "°C", "kW", "m", "m/s", "km/h"))
_LETTER_AT_END = re.compile("(tmp|temp|dwp|dewp)[fc]")
_GAUGE_OF = {"psi": "psig", "bar": "barg", "kPa": "kPag", "MPa": "MPag"}
# Quantities of which one file writes all its columns in one unit: instruments mix lengths and times, not these.
_ALIKE = ("pressure", "temperature")


@dataclass(frozen=True)
class Unit:
    """A guessed unit of measure and why; `told` says that the header names it in full."""

    name: str
    reason: str
    told: bool


@dataclass(frozen=True)
class Measured:
    """A column of a measured quantity: the contract column it feeds, its header and its numbers as written."""

    table: str
    target: str
    header: str
    numbers: Sequence[float]

    @property
    def quantity(self) -> str | None:
        """Quantity of `measures.tsv`; null where the contract column has none."""
        quantity: str | None = column_facts(self.table, self.target).get("measure")
        return quantity


def column_facts(table: str, target: str) -> dict[str, Any]:
    """What the contract says of a column; nothing for the channel and value columns of the long layout."""
    return contract("readings" if table == "long" else table).get(target, {})


def guess_units(columns: Mapping[str, Measured], si: bool) -> dict[str, Unit]:
    """Guessed unit of measure of each column, by any key; columns of no quantity or of no known size are left out.

    Columns of one quantity vote: the unit under which most of them have a usual size is taken. Where several have as
    many votes, a unit that a header tells counts first, then the system of units of the rest of the file; `si` says
    which system that is where nothing tells it.
    """
    told = {key: unit for key, column in columns.items() if (unit := _told(column))}
    votes = {column.quantity: _votes(column.quantity, columns, told) for column in columns.values() if column.quantity}
    leading = {quantity: _leaders(found) for quantity, found in votes.items()}
    sure = [unit.name for unit in told.values()] + [
        name for names in leading.values() if len(names) == 1 for name in names
    ]
    system = _SI if are_si(sure, si) else _US
    units = dict(told)
    for key, column in columns.items():
        if key not in told and column.quantity:
            own = sizes_that_fit(column)
            pool = votes[column.quantity] if column.quantity in _ALIKE or not own else Counter(own)
            if chosen := _chosen(_leaders(pool), told, system):
                units[key] = Unit(chosen, _reason(column, chosen, own), False)
    return units


def are_si(names: Iterable[str], otherwise: bool) -> bool:
    """Whether more of the units are metric than customary; `otherwise` where as many are."""
    counted = list(names)
    us, metric = sum(name in _US for name in counted), sum(name in _SI for name in counted)
    return otherwise if us == metric else metric > us


def within(limit: str | None, number: float, unit: str | None, quantity: str | None) -> bool:
    """Whether a number, written in `unit`, lies within the contract's limits; true where there are none."""
    if limit is None:
        return True
    known = measures(quantity)[normalised(unit)] if unit and quantity else None
    gauge = _STANDARD_ATMOSPHERE_KPA if known and known.reference_pressure == "gauge" else 0.0
    value = number * known.factor + known.offset + gauge if known else number
    bounds = reference.limit(limit)
    return bounds.lower <= value <= bounds.upper


def _told(column: Measured) -> Unit | None:
    """The unit that the header names, gauge where it leaves a pressure's reference open."""
    if not column.quantity:
        return None
    if column.header == column.target and column.quantity == "pressure":
        return Unit("kPaa", "the contract's own name: absolute", False)
    found = unit_in_header(column.header, column.quantity)
    if found is None:
        return None
    known = measures(column.quantity)[found[0]]
    if known.reference_pressure == "ask":
        return Unit(_GAUGE_OF[known.name], f"the header says {known.name}; taken as gauge", False)
    return Unit(known.name, "from the header", True)


def unit_in_header(header: str, quantity: str) -> tuple[str, int] | None:
    """Spelling of a unit of `quantity` in brackets or at the end of a header, and how many words it takes."""
    text = unicodedata.normalize("NFKC", header.replace("º", "°"))
    known = measures(quantity)
    for bracketed in BRACKETS.findall(text):
        if (spelling := normalised("".join(bracketed))) in known:
            return spelling, 0
    words = words_of(header)
    tail = re.split(r"[\s_,;:\-]+", text.strip())
    for count in (3, 2, 1):
        if len(tail) > count and (spelling := normalised("".join(tail[-count:]).strip("()[]"))) in known:
            return spelling, len(words_of(" ".join(tail[-count:])))
    if quantity == "temperature" and len(words) == 1 and _LETTER_AT_END.fullmatch(words[0]):
        return words[0][-1], 0
    for joint in ("", "/"):
        for count in (3, 2, 1):
            if (spelling := normalised(joint.join(words[-count:]))) in known and (len(words) > 1 or len(spelling) > 2):
                return spelling, count if len(words) > count else 0
    return None


def sizes_that_fit(column: Measured) -> list[str]:
    """Units under which the column has the size it usually has."""
    low, high, _ = typical_range(column.table, column.target)
    if not column.numbers or not column.quantity or low is None or high is None:
        return []
    level = _level(column)
    found = []
    for known in dict.fromkeys(measures(column.quantity).values()):
        gauge = _STANDARD_ATMOSPHERE_KPA if known.reference_pressure == "gauge" else 0.0
        if known.reference_pressure != "ask" and low <= level * known.factor + known.offset + gauge <= high:
            found.append(known.name)
    return found


def _level(column: Measured) -> float:
    """The number that tells a column's size: its median, or its upper tenth where an idle circuit would mislead."""
    upper_tenth = typical_range(column.table, column.target)[2] == "upper tenth"
    return float(np.quantile(column.numbers, 0.9 if upper_tenth else 0.5))


def _votes(quantity: str, columns: Mapping[str, Measured], told: Mapping[str, Unit]) -> Counter[str]:
    alike = {key: column for key, column in columns.items() if column.quantity == quantity}
    counted = Counter(told[key].name for key in alike if key in told)
    for key, column in alike.items():
        if key not in told:
            counted.update(sizes_that_fit(column))
    return counted


def _leaders(votes: Counter[str]) -> list[str]:
    """Units with the most votes; gauge alone where gauge and absolute of one unit have as many."""
    most = max(votes.values(), default=0)
    names = [name for name, count in votes.items() if count == most]
    return [name for name in names if not (name[-1] == "a" and f"{name[:-1]}g" in names)]


def _chosen(leaders: list[str], told: Mapping[str, Unit], system: frozenset[str]) -> str | None:
    named = {unit.name for unit in told.values()}
    return min(leaders, key=lambda name: (name not in named, name not in system), default=None)


def _reason(column: Measured, chosen: str, own: Sequence[str]) -> str:
    if chosen not in own:
        return f"a guess: as the other {column.quantity}s of the file"
    others = [name for name in own if name not in (chosen, f"{chosen[:-1]}a", f"{chosen[:-1]}g")]
    doubt = f", as would {' and '.join(others)}" if others else ""
    level = "an upper tenth" if typical_range(column.table, column.target)[2] == "upper tenth" else "a median"
    return f"a guess: {level} of {_level(column):.4g} would fit it{doubt}"
