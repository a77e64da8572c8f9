"""A look into a foreign file: its dialect and the texts of its columns, for guessing what they mean."""

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import islice
from pathlib import Path

from lowambient.errors import InputRefused
from lowambient.intake.delimited import delimited, judged
from lowambient.intake.dialect import Dialect, check_is_file, format_of, head, name_form, text_lines
from lowambient.intake.instants import formats_that_fit, reads
from lowambient.intake.plan import MISSING
from lowambient.intake.source_records import records, sniff
from lowambient.profile import SourceProfile
from lowambient.profile.measures import measures, normalised, quantities

ROWS = 20_000
STAMPS = 300_000
_BLOCKS = 50
_BLOCK_BYTES = 16_384
_DATE_SAMPLES = 400
_ISD_LITE = re.compile(r"\d{4}( +\d{1,2}){3}( +-?\d+){8}\s*")
_TMY3 = re.compile(r"Date \(MM/DD/YYYY\),Time \(HH:MM\)", re.IGNORECASE)
_DATE_SHAPE = re.compile(
    r"\d{1,4}[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ,]+\d{2,4}"
    r"|[A-Za-z]{3,9}[ ,]+\d{1,2}[ ,]+\d{2,4}|[12]\d{7}\b|\d{9,13}(\.\d+)?$"
)
_PLAIN = re.compile(r"[-+]?(?=[.\d])(\d{1,3}(,\d{3})+|\d+)?(\.\d+)?(e[-+]?\d+)?", re.IGNORECASE)
_COMMA = re.compile(r"[-+]?(?=[,\d])(\d{1,3}(\.\d{3})+|\d+)?(,\d+)?(e[-+]?\d+)?", re.IGNORECASE)
_COMMA_DECIMAL = re.compile(r"[-+]?\d+,(\d{1,2}|\d{4,})")
_POINT_DECIMAL = re.compile(r"[-+]?\d+\.\d+")


