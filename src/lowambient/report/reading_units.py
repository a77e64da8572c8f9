"""The units people read: degrees Fahrenheit, psig and miles, or degrees Celsius, kilopascals and kilometres.

Factors are those of `reference/measures.tsv`, where contract value = written * factor + offset.
"""

from dataclasses import dataclass
from typing import Literal

from lowambient import reference

System = Literal["us", "si"]

STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533:1975
_KM_PER_MILE = 1.609344  # international mile, NIST SP 811 (2008), appendix B


def _factor_and_offset(measure: str) -> tuple[float, float]:
    row = next(row for row in reference.rows("measures") if row["measure"] == measure)
    return float(row["factor"]), float(row["offset"])


@dataclass(frozen=True)
class ReadingUnits:
    """Converts contract quantities to the reader's units; `system` is `us` or `si`."""

    system: System

    @property
    def temperature_unit(self) -> str:
        """Unit that temperatures are shown in."""
        return "°F" if self.system == "us" else "°C"

    @property
    def difference_unit(self) -> str:
        """Unit that temperature differences are shown in."""
        return "°F" if self.system == "us" else "K"

    @property
    def pressure_unit(self) -> str:
        """Unit that pressures are shown in."""
        return "psig" if self.system == "us" else "kPa absolute"

    @property
    def distance_unit(self) -> str:
        """Unit that distances between places are shown in."""
        return "mi" if self.system == "us" else "km"

    def temperature(self, temperature_c: float) -> float:
        """Temperature [degF or degC] of a temperature in degC."""
        factor, offset = _factor_and_offset(self.temperature_unit)
        return (temperature_c - offset) / factor

    def difference(self, difference_k: float) -> float:
        """Temperature difference [degF or K] of one in kelvin."""
        return difference_k / _factor_and_offset(self.temperature_unit)[0]

    def pressure(self, pressure_kpa: float, barometric_kpa: float = STANDARD_ATMOSPHERE_KPA) -> float:
        """Pressure [psig against `barometric_kpa`, or kPa absolute] of an absolute pressure in kPa."""
        if self.system == "si":
            return pressure_kpa
        return (pressure_kpa - barometric_kpa) / _factor_and_offset("psig")[0]

    def distance(self, distance_km: float) -> float:
        """Distance [mile or km] of one in km."""
        return distance_km / _KM_PER_MILE if self.system == "us" else distance_km
