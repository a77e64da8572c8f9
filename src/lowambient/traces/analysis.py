"""One circuit's readings into what it really did: the questions in order, each answered by its own module."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from lowambient.traces.brackets import Estimate
from lowambient.traces.circuit import Array, Listed, Trace, trace_of
from lowambient.traces.cleaning import SCHEMA as FAULTS
from lowambient.traces.cleaning import clean, fault_frame
from lowambient.traces.conditions import SCHEMA as CONDITIONS
from lowambient.traces.conditions import Learned, months
from lowambient.traces.fan_switching import fan_switching
from lowambient.traces.head_pressure import SCHEMA as HEAD_PRESSURE
from lowambient.traces.head_pressure import head_pressure
from lowambient.traces.heating import with_heating
from lowambient.traces.jumpers import SCHEMA as JUMPERED
from lowambient.traces.jumpers import jumpered_spans
from lowambient.traces.lockouts import Lockout, Tripped, lockouts
from lowambient.traces.noise import noise_kpa
from lowambient.traces.runs import CANNOT_TELL, SPLIT, Indices, running
from lowambient.traces.scales import UNIT_IN_DOUBT
from lowambient.traces.set_points import SCHEMA as SET_POINTS
from lowambient.traces.set_points import set_points, widened
from lowambient.traces.steady import cooling_samples, hidden_stops
from lowambient.traces.steady_points import SCHEMA as STEADY_POINTS
from lowambient.traces.steady_points import steady_points
from lowambient.traces.stops import Stops, stops
from lowambient.traces.switches import Switches, at_low_switch, judged_switches

FEWEST_SAMPLES = 10
SPLIT_LATE_S = 120.0
"""A stop read from the pressure split lies at most so long before it shows (judgement)."""
INSTANT = pl.Datetime("us", "UTC")
TRIPS: dict[str, pl.DataType] = {
    "tripped_at": INSTANT,
    "kind": pl.String(),
    "on_start": pl.Boolean(),
    "minimum_kpa": pl.Float64(),
    "restarted_after_min": pl.Float64(),
    "probability": pl.Float64(),
}
LOCKOUTS: dict[str, pl.DataType] = {
    "started_at": INSTANT,
    "ended_at": INSTANT,
    "kind": pl.String(),
    "outdoor_c": pl.Float64(),
    "ended_by": pl.String(),
}


TABLES: dict[str, dict[str, pl.DataType]] = {
    "trips": TRIPS,
    "lockouts": LOCKOUTS,
    "set_points": SET_POINTS,
    "head_pressure": HEAD_PRESSURE,
    "circuit_months": CONDITIONS,
    "trace_faults": FAULTS,
    "steady_points": STEADY_POINTS,
    "jumpered_spans": JUMPERED,
}


@dataclass(frozen=True)
class Analysis:
    """What one circuit did; frames as in the output contract, without unit and circuit."""

    running_from: str
    trips: pl.DataFrame
    lockouts: pl.DataFrame
    set_points: pl.DataFrame
    head_pressure: pl.DataFrame
    months: pl.DataFrame
    faults: pl.DataFrame
    steady: pl.DataFrame
    jumpered: pl.DataFrame

    def frames(self) -> dict[str, pl.DataFrame]:
        """The tables of `TABLES`."""
        found = (
            self.trips,
            self.lockouts,
            self.set_points,
            self.head_pressure,
            self.months,
            self.faults,
            self.steady,
            self.jumpered,
        )
        return dict(zip(TABLES, found, strict=True))


def analyse(frame: pl.DataFrame, listed: Listed) -> Analysis:
    """Everything that one circuit's readings tell; a pure function of `frame` (see `trace_of`) and the unit list."""
    given = trace_of(frame, listed)
    if len(given) < FEWEST_SAMPLES:
        return _nothing(listed)
    trace, faults = clean(given, listed)
    in_doubt = any(each.fault == UNIT_IN_DOUBT for each in faults)
    trace, known, left_out = with_heating(trace, listed.without_settings() if in_doubt else listed)
    state = running(trace)
    at_switch = at_low_switch(trace, known)
    seen = stops(at_switch, state)
    noises = noise_kpa(at_switch["suction_kpa"], ~state.on), noise_kpa(trace.head_kpa, ~state.on)
    cools = cooling_samples(trace, known) & ~hidden_stops(trace, state)
    fans = fan_switching(trace, state, cools, (known.fan_on_kpa, known.fan_off_kpa), noises[1])
    switches = judged_switches(trace, state, seen, known, fans.on, noises)
    low, high = switches.low, switches.high
    tripped = switches.tripped(seen, trace.step_s)
    locked = lockouts(trace, state, seen, tripped, switches.standing(trace, known, seen))
    lp_limit, hp_limit = switches.limits(known)
    learned = Learned(
        fan_on_kpa=fans.on.kpa if fans.on else None,
        fan_off_kpa=fans.off.kpa if fans.off else None,
        lp_cut_out=lp_limit,
        hp_cut_out=hp_limit,
        lp_trips_s=trace.at_s[seen.first_off[tripped.low]],
        lockouts_s=np.array([(each.started_s, each.ended_s) for each in locked]).reshape(-1, 2),
    )
    found: dict[str, Estimate | None] = {
        "lp cut-out": low.cut_out,
        "lp reset": switches.reset,
        "fan on": fans.on,
        "fan off": fans.off,
        "hp cut-out": high.cut_out,
    }
    wide = {} if in_doubt else {switch: widened(each, switch, trace.step_s) for switch, each in found.items()}
    return Analysis(
        running_from=state.from_what,
        trips=_trips(trace, seen, switches, tripped, noises if state.from_what == SPLIT else None),
        lockouts=_lockouts(locked),
        set_points=set_points(wide, listed, trace.refrigerant),
        head_pressure=head_pressure(trace, state, known, fans.turned_s),
        months=months(trace, state, known, learned),
        faults=fault_frame(faults + left_out),
        steady=steady_points(trace, state, known),
        jumpered=jumpered_spans(trace, state, known, (low, high), learned),
    )


