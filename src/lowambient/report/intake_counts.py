"""Counts of what was read, refused and set aside, each a table of its own."""

import polars as pl


def load_totals(loads: pl.DataFrame) -> pl.DataFrame:
    """Records read, loaded, refused and repeated: one row a table fed."""
    counts = ("rows_read", "loaded", "refused", "repeated")
    return loads.group_by("target").agg(pl.len().cast(pl.Int64).alias("files"), pl.col(*counts).sum())


def unmatched_ids(unmatched: pl.DataFrame) -> pl.DataFrame:
    """Unit ids that no listed unit answers to, over all files: one row an id as written."""
    return (
        unmatched.sort("source", "written")
        .group_by("written")
        .agg(
            pl.col("rows").sum(),
            pl.col("source").n_unique().cast(pl.Int64).alias("files"),
            pl.col("nearest").drop_nulls().first(),
            pl.col("source").first().alias("example_source"),
        )
    )


def refusal_reasons(quarantine: pl.DataFrame) -> pl.DataFrame:
    """Refused records: one row a table fed and kind of reason, with the first record as an example."""
    return (
        quarantine.sort("source", "line")
        .group_by("target", _kind())
        .agg(
            pl.len().cast(pl.Int64).alias("rows"),
            *_example(),
            pl.col("row").first().alias("example_row"),
        )
    )


def set_aside_reasons(set_aside: pl.DataFrame) -> pl.DataFrame:
    """Cells set aside: one row a table fed, column and kind of reason, with the first cell as an example."""
    return (
        set_aside.sort("source", "line", "column")
        .group_by("target", "column", _kind())
        .agg(
            pl.len().cast(pl.Int64).alias("cells"),
            *_example(),
            pl.col("written").first().alias("example_written"),
        )
    )


def _kind() -> pl.Expr:
    """What reasons have in common: quoted values become an ellipsis, a remark in brackets at the end is dropped."""
    quoted = r"""'[^']*'|"[^"]*"|“[^”]*”"""
    kind = pl.col("reason").str.replace_all(quoted, "…").str.replace(r"\s*\([^()]*\)$", "")
    return pl.when(kind.str.len_chars() > 0).then(kind).otherwise(pl.col("reason")).alias("kind")


def _example() -> tuple[pl.Expr, ...]:
    return (
        pl.col("source").n_unique().cast(pl.Int64).alias("files"),
        pl.col("reason").first().alias("example_reason"),
        pl.col("source").first().alias("example_source"),
        pl.col("line").first().alias("example_line"),
    )
