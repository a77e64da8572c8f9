"""What is known of a circuit's pressure switches before its readings are looked at: list, usual settings, limits."""

from dataclasses import dataclass

from lowambient.refrigerant.saturation import bubble_kpa, dew_kpa
from lowambient.refrigerant.usual_settings import usual_kpa
from lowambient.traces.brackets import Estimate
from lowambient.traces.circuit import Listed

ALWAYS_WANTED = ("year-round", "refrigeration")
"""Duties that cool in any weather."""
COMFORT_CUT_OUT_DEW_C = -15.0
"""Cut-out where none is usual for the refrigerant: near R-410A's at 54 psig (dew -15 degC, computed)."""
WARMEST_CUT_OUT_DEW_C = -5.0
"""A low-pressure switch that acts on a warmer coil would stop ordinary cooling (judgement; seen: -23 to -9 degC)."""
LEAST_BOX_TD_K = 4.0
"""Least difference between a box and its coil at the cut-out (judgement)."""
UNSURE_LIMIT = 1.4
"""How far from the list a switch may act where the refrigerant is in doubt (judgement)."""
COOLEST_HP_CUT_OUT_C = 52.0
"""A high-pressure switch that acts below that would stop cooling on a hot day (judgement)."""
OVER_FANS = 1.2
"""Least share of where fans come on at which a high-pressure switch may act: they come on to keep head well under it
(judgement; R-410A at 415 psig against 600 psig and more: 1.4)."""
HP_CUT_OUT_BUBBLE_C = 66.0
"""Usual high-pressure cut-outs act near there whatever the refrigerant (R-410A at 644 psig: 66 degC, computed)."""
SENSOR_ERROR_KPA = 20.0
"""3 psi, a hundredth of a transducer's span: how far a logger's scale and a label may disagree (judgement)."""
DEVIATIONS = 3.0
"""Standard deviations of a reading that its noise hardly ever exceeds."""
FOUND, LISTED, USUAL = "found", "listed", "usual"


@dataclass(frozen=True)
class SwitchLimit:
    """Where a switch acts, absolute kPa, as found, listed or usual, and by how much a reading must lie beyond it."""

    kpa: float
    error_kpa: float
    basis: str


@dataclass(frozen=True)
class Known:
    """What is known of a switch beforehand, absolute kPa, each null where it is not.

    `limit_kpa` is the pressure that no such switch of the refrigerant acts beyond: above it for the low side, below it
    for the high side. `always_wanted`: the unit cools all year, so a long stop is not a satisfied thermostat;
    `perhaps_always_wanted`: it is not known to be for comfort.
    `pumps_down`: it may stop by pump-down; `never_pumps_down`: the list denies it. `from_split`: stops are read from
    the pressure split, which may close in a run too, so a call that stands says less. `reset_kpa`: where the
    low-pressure switch closes again, listed or usual.
    """

    listed_kpa: float | None
    usual_kpa: float | None
    limit_kpa: float | None
    always_wanted: bool = False
    perhaps_always_wanted: bool = False
    pumps_down: bool = False
    never_pumps_down: bool = False
    from_split: bool = False
    reset_kpa: float | None = None


def lp_known(listed: Listed, refrigerant: str | None, from_split: bool) -> Known:
    """The low-pressure switch; `refrigerant` is null where it cannot be the listed one: then only the list is known."""
    if refrigerant is None:
        limit = None if listed.lp_cut_out_kpa is None else UNSURE_LIMIT * listed.lp_cut_out_kpa
        return Known(listed.lp_cut_out_kpa, None, limit, from_split=from_split)
    usual = usual_kpa(refrigerant, "lp cut-out", listed.barometric_kpa)
    warmest_c = WARMEST_CUT_OUT_DEW_C
    if listed.duty == "refrigeration":
        usual = None  # set to the box, not to the refrigerant
        warmest_c = min(warmest_c, listed.space_c - LEAST_BOX_TD_K) if listed.space_c is not None else warmest_c
    elif usual is None:
        usual = float(dew_kpa(refrigerant, COMFORT_CUT_OUT_DEW_C))
    limit = float(dew_kpa(refrigerant, warmest_c))
    if listed.lp_cut_out_kpa is not None and listed.lp_cut_out_kpa > limit:  # one of refrigerant and setting is wrong
        limit = UNSURE_LIMIT * listed.lp_cut_out_kpa
    usual_reset = None if listed.duty == "refrigeration" else usual_kpa(refrigerant, "lp reset", listed.barometric_kpa)
    return Known(
        listed.lp_cut_out_kpa,
        usual,
        limit,
        always_wanted=listed.duty in ALWAYS_WANTED,
        perhaps_always_wanted=listed.duty != "comfort",
        pumps_down=listed.pump_down is True or (listed.pump_down is None and listed.duty == "refrigeration"),
        never_pumps_down=listed.pump_down is False,
        from_split=from_split,
        reset_kpa=listed.lp_reset_kpa or usual_reset,
    )


def hp_known(listed: Listed, refrigerant: str | None, from_split: bool, fan_on: Estimate | None) -> Known:
    """The high-pressure switch; arguments as in `lp_known`, and where fans were found to come on."""
    over_fans = OVER_FANS * fan_on.lower_kpa if fan_on else 0.0
    if refrigerant is None:
        limit = None if listed.hp_cut_out_kpa is None else max(listed.hp_cut_out_kpa / UNSURE_LIMIT, over_fans)
        return Known(listed.hp_cut_out_kpa, None, limit, from_split=from_split)
    usual = usual_kpa(refrigerant, "hp cut-out", listed.barometric_kpa) or float(
        bubble_kpa(refrigerant, HP_CUT_OUT_BUBBLE_C)
    )
    limit = max(float(bubble_kpa(refrigerant, COOLEST_HP_CUT_OUT_C)), over_fans)
    return Known(listed.hp_cut_out_kpa, usual, limit, from_split=from_split)


def switch_limit(found: Estimate | None, known: Known, blur_kpa: float, usual_counts: bool) -> SwitchLimit | None:
    """The best that is known of where a switch acts; `blur_kpa` is the standard deviation of a reading.

    A cut-out that was found is on the logger's own scale, so its interval and the noise are all the error there is.
    `usual_counts`: a usual setting may stand in, which it may not for a low-pressure switch of unknown duty.
    """
    noise = DEVIATIONS * blur_kpa
    if found is not None:
        return SwitchLimit(found.kpa, (found.upper_kpa - found.lower_kpa) / 2 + noise, FOUND)
    for kpa, basis in ((known.listed_kpa, LISTED), (known.usual_kpa if usual_counts else None, USUAL)):
        if kpa is not None:
            return SwitchLimit(kpa, SENSOR_ERROR_KPA + noise, basis)
    return None
