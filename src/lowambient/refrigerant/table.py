"""Committed saturation tables, read and interpolated with the standard library alone.

A table has one knot at each pressure exp(bin / 128) kPa, `bin` counting upwards by one. Between two knots the
temperature is linear in the logarithm of pressure, so the inverse is exact.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from lowambient import reference
from lowambient.errors import RefrigerantRefused
from lowambient.refrigerant.catalogue import tabulated

BINS_PER_E_FOLD = 128
"""Bins for each factor e of pressure; the widest gap between a chord and CoolProp is then under 1 mK."""

NO_PRESSURE = "no pressure"
BELOW_RANGE = "below range"
ABOVE_RANGE = "above range"


@dataclass(frozen=True)
class SaturationTable:
    """Bubble and dew temperatures of one refrigerant at its knots, °C; `origin` holds the header of its file."""

    refrigerant: str
    origin: dict[str, str]
    first_bin: int
    knots_bubble_c: tuple[float, ...]
    knots_dew_c: tuple[float, ...]

    @property
    def last_bin(self) -> int:
        """The bin that starts at the highest knot; the table ends there."""
        return self.first_bin + len(self.knots_bubble_c) - 1

    @property
    def lowest_kpa(self) -> float:
        """Lowest absolute pressure of the table, kPa; a hair inside, since its logarithm may round below the knot."""
        return math.exp(self.first_bin / BINS_PER_E_FOLD) * (1 + 1e-12)

    @property
    def highest_kpa(self) -> float:
        """Absolute pressure at which the table ends, kPa."""
        return math.exp(self.last_bin / BINS_PER_E_FOLD)

    def bubble_c(self, pressure_kpa: float) -> float | None:
        """Bubble temperature, °C, at an absolute pressure, kPa; null out of range."""
        return self._temperature_c(self.knots_bubble_c, pressure_kpa)

    def dew_c(self, pressure_kpa: float) -> float | None:
        """Dew temperature, °C, at an absolute pressure, kPa; null out of range."""
        return self._temperature_c(self.knots_dew_c, pressure_kpa)

    def bubble_kpa(self, temperature_c: float) -> float | None:
        """Absolute bubble pressure, kPa, at a temperature, °C; null out of range."""
        return self._pressure_kpa(self.knots_bubble_c, temperature_c)

    def dew_kpa(self, temperature_c: float) -> float | None:
        """Absolute dew pressure, kPa, at a temperature, °C; null out of range."""
        return self._pressure_kpa(self.knots_dew_c, temperature_c)

    def reason(self, pressure_kpa: float | None) -> str | None:
        """Why an absolute pressure, kPa, has no temperature, in one of three phrases; null where it has one."""
        if pressure_kpa is None or math.isnan(pressure_kpa):
            return NO_PRESSURE
        if pressure_kpa <= 0 or self._position(pressure_kpa) < 0:
            return BELOW_RANGE
        return ABOVE_RANGE if self._position(pressure_kpa) >= len(self.knots_bubble_c) - 1 else None

    def _position(self, pressure_kpa: float) -> float:
        return BINS_PER_E_FOLD * math.log(pressure_kpa) - self.first_bin

    def _temperature_c(self, knots_c: tuple[float, ...], pressure_kpa: float) -> float | None:
        if self.reason(pressure_kpa):
            return None
        position = self._position(pressure_kpa)
        knot = math.floor(position)
        return knots_c[knot] + (knots_c[knot + 1] - knots_c[knot]) * (position - knot)

    def _pressure_kpa(self, knots_c: tuple[float, ...], temperature_c: float) -> float | None:
        if not knots_c[0] <= temperature_c < knots_c[-1]:
            return None
        knot = bisect_right(knots_c, temperature_c) - 1
        part = (temperature_c - knots_c[knot]) / (knots_c[knot + 1] - knots_c[knot])
        return math.exp((self.first_bin + knot + part) / BINS_PER_E_FOLD)


@cache
def saturation_table(refrigerant: str) -> SaturationTable:
    """The committed table of a refrigerant, by canonical name.

    Raises: RefrigerantRefused for a name that is not canonical, or has no table.
    """
    if refrigerant not in tabulated():
        raise RefrigerantRefused(f"there is no saturation table named “{refrigerant}”")
    return parsed(table_path(refrigerant).read_text(encoding="utf-8"))


def table_path(refrigerant: str) -> Path:
    """Where the committed table of a refrigerant lies; brackets of isomers are left out of the file name."""
    stem = refrigerant.replace("(", "").replace(")", "")
    return reference.FOLDER / "saturation" / f"{stem}.tsv"


def parsed(text: str) -> SaturationTable:
    """The table in `text`: `# key: value` lines, column names, then pressure, bubble and dew in each row."""
    lines = text.splitlines()
    comments = [line for line in lines if line.startswith("#")]
    origin = {key: value for key, _, value in (line.removeprefix("# ").partition(": ") for line in comments)}
    rows = [line.split("\t") for line in lines[len(comments) + 1 :]]
    return SaturationTable(
        refrigerant=origin["refrigerant"],
        origin=origin,
        first_bin=int(origin["first bin"]),
        knots_bubble_c=tuple(float(row[1]) for row in rows),
        knots_dew_c=tuple(float(row[2]) for row in rows),
    )
