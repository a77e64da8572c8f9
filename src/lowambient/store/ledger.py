"""What the store notes of each file: what it was read under, what was refused and why, and remarks for people."""

import hashlib
from collections.abc import Iterator

import duckdb
import polars as pl

from lowambient.errors import InputRefused
from lowambient.intake.plan import ReadPlan
from lowambient.intake.weather_files import station_header
from lowambient.profile import source_digest
from lowambient.store import queries, staging
from lowambient.store.places import MATCHED, Surroundings
from lowambient.store.staging import Read

INTAKE_VERSION = "1"
TABLES = (
    "files",
    "file_notes",
    "file_ids",
    "refused_records",
    "repeated_records",
    "set_aside_cells",
    "header_stations",
    "resolved_records",
)
FEW = 3


def standing_no(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> int | None:
    """Number under which the file stands in the store, whatever it was read under; null where it does not."""
    found = con.execute("select file_no from files where source = ? and target = ?", [plan.source, plan.target])
    row = found.fetchone()
    return None if row is None else int(row[0])


def stands(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> bool:
    """Whether the file stands as it is now: the same bytes, settings, intake and surroundings."""
    row = con.execute(
        "select file_no, digest, settings_digest, context_digest from files where source = ? and target = ?",
        [plan.source, plan.target],
    ).fetchone()
    if row is None or row[1:3] != (plan.shape.digest, settings_digest(plan)):
        return False
    written = con.execute("select written from file_ids where file_no = ? order by written", [row[0]]).fetchall()
    return bool(row[3] == context_digest(around.look_up(plan.target, [each[0] for each in written])))


def reorder(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> bool:
    """Keeps the file's place among the files; true where it moved and that matters."""
    moved = con.execute(
        "update files set file_order = $order, replaces = $replaces where source = $source and target = $target"
        " and (file_order, replaces) <> ($order, $replaces) returning 1",
        {
            "order": plan.order,
            "replaces": plan.settings.replaces,
            "source": plan.source,
            "target": plan.target,
        },
    ).fetchall()
    return bool(moved)


def settings_digest(plan: ReadPlan) -> str:
    """Digest of all that governs how the file is read, besides its own bytes and what surrounds it."""
    return f"{INTAKE_VERSION}-{source_digest(plan.settings)}"


def context_digest(places: pl.DataFrame) -> str:
    """Digest of what the ids of a file were taken to mean, with their sites' facts."""
    text = places.sort("written").write_csv(float_precision=6)
    return hashlib.sha256(text.encode()).hexdigest()


def forget(con: duckdb.DuckDBPyConnection, target: str, file_no: int) -> None:
    """Takes out all that a file gave."""
    for table in (f"raw_{target}", *TABLES):
        con.execute(f"delete from {table} where file_no = {file_no:d}")


def note_file(con: duckdb.DuckDBPyConnection, plan: ReadPlan, read: Read, file_no: int) -> None:
    """Writes down a file that was just worked out in temporary tables.

    Raises InputRefused where it changed meanwhile.
    """
    _note_refused(con, plan, read, file_no)
    _note_ids(con, plan, file_no)
    con.execute(
        queries.text("staging", "note_file"),
        {
            "file_no": file_no,
            "file_order": plan.order,
            "source": plan.source,
            "target": plan.target,
            "digest": plan.shape.digest,
            "settings_digest": settings_digest(plan),
            "context_digest": context_digest(con.sql("from places").pl()),
            "replaces": plan.settings.replaces,
            "by_line": read.by_line,
            "rows_read": read.records,
        },
    )
    for note in _notes(con, plan):
        con.execute("insert into file_notes values (?, ?)", [file_no, note])
    _note_station(con, plan, file_no)
    _refuse_changed(plan)


def _note_refused(con: duckdb.DuckDBPyConnection, plan: ReadPlan, read: Read, file_no: int) -> None:
    staging.put_lines(con, plan, read.by_line, "select record from refused union all select record from aside")
    con.execute(queries.filled("staging", "write_refused", file_no=str(file_no)))


def _note_ids(con: duckdb.DuckDBPyConnection, plan: ReadPlan, file_no: int) -> None:
    name = MATCHED.get(plan.target)
    if plan.is_long:
        spelled = f"(from spellings where not regexp_full_match(coalesce(trim(unit_text), ''), {staging.TOTALS_SQL}))"
        parts = {"relation": spelled, "id_text": "cell_text(texts.unit_text)", "records": "sum(texts.n)"}
    elif name is not None:
        parts = {"relation": "texts", "id_text": f"cell_text(texts.{name})", "records": "count(*)"}
    else:
        return
    con.execute(queries.filled("staging", "note_ids", file_no=str(file_no), **parts))


def _note_station(con: duckdb.DuckDBPyConnection, plan: ReadPlan, file_no: int) -> None:
    header = station_header(plan.path, plan.dialect)
    if header is not None:
        con.execute(
            "insert into header_stations values (?, ?, ?, ?, ?, ?)",
            [file_no, header.station_id, header.name, header.latitude, header.longitude, header.elevation_m],
        )


def _refuse_changed(plan: ReadPlan) -> None:
    try:
        stat = plan.path.stat()
    except OSError as error:
        raise InputRefused(f"{plan.path} is gone: it was there when loading began") from error
    if (stat.st_size, stat.st_mtime_ns) != (plan.shape.size, plan.shape.modified_ns):
        raise InputRefused(f"{plan.path} changed while it was read: wait until it is written whole, then load again")


def _notes(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> Iterator[str]:
    if plan.dialect.encoding_proposed:
        yield f"read as {plan.dialect.encoding}, which the profile does not say"
    if plan.time_zone_assumed and any(column.kind == "instant" for column in plan.columns):
        zone = "each site's local time" if plan.time_zone == "site" else plan.time_zone
        yield f"no time zone is declared: {zone} is assumed"
    for name in plan.absent:
        yield f"column {plan.settings.columns[name].column!r} is not in the file: {name} is left empty"
    if plan.target in ("readings", "weather"):
        yield from _clock_notes(con)
    if not plan.is_long:
        doubtful = "from doubtful_times where records > 0 order by column_name"
        for name, records in con.execute(doubtful).fetchall():
            times = "1 time lies" if records == 1 else f"{records} times lie"
            yield f"{name}: {times} in an hour that the clocks showed twice; the first is taken"
    if plan.target == "units":
        for (reason,) in con.execute("select reason from places where meant is null order by written").fetchall():
            yield f"{reason}: its units are kept without time zone, elevation and weather"


def _clock_notes(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    skipped = con.execute(
        "select count(*) from refused where contains(reason, 'an hour that the clocks skipped')"
    ).fetchall()[0][0]
    if skipped > FEW:
        yield (
            f"{skipped} times cannot be read; where they lie in the hour that daylight saving skips, the file is in"
            " standard time or UTC: say so in time_zone"
        )
