"""Read plans: for each file of a profile, how its cells become columns of the contract, and what to refuse.

A plan converts nothing by itself; the store carries it out.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import dataframely as dy

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.intake import dialect as dialects
from lowambient.intake.dialect import Dialect, Fingerprint
from lowambient.intake.matching import normal_form
from lowambient.intake.measures import Measure, measure
from lowambient.intake.source_records import sniff
from lowambient.intake.weather_files import station_header
from lowambient.profile import Profile, SourceProfile
from lowambient.records import inputs

MISSING = ("", "na", "n/a", "#n/a", "nan", "null", "none", "nil", "-", "--", "---", "?", "no data", "nodata", "missing")
LONG_COLUMNS = ("unit_id", "circuit", "read_at", "channel", "value", "value_unit")


@dataclass(frozen=True)
class ColumnPlan:
    """Where one contract column comes from: a cell of the record by place, or a constant of the file."""

    name: str
    kind: str
    required: bool
    cell: int | None
    constant: str | None
    measure: Measure | None
    limits: tuple[float, float] | None
    column: dy.Column | None

    @property
    def vocabulary(self) -> str | None:
        """Name of the closed vocabulary, for a choice."""
        return (self.column.metadata or {}).get("vocabulary") if self.column is not None else None


@dataclass(frozen=True)
class ReadPlan:
    """How to read one file. `source` is its path relative to the profile, `order` its place among the files."""

    source: str
    path: Path
    order: int
    target: str
    settings: SourceProfile
    dialect: Dialect
    shape: Fingerprint
    columns: tuple[ColumnPlan, ...]
    time_zone: str
    time_zone_assumed: bool
    absent: tuple[str, ...]

    @property
    def is_long(self) -> bool:
        """Whether each record is one value of one channel."""
        return self.target == "readings" and self.settings.layout == "long"

    def column(self, name: str) -> ColumnPlan | None:
        """The plan of one contract column; null where the file does not feed it."""
        return next((column for column in self.columns if column.name == name), None)


def find_files(profile: Profile, source: SourceProfile) -> list[Path]:
    """Files that the source's paths and globs name, in the order of the profile, each glob in name order.

    Raises InputRefused where a path or a glob names nothing.
    """
    found: dict[Path, None] = {}
    for pattern in source.files:
        matches = _expand(profile.folder, pattern)
        if not matches:
            raise InputRefused(f"{source.key}.files: {pattern!r} names no file below {profile.folder}")
        found.update(dict.fromkeys(matches))
    return list(found)


def _expand(folder: Path, pattern: str) -> list[Path]:
    whole = Path(pattern)
    if not any(letter in pattern for letter in "*?["):
        return [whole if whole.is_absolute() else folder / whole]
    base, rest = (Path(whole.anchor), pattern[len(whole.anchor) :]) if whole.is_absolute() else (folder, pattern)
    return sorted((path for path in base.glob(rest) if not path.is_dir()), key=lambda path: path.as_posix())


def source_name(profile: Profile, path: Path) -> str:
    """The file's path relative to the profile's folder where it lies below it, with forward slashes."""
    try:
        return path.relative_to(profile.folder).as_posix()
    except ValueError:
        return path.as_posix()


def plan_file(profile: Profile, source: SourceProfile, path: Path, order: int) -> ReadPlan:
    """The read plan of one file.

    Raises InputRefused for a file that is missing, empty, binary, or lacks a required column.
    """
    dialects.check_is_file(path)
    shape = dialects.fingerprint(path)
    dialect = sniff(path, source, shape)
    columns, absent = _columns(source, path, dialect)
    zone, assumed = _zone(profile, source, path, dialect)
    return ReadPlan(
        source_name(profile, path),
        path,
        order,
        source.table,
        source,
        dialect,
        shape,
        columns,
        zone,
        assumed,
        absent,
    )


def _zone(profile: Profile, source: SourceProfile, path: Path, dialect: Dialect) -> tuple[str, bool]:
    """Zone of the file's local times, and whether nothing declared it."""
    header = station_header(path, dialect)
    if header is not None:
        return _offset_name(header.offset_h), False
    if dialect.format == "isd-lite":
        return "UTC", False
    declared = source.time_zone or profile.time_zone
    if declared:
        return declared, False
    return ("UTC" if source.table in ("weather", "sites", "aliases", "stations") else "site"), True


