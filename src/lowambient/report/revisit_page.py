"""The page of units to revisit: rows of `revisit` and `contradictions` with names of sites and links to unit pages."""

from typing import Any

import polars as pl

from lowambient.report.book import Book
from lowambient.report.unit_files import pages_of

ROWS_SHOWN = 300
PAIRS_SHOWN = 100


def context(book: Book) -> dict[str, Any]:
    """What the template `revisit.html` is filled with."""
    revisit = book.tables["revisit"].sort("rank")
    sites, units = book.tables["sites"], book.tables["units"]
    names = (
        sites.select("site_id", pl.col("name").alias("site_name")) if sites.width else _texts("site_id", "site_name")
    )
    described = (
        units.select("unit_id", "description") if "description" in units.columns else _texts("unit_id", "description")
    )
    shown = (
        book.first(revisit, ROWS_SHOWN).join(names, on="site_id", how="left").join(described, on="unit_id", how="left")
    )
    apart = book.tables["contradictions"].sort(
        pl.col("relation") != "excludes", "probability", "unit_id", descending=[False, True, False]
    )
    return {
        "fact": book.by_key("summary"),
        "threshold": book.by_key("thresholds"),
        "revisit": book.rows("revisit", shown.sort("rank")),
        "revisit_in_all": revisit.height,
        "compared": revisit["is_new"].is_not_null().any(),
        "commonest": commonest(revisit),
        "contradictions": book.rows("contradictions", book.first(apart, PAIRS_SHOWN)),
        "contradictions_in_all": apart.height,
        "unit_pages": pages_of(book.tables),
    }


def commonest(revisit: pl.DataFrame) -> str | None:
    """The flag that is raised most often."""
    counts = revisit.group_by("flag").len().sort("len", "flag", descending=[True, False])
    return str(counts["flag"][0]) if counts.height else None


def _texts(*names: str) -> pl.DataFrame:
    return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
