"""A file's cells as text in a temporary table, one row a record; `rowid` is the record's place, from 0.

Large plain files go through DuckDB's own reader; whatever that reader does not take exactly as it is goes through
the careful reader, record by record.
"""

from collections.abc import Iterator, Sequence
from itertools import islice

import duckdb
import polars as pl

from lowambient.intake import dialect as dialects
from lowambient.intake.plan import ReadPlan
from lowambient.intake.source_records import records
from lowambient.store import queries
from lowambient.store.frames import lent

BATCH = 50_000
LINES = {"record": pl.Int64, "line": pl.Int64, "row": pl.String}


def staged_cells(plan: ReadPlan) -> list[int]:
    """Places of the cells that the plan needs, in order, each once."""
    return sorted({column.cell for column in plan.columns if column.cell is not None})


def stage(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> int:
    """Fills the temporary table `staged` (`fault`, `c0`, `c7`, ...); returns the number of records."""
    if not _stage_fast(con, plan):
        _stage_carefully(con, plan)
    found = con.execute("select count(*) from staged").fetchone()
    return int(found[0]) if found else 0


def _stage_fast(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> bool:
    source = fast_source(plan)
    if source is None:
        return False
    cells = "".join(f", c{cell}" for cell in staged_cells(plan))
    try:
        con.execute(f"create or replace temp table staged as select null::varchar as fault{cells} from {source}")
    except (duckdb.InvalidInputException, duckdb.ConversionException, duckdb.NotImplementedException):
        return False
    found = con.execute("select count(*) from staged").fetchone()
    return found is not None and is_whole(plan, found[0])


def is_whole(plan: ReadPlan, count: int) -> bool:
    """Whether DuckDB's reader gave as many records as a file without quotes has lines below its header."""
    if plan.dialect.format == "parquet" or plan.shape.quotes:
        return count >= 0
    return count == plan.shape.lines - plan.dialect.header_line


def fast_source(plan: ReadPlan) -> str | None:
    """The file as a relation of text columns `c0`, `c1`, ... for DuckDB's reader; null where it is not fit for it."""
    if plan.dialect.format == "parquet":
        names = ", ".join(
            f'cast("{plan.dialect.columns[cell].replace(chr(34), chr(34) * 2)}" as varchar) as c{cell}'
            for cell in staged_cells(plan)
        )
        return f"(select {names} from read_parquet({queries.quoted(str(plan.path))}))"
    plain = plan.dialect.format == "csv" and plan.dialect.encoding in ("utf-8", "utf-8-sig")
    if not plain or not plan.shape.utf8 or plan.shape.nuls or plan.target not in ("readings", "weather"):
        return None
    quotes = "'\"'" if plan.shape.quotes else "''"
    return queries.filled(
        "staging",
        "fast_source",
        path=queries.quoted(str(plan.path)),
        delimiter=queries.quoted(plan.dialect.delimiter),
        quote=quotes,
        skipped=str(plan.dialect.header_line),
        parallel="false" if plan.shape.quotes else "true",
        compression="'gzip'" if plan.dialect.packed else "'none'",
        columns=", ".join(f"'c{place}': 'varchar'" for place in range(len(plan.dialect.columns))),
    )


def _stage_carefully(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    cells = staged_cells(plan)
    columns = "".join(f", c{cell} varchar" for cell in cells)
    con.execute(f"create or replace temp table staged (fault varchar{columns})")
    found = records(plan.path, plan.dialect, plan.settings)
    schema = {"fault": pl.String, **{f"c{cell}": pl.String for cell in cells}}
    while batch := list(islice(found, BATCH)):
        rows = [
            (record.fault, *(record.cells[cell] for cell in cells))
            if record.cells is not None
            else (record.fault, *(None for _ in cells))
            for record in batch
        ]
        with lent(con, batch_of_cells=pl.DataFrame(rows, schema=schema, orient="row")):
            con.execute("insert into staged from batch_of_cells")


def texts_of(plan: ReadPlan, wanted: Sequence[int]) -> Iterator[tuple[int, int, str]]:
    """Record, line and text as it was, for each wanted record (ascending places)."""
    if not wanted:
        return
    places = iter(wanted)
    sought = next(places)
    source = _plain_lines(plan) if _is_plain(plan) else _careful_lines(plan)
    for place, (line, raw) in enumerate(source):
        if place == sought:
            yield place, line, raw
            try:
                sought = next(places)
            except StopIteration:
                return


def _is_plain(plan: ReadPlan) -> bool:
    return plan.dialect.format == "csv" and fast_source(plan) is not None and not plan.shape.quotes


def _plain_lines(plan: ReadPlan) -> Iterator[tuple[int, str]]:
    with dialects.open_bytes(plan.path) as file:
        for line, raw in enumerate(file, 1):
            if line > plan.dialect.header_line and raw.strip(b"\r\n"):
                yield line, raw.rstrip(b"\r\n").decode("utf-8", "backslashreplace")


def _careful_lines(plan: ReadPlan) -> Iterator[tuple[int, str]]:
    for record in records(plan.path, plan.dialect, plan.settings):
        yield record.line, record.raw
