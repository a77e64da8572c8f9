"""Saturation of the refrigerants in the invented fleet, as short polynomials that can run on many lanes at once.

Fitted from CoolProp when the generator starts. Nothing here is shared with the package under `src`: the fleet's
physics must be a second road, or it would only confirm the package's own mistakes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ATMOSPHERE_KPA = 101.325
KPA_PER_PSI = 6.894757
DEGREE = 5
FIT_C = np.linspace(-58.0, 68.0, 64)

# Name in the fleet -> name in CoolProp. Pseudo-pure where there is one: the mixtures of those are wrong near critical.
COOLPROP_NAME = {
    "R-22": "R22",
    "R-32": "R32",
    "R-134a": "R134a",
    "R-290": "R290",
    "R-404A": "R404A",
    "R-407A": "R407A.mix",
    "R-407C": "R407C",
    "R-410A": "R410A",
    "R-448A": "R448A.mix",
    "R-449A": "R449A.mix",
    "R-454B": "R454B.mix",
    "R-507A": "R507A",
    "R-513A": "R513A.mix",
}


@dataclass(frozen=True)
class Curve:
    """Coefficients, lowest power first: 1000/T[K] in ln(p[kPa]), and ln(p[kPa]) in 1000/T[K]."""

    inverse_t: Array
    ln_p: Array


@cache
def curves(name: str) -> tuple[Curve, Curve]:
    """Bubble and dew curve of a refrigerant, good to about 0.03 K between -55 and 65 °C.

    Raises KeyError for a refrigerant that the fleet does not use.
    """
    from CoolProp.CoolProp import PropsSI

    fluid = COOLPROP_NAME[name]
    kelvin = FIT_C + 273.15
    pair = []
    for quality in (0.0, 1.0):
        kpa = np.array([_flash_kpa(PropsSI, fluid, t, quality) for t in kelvin])
        solved = np.isfinite(kpa)
        ln_p, inverse_t = np.log(kpa[solved]), 1000.0 / kelvin[solved]
        fit = np.polynomial.polynomial.polyfit
        pair.append(Curve(fit(ln_p, inverse_t, DEGREE), fit(inverse_t, ln_p, DEGREE)))
    return pair[0], pair[1]


def _flash_kpa(props_si: Callable[..., float], fluid: str, kelvin: float, quality: float) -> float:
    """Saturation pressure, or NaN where a blend's flash fails (it does here and there below critical)."""
    try:
        return props_si("P", "T", kelvin, "Q", quality, fluid) / 1000.0
    except ValueError:
        return np.nan


def _horner(coefficients: Array, x: Array) -> Array:
    """A polynomial with its own coefficients in each lane; coefficients (DEGREE + 1, lanes), x (lanes,)."""
    total = coefficients[-1] * x
    for row in coefficients[-2:0:-1]:
        total += row
        total *= x
    total += coefficients[0]
    return total


@dataclass(frozen=True)
class Saturation:
    """Bubble and dew curves of many lanes, one refrigerant a lane; pressures absolute kPa, temperatures °C."""

    names: tuple[str, ...]
    bubble_inverse_t: Array
    bubble_ln_p: Array
    dew_inverse_t: Array
    dew_ln_p: Array

    def __post_init__(self) -> None:
        """Both curves side by side: one pass over twice the lanes costs half of two passes."""
        object.__setattr__(self, "_both_inverse_t", np.concatenate([self.dew_inverse_t, self.bubble_inverse_t], axis=1))
        object.__setattr__(self, "_both_ln_p", np.concatenate([self.bubble_ln_p, self.bubble_ln_p], axis=1))

    @classmethod
    def of(cls, names: list[str] | tuple[str, ...]) -> Saturation:
        """The curves of these refrigerants, lane by lane."""
        pairs = [curves(name) for name in names]
        stack = [
            np.ascontiguousarray(np.stack([getattr(pair[side], field) for pair in pairs], axis=1))
            for side in (0, 1)
            for field in ("inverse_t", "ln_p")
        ]
        return cls(tuple(names), *stack)

    def take(self, lanes: NDArray[np.intp]) -> Saturation:
        """The curves of chosen lanes, in that order."""
        rows = (self.bubble_inverse_t, self.bubble_ln_p, self.dew_inverse_t, self.dew_ln_p)
        return Saturation(tuple(self.names[i] for i in lanes), *(np.ascontiguousarray(a[:, lanes]) for a in rows))

    def bubble_c(self, kpa: Array) -> Array:
        """Bubble temperature, °C."""
        return 1000.0 / _horner(self.bubble_inverse_t, np.log(kpa)) - 273.15

    def dew_c(self, kpa: Array) -> Array:
        """Dew temperature, °C."""
        return 1000.0 / _horner(self.dew_inverse_t, np.log(kpa)) - 273.15

    def bubble_kpa(self, celsius: Array) -> Array:
        """Bubble pressure, absolute kPa."""
        return np.exp(_horner(self.bubble_ln_p, 1000.0 / (celsius + 273.15)))

    def both_c(self, low_kpa: Array, high_kpa: Array) -> tuple[Array, Array]:
        """Dew temperature of the low side and bubble temperature of the high side, °C."""
        celsius = 1000.0 / _horner(self._both_inverse_t, np.log(np.concatenate([low_kpa, high_kpa]))) - 273.15  # type: ignore[attr-defined]
        return celsius[: low_kpa.size], celsius[low_kpa.size :]

    def both_bubble_kpa(self, first_c: Array, second_c: Array) -> tuple[Array, Array]:
        """Bubble pressures at two temperatures of each lane, absolute kPa."""
        inverse = 1000.0 / (np.concatenate([first_c, second_c]) + 273.15)
        kpa = np.exp(_horner(self._both_ln_p, inverse))  # type: ignore[attr-defined]
        return kpa[: first_c.size], kpa[first_c.size :]

    def dew_kpa(self, celsius: Array) -> Array:
        """Dew pressure, absolute kPa."""
        return np.exp(_horner(self.dew_ln_p, 1000.0 / (celsius + 273.15)))


def barometer_kpa(elevation_m: float | Array) -> float | Array:
    """Pressure of the standard atmosphere at an elevation (ISA, ISO 2533), kPa."""
    return ATMOSPHERE_KPA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588


def psig_to_kpa(psig: float | Array, barometer: float | Array = ATMOSPHERE_KPA) -> float | Array:
    """Absolute kPa of a gauge pressure."""
    return psig * KPA_PER_PSI + barometer


def kpa_to_psig(kpa: float | Array, barometer: float | Array = ATMOSPHERE_KPA) -> float | Array:
    """Gauge pressure of absolute kPa."""
    return (kpa - barometer) / KPA_PER_PSI
