"""Whether pressures are what they are said to be: unit of measure, gauge or absolute, refrigerant.

A circuit long at rest stands near the outdoor temperature; one that runs condenses above it and evaporates under the
air that it cools. Pressures that break this are tried in other units. If one reading alone follows the outdoor
temperature as closely as a settled circuit does, or one alone lets a circuit that never settles run, it is taken; else
saturation temperatures are set aside.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lowambient.refrigerant.saturation import bubble_c, dew_c
from lowambient.traces.circuit import Array, Listed, Trace
from lowambient.traces.ranks import middle
from lowambient.traces.whereabouts import Seen, see

PRESSURES = ("suction_kpa", "liquid_kpa", "discharge_kpa")
USUAL_STANDING_K, CLOSE_K, CLEARER_K, FAR_K = 2.0, 3.0, 3.0, 8.0
"""How far over outdoor a settled circuit usually stands; how far a right reading lies from that in the middle, and how
much less far than any other that is possible; and how far the pressures as given, where the charge may lie elsewhere
than outdoors (judgement)."""
LEANING_K, LEANING_SPAN_K, LEANS, LEVEL = -1.0, 6.0, 0.1, 0.05
"""Gauge pressures stand ever lower the colder it is: under which standing, over so wide a range of outdoor temperature,
standing must climb as given by so many kelvins a kelvin, and as absolute by at most how many (judgement)."""
POSSIBLE_CONDENSING_K = (-6.0, 60.0)
"""Condensing over outdoor in running: heat flows to the air, but for errors of sensors; no switch lets it go higher."""
NOISE_AT_VACUUM_KPA, FEWEST_BELOW, SHARE_BELOW = -40.0, 20, 0.002
"""As far under a vacuum noise and a sensor's error may carry a reading of an absolute pressure; and how many readings
farther below, at least and of all, are no flaws (judgement)."""
USUAL = ("R-22", "R-32", "R-134a", "R-290", "R-404A", "R-407A", "R-407C", "R-410A", "R-448A", "R-454B", "R-513A")
"""Refrigerants that may be in a unit that is listed with another (common practice; no source); R-507A stands where
R-404A does within a kelvin, R-449A where R-448A does."""
KPA_A_PSI, KPA_A_BAR = 6.894757, 100.0


@dataclass(frozen=True)
class Reading:
    """One way to read the pressures of a log: what was mistaken, and the absolute kPa for those given."""

    text: str
    absolute_kpa: Callable[[Array], Array]


@dataclass(frozen=True)
class Misfit:
    """What is wrong with the scale of the pressures, in few words and in a sentence; `reading` is null where none is
    safe to take."""

    fault: str
    sentence: str
    reading: Reading | None = None


AS_GIVEN = Reading("as given", lambda kpa: kpa)
GAUGE = "gauge taken for absolute"
UNIT_IN_DOUBT = "unit of pressure in doubt"


def readings(barometric_kpa: float) -> list[Reading]:
    """Ways in which pressures are misread: gauge for absolute first, then one unit for another."""
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


def misfit(trace: Trace, listed: Listed) -> Misfit | None:
    """Null where the pressures may be right as given, or nothing can be checked."""
    if trace.refrigerant is None:
        return None
    seen = see(trace, listed)
    gauge, *units = readings(listed.barometric_kpa)
    vacuum = _below_vacuum(trace)
    if vacuum:
        closest = gauge if _fits(trace, gauge, seen) else None
    else:
        closest = _closest(trace, units if seen.cools_a_box else [gauge, *units], seen)
    if closest is None and not vacuum and _fits(trace, AS_GIVEN, seen):
        return None
    broken = f"{vacuum} readings lie below a vacuum" if vacuum else _broken(trace, seen)
    if closest is not None:
        return Misfit(closest.text, f"{broken}; as {closest.text} they fit", closest)
    return _unexplained(trace, broken, [each.text for each in units if _fits(trace, each, seen)], seen)


def _unexplained(trace: Trace, broken: str, units: list[str], seen: Seen) -> Misfit:
    """What might explain pressures that no one reading does: `units` of measure, other refrigerants, a sensor."""
    names = _refrigerants_that_fit(trace, seen)
    might = [*units, *([f"{' or '.join(names)} in it"] if names else [])]
    perhaps = f"perhaps {', or '.join(might)}" if might else "a sensor is wrong"
    cannot = f"{broken}, which {trace.refrigerant} cannot: {perhaps}"
    if units:
        return Misfit(UNIT_IN_DOUBT, f"{cannot}; saturation temperatures and set-points are set aside")
    return Misfit("refrigerant or pressure does not fit", f"{cannot}; saturation temperatures are set aside")


def _below_vacuum(trace: Trace) -> int:
    """How many readings of suction are below what an absolute pressure can be; 0 where so few may be flaws."""
    below = int(np.count_nonzero(trace["suction_kpa"] < NOISE_AT_VACUUM_KPA))
    return below if below >= max(FEWEST_BELOW, SHARE_BELOW * len(trace)) else 0


def _refrigerants_that_fit(trace: Trace, seen: Seen) -> list[str]:
    """Refrigerants that would explain the pressures as given."""
    others = {name: replace(trace, refrigerant=name) for name in USUAL}
    return [name for name, other in others.items() if _fits(other, AS_GIVEN, seen) and _settles_close(other, seen)]


def _settles_close(trace: Trace, seen: Seen) -> bool:
    """Whether a settled circuit stands where it usually does, where that was seen in the cold."""
    return len(seen.cold_rests) == 0 or _off_k(trace, AS_GIVEN, seen) < CLOSE_K


def _closest(trace: Trace, others: list[Reading], seen: Seen) -> Reading | None:
    """The one reading with which a settled circuit follows the outdoor temperature, where as given it does not."""
    if len(seen.cold_rests) == 0:
        return _only_one_to_run(trace, others, seen)
    if _stands(trace, AS_GIVEN, seen) and not _off_k(trace, AS_GIVEN, seen) > FAR_K:
        return _leaning(trace, others, seen)
    off_k = {each.text: _off_k(trace, each, seen) for each in others}
    fitting = sorted((each for each in others if _fits(trace, each, seen)), key=lambda each: off_k[each.text])
    if not fitting or not off_k[fitting[0].text] < CLOSE_K:
        return None
    is_clear = len(fitting) == 1 or off_k[fitting[1].text] > off_k[fitting[0].text] + CLEARER_K
    return fitting[0] if is_clear else None


def _only_one_to_run(trace: Trace, others: list[Reading], seen: Seen) -> Reading | None:
    """The one reading that lets the circuit run, where as given no refrigerant would."""
    if _runs(trace, AS_GIVEN, seen) or _refrigerants_that_fit(trace, seen):
        return None
    fitting = [each for each in others if _runs(trace, each, seen)]
    return fitting[0] if len(fitting) == 1 else None


def _leaning(trace: Trace, others: list[Reading], seen: Seen) -> Reading | None:
    """Gauge taken for absolute, where as given a settled circuit stands low, and the lower the colder it is."""
    gauge = next((each for each in others if each.text == GAUGE and _fits(trace, each, seen)), None)
    outdoor_c = trace.outdoor_c[seen.cold_rests]
    if gauge is None or np.ptp(outdoor_c) < LEANING_SPAN_K:
        return None
    given_k, absolute_k = (_stands_c(trace, each, seen) - outdoor_c for each in (AS_GIVEN, gauge))
    leans = middle(given_k) < LEANING_K and _slope(outdoor_c, given_k) > LEANS
    return gauge if leans and abs(_slope(outdoor_c, absolute_k)) < LEVEL else None


def _stands_c(trace: Trace, reading: Reading, seen: Seen) -> Array:
    """Bubble temperature of a settled circuit in the cold (samples,), degC."""
    return np.asarray(bubble_c(str(trace.refrigerant), reading.absolute_kpa(trace["suction_kpa"][seen.cold_rests])))


def _condenses_c(trace: Trace, reading: Reading, seen: Seen) -> Array:
    """Bubble temperature at the head of a running circuit (samples,), degC."""
    return np.asarray(bubble_c(str(trace.refrigerant), reading.absolute_kpa(trace.head_kpa[seen.runs])))


def _off_k(trace: Trace, reading: Reading, seen: Seen) -> float:
    """How far a settled circuit stands in the middle from its usual place over the outdoor temperature in the cold."""
    off_k = middle(np.abs(_stands_c(trace, reading, seen) - trace.outdoor_c[seen.cold_rests] - USUAL_STANDING_K))
    return off_k if np.isfinite(off_k) else np.inf


def read_as(trace: Trace, reading: Reading) -> Trace:
    """The trace with its pressures read in another way."""
    return trace.with_channels(**{channel: reading.absolute_kpa(trace[channel]) for channel in PRESSURES})


def without_refrigerant(trace: Trace) -> Trace:
    """The trace without saturation temperatures."""
    return replace(trace, refrigerant=None)


def _fits(trace: Trace, reading: Reading, seen: Seen) -> bool:
    """Whether standing, condensing and evaporating temperatures are all possible, as far as they are seen."""
    return _stands(trace, reading, seen) and _runs(trace, reading, seen)


def _stands(trace: Trace, reading: Reading, seen: Seen) -> bool:
    """Whether a settled circuit stands where its charge may lie."""
    if len(seen.rests) == 0:
        return True
    stands_c = bubble_c(str(trace.refrigerant), reading.absolute_kpa(trace["suction_kpa"][seen.rests]))
    low, high = seen.standing_k
    return _between(middle(stands_c - seen.coldest_c[seen.rests]), low, np.inf) and _between(
        middle(stands_c - seen.warmest_c[seen.rests]), -np.inf, high
    )


def _runs(trace: Trace, reading: Reading, seen: Seen) -> bool:
    """Whether a running circuit condenses above where its charge may lie, and evaporates where coils do."""
    if len(seen.runs) == 0:
        return True
    warmer_k = _evaporating_c(trace, reading, seen) - seen.warmest_evaporating_c
    return _condenses(trace, reading, seen) and not warmer_k >= 0  # NaN: under the table, as in a pump-down


def _condenses(trace: Trace, reading: Reading, seen: Seen) -> bool:
    condenses_c = _condenses_c(trace, reading, seen)
    low, high = POSSIBLE_CONDENSING_K
    return _between(middle(condenses_c - seen.coldest_running_c[seen.runs]), low, np.inf) and _between(
        middle(condenses_c - seen.warmest_c[seen.runs]), -np.inf, high
    )


def _evaporating_c(trace: Trace, reading: Reading, seen: Seen) -> float:
    """The dew temperature at which a running circuit evaporates in the middle, degC."""
    return middle(dew_c(str(trace.refrigerant), reading.absolute_kpa(trace["suction_kpa"][seen.runs])))


def _slope(along: Array, values: Array) -> float:
    """Least-squares slope over what is known."""
    known = np.isfinite(along) & np.isfinite(values)
    return float(np.polyfit(along[known], values[known], 1)[0])


def _between(value: float, low: float, high: float) -> bool:
    """NaN, a temperature that the refrigerant's table does not reach, is not between."""
    return bool(low <= value <= high)


def _broken(trace: Trace, seen: Seen) -> str:
    """What does not fit, in words."""
    standing = not _stands(trace, AS_GIVEN, seen) or _runs(trace, AS_GIVEN, seen)
    if not standing and _condenses(trace, AS_GIVEN, seen):
        warmer_k = _evaporating_c(trace, AS_GIVEN, seen) - seen.warmest_evaporating_c
        return f"in running it evaporates {warmer_k:.0f} K over what could cool its air"
    where, kpa, which = (
        ("at rest", trace["suction_kpa"], seen.rests) if standing else ("in running", trace.head_kpa, seen.runs)
    )
    over_k = middle(bubble_c(str(trace.refrigerant), kpa[which]) - trace.outdoor_c[which])
    if np.isfinite(over_k):
        return f"{where} it stands {over_k:.0f} K from the outdoor temperature"
    return f"{where} it stands where the refrigerant has no saturation temperature"
