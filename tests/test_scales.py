"""Pressures in the wrong unit, wrong refrigerants and swapped hoses: found, corrected where safe, else set aside."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from trace_maker import Made, make

from lowambient.refrigerant.saturation import bubble_kpa
from lowambient.traces.analysis import Analysis, analyse
from lowambient.traces.circuit import Listed, Trace, trace_of
from lowambient.traces.cleaning import CORRECTED, SET_ASIDE, clean
from lowambient.traces.scales import PRESSURES, misfit, read_as

ATMOSPHERE_KPA = 101.325
PSI = 6.894757293168
UNITS_KPA = {"psi": PSI, "kPa": 1.0, "bar": 100.0}


@pytest.fixture(scope="module")
def resting() -> Made:
    """R-410A in a cold week, at rest every night."""
    return make(11, days=5.0, logging_s=60, behaviour="fan cycling", opens_h=14.0, closes_h=23.0, trips_to_latch=0)


@pytest.fixture(scope="module")
def trace(resting: Made) -> Trace:
    return trace_of(resting.frame, resting.listed)


def misread(frame: pl.DataFrame, written: str, said: str) -> pl.DataFrame:
    """Gauge pressures written in one unit and taken for another, then made absolute."""
    gauge = (pl.col(PRESSURES) - ATMOSPHERE_KPA) / UNITS_KPA[written] * UNITS_KPA[said]
    return frame.with_columns(gauge + ATMOSPHERE_KPA)


def test_right_pressures_are_left_alone(resting: Made, trace: Trace) -> None:
    kept, faults = clean(trace, False, ATMOSPHERE_KPA)
    assert not [each for each in faults if each.channel == "suction_kpa" and each.fault != "spikes"]
    assert kept.refrigerant == "R-410A"


@pytest.mark.parametrize(("written", "said"), [(a, b) for a in UNITS_KPA for b in UNITS_KPA if a != b])
def test_a_wrong_unit_is_found_and_undone(resting: Made, trace: Trace, written: str, said: str) -> None:
    wrong = trace_of(misread(resting.frame, written, said), resting.listed)
    mended, faults = clean(wrong, False, ATMOSPHERE_KPA)
    assert [(each.fault, each.action) for each in faults if "taken" in each.fault] == [
        (f"{written} taken for {said}", CORRECTED)
    ]
    known = np.isfinite(mended["suction_kpa"])
    assert mended["suction_kpa"][known] == pytest.approx(trace["suction_kpa"][known], rel=1e-6)


def test_gauge_taken_for_absolute_is_undone() -> None:
    """R-134a at 0 degC stands at 293 kPa; an atmosphere less would be 12 K colder. R-410A hides it within 4 K."""
    made = make(12, days=4.0, refrigerant="R-134a", opens_h=14.0, closes_h=23.0, trips_to_latch=0, lift_k=1.0)
    right = trace_of(made.frame, made.listed)
    wrong = trace_of(made.frame.with_columns(pl.col(PRESSURES) - ATMOSPHERE_KPA), made.listed)
    found = misfit(wrong, False, ATMOSPHERE_KPA)
    assert found is not None
    assert found.reading is not None
    assert found.reading.text == "gauge taken for absolute"
    mended = read_as(wrong, found.reading)["suction_kpa"]
    assert np.nanmax(np.abs(mended - right["suction_kpa"])) < 1e-6


def test_a_unit_change_that_is_found_changes_no_answer(resting: Made) -> None:
    right, wrong = (analyse(each, resting.listed) for each in (resting.frame, misread(resting.frame, "psi", "kPa")))

    def told(each: Analysis) -> list[object]:
        points = [value and round(value, 3) for value in each.set_points["estimate_kpa"]]
        return [points, each.trips["tripped_at"].to_list(), each.head_pressure["behaviour"].to_list()]

    assert told(right) == told(wrong)


def test_a_refrigerant_that_cannot_be_sets_saturation_aside(resting: Made) -> None:
    """R-134a stands 25 K warmer than R-410A at one pressure: no unit of measure explains that."""
    trace = trace_of(resting.frame, replace(resting.listed, refrigerant="R-134a"))
    kept, faults = clean(trace, False, ATMOSPHERE_KPA)
    assert kept.refrigerant is None
    assert [each.action for each in faults if "does not fit" in each.fault] == [SET_ASIDE]


def test_a_box_may_stand_colder_than_the_air() -> None:
    """R-404A that stands at its box's -20 degC while the air is at 8 degC is as it should be; at -60 degC not."""
    listed = Listed("U", "1", "R-404A", ATMOSPHERE_KPA, duty="refrigeration")
    for stands_c, is_right in ((-20.0, True), (-60.0, False)):
        at_s = np.arange(0.0, 86400.0, 60.0)
        nothing = np.full(len(at_s), np.nan)
        rest = np.full(len(at_s), float(bubble_kpa("R-404A", stands_c)))
        names = ("discharge_kpa", "station_c", "heating")
        channels = {"suction_kpa": rest, "liquid_kpa": rest, "outdoor_c": np.full(len(at_s), 8.0)}
        trace = Trace(at_s, 60.0, {**channels, **dict.fromkeys(names, nothing)}, listed.refrigerant)
        assert (misfit(trace, True, ATMOSPHERE_KPA) is None) == is_right
        assert misfit(trace, False, ATMOSPHERE_KPA) is not None


def test_a_low_side_held_up_by_a_warm_room_is_not_swapped(trace: Trace) -> None:
    """At rest in the cold, liquid left indoors holds suction a third above head; swapped hoses part by more."""
    at_rest = trace.with_channels(liquid_kpa=np.full(len(trace), 800.0), suction_kpa=np.full(len(trace), 1100.0))
    swapped = trace.with_channels(liquid_kpa=trace["suction_kpa"], suction_kpa=trace["liquid_kpa"])
    for given, is_swapped in ((at_rest, False), (swapped, True)):
        faults = [each.fault for each in clean(given, False, ATMOSPHERE_KPA)[1]]
        assert ("swapped" in faults) == is_swapped
