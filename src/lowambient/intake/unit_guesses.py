"""Guesses the unit of measure of a foreign column: from its header, else from where its median usually lies."""

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from lowambient import reference
from lowambient.intake.header_words import BRACKETS, typical_range, words_of
from lowambient.profile.measures import Measure, measures, normalised
from lowambient.profile.rules import contract

_STANDARD_ATMOSPHERE_KPA = 101.325
_US = frozenset(("psig", "psia", "psi", "°F", "ton", "Btu/h", "kBtu/h", "ft", "mph"))
_SI = frozenset(("bar", "barg", "bara", "kPa", "kPag", "kPaa", "MPa", "MPag", "MPaa", "°C", "kW", "m", "m/s", "km/h"))
_LETTER_AT_END = re.compile("(tmp|temp|dwp|dewp)[fc]")
_GAUGE_OF = {"psi": "psig", "bar": "barg", "kPa": "kPag", "MPa": "MPag"}


@dataclass(frozen=True)
class Unit:
    """A guessed unit of measure and why. `sure`: no other size would fit; `told`: the header names it."""

    name: str
    reason: str
    sure: bool
    told: bool


def column_facts(table: str, target: str) -> dict[str, Any]:
    """What the contract says of a column; nothing for the channel and value columns of the long layout."""
    return contract("readings" if table == "long" else table).get(target, {})


def guess_units(table: str, columns: Mapping[str, tuple[str, str, Sequence[float]]], si: bool) -> dict[str, Unit]:
    """Guessed unit of measure of each column that has one.

    Shape: `columns` maps any key to contract column, header and numbers. Where several units would fit, one that
    is sure for another column of the same quantity is taken, else one of the system of most of the sure ones; `si`
    says which system that is where none is sure.
    """
    alone = {key: _guess_unit(table, *column, frozenset()) for key, column in columns.items()}
    sure = {key: unit.name for key, unit in alone.items() if unit and unit.sure}
    us, metric = sum(name in _US for name in sure.values()), sum(name in _SI for name in sure.values())
    system = _US if us > metric or (us == metric and not si) else _SI
    found = {}
    for key, (target, header, numbers) in columns.items():
        quantity = column_facts(table, target).get("measure")
        like = {name for other, name in sure.items() if column_facts(table, columns[other][0])["measure"] == quantity}
        found[key] = _guess_unit(table, target, header, numbers, frozenset(like) or system)
    return {key: unit for key, unit in found.items() if unit}


def are_us(units: Iterable[Unit]) -> bool:
    """Whether more of the units are customary ones than metric ones, or as many."""
    names = [unit.name for unit in units]
    return sum(name in _US for name in names) >= sum(name in _SI for name in names)


def within(limit: str | None, number: float, unit: str | None, quantity: str | None) -> bool:
    """Whether a number, written in `unit`, lies within the contract's limits; true where there are none."""
    if limit is None:
        return True
    known = measures(quantity)[normalised(unit)] if unit and quantity else None
    gauge = _STANDARD_ATMOSPHERE_KPA if known and known.reference_pressure == "gauge" else 0.0
    value = number * known.factor + known.offset + gauge if known else number
    bounds = reference.limit(limit)
    return bounds.lower <= value <= bounds.upper


def _guess_unit(
    table: str, target: str, header: str, numbers: Sequence[float], preferred: frozenset[str]
) -> Unit | None:
    """The unit of one column: from its header, else from where its median lies; null without a quantity."""
    quantity = column_facts(table, target).get("measure")
    if not quantity:
        return None
    if header == target and quantity == "pressure":
        return Unit("kPaa", "the contract's own name: absolute", True, False)
    told = unit_in_header(header, quantity)
    if told is not None:
        known = measures(quantity)[told[0]]
        if known.reference_pressure == "ask":
            return Unit(_GAUGE_OF[known.name], f"the header says {known.name}; taken as gauge", True, False)
        return Unit(known.name, "from the header", True, True)
    return _unit_by_size(target, table, quantity, numbers, preferred)


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


def _unit_by_size(
    target: str, table: str, quantity: str, numbers: Sequence[float], preferred: frozenset[str]
) -> Unit | None:
    fitting = list(sizes_that_fit(table, target, quantity, numbers))
    ranked = sorted(fitting, key=lambda known: (known.name not in preferred, known.reference_pressure != "gauge"))
    if not ranked:
        return None
    others = [known.name for known in ranked[1:] if known.factor != ranked[0].factor]
    doubt = f", as would {' and '.join(others)}" if others else ""
    return Unit(ranked[0].name, f"a guess: a median of {median(numbers):.4g} would fit it{doubt}", not others, False)


def sizes_that_fit(table: str, target: str, quantity: str, numbers: Sequence[float]) -> Iterator[Measure]:
    """Measures under which the median of the numbers lies where it usually does."""
    low, high = typical_range(table, target)
    if not numbers or low is None or high is None:
        return
    middle = median(numbers)
    for known in dict.fromkeys(measures(quantity).values()):
        gauge = _STANDARD_ATMOSPHERE_KPA if known.reference_pressure == "gauge" else 0.0
        if known.reference_pressure != "ask" and low <= middle * known.factor + known.offset + gauge <= high:
            yield known
