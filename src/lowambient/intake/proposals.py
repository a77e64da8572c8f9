"""What `lowambient inspect` proposes: a [[source]] part for each kind of file, to be read and corrected."""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import takewhile
from pathlib import Path

from lowambient import reference
from lowambient.intake.column_guesses import Feed, guess_channel, understood
from lowambient.intake.file_guesses import FileGuesses
from lowambient.intake.header_words import value_words, zone_words
from lowambient.intake.matching import normal_form
from lowambient.intake.samples import ROWS, ColumnSample, FileSample, as_number, sheets_of, take_sample
from lowambient.intake.unit_guesses import Unit
from lowambient.intake.weather_files import FIXED_FORMATS, station_header, station_of
from lowambient.profile.checks import area_names
from lowambient.profile.problems import nearest

CHECK = "check this"
_SURE = 85.0
_LISTED = 40
_CHANNELS_LISTED = 500
_CLOCK_TIME = re.compile(r"\d{1,2}:\d{2}(:\d{2})?( ?[AaPp]\.?[Mm]\.?)?")
_NEED_UNITS = {"pressure": ("psig", "barg"), "temperature": ("°F", "°C")}


def propose(paths: Sequence[Path]) -> str:
    """A TOML fragment with one [[source]] part for each kind of file among `paths`.

    Every guess has its reason beside it; what a person must decide says “check this”. Files with the same columns
    share a part, each sheet of a workbook has its own.

    Raises: InputRefused for a path that is missing, a folder, empty, binary or no table.
    """
    rows = max(500, ROWS // max(1, len(paths)))
    alike: dict[tuple[object, ...], list[FileSample]] = {}
    for path in paths:
        for sheet in sheets_of(path):
            sample = take_sample(path, sheet, rows)
            dialect = sample.dialect
            alike.setdefault((dialect.format, dialect.delimiter, dialect.columns, sheet), []).append(sample)
    parts = ["\n".join(_part(FileGuesses(tuple(files)))) for files in alike.values()]
    return "\n\n".join(
        [f"# Proposed by lowambient inspect, to be read and corrected; “{CHECK}” marks guesses.", *parts, ""]
    )


def _part(found: FileGuesses) -> Iterator[str]:
    yield from _about(found)
    if found.sample.dialect.format in FIXED_FORMATS:
        yield from _weather_file(found)
    elif not found.table:
        yield "# It looks like no table of lowambient."
        yield from _not_mapped(found)
    else:
        yield "[[source]]"
        yield from _settings(found)
        for block in (_columns, _constants, _channels, _values, _from_file_name):
            if lines := list(block(found)):
                yield ""
                yield from lines


def _about(found: FileGuesses) -> Iterator[str]:
    files, dialect = found.files, found.sample.dialect
    more = f" and {len(files) - 1} more with the same columns" if len(files) > 1 else ""
    sheet = f", sheet {_toml(files[0].settings.sheet)}" if files[0].settings.sheet else ""
    rows = _rows(sum(file.rows for file in files))
    seen = f"all {rows}" if all(file.whole for file in files) else f"{rows}, not all of them"
    yield f"# {_plain(files[0].path.as_posix())}{more}{sheet}: {dialect.format}; looked at {seen}."
    for file in files:
        for fault, lines in file.faults.items():
            others = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
            yield f"# {_plain(file.path.name)}: {_plain(fault)} (line {lines[0]}{others}): set aside on loading."
    if dialect.header_record > 0:
        yield f"# The column names stand on line {dialect.header_line}; what is above is passed over."
    elif sum(as_number(name, ".") is not None for name in dialect.columns) > 1:
        yield f"# {CHECK}: the first line looks like data; a line with column names is needed."


def _weather_file(found: FileGuesses) -> Iterator[str]:
    path, dialect = found.files[0].path, found.sample.dialect
    header = station_header(path, dialect)
    if header:
        place = f"{header.latitude:g}, {header.longitude:g}, {header.elevation_m:g} m, UTC{header.offset_h:+g} h"
        yield f"# Station {_toml(header.station_id)}, {_toml(header.name)}, {place}; a typical year, not observed."
    else:
        yield f"# Station {_toml(station_of(path, dialect))} by the file name; observed hours in UTC."
    yield "[[source]]"
    yield 'table = "weather"'
    yield _files(found)
    yield f"format = {_toml(dialect.format)}"


def _files(found: FileGuesses) -> str:
    paths = [file.path for file in found.files]
    pattern = _glob(paths)
    if pattern:
        return f"files = [{_toml(pattern)}]  # the {len(paths)} files that were named; relative to the profile"
    return f"files = [{', '.join(_toml(path.as_posix()) for path in paths)}]  # relative to the profile"


def _glob(paths: Sequence[Path]) -> str | None:
    """A glob that takes these files and no others; null for few files or where none does."""
    folder, names = paths[0].parent, [path.name for path in paths]
    if len(paths) < 4 or any(path.parent != folder for path in paths):
        return None
    start = _shared_start(names).rstrip("0123456789")
    pattern = f"{start}*{_shared_start([name[::-1] for name in names])[::-1]}"
    return (folder / pattern).as_posix() if set(folder.glob(pattern)) == set(paths) else None


def _shared_start(texts: Sequence[str]) -> str:
    return "".join(
        letters[0] for letters in takewhile(lambda letters: len(set(letters)) == 1, zip(*texts, strict=False))
    )


def _settings(found: FileGuesses) -> Iterator[str]:
    dialect = found.sample.dialect
    there = sum(name in found.feeds for name in found.required)
    fits = f"{len(found.feeds)} of {len(dialect.columns)} columns fit, {there} of {len(found.required)} required ones"
    rival = found.guess.runner_up if found.guess else None
    yield f"table = {_toml(found.table)}  # {fits}" + (f"; {CHECK}: {rival} is close" if rival else "")
    yield _files(found)
    if found.is_long:
        yield 'layout = "long"  # a row a channel'
    if found.sample.settings.sheet:
        yield f"sheet = {_toml(found.sample.settings.sheet)}"
    if any(file.dialect.encoding_proposed for file in found.files):
        yield f"encoding = {_toml(dialect.encoding)}  # a guess from its bytes; {CHECK}: letters with accents"
    if dialect.format == "csv" and dialect.delimiter != ",":
        yield f"delimiter = {_toml(dialect.delimiter)}"
    if found.sample.decimal == ",":
        yield 'decimal = ","  # numbers with a comma before the fraction'
    if found.missing:
        yield f"missing = [{', '.join(map(_toml, found.missing))}]  # {CHECK}: these stand among numbers"
    if found.is_long and found.has_open_pressures:
        yield f'pressure = "gauge"  # {CHECK}: the unit column writes pressures without gauge or absolute'
    yield from _dates(found)
    yield from _time_zone(found)
    if found.table == "calls":
        yield f'replaces = "key"  # {CHECK}: a later export of the same call replaces the earlier one'


def _dates(found: FileGuesses) -> Iterator[str]:
    if not found.dated:
        return
    formats = found.date_formats.formats
    texts = next(iter(found.dated.values())).example(2)
    if found.date_formats.is_open:
        order = "month first" if found.is_us else "day first"
        yield f"dates = {_toml(order)}  # {CHECK}: {_examples(texts)} can be read either way"
    elif len(formats) == 1:
        yield f"dates = {_toml(formats[0])}  # every date fits: {_examples(texts)}"
    else:
        yield f"dates = [{', '.join(map(_toml, formats))}]  # {CHECK}: written in more than one way"
    if not any(":" in text or text.isdigit() for text in texts):
        yield from _clock_apart(found)


def _clock_apart(found: FileGuesses) -> Iterator[str]:
    """What to do about events that have a date and no time of day."""
    if not {"read_at", "hour", "opened_at"} & set(found.dated):
        return
    mapped = {feed.column.place for feed in found.feeds.values()}
    apart = [
        _toml(column.name)
        for column in found.sample.columns
        if column.place not in mapped and column.texts and all(map(_CLOCK_TIME.fullmatch, column.example(20)))
    ]
    where = f"it stands apart, in {apart[0]}; export both in one column" if apart else "export it as well"
    yield f"# {CHECK}: these dates have no time of day: {where}."


def _time_zone(found: FileGuesses) -> Iterator[str]:
    clock = found.clock
    if clock is None:
        return
    if clock.kind == "offset":
        yield f"# time_zone is not needed: {clock.reason}."
    elif clock.zone:
        yield f"time_zone = {_toml(clock.zone)}  # {clock.reason}"
    elif clock.kind == "utc":
        yield f'time_zone = "UTC"  # {CHECK}: {clock.reason}'
    elif clock.kind == "standard":
        yield f"# {CHECK}: standard time all year or UTC; write the offset. {clock.reason}"
        yield '# time_zone = "UTC-06:00"'
    elif found.table == "weather":
        yield f'# {CHECK}: name the station\'s area, or "UTC". {clock.reason}'
        yield '# time_zone = "America/Chicago"'
    else:
        yield f'time_zone = "site"  # {CHECK}: each site\'s own clock; {clock.reason}'


def _columns(found: FileGuesses) -> Iterator[str]:
    yield "[source.columns]"
    for target, feed in found.feeds.items():
        yield _column(found, target, feed)
    for name in found.required:
        if name not in found.feeds:
            yield f'# {name} = "…"  # required, and not found: name its column, or give it in [source.constants]'
    yield from _not_mapped(found)


def _column(found: FileGuesses, target: str, feed: Feed) -> str:
    name = _toml(feed.column.name)
    doubt = f"; {CHECK}" if feed.score < _SURE else ""
    unit = _unit_or_usual(found.units.get(target), found.facts(target).get("measure"), found.is_us)
    if unit is None:
        return f"{target} = {name}  # {_examples(feed.column.example()) or 'empty'}{doubt}"
    return f"{target} = {{ column = {name}, unit = {_toml(unit.name)} }}  # {_why(unit, doubt)}"


def _unit_or_usual(unit: Unit | None, quantity: str | None, is_us: bool) -> Unit | None:
    """The guessed unit; the usual one where a unit is needed and nothing tells it."""
    if unit is None and quantity in _NEED_UNITS:
        usual = _NEED_UNITS[quantity][0 if is_us else 1]
        return Unit(usual, "neither name nor values tell the unit", False)
    return unit


def _why(unit: Unit, doubt: str) -> str:
    return unit.reason + (doubt if unit.told else f"; {CHECK}")


def _not_mapped(found: FileGuesses) -> Iterator[str]:
    mapped = {feed.column.place for feed in found.feeds.values()}
    for column in found.sample.columns:
        if column.place in mapped or not column.name:
            continue
        says = _examples(column.example()) or "empty"
        if column.name in found.sample.doubled:
            says += "; the name stands twice: rename one"
        elif found.table == "readings" and not found.is_long and (like := guess_channel(column.name)):
            says += f"; looks like {like[0]}, perhaps of another circuit"
        yield f"# not mapped: {_toml(column.name)}  # {says}"


def _constants(found: FileGuesses) -> Iterator[str]:
    lines = []
    if found.table == "readings" and "circuit" not in found.feeds and "(?P<circuit>" not in found.name_pattern:
        named = sorted({feed.circuit for feed in found.feeds.values() if feed.circuit})
        why = "by the names of the columns" if named else "the file does not say which circuit"
        lines.append(f"circuit = {_toml(named[0] if named else '1')}  # {CHECK}: {why}")
    if found.table == "sites" and "time_zone" not in found.feeds:
        lines.append(f'# time_zone = "America/Chicago"  # {CHECK}: required; one for all sites, if they share it')
    if found.table == "calls" and "work_type" not in found.feeds:
        lines.append(f'# work_type = "service"  # {CHECK}: if every row is a service call')
    if lines:
        yield "[source.constants]"
        yield from lines


def _channels(found: FileGuesses) -> Iterator[str]:
    if not found.is_long:
        return
    yield "[source.channels]"
    for written, count in list(found.feeds["channel"].column.counts.items())[:_CHANNELS_LISTED]:
        if written not in found.channels:
            yield f'# {_toml(written)} = "…"  # {_rows(count)}; like no channel of lowambient'
            continue
        target, score, guessed = found.channels[written]
        doubt = f"; {CHECK}" if score < _SURE else ""
        quantity = None if "value_unit" in found.feeds else found.facts(target).get("measure")
        unit = _unit_or_usual(guessed, quantity, found.is_us)
        if unit is None:
            yield f"{_toml(written)} = {_toml(target)}  # {_rows(count)}{doubt}"
        else:
            meant = f"{{ channel = {_toml(target)}, unit = {_toml(unit.name)} }}"
            yield f"{_toml(written)} = {meant}  # {_rows(count)}; {_why(unit, doubt)}"


def _values(found: FileGuesses) -> Iterator[str]:
    for target, feed in found.feeds.items():
        facts = found.facts(target)
        kind = facts.get("kind", "text")
        if kind in ("choice", "flag"):
            allowed = reference.vocabulary(facts["vocabulary"]) if kind == "choice" else ("true", "false")
            known = understood(found.table, target, feed.column.counts)
            yield from _value_lines(target, feed.column, known, allowed, value_words(target, kind))
        elif (found.table, target) == ("sites", "time_zone"):
            known = {text: text for text in feed.column.counts if text in area_names()}
            yield from _value_lines(target, feed.column, known, area_names(), zone_words())


def _value_lines(
    target: str, column: ColumnSample, known: Mapping[str, str], allowed: Sequence[str], words: Mapping[str, str]
) -> Iterator[str]:
    """What is understood as written in a comment; a line for each text that needs a mapping."""
    if said := [f"{_toml(text)} = {meant}" for text, meant in known.items() if text != meant][:_LISTED]:
        yield f"# {target}: understood as written: {', '.join(said)}"
    unknown = [(text, count) for text, count in column.counts.most_common() if text not in known]
    if not unknown:
        return
    yield f"[source.values.{target}]"
    choices = ", ".join(allowed) if len(allowed) <= 20 else "an area name such as America/Chicago"
    for text, count in unknown[:_LISTED]:
        near = words.get(normal_form(text)) or nearest(text, [*words, *allowed])
        if near:
            yield f"{_toml(text)} = {_toml(words.get(near, near))}  # {_rows(count)}; {CHECK}; one of: {choices}"
        else:
            yield f'# {_toml(text)} = "…"  # {_rows(count)}; one of: {choices}'
    if len(unknown) > _LISTED:
        yield f"# and {len(unknown) - _LISTED} more texts"


def _from_file_name(found: FileGuesses) -> Iterator[str]:
    if not found.name_pattern:
        return
    name = found.files[0].path.name
    match = re.search(found.name_pattern, name)
    gives = ", ".join(f"{key} {_toml(value)}" for key, value in match.groupdict().items()) if match else "nothing"
    yield "[source.from_file_name]"
    yield f"# {CHECK}: {_toml(name)} gives {gives}"
    yield f"pattern = '{found.name_pattern}'"


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _examples(texts: Sequence[str]) -> str:
    return ", ".join(_toml(text if len(text) <= 40 else text[:37] + "...") for text in texts)


def _toml(text: str) -> str:
    """`text` as a TOML string."""
    sound = text.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(sound, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """`text` for a comment, without control characters."""
    return _toml(text)[1:-1]
