"""Reads a `fleet.toml`, validates it as a whole, and hands out the Profile."""

import hashlib
import json
import tomllib
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from lowambient import reference
from lowambient.errors import ProfileRefused
from lowambient.profile import checks
from lowambient.profile.model import (
    ChannelSource,
    ColumnSource,
    Costs,
    OptionProfile,
    PlanLimits,
    Profile,
    SourceProfile,
)
from lowambient.profile.own_words import own_words
from lowambient.profile.problems import Problems
from lowambient.profile.rules import FORMATS, PRESSURES, RULES

SPECS: dict[str, dict[str, checks.Check]] = {
    "fleet": {
        "name": checks.text,
        "store": checks.text,
        "units": checks.one_of(("us", "si")),
        "time_zone": checks.zone(),
        "words": checks.text,
    },
    "thresholds": {name: checks.number(one.lower, one.upper, one.unit) for name, one in reference.thresholds().items()},
    "costs": {
        "truck_roll": checks.number(0, 1e6),
        "labour_per_h": checks.number(0, 1e6),
        "after_hours_factor": checks.number(1, 10),
        "currency": checks.text,
    },
    "plan": {
        "budget": checks.number(0, 1e9),
        "crew_h": checks.number(0, 1e6, "h"),
        "objective": checks.one_of(("calls", "money")),
    },
    "option": {
        "offered": checks.truth,
        "parts_cost": checks.number(0, 1e6),
        "crew_h": checks.number(0, 1000, "h"),
        "lowest_ambient_c": checks.number(-60, 25, "degC"),
        "effect": checks.number(0.01, 0.99),
    },
    "source": {
        "table": checks.one_of(reference.vocabulary("target")),
        "files": checks.listed(checks.text),
        "format": checks.one_of(FORMATS),
        "encoding": checks.encoding,
        "delimiter": checks.delimiter,
        "sheet": checks.text,
        "header_row": checks.whole(1, 1000),
        "decimal": checks.one_of((".", ",")),
        "missing": checks.listed(checks.scalar),
        "time_zone": checks.zone("site", offsets=True),
        "dates": checks.dates,
        "replaces": checks.one_of(("nothing", "key", "file", "table")),
        "layout": checks.one_of(("wide", "long")),
        "kind": checks.one_of(reference.vocabulary("weather_kind")),
        "pressure": checks.one_of(PRESSURES),
        "columns": checks.mapping(checks.built(ColumnSource, "column", '{ column = "SP", unit = "psig" }')),
        "constants": checks.mapping(checks.scalar),
        "values": checks.mapping(checks.mapping(checks.scalar)),
        "channels": checks.mapping(
            checks.built(ChannelSource, "channel", '{ channel = "suction_kpa", unit = "psig" }')
        ),
        "from_file_name": checks.table({"pattern": checks.pattern}, required=("pattern",)),
    },
}
"""Every key of a profile and the check of its value; rules between keys are in `rules`."""


def _source(value: Any, at: str, problems: Problems) -> SourceProfile | None:
    """One [[source]] part, its values first and then the rules between them; null without a known table."""
    fields = checks.table(SPECS["source"], required=("table", "files"))(value, at, problems)
    if "table" not in fields:
        return None
    dates = fields.pop("dates", ())
    ordered = dates in checks.DATE_ORDERS
    source = SourceProfile(
        key=at,
        dates=() if ordered else dates,
        date_order=dates if ordered else None,
        file_name_pattern=fields.pop("from_file_name", {}).get("pattern"),
        **{"files": ()} | fields,
    )
    here = problems.under(at)
    sound = [rule for rule, needs in RULES if not any(here.touch(need) for need in needs)]
    for rule in sound:
        rule(source, here)
    return source


