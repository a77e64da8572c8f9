"""Files held against each other: repeats, conflicts, and what a later export replaces.

What each file gives stays in the raw tables, so that the outcome depends on the files alone and not on the order in
which they came.
"""

from collections.abc import Sequence
from itertools import islice

import polars as pl

from lowambient.intake.plan import ReadPlan
from lowambient.intake.weather_files import StationHeader
from lowambient.records import inputs
from lowambient.store import long_readings, queries, staging
from lowambient.store.database import Store
from lowambient.store.frames import lent
from lowambient.store.places import Surroundings


def is_resolved(store: Store, target: str) -> bool:
    """Whether nothing has changed for the target since its files were last held against each other."""
    rows = store.connection.execute("from resolved_targets where target = ?", [target]).fetchall()
    return bool(rows)


def mark_unresolved(store: Store, target: str) -> None:
    """Notes that a file of the target came, changed or went."""
    store.connection.execute("delete from resolved_targets where target = ?", [target])


def put_station(store: Store, file_no: int, header: StationHeader) -> None:
    """Keeps the station that a weather file describes."""
    store.connection.execute(
        "insert into header_stations values (?, ?, ?, ?, ?, ?)",
        [file_no, header.station_id, header.name, header.latitude, header.longitude, header.elevation_m],
    )


def resolve(store: Store, target: str, plans: Sequence[ReadPlan], around: Surroundings) -> None:
    """Rebuilds one input table from what its files give; one transaction."""
    with store.transaction():
        if target == "readings":
            _resolve_readings(store, plans, around)
        else:
            _resolve_rows(store, target)
        _write_lines(store, target, plans)
        store.connection.execute("insert into resolved_targets values (?)", [target])


def _resolve_rows(store: Store, target: str) -> None:
    names = inputs.TABLES[target].column_names()
    store.connection.execute(
        queries.filled(
            "staging",
            "resolve_rows",
            target=target,
            table="listed_stations" if target == "stations" else f"in_{target}",
            key=", ".join(inputs.grain(target)),
            columns=", ".join(names),
            content=", ".join(f"raw.{name}" for name in names),
        )
    )


def _resolve_readings(store: Store, plans: Sequence[ReadPlan], around: Surroundings) -> None:
    channels = inputs.CHANNELS
    whole = "over (partition by raw.unit_id, raw.circuit, raw.read_at)"
    store.connection.execute(
        queries.filled(
            "staging",
            "resolve_readings",
            channels=", ".join(channels),
            differs=" or ".join(
                f"coalesce(min(raw.{name}) {whole} <> max(raw.{name}) {whole}, false)" for name in channels
            ),
            merged=", ".join(
                f"coalesce(arg_max({name}, file_order) filter (where {name} is not null), null) as {name}"
                for name in channels
            ),
            cells=" + ".join(f"cast({name} is not null as bigint)" for name in channels),
            new_cells=" + ".join(
                f"cast({name} is not null and count({name}) over earlier = 0 as bigint)" for name in channels
            ),
        )
    )
    _refuse_conflicts(store, plans, around)


def _refuse_conflicts(store: Store, plans: Sequence[ReadPlan], around: Surroundings) -> None:
    """Conflicting readings: a wide record is one row; a long file is read again to name its records."""
    con = store.connection
    con.execute(queries.text("staging", "wide_conflicts"))
    for plan in plans:
        if not plan.is_long:
            continue
        file_no = _file_no(store, plan)
        if con.execute("select 1 from conflicts where file_no = ? limit 1", [file_no]).fetchall():
            long_readings.name_conflicts(con, plan, around, file_no)


def _file_no(store: Store, plan: ReadPlan) -> int:
    found = store.connection.execute(
        "select file_no from files where source = ? and target = ?", [plan.source, plan.target]
    ).fetchall()
    return int(found[0][0])


def _write_lines(store: Store, target: str, plans: Sequence[ReadPlan]) -> None:
    """Line and text of each record that was refused or replaced."""
    con = store.connection
    for plan in plans:
        file_no = _file_no(store, plan)
        wanted = con.execute(
            "select record from resolved_records where file_no = ? and outcome <> 'repeated' order by record", [file_no]
        ).fetchall()
        found = staging.texts_of(plan, [row[0] for row in wanted])
        while batch := list(islice(found, staging.BATCH)):
            with lent(con, lines=pl.DataFrame(batch, schema=staging.LINES, orient="row")):
                con.execute(
                    "update resolved_records set line = lines.line, row = lines.row from lines"
                    f" where resolved_records.file_no = {file_no:d} and resolved_records.record = lines.record"
                )
