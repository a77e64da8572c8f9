"""Read plans carried out: each file is one transaction, then files are held against each other."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Protocol

import duckdb
import polars as pl

from lowambient.errors import InputRefused
from lowambient.intake.plan import ReadPlan, find_files, plan_file, source_name
from lowambient.intake.weather_files import station_header
from lowambient.profile import Profile, source_digest
from lowambient.store import long_readings, queries, resolving, rows, staging
from lowambient.store.database import Store, translated
from lowambient.store.frames import lent
from lowambient.store.places import MATCHED, Surroundings

INTAKE_VERSION = "1"
WORKING_TABLES = (
    "staged",
    "texts",
    "typed",
    "grouped",
    "timed",
    "mended",
    "suspects",
    "suspect_cells",
    "suspect_values",
)
ORDER = ("sites", "stations", "aliases", "units", "calls", "readings", "weather", "checks")


class Progress(Protocol):
    """Told of each step of a long piece of work."""

    def step(self, text: str, done: int, total: int) -> None:
        """`done` of `total` pieces are through; `text` names the one at hand."""


@dataclass(frozen=True)
class Loaded:
    """What a load did: files read afresh, files that stood already, and files taken out."""

    fresh: tuple[str, ...]
    unchanged: tuple[str, ...]
    removed: tuple[str, ...]


def plan_all(profile: Profile) -> list[ReadPlan]:
    """The read plans of all files of a profile, in the order in which they are loaded.

    Raises InputRefused with every file that cannot be read at all.
    """
    plans, problems = [], []
    order = 0
    seen: dict[str, str] = {}
    for source in profile.sources:
        try:
            paths = find_files(profile, source)
        except InputRefused as error:
            problems.append(str(error))
            continue
        for path in paths:
            order += 1
            name = f"{source_name(profile, path)} for {source.table}"
            if name in seen:
                problems.append(f"{name} is named by {seen[name]} and by {source.key}: keep one")
                continue
            seen[name] = source.key
            try:
                plans.append(plan_file(profile, source, path, order))
            except InputRefused as error:
                problems.append(str(error))
    if problems:
        raise InputRefused("\n".join(problems))
    return sorted(plans, key=lambda plan: (ORDER.index(plan.target), plan.source))


def load_all(store: Store, profile: Profile, progress: Progress | None = None) -> Loaded:
    """Brings the store to what the profile's files hold now.

    A file that stands already under the same bytes, settings and surroundings is not read again. A load that dies
    keeps the files that were through.
    """
    plans = plan_all(profile)
    removed = _remove_unnamed(store, plans)
    fresh: list[str] = []
    unchanged: list[str] = []
    done = 0
    for target in ORDER:
        around = Surroundings.of(store.connection, profile.time_zone)
        chosen = [plan for plan in plans if plan.target == target]
        changed = any(each_target == target for _, each_target in removed)
        for plan in chosen:
            if progress is not None:
                progress.step(plan.source, done, len(plans))
            done += 1
            if _stands(store, plan, around):
                unchanged.append(plan.source)
                changed |= _reorder(store, plan)
            else:
                _load_file(store, plan, around)
                fresh.append(plan.source)
                changed = True
        if changed or not resolving.is_resolved(store, target):
            resolving.resolve(store, target, chosen, around)
    if progress is not None:
        progress.step("", done, len(plans))
    store.checkpoint()
    return Loaded(tuple(fresh), tuple(unchanged), tuple(source for source, _ in removed))


def _remove_unnamed(store: Store, plans: Sequence[ReadPlan]) -> list[tuple[str, str]]:
    named = {(plan.source, plan.target) for plan in plans}
    standing = store.connection.execute("select source, target, file_no from files order by all").fetchall()
    gone = [(source, target, file_no) for source, target, file_no in standing if (source, target) not in named]
    for _, target, file_no in gone:
        with store.transaction():
            _forget(store, target, file_no)
    return [(source, target) for source, target, _ in gone]


def _forget(store: Store, target: str, file_no: int) -> None:
    for table in (
        f"raw_{target}",
        "files",
        "file_notes",
        "file_ids",
        "refused_records",
        "repeated_records",
        "set_aside_cells",
        "header_stations",
    ):
        store.connection.execute(f"delete from {table} where file_no = {file_no:d}")
    resolving.mark_unresolved(store, target)


def _stands(store: Store, plan: ReadPlan, around: Surroundings) -> bool:
    row = store.connection.execute(
        "select file_no, digest, settings_digest, context_digest from files where source = ? and target = ?",
        [plan.source, plan.target],
    ).fetchone()
    if row is None or row[1:3] != (plan.shape.digest, settings_digest(plan)):
        return False
    written = store.connection.execute(
        "select written from file_ids where file_no = ? order by written", [row[0]]
    ).fetchall()
    return bool(row[3] == context_digest(around.look_up(plan.target, [each[0] for each in written])))


def _reorder(store: Store, plan: ReadPlan) -> bool:
    """Keeps the file's place among the files; true where it moved and that matters."""
    moved = store.connection.execute(
        "update files set file_order = ?, replaces = ? where source = ? and target = ?"
        " and (file_order, replaces) <> (?, ?) returning 1",
        [plan.order, plan.settings.replaces, plan.source, plan.target, plan.order, plan.settings.replaces],
    ).fetchall()
    return bool(moved)


def settings_digest(plan: ReadPlan) -> str:
    """Digest of all that governs how the file is read, besides its own bytes and what surrounds it."""
    return f"{INTAKE_VERSION}-{source_digest(plan.settings)}"


