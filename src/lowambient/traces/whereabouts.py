"""Where a circuit's charge may lie at rest, and where it may condense and evaporate in running."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Index, Listed, Mask, Trace
from lowambient.traces.ranks import middle

SETTLED_S, WELL_ON_S, SLOWEST_STEP_S = 5400.0, 300.0, 60.0
"""How long a circuit rests until it has settled, and runs until its condenser warms; a log slower than the last may
meet short runs alone (judgement)."""
RESTING_SPLIT, RUNNING_SPLIT = 0.1, 0.35
"""Logarithm of head over suction under which a circuit may rest, and over which it runs."""
POSSIBLE_STANDING_K, LEAST_STANDING_K = (-4.0, 14.0), -2.0
"""Standing bubble temperature over outdoor: sensor errors below, heat of crankcase heaters, sun and building above; and
the least of it over a sensor at the unit itself (judgement)."""
COLDEST_BOX_C, WARMEST_ROOM_C = -30.0, 25.0
"""Where the charge of a circuit that cools a box may lie, besides outdoors, if the box is not known (judgement)."""
COLDER_THAN_INDOORS_C = 10.0
"""Above it the charge may lie in the indoor coil and stand at the indoor temperature (judgement)."""
WARMEST_COIL_C = 25.0
"""No coil that cools a room evaporates over it (judgement)."""
WARMEST_BOX_C, SENSOR_K = 10.0, 4.0
"""Above what a box is a room; and how far evaporating may seem to lie over the air that is cooled, or a charge under
it, though heat flows the other way: errors of sensors (judgement)."""
AIR_CONDITIONING = ("R-32", "R-410A", "R-454B")
"""Refrigerants that common practice does not put into coolers and freezers."""
FEWEST, ENOUGH = 20, 3000
"""Samples that show a state, and as many as are looked at (judgement)."""


@dataclass(frozen=True)
class Seen:
    """Samples at which a settled circuit stands, also in the cold alone, and at which one runs, none where they are
    few; the coldest and the warmest place (samples,) in which the charge may lie, the coldest in which a running
    circuit may condense, degC; how far over or under them it may stand, K; and the warmest that it may evaporate, degC.

    `cools_a_box`: for all one knows the charge may lie in a box, so that where it stands tells little.
    """

    cools_a_box: bool
    rests: Index
    cold_rests: Index
    runs: Index
    coldest_c: Array
    warmest_c: Array
    coldest_running_c: Array
    standing_k: tuple[float, float]
    warmest_evaporating_c: float


def see(trace: Trace, listed: Listed) -> Seen:
    """What of a trace tells whether its pressures are what they are said to be."""
    outdoor_c = trace.outdoor_c
    cooled_c = _cooled_c(trace, listed)
    cools_a_box = _cools_a_box(trace, listed, cooled_c)
    rests = settled_mask(trace) & np.isfinite(outdoor_c) & np.isfinite(trace["suction_kpa"])
    cold = _some(rests & (outdoor_c < COLDER_THAN_INDOORS_C))
    coldest_c = np.fmin(outdoor_c, trace["station_c"])  # a sensor in the sun reads warm
    warmest_c, runs = outdoor_c, _apart(trace)
    running_c = coldest_c
    least_k = LEAST_STANDING_K if trace.has("outdoor_c") else POSSIBLE_STANDING_K[0]
    if cools_a_box:
        box_c = cooled_c - SENSOR_K if np.isfinite(cooled_c) else COLDEST_BOX_C
        coldest_c, warmest_c = np.minimum(outdoor_c, box_c), np.maximum(outdoor_c, WARMEST_ROOM_C)
        least_k = POSSIBLE_STANDING_K[0]
        if trace.has("compressor_on") and trace.step_s <= SLOWEST_STEP_S:
            runs &= _lasts(trace, trace["compressor_on"] == 1.0, WELL_ON_S)
        else:
            running_c = coldest_c  # a circuit that rests may stand apart, all of it colder than outdoors
    return Seen(
        cools_a_box=cools_a_box,
        rests=_some(rests) if cools_a_box else cold,
        cold_rests=cold,
        runs=_some(runs),
        coldest_c=coldest_c,
        warmest_c=warmest_c,
        coldest_running_c=running_c,
        standing_k=(least_k, POSSIBLE_STANDING_K[1]),
        warmest_evaporating_c=_warmest_evaporating_c(listed, cooled_c),
    )


def settled_mask(trace: Trace) -> Mask:
    """Samples at which head and suction have been alike for an hour and a half: the circuit rests and has settled."""
    return _lasts(trace, np.abs(trace.log_split) < RESTING_SPLIT, SETTLED_S)


def _lasts(trace: Trace, chosen: Mask, seconds: float) -> Mask:
    """Samples that are chosen, as all were for so long before them, without a gap."""
    broken = ~chosen | trace.gap_before
    places = np.flatnonzero(broken)
    last_s = np.repeat(trace.at_s[places], np.diff(places, append=len(broken)))
    return np.asarray(~broken & (trace.at_s - last_s >= seconds))


def _apart(trace: Trace) -> Mask:
    """Samples at which pressures lie as far apart as in running."""
    split = trace.log_split
    return np.asarray((split > RUNNING_SPLIT) & np.isfinite(split + trace.outdoor_c) & trace.cooling)


def _some(chosen: Mask) -> Index:
    """At most ENOUGH of the samples chosen, evenly picked; none where they are few."""
    places = np.flatnonzero(chosen)
    return places[:: 1 + len(places) // ENOUGH] if len(places) >= FEWEST else places[:0]


def _cooled_c(trace: Trace, listed: Listed) -> float:
    """The air that the circuit cools as logged, else as listed, degC; NaN where neither is known."""
    logged_c = middle(trace["return_air_c"]) if trace.has("return_air_c") else np.nan
    listed_c = np.nan if listed.space_c is None else listed.space_c
    return logged_c if np.isfinite(logged_c) else listed_c


def _cools_a_box(trace: Trace, listed: Listed, cooled_c: float) -> bool:
    if listed.duty is not None:
        return listed.duty == "refrigeration"
    return cooled_c < WARMEST_BOX_C if np.isfinite(cooled_c) else trace.refrigerant not in AIR_CONDITIONING


def _warmest_evaporating_c(listed: Listed, cooled_c: float) -> float:
    """Evaporating temperature over which a coil cannot cool its air, degC."""
    if listed.duty == "refrigeration":
        cooled_c = np.fmin(cooled_c, WARMEST_BOX_C)
    return float(np.fmin(cooled_c + SENSOR_K, WARMEST_COIL_C))
