"""Month by month, what cooling looked like: the facts about one circuit that flags weigh."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.traces.circuit import Listed, Mask, Trace
from lowambient.traces.head_pressure import COLD_C
from lowambient.traces.runs import Running
from lowambient.traces.steady import cooling_samples, steady_samples, thinned

Index = npt.NDArray[np.int64]

MILD_C = 15.0
"""From here up charge and condenser can be judged: every fan is wanted and no control at work (judgement)."""
SHORT_RUN_S = 180.0
SLOWEST_FOR_SHORT_RUNS_S = 90.0
"""Half a short run: a slower log does not see them."""
HOUR_S = 3600.0
HOURS = ("run_h", "cold_run_h", "mild_run_h", "called_not_running_h", "fans_below_off_h")
COUNTS = ("starts", "short_runs")
MEDIANS = (
    "condensing_over_ambient_k",
    "cold_condensing_over_ambient_k",
    "subcooling_k",
    "superheat_k",
    "suction_dew_c",
    "pressure_ratio",
    "air_split_k",
    "compressor_a",
)
"""Medians over steady samples; each has its number of samples beside it, under its name and `_n`."""
CHANNELS = (
    "suction_kpa",
    "liquid_kpa",
    "discharge_kpa",
    "suction_line_c",
    "liquid_line_c",
    "outdoor_c",
    "station_c",
    "return_air_c",
    "supply_air_c",
    "compressor_a",
)
SCHEMA: dict[str, pl.DataType] = {
    "month": pl.Datetime("us", "UTC"),
    **dict.fromkeys(HOURS, pl.Float64()),
    **dict.fromkeys(COUNTS, pl.Int64()),
    **{name: kind for each in MEDIANS for name, kind in ((each, pl.Float64()), (f"{each}_n", pl.Int64()))},
}


def months(trace: Trace, running: Running, listed: Listed, fan_off_kpa: float | None = None) -> pl.DataFrame:
    """Facts of each UTC month that has samples; null where a channel is missing or nothing was seen.

    Grain: month (its first instant, UTC); columns are those of `SCHEMA`. Over all cooling: run_h, cold_run_h (under
    10 °C outdoors), mild_run_h (from 15 °C), called_not_running_h, starts that were seen, short_runs (under three
    minutes; null where the log is too slow). Medians over steady cooling: in mild air condensing_over_ambient_k,
    subcooling_k (liquid bubble over liquid line) and superheat_k (suction line over suction dew); in the cold
    cold_condensing_over_ambient_k; in any weather suction_dew_c, pressure_ratio of absolute pressures [-],
    air_split_k (return over supply) and compressor_a. fans_below_off_h is steady running with a fan on while head
    pressure is under `fan_off_kpa` (the listed one where none is given).
    """
    if len(trace) == 0:
        return pl.DataFrame(schema=SCHEMA)
    month, bounds = _months_of(trace)
    cooling = cooling_samples(trace, listed)
    steady = steady_samples(trace, running, listed)
    told = thinned(np.flatnonzero(steady), trace.step_s)
    part = replace(trace, at_s=trace.at_s[told], channels={name: trace[name][told] for name in CHANNELS})
    facts: dict[str, Sequence[float | None]] = {
        **_hours(trace, running, cooling, steady, fan_off_kpa or listed.fan_off_kpa, bounds),
        **_counts(trace, running, cooling, bounds),
        **_medians(part, np.searchsorted(told, bounds)),
    }
    starts_us = month.astype("datetime64[us]").astype(np.int64).tolist()
    return pl.DataFrame({"month": starts_us, **facts}, schema=SCHEMA)


def _months_of(trace: Trace) -> tuple[npt.NDArray[np.datetime64], Index]:
    """Months that have samples, and the places of their first samples with the number of samples at the end."""
    ends = trace.at_s[[0, -1]].astype("datetime64[s]").astype("datetime64[M]")
    month = np.arange(ends[0], ends[1] + 1)
    first = np.searchsorted(trace.at_s, month.astype("datetime64[s]").astype(np.float64))
    seen = np.diff(first, append=len(trace)) > 0
    return month[seen], np.append(first[seen], len(trace))


def _hours(
    trace: Trace, running: Running, cooling: Mask, steady: Mask, fan_off_kpa: float | None, bounds: Index
) -> dict[str, Sequence[float | None]]:
    step_s = np.diff(trace.at_s, append=np.inf)
    hours = np.minimum(step_s, np.nan_to_num(trace.step_s)) / HOUR_S
    runs = (running.run_no >= 0) & cooling
    waits = (trace["cooling_called"] == 1) & running.known & ~running.on & trace.cooling
    outdoor_c = trace.outdoor_c
    below_off = steady & (trace["fans_running"] > 0) & (trace.head_kpa < (fan_off_kpa or 0.0))
    weather = bool(np.isfinite(outdoor_c).any())
    fans = trace.has("fans_running") and bool(trace.head_tap) and fan_off_kpa is not None
    asked = {
        "run_h": (runs, True),
        "cold_run_h": (runs & (outdoor_c < COLD_C), weather),
        "mild_run_h": (runs & (outdoor_c >= MILD_C), weather),
        "called_not_running_h": (waits, trace.has("cooling_called")),
        "fans_below_off_h": (below_off, fans),
    }
    return {
        name: [float(hours[a:b][chosen[a:b]].sum()) if known else None for a, b in _pairs(bounds)]
        for name, (chosen, known) in asked.items()
    }


def _counts(trace: Trace, running: Running, cooling: Mask, bounds: Index) -> dict[str, Sequence[float | None]]:
    spans = running.spans
    after = np.minimum(np.arange(len(spans.on)) + 1, max(len(spans.on) - 1, 0))
    starts = spans.on & spans.follows & cooling[spans.first]
    ended = spans.follows[after] & ~spans.on[after]
    short = starts & ended & (trace.at_s[spans.first[after]] - trace.at_s[spans.first] < SHORT_RUN_S)
    seen = trace.step_s <= SLOWEST_FOR_SHORT_RUNS_S
    place = np.searchsorted(spans.first, bounds)
    return {
        "starts": [int(starts[a:b].sum()) for a, b in _pairs(place)],
        "short_runs": [int(short[a:b].sum()) if seen else None for a, b in _pairs(place)],
    }


def _medians(part: Trace, bounds: Index) -> dict[str, Sequence[float | None]]:
    """Medians and numbers of samples by month, from steady samples only."""
    outdoor_c = part.outdoor_c
    mild, cold = outdoor_c >= MILD_C, outdoor_c < COLD_C
    over_k = part.condensing_c() - outdoor_c
    suction_dew_c = part.dew_c("suction_kpa")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = part.head_kpa / part["suction_kpa"]
    values = {
        "condensing_over_ambient_k": np.where(mild, over_k, np.nan),
        "cold_condensing_over_ambient_k": np.where(cold, over_k, np.nan),
        "subcooling_k": np.where(mild, part.bubble_c("liquid_kpa") - part["liquid_line_c"], np.nan),
        "superheat_k": np.where(mild, part["suction_line_c"] - suction_dew_c, np.nan),
        "suction_dew_c": suction_dew_c,
        "pressure_ratio": ratio,
        "air_split_k": part["return_air_c"] - part["supply_air_c"],
        "compressor_a": part["compressor_a"],
    }
    facts: dict[str, Sequence[float | None]] = {}
    for name, value in values.items():
        by_month = [value[a:b][np.isfinite(value[a:b])] for a, b in _pairs(bounds)]
        facts[name] = [float(np.median(each)) if len(each) else None for each in by_month]
        facts[f"{name}_n"] = [len(each) for each in by_month]
    return facts


def _pairs(bounds: Index) -> list[tuple[int, int]]:
    return list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))
