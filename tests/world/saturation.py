"""Bubble and dew pressures as short polynomials, so that a world needs no equation of state.

Fitted once to CoolProp 8.0.0 between -55 and 69 °C (ln p [kPa absolute] as a quartic in 1000/T - 3.5); within 0.3 %
everywhere, 0.1 % below 55 °C. `tests/test_world.py` compares them with CoolProp.
"""

from typing import Any

import numpy as np

STANDARD_KPA = 101.325
KPA_PER_PSI = 6.894757
BUBBLE: dict[str, tuple[float, ...]] = {
    "R-410A": (0.030987, -0.074713, -0.0126, -2.36641, 7.067086),
    "R-22": (0.015264, -0.040599, -0.046251, -2.409028, 6.599759),
    "R-407C": (0.014987, -0.040253, -0.043192, -2.408663, 6.730961),
    "R-454B": (0.019771, -0.052921, -0.022452, -2.359223, 7.023623),
    "R-32": (0.026073, -0.065353, -0.010381, -2.379843, 7.084523),
    "R-404A": (0.032053, -0.077372, -0.015161, -2.344355, 6.791912),
    "R-134a": (0.016286, -0.041601, -0.087011, -2.671319, 6.11197),
    "R-448A": (0.012199, -0.036206, -0.043328, -2.36786, 6.817552),
    "R-507A": (0.033884, -0.08099, -0.013887, -2.341176, 6.814374),
}
DEW: dict[str, tuple[float, ...]] = {
    "R-410A": (0.035164, -0.081302, -0.010906, -2.366369, 7.063805),
    "R-22": (0.015264, -0.040599, -0.046251, -2.409028, 6.599759),
    "R-407C": (0.031227, -0.075784, -0.057453, -2.584849, 6.550734),
    "R-454B": (0.030832, -0.077411, -0.006657, -2.378783, 6.979787),
    "R-32": (0.026073, -0.065353, -0.010381, -2.379843, 7.084523),
    "R-404A": (0.034097, -0.083622, -0.019499, -2.362256, 6.778588),
    "R-134a": (0.016286, -0.041601, -0.087011, -2.671319, 6.11197),
    "R-448A": (0.036739, -0.087099, -0.038797, -2.519987, 6.64271),
    "R-507A": (0.034826, -0.08295, -0.01283, -2.340451, 6.813565),
}
_GRID_C = np.arange(-60.0, 76.0, 0.25)


def ln_kpa(coefficients: tuple[float, ...], temperature_c: Any) -> Any:
    """ln of saturation pressure [kPa absolute] at `temperature_c` [°C]."""
    x = 1000.0 / (temperature_c + 273.15) - 3.5
    total = coefficients[0]
    for c in coefficients[1:]:
        total = total * x + c
    return total


def bubble_kpa(refrigerant: str, temperature_c: Any) -> Any:
    """Bubble pressure [kPa absolute]."""
    return np.exp(ln_kpa(BUBBLE[refrigerant], temperature_c))


def dew_kpa(refrigerant: str, temperature_c: Any) -> Any:
    """Dew pressure [kPa absolute]."""
    return np.exp(ln_kpa(DEW[refrigerant], temperature_c))


def bubble_c(refrigerant: str, kpa: Any) -> Any:
    """Bubble temperature [°C] of an absolute pressure [kPa]."""
    return np.interp(np.log(kpa), ln_kpa(BUBBLE[refrigerant], _GRID_C), _GRID_C)


def dew_c(refrigerant: str, kpa: Any) -> Any:
    """Dew temperature [°C] of an absolute pressure [kPa]."""
    return np.interp(np.log(kpa), ln_kpa(DEW[refrigerant], _GRID_C), _GRID_C)


def barometer_kpa(elevation_m: float) -> float:
    """International Standard Atmosphere below 11 km."""
    return float(STANDARD_KPA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def gauge_kpa(psig: float, elevation_m: float) -> float:
    """Absolute pressure [kPa] of a gauge reading [psig] at a site."""
    return psig * KPA_PER_PSI + barometer_kpa(elevation_m)