def context_digest(places: pl.DataFrame) -> str:
    """Digest of what the ids of a file were taken to mean, with their sites' facts."""
    text = places.sort("written").write_csv(float_precision=6)
    return hashlib.sha256(text.encode()).hexdigest()


def _load_file(store: Store, plan: ReadPlan, around: Surroundings) -> None:
    """Works one file out in temporary tables, then writes it in one transaction."""
    con = store.connection
    with translated(store.path):
        count = long_readings.prepare(con, plan, around) if plan.is_long else _prepare_rows(con, plan, around)
    with store.transaction():
        _forget_old(store, plan)
        file_no = con.execute("select coalesce(max(file_no), 0) + 1 from files").fetchall()[0][0]
        (long_readings if plan.is_long else rows).keep(con, plan, file_no)
        _write_refused(store, plan, file_no)
        _write_counts(store, plan, file_no, count)
        _write_notes(store, plan, file_no)
        _refuse_changed(plan)
        resolving.mark_unresolved(store, plan.target)
    for table in WORKING_TABLES:
        con.execute(f"drop table if exists {table}")


def _forget_old(store: Store, plan: ReadPlan) -> None:
    old = store.connection.execute(
        "select file_no from files where source = ? and target = ?", [plan.source, plan.target]
    ).fetchone()
    if old is not None:
        _forget(store, plan.target, old[0])


def _prepare_rows(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> int:
    """Works a file out in `typed`, `refused`, `repeats` and `aside`; returns its records."""
    count = staging.stage(con, plan)
    rows.make_texts(con, plan)
    rows.make_places(con, plan, around)
    rows.make_typed(con, plan)
    rows.part_false_orders(con, plan)
    rows.refuse(con, plan)
    if plan.target == "weather":
        rows.refuse_farther_hours(con, plan)
    rows.refuse_doubles(con, plan)
    rows.set_aside(con, plan)
    return count


def _refuse_changed(plan: ReadPlan) -> None:
    stat = plan.path.stat()
    if (stat.st_size, stat.st_mtime_ns) != (plan.shape.size, plan.shape.modified_ns):
        raise InputRefused(f"{plan.path} changed while it was read: wait until it is written whole, then load again")


def _write_refused(store: Store, plan: ReadPlan, file_no: int) -> None:
    con = store.connection
    con.execute(
        "create temp table if not exists aside (record bigint, column_name varchar, written varchar, reason varchar)"
    )
    wanted = con.execute("select record from refused union select record from aside order by record").fetchnumpy()[
        "record"
    ]
    found = staging.texts_of(plan, wanted.tolist())
    while batch := list(islice(found, staging.BATCH)):
        with lent(con, lines=pl.DataFrame(batch, schema=staging.LINES, orient="row")):
            con.execute(queries.filled("staging", "write_refused", file_no=str(file_no)))
    con.execute(f"insert into repeated_records select {file_no:d}, record, repeats from repeats order by record")
    con.execute("drop table aside")


def _write_counts(store: Store, plan: ReadPlan, file_no: int, count: int) -> None:
    con = store.connection
    ids = "unit_text" if plan.is_long else MATCHED.get(plan.target)
    if ids is not None:
        relation, records = ("grouped", "sum(n)::bigint") if plan.is_long else ("texts", "count(*)")
        con.execute(
            f"insert into file_ids select {file_no:d}, places.written, places.meant, places.nearest, {records}"
            f" from {relation} as texts inner join places on places.written = texts.{ids}"
            " group by all order by places.written"
        )
    context = context_digest(con.sql("from places").pl())
    con.execute(
        "insert into files select ?, ?, ?, ?, ?, ?, ?, ?, ?,"
        " (select count(*) from refused), (select count(*) from repeats)",
        [
            file_no,
            plan.order,
            plan.source,
            plan.target,
            plan.shape.digest,
            settings_digest(plan),
            context,
            plan.settings.replaces,
            count,
        ],
    )


def _write_notes(store: Store, plan: ReadPlan, file_no: int) -> None:
    for note in _notes(store, plan):
        store.connection.execute("insert into file_notes values (?, ?)", [file_no, note])
    header = station_header(plan.path, plan.dialect)
    if header is not None:
        resolving.put_station(store, file_no, header)


def _notes(store: Store, plan: ReadPlan) -> Iterator[str]:
    if plan.dialect.encoding_proposed:
        yield f"read as {plan.dialect.encoding}, which the profile does not say"
    if plan.time_zone_assumed and any(column.kind == "instant" for column in plan.columns):
        zone = "each site's local time" if plan.time_zone == "site" else plan.time_zone
        yield f"no time zone is declared: {zone} is assumed"
    for name in plan.absent:
        yield f"column {plan.settings.columns[name].column!r} is not in the file: {name} is left empty"
    skipped = store.connection.execute(
        "select count(*) from refused where reason like '%an hour that the clocks skipped%'"
    ).fetchall()[0][0]
    if skipped > 3 and plan.target in ("readings", "weather"):
        yield (
            f"{skipped} times cannot be read; where they lie in the hour that daylight saving skips, the file is in"
            " standard time or UTC: say so in time_zone"
        )
    if plan.target in MATCHED:
        yield from _place_notes(store, plan)


def _place_notes(store: Store, plan: ReadPlan) -> Iterator[str]:
    if plan.target == "units":
        for (reason,) in store.connection.execute(
            "select reason from places where meant is null order by written"
        ).fetchall():
            yield f"{reason}: its units are kept without time zone, elevation and weather"
