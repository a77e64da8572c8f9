"""Rules between the keys of one source: columns against the contract, units, vocabularies, what is required.

A rule notes what is wrong with a source whose single values are right. It rests on certain keys and is left
out where one of them is already known to be wrong, so that one mistake is told once.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from functools import cache
from typing import Any

from lowambient import reference
from lowambient.profile.checks import zone
from lowambient.profile.measures import measure_names, measures, normalised
from lowambient.profile.model import SourceProfile
from lowambient.profile.problems import Problems, key, shown
from lowambient.records.inputs import CHANNELS, TABLES, required_columns

FORMATS = ("csv", "xlsx", "parquet", "jsonl", "isd-lite", "tmy3", "epw")
FIXED_FORMATS = ("isd-lite", "tmy3", "epw")
LONG_COLUMNS = ("unit_id", "circuit", "read_at", "channel", "value", "value_unit")
PRESSURES = ("gauge", "sealed-gauge", "absolute")

_SUFFIXES = {
    ".xlsx": "xlsx",
    ".xlsm": "xlsx",
    ".parquet": "parquet",
    ".pq": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
    ".json": "jsonl",
    ".epw": "epw",
}
_DEFAULTS = SourceProfile("", "", ())
_TABLES_OF = {
    "layout": ("readings",),
    "channels": ("readings",),
    "kind": ("weather",),
    "pressure": ("units", "readings"),
}
_FORMATS_OF = {
    "sheet": ("xlsx",),
    "delimiter": ("csv",),
    "encoding": ("csv", "jsonl"),
    "header_row": ("csv", "xlsx"),
}
_TRUTH = ("true", "false")
_WORDED = ("text", "choice", "flag")
_NEED_UNITS = ("pressure", "temperature")

Rule = Callable[[SourceProfile, Problems], None]


@cache
def contract(table: str) -> dict[str, dict[str, Any]]:
    """Columns of an input table with what the contract says of each: kind, quantity, vocabulary, limits."""
    return {
        name: {**(column.metadata or {}), "description": column.description, "required": not column.nullable}
        for name, column in TABLES[table].columns().items()
    }


def format_of(name: str) -> str:
    """Format that a file name or glob stands for, looking through `.gz`; delimited text where none is told.

    >>> format_of("exports/calls_*.csv.gz"), format_of("logs/*.PARQUET"), format_of("typical.epw")
    ('csv', 'parquet', 'epw')
    """
    last = name.lower().removesuffix(".gz")
    return next((kind for suffix, kind in _SUFFIXES.items() if last.endswith(suffix)), "csv")


def keys_apply(source: SourceProfile, problems: Problems) -> None:
    """Keys that mean something for certain tables or formats stand with no others."""
    for name, tables in _TABLES_OF.items():
        if _is_set(source, name) and source.table not in tables:
            problems.add(name, f"in a {source.table} source", f"in {' and '.join(tables)} sources only")
    for name, kinds in _FORMATS_OF.items():
        if source.files and _is_set(source, name) and _formats(source).isdisjoint(kinds):
            problems.add(name, f"with {_or(_formats(source))} files", f"with {_or(kinds)} files only")
    if source.channels and source.layout != "long":
        problems.add("channels", 'without layout = "long"', 'with layout = "long" only')
    if fixed := _formats(source) & set(FIXED_FORMATS):
        if source.table != "weather":
            problems.add("format", f"{_or(fixed)} in a {source.table} source", "in weather sources only")
        if source.columns:
            problems.add(
                "columns",
                f"columns of {_or(fixed)} files",
                "none: the format itself says what its columns are",
            )
    if source.time_zone == "site" and not {"site_id", "unit_id"} & set(contract(source.table)):
        problems.add("time_zone", f'"site" in a {source.table} source', "an area name or UTC: its rows name no site")


def names_belong(source: SourceProfile, problems: Problems) -> None:
    """What is mapped, constant or read from a file name is a column of the table, and given in one place."""
    allowed = _columns(source)
    for part, at in ((source.columns, "columns"), (source.constants, "constants")):
        for name in part:
            if name not in allowed:
                problems.unknown(key(at, name), name, allowed, _misplaced(name, at))
    for name in _groups(source):
        if name not in allowed:
            problems.unknown("from_file_name.pattern", name, allowed)
    for written, entry in source.channels.items():
        if entry.channel not in CHANNELS:
            problems.unknown(f"{key('channels', written)}.channel", entry.channel, CHANNELS)
    for name in source.constants:
        if name in source.columns:
            problems.add(key("constants", name), "a column that [source.columns] maps too", "one of the two")
    for name in _groups(source):
        if name in source.columns or name in source.constants:
            problems.add("from_file_name.pattern", f"group {name}, which is given elsewhere too", "one of the two")


def required_columns_are_there(source: SourceProfile, problems: Problems) -> None:
    """Every column that a row must have is mapped, constant, in the file name, or part of the format."""
    if source.files and _formats(source) <= set(FIXED_FORMATS):
        return
    needed = required_columns(source.table)
    if _is_long(source):
        needed = [*needed, "channel", "value"]
    says = f"every row of {source.table} needs it, from [source.columns] or [source.constants]"
    if source.table == "weather":
        says += '; or set format, if the files are "isd-lite", "tmy3" or "epw"'
    implied = {"kind"} if source.table == "weather" else set()
    for name in needed:
        there = {*source.columns, *source.constants, *_groups(source), *implied}
        if name not in there and not any(problems.touch(key(part, name)) for part in ("columns", "constants")):
            problems.missing(key("columns", name), says)
    if _is_long(source) and not source.channels and not problems.touch("channels"):
        problems.missing("channels", "a long layout needs what each text in the channel column stands for")
    if source.table == "readings" and not _is_long(source) and not set(source.columns) & set(CHANNELS):
        problems.missing("columns", f"readings need at least one of {', '.join(CHANNELS)}")


def units_are_known(source: SourceProfile, problems: Problems) -> None:
    """Pressures and temperatures have a unit, units are of their quantity, pressures tell their reference."""
    for at, name, unit in _measured(source):
        quantity = contract(source.table).get(name, {}).get("measure")
        known = measures(quantity) if quantity else {}
        if unit is None:
            if quantity in _NEED_UNITS and "value_unit" not in source.columns:
                problems.missing(f"{at}.unit", f"one of {', '.join(measure_names(quantity))}")
        elif not quantity:
            problems.add(f"{at}.unit", shown(unit), f"no unit: {name} is not a measured quantity with units")
        elif normalised(unit) not in known:
            problems.unknown(f"{at}.unit", unit, measure_names(quantity))
        elif known[normalised(unit)].reference_pressure == "ask" and source.pressure is None:
            settled = f"pressure = {_or(map(shown, PRESSURES))} in the source"
            problems.add(f"{at}.unit", shown(unit), f"a unit that says gauge or absolute, or {settled}")


def words_are_known(source: SourceProfile, problems: Problems) -> None:
    """Constants are values of their columns; what `values` maps to is in the column's vocabulary."""
    columns = contract(source.table)
    for name, value in source.constants.items():
        _value_fits(key("constants", name), name, value, columns.get(name, {}), problems)
    mapped = {
        *source.columns,
        *_groups(source),
        *(entry.channel for entry in source.channels.values()),
    } & set(columns)
    worded = sorted(name for name in mapped if columns[name]["kind"] in _WORDED)
    for name, words in source.values.items():
        if name not in worded:
            hint = f"{name} has no words to map" if name in mapped else "it is not mapped" if name in columns else ""
            problems.unknown(key("values", name), name, worded, hint)
        for written, ours in words.items():
            _value_fits(key(key("values", name), written), name, ours, columns.get(name, {}), problems)


