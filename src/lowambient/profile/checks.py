"""Checks of one value of a profile, and how they combine: a table's check is a dict of key -> check.

A check takes the value, its key and the problems found so far. It returns the value as the dataclasses hold
it, or null after it has noted a problem, so that the rest of the file is still looked at.
"""

import re
import zoneinfo
from collections.abc import Callable, Collection, Mapping
from datetime import date, datetime
from functools import cache
from typing import Any

from lowambient.profile.problems import Problems, key, nearest, shown

Check = Callable[[Any, str, Problems], Any]

DATE_ORDERS = ("day first", "month first")
DATE_WORDS = ("iso", "epoch s", "epoch ms")
_OFFSET = re.compile(r"UTC[+-](\d{2}):(\d{2})")
_DIRECTIVES = "aAbBdfHIjmMpSyYzZ%"
_DATE_PARTS = ("yY", "bBmj", "dj")


def text(value: Any, at: str, problems: Problems) -> str | None:
    """A text with something in it."""
    if isinstance(value, str) and value.strip():
        return value
    problems.add(at, shown(value), "a text in quotes that is not empty")
    return None


def scalar(value: Any, at: str, problems: Problems) -> str | None:
    """A text, number, truth value or date, kept as text."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, (str, int, float)):
        return str(value)
    problems.add(at, shown(value), "a text, a number, true, false or a date")
    return None


def one_of(allowed: Collection[str]) -> Check:
    """A word of a closed list."""

    def check(value: Any, at: str, problems: Problems) -> str | None:
        if isinstance(value, str) and value in allowed:
            return value
        problems.unknown(at, value, allowed)
        return None

    return check


def number(lower: float, upper: float, unit: str = "") -> Check:
    """A number from `lower` to `upper`."""

    def check(value: Any, at: str, problems: Problems) -> float | None:
        if isinstance(value, (int, float)) and not isinstance(value, bool) and lower <= value <= upper:
            return float(value)
        problems.add(at, shown(value), f"a number from {lower:g} to {upper:g} {unit}".rstrip())
        return None

    return check


def whole(lower: int, upper: int) -> Check:
    """A whole number from `lower` to `upper`."""

    def check(value: Any, at: str, problems: Problems) -> int | None:
        if isinstance(value, int) and not isinstance(value, bool) and lower <= value <= upper:
            return value
        problems.add(at, shown(value), f"a whole number from {lower} to {upper}")
        return None

    return check


def truth(value: Any, at: str, problems: Problems) -> bool | None:
    """True or false."""
    if isinstance(value, bool):
        return value
    problems.add(at, shown(value), "true or false, without quotes")
    return None


def listed(item: Check) -> Check:
    """A list of items without repeats, or one item alone."""

    def check(value: Any, at: str, problems: Problems) -> tuple[Any, ...] | None:
        if not isinstance(value, list):
            only = item(value, at, problems)
            return None if only is None else (only,)
        if not value:
            problems.add(at, "an empty list", "at least one entry")
            return None
        for place, entry in enumerate(value, start=1):
            if entry in value[: place - 1]:
                problems.add(f"{at}[{place}]", f"{shown(entry)} a second time", "each entry once")
        checked = [item(entry, f"{at}[{place}]", problems) for place, entry in enumerate(value, start=1)]
        return tuple(entry for entry in checked if entry is not None)

    return check


def table(spec: Mapping[str, Check], required: Collection[str] = ()) -> Check:
    """A TOML table whose keys are those of `spec`."""

    def check(value: Any, at: str, problems: Problems) -> dict[str, Any]:
        if not isinstance(value, dict):
            problems.add(at, shown(value), f"a table with {', '.join(spec)}")
            return {}
        for name in value.keys() - spec.keys():
            problems.unknown(key(at, name), name, spec)
        for name in required:
            if name not in value:
                problems.missing(key(at, name), "this key is required")
        checked = {name: spec[name](value[name], key(at, name), problems) for name in spec if name in value}
        return {name: entry for name, entry in checked.items() if entry is not None}

    return check


def mapping(item: Check) -> Check:
    """A TOML table with keys of the company's or the contract's choosing."""

    def check(value: Any, at: str, problems: Problems) -> dict[str, Any] | None:
        if not isinstance(value, dict):
            problems.add(at, shown(value), "a table")
            return None
        checked = {name: item(entry, key(at, name), problems) for name, entry in value.items()}
        return {name: entry for name, entry in checked.items() if entry is not None}

    return check


def tables(item: Check) -> Check:
    """A list of TOML tables; their keys count from 1."""

    def check(value: Any, at: str, problems: Problems) -> tuple[Any, ...]:
        if not isinstance(value, list) or not value:
            problems.add(at, shown(value), f"one [[{at}]] part for each kind of export, in double brackets")
            return ()
        checked = [item(entry, f"{at}[{place}]", problems) for place, entry in enumerate(value, start=1)]
        return tuple(entry for entry in checked if entry is not None)

    return check


def built(make: Callable[..., Any], short: str, example: str) -> Check:
    """`make` from a table with the key `short` and perhaps `unit`; a bare text stands for `short`."""
    fields = table({short: text, "unit": text}, required=(short,))

    def check(value: Any, at: str, problems: Problems) -> Any:
        if isinstance(value, str):
            checked = {short: text(value, at, problems)}
        elif isinstance(value, dict):
            checked = fields(value, at, problems)
        else:
            problems.add(at, shown(value), f"a text, or a table such as {example}")
            return None
        return make(**checked) if checked.get(short) else None

    return check


def encoding(value: Any, at: str, problems: Problems) -> str | None:
    """A text encoding that Python can read."""
    try:
        "".encode(value)
    except (LookupError, TypeError, ValueError):
        problems.unknown(at, value, ("utf-8", "utf-16", "cp1252", "latin-1", "cp437", "mac-roman", "shift-jis"))
        return None
    return str(value)


def delimiter(value: Any, at: str, problems: Problems) -> str | None:
    """One character between cells."""
    if isinstance(value, str) and len(value) == 1 and not value.isalnum() and value not in "\"'\r\n":
        return value
    problems.add(at, shown(value), r'one character that parts cells, such as "," ";" "\t" "|"')
    return None


def pattern(value: Any, at: str, problems: Problems) -> str | None:
    """A regular expression with named groups."""
    try:
        groups = re.compile(value).groupindex
    except re.error as error:
        problems.add(at, shown(value), f"a regular expression ({error})")
    except TypeError:
        problems.add(at, shown(value), "a regular expression in quotes")
    else:
        if groups:
            return str(value)
        problems.add(at, shown(value), r"named groups that are contract columns, as (?P<unit_id>[A-Z]+-\d+)")
    return None


def date_format(value: Any, at: str, problems: Problems) -> str | None:
    """A strptime format that holds a whole date, or a word for ISO 8601 or counted seconds."""
    if not isinstance(value, str):
        problems.add(at, shown(value), 'a format in quotes, such as "%m/%d/%Y %H:%M"')
        return None
    if value in DATE_WORDS:
        return value
    found = re.findall(r"%(.?)", value.replace("%%", ""))
    wrong = [f"%{letter}" for letter in found if not letter or letter not in _DIRECTIVES]
    if not found:
        words = ", ".join(shown(word) for word in (*DATE_ORDERS, *DATE_WORDS))
        problems.add(at, shown(value), f'{words}, or a format such as "%m/%d/%Y %H:%M"')
    elif wrong:
        problems.add(at, shown(value), f"only {' '.join('%' + one for one in _DIRECTIVES)} (here {' '.join(wrong)})")
    elif not all(set(part) & set(found) for part in _DATE_PARTS):
        problems.add(at, shown(value), "a format with year, month and day")
    elif ("I" in found) != ("p" in found):
        problems.add(at, shown(value), "%I (hour of 12) and %p (am or pm) together, or %H (hour of 24)")
    elif len(set(found)) < len(found):
        problems.add(at, shown(value), "each part of the date once")
    else:
        return value
    return None


def dates(value: Any, at: str, problems: Problems) -> str | tuple[str, ...] | None:
    """The order of day and month, or one or more formats."""
    if value in DATE_ORDERS:
        return str(value)
    formats: tuple[str, ...] | None = listed(date_format)(value, at, problems)
    return formats


def zone(*words: str, offsets: bool = False) -> Check:
    """An IANA area name, `UTC`, one of `words`, or with `offsets` a fixed offset."""
    others = ["UTC", *words, *(["a fixed offset such as UTC-06:00"] if offsets else [])]
    allowed = f"an area name such as America/Chicago, {', '.join(others)}"

    def check(value: Any, at: str, problems: Problems) -> str | None:
        if not isinstance(value, str):
            problems.add(at, shown(value), allowed)
        elif value in ("UTC", *words, *area_names()) or (offsets and _is_offset(value)):
            return value
        else:
            problems.add(at, shown(value), f"{allowed} ({_zone_advice(value)})")
        return None

    return check


@cache
def area_names() -> tuple[str, ...]:
    """IANA time zone names that name an area."""
    names = zoneinfo.available_timezones()
    return tuple(sorted(name for name in names if "/" in name and not name.startswith("Etc/")))


def _is_offset(value: str) -> bool:
    found = _OFFSET.fullmatch(value)
    return found is not None and int(found[1]) <= 14 and int(found[2]) < 60


def _zone_advice(value: str) -> str:
    if value.startswith("Etc/"):
        return "Etc/ names turn the sign of the offset round"
    if value in ("GMT", "Z", "Zulu", "UCT", "Universal", "Greenwich"):
        return "did you mean UTC?"
    if re.fullmatch(r"[A-Z]{2,5}|[A-Z]{3}\d[A-Z]{3}", value):
        return "an abbreviation has no daylight saving of its own, or means several zones"
    near = nearest(value, area_names())
    return f"did you mean {near}?" if near else "see the IANA list of time zones"
