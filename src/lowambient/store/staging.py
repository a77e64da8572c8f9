"""A file's cells as text: read straight by DuckDB, or record by record into a temporary table.

Plain delimited files and Parquet go through DuckDB's own reader; whatever that reader does not take exactly as it is
goes through the careful reader. A record's place counts from 0 after the header.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import duckdb
import polars as pl

from lowambient.intake import dialect as dialects
from lowambient.intake.delimited import TOTALS
from lowambient.intake.plan import ReadPlan
from lowambient.intake.source_records import records
from lowambient.store import queries
from lowambient.store.frames import lent
from lowambient.store.queries import quoted

BATCH = 50_000
LINES = {"record": pl.Int64, "line": pl.Int64, "row": pl.String}
NOT_TAKEN = (duckdb.InvalidInputException, duckdb.ConversionException, duckdb.NotImplementedException)
"""What DuckDB's reader raises for a file that it does not take."""


TOTALS_SQL = quoted(f"(?i){TOTALS.pattern}")
"""The first cell of a totals line, as a pattern of DuckDB's."""


@dataclass(frozen=True)
class Read:
    """How a file was read: its records, and whether each line below the header is one, so that it can be reckoned."""

    records: int
    by_line: bool


def literal_path(path: Path) -> str:
    """The path as DuckDB takes it: letters that would be a pattern stand in brackets."""
    return re.sub(r"[*?\[]", lambda mark: f"[{mark[0]}]", str(path))


def staged_cells(plan: ReadPlan) -> list[int]:
    """Places of the cells that the plan needs, in order, each once."""
    return sorted({column.cell for column in plan.columns if column.cell is not None})