RULES: tuple[tuple[Rule, tuple[str, ...]], ...] = (
    (keys_apply, ("table", "format", "layout")),
    (names_belong, ("table", "layout")),
    (required_columns_are_there, ("table", "layout", "format", "from_file_name")),
    (units_are_known, ("table", "layout", "pressure")),
    (words_are_known, ("table",)),
)


def _is_set(source: SourceProfile, name: str) -> bool:
    return bool(getattr(source, name) != getattr(_DEFAULTS, name))


def _is_long(source: SourceProfile) -> bool:
    return source.table == "readings" and source.layout == "long"


def _formats(source: SourceProfile) -> set[str]:
    return {source.format} if source.format else {format_of(name) for name in source.files}


def _columns(source: SourceProfile) -> tuple[str, ...]:
    return LONG_COLUMNS if _is_long(source) else tuple(contract(source.table))


def _groups(source: SourceProfile) -> tuple[str, ...]:
    return tuple(re.compile(source.file_name_pattern).groupindex) if source.file_name_pattern else ()


def _measured(source: SourceProfile) -> Iterator[tuple[str, str, str | None]]:
    for name, column in source.columns.items():
        yield key("columns", name), name, column.unit
    for written, entry in source.channels.items():
        yield key("channels", written), entry.channel, entry.unit


def _misplaced(name: str, at: str) -> str:
    if name in SourceProfile.__dataclass_fields__ and name != "key":
        return f"{name} is a key of [[source]] itself: write it above [source.{at}]"
    return ""


def _or(words: Iterable[str]) -> str:
    return " or ".join(sorted(words))


def _value_fits(at: str, name: str, value: str, column: dict[str, Any], problems: Problems) -> None:
    kind = column.get("kind")
    if name == "time_zone":
        zone()(value, at, problems)
    elif kind == "choice" and value not in reference.vocabulary(column["vocabulary"]):
        problems.unknown(at, value, reference.vocabulary(column["vocabulary"]))
    elif kind == "flag" and value not in _TRUTH:
        problems.unknown(at, value, _TRUTH)
    elif kind in ("number", "whole") and not _is_number(value, column.get("limit")):
        problems.add(at, shown(value), _range(column.get("limit")))
    elif kind == "instant" and not _is_date(value):
        problems.add(at, shown(value), "a date such as 2024-11-05 or 2024-11-05T14:30")


def _is_number(value: str, limit: str | None) -> bool:
    try:
        number = float(value)
    except ValueError:
        return False
    return limit is None or reference.limit(limit).lower <= number <= reference.limit(limit).upper


def _range(limit: str | None) -> str:
    if limit is None:
        return "a number"
    bounds = reference.limit(limit)
    return f"a number from {bounds.lower:g} to {bounds.upper:g} {bounds.unit}, the contract's unit"


def _is_date(value: str) -> bool:
    try:
        datetime.fromisoformat(value)
    except ValueError:
        return False
    return True
