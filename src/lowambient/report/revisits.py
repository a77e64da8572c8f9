"""Units to revisit: raised flags in order, what they rest on, and which of them cannot stand together."""

from collections.abc import Mapping

import polars as pl

from lowambient import reference
from lowambient.report.judged import speaking

Frames = Mapping[str, pl.DataFrame]
KEY = ("unit_id", "circuit", "flag")


def revisit(frames: Frames) -> pl.DataFrame:
    """Raised flags, most probable first, then by the calls expected next winter; see `schemas.Revisit`."""
    flags, units = frames["flags"].filter(pl.col("raised")), frames["units"]
    sites = units.select("unit_id", "site_id") if units.width else _texts("unit_id", "site_id")
    expected = frames["unit_ranking"].select("unit_id", "expected_cold_calls")
    counts = ("pieces_for", "pieces_against")
    return (
        flags.join(speaking(frames["evidence"]), on=["unit_id", "flag"], how="left")
        .join(sites, on="unit_id", how="left")
        .join(expected, on="unit_id", how="left")
        .with_columns(
            pl.col(counts).fill_null(0),
            pl.col("new_since").alias("is_new"),
        )
        .sort("probability", "expected_cold_calls", *KEY, descending=[True, True, False, False, False], nulls_last=True)
        .with_row_index("rank", offset=1)
    )


def _texts(*names: str) -> pl.DataFrame:
    return pl.DataFrame(schema=dict.fromkeys(names, pl.String))


def contradictions(frames: Frames) -> pl.DataFrame:
    """Pairs of raised flags on one circuit that exclude or look like each other; see `schemas.Contradictions`.

    A flag of the whole unit stands beside those of each of its circuits.
    """
    flags = frames["flags"].filter(pl.col("raised")).select(*KEY, "probability")
    other = flags.select(
        "unit_id",
        pl.col("circuit").alias("other_circuit"),
        pl.col("flag").alias("other_flag"),
        pl.col("probability").alias("other_probability"),
    )
    one_circuit = (
        pl.col("circuit").is_null() | pl.col("other_circuit").is_null() | (pl.col("circuit") == pl.col("other_circuit"))
    )
    first = (pl.col("probability") > pl.col("other_probability")) | (
        (pl.col("probability") == pl.col("other_probability")) & (pl.col("flag") < pl.col("other_flag"))
    )
    return (
        flags.join(other, on="unit_id")
        .filter(one_circuit & first)
        .join(look_alikes(), on=["flag", "other_flag"])
        .with_columns(
            pl.coalesce("circuit", "other_circuit").alias("circuit"),
            pl.concat_list("flag", "other_flag").list.sort().alias("pair"),
        )
        .sort("probability", "other_probability", "flag", descending=[True, True, False])
        .unique(["unit_id", "circuit", "pair"], keep="first", maintain_order=True)
        .drop("pair")
        .sort(
            pl.col("relation") != "excludes",
            "probability",
            "unit_id",
            "circuit",
            "flag",
            "other_flag",
            descending=[False, True, False, False, False, False],
        )
    )


def look_alikes() -> pl.DataFrame:
    """Rows of `reference/look_alikes.tsv`, each pair both ways round."""
    pairs = pl.DataFrame(reference.rows("look_alikes")).drop("source")
    turned = pairs.rename({"flag": "other_flag", "other_flag": "flag"}).select(pairs.columns)
    return pl.concat([pairs, turned])
