"""What list, refrigerant and usual settings say of the pressure switches before any reading is looked at."""

import pytest

from lowambient.refrigerant.saturation import bubble_kpa, dew_kpa
from lowambient.traces.brackets import Estimate
from lowambient.traces.circuit import Listed
from lowambient.traces.known import UNSURE_LIMIT, WARMEST_CUT_OUT_DEW_C, hp_known, lp_known

ATMOSPHERE_KPA = 101.325


def listed(cut_out_kpa: float | None, **more: object) -> Listed:
    return Listed("U", "1", "R-134a", ATMOSPHERE_KPA, lp_cut_out_kpa=cut_out_kpa, **more)


@pytest.mark.parametrize("cut_out_kpa", [None, 170.0])
def test_no_low_pressure_switch_acts_on_a_warm_coil(cut_out_kpa: float | None) -> None:
    """R-134a boils at -5 degC at 243 kPa (saturation tables; from memory): set higher, a switch stops cooling."""
    known = lp_known(listed(cut_out_kpa), "R-134a", False)
    assert known.limit_kpa == pytest.approx(dew_kpa("R-134a", WARMEST_CUT_OUT_DEW_C))
    assert known.limit_kpa == pytest.approx(243.0, abs=1.0)


def test_a_listed_cut_out_beyond_that_puts_the_refrigerant_in_doubt() -> None:
    """R-134a boils at about +10 degC there: the figure is another refrigerant's, or wrong."""
    assert lp_known(listed(423.0), "R-134a", False).limit_kpa == UNSURE_LIMIT * 423.0


@pytest.mark.parametrize(
    ("pump_down", "pumps", "never"), [(True, True, False), (None, True, False), (False, False, True)]
)
def test_refrigeration_is_taken_to_pump_down_unless_the_list_denies_it(
    pump_down: bool | None, pumps: bool, never: bool
) -> None:
    known = lp_known(listed(170.0, duty="refrigeration", pump_down=pump_down), "R-134a", False)
    assert (known.pumps_down, known.never_pumps_down) == (pumps, never)


def test_a_high_pressure_switch_acts_well_above_where_fans_come_on() -> None:
    """Factory fan switches of R-410A at 415 psig, high-pressure switches at 600 or more (common practice)."""
    unlisted = Listed("U", "1", "R-410A", ATMOSPHERE_KPA)
    late = Estimate(3300.0, 3250.0, 3350.0, 40)
    plain, beside = (hp_known(unlisted, "R-410A", False, fan_on) for fan_on in (None, late))
    assert plain.limit_kpa is not None
    assert beside.limit_kpa is not None
    assert plain.limit_kpa == pytest.approx(bubble_kpa("R-410A", 52.0))
    assert beside.limit_kpa > late.upper_kpa + 300.0
    early = Estimate(1500.0, 1480.0, 1520.0, 40)
    assert hp_known(unlisted, "R-410A", False, early).limit_kpa == plain.limit_kpa
