"""The outdoor temperature under which a tripped low-pressure switch cannot reset by itself."""

from lowambient.refrigerant.pressure import absolute_kpa, barometric_kpa
from lowambient.refrigerant.table import saturation_table


def reset_ambient_c(refrigerant: str, reset_gauge_kpa: float, elevation_m: float) -> float | None:
    """Bubble temperature, °C, at a reset pressure (kPa gauge) and the site's barometer; null out of range.

    A charge at rest is nearly all liquid, so its pressure is the bubble pressure of the coldest place that holds
    liquid; the dew temperature would be too warm for blends with glide.

    Raises: InputRefused for an elevation outside the standard atmosphere's formula.

    >>> round(reset_ambient_c("R-410A", 117 * 6.894757293168, 0.0) * 1.8 + 32, 1)
    39.2
    """
    return saturation_table(refrigerant).bubble_c(absolute_kpa(reset_gauge_kpa, barometric_kpa(elevation_m)))