def _offset_name(offset_h: float) -> str:
    minutes = round(offset_h * 60)
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _columns(source: SourceProfile, path: Path, dialect: Dialect) -> tuple[tuple[ColumnPlan, ...], tuple[str, ...]]:
    places = _places(path, source, dialect)
    constants = {**source.constants, **_from_file_name(source, path)}
    if source.table == "weather" and "kind" not in places:
        constants.setdefault("kind", "typical" if dialect.format in ("tmy3", "epw") else source.kind)
    long = source.table == "readings" and source.layout == "long"
    names = LONG_COLUMNS if long else inputs.TABLES[source.table].column_names()
    plans, absent = [], []
    for name in names:
        if name in places:
            place = places[name]
            if place is None:
                absent.append(name)
                continue
            plans.append(_column(source, name, place, None, long))
        elif name in constants:
            plans.append(_column(source, name, None, constants[name], long))
    _refuse_missing(source, path, [plan.name for plan in plans], long)
    return tuple(plans), tuple(absent)


def _places(path: Path, source: SourceProfile, dialect: Dialect) -> dict[str, int | None]:
    """Contract column -> place in the file; null where the profile maps it and the file lacks it."""
    forms = [dialects.name_form(name) for name in dialect.columns]
    if not source.columns and dialect.format in ("isd-lite", "tmy3", "epw"):
        return {name: place for place, name in enumerate(dialect.columns)}
    for name in source.columns.values():
        if forms.count(dialects.name_form(name.column)) > 1:
            raise InputRefused(f"{path} has more than one column named {name.column!r}: rename one of them")
    return {
        name: forms.index(form) if (form := dialects.name_form(each.column)) in forms else None
        for name, each in source.columns.items()
    }


def _from_file_name(source: SourceProfile, path: Path) -> dict[str, str]:
    if source.file_name_pattern is None:
        return {}
    match = re.search(source.file_name_pattern, path.name)
    if match is None:
        raise InputRefused(f"{path.name} does not fit {source.key}.from_file_name {source.file_name_pattern!r}")
    return {name: value for name, value in match.groupdict().items() if value is not None}


def _refuse_missing(source: SourceProfile, path: Path, names: list[str], long: bool) -> None:
    needed = ["unit_id", "read_at", "channel", "value"] if long else inputs.required_columns(source.table)
    lacking = [name for name in needed if name not in names]
    if lacking:
        mapped = {name: each.column for name, each in source.columns.items()}
        parts = [f"{name} (column {mapped[name]!r})" if name in mapped else name for name in lacking]
        raise InputRefused(f"{path} lacks {', '.join(parts)}, which {source.table} must have: correct {source.key}")


def _column(source: SourceProfile, name: str, cell: int | None, constant: str | None, long: bool) -> ColumnPlan:
    if long and name in ("channel", "value", "value_unit"):
        return ColumnPlan(name, "text", name != "value_unit", cell, constant, None, None, None)
    column = inputs.TABLES[source.table].columns()[name]
    facts = column.metadata or {}
    written = source.columns[name].unit if name in source.columns else None
    return ColumnPlan(
        name,
        facts["kind"],
        not column.nullable,
        cell,
        constant,
        measure(facts["measure"], written) if written and facts.get("measure") else None,
        limits_of(column),
        column,
    )


def limits_of(column: dy.Column) -> tuple[float, float] | None:
    """Plausible range of a number column, in the contract's unit."""
    facts = column.metadata or {}
    if "limit" in facts:
        bounds = reference.limit(facts["limit"])
        return bounds.lower, bounds.upper
    if isinstance(column, dy.Int64) and column.min is not None and column.max is not None:
        return float(column.min), float(column.max)
    return None


@cache
def _value_words(column: str) -> dict[str, str]:
    return {
        written: row["meant"]
        for row in reference.rows("value_words")
        if row["column"] == column
        for written in row["written"].split("|")
    }


def meant_values(plan: ColumnPlan, own: Mapping[str, str], written: Iterable[str]) -> dict[str, str]:
    """What each written text of a closed vocabulary or of a flag means; texts that mean nothing are left out.

    The profile's own words come first, then the vocabulary itself, then what exports commonly write.
    """
    known = {normal_form(word) or word: meant for word, meant in known_words(plan, own).items()}
    found = {text: known.get(normal_form(text) or text) for text in written}
    return {text: meant for text, meant in found.items() if meant is not None}


def known_words(plan: ColumnPlan, own: Mapping[str, str]) -> dict[str, str]:
    """Lower-case words of a closed vocabulary or of a flag, with what each means; the profile's own win."""
    return {**_common_words(plan), **{word.strip().lower(): meant for word, meant in own.items()}}


def _common_words(plan: ColumnPlan) -> dict[str, str]:
    if plan.kind == "flag":
        words = {**_value_words("flag_true"), **_value_words("flag_false")}
        if plan.name == "liquid_solenoid_open":
            words |= {"open": "true", "closed": "false"}
        return words
    vocabulary = plan.vocabulary or ""
    return _value_words(plan.name if plan.name != "kind" else vocabulary) | {
        value: value for value in reference.vocabulary(vocabulary)
    }
