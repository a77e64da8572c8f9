"""Tables as files: the same rows as CSV and Parquet for programs, and as XLSX for spreadsheets.

A CSV holds every value as it is, because other programs join and check by it: an id that begins with `=` or `-`
stays that id. A spreadsheet would run such a cell as a formula, so what is meant for spreadsheets is the XLSX
beside it, whose text cells are typed as text and are never run.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import dataframely as dy
import polars as pl
import xlsxwriter

from lowambient.records import outputs
from lowambient.report import schemas

CSV_INSTANT = "%Y-%m-%dT%H:%M:%SZ"
XLSX_ROWS = 200_000  # above this a workbook takes minutes to write and to open; CSV and Parquet hold the whole
XLSX_CELL_CHARACTERS = 32_767  # limit of the format, ECMA-376
XLSX_BORN = datetime(2000, 1, 1, tzinfo=UTC)  # any fixed instant: equal content gives equal bytes


def as_written(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Frame of one table as it is written: checked, rounded to each column's digits, in the order of its grain.

    Numbers that are not finite become null. Closed vocabularies become text.

    Raises `dataframely.exc.ValidationError` for rows that break the schema, `ValueError` for a repeated key where
    part of the key may be null.
    """
    schema = schemas.ALL[table]
    finite = frame.with_columns(
        pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name)
        for name, kind in frame.schema.items()
        if kind.is_float()
    )
    checked = schema.validate(finite, cast=True).select(schema.column_names())
    keys = schemas.grain(table)
    written = pl.DataFrame(checked).with_columns(_as_written(name, column) for name, column in schema.columns().items())
    if written.select(keys).is_duplicated().any():
        raise ValueError(f"table {table} repeats a key of {', '.join(keys)}")
    return written.sort(keys)


def _as_written(name: str, column: dy.Column) -> pl.Expr:
    value = pl.col(name)
    if isinstance(column, dy.Float64):
        # Adding zero turns a rounded -0.0 into 0.0.
        return value.round((column.metadata or {}).get("digits", 3)) + 0.0
    if isinstance(column, dy.Enum):
        return value.cast(pl.String)
    return value


def empty(table: str) -> pl.DataFrame:
    """A table without rows."""
    return pl.DataFrame(schemas.ALL[table].create_empty())


def write_table(table: str, written: pl.DataFrame, folder: Path) -> list[Path]:
    """Write a table that `as_written` made as CSV, Parquet and, up to `XLSX_ROWS` rows, XLSX.

    Equal rows give equal bytes.
    """
    csv, parquet, workbook = (folder / f"{table}.{suffix}" for suffix in ("csv", "parquet", "xlsx"))
    written.write_csv(csv, datetime_format=CSV_INSTANT)
    written.write_parquet(parquet, compression="zstd", statistics=True)
    if written.height > XLSX_ROWS:
        workbook.unlink(missing_ok=True)
        return [csv, parquet]
    _write_workbook(table, written, workbook)
    return [csv, parquet, workbook]


def write_tables(frames: Mapping[str, pl.DataFrame], folder: Path) -> list[Path]:
    """Write the tables of the output contract, and the working tables that pages show, under `folder`.

    A table that is not among `frames` is written without rows. Raises as `as_written` does.
    """
    folder.mkdir(parents=True, exist_ok=True)
    return [
        path
        for table in (*outputs.TABLES, *schemas.WORKING)
        for path in write_table(table, as_written(table, frames.get(table, empty(table))), folder)
    ]


def _write_workbook(table: str, written: pl.DataFrame, path: Path) -> None:
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"created": XLSX_BORN})
        sheet = book.add_worksheet(table[:31])
        head = book.add_format({"bold": True})
        instant = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        sheet.freeze_panes(1, 0)
        for at, name in enumerate(written.columns):
            sheet.write_string(0, at, name, head)
            sheet.set_column(at, at, max(12, len(name) + 2))
        for line, row in enumerate(written.iter_rows(), start=1):
            for at, value in enumerate(row):
                _write_cell(sheet, line, at, value, instant)


def _write_cell(sheet: Any, line: int, at: int, value: Any, instant: Any) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_boolean(line, at, value)
    elif isinstance(value, (int, float)):
        sheet.write_number(line, at, value)
    elif isinstance(value, datetime):
        sheet.write_datetime(line, at, value.replace(tzinfo=None), instant)
    else:
        sheet.write_string(line, at, value[:XLSX_CELL_CHARACTERS])
