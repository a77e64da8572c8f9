"""Pressures in the wrong unit, wrong refrigerants and swapped hoses: found, corrected where safe, else set aside."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from trace_maker import Made, make

from lowambient.refrigerant.saturation import bubble_kpa, dew_kpa
from lowambient.traces.analysis import Analysis, analyse
from lowambient.traces.circuit import Array, Listed, Trace, trace_of
from lowambient.traces.cleaning import CORRECTED, SET_ASIDE, clean
from lowambient.traces.scales import GAUGE, PRESSURES, UNIT_IN_DOUBT, misfit, read_as

ATMOSPHERE_KPA = 101.325
PSI = 6.894757293168
UNITS_KPA = {"psi": PSI, "kPa": 1.0, "bar": 100.0}
COMFORT = Listed("u", "1", "R-410A", ATMOSPHERE_KPA, duty="comfort")
BOX = replace(COMFORT, duty="refrigeration")


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
    kept, faults = clean(trace, COMFORT)
    assert not [each for each in faults if each.channel == "suction_kpa" and each.fault != "spikes"]
    assert kept.refrigerant == "R-410A"


@pytest.mark.parametrize(("written", "said"), [(a, b) for a in UNITS_KPA for b in UNITS_KPA if a != b])
def test_a_wrong_unit_is_found_and_undone(resting: Made, trace: Trace, written: str, said: str) -> None:
    wrong = trace_of(misread(resting.frame, written, said), resting.listed)
    mended, faults = clean(wrong, COMFORT)
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
    found = misfit(wrong, COMFORT)
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
    names = ("discharge_kpa", "station_c", "heating", "return_air_c", "compressor_on")
    channels = dict.fromkeys(names, nothing)
    return Trace(at_s, 60.0, {**channels, "suction_kpa": rest, "liquid_kpa": rest, "outdoor_c": outdoor_c}, refrigerant)


def running(condenses_c: float, evaporates_c: float, outdoor_c: float, refrigerant: str) -> Trace:
    """A circuit that runs for a day, its bubble temperature at the head, its dew temperature at suction, the air's."""
    resting = standing(np.full(1440, 0.0), np.full(1440, outdoor_c), refrigerant)
    head, suction = bubble_kpa(refrigerant, condenses_c), dew_kpa(refrigerant, evaporates_c)
    return resting.with_channels(liquid_kpa=np.full(1440, head), suction_kpa=np.full(1440, suction))


def as_psi(trace: Trace) -> Trace:
    """Gauge pressures written in psi and taken for kPa."""
    return trace.with_channels(
        **{tap: (trace[tap] - ATMOSPHERE_KPA) / PSI + ATMOSPHERE_KPA for tap in ("suction_kpa", "liquid_kpa")}
    )


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
    told = misfit(gauge, COMFORT)
    assert (told is not None) == found
    assert told is None or (told.reading is not None and told.reading.text == GAUGE)
    assert misfit(trace, COMFORT) is None


def test_a_sensor_in_the_sun_does_not_make_gauge_pressures() -> None:
    """It reads 4 K over the station: what stands 3 K under it stands over the air."""
    air_c = swinging(-3.0, 6.0)
    sunny = standing(air_c + 1.0, air_c + 4.0)
    assert misfit(sunny, COMFORT) is not None
    assert misfit(sunny.with_channels(station_c=air_c), COMFORT) is None


@pytest.mark.parametrize("cools_a_box", [False, True])
def test_psi_taken_for_kpa_is_told_from_bar_by_how_closely_it_follows_the_air(cools_a_box: bool) -> None:
    """Both stand where a circuit may: bar 12 K over the air, psi as far over it as crankcase heat and sun explain."""
    air_c = swinging(-5.0, 8.0)
    right = standing(air_c + 2.0, air_c, "R-507A")
    told = misfit(as_psi(right), BOX if cools_a_box else COMFORT)
    assert told is not None
    assert told.reading is not None
    assert told.reading.text == "psi taken for kPa"


def test_a_charge_that_lies_in_a_box_is_not_read_in_another_unit() -> None:
    """A cold room's charge stands at the room's -22 degC whatever the air does: no unit makes it follow the air."""
    air_c = swinging(-8.0, 9.0)
    assert misfit(standing(np.full(len(air_c), -22.0), air_c, "R-404A"), BOX) is None


def test_a_unit_change_that_is_found_changes_no_answer(resting: Made) -> None:
    right, wrong = (analyse(each, resting.listed) for each in (resting.frame, misread(resting.frame, "psi", "kPa")))

    def told(each: Analysis) -> list[object]:
        points = [value and round(value, 3) for value in each.set_points["estimate_kpa"]]
        return [points, each.trips["tripped_at"].to_list(), each.head_pressure["behaviour"].to_list()]

    assert told(right) == told(wrong)


