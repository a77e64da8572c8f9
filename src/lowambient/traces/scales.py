"""Whether pressures are what they are said to be: unit of measure, gauge or absolute, refrigerant.

A circuit long at rest stands near the outdoor temperature; one that runs condenses above it and evaporates where coils
do. Pressures that break this are tried in other units. If one reading alone follows the outdoor temperature as closely
as a settled circuit does, it is taken; else saturation temperatures are set aside.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lowambient.refrigerant.saturation import bubble_c, dew_c
from lowambient.traces.circuit import Array, Index, Mask, Trace
from lowambient.traces.ranks import median

PRESSURES = ("suction_kpa", "liquid_kpa", "discharge_kpa")
SETTLED_S = 5400.0
RESTING_SPLIT, RUNNING_SPLIT = 0.1, 0.35
"""Logarithm of head over suction under which a circuit may rest, and over which it runs."""
POSSIBLE_STANDING_K, LEAST_STANDING_K = (-4.0, 14.0), -2.0
"""Standing bubble temperature over outdoor: sensor errors below, heat of crankcase heaters, sun and building above; and
the least of it over a sensor at the unit itself (judgement)."""
USUAL_STANDING_K, CLOSE_K, CLEARER_K, FAR_K = 2.0, 3.0, 4.0, 8.0
"""What it usually is; how far a right reading lies from that in the middle, and how much less far than any other that
is possible; and how far the pressures as given, where the charge may lie elsewhere than outdoors (judgement)."""
COLDEST_BOX_C, WARMEST_ROOM_C = -30.0, 25.0
"""Where the charge of a circuit that cools a box may lie, besides outdoors (judgement)."""
COLDER_THAN_INDOORS_C = 10.0
"""Above it the charge may lie in the indoor coil and stand at the indoor temperature (judgement)."""
POSSIBLE_CONDENSING_K = (-6.0, 60.0)
"""Condensing over outdoor in running: heat flows to the air, but for errors of sensors; no switch lets it go higher."""
POSSIBLE_EVAPORATING_C = (-50.0, 25.0)
FEWEST, ENOUGH = 20, 3000
ATMOSPHERE_KPA = 101.325
KPA_A_PSI, KPA_A_BAR = 6.894757, 100.0


@dataclass(frozen=True)
class Reading:
    """One way to read the pressures of a log: what was mistaken, and the absolute kPa for those given."""

    text: str
    absolute_kpa: Callable[[Array], Array]


@dataclass(frozen=True)
class Misfit:
    """What is wrong with the scale of the pressures, in a sentence; `reading` is null where none is safe to take."""

    sentence: str
    reading: Reading | None


@dataclass(frozen=True)
class Seen:
    """Samples at which a settled circuit stands, also in the cold alone, and at which one runs, none where they are
    few; the coldest and the warmest place (samples,) in which the charge may lie, degC, and how far over or under it
    may stand, K."""

    rests: Index
    cold_rests: Index
    runs: Index
    coldest_c: Array
    warmest_c: Array
    standing_k: tuple[float, float]


AS_GIVEN = Reading("as given", lambda kpa: kpa)
GAUGE = "gauge taken for absolute"


def readings(barometric_kpa: float) -> list[Reading]:
    """Ways in which pressures are misread: gauge for absolute, one unit for another."""
    units = (("psi", KPA_A_PSI), ("kPa", 1.0), ("bar", KPA_A_BAR))
    others = [
        Reading(f"{written} taken for {said}", _in_unit(kpa_written / kpa_said, barometric_kpa))
        for written, kpa_written in units
        for said, kpa_said in units
        if written != said
    ]
    return [Reading(GAUGE, lambda kpa: kpa + barometric_kpa), *others]


def _in_unit(factor: float, barometric_kpa: float) -> Callable[[Array], Array]:
    return lambda kpa: (kpa - barometric_kpa) * factor + barometric_kpa


def misfit(trace: Trace, cools_a_box: bool, barometric_kpa: float) -> Misfit | None:
    """Null where the pressures may be right as given, or nothing can be checked."""
    if trace.refrigerant is None:
        return None
    seen = _seen(trace, cools_a_box)
    others = [each for each in readings(barometric_kpa) if not (cools_a_box and each.text == GAUGE)]
    closest = _closest(trace, others, seen)
    if closest is None and _fits(trace, AS_GIVEN, seen):
        return None
    broken = _broken(trace, seen)
    if closest is not None:
        return Misfit(f"{broken}; as {closest.text} they fit", closest)
    return Misfit(
        f"{broken}, which {trace.refrigerant} cannot: the refrigerant on the list, the unit of pressure or a sensor is"
        " wrong; saturation temperatures are set aside",
        None,
    )


def _closest(trace: Trace, others: list[Reading], seen: Seen) -> Reading | None:
    """The one reading with which a settled circuit follows the outdoor temperature, where as given it does not."""
    if len(seen.cold_rests) == 0 or (_stands(trace, AS_GIVEN, seen) and not _off_k(trace, AS_GIVEN, seen) > FAR_K):
        return None
    off_k = {each.text: _off_k(trace, each, seen) for each in others}
    fitting = sorted((each for each in others if _fits(trace, each, seen)), key=lambda each: off_k[each.text])
    if not fitting or not off_k[fitting[0].text] < CLOSE_K:
        return None
    is_clear = len(fitting) == 1 or off_k[fitting[1].text] > off_k[fitting[0].text] + CLEARER_K
    return fitting[0] if is_clear else None


def _off_k(trace: Trace, reading: Reading, seen: Seen) -> float:
    """How far a settled circuit stands in the middle from its usual place over the outdoor temperature in the cold."""
    stands_c = bubble_c(str(trace.refrigerant), reading.absolute_kpa(trace["suction_kpa"][seen.cold_rests]))
    off_k = _middle(np.abs(stands_c - trace.outdoor_c[seen.cold_rests] - USUAL_STANDING_K))
    return off_k if np.isfinite(off_k) else np.inf


def read_as(trace: Trace, reading: Reading) -> Trace:
    """The trace with its pressures read in another way."""
    return trace.with_channels(**{channel: reading.absolute_kpa(trace[channel]) for channel in PRESSURES})


def without_refrigerant(trace: Trace) -> Trace:
    """The trace without saturation temperatures."""
    return replace(trace, refrigerant=None)


def _seen(trace: Trace, cools_a_box: bool) -> Seen:
    outdoor_c = trace.outdoor_c
    rests = settled_mask(trace) & np.isfinite(outdoor_c) & np.isfinite(trace["suction_kpa"])
    cold = _some(rests & (outdoor_c < COLDER_THAN_INDOORS_C))
    runs = _some((trace.log_split > RUNNING_SPLIT) & np.isfinite(outdoor_c) & trace.cooling)
    if not cools_a_box:
        least_k = LEAST_STANDING_K if trace.has("outdoor_c") else POSSIBLE_STANDING_K[0]
        coldest_c = np.fmin(outdoor_c, trace["station_c"])  # a sensor in the sun reads warm
        return Seen(cold, cold, runs, coldest_c, outdoor_c, (least_k, POSSIBLE_STANDING_K[1]))
    coldest_c, warmest_c = np.minimum(outdoor_c, COLDEST_BOX_C), np.maximum(outdoor_c, WARMEST_ROOM_C)
    return Seen(_some(rests), cold, runs, coldest_c, warmest_c, POSSIBLE_STANDING_K)


def _some(chosen: Mask) -> Index:
    """At most ENOUGH of the samples chosen, evenly picked; none where they are few."""
    places = np.flatnonzero(chosen)
    return places[:: 1 + len(places) // ENOUGH] if len(places) >= FEWEST else places[:0]


def _fits(trace: Trace, reading: Reading, seen: Seen) -> bool:
    """Whether standing, condensing and evaporating temperatures are all possible, as far as they are seen."""
    return _stands(trace, reading, seen) and _runs(trace, reading, seen)


def _stands(trace: Trace, reading: Reading, seen: Seen) -> bool:
    """Whether a settled circuit stands where its charge may lie."""
    if len(seen.rests) == 0:
        return True
    stands_c = bubble_c(str(trace.refrigerant), reading.absolute_kpa(trace["suction_kpa"][seen.rests]))
    low, high = seen.standing_k
    return _between(_middle(stands_c - seen.coldest_c[seen.rests]), low, np.inf) and _between(
        _middle(stands_c - seen.warmest_c[seen.rests]), -np.inf, high
    )


def _runs(trace: Trace, reading: Reading, seen: Seen) -> bool:
    """Whether a running circuit condenses above where its charge may lie, and evaporates where coils do."""
    if len(seen.runs) == 0:
        return True
    fluid = str(trace.refrigerant)
    condenses_c = bubble_c(fluid, reading.absolute_kpa(trace.head_kpa[seen.runs]))
    evaporates_c = dew_c(fluid, reading.absolute_kpa(trace["suction_kpa"][seen.runs]))
    low, high = POSSIBLE_CONDENSING_K
    return (
        _between(_middle(condenses_c - seen.coldest_c[seen.runs]), low, np.inf)
        and _between(_middle(condenses_c - seen.warmest_c[seen.runs]), -np.inf, high)
        and _between(_middle(evaporates_c), *POSSIBLE_EVAPORATING_C)
    )


def _middle(values: Array) -> float:
    """The median; NaN where most values are NaN: few are, where a pressure dives under the refrigerant's table."""
    known = values[np.isfinite(values)]
    return median(known) if 2 * len(known) > len(values) else np.nan


