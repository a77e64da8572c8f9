"""The DuckDB file: open it, carry out read plans, build queries, hand out frames. Sole owner of duckdb."""

from lowambient.store.database import Store
from lowambient.store.loading import load_all

__all__ = ["Store", "load_all"]
