"""Any file -> its dialect and its records: delimited text, JSON lines, spreadsheet, Parquet, weather files.

The careful reader: nothing is dropped; a record that cannot be read comes with its line, its text and the reason.
"""

import json
import re
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from lowambient.errors import InputRefused
from lowambient.intake import dialect as dialects
from lowambient.intake.delimited import Record, delimited, judged, shown
from lowambient.intake.dialect import Dialect, Fingerprint
from lowambient.intake.weather_files import FIXED_FORMATS, fixed_records
from lowambient.profile import SourceProfile

JSON_LOOK = 200
_LINE_END = re.compile(r"\r\n|\n|\r")


def sniff(path: Path, source: SourceProfile | None = None, shape: Fingerprint | None = None) -> Dialect:
    """Finds how the file is written; the source's part of the profile is held to where it says so.

    Raises InputRefused for a file that is missing, empty, binary, or has none of the mapped columns.
    """
    source = source or SourceProfile("source", "calls", (str(path),))
    dialects.check_is_file(path)
    start = dialects.head(path)
    format_ = dialects.format_of(path, start, source.format)
    packed = dialects.is_packed(path)
    if format_ not in dialects.TEXT_FORMATS:
        return _typed_dialect(path, format_, packed, source)
    encoding, proposed = dialects.encoding_of(start, shape, source.encoding)
    dialects.refuse_binary(path, start, encoding)
    if format_ in FIXED_FORMATS:
        return Dialect(format_, packed, encoding, proposed, "", -1, 0, FIXED_FORMATS[format_])
    if format_ == "jsonl":
        names = _json_columns(path, encoding, wanted_columns(source))
        return Dialect(format_, packed, encoding, proposed, "", -1, 0, names)
    lines = list(islice(dialects.text_lines(path, encoding), 400))
    delimiter = source.delimiter or dialects.delimiter_of(lines[:200])
    header, columns = _header(path, source, list(delimited(iter(lines), delimiter)))
    last_line = header.line + len(_LINE_END.findall(header.raw))
    return Dialect(format_, packed, encoding, proposed, delimiter, header.line - 1, last_line, columns)


def _header(path: Path, source: SourceProfile, found: list[Record]) -> tuple[Record, tuple[str, ...]]:
    """The header: the record at the declared line or the next below it, else the one that holds the mapped names."""
    firsts = [record for record in found if record.cells is not None]
    if not firsts:
        raise InputRefused(f"{path} has no record that can be read: look at its quotes and encoding")
    wanted = wanted_columns(source)
    if source.header_row:
        place = next((at for at, record in enumerate(firsts) if record.line >= source.header_row), -1)
    else:
        place = dialects.header_place([record.cells or [] for record in firsts], wanted)
    if place < 0:
        seen = ", ".join(cell.strip() for cell in (firsts[0].cells or [])[:12])
        raise InputRefused(
            f"{path} has none of the columns that {source.key} names ({', '.join(wanted[:6])}, ...);"
            f" its first record is: {seen}"
        )
    return firsts[place], tuple(cell.strip() for cell in firsts[place].cells or [])


def wanted_columns(source: SourceProfile) -> list[str]:
    """Columns of the file that the profile names."""
    return [each.column for each in source.columns.values()]


def _typed_dialect(path: Path, format_: str, packed: bool, source: SourceProfile) -> Dialect:
    if packed:
        raise InputRefused(f"{path} is a packed {format_} file: unpack it first")
    if format_ == "parquet":
        columns = tuple(_parquet_schema(path))
        return Dialect(format_, False, "", False, "", -1, 0, columns)
    rows = islice(_sheet_rows(path, source.sheet), dialects.HEADER_WITHIN)
    header, columns = _header(path, source, [Record(line, "", row) for line, row in enumerate(rows, 1)])
    return Dialect(format_, False, "", False, "", header.line - 1, header.line, columns)


def _parquet_schema(path: Path) -> pl.Schema:
    try:
        return pl.scan_parquet(path, glob=False).collect_schema()
    except (pl.exceptions.PolarsError, OSError) as error:
        raise InputRefused(f"{path} is not a readable Parquet file ({error})") from error


def _sheet_rows(path: Path, sheet: str | None) -> Iterator[list[str]]:
    """Rows of a sheet as texts, from its first row; dates come as ISO text."""
    try:
        import fastexcel

        book = fastexcel.read_excel(path)
        name: str | int = sheet if sheet is not None else 0
        if sheet is not None and sheet not in book.sheet_names:
            raise InputRefused(f"{path} has no sheet {sheet!r}; it has {', '.join(book.sheet_names)}")
        frame = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_polars()
    except InputRefused:
        raise
    except Exception as error:
        raise InputRefused(f"{path} is not a readable spreadsheet ({str(error).splitlines()[0]})") from error
    for row in frame.fill_null("").iter_rows():
        yield list(row)


