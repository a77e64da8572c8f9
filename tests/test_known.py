"""What list, refrigerant and usual settings say of the pressure switches before any reading is looked at."""

import pytest

from lowambient.refrigerant.saturation import dew_kpa
from lowambient.traces.circuit import Listed
from lowambient.traces.known import UNSURE_LIMIT, WARMEST_CUT_OUT_DEW_C, lp_known

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
