"""Month by month, what cooling looked like: the facts about one circuit that flags weigh."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.traces.circuit import Array, Listed, Mask, Trace
from lowambient.traces.cold_hours import COLD_C
from lowambient.traces.known import SwitchLimit
from lowambient.traces.ranks import median
from lowambient.traces.runs import Running
from lowambient.traces.steady import cooling_samples, past_start, steady_samples, thinned

Index = npt.NDArray[np.int64]
Facts = dict[str, Sequence[float | str | None]]

MILD_C = 15.0
"""From here up charge and condenser can be judged: every fan is wanted and no control at work (judgement)."""
SHORT_RUN_S = 180.0
SLOWEST_FOR_SHORT_RUNS_S = 90.0
"""Half a short run: a slower log does not see them."""
START_DELAY_S = 300.0
"""A low-pressure switch may be passed over so long after a start (manuals: 30 to 180 s, up to five minutes)."""
HOURS = (
    "run_h",
    "cold_run_h",
    "mild_run_h",
    "called_not_running_h",
    "fans_below_off_h",
    "fans_all_below_on_h",
    "under_cut_out_h",
    "over_hp_h",
    "cold_lockout_h",
)
COUNTS = ("starts", "short_runs", "lp_trips", "lp_trips_cold")
BASES = ("lp_cut_out_from", "hp_cut_out_from")
MEDIANS = (
    "condensing_over_ambient_k",
    "warm_condensing_over_ambient_k",
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
    **dict.fromkeys(BASES, pl.String()),
    **{name: kind for each in MEDIANS for name, kind in ((each, pl.Float64()), (f"{each}_n", pl.Int64()))},
}


@dataclass(frozen=True)
class Learned:
    """What the rest of the analysis learned of a circuit; pressures in absolute kPa, null where they are not known.

    `lp_cut_out` and `hp_cut_out` are null too where a run beyond them would prove nothing. `lp_trips_s`: instants of
    low-pressure trips; `lockouts_s`: from and to of lockouts, (lockouts, 2); seconds since 1970 UTC.
    """

    fan_on_kpa: float | None = None
    fan_off_kpa: float | None = None
    lp_cut_out: SwitchLimit | None = None
    hp_cut_out: SwitchLimit | None = None
    lp_trips_s: Array = field(default_factory=lambda: np.empty(0))
    lockouts_s: Array = field(default_factory=lambda: np.empty((0, 2)))


NOTHING_LEARNED = Learned()


def months(trace: Trace, running: Running, listed: Listed, learned: Learned = NOTHING_LEARNED) -> pl.DataFrame:
    """Facts of each UTC month that has samples; null where a channel is missing or nothing was seen.

    Grain: month (its first instant, UTC); columns are those of `SCHEMA`. Over all cooling: run_h, cold_run_h (under
    10 °C outdoors), mild_run_h (from 15 °C), called_not_running_h, starts that were seen, short_runs (under three
    minutes; null where the log is too slow). lp_trips and lp_trips_cold (under 10 °C outdoors) are trips of the
    low-pressure switch, cold_lockout_h the part of lockouts with the air under 10 °C.

    fans_below_off_h is steady running with a fan on while head pressure is under the fan-off pressure (as learned, else
    listed); fans_all_below_on_h the same in the cold with as many fans as the log ever shows, so that a fan which no
    control turns off does not count. under_cut_out_h and over_hp_h are running past the start delay with suction
    under the low-pressure cut-out, or head over the high-pressure one, by more than the error of sensors, in two
    samples at least (one may be a start between two samples); lp_cut_out_from and hp_cut_out_from say whether the
    cut-out was "found", "listed" or is the "usual" one. See `beyond_switch` for what does not count.

    Medians over steady cooling: in mild air condensing_over_ambient_k, subcooling_k (liquid bubble over liquid line)
    and superheat_k (suction line over suction dew); in the cold cold_condensing_over_ambient_k; with head above the
    fan-on pressure, where every fan runs whatever the air, warm_condensing_over_ambient_k; in any weather
    suction_dew_c, pressure_ratio of absolute pressures [-], air_split_k (return over supply) and compressor_a.
    """
    if len(trace) == 0:
        return pl.DataFrame(schema=SCHEMA)
    month, bounds = _months_of(trace)
    cooling = cooling_samples(trace, listed)
    steady = steady_samples(trace, running, listed)
    told = thinned(np.flatnonzero(steady), trace.step_s)
    part = replace(trace, at_s=trace.at_s[told], channels={name: trace[name][told] for name in CHANNELS})
    fan_on_kpa = learned.fan_on_kpa or listed.fan_on_kpa
    lp_limit, hp_limit = judged_by(trace, running, listed, learned)
    facts: Facts = {
        **_hours(trace, running, cooling, bounds),
        **_fan_hours(trace, steady, learned.fan_off_kpa or listed.fan_off_kpa, bounds),
        **_switch_hours(trace, running, listed, (lp_limit, hp_limit), bounds),
        **_lockout_hours(trace, learned.lockouts_s, bounds),
        **_counts(trace, running, cooling, bounds),
        **_trip_counts(trace, running, learned.lp_trips_s, bounds),
        "lp_cut_out_from": [lp_limit.basis if lp_limit else None] * len(month),
        "hp_cut_out_from": [hp_limit.basis if hp_limit else None] * len(month),
        **_medians(part, np.searchsorted(told, bounds), fan_on_kpa),
    }
    facts["month"] = month.astype("datetime64[us]").astype(np.int64).tolist()
    rows = list(zip(*(facts[name] for name in SCHEMA), strict=True))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _months_of(trace: Trace) -> tuple[npt.NDArray[np.datetime64], Index]:
    """Months that have samples, and the places of their first samples with the number of samples at the end."""
    ends = trace.at_s[[0, -1]].astype("datetime64[s]").astype("datetime64[M]")
    month = np.arange(ends[0], ends[1] + 1)
    first = np.searchsorted(trace.at_s, month.astype("datetime64[s]").astype(np.float64))
    seen = np.diff(first, append=len(trace)) > 0
    return month[seen], np.append(first[seen], len(trace))


def _by_month(trace: Trace, asked: dict[str, tuple[Mask, bool]], bounds: Index) -> Facts:
    """Hours of each month in which something holds, for each thing asked: where it holds, and whether it is known."""
    months = len(bounds) - 1
    return {
        name: np.add.reduceat(trace.hours * chosen, bounds[:-1]).tolist() if known else [None] * months
        for name, (chosen, known) in asked.items()
    }


def _hours(trace: Trace, running: Running, cooling: Mask, bounds: Index) -> Facts:
    runs = running.on & running.known & cooling
    waits = (trace["cooling_called"] == 1) & running.known & ~running.on & trace.cooling
    outdoor_c = trace.outdoor_c
    asked = {
        "run_h": (runs, True),
        "cold_run_h": (runs & (outdoor_c < COLD_C), trace.has_weather),
        "mild_run_h": (runs & (outdoor_c >= MILD_C), trace.has_weather),
        "called_not_running_h": (waits, trace.has("cooling_called")),
    }
    return _by_month(trace, asked, bounds)


def _fan_hours(trace: Trace, steady: Mask, fan_off_kpa: float | None, bounds: Index) -> Facts:
    fans = trace["fans_running"]
    known = trace.has("fans_running") and bool(trace.head_tap) and fan_off_kpa is not None
    below_off = steady & (trace.head_kpa < (fan_off_kpa or 0.0))
    every = np.nanmax(fans, initial=1.0)
    cold = trace.outdoor_c < COLD_C
    asked = {
        "fans_below_off_h": (below_off & (fans > 0), known),
        "fans_all_below_on_h": (below_off & (fans >= every) & cold, known and trace.has_weather),
    }
    return _by_month(trace, asked, bounds)


def judged_by(
    trace: Trace, running: Running, listed: Listed, learned: Learned
) -> tuple[SwitchLimit | None, SwitchLimit | None]:
    """The switches' limits by which hours beyond them are counted; null where such hours would prove nothing.

    A low-pressure switch on the liquid side does not see suction. Where a unit pumps down by design and its solenoid
    is not logged, low suction may be its pump-down.
    """
    told = bool(running.known.any())
    pumps_down_unseen = listed.pump_down is True and not trace.has("liquid_solenoid_open")
    blind = listed.lp_switch_at == "liquid" or pumps_down_unseen or not trace.has("suction_kpa")
    return (
        learned.lp_cut_out if told and not blind else None,
        learned.hp_cut_out if told and trace.head_tap else None,
    )


def beyond_switch(trace: Trace, running: Running, listed: Listed, limit: SwitchLimit | None, sign: float) -> Mask:
    """Samples (samples,) of cooling past the start delay that a working switch does not allow.

    `sign` is -1 for the low-pressure switch, on suction, and 1 for the high-pressure one, on head. Left out are the
    minutes before a stop, heating and defrost, the solenoid shut (a pump-down), and a sample whose neighbours in the
    same run both lie on the near side: a start between two samples dips too.
    """
    if limit is None:
        return np.zeros(len(trace), dtype=bool)
    channel = trace["suction_kpa"] if sign < 0 else trace.head_kpa
    beyond = past_start(trace, running, listed, START_DELAY_S) & (sign * channel > sign * limit.kpa + limit.error_kpa)
    if sign < 0:
        beyond &= trace["liquid_solenoid_open"] != 0
    places = np.flatnonzero(beyond)
    is_pair = (np.diff(places) == 1) & (np.diff(running.run_no[places]) == 0)
    pairs, told = np.flatnonzero(is_pair), np.zeros(len(trace), dtype=bool)
    told[places[pairs]] = told[places[pairs + 1]] = True
    return told


def _switch_hours(
    trace: Trace,
    running: Running,
    listed: Listed,
    limits: tuple[SwitchLimit | None, SwitchLimit | None],
    bounds: Index,
) -> Facts:
    low, high = limits
    asked = {
        "under_cut_out_h": (beyond_switch(trace, running, listed, low, -1.0), low is not None),
        "over_hp_h": (beyond_switch(trace, running, listed, high, 1.0), high is not None),
    }
    return _by_month(trace, asked, bounds)


def _lockout_hours(trace: Trace, lockouts_s: Array, bounds: Index) -> Facts:
    locked = np.zeros(len(trace), dtype=bool)
    for first, end in np.searchsorted(trace.at_s, lockouts_s).tolist():
        locked[first:end] = True
    return _by_month(trace, {"cold_lockout_h": (locked & (trace.outdoor_c < COLD_C), trace.has_weather)}, bounds)


def _trip_counts(trace: Trace, running: Running, lp_trips_s: Array, bounds: Index) -> Facts:
    """Trips by month; null where they cannot be seen, the cold ones also where the air is not known."""
    place = np.minimum(np.searchsorted(trace.at_s, lp_trips_s), len(trace) - 1)
    cold = trace.outdoor_c[place] < COLD_C
    told = bool(running.known.any()) and trace.has("suction_kpa")
    inside = [(place >= a) & (place < b) for a, b in _pairs(bounds)]
    return {
        "lp_trips": [int(each.sum()) if told else None for each in inside],
        "lp_trips_cold": [int((each & cold).sum()) if told and trace.has_weather else None for each in inside],
    }


def _counts(trace: Trace, running: Running, cooling: Mask, bounds: Index) -> Facts:
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


def _medians(part: Trace, bounds: Index, fan_on_kpa: float | None) -> Facts:
    """Medians and numbers of samples by month, from steady samples only."""
    outdoor_c = part.outdoor_c
    mild, cold = outdoor_c >= MILD_C, outdoor_c < COLD_C
    over_k = part.condensing_c() - outdoor_c
    suction_dew_c = part.dew_c("suction_kpa")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = part.head_kpa / part["suction_kpa"]
    values = {
        "condensing_over_ambient_k": np.where(mild, over_k, np.nan),
        "warm_condensing_over_ambient_k": np.where(part.head_kpa > (fan_on_kpa or np.inf), over_k, np.nan),
        "cold_condensing_over_ambient_k": np.where(cold, over_k, np.nan),
        "subcooling_k": np.where(mild, part.bubble_c("liquid_kpa") - part["liquid_line_c"], np.nan),
        "superheat_k": np.where(mild, part["suction_line_c"] - suction_dew_c, np.nan),
        "suction_dew_c": suction_dew_c,
        "pressure_ratio": ratio,
        "air_split_k": part["return_air_c"] - part["supply_air_c"],
        "compressor_a": part["compressor_a"],
    }
    facts: Facts = {}
    for name, value in values.items():
        by_month = [value[a:b][np.isfinite(value[a:b])] for a, b in _pairs(bounds)]
        facts[name] = [median(each) if len(each) else None for each in by_month]
        facts[f"{name}_n"] = [len(each) for each in by_month]
    return facts


def _pairs(bounds: Index) -> list[tuple[int, int]]:
    return list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))