def test_a_refrigerant_that_cannot_be_sets_saturation_aside(resting: Made) -> None:
    """R-134a stands 25 K warmer than R-410A at one pressure: no unit of measure explains that."""
    trace = trace_of(resting.frame, replace(resting.listed, refrigerant="R-134a"))
    kept, faults = clean(trace, COMFORT)
    assert kept.refrigerant is None
    found = [each for each in faults if "does not fit" in each.fault]
    assert [each.action for each in found] == [SET_ASIDE]
    assert "R-410A" in found[0].sentence


def test_a_box_may_stand_colder_than_the_air() -> None:
    """R-404A that stands at its box's -20 degC while the air is at 8 degC is as it should be; at -60 degC not."""
    for stands_c, is_right in ((-20.0, True), (-60.0, False)):
        trace = standing(np.full(1440, stands_c), np.full(1440, 8.0), "R-404A")
        assert (misfit(trace, BOX) is None) == is_right
        assert misfit(trace, COMFORT) is not None


def test_a_low_side_held_up_by_a_warm_room_is_not_swapped(trace: Trace) -> None:
    """At rest in the cold, liquid left indoors holds suction a third above head; swapped hoses part by more."""
    at_rest = trace.with_channels(liquid_kpa=np.full(len(trace), 800.0), suction_kpa=np.full(len(trace), 1100.0))
    swapped = trace.with_channels(liquid_kpa=trace["suction_kpa"], suction_kpa=trace["liquid_kpa"])
    for given, is_swapped in ((at_rest, False), (swapped, True)):
        faults = [each.fault for each in clean(given, COMFORT)[1]]
        assert ("swapped" in faults) == is_swapped


def test_a_circuit_that_hardly_runs_and_stands_reversed_in_cold_nights_is_not_swapped() -> None:
    """An evaporator in a warm room beside a condenser in the cold draws the sides apart over hours, a start at once."""
    air_c = swinging(-20.0, 10.0)
    suction, head = (np.asarray(bubble_kpa("R-134a", at_c)) for at_c in (np.full(len(air_c), 15.0), air_c))
    for begin in range(700, 2800, 400):
        suction[begin : begin + 5], head[begin : begin + 5] = 150.0, 700.0
    trace = standing(air_c, air_c, "R-134a").with_channels(suction_kpa=suction, liquid_kpa=head)
    assert (suction > np.exp(0.5) * head).sum() > 9 * (head > np.exp(0.5) * suction).sum()
    assert "swapped" not in [each.fault for each in clean(trace, BOX)[1]]


@pytest.mark.parametrize(("reading_kpa", "every", "is_spike"), [(350.0, 100, False), (5000.0, 600, True)])
def test_a_lone_reading_of_a_slow_log_is_a_spike_only_far_out_of_the_circuits_range(
    reading_kpa: float, every: int, is_spike: bool
) -> None:
    """Starts that fail between two rests leave one sample at 350 kPa; nothing of an R-410A low side reads 5 MPa."""
    runs = np.arange(2880) % 60 < 30
    suction, liquid = np.where(runs, 600.0, 900.0), np.where(runs, 1500.0, 900.0)
    suction[45::every] = reading_kpa
    air_c = np.full(2880, 12.0)
    trace = standing(air_c, air_c).with_channels(suction_kpa=suction, liquid_kpa=liquid)
    kept, faults = clean(trace, COMFORT)
    assert ("spikes" in [each.fault for each in faults]) == is_spike
    assert np.isnan(kept["suction_kpa"][45]) == is_spike


def test_absolute_pressures_below_a_vacuum_are_gauge_pressures() -> None:
    """A low side drawn down to -58 degC: R-507A at 57 kPa (computed), which a gauge shows as 44 kPa of vacuum."""
    right = running(20.0, -58.0, 5.0, "R-507A")
    gauge = right.with_channels(**{tap: right[tap] - ATMOSPHERE_KPA for tap in ("suction_kpa", "liquid_kpa")})
    told = misfit(gauge, BOX)
    assert gauge["suction_kpa"][0] < -40.0
    assert told is not None
    assert (told.fault, told.reading is not None) == (GAUGE, True)
    assert "below a vacuum" in told.sentence
    assert misfit(right, BOX) is None


def test_gauge_pressures_that_stand_but_a_little_low_lean() -> None:
    """Heat of 5 K hides most of an atmosphere's 6 K in R-22 (computed), not that it makes ever more in the cold."""
    air_c = swinging(-12.0, 6.0)
    trace = standing(air_c + 5.0, air_c, "R-22")
    gauge = trace.with_channels(**{tap: trace[tap] - ATMOSPHERE_KPA for tap in ("suction_kpa", "liquid_kpa")})
    assert -2.0 < np.median(gauge.bubble_c("suction_kpa") - air_c) < -1.0
    told = misfit(gauge, COMFORT)
    assert told is not None
    assert told.fault == GAUGE
    assert misfit(standing(air_c - 1.5, air_c, "R-22"), COMFORT) is None