def stage(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> Read:
    """Fills the temporary table `staged` (`fault`, `c0`, `c7`, ...), one row a record.

    The table's `rowid` is the record's place, which holds only outside a transaction.
    """
    fast = _stage_fast(con, plan)
    if not fast:
        stage_carefully(con, plan)
    count = int(con.execute("select count(*) from staged").fetchall()[0][0])
    return Read(count, fast and is_by_line(plan, count))


def _stage_fast(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> bool:
    source = fast_source(plan)
    if source is None:
        return False
    cells = "".join(f", c{cell}" for cell in staged_cells(plan))
    try:
        con.execute(queries.filled("staging", "staged_fast", fault=fault_sql(plan), cells=cells, source=source))
    except NOT_TAKEN:
        return False
    count, faults = con.execute("select count(*), count(fault) from staged").fetchall()[0]
    if faults:
        emptied = ", ".join(f"c{cell} = null" for cell in staged_cells(plan))
        con.execute(f"update staged set {emptied} where fault is not null")
    return is_whole(plan, count)


def is_whole(plan: ReadPlan, count: int) -> bool:
    """Whether DuckDB's reader gave a record for each line below the header that is not blank."""
    if count < 0 or plan.dialect.format == "parquet":
        return count >= 0
    missing = _lines_below(plan) - count
    return missing == 0 or (missing > 0 and missing == dialects.blank_lines(plan.path, plan.dialect.header_line))


def is_by_line(plan: ReadPlan, count: int) -> bool:
    """Whether each line below the header is one record, in a file that DuckDB's reader took whole."""
    return plan.dialect.format == "csv" and count == _lines_below(plan)


def _lines_below(plan: ReadPlan) -> int:
    return plan.shape.lines - plan.dialect.header_line


def fast_source(plan: ReadPlan) -> str | None:
    """The file as a relation of text columns `c0`, `c1`, ... for DuckDB's reader; null where it is not fit for it."""
    dialect, shape = plan.dialect, plan.shape
    if dialect.format == "parquet":
        names = [dialect.columns[cell].replace('"', '""') for cell in staged_cells(plan)]
        cells = ", ".join(
            f'cast("{name}" as varchar) as c{cell}' for name, cell in zip(names, staged_cells(plan), strict=True)
        )
        return f"(select {cells} from read_parquet({quoted(literal_path(plan.path))}))"
    plain = dialect.format == "csv" and dialect.encoding in ("utf-8", "utf-8-sig")
    if not plain or not shape.utf8 or shape.nuls or plan.target not in ("readings", "weather"):
        return None
    return queries.filled(
        "staging",
        "fast_source",
        path=quoted(literal_path(plan.path)),
        delimiter=quoted(dialect.delimiter),
        quote="'\"'" if shape.quotes else "''",
        skipped=str(dialect.header_line),
        parallel="false" if shape.quotes else "true",
        compression="'gzip'" if dialect.packed else "'none'",
        columns=", ".join(f"'c{place}': 'varchar'" for place in range(len(dialect.columns))),
    )


def fault_sql(plan: ReadPlan) -> str:
    """The fault of a record that DuckDB's reader took, as SQL: no cell has anything, a header, or totals."""
    if plan.dialect.format == "parquet":
        return "null::varchar"
    named = {f"c{place}": name for place, name in enumerate(plan.dialect.columns) if name}
    first, first_name = next(iter(named.items()))
    clock = next(column.cell for column in plan.columns if column.name in ("read_at", "hour"))
    return queries.filled(
        "staging",
        "fault",
        cells=", ".join(f"c{place}" for place in range(len(plan.dialect.columns))),
        first=first,
        first_name=quoted(first_name),
        clock="null" if clock is None else f"c{clock}",
        totals=TOTALS_SQL,
        header=" and ".join(f"cell_text({cell}) = {quoted(name)}" for cell, name in named.items()),
    )


def stage_carefully(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Fills `staged` record by record."""
    cells = staged_cells(plan)
    columns = "".join(f", c{cell} varchar" for cell in cells)
    con.execute(f"create or replace temp table staged (fault varchar{columns})")
    found = records(plan.path, plan.dialect, plan.settings)
    schema = {"fault": pl.String, **{f"c{cell}": pl.String for cell in cells}}
    nothing = (None,) * len(cells)
    while batch := list(islice(found, BATCH)):
        rows = [
            (record.fault, *(map(record.cells.__getitem__, cells) if record.cells is not None else nothing))
            for record in batch
        ]
        with lent(con, batch_of_cells=pl.DataFrame(rows, schema=schema, orient="row")):
            con.execute("insert into staged from batch_of_cells")


def put_lines(con: duckdb.DuckDBPyConnection, plan: ReadPlan, by_line: bool, wanted: str) -> None:
    """Temporary table `lines` (record, line, row): where each wanted record starts and its text as it was.

    `wanted` is a query for a column `record`. The file is passed over once more for them; where each line is one
    record (`by_line`), without looking into the others.
    """
    con.execute(queries.text("staging", "lines"))
    places = con.sql(f"select distinct record from ({wanted}) order by record").pl()["record"]
    found = _texts_of(plan, by_line, places)
    while batch := list(islice(found, BATCH)):
        with lent(con, batch_of_lines=pl.DataFrame(batch, schema=LINES, orient="row")):
            con.execute("insert into lines from batch_of_lines")


def _texts_of(plan: ReadPlan, by_line: bool, wanted: pl.Series) -> Iterator[tuple[int, int, str]]:
    """Record, line and text as it was, for each wanted record (ascending places)."""
    if wanted.is_empty():
        return
    if by_line:
        below = plan.dialect.header_line + 1
        lines = dialects.lines_at(plan.path, (place + below for place in wanted))
        for line, raw in lines:
            yield line - below, line, raw.decode("utf-8", "backslashreplace")
        return
    sought = iter(wanted)
    place = next(sought, None)
    for at, record in enumerate(records(plan.path, plan.dialect, plan.settings)):
        if at == place:
            yield at, record.line, record.raw
            place = next(sought, None)
            if place is None:
                return
