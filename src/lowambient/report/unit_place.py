"""One unit where it stands: its list entry, its site, its clock, and how its numbers are shown."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from lowambient.report.figures import Figures

Tables = Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class Place:
    """A unit as listed, its site, its refrigerant (null without saturation table), and how its numbers are shown."""

    here: Figures
    refrigerant: str | None
    unit: Mapping[str, Any]
    site: Mapping[str, Any]

    def clock(self, column: str) -> pl.Expr:
        """An instant on the clock of the site, without zone."""
        return pl.col(column).dt.convert_time_zone(self.here.zone.key).dt.replace_time_zone(None)

    def shown(self, column: str, unit: str, digits: int = 1) -> pl.Expr:
        """A quantity in the reader's unit; the conversion is a straight line."""
        zero = self.here.shown(0.0, unit)
        slope = self.here.shown(1.0, unit) - zero
        return (pl.col(column) * slope + zero).round(digits)


def circuit_name() -> pl.Expr:
    """What a circuit is called; the whole unit where none is named."""
    named = pl.concat_str(pl.lit("circuit "), pl.col("circuit").str.slice(0, 20))
    return pl.when(pl.col("circuit").is_null()).then(pl.lit("whole unit")).otherwise(named)
