"""What the page on callbacks counts from the tables: facts that its sentences state, and verdicts by kind of work."""

from collections.abc import Mapping

import polars as pl

Frames = Mapping[str, pl.DataFrame]
Facts = dict[str, tuple[float | None, str]]


def callback_facts(frames: Frames) -> Facts:
    """Facts as rows of `summary`: name to number and how it was counted."""
    rates = frames["callback_rates"].filter(clock="days")
    gathering = frames["cold_gathering"]
    verdicts = frames["follow_up"]["verdict"].cast(pl.String)
    return {
        **{
            f"{name}s_told": (
                rates.filter(pl.col("differs").is_not_null(), dimension=name).height,
                f"rows of `callback_rates` on the clock `days` by {name} that were held against the others",
            )
            for name in ("symptom", "technician")
        },
        **{
            f"{name}s_that_differ": (
                rates.filter("differs", dimension=name).height,
                f"rows of `callback_rates` on the clock `days` by {name} where `differs`",
            )
            for name in ("symptom", "technician")
        },
        "units_gathering_tested": (
            gathering.filter(pl.col("gathers").is_not_null()).height,
            "units of `cold_gathering` with episodes enough to be tested",
        ),
        "units_gathering": (gathering.filter("gathers").height, "units of `cold_gathering` where `gathers`"),
        "repairs_followed": (frames["follow_up"].height, "rows of `follow_up`"),
        **{
            f"repairs_{verdict.replace(' ', '_')}": (
                int((verdicts == verdict).sum()),
                f"rows of `follow_up` with the verdict {verdict}",
            )
            for verdict in ("held", "not held", "too early")
        },
    }


def follow_up_verdicts(follow_up: pl.DataFrame) -> pl.DataFrame:
    """Repairs by what was done and how it went: one row a work and verdict that occur."""
    return (
        follow_up.group_by("work", pl.col("verdict").cast(pl.String))
        .agg(pl.len().cast(pl.Int64).alias("repairs"))
        .sort("work", "verdict")
    )
