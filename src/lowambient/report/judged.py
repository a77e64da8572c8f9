"""What was judged: the plan with every column that a page shows, and what speaks for and against each flag."""

from collections.abc import Mapping

import polars as pl

from lowambient.report import schemas
from lowambient.report.tables import as_written, empty

PLAN: dict[str, pl.DataType] = {
    "rank": pl.Int64(),
    "unit_id": pl.String(),
    "option": pl.String(),
    "cost": pl.Float64(),
    "crew_h": pl.Float64(),
    "avoided_calls_per_winter": pl.Float64(),
    "lower_90": pl.Float64(),
    "upper_90": pl.Float64(),
    "avoided_cost_contractor": pl.Float64(),
    "avoided_cost_customer": pl.Float64(),
    "probability_pays_back": pl.Float64(),
    "selected": pl.Boolean(),
}


def plan(frames: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """The plan, as written where the contract has its schema, with columns that are missing added as null."""
    if "plan" in schemas.ALL:
        frame = as_written("plan", frames["plan"]) if "plan" in frames else empty("plan")
    else:
        frame = frames.get("plan", pl.DataFrame(schema=PLAN))
    return frame.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in PLAN.items() if name not in frame.columns
    )


def speaking(evidence: pl.DataFrame) -> pl.DataFrame:
    """Evidence counted: one row a unit and flag.

    Columns: pieces_for, pieces_against, weight_for, weight_against (sums of log odds, zero where there is none).
    """
    is_for, is_against = pl.col("weight") > 0, pl.col("weight") < 0
    return evidence.group_by("unit_id", "flag").agg(
        is_for.sum().cast(pl.Int64).alias("pieces_for"),
        is_against.sum().cast(pl.Int64).alias("pieces_against"),
        pl.col("weight").filter(is_for).sum().alias("weight_for"),
        pl.col("weight").filter(is_against).sum().alias("weight_against"),
    )
