"""Pressures in the wrong unit, wrong refrigerants and swapped hoses: found, corrected where safe, else set aside."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from trace_maker import Made, make

from lowambient.refrigerant.saturation import bubble_kpa
from lowambient.traces.analysis import Analysis, analyse
from lowambient.traces.circuit import Array, Trace, trace_of
from lowambient.traces.cleaning import CORRECTED, SET_ASIDE, clean
from lowambient.traces.scales import GAUGE, PRESSURES, misfit, read_as

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


def standing(stands_c: Array, outdoor_c: Array, refrigerant: str = "R-410A") -> Trace:
    """A circuit at rest for as many minutes, its bubble temperature and the air's."""
    at_s = 60.0 * np.arange(len(outdoor_c))
    rest = np.asarray(bubble_kpa(refrigerant, stands_c))
    nothing = np.full(len(at_s), np.nan)
    channels = dict.fromkeys(("discharge_kpa", "station_c", "heating"), nothing)
    return Trace(at_s, 60.0, {**channels, "suction_kpa": rest, "liquid_kpa": rest, "outdoor_c": outdoor_c}, refrigerant)


def swinging(low_c: float, high_c: float) -> Array:
    """Two days of weather, a sample each minute."""
    return np.asarray((low_c + high_c) / 2 - (high_c - low_c) / 2 * np.cos(np.arange(2880) / 1440 * 2 * np.pi))


@pytest.mark.parametrize(("sensor", "found"), [("outdoor_c", True), ("station_c", False)])
def test_gauge_pressures_of_r410a_show_beside_a_sensor_at_the_unit_alone(sensor: str, found: bool) -> None:
    """An atmosphere makes 3.5 K of R-410A at 0 degC: more than a sensor at the unit is off, less than a station is."""
    air_c = swinging(-3.0, 6.0)
    trace = standing(air_c + 1.0, air_c)
    gauge = trace.with_channels(**{tap: trace[tap] - ATMOSPHERE_KPA for tap in ("suction_kpa", "liquid_kpa")})
    gauge = gauge.with_channels(**{"outdoor_c": np.full(len(air_c), np.nan), sensor: air_c})
    told = misfit(gauge, False, ATMOSPHERE_KPA)
    assert (told is not None) == found
    assert told is None or (told.reading is not None and told.reading.text == GAUGE)
    assert misfit(trace, False, ATMOSPHERE_KPA) is None


def test_a_sensor_in_the_sun_does_not_make_gauge_pressures() -> None:
    """It reads 4 K over the station: what stands 3 K under it stands over the air."""
    air_c = swinging(-3.0, 6.0)
    sunny = standing(air_c + 1.0, air_c + 4.0)
    assert misfit(sunny, False, ATMOSPHERE_KPA) is not None
    assert misfit(sunny.with_channels(station_c=air_c), False, ATMOSPHERE_KPA) is None


@pytest.mark.parametrize("cools_a_box", [False, True])
def test_psi_taken_for_kpa_is_told_from_bar_by_how_closely_it_follows_the_air(cools_a_box: bool) -> None:
    """Both stand where a circuit may: bar 12 K over the air, psi as far over it as crankcase heat and sun explain."""
    air_c = swinging(-5.0, 8.0)
    right = standing(air_c + 2.0, air_c, "R-507A")
    as_psi = {tap: (right[tap] - ATMOSPHERE_KPA) / PSI + ATMOSPHERE_KPA for tap in ("suction_kpa", "liquid_kpa")}
    told = misfit(right.with_channels(**as_psi), cools_a_box, ATMOSPHERE_KPA)
    assert told is not None
    assert told.reading is not None
    assert told.reading.text == "psi taken for kPa"


def test_a_charge_that_lies_in_a_box_is_not_read_in_another_unit() -> None:
    """A cold room's charge stands at the room's -22 degC whatever the air does: no unit makes it follow the air."""
    air_c = swinging(-8.0, 9.0)
    assert misfit(standing(np.full(len(air_c), -22.0), air_c, "R-404A"), True, ATMOSPHERE_KPA) is None


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
    for stands_c, is_right in ((-20.0, True), (-60.0, False)):
        trace = standing(np.full(1440, stands_c), np.full(1440, 8.0), "R-404A")
        assert (misfit(trace, True, ATMOSPHERE_KPA) is None) == is_right
        assert misfit(trace, False, ATMOSPHERE_KPA) is not None


def test_a_low_side_held_up_by_a_warm_room_is_not_swapped(trace: Trace) -> None:
    """At rest in the cold, liquid left indoors holds suction a third above head; swapped hoses part by more."""
    at_rest = trace.with_channels(liquid_kpa=np.full(len(trace), 800.0), suction_kpa=np.full(len(trace), 1100.0))
    swapped = trace.with_channels(liquid_kpa=trace["suction_kpa"], suction_kpa=trace["liquid_kpa"])
    for given, is_swapped in ((at_rest, False), (swapped, True)):
        faults = [each.fault for each in clean(given, False, ATMOSPHERE_KPA)[1]]
        assert ("swapped" in faults) == is_swapped


def test_a_circuit_that_hardly_runs_and_stands_reversed_in_cold_nights_is_not_swapped() -> None:
    """An evaporator in a warm room beside a condenser in the cold draws the sides apart over hours, a start at once."""
    air_c = swinging(-20.0, 10.0)
    suction, head = (np.asarray(bubble_kpa("R-134a", at_c)) for at_c in (np.full(len(air_c), 15.0), air_c))
    for begin in range(700, 2800, 400):
        suction[begin : begin + 5], head[begin : begin + 5] = 150.0, 700.0
    trace = standing(air_c, air_c, "R-134a").with_channels(suction_kpa=suction, liquid_kpa=head)
    assert (suction > np.exp(0.5) * head).sum() > 9 * (head > np.exp(0.5) * suction).sum()
    assert "swapped" not in [each.fault for each in clean(trace, True, ATMOSPHERE_KPA)[1]]


@pytest.mark.parametrize(("reading_kpa", "every", "is_spike"), [(350.0, 100, False), (5000.0, 600, True)])
def test_a_lone_reading_of_a_slow_log_is_a_spike_only_far_out_of_the_circuits_range(
    reading_kpa: float, every: int, is_spike: bool
) -> None:
    """Starts that fail between two rests leave one sample at 350 kPa; nothing of an R-410A low side reads 5 MPa."""
    suction = np.where(np.arange(2880) % 60 < 30, 700.0, 900.0)
    suction[45::every] = reading_kpa
    air_c = np.full(2880, 12.0)
    trace = standing(air_c, air_c).with_channels(suction_kpa=suction, liquid_kpa=np.full(2880, 1500.0))
    kept, faults = clean(trace, False, ATMOSPHERE_KPA)
    assert ("spikes" in [each.fault for each in faults]) == is_spike
    assert np.isnan(kept["suction_kpa"][45]) == is_spike
