"""The table of statements: what the sentences of a call say was found or done, put together."""

import polars as pl

from lowambient.calls.lexicon import ABOUT, BYPASS_MADE, BYPASS_TOLD, UNSTATED

BYPASS_AS_FINDING = 0.75
"""Probability that a finding which begins with the bridging tells of somebody else's bypass (judgement)."""

ASSERTED = 0.5
"""Probability from which a statement is handed out."""

SWITCHES = ABOUT[1:3]

HAVE_OBJECTS = ("bypass found", "bypass removed", "bypass denied", "control reconnected")
"""Statements that are about a control or switch."""


def statements_of(calls: pl.DataFrame, places: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Statements of calls (call, call_id) from what their texts say: call_id, statement, probability, words, about."""
    made = pl.col("name") == BYPASS_MADE
    reported = places.filter(pl.col("field") != "complaint").select("call").unique()
    complained = (pl.col("field") == "complaint") & pl.col("call").is_in(reported["call"].implode())
    rows = (
        places.filter(~complained)  # what the customer did or says, where the technician tells himself
        .join(found, on="text")
        .filter(~(made & (pl.col("field") == "action")))
        .with_columns(
            name=pl.when(made).then(pl.lit("bypass found")).otherwise("name"),
            value=pl.when(made).then(BYPASS_AS_FINDING).otherwise("value"),
        )
    )
    said = rows.select("call", "name").unique()
    named = rows.filter(pl.col("about") != "").select("call", "name", "about")
    denied = said.filter(pl.col("name") == "bypass denied")["call"].implode()
    told = pl.col("name") == BYPASS_TOLD
    rows = rows.filter(~(told & pl.col("call").is_in(denied))).with_columns(
        name=pl.when(told).then(pl.lit("bypass found")).otherwise("name"),
        value=pl.when(told).then(BYPASS_AS_FINDING).otherwise("value"),
    )
    rows = pl.concat([rows, _removed_by_reconnecting(rows)])
    whole = pl.col("needs") == ""
    met = rows.filter(~whole).join(said, left_on=["call", "needs"], right_on=["call", "name"], how="semi")
    sure = pl.concat([rows.filter(whole), met]).filter(~pl.col("name").is_in(UNSTATED))
    return (
        sure.sort("call", "name", "value", "text", "first", descending=[False, False, True, False, False])
        .group_by("call", "name", maintain_order=True)
        .agg(probability=pl.col("value").first(), words=pl.col("words").unique(maintain_order=True).str.join("; "))
        .filter(pl.col("probability") >= ASSERTED)
        .join(_about(sure, named), on=["call", "name"], how="left", maintain_order="left")
        .join(calls.select("call", "call_id"), on="call", maintain_order="left")
        .select("call_id", "probability", "words", "about", statement="name")
        .select("call_id", "statement", "probability", "words", "about")
    )


def _removed_by_reconnecting(rows: pl.DataFrame) -> pl.DataFrame:
    """Bypasses of a pressure switch that were removed: it was found bypassed, and connected again."""
    bridged = rows.filter(pl.col("name") == "bypass found", pl.col("about").is_in(SWITCHES))
    done = rows.filter(pl.col("name") == "control reconnected", pl.col("needs") == "")
    return done.join(bridged, on=["call", "about"], how="semi").with_columns(
        name=pl.lit("bypass removed"), value=pl.lit(BYPASS_AS_FINDING)
    )


def _about(rows: pl.DataFrame, named: pl.DataFrame) -> pl.DataFrame:
    """What each statement (call, name) is about: what its own clauses name, else what others do (`named`).

    Null where nothing is named, or several things are.
    """
    asked = rows.filter(pl.col("name").is_in(HAVE_OBJECTS)).select("call", "name").unique()
    own = named.group_by("call", "name").agg(own=pl.col("about").unique().sort())
    whole = named.group_by("call").agg(whole=pl.col("about").unique().sort())
    told = asked.join(own, on=["call", "name"], how="left").join(whole, on="call")
    chosen = pl.coalesce("own", "whole")
    only = pl.when(chosen.list.len() == 1).then(chosen.list.first())
    return told.select("call", "name", about=pl.when(only.is_in(ABOUT[:-1])).then(only))
