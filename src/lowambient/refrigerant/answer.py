"""A technician's two-second answer: saturation at a pressure, or pressures at a temperature, in words.

Needs the standard library only, so that it starts at once.
"""

import math
from dataclasses import dataclass

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.refrigerant.catalogue import refrigerants
from lowambient.refrigerant.names import canonical_name
from lowambient.refrigerant.pressure import SEA_LEVEL_KPA, absolute_kpa, barometric_kpa, gauge_kpa
from lowambient.refrigerant.table import ABOVE_RANGE, SaturationTable, saturation_table
from lowambient.refrigerant.usual_settings import KPA_PER_PSI

_FOOT_M = 0.3048
_USE = (
    "Bubble goes with liquid: condensing temperature at a liquid tap, subcooling, standing pressure.\n"
    "Dew goes with vapour: evaporating temperature at a suction tap, superheat."
)
_CAUTION = (
    "The maker's data for the unit stands above these numbers. Refrigerant circuits are work for licensed\n"
    "people under local codes; wear eye and hand protection when connecting gauges."
)
_FLAMMABLE = {
    "2L": "mildly flammable",
    "2": "flammable",
    "3": "highly flammable",
}


@dataclass(frozen=True)
class SaturationAnswer:
    """What was asked and what was found; temperatures in °C, pressures absolute in kPa.

    Asked by pressure, both pressures are the one asked; asked by temperature, both temperatures are.
    """

    refrigerant: str
    asked: str
    elevation_m: float
    barometer_kpa: float
    bubble_c: float
    dew_c: float
    bubble_kpa: float
    dew_kpa: float
    notes: tuple[str, ...]

    def text(self) -> str:
        """The answer as lines for a terminal, in US and SI units, with its origin and cautions."""
        row = refrigerants()[self.refrigerant]
        origin = saturation_table(self.refrigerant).origin
        return "\n".join(
            [
                f"{self.refrigerant} ({row.safety_class}) at {self.asked}",
                f"elevation {self.elevation_m:,.0f} m ({self.elevation_m / _FOOT_M:,.0f} ft), "
                f"barometer {self.barometer_kpa:.1f} kPa ({self.barometer_kpa / KPA_PER_PSI:.2f} psia)",
                "",
                f"{'':8}{'°F':>9}{'°C':>9}{'psig':>10}{'psia':>10}{'kPa gauge':>12}{'kPa abs':>10}",
                self._line("bubble", self.bubble_c, self.bubble_kpa),
                self._line("dew", self.dew_c, self.dew_kpa),
                *self._glide(),
                "",
                _USE,
                *self.notes,
                *_hazard(row.safety_class),
                f"Table: {origin['equation of state']}, {origin['composition by mass']} by mass.",
                _CAUTION,
            ]
        )

    def _line(self, side: str, temperature_c: float, pressure_kpa: float) -> str:
        gauge = gauge_kpa(pressure_kpa, self.barometer_kpa)
        return (
            f"{side:8}{1.8 * temperature_c + 32:9.1f}{temperature_c:9.1f}{gauge / KPA_PER_PSI:10.1f}"
            f"{pressure_kpa / KPA_PER_PSI:10.1f}{gauge:12,.0f}{pressure_kpa:10,.0f}"
        )

    def _glide(self) -> list[str]:
        glide_k = self.dew_c - self.bubble_c
        return [f"{'glide':8}{1.8 * glide_k:9.1f}{glide_k:9.1f}"] if glide_k >= 0.05 else []


def saturation_answer(
    refrigerant: str, value: float, unit: str, elevation_m: float = 0.0, sealed_gauge: bool = False
) -> SaturationAnswer:
    """Saturation of a refrigerant (as people write it) at a pressure, or at a temperature, in the unit named.

    Gauge pressures are counted from the standard atmosphere at `elevation_m` (metres); with `sealed_gauge` from
    the standard atmosphere at sea level, as a sealed sensor does. Plain bar, kPa and MPa are taken as absolute.

    Raises: RefrigerantRefused for the name; InputRefused for the unit, the elevation, or a value out of range.
    """
    table = saturation_table(canonical_name(refrigerant))
    barometer_kpa = barometric_kpa(elevation_m)
    measure = _measure(unit)
    contract_value = value * float(measure["factor"]) + float(measure["offset"])
    asked = f"{value:,g} {measure['measure']}"
    if measure["quantity"] == "temperature":
        found = _at_temperature(table, contract_value, asked)
    else:
        gauge = measure["reference_pressure"] == "gauge"
        zero_kpa = SEA_LEVEL_KPA if sealed_gauge else barometer_kpa
        found = _at_pressure(table, absolute_kpa(contract_value, zero_kpa if gauge else 0.0), asked)
    caution = refrigerants()[table.refrigerant].caution
    return SaturationAnswer(
        table.refrigerant,
        asked,
        elevation_m,
        barometer_kpa,
        *found,
        notes=(*_notes(measure), *([f"Caution: {caution}."] if caution else [])),
    )


