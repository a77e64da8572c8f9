"""Numbers as people write them, and their units of measure, as SQL."""

import math

from lowambient import reference
from lowambient.intake.measures import Measure, measure
from lowambient.intake.plan import MISSING, ReadPlan
from lowambient.refrigerant.pressure import SEA_LEVEL_KPA
from lowambient.store.queries import quoted

CURRENCY_SUFFIX = r"\s*(usd|eur|gbp|cad|aud|chf)$"
_SPECIAL = frozenset("().%/#-^$*+?[]{}|\\")


def missing_list(plan: ReadPlan) -> str:
    """Texts that mean "no value" in this file, as an SQL list."""
    words = [*MISSING, *declared_missing(plan)]
    return f"[{', '.join(quoted(word) for word in dict.fromkeys(words))}]"


def declared_missing(plan: ReadPlan) -> list[str]:
    """Texts that the profile declares to mean "no value", lower case."""
    return [text.strip().lower() for text in plan.settings.missing]


def number_sql(plan: ReadPlan, cell: str, suffix: str) -> str:
    """The number in `cell` as it is written; `suffix` is SQL of a regular expression for a unit that may follow.

    A word that means "no value" is no number anyhow, so only declared numbers such as -999 are looked for.
    """
    number = f"as_number({cell}, {quoted(plan.settings.decimal)}, {suffix})"
    missing = [found for word in declared_missing(plan) if (found := _number(word)) is not None]
    return f"unless_missing({number}, {missing!r})" if missing else number


def _number(word: str) -> float | None:
    try:
        number = float(word.replace(",", "."))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def suffix_of(plan: ReadPlan, quantity: str | None, written: Measure | None) -> str:
    """Regular expression of the units that may follow a number which is in the measure `written`.

    A pressure in psig may say just psi: it is the same number.
    """
    if quantity is None or written is None:
        return CURRENCY_SUFFIX
    words = [
        spelling
        for row in reference.rows("measures")
        for spelling in row["spellings"].split("|")
        if row["quantity"] == quantity and _is_same(plan, written, measure(quantity, spelling))
    ]
    return rf"\s*({'|'.join(_escaped(word) for word in sorted(words, key=len, reverse=True))})\.?$"


def _is_same(plan: ReadPlan, one: Measure, other: Measure) -> bool:
    same_scale = (one.factor, one.offset) == (other.factor, other.offset)
    return same_scale and (other.reference_pressure == "ask" or counted_from(plan, other) == counted_from(plan, one))


def _escaped(word: str) -> str:
    return "".join(f"\\{letter}" if letter in _SPECIAL else letter for letter in word)


def converted_sql(plan: ReadPlan, written: Measure | None, number: str) -> str:
    """`number` in the measure it was written in, as the contract's unit; gauge pressures use `places`."""
    if written is None:
        return number
    value = number if written.factor == 1 else f"({number} * {written.factor!r})"
    if written.offset:
        value = f"({value} + ({written.offset!r}))"
    match counted_from(plan, written):
        case "gauge":
            return f"({value} + places.barometric_kpa)"
        case "sealed-gauge":
            return f"({value} + {SEA_LEVEL_KPA!r})"
    return value


def counted_from(plan: ReadPlan, written: Measure) -> str:
    """What a pressure is counted from: `gauge`, `sealed-gauge` or `absolute`."""
    own = written.reference_pressure
    declared = plan.settings.pressure
    if own == "ask":
        return declared or "gauge"
    if own == "gauge" and declared == "sealed-gauge":
        return declared
    return own or "absolute"
