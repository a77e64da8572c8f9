"""Where the pressure switches of a refrigerant usually act."""

from lowambient import reference
from lowambient.refrigerant.table import saturation_table

KPA_PER_PSI = 6.894757293168
"""NIST SP 811 (2008), appendix B.8: 1 psi is 6.894757 kPa; more digits from lbf and in."""


def usual_setting(refrigerant: str, setting: str) -> tuple[str, float] | None:
    """The usual setting of a switch: the refrigerant whose saturation temperature it acts at, and psig for that one.

    Null where `reference/switch_settings.tsv` has none. A refrigerant whose switches are taken to act at another's
    saturation temperature gives that other refrigerant.

    >>> usual_setting("R-410A", "lp reset"), usual_setting("R-454B", "lp reset")
    (('R-410A', 117.0), ('R-410A', 117.0))
    """
    for row in reference.rows("switch_settings"):
        if (row["refrigerant"], row["setting"]) == (refrigerant, setting):
            return usual_setting(row["like"], setting) if row["like"] else (refrigerant, float(row["usual_psig"]))
    return None


def usual_kpa(refrigerant: str, setting: str, barometric_kpa: float) -> float | None:
    """The usual setting of a switch as absolute pressure, kPa, at a barometer; null where none is known.

    Taken over from another refrigerant at the same saturation temperature: dew for a cut-out of low pressure, which
    acts on vapour, bubble for the others.

    >>> round(usual_kpa("R-410A", "lp cut-out", 101.325), 1)
    473.6
    """
    usual = usual_setting(refrigerant, setting)
    if usual is None:
        return None
    of_refrigerant, psig = usual
    kpa = psig * KPA_PER_PSI + barometric_kpa
    if of_refrigerant == refrigerant:
        return kpa
    there, here = saturation_table(of_refrigerant), saturation_table(refrigerant)
    if setting == "lp cut-out":
        same_c = there.dew_c(kpa)
        return None if same_c is None else here.dew_kpa(same_c)
    same_c = there.bubble_c(kpa)
    return None if same_c is None else here.bubble_kpa(same_c)
