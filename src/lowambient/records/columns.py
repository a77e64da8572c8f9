"""Column kinds of the contract: a dataframely column that knows its unit, its plausible range and its digits."""

from datetime import UTC, datetime
from typing import Any

import dataframely as dy

from lowambient import reference

EARLIEST = datetime(1950, 1, 1, tzinfo=UTC)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)

_MEASURE_QUANTITY = {
    "pressure_kpa": "pressure",
    "outdoor_c": "temperature",
    "line_c": "temperature",
    "air_c": "temperature",
    "space_c": "temperature",
    "wind_m_s": "speed",
    "elevation_m": "length",
    "capacity_kw": "power",
    "current_a": "current",
    "fraction": "ratio",
    "hours": "duration",
}


def text(description: str, *, required: bool = False, key: bool = False) -> dy.String:
    """A text; required and key texts may not be empty."""
    return dy.String(
        nullable=not (required or key),
        primary_key=key,
        min_length=1,
        description=description,
        metadata={"kind": "text"},
    )


def choice(vocabulary: str, description: str, *, required: bool = False, key: bool = False) -> dy.Enum:
    """One of a closed vocabulary of `reference/vocabularies.tsv`."""
    return dy.Enum(
        reference.vocabulary(vocabulary),
        nullable=not (required or key),
        primary_key=key,
        description=description,
        metadata={"kind": "choice", "vocabulary": vocabulary},
    )


def measured(limit: str, description: str, *, required: bool = False, digits: int = 3) -> dy.Float64:
    """A number within the plausible range `limit` of `reference/limits.tsv`, in that row's unit."""
    bounds = reference.limit(limit)
    return dy.Float64(
        nullable=not required,
        min=bounds.lower,
        max=bounds.upper,
        description=f"{description} [{bounds.unit}]",
        metadata={
            "kind": "number",
            "limit": limit,
            "measure": _MEASURE_QUANTITY.get(limit),
            "digits": digits,
        },
    )


def number(description: str, *, required: bool = False, digits: int = 3, **bounds: Any) -> dy.Float64:
    """A computed number, rounded to `digits` on writing."""
    return dy.Float64(
        nullable=not required,
        description=description,
        metadata={"kind": "number", "digits": digits},
        **bounds,
    )


def count(
    description: str, *, required: bool = False, key: bool = False, minimum: int = 0, limit: str | None = None
) -> dy.Int64:
    """A whole number, at least `minimum`, at most the upper end of `limit` in `reference/limits.tsv`."""
    return dy.Int64(
        nullable=not (required or key),
        primary_key=key,
        min=minimum,
        max=None if limit is None else int(reference.limit(limit).upper),
        description=description,
        metadata={"kind": "whole"},
    )


def flag(description: str, *, required: bool = False) -> dy.Bool:
    """True, false, or null for not known."""
    return dy.Bool(nullable=not required, description=description, metadata={"kind": "flag"})


def instant(description: str, *, required: bool = False, key: bool = False) -> dy.Datetime:
    """A UTC instant, between 1950 and 2100 (judgement: no record of the trade lies outside)."""
    return dy.Datetime(
        min=EARLIEST,
        max=LATEST,
        nullable=not (required or key),
        primary_key=key,
        time_zone="UTC",
        time_unit="us",
        description=description,
        metadata={"kind": "instant"},
    )
