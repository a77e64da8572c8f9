"""Frames lent to DuckDB under a name for as long as a query needs them."""

from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import polars as pl


@contextmanager
def lent(con: duckdb.DuckDBPyConnection, **frames: pl.DataFrame) -> Iterator[None]:
    """Each frame is a relation of its keyword's name inside the block."""
    for name, frame in frames.items():
        con.register(name, frame)
    try:
        yield
    finally:
        for name in frames:
            con.unregister(name)
