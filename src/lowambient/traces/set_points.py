"""Switching pressures as they really are, beside what the unit list says."""

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl

from lowambient import reference
from lowambient.refrigerant.table import saturation_table
from lowambient.refrigerant.usual_settings import KPA_PER_PSI
from lowambient.traces.brackets import Estimate
from lowambient.traces.circuit import Listed

SWITCHES = ("lp cut-out", "lp reset", "fan on", "fan off", "hp cut-out")
NORMAL_90 = 1.645
"""Half width of a central 90 % interval in standard deviations, Gaussian."""
SCHEMA: dict[str, pl.DataType] = {
    "switch": pl.String(),
    "estimate_kpa": pl.Float64(),
    "lower_kpa": pl.Float64(),
    "upper_kpa": pl.Float64(),
    "estimate_psig": pl.Float64(),
    "saturation_c": pl.Float64(),
    "events": pl.Int64(),
    "listed_kpa": pl.Float64(),
}


def listed_kpa(listed: Listed, switch: str) -> float | None:
    """What the list says of a switch."""
    return {
        "lp cut-out": listed.lp_cut_out_kpa,
        "lp reset": listed.lp_reset_kpa,
        "fan on": listed.fan_on_kpa,
        "fan off": listed.fan_off_kpa,
        "hp cut-out": listed.hp_cut_out_kpa,
    }[switch]


@cache
def model_error_kpa(switch: str, step_s: float) -> float:
    """Standard deviation of what brackets leave out, for a log of that interval: `reference/set_point_errors.tsv`."""
    rows = [row for row in reference.rows("set_point_errors") if row["switch"] == switch]
    row = next((row for row in rows if step_s <= float(row["up_to_s"])), rows[-1])
    return float(row["error_psi"]) * KPA_PER_PSI


def widened(found: Estimate | None, switch: str, step_s: float) -> Estimate | None:
    """The estimate with an interval that allows for the error of the model too, in quadrature on each side."""
    if found is None:
        return None
    more = NORMAL_90 * model_error_kpa(switch, step_s)
    lower, upper = (float(np.hypot(each - found.kpa, more)) for each in (found.lower_kpa, found.upper_kpa))
    return replace(found, lower_kpa=max(found.kpa - lower, 0.0), upper_kpa=found.kpa + upper)


def _saturation_c(refrigerant: str, switch: str, kpa: float) -> float | None:
    table = saturation_table(refrigerant)
    return table.dew_c(kpa) if switch == "lp cut-out" else table.bubble_c(kpa)


def set_points(found: dict[str, Estimate | None], listed: Listed, refrigerant: str | None) -> pl.DataFrame:
    """Grain: switch. The estimate is null where the trace cannot tell; absolute kPa, and psig at the site.

    `refrigerant` is null where the listed one cannot be.
    """
    rows = []
    for switch in SWITCHES:
        each = found.get(switch)
        rows.append(
            {
                "switch": switch,
                "estimate_kpa": each.kpa if each else None,
                "lower_kpa": each.lower_kpa if each else None,
                "upper_kpa": each.upper_kpa if each else None,
                "estimate_psig": (each.kpa - listed.barometric_kpa) / KPA_PER_PSI if each else None,
                "saturation_c": _saturation_c(refrigerant, switch, each.kpa) if each and refrigerant else None,
                "events": each.events if each else 0,
                "listed_kpa": listed_kpa(listed, switch),
            }
        )
    return pl.DataFrame(rows, schema=SCHEMA)
