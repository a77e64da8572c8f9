"""The DuckDB file: open it, carry out read plans, build queries, hand out frames. Sole owner of duckdb."""

from lowambient.store.audits import failed_audits
from lowambient.store.circuits import Circuit, circuits, count_readings
from lowambient.store.database import Store
from lowambient.store.loading import Loaded, load_all
from lowambient.store.watching import Progress

__all__ = ["Circuit", "Loaded", "Progress", "Store", "circuits", "count_readings", "failed_audits", "load_all"]
