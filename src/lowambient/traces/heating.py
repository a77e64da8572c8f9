"""Heating that no channel tells of: in the cold a heat pump's outdoor coil boils and its indoor coil condenses."""

from dataclasses import replace

import numpy as np

from lowambient.traces.circuit import Listed, Mask, Trace
from lowambient.traces.cleaning import SET_ASIDE, Fault

COLDER_THAN_OUTDOORS_K, WARM_COIL_C = 3.0, 33.0
"""Heat flows from the outdoor air into a colder coil and from a coil that is warm enough into supply air (physics;
figures are judgements)."""
COLD_C, MILD_C = 2.0, 15.0
"""Air under which ordinary cooling neither boils as cold as this nor condenses as warm for long; and under which a
unit that is known to heat does (judgement)."""
STEADY_S, FEWEST_SAMPLES, STEADY_SHARE, NEAR_S = 600.0, 3, 0.9, 300.0
"""Heating lasts that long, and so many samples, but for a share of them, before it is believed; and five minutes more
on either side, while pressures settle and the valve turns (judgement). A circuit that starves stops sooner."""
HEAT_PUMP_DUTIES = ("comfort", "year-round")
"""Refrigeration boils under the outdoor air with a held head all winter long."""


def with_heating(trace: Trace, listed: Listed) -> tuple[Trace, Listed, list[Fault]]:
    """The trace with heating marked where its pressures show it, the listing, which then says heat pump, and a word on
    what was left out.

    Nothing is changed where the mode was logged, nor for a unit whose list or duty denies a heat pump. Needs the
    outdoor temperature; suction and head as temperatures: dew and bubble.
    """
    may_heat = listed.heat_pump or (listed.heat_pump is None and listed.duty in HEAT_PUMP_DUTIES)
    if trace.has("heating") or not may_heat or not trace.has_weather:
        return trace, listed, []
    outdoor_c = trace.outdoor_c
    reversed_ = (trace.dew_c("suction_kpa") < outdoor_c - COLDER_THAN_OUTDOORS_K) & (trace.condensing_c() > WARM_COIL_C)
    heats = _lasting(reversed_ & (outdoor_c < COLD_C), trace)
    if listed.heat_pump or heats.any():
        heats |= _lasting(reversed_ & (outdoor_c < MILD_C), trace)
    if not heats.any():
        return trace, listed, []
    marked = trace.with_channels(heating=np.where(heats, 1.0, np.nan))
    return marked, replace(listed, heat_pump=True), [_left_out(trace, listed, heats)]


def _left_out(trace: Trace, listed: Listed, heats: Mask) -> Fault:
    """The word on heating that was found."""
    hours = float(trace.hours[heats].sum())
    unlisted = "" if listed.heat_pump else "; the unit list names no heat pump"
    sentence = f"the pressures show {hours:.0f} h of heating, which no mode tells of: left out of cooling{unlisted}"
    from_s, to_s = trace.at_s[np.flatnonzero(heats)[[0, -1]]]
    return Fault("mode", "heating not logged", float(from_s), float(to_s), SET_ASIDE, sentence)


def _lasting(seen: Mask, trace: Trace) -> Mask:
    """Samples (samples,) about stretches of STEADY_S, and of three samples, in which nearly all show something."""
    count = max(int(np.ceil(STEADY_S / trace.step_s)), FEWEST_SAMPLES)
    summed = np.concatenate([[0], np.cumsum(seen)])
    begins = np.flatnonzero(summed[count:] - summed[:-count] >= STEADY_SHARE * count)
    from_s, to_s = trace.at_s[begins] - NEAR_S, trace.at_s[begins + count - 1] + NEAR_S
    changes = np.zeros(len(seen) + 1, dtype=np.int64)
    np.add.at(changes, np.searchsorted(trace.at_s, from_s), 1)
    np.add.at(changes, np.searchsorted(trace.at_s, to_s, side="right"), -1)
    return np.asarray(np.cumsum(changes[:-1]) > 0)
