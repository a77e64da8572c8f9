"""Stretches in which a pressure switch did not act: from some day on, or up to some day, runs go on beyond it."""

import numpy as np
import polars as pl

from lowambient.traces.circuit import Listed, Trace
from lowambient.traces.conditions import Learned, beyond_switch, judged_by
from lowambient.traces.runs import Running
from lowambient.traces.trips import Judged

SWITCHES = ("lp cut-out", "hp cut-out")
SCHEMA: dict[str, pl.DataType] = {
    "switch": pl.String(),
    "from_at": pl.Datetime("us", "UTC"),
    "to_at": pl.Datetime("us", "UTC"),
    "hours": pl.Float64(),
    "events_through": pl.Int64(),
}
FEWEST_THROUGH, LEAST_BEYOND_H = 3, 1.0
"""Runs and hours beyond a switch that show a jumper; less may be a start delay or a reading (judgement)."""


def jumpered_spans(
    trace: Trace, running: Running, listed: Listed, judged: tuple[Judged, Judged], learned: Learned
) -> pl.DataFrame:
    """Grain: switch ("lp cut-out", "hp cut-out"); at most one span of each, and none where nothing changed in the log.

    from_at and to_at are the change and the end of the log, or its beginning and the change; hours the running beyond
    the switch in between (as in `conditions.beyond_switch`), events_through the runs that settled beyond it and went
    on. A switch that never acted in the whole log is told by its months (`conditions`).
    """
    limits = judged_by(trace, running, listed, learned)
    rows = []
    for switch, each, limit, sign in zip(SWITCHES, judged, limits, (-1.0, 1.0), strict=True):
        if each.jumpered is None or each.through < FEWEST_THROUGH or limit is None:
            continue
        begin_s, end_s = np.clip(each.jumpered, trace.at_s[0], trace.at_s[-1])
        inside = (trace.at_s >= begin_s) & (trace.at_s <= end_s)
        hours = float(trace.hours[inside & beyond_switch(trace, running, listed, limit, sign)].sum())
        if hours >= LEAST_BEYOND_H:
            rows.append((switch, round(begin_s * 1e6), round(end_s * 1e6), hours, each.through))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")
