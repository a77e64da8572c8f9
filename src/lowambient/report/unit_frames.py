"""Frames that unit pages take beside the written tables: notes, what they state, weather and thinned readings."""

from collections.abc import Mapping

import polars as pl

INSTANT = pl.Datetime("us", "UTC")
_WHOSE = {"unit_id": pl.String(), "circuit": pl.String()}
EXTRA: dict[str, dict[str, pl.DataType]] = {
    "call_notes": {
        "call_id": pl.String(),
        "unit_id": pl.String(),
        "work_type": pl.String(),
        "status": pl.String(),
        "complaint": pl.String(),
        "finding": pl.String(),
        "action": pl.String(),
    },
    "call_statements": {
        "call_id": pl.String(),
        "unit_id": pl.String(),
        "opened_at": INSTANT,
        "statement": pl.String(),
        "words": pl.String(),
    },
    "coldest_days": {"station_id": pl.String(), "day": INSTANT, "coldest_c": pl.Float64()},
    "log_days": {**_WHOSE, "day": INSTANT, "first_at": INSTANT, "last_at": INSTANT},
    "shown_windows": {
        **_WHOSE,
        "window_no": pl.Int64(),
        "from_at": INSTANT,
        "to_at": INSTANT,
        "events": pl.Int64(),
        "coldest_c": pl.Float64(),
        "readings": pl.Int64(),
        "buckets": pl.Int64(),
    },
    "shown_readings": {
        **_WHOSE,
        "window_no": pl.Int64(),
        "channel": pl.String(),
        "read_at": INSTANT,
        "value": pl.Float64(),
    },
    "steady_points": {**_WHOSE, "read_at": INSTANT, "outdoor_c": pl.Float64(), "condensing_c": pl.Float64()},
    "trace_faults": {
        **_WHOSE,
        "channel": pl.String(),
        "from_at": INSTANT,
        "to_at": INSTANT,
        "sentence": pl.String(),
    },
    "unit_limits": {
        "unit_id": pl.String(),
        "starve_ambient_c": pl.Float64(),
        "reset_ambient_c": pl.Float64(),
        "demand_source": pl.String(),
        "reset_source": pl.String(),
    },
}
"""Columns of each; a frame may have more."""


def extra(name: str, frames: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """The columns of a frame of `EXTRA`, without rows where it is missing."""
    columns = EXTRA[name]
    frame = frames.get(name)
    if frame is None:
        return pl.DataFrame(schema=columns)
    return frame.select(pl.col(column).cast(kind) for column, kind in columns.items())
