"""The DuckDB file: opened, set up, closed; frames in and out.

One process writes at a time. Everything that a person can put right comes as one of the errors of `errors`.
"""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from types import TracebackType

import duckdb
import polars as pl

from lowambient.errors import StoreUnavailable
from lowambient.records import inputs
from lowambient.store import queries
from lowambient.store.failures import translated
from lowambient.store.frames import lent
from lowambient.store.interrupts import interruptible
from lowambient.store.types import sql_type

SCHEMA_VERSION = 1
STORAGE_VERSION = "v1.2.0"
MEMORY_LIMIT = "1500MB"
WAIT_S = 30.0


class Store:
    """An open store. Use it as a context manager.

    `path` is the DuckDB file; `None` keeps it in memory. `read_only` opens beside other readers.
    Raises StoreUnavailable (busy, damaged, another version) and NoSpace.
    """

    def __init__(
        self,
        path: Path | None,
        *,
        read_only: bool = False,
        threads: int | None = None,
        memory_limit: str = MEMORY_LIMIT,
        wait_s: float = WAIT_S,
    ) -> None:
        self.path = path
        self.connection = _connect(path, read_only, wait_s)
        self._inside = ExitStack()
        try:
            with translated(path):
                self._set_up(threads, memory_limit)
                self._check_version(is_new=not read_only)
                if not read_only:
                    with self.transaction():
                        self._create()
        except BaseException:
            self.connection.close()
            raise

    def __enter__(self) -> "Store":
        self._inside.enter_context(interruptible(self.connection))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file; others can open it from now on."""
        self._inside.close()
        self.connection.close()

    def _set_up(self, threads: int | None, memory_limit: str) -> None:
        run = self.connection.execute
        run("set enable_progress_bar = false")
        run("set memory_limit = ?", [memory_limit])
        run("set threads = ?", [threads or min(8, os.cpu_count() or 1)])
        run("set TimeZone = 'UTC'")
        if self.path is not None:
            run("set temp_directory = ?", [f"{self.path}.tmp"])
        run(queries.text("staging", "conversions"))

    def _create(self) -> None:
        run = self.connection.execute
        run(queries.text("staging", "schema"))
        if not run("from store_version").fetchall():
            run("insert into store_version values (?)", [SCHEMA_VERSION])
            run("insert into resolved_targets select unnest(?)", [list(inputs.TABLES)])
        for table, schema in inputs.TABLES.items():
            columns = ", ".join(f"{name} {sql_type(column)}" for name, column in schema.columns().items())
            more = ", away_s double" if table == "weather" else ""
            run(queries.filled("staging", "raw_table", table=f"raw_{table}", columns=columns + more))
            if table != "readings":
                name = "listed_stations" if table == "stations" else f"in_{table}"
                run(f"create table if not exists {name} ({columns})")
        run(queries.text("staging", "in_readings"))
        run(queries.text("staging", "in_stations"))

    def _check_version(self, is_new: bool) -> None:
        """Raises StoreUnavailable where the file is no store of this version; an empty one may become one."""
        tables = {row[0] for row in self.connection.execute("select table_name from duckdb_tables()").fetchall()}
        if is_new and not tables:
            return
        if "store_version" not in tables:
            raise StoreUnavailable(f"{self.path} is a DuckDB file but not a store of lowambient: name another")
        versions = self.connection.execute("select version from store_version").fetchall()
        if versions != [(SCHEMA_VERSION,)]:
            version = versions[0][0] if versions else "none"
            raise StoreUnavailable(
                f"{self.path} was written as store version {version}, this program reads {SCHEMA_VERSION}:"
                " delete the store and load again, or use the program that wrote it"
            )

    def frame(self, relation: str, order_by: str | None = None, of_unit: str | None = None) -> pl.DataFrame:
        """A table or view by name, ordered as asked; of one unit, where that is asked and it has units."""
        order = f" order by {order_by}" if order_by else ""
        has_units = of_unit is not None and "unit_id" in self.query(f'from "{relation}" limit 0').columns
        where = f" where unit_id = {queries.quoted(of_unit or '')}" if has_units else ""
        return self.query(f'from "{relation}"{where}{order}')

    def query(self, sql: str) -> pl.DataFrame:
        """The answer to one query as a frame; instants are UTC."""
        with translated(self.path):
            frame: pl.DataFrame = self.connection.sql(sql).pl()
        return _in_utc(frame)

    def batches(self, sql: str, rows: int) -> Iterator[pl.DataFrame]:
        """The answer to one query as frames of at most so many rows, one held at a time; instants are UTC.

        The store must not be asked anything else before the last has come.
        """
        with translated(self.path):
            for batch in self.connection.sql(sql).to_arrow_reader(rows):
                yield _in_utc(pl.DataFrame(pl.from_arrow(batch)))

    def put(self, name: str, frame: pl.DataFrame) -> None:
        """Writes a frame as table `name`, replacing what was there; zoned instants become UTC without zone."""
        zoned = [each for each, kind in frame.schema.items() if isinstance(kind, pl.Datetime) and kind.time_zone]
        texts = [each for each, kind in frame.schema.items() if isinstance(kind, pl.Enum | pl.Categorical)]
        given = frame.with_columns(
            pl.col(zoned).dt.convert_time_zone("UTC").dt.replace_time_zone(None), pl.col(texts).cast(pl.String)
        )
        with translated(self.path), lent(self.connection, given=given):
            self.connection.execute(f'create or replace table "{name}" as from given')

    def build(self, name: str, kind: str = "marts") -> None:
        """Runs `queries/KIND/NAME.sql` and keeps its answer as table `name`."""
        with translated(self.path):
            self.connection.execute(f'create or replace table "{name}" as {queries.text(kind, name)}')

    def relations(self) -> list[str]:
        """Names of the tables and views that the store holds, sorted."""
        return self.query("select table_name as name from information_schema.tables order by name")["name"].to_list()

    def has(self, relation: str) -> bool:
        """Whether a table or view of that name exists."""
        found = self.connection.execute(
            "select count(*) from information_schema.tables where table_name = ?", [relation]
        ).fetchall()
        return bool(found[0][0])

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: what fails inside leaves the store as it was."""
        with translated(self.path):
            self.connection.execute("begin transaction")
            try:
                yield
            except BaseException:
                _quietly(lambda: self.connection.execute("rollback"))
                raise
            self.connection.execute("commit")

    def checkpoint(self) -> None:
        """Brings what was committed into the file itself."""
        with translated(self.path):
            self.connection.execute("checkpoint")


def _in_utc(frame: pl.DataFrame) -> pl.DataFrame:
    instants = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)]
    return frame.with_columns(pl.col(instants).dt.replace_time_zone("UTC")) if instants else frame


def _quietly(action: Callable[[], object]) -> None:
    with suppress(duckdb.Error):
        action()


def _connect(path: Path | None, read_only: bool, wait_s: float) -> duckdb.DuckDBPyConnection:
    if path is None:
        return duckdb.connect(":memory:")
    if read_only and not path.exists():
        raise StoreUnavailable(f"{path} does not exist yet: run `lowambient load` first")
    config: dict[str, str | bool | int | float | list[str]] = (
        {} if read_only or path.exists() else {"storage_compatibility_version": STORAGE_VERSION}
    )
    give_up_at = time.monotonic() + wait_s
    while True:
        try:
            with translated(path):
                return duckdb.connect(str(path), read_only=read_only, config=config)
        except StoreUnavailable as error:
            if "in use" not in str(error) or time.monotonic() > give_up_at:
                raise
            time.sleep(0.25)
