"""Steady cooling: the samples at which a circuit's temperatures mean something."""

import numpy as np
import numpy.typing as npt

from lowambient.traces.circuit import HOUR_S, Array, Listed, Mask, Trace
from lowambient.traces.cold_hours import HIDES_STOPS_S, groups, medians
from lowambient.traces.noise import noise_kpa
from lowambient.traces.runs import Running

Index = npt.NDArray[np.int64]

SETTLED_S = 600.0
"""Since the start of a run, or since a gap in the log: pressures have settled by then (judgement)."""
SHORT_RUN_SETTLED_S = 240.0
"""The same where hardly any run is long enough to settle: the last minutes of short runs must do."""
ENOUGH_SETTLED_S = 3 * 3600.0
BEFORE_STOP_S = 120.0
"""Left out before a stop: a pump-down, a trip or a fading load is on its way."""
COLDER_SUPPLY_K = 3.0
"""Supply air that much under return air shows cooling."""
THINNED_S = 120.0
"""Samples closer than two minutes are thinned where they tell no more."""
NEARER_NOISES = 3.0
"""Noises by which both pressures are nearer each other in a stop that a slow log hides (judgement)."""
MOST_KPA = 10_000.0
"""No pressure of the trade is higher; as a share of it, one lies within what `medians` takes."""


def thinned(samples: Index, step_s: float) -> Index:
    """Every so many of some samples that they lie about THINNED_S apart."""
    return samples[:: max(1, int(THINNED_S // step_s))] if len(samples) else samples


def may_heat_unseen(trace: Trace, listed: Listed) -> bool:
    """Whether this is a heat pump whose mode was never logged: heating may be known from its pressures, cooling not."""
    return bool(listed.heat_pump) and not (trace["heating"] == 0).any()


def cooling_samples(trace: Trace, listed: Listed) -> Mask:
    """Samples (samples,) in which a running circuit cools.

    A heat pump whose mode was never logged is believed only where cooling is called or the supply air is colder.
    """
    if not may_heat_unseen(trace, listed):
        return trace.cooling
    colder_k = trace["return_air_c"] - trace["supply_air_c"]
    cools: Mask = trace.cooling & ((trace["cooling_called"] == 1) | (colder_k > COLDER_SUPPLY_K))
    return cools


def steady_samples(trace: Trace, running: Running, listed: Listed, enough_settled_s: float = 0.0) -> Mask:
    """Samples (samples,) in steady cooling: settled since the start, not just before a stop.

    Where less than `enough_settled_s` of running is settled, because runs are short, their last minutes are taken.
    """
    settled = past_start(trace, running, listed, SETTLED_S)
    if settled.sum() * trace.step_s < enough_settled_s:
        return past_start(trace, running, listed, SHORT_RUN_SETTLED_S)
    return settled


def past_start(trace: Trace, running: Running, listed: Listed, settled_s: float) -> Mask:
    """Samples (samples,) in cooling so long after the start of the run or a gap in the log, and not before a stop."""
    away: Mask = (running.until_stop_s + trace.step_s / 2 >= BEFORE_STOP_S) & (running.since_begin_s >= settled_s)
    return away & cooling_samples(trace, listed) & ~hidden_stops(trace, running)


def hidden_stops(trace: Trace, running: Running) -> Mask:
    """Samples (samples,) of a slow log in or right after a stop that it took for running.

    In a stop suction rises while head falls; a fan, or the load, moves both the same way. Both are held against their
    medians over the hour's running.
    """
    hidden = np.zeros(len(trace), dtype=bool)
    channels = trace["suction_kpa"], trace.head_kpa
    ran = np.flatnonzero(running.on & np.isfinite(channels[0]) & np.isfinite(channels[1]))
    if trace.step_s <= HIDES_STOPS_S or len(ran) == 0:
        return hidden
    over, under = (
        sign * _over_hour(trace.at_s[ran], each[ran]) for sign, each in zip((1.0, -1.0), channels, strict=True)
    )
    suction_doubt, head_doubt = (NEARER_NOISES * noise_kpa(each, ~running.on) for each in channels)
    hidden[ran] = (over > suction_doubt) & (under > head_doubt)
    hidden[1:] |= hidden[:-1]
    return hidden


def _over_hour(at_s: Array, channel: Array) -> Array:
    """How far a pressure is over its median of the hour, kPa."""
    first, count = groups(at_s, HOUR_S)
    no = np.repeat(np.arange(len(first)), count)
    return np.asarray(channel - MOST_KPA * medians(channel / MOST_KPA, no, first, count)[no])
