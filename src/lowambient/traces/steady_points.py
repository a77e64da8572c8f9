"""Condensing against outdoor temperature in steady cooling: a sample of the points that a person would plot."""

import numpy as np
import polars as pl

from lowambient.traces.circuit import Listed, Trace
from lowambient.traces.runs import Running
from lowambient.traces.steady import steady_samples, thinned

POINTS = 400
"""Points kept of a circuit: what an eye can part on one plot (judgement)."""
SCHEMA: dict[str, pl.DataType] = {
    "read_at": pl.Datetime("us", "UTC"),
    "outdoor_c": pl.Float64(),
    "condensing_c": pl.Float64(),
}


def steady_points(trace: Trace, running: Running, listed: Listed) -> pl.DataFrame:
    """Steady samples with both temperatures, at most POINTS of them, evenly picked in the order of time.

    Grain: read_at; columns are those of `SCHEMA` [degC]. Condensing is bubble at a liquid tap, dew at a discharge tap.
    """
    steady = thinned(np.flatnonzero(steady_samples(trace, running, listed)), trace.step_s)
    outdoor_c, condensing_c = trace.outdoor_c[steady], trace.condensing_c(steady)
    known = np.flatnonzero(np.isfinite(outdoor_c) & np.isfinite(condensing_c))
    if len(known) > POINTS:
        known = known[np.linspace(0, len(known) - 1, POINTS).round().astype(np.int64)]
    read_us = (trace.at_s[steady][known] * 1e6).round().astype(np.int64)
    return pl.DataFrame(
        {
            "read_at": pl.Series(read_us).cast(SCHEMA["read_at"]),
            "outdoor_c": outdoor_c[known],
            "condensing_c": condensing_c[known],
        },
        schema=SCHEMA,
    )