def elevation_m(written: str) -> float:
    """Metres of an elevation written with its unit, as `5280 ft` or `1609m`; zero needs none.

    Raises: InputRefused for other text.

    >>> elevation_m("5280ft")
    1609.344
    """
    text = written.strip().replace(",", "")
    number = text.rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ ")
    unit = text[len(number) :].strip().casefold()
    factors = {spelling: row["factor"] for row, spelling in _spelled() if row["quantity"] == "length"}
    try:
        metres = float(number) * float(factors[unit] if unit else 1.0)
    except (KeyError, ValueError):
        metres = math.nan
    if math.isnan(metres) or (metres != 0 and not unit):
        raise InputRefused(f"elevation “{written}” must name its unit, as in 5280ft or 1609m")
    return metres


def _at_pressure(table: SaturationTable, pressure_kpa: float, asked: str) -> tuple[float, float, float, float]:
    bubble_c, dew_c = table.bubble_c(pressure_kpa), table.dew_c(pressure_kpa)
    if bubble_c is None or dew_c is None:
        raise InputRefused(_out_of_range(table, pressure_kpa, asked))
    return bubble_c, dew_c, pressure_kpa, pressure_kpa


def _at_temperature(table: SaturationTable, temperature_c: float, asked: str) -> tuple[float, float, float, float]:
    bubble_kpa, dew_kpa = table.bubble_kpa(temperature_c), table.dew_kpa(temperature_c)
    if bubble_kpa is None or dew_kpa is None:
        lowest_c, highest_c = table.knots_dew_c[0], table.knots_bubble_c[-1]
        raise InputRefused(
            f"{asked} is outside the table of {table.refrigerant}, which runs from {lowest_c:.1f} to "
            f"{highest_c:.1f} °C ({1.8 * lowest_c + 32:.1f} to {1.8 * highest_c + 32:.1f} °F)"
        )
    return temperature_c, temperature_c, bubble_kpa, dew_kpa


def _out_of_range(table: SaturationTable, pressure_kpa: float, asked: str) -> str:
    if math.isnan(pressure_kpa) or pressure_kpa <= 0:
        return f"{asked} is not a pressure: it is at or under a perfect vacuum"
    side = "above" if table.reason(pressure_kpa) == ABOVE_RANGE else "below"
    return (
        f"{asked} is {side} the table of {table.refrigerant}, which runs from {table.lowest_kpa:,.1f} to "
        f"{table.highest_kpa:,.0f} kPa absolute ({table.lowest_kpa / KPA_PER_PSI:.1f} to "
        f"{table.highest_kpa / KPA_PER_PSI:.1f} psia; {table.origin['range']})"
    )


def _measure(unit: str) -> dict[str, str]:
    wanted = _squeezed(unit)
    known = {spelling: row for row, spelling in _spelled() if row["quantity"] in ("pressure", "temperature")}
    if wanted not in known:
        names = dict.fromkeys(row["measure"] for row in known.values())
        raise InputRefused(f"“{unit}” is not a unit known here; allowed: {', '.join(names)}")
    if known[wanted]["measure"] == "psi":
        raise InputRefused("psi leaves open what it is counted from: write psig (gauge) or psia (absolute)")
    return known[wanted]


def _spelled() -> list[tuple[dict[str, str], str]]:
    return [
        (row, _squeezed(spelling)) for row in reference.rows("measures") for spelling in row["spellings"].split("|")
    ]


def _squeezed(unit: str) -> str:
    return "".join(unit.casefold().split())


def _notes(measure: dict[str, str]) -> list[str]:
    if measure["reference_pressure"] != "ask":
        return []
    name = measure["measure"]
    return [f"Plain {name} is taken as absolute; write {name}g for a gauge reading."]


def _hazard(safety_class: str) -> list[str]:
    hazards = [_FLAMMABLE[safety_class[1:]]] if safety_class[1:] in _FLAMMABLE else []
    hazards += ["toxic"] if safety_class.startswith("B") else []
    return [f"Group {safety_class}: {' and '.join(hazards)}."] if hazards else []