def _json_columns(path: Path, encoding: str, wanted: list[str]) -> tuple[str, ...]:
    """Names in the first objects; where a wanted one is not among them, all are looked through."""
    names: dict[str, None] = {}
    forms = {dialects.name_form(name) for name in wanted}
    for place, line in enumerate(dialects.text_lines(path, encoding)):
        if place >= JSON_LOOK and forms <= {dialects.name_form(name) for name in names}:
            break
        try:
            value = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(value, dict):
            names.update(dict.fromkeys(value))
    if not names:
        raise InputRefused(f"{path} holds no JSON objects, one a line (JSON lines): export it so, or as CSV")
    return tuple(names)


def records(path: Path, dialect: Dialect, source: SourceProfile) -> Iterator[Record]:
    """Records after the header, in file order, each as wide as the header or with a fault."""
    match dialect.format:
        case "csv":
            yield from _csv_records(path, dialect)
        case "jsonl":
            yield from _json_records(path, dialect)
        case "xlsx":
            yield from _sheet_records(path, dialect, source.sheet)
        case "parquet":
            yield from _parquet_records(path)
        case _:
            yield from fixed_records(path, dialect)


def _csv_records(path: Path, dialect: Dialect) -> Iterator[Record]:
    lines = dialects.text_lines(path, dialect.encoding)
    exact = dialect.encoding.startswith(("utf-16", "utf-8"))
    for record in _after_header(delimited(lines, dialect.delimiter, len(dialect.columns)), dialect):
        if not record.raw.isascii() and not _decodes(record.raw):
            yield Record(record.line, shown(record.raw), None, _undecodable(dialect.encoding, exact))
        else:
            yield record


def _after_header(found: Iterator[Record], dialect: Dialect) -> Iterator[Record]:
    header = list(dialect.columns)
    for record in found:
        if record.line > dialect.header_line:
            yield judged(record, header)


def _decodes(raw: str) -> bool:
    try:
        raw.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _undecodable(encoding: str, exact: bool) -> str:
    advice = "" if exact else "; another `encoding` may be right"
    return f"bytes that are not {encoding}{advice}"


def _json_records(path: Path, dialect: Dialect) -> Iterator[Record]:
    for place, line in enumerate(dialects.text_lines(path, dialect.encoding), 1):
        raw = line.rstrip("\r\n")
        if not raw.strip():
            continue
        try:
            value = json.loads(raw)
        except (ValueError, RecursionError) as error:
            yield Record(place, shown(raw), None, f"not JSON ({error})")
            continue
        cells = [_json_text(value.get(name)) for name in dialect.columns] if isinstance(value, dict) else []
        if not _decodes(raw) or not all(map(_decodes, cells)):
            yield Record(place, shown(raw), None, _undecodable(dialect.encoding, True))
        elif isinstance(value, dict):
            yield Record(place, raw, cells)
        else:
            yield Record(place, raw, None, "not a JSON object")


def _json_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else json.dumps(value)


def _sheet_records(path: Path, dialect: Dialect, sheet: str | None) -> Iterator[Record]:
    header = list(dialect.columns)
    for line, cells in enumerate(_sheet_rows(path, sheet), 1):
        if line > dialect.header_line and any(cell.strip() for cell in cells):
            yield judged(Record(line, json.dumps(cells, ensure_ascii=False), cells), header)


def _parquet_records(path: Path) -> Iterator[Record]:
    line = 0
    for frame in pl.scan_parquet(path, glob=False).collect_batches(chunk_size=50_000):
        texts = frame.select(parquet_text(name, kind) for name, kind in frame.schema.items())
        for row in texts.iter_rows():
            line += 1
            cells = ["" if cell is None else cell for cell in row]
            yield Record(line, json.dumps(row, ensure_ascii=False), cells)


def parquet_text(name: str, kind: pl.DataType) -> pl.Expr:
    """A typed column as text that reads back without loss; instants with a zone come as UTC with `Z`."""
    column = pl.col(name)
    if isinstance(kind, pl.Datetime):
        if kind.time_zone:
            return column.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
        return column.dt.strftime("%Y-%m-%d %H:%M:%S%.6f")
    return column.cast(pl.String)