def test_a_circuit_that_never_settles_is_read_in_psi_only_where_nothing_else_lets_it_run() -> None:
    """R-22 at 40/5 degC in psi reads 32 K under air at 18 degC (computed); at 22/-12 degC as bar it would run too."""
    for condenses_c, evaporates_c, fault in ((40.0, 5.0, "psi taken for kPa"), (22.0, -12.0, UNIT_IN_DOUBT)):
        right = running(condenses_c, evaporates_c, 18.0, "R-22")
        assert misfit(right, COMFORT) is None
        told = misfit(as_psi(right), COMFORT)
        assert told is not None
        assert told.fault == fault


@pytest.mark.parametrize(("listed", "is_right"), [(replace(BOX, space_c=2.0), False), (BOX, False), (COMFORT, True)])
def test_a_coil_warmer_than_what_it_cools_tells_of_another_refrigerant(listed: Listed, is_right: bool) -> None:
    """R-404A at 28/-7 degC would be R-134a at 14 degC on the low side (computed): no coil for a cooler."""
    pressures = running(28.0, -7.0, 10.0, "R-404A")
    taken = replace(pressures, refrigerant="R-134a")
    assert taken.dew_c("suction_kpa")[0] > 11.0
    assert misfit(pressures, listed) is None
    assert (misfit(taken, listed) is None) == is_right


def test_a_circuit_of_unlisted_duty_cools_a_room_where_its_air_or_refrigerant_says_so() -> None:
    """So may a charge stand that lies in a box 9 K colder than outdoors, and none that lies outdoors."""
    air_c = swinging(0.0, 8.0)
    unknown = replace(COMFORT, duty=None)
    cold = standing(air_c - 9.0, air_c, "R-22")
    assert misfit(cold, unknown) is None
    assert misfit(cold, replace(unknown, space_c=24.0)) is not None
    assert misfit(cold.with_channels(return_air_c=np.full(len(air_c), 22.0)), unknown) is not None
    assert misfit(standing(air_c - 9.0, air_c, "R-410A"), unknown) is not None


def test_what_runs_condenses_above_the_air_also_where_it_cools_a_box() -> None:
    """At rest all of a freezer's charge may be colder than outdoors; no compressor that is on for long condenses so."""
    cold = running(-20.0, -35.0, 10.0, "R-404A")
    assert misfit(cold, BOX) is None
    assert misfit(cold.with_channels(compressor_on=np.ones(1440)), BOX) is not None


def test_settings_are_withheld_while_the_unit_of_pressure_is_in_doubt(resting: Made) -> None:
    """A wrong refrigerant leaves pressures what they are, so the switches that they show stand."""
    frame = misread(resting.frame, "psi", "kPa")
    runs = frame.filter(pl.col("liquid_kpa") > 1.4 * pl.col("suction_kpa"))
    told = analyse(runs, resting.listed)
    assert UNIT_IN_DOUBT in told.faults["fault"].to_list()
    assert told.set_points["estimate_kpa"].null_count() == told.set_points.height
    assert told.set_points["listed_kpa"].to_list() == analyse(frame, resting.listed).set_points["listed_kpa"].to_list()


def test_what_noise_makes_of_a_long_fast_log_is_no_spike() -> None:
    """Among 200,000 readings with noise of 4 psi some lie 100 kPa off by chance; a real spike lies much farther."""
    random = np.random.default_rng(5)
    air_c = np.full(200_000, 5.0)
    quiet = standing(air_c, air_c)
    suction = quiet["suction_kpa"] + random.normal(0.0, 4 * PSI, len(air_c))
    suction[1000] += 600.0
    noisy = replace(quiet, at_s=10.0 * np.arange(len(air_c)), step_s=10.0).with_channels(suction_kpa=suction)
    kept, faults = clean(noisy, COMFORT)
    assert np.flatnonzero(np.isnan(kept["suction_kpa"])).tolist() == [1000]
    assert [each.sentence[-3:] for each in faults if each.fault == "spikes"] == [": 1"]


def test_a_peak_that_both_sides_climb_to_is_no_spike() -> None:
    """A high-pressure trip in a 10 s log: head climbs to its top and falls from it as steeply."""
    head = np.full(2880, 1500.0)
    head[1000:1007] = [1900.0, 2100.0, 2300.0, 2500.0, 2300.0, 2100.0, 1900.0]
    air_c = np.full(2880, 12.0)
    trace = replace(standing(air_c, air_c), at_s=10.0 * np.arange(2880), step_s=10.0).with_channels(liquid_kpa=head)
    assert not [each for each in clean(trace, COMFORT)[1] if each.fault == "spikes"]


def test_a_failed_start_in_a_slow_log_is_no_spike() -> None:
    """A resting circuit's range is narrow: suction that a start drew down for one sample lies far under it."""
    air_c = np.full(2880, 12.0)
    resting = standing(air_c, air_c)
    failed = resting["suction_kpa"] + np.where(np.arange(2880) % 2, 0.0, 30.0)
    failed[1000:1003] = [failed[0], failed[0] - 400.0, failed[0]]
    assert not clean(resting.with_channels(suction_kpa=failed), COMFORT)[1]
    assert clean(resting.with_channels(liquid_kpa=failed), COMFORT)[1]