_PROFILE = checks.table(
    {
        "fleet": checks.table(SPECS["fleet"], required=("name",)),
        "thresholds": checks.table(SPECS["thresholds"]),
        "costs": checks.table(SPECS["costs"]),
        "plan": checks.table(SPECS["plan"]),
        "options": checks.table({row["option"]: checks.table(SPECS["option"]) for row in reference.rows("options")}),
        "source": checks.tables(_source),
    },
    required=("fleet", "source"),
)


def load_profile(path: Path) -> Profile:
    """The validated profile in `path`, TOML in UTF-8 with or without a byte order mark.

    A source without a time zone of its own carries the fleet's. Keys in messages count sources from 1.

    Raises: ProfileRefused with every problem of the file.
    """
    problems = Problems()
    checked = _PROFILE(_read(path), "", problems)
    fleet, zone = checked.get("fleet", {}), checked.get("fleet", {}).get("time_zone")
    sources = [replace(source, time_zone=source.time_zone or zone) for source in checked.get("source", ())]
    words = own_words(path.parent / fleet["words"], "fleet.words", problems) if "words" in fleet else ()
    _refuse_doubles(sources, problems)
    if problems.lines:
        raise ProfileRefused(str(path), problems.lines)
    changed = checked.get("thresholds", {})
    return Profile(
        path=path,
        name=fleet["name"],
        store=path.parent / fleet.get("store", f"{path.stem}.duckdb"),
        units=fleet.get("units", "us"),
        time_zone=zone,
        thresholds={name: changed.get(name, one.value) for name, one in reference.thresholds().items()},
        changed_thresholds=changed,
        costs=Costs(**checked.get("costs", {})),
        sources=tuple(sources),
        plan=PlanLimits(**checked.get("plan", {})),
        options={name: OptionProfile(**given) for name, given in checked.get("options", {}).items()},
        words=words,
    )


def source_digest(source: SourceProfile) -> str:
    """SHA-256 of all that governs how a source's files are read: everything but its place and its files."""
    governs = asdict(source)
    del governs["key"], governs["files"]
    return hashlib.sha256(json.dumps(governs, sort_keys=True).encode()).hexdigest()


def _read(path: Path) -> dict[str, Any]:
    """The TOML of `path`; a file that is not TOML is refused at once."""
    if path.is_dir():
        inside = path / "fleet.toml"
        raise ProfileRefused(
            str(path), [f"it is a folder; name the file in it{f', {inside}' if inside.is_file() else ''}"]
        )
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        near = sorted(found.name for found in path.parent.glob("*.toml"))
        there = f"beside it: {', '.join(near)}" if near else "write a starter profile with: lowambient new FOLDER"
        raise ProfileRefused(str(path), [f"there is no such file; {there}"]) from None
    except OSError as error:
        raise ProfileRefused(str(path), [f"it cannot be read: {error.strerror}"]) from None
    except UnicodeDecodeError as error:
        raise ProfileRefused(str(path), [f"it is not UTF-8 text (byte {error.start}); save it as UTF-8"]) from None
    except tomllib.TOMLDecodeError as error:
        raise ProfileRefused(str(path), [f"it is not TOML: {error}{_toml_advice(str(error))}"]) from None
    if not content:
        raise ProfileRefused(str(path), ["it is empty; write a starter profile with: lowambient new FOLDER"])
    return content


def _toml_advice(message: str) -> str:
    if "\\" in message or "escape" in message or "hex" in message:
        return "; write Windows paths with / or in single quotes, as 'exports\\units.csv'"
    if "Invalid value" in message:
        return "; texts stand in quotes"
    return ""


def _refuse_doubles(sources: list[SourceProfile], problems: Problems) -> None:
    """The same files read twice in the same way would count every row twice."""
    for place, source in enumerate(sources):
        for earlier in sources[:place]:
            both = set(source.files) & set(earlier.files)
            if both and source_digest(source) == source_digest(earlier):
                found = f"{', '.join(sorted(both))}, which {earlier.key} reads in the same way"
                problems.add(f"{source.key}.files", found, "each file once for a table")
