"""An in-memory database with the contract's input tables, and the marts built in order: for tests of `queries/`."""

from collections.abc import Mapping
from pathlib import Path

import duckdb
import polars as pl

from lowambient import reference
from lowambient.calls.words import read_words
from lowambient.plan.demand import unit_limits
from lowambient.records import inputs

QUERIES = Path(__file__).parents[1] / "queries"

TYPES = {"String": "varchar", "Enum": "varchar", "Float64": "double", "Int64": "bigint", "Boolean": "boolean"}

BEFORE_SYMPTOMS = ("span", "weather_hours", "months", "unit_station", "unit_service")
BEFORE_LIMITS = ("low_pressure_calls", "contradicted_duty")
AFTER_LIMITS = (
    "exposure_classes",
    "demand_hours",
    "cold_hours",
    "call_weather",
    "episodes",
    "unit_bands",
    "cold_counts",
    "exposure_left_out",
    "coverage",
    "typical_cold_hours",
    "unit_counts",
    "station_hours",
    "winter_minimums",
    "air_of_day",
    "judged_winters",
    "winter_bands",
)


class MemoryStore:
    """Input tables filled from frames (missing columns null), thresholds as shipped but for `changed`.

    In memory, or in the file `path`.
    """

    def __init__(
        self,
        tables: Mapping[str, pl.DataFrame],
        changed: Mapping[str, float] | None = None,
        path: Path | None = None,
    ) -> None:
        self.connection = duckdb.connect(str(path or ":memory:"))
        self.connection.execute("set enable_progress_bar = false")
        self.thresholds = {name: row.value for name, row in reference.thresholds().items()} | dict(changed or {})
        self.put(
            "thresholds",
            pl.DataFrame({"name": list(self.thresholds), "value": list(self.thresholds.values())}),
        )
        for name, schema in inputs.TABLES.items():
            columns = ", ".join(
                f'"{column}" {TYPES.get(type(kind.dtype).__name__, "timestamp")}'
                for column, kind in schema.columns().items()
            )
            self.connection.execute(f"create table in_{name} ({columns})")
            if name in tables:
                self._fill(f"in_{name}", tables[name])

    def _fill(self, table: str, frame: pl.DataFrame) -> None:
        named = ", ".join(f'"{column}"' for column in frame.columns)
        self.connection.register("given", frame.to_arrow())
        self.connection.execute(f"insert into {table} ({named}) select {named} from given")
        self.connection.unregister("given")

    def put(self, name: str, frame: pl.DataFrame) -> None:
        """Stores a frame as a table."""
        self.connection.register("given", frame.to_arrow())
        self.connection.execute(f"create or replace table {name} as select * from given")
        self.connection.unregister("given")

    def frame(self, name: str) -> pl.DataFrame:
        """A table as a frame, in the order it was built."""
        return self.connection.sql(f"select * from {name}").pl()

    def build(self, *names: str) -> None:
        """Builds marts in the order given."""
        for name in names:
            query = (QUERIES / "marts" / f"{name}.sql").read_text(encoding="utf-8")
            self.connection.execute(f"create or replace table {name} as {query}")

    def audit(self, name: str) -> list[tuple[object, ...]]:
        """Rows that fail an audit."""
        return self.connection.sql((QUERIES / "audits" / f"{name}.sql").read_text(encoding="utf-8")).fetchall()

    def build_all(self, symptoms: pl.DataFrame | None = None, limits: pl.DataFrame | None = None) -> None:
        """Every mart and the Python steps between them; `symptoms` and `limits` replace those steps where given."""
        self.build(*BEFORE_SYMPTOMS)
        self.put("call_symptoms", read_words(self.frame("in_calls"))[0] if symptoms is None else symptoms)
        self.build(*BEFORE_LIMITS)
        if limits is None:
            contradicted = self.frame("contradicted_duty")
            limits = unit_limits(self.frame("in_units"), self.frame("in_sites"), self.thresholds, contradicted)
        self.put("unit_limits", limits)
        self.build(*AFTER_LIMITS)