@dataclass(frozen=True)
class ColumnSample:
    """One column: its trimmed cells in file order; `decimal` is the sign before the fraction of its numbers.

    `unit_below` is its cell in a line of units under the header, where the file has one.
    """

    place: int
    name: str
    cells: tuple[str, ...]
    decimal: str
    unit_below: str = ""

    @property
    def header(self) -> str:
        """The name, with the unit that a line of units below the header gives."""
        return f"{self.name} [{self.unit_below}]" if self.unit_below else self.name

    @cached_property
    def texts(self) -> tuple[str, ...]:
        """Cells that are not missing."""
        return tuple(cell for cell in self.cells if cell.casefold() not in MISSING)

    @cached_property
    def counts(self) -> Counter[str]:
        """How often each text occurs."""
        return Counter(self.texts)

    @cached_property
    def numbers(self) -> tuple[float, ...]:
        """Those texts that are numbers, as numbers, in the unit they are written in."""
        parsed = {text: as_number(text, self.decimal) for text in self.counts}
        return tuple(number for text in self.texts if (number := parsed[text]) is not None)

    @cached_property
    def number_share(self) -> float:
        """Share of the texts that are numbers."""
        return len(self.numbers) / len(self.texts) if self.texts else 0.0

    @cached_property
    def distinct_share(self) -> float:
        """Distinct texts over texts; 1 where every row has its own."""
        return len(self.counts) / len(self.texts) if self.texts else 0.0

    @cached_property
    def date_formats(self) -> list[str]:
        """Formats of dates that read every text looked at; several where day and month cannot be told apart."""
        return formats_that_fit(self._spread) if self._has_shape_of_dates else []

    @cached_property
    def mixed_formats(self) -> list[str]:
        """Where no one format reads all: the few that between them read most; none for what is no date."""
        return [] if self.date_formats or not self._has_shape_of_dates else _formats_of_most(self._spread)

    @property
    def is_dated(self) -> bool:
        """Whether the texts are dates."""
        return bool(self.date_formats or self.mixed_formats)

    @cached_property
    def _has_shape_of_dates(self) -> bool:
        """Whether most texts could be dates at all: a cheap look, since trying every format is not."""
        return sum(map(bool, map(_DATE_SHAPE.search, self._spread))) > 0.8 * len(self._spread)

    @cached_property
    def _spread(self) -> list[str]:
        return list(self.counts)[:: max(1, len(self.counts) // _DATE_SAMPLES)]

    def example(self, limit: int = 3) -> list[str]:
        """A few distinct texts."""
        return list(islice(self.counts, limit))


@dataclass(frozen=True)
class FileSample:
    """A file's dialect and columns, and what the `rows` records that were looked at show."""

    path: Path
    settings: SourceProfile
    dialect: Dialect
    columns: tuple[ColumnSample, ...]
    rows: int
    whole: bool
    faults: dict[str, list[int]] = field(default_factory=dict)

    @property
    def decimal(self) -> str:
        """Sign before the fraction of a number."""
        return self.columns[0].decimal if self.columns else "."

    @property
    def doubled(self) -> set[str]:
        """Names that head more than one column."""
        forms = Counter(name_form(column.name) for column in self.columns)
        return {column.name for column in self.columns if forms[name_form(column.name)] > 1}


def sheets_of(path: Path) -> tuple[str | None, ...]:
    """Names of the sheets of a workbook that holds several; one null for any other file."""
    check_is_file(path)
    start = head(path)
    if format_of(path, start, None) != "xlsx":
        return (None,)
    try:
        import fastexcel

        names = tuple(fastexcel.read_excel(path).sheet_names)
    except Exception as error:
        reason = str(error).splitlines()[0]
        raise InputRefused(f"{path} is not a readable spreadsheet ({reason})") from error
    return names if len(names) > 1 else (None,)


def take_sample(path: Path, sheet: str | None = None, rows: int = ROWS) -> FileSample:
    """Looks at the first `rows` records of a file, and at some further on where it is longer.

    Raises: InputRefused for a path that is missing, a folder, empty, binary or no table.
    """
    settings = SourceProfile("source", "calls", (path.as_posix(),), sheet=sheet)
    dialect = _sniff_names(path, settings)
    if dialect.format == "csv" and (fixed := _weather_format(path, dialect.encoding)):
        settings = SourceProfile("source", "weather", (path.as_posix(),), format=fixed)
        dialect = sniff(path, settings)
    cells: list[list[str]] = []
    faults: dict[str, list[int]] = {}
    found = records(path, dialect, settings)
    for record in islice(found, rows):
        if record.cells is None or record.fault:
            faults.setdefault(record.fault or "", []).append(record.line)
        else:
            cells.append(record.cells)
    whole = next(found, None) is None
    units = [cell.strip() for cell in cells.pop(0)] if cells and _is_line_of_units(cells[0]) else []
    if units:
        faults["a line of units, not of values"] = [dialect.header_line + 1]
    if not whole:
        cells += _from_further_on(path, dialect)
    decimal = _decimal(cells, dialect)
    columns = tuple(
        ColumnSample(place, name, tuple(row[place].strip() for row in cells), decimal, *units[place : place + 1])
        for place, name in enumerate(dialect.columns)
    )
    return FileSample(path, settings, dialect, columns, len(cells), whole, faults)


def _sniff_names(path: Path, settings: SourceProfile) -> Dialect:
    """The dialect, its header below any title lines whose other cells are empty."""
    first = dialect = sniff(path, settings)
    while sum(map(bool, dialect.columns)) < len(dialect.columns) / 2:
        try:
            dialect = sniff(path, replace(settings, header_row=dialect.header_record + 2))
        except InputRefused:
            return first
    return dialect


def _from_further_on(path: Path, dialect: Dialect) -> list[list[str]]:
    """Sound records from places spread over the rest of a long text file, which may be sorted by unit or channel."""
    if dialect.format != "csv" or dialect.packed or dialect.encoding.startswith("utf-16"):
        return []
    size, header = path.stat().st_size, list(dialect.columns)
    found: list[list[str]] = []
    with path.open("rb") as file:
        for block in range(1, _BLOCKS + 1):
            file.seek(size * block // (_BLOCKS + 1))
            lines = file.read(_BLOCK_BYTES).decode(dialect.encoding, "replace").splitlines(keepends=True)[1:-1]
            sound = (judged(record, header) for record in delimited(iter(lines), dialect.delimiter))
            found += [record.cells for record in sound if record.cells is not None]
    return found


def longer_look(samples: Sequence[FileSample], places: Sequence[int]) -> list[tuple[str, ...]]:
    """Cells at `places` of many more records than the samples hold, file by file, for the look at clocks."""
    found = (
        tuple(record.cells[place].strip() for place in places)
        for sample in samples
        for record in records(sample.path, sample.dialect, sample.settings)
        if record.cells is not None and not record.fault
    )
    return list(islice(found, STAMPS))


def as_number(text: str, decimal: str) -> float | None:
    """The number that `text` writes, thousands grouped or not; null where it writes none.

    >>> as_number("1.234,5", ","), as_number("1,234.5", "."), as_number("12 A", ".")
    (1234.5, 1234.5, None)
    """
    pattern, group = (_PLAIN, ",") if decimal == "." else (_COMMA, ".")
    if not pattern.fullmatch(text) or not any(letter.isdigit() for letter in text):
        return None
    number = float(text.replace(group, "").replace(",", "."))
    return number if math.isfinite(number) else None


def _is_line_of_units(cells: Sequence[str]) -> bool:
    """Whether most cells with something in them are units of measure."""
    there = [normalised(cell) for cell in cells if cell.strip()]
    known = {spelling for quantity in quantities() for spelling in measures(quantity)}
    return len(there) > 1 and sum(cell in known and not cell.isdigit() for cell in there) > len(there) / 2


def _decimal(cells: Sequence[Sequence[str]], dialect: Dialect) -> str:
    """Comma where numbers with a decimal comma outnumber those with a point."""
    if dialect.format == "parquet":
        return "."
    texts = [text.strip() for row in cells[:2000] for text in row]
    commas = sum(_COMMA_DECIMAL.fullmatch(text) is not None for text in texts)
    return "," if commas > sum(_POINT_DECIMAL.fullmatch(text) is not None for text in texts) else "."


def _weather_format(path: Path, encoding: str) -> str | None:
    """ISD-Lite and TMY3 by their first lines, since their names do not tell them."""
    firsts = list(islice(text_lines(path, encoding), 3))
    if firsts and all(_ISD_LITE.fullmatch(line) for line in firsts):
        return "isd-lite"
    return "tmy3" if len(firsts) > 1 and _TMY3.match(firsts[1]) else None


def _formats_of_most(texts: Sequence[str]) -> list[str]:
    """The fewest formats found that between them read nine texts of ten; none where that takes more than three."""
    formats: list[str] = []
    left, unread, bearable = list(texts), 0, max(1, len(texts) // 10)
    while left and unread <= bearable and len(formats) < 3:
        fitting = formats_that_fit(left[:1])
        if not fitting:
            left, unread = left[1:], unread + 1
            continue
        best = max(fitting, key=lambda each: sum(reads(each, text) for text in left))
        formats.append(best)
        left = [text for text in left if not reads(best, text)]
    return formats if len(left) + unread <= bearable else []
