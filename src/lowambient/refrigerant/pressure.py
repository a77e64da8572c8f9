"""Gauge and absolute pressure, and the barometer at a site's elevation."""

from lowambient.errors import InputRefused

SEA_LEVEL_KPA = 101.325
"""Standard atmosphere, kPa (ISO 2533:1975); also the fixed reference inside a sealed-gauge sensor."""

_SEA_LEVEL_K = 288.15
_LAPSE_K_PER_M = 0.0065
_EXPONENT = 9.80665 / (287.05287 * _LAPSE_K_PER_M)
_LOWEST_M, _HIGHEST_M = -1000.0, 11000.0


def barometric_kpa(elevation_m: float) -> float:
    """Pressure of the standard atmosphere at an elevation in metres, kPa.

    Local weather moves the barometer by some 3 kPa either way, which this does not know.

    Raises: InputRefused outside -1,000 to 11,000 m, where the formula ends.
    Source: ISO 2533:1975 and ICAO Doc 7488/3 (1993), troposphere, geopotential taken as geometric height.

    >>> round(barometric_kpa(1609.344), 2)
    83.43
    """
    if not _LOWEST_M <= elevation_m <= _HIGHEST_M:
        raise InputRefused(f"elevation {elevation_m:g} m is outside {_LOWEST_M:g} to {_HIGHEST_M:g} m")
    return float(SEA_LEVEL_KPA * (1.0 - _LAPSE_K_PER_M * elevation_m / _SEA_LEVEL_K) ** _EXPONENT)


def absolute_kpa(gauge_kpa: float, barometer_kpa: float = SEA_LEVEL_KPA) -> float:
    """Absolute pressure of a gauge pressure, both kPa; a sealed-gauge sensor is counted from `SEA_LEVEL_KPA`."""
    return gauge_kpa + barometer_kpa


def gauge_kpa(absolute_kpa: float, barometer_kpa: float = SEA_LEVEL_KPA) -> float:
    """Gauge pressure of an absolute pressure, both kPa; a sealed-gauge sensor is counted from `SEA_LEVEL_KPA`."""
    return absolute_kpa - barometer_kpa
