"""The DuckDB file: opened, set up, closed; frames in and out.

One process writes at a time. Everything that a person can put right comes as one of the errors of `errors`.
"""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

import duckdb
import polars as pl

from lowambient.errors import LowambientError, NoSpace, StoreUnavailable
from lowambient.records import inputs
from lowambient.store import queries
from lowambient.store.frames import lent
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
        self._set_up(threads, memory_limit)
        if not read_only:
            with translated(path):
                self._create()
        self._check_version()

    def __enter__(self) -> "Store":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file; others can open it from now on."""
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
        self.connection.execute(queries.text("staging", "schema"))
        self.connection.execute(
            "insert into store_version select ? where not exists (from store_version)", [SCHEMA_VERSION]
        )
        for table, schema in inputs.TABLES.items():
            columns = ", ".join(f"{name} {sql_type(column)}" for name, column in schema.columns().items())
            self.connection.execute(queries.filled("staging", "raw_table", table=f"raw_{table}", columns=columns))
            if table != "readings":
                name = "listed_stations" if table == "stations" else f"in_{table}"
                self.connection.execute(f"create table if not exists {name} ({columns})")
        self.connection.execute(queries.text("staging", "in_readings"))
        self.connection.execute(queries.text("staging", "in_stations"))

    def _check_version(self) -> None:
        try:
            versions = self.connection.execute("select version from store_version").fetchall()
        except duckdb.CatalogException as error:
            raise StoreUnavailable(f"{self.path} is a DuckDB file but not a store of lowambient") from error
        if versions != [(SCHEMA_VERSION,)]:
            version = versions[0][0] if versions else "none"
            raise StoreUnavailable(
                f"{self.path} was written as store version {version}, this program reads {SCHEMA_VERSION}:"
                " delete the store and load again, or use the program that wrote it"
            )

    def frame(self, relation: str, order_by: str | None = None) -> pl.DataFrame:
        """A table or view by name, ordered as asked."""
        order = f" order by {order_by}" if order_by else ""
        return self.query(f'from "{relation}"{order}')

    def query(self, sql: str) -> pl.DataFrame:
        """The answer to one query as a frame; instants are UTC."""
        with translated(self.path):
            frame: pl.DataFrame = self.connection.sql(sql).pl()
        instants = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)]
        return frame.with_columns(pl.col(instants).dt.replace_time_zone("UTC")) if instants else frame

    def put(self, name: str, frame: pl.DataFrame) -> None:
        """Writes a frame as table `name`, replacing what was there; zoned instants become UTC without zone."""
        zoned = [each for each, kind in frame.schema.items() if isinstance(kind, pl.Datetime) and kind.time_zone]
        texts = [each for each, kind in frame.schema.items() if isinstance(kind, pl.Enum | pl.Categorical)]
        given = frame.with_columns(
            pl.col(zoned).dt.convert_time_zone("UTC").dt.replace_time_zone(None), pl.col(texts).cast(pl.String)
        )
        with translated(self.path), lent(self.connection, given=given):
            self.connection.execute(f'create or replace table "{name}" as from given')

    def build(self, name: str) -> None:
        """Runs `queries/marts/NAME.sql` and keeps its answer as table `name`."""
        with translated(self.path):
            self.connection.execute(f'create or replace table "{name}" as {queries.text("marts", name)}')

    def relations(self) -> list[str]:
        """Names of the tables and views that the store holds, sorted."""
        return self.query("select table_name as name from information_schema.tables order by name")["name"].to_list()

    def has(self, relation: str) -> bool:
        """Whether a table or view of that name exists."""
        found = self.connection.execute(
            "select count(*) from information_schema.tables where table_name = ?", [relation]
        ).fetchone()
        return bool(found and found[0])

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


@contextmanager
def translated(path: Path | None) -> Iterator[None]:
    """DuckDB's errors as those a person can act on."""
    try:
        yield
    except LowambientError:
        raise
    except duckdb.IOException as error:
        raise _io_error(path, str(error)) from error
    except (duckdb.SerializationException, duckdb.FatalException, duckdb.InternalException) as error:
        raise StoreUnavailable(
            f"{path} is damaged ({_first_line(error)}): delete it and load again, or restore a copy"
        ) from error
    except duckdb.OutOfMemoryException as error:
        if "no space" in str(error).lower() or "max_temp_directory_size" in str(error):
            raise NoSpace(f"no space left beside {path} for working files: free some, then run again") from error
        raise NoSpace(f"not enough memory for this step ({_first_line(error)}): close other programs") from error
    except RuntimeError as error:
        if "interrupted" in str(error).lower():
            raise KeyboardInterrupt from error
        raise
    except OSError as error:
        raise NoSpace(f"{error.filename or path}: {error.strerror}: free space or choose another folder") from error


def _io_error(path: Path | None, text: str) -> LowambientError:
    lowered = text.lower()
    first = text.splitlines()[0]
    if "lock" in lowered:
        return StoreUnavailable(f"{path} is in use by another program: close it, then run again ({first})")
    if "no space" in lowered or "disk full" in lowered or "file too large" in lowered:
        return NoSpace(f"no space left for {path}: free some, then run again; what was loaded whole is kept")
    if "permission denied" in lowered or "read-only" in lowered or "not a directory" in lowered:
        return NoSpace(f"{path} cannot be written ({first})")
    if "cannot open" in lowered or "no such file" in lowered:
        return NoSpace(f"{path} cannot be opened ({first}): does its folder exist?")
    return StoreUnavailable(f"{path} is not a readable store ({first}): delete it and load again")


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]
