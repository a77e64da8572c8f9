"""The units people read: degrees Fahrenheit, psig and miles, or degrees Celsius, kilopascals and kilometres.

Factors are those of `reference/measures.tsv`, where contract value = written * factor + offset.
"""

import re
from dataclasses import dataclass
from typing import Literal

from lowambient import reference

System = Literal["us", "si"]

STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533:1975
_KM_PER_MILE = 1.609344  # international mile, NIST SP 811 (2008), appendix B

# What somebody wrote stays as it was; a number that may end a range is left alone, since the other end has no unit.
_QUOTED = re.compile(r"(“[^”]*”)")
_STATED = re.compile(r"(?<![\w.,°–-])(?<!\bto )(?<!\band )([-−]?\d+(?:\.(\d+))?)[ \N{NO-BREAK SPACE}](°C|K)(?!\w)")


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

    def sentence(self, text: str | None) -> str | None:
        """A sentence of this project's own with its temperatures [degC] and differences [K] in the reader's units.

        Each keeps its decimals. What stands in “quotation marks” is somebody's note and is left as written.

        >>> ReadingUnits("us").sentence("Coldest hour about -5 °C; subcooling 5.0 K; the note says “23 °C inside”.")
        'Coldest hour about 23 °F; subcooling 9.0 °F; the note says “23 °C inside”.'
        """
        if text is None or self.system == "si":
            return text
        parts = _QUOTED.split(text)
        return "".join(part if part.startswith("“") else _STATED.sub(self._restated, part) for part in parts)

    def _restated(self, stated: re.Match[str]) -> str:
        value, is_difference = float(stated[1].replace("−", "-")), stated[3] == "K"
        shown = self.difference(value) if is_difference else self.temperature(value)
        text = f"{shown:.{len(stated[2] or '')}f}"
        text = text.removeprefix("-") if float(text) == 0 else text
        return f"{text.replace('-', '−')} {self.difference_unit if is_difference else self.temperature_unit}"
