"""All that pages are made from, and the rows of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from lowambient.report.facts import RunFacts
from lowambient.report.figures import Figures, Row, rows

Tables = Mapping[str, pl.DataFrame]
Context = dict[str, Any]


@dataclass(frozen=True)
class Book:
    """Tables as written, the facts of the run, and how the reader wants numbers."""

    tables: Tables
    facts: RunFacts
    figures: Figures

    def rows(self, table: str, frame: pl.DataFrame | None = None) -> list[Row]:
        """Rows of a table, or of a part of it."""
        return list(rows(table, self.tables[table] if frame is None else frame))

    def by_key(self, table: str) -> dict[str, Row]:
        """Rows of a table whose grain is one column, by that column."""
        return {row.key[0] or "": row for row in self.rows(table)}
