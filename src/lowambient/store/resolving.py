"""Files held against each other: repeats, conflicts, and what a later export replaces.

What each file gives stays in the raw tables, so that the outcome depends on the files alone and not on the order in
which they came.
"""

from collections.abc import Sequence

import duckdb

from lowambient.intake.plan import ReadPlan
from lowambient.records import inputs
from lowambient.store import long_channels, long_readings, queries, rows, staging
from lowambient.store.database import Store
from lowambient.store.failures import translated
from lowambient.store.places import Surroundings
from lowambient.store.queries import quoted

CONTESTED = "select record from resolved_records where file_no = {0} and outcome <> 'repeated' and line is null"


def is_resolved(store: Store, target: str) -> bool:
    """Whether nothing has changed for the target since its files were last held against each other."""
    return bool(store.connection.execute("from resolved_targets where target = ?", [target]).fetchall())


def mark_unresolved(store: Store, target: str) -> None:
    """Notes that a file of the target came, changed or went."""
    store.connection.execute("delete from resolved_targets where target = ?", [target])


def resolve(store: Store, target: str, plans: Sequence[ReadPlan], around: Surroundings) -> None:
    """Rebuilds one input table from what its files give: worked out first, then written in one transaction."""
    con = store.connection
    with translated(store.path):
        if target == "readings":
            _compare_readings(con, plans, around)
        else:
            _compare_rows(con, target)
    with store.transaction():
        con.execute(queries.filled("staging", "forget_resolved", target=target))
        if target == "readings":
            _write_readings(con)
        else:
            _write_rows(con, target)
        _write_lines(con, plans)
        con.execute("insert into resolved_targets values (?)", [target])


def _compare_rows(con: duckdb.DuckDBPyConnection, target: str) -> None:
    names = inputs.TABLES[target].column_names()
    con.execute(
        queries.filled(
            "staging",
            "resolve_rows",
            target=target,
            key=", ".join(rows.key_of(target)),
            content=", ".join(f"raw.{name}" for name in names),
        )
    )
    if target == "weather":
        con.execute(queries.text("staging", "nearer_hours"))


def _write_rows(con: duckdb.DuckDBPyConnection, target: str) -> None:
    con.execute(
        queries.filled(
            "staging",
            "write_rows",
            table="listed_stations" if target == "stations" else f"in_{target}",
            columns=", ".join(inputs.TABLES[target].column_names()),
            key=", ".join(inputs.grain(target)),
        )
    )


def _compare_readings(con: duckdb.DuckDBPyConnection, plans: Sequence[ReadPlan], around: Surroundings) -> None:
    con.execute(
        queries.filled(
            "staging",
            "resolve_readings",
            channels=", ".join(inputs.CHANNELS),
            numbered=", ".join(long_channels.numbered(name) for name in inputs.CHANNELS),
            merged=", ".join(
                f"max(value) filter (where channel = {quoted(name)}) as {name}" for name in inputs.CHANNELS
            ),
        )
    )
    files = {row[0] for row in con.execute("select distinct file_no from conflicts where record is null").fetchall()}
    for plan in plans:
        if files and (file_no := _standing(con, plan)[0]) in files:
            long_readings.name_conflicts(con, plan, around, file_no)


def _write_readings(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        queries.filled(
            "staging",
            "write_readings",
            channels=", ".join(inputs.CHANNELS),
            stored=", ".join(long_channels.stored(name) for name in inputs.CHANNELS),
        )
    )


def _standing(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> tuple[int, bool]:
    """Number of the file in the store, and whether each of its lines is one record."""
    found = con.execute(
        "select file_no, by_line from files where source = ? and target = ?", [plan.source, plan.target]
    ).fetchall()
    return int(found[0][0]), bool(found[0][1])


def _write_lines(con: duckdb.DuckDBPyConnection, plans: Sequence[ReadPlan]) -> None:
    """Line and text of each record that was refused or replaced."""
    found = con.execute("select distinct file_no from resolved_records where outcome <> 'repeated'").fetchall()
    files = {row[0] for row in found}
    for plan in plans:
        if not files:
            return
        file_no, by_line = _standing(con, plan)
        if file_no in files:
            staging.put_lines(con, plan, by_line, CONTESTED.format(file_no))
            con.execute(queries.filled("staging", "write_lines", file_no=str(file_no)))