def _nothing(listed: Listed) -> Analysis:
    """What too few samples tell."""
    empty = {name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}
    empty["set_points"] = set_points({}, listed, listed.refrigerant)
    return Analysis(CANNOT_TELL, *empty.values())


def _instants(seconds: np.ndarray) -> pl.Series:
    return pl.Series((np.asarray(seconds) * 1e6).round().astype(np.int64)).cast(INSTANT)


def _stopped_s(trace: Trace, first: Indices, noises: tuple[float, float]) -> Array:
    """When each stop happened that the split shows: the sample at which suction was lowest and head highest, the later
    of the two: suction may rise in a run too, and head hold for a while in a rest. A sensor that lags shows it late."""
    begin = np.searchsorted(trace.at_s, trace.at_s[first] - SPLIT_LATE_S)
    channels = -trace["suction_kpa"], trace.head_kpa
    turned = np.max(
        [_last_near_top(channel, begin, first, noise) for channel, noise in zip(channels, noises, strict=True)], axis=0
    )
    return np.asarray(trace.at_s[turned])


def _last_near_top(channel: Array, begin: Indices, last: Indices, noise_kpa: float) -> Indices:
    """The last samples of some stretches at which a channel stands as high as it gets, but for noise."""
    places = begin[:, None] + np.arange((last - begin).max(initial=0) + 1)
    window = np.where(places <= last[:, None], channel[np.minimum(places, len(channel) - 1)], np.nan)
    top = np.fmax.reduce(window, axis=1, keepdims=True)
    near = np.where(np.isnan(top), last[:, None], np.where(window >= top - noise_kpa, places, 0))
    return np.asarray(near.max(axis=1))


def _trips(
    trace: Trace, seen: Stops, switches: Switches, tripped: Tripped, noises: tuple[float, float] | None
) -> pl.DataFrame:
    """Both kinds of trips; `noises` of suction and head where the state comes from the pressure split, else null."""
    both = (("high pressure", tripped.high, switches.high), ("low pressure", tripped.low, switches.low))
    found = [np.flatnonzero(trips) for _, trips, _ in both]
    which = np.concatenate(found)
    first = seen.first_off[which]
    stopped_s = trace.at_s[first] if noises is None else _stopped_s(trace, first, noises)
    kinds = np.repeat([kind for kind, *_ in both], [len(each) for each in found])
    probability = np.concatenate([judged.probability[each] for (*_, judged), each in zip(both, found, strict=True)])
    in_time = np.argsort(stopped_s, kind="stable")
    which = which[in_time]
    columns = {
        "tripped_at": _instants(stopped_s[in_time]),
        "kind": kinds[in_time].tolist(),
        "on_start": seen.on_start[which],
        "minimum_kpa": seen.lowest_kpa[which],
        "restarted_after_min": np.where(seen.restarts[which], seen.off_s[which] / 60, np.nan),
        "probability": probability[in_time],
    }
    return pl.DataFrame(columns, schema=TRIPS, nan_to_null=True)


def _lockouts(found: list[Lockout]) -> pl.DataFrame:
    columns = {
        "started_at": _instants(np.array([each.started_s for each in found])),
        "ended_at": _instants(np.array([each.ended_s for each in found])),
        "kind": [each.kind for each in found],
        "outdoor_c": np.array([each.outdoor_c for each in found]),
        "ended_by": [each.ended_by for each in found],
    }
    return pl.DataFrame(columns, schema=LOCKOUTS, nan_to_null=True)
