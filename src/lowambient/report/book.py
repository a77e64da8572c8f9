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
    """Tables as written, the facts of the run, how the reader wants numbers, and the most rows that tables may show."""

    tables: Tables
    facts: RunFacts
    figures: Figures
    most_rows: int | None = None

    def first(self, frame: pl.DataFrame, most: int) -> pl.DataFrame:
        """The rows of a long table that a page shows: `most`, or the fewer that this book has room for."""
        return frame.head(self.most(most))

    def most(self, most: int) -> int:
        """`most` rows, or the fewer that this book has room for."""
        return most if self.most_rows is None else min(most, self.most_rows)

    def rows(self, table: str, frame: pl.DataFrame | None = None) -> list[Row]:
        """Rows of a table, or of a part of it."""
        return list(rows(table, self.tables[table] if frame is None else frame))

    def by_key(self, table: str) -> dict[str, Row]:
        """Rows of a table whose grain is one column, by that column."""
        return {row.key[0] or "": row for row in self.rows(table)}