def _between(value: float, low: float, high: float) -> bool:
    """NaN, a temperature that the refrigerant's table does not reach, is not between."""
    return bool(low <= value <= high)


def _broken(trace: Trace, seen: Seen) -> str:
    """What does not fit, in words."""
    standing = not _stands(trace, AS_GIVEN, seen) or _runs(trace, AS_GIVEN, seen)
    where, kpa, which = (
        ("at rest", trace["suction_kpa"], seen.rests) if standing else ("in running", trace.head_kpa, seen.runs)
    )
    over_k = _middle(bubble_c(str(trace.refrigerant), kpa[which]) - trace.outdoor_c[which])
    if np.isfinite(over_k):
        return f"{where} it stands {over_k:.0f} K from the outdoor temperature"
    return f"{where} it stands where the refrigerant has no saturation temperature"


def settled_mask(trace: Trace) -> Mask:
    """Samples at which head and suction have been alike for an hour and a half: the circuit rests and has settled."""
    apart = ~(np.abs(trace.log_split) < RESTING_SPLIT) | trace.gap_before
    places = np.flatnonzero(apart)
    last_apart_s = np.repeat(trace.at_s[places], np.diff(places, append=len(apart)))
    return np.asarray(~apart & (trace.at_s - last_apart_s >= SETTLED_S))
