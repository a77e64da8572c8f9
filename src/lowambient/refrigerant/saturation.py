"""Saturation of whole columns: numpy and polars here, and the frames that the store's macros join to.

All roads read the same committed tables, so `table`, this module and `queries/macros/saturation.sql` give the same
numbers. Pressures are absolute, kPa; temperatures °C.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import overload

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.refrigerant.catalogue import Refrigerant, refrigerants, tabulated
from lowambient.refrigerant.table import BINS_PER_E_FOLD, saturation_table

Array = npt.NDArray[np.float64]

BINS_PER_REFRIGERANT = 2048
"""Keys set aside for each refrigerant in the store: more than the bins of any range of pressure in the trade."""
LOWEST_BIN = -512
"""The bin that the first key of a refrigerant stands for: 0.018 kPa."""


@overload
def bubble_c(refrigerant: str, pressure_kpa: pl.Series) -> pl.Series: ...
@overload
def bubble_c(refrigerant: str, pressure_kpa: npt.ArrayLike) -> Array: ...
def bubble_c(refrigerant: str, pressure_kpa: pl.Series | npt.ArrayLike) -> pl.Series | Array:
    """Bubble temperatures, °C, of one refrigerant at absolute pressures, kPa, in the shape given.

    Out of range is null in a polars series and NaN in an array; `SaturationTable.reason` says why.

    Raises: RefrigerantRefused for a name that is not canonical, or has no table.
    """
    curve = _curve(refrigerant, "bubble")
    return _looked_up(pressure_kpa, curve.temperatures_c)


@overload
def dew_c(refrigerant: str, pressure_kpa: pl.Series) -> pl.Series: ...
@overload
def dew_c(refrigerant: str, pressure_kpa: npt.ArrayLike) -> Array: ...
def dew_c(refrigerant: str, pressure_kpa: pl.Series | npt.ArrayLike) -> pl.Series | Array:
    """Dew temperatures, °C, of one refrigerant at absolute pressures, kPa; see `bubble_c`."""
    curve = _curve(refrigerant, "dew")
    return _looked_up(pressure_kpa, curve.temperatures_c)


@overload
def bubble_kpa(refrigerant: str, temperature_c: pl.Series) -> pl.Series: ...
@overload
def bubble_kpa(refrigerant: str, temperature_c: npt.ArrayLike) -> Array: ...
def bubble_kpa(refrigerant: str, temperature_c: pl.Series | npt.ArrayLike) -> pl.Series | Array:
    """Absolute bubble pressures, kPa, of one refrigerant at temperatures, °C: the inverse of `bubble_c`."""
    curve = _curve(refrigerant, "bubble")
    return _looked_up(temperature_c, curve.pressures_kpa)


@overload
def dew_kpa(refrigerant: str, temperature_c: pl.Series) -> pl.Series: ...
@overload
def dew_kpa(refrigerant: str, temperature_c: npt.ArrayLike) -> Array: ...
def dew_kpa(refrigerant: str, temperature_c: pl.Series | npt.ArrayLike) -> pl.Series | Array:
    """Absolute dew pressures, kPa, of one refrigerant at temperatures, °C: the inverse of `dew_c`."""
    curve = _curve(refrigerant, "dew")
    return _looked_up(temperature_c, curve.pressures_kpa)


def refrigerant_frame() -> pl.DataFrame:
    """The store's table `refrigerants`: a row for each refrigerant with a table, by `refrigerant_no`.

    Columns: refrigerant_no, refrigerant, kind, safety_class, lowest_kpa and highest_kpa (absolute ends of its
    table), equation_of_state.
    """
    rows = [refrigerants()[name] for name in tabulated()]
    tables = [saturation_table(row.name) for row in rows]
    return pl.DataFrame(
        {
            "refrigerant_no": pl.Series([row.number for row in rows], dtype=pl.Int32),
            "refrigerant": [row.name for row in rows],
            "kind": [row.kind for row in rows],
            "safety_class": [row.safety_class for row in rows],
            "lowest_kpa": [table.lowest_kpa for table in tables],
            "highest_kpa": [table.highest_kpa for table in tables],
            "equation_of_state": [table.origin["equation of state"] for table in tables],
        }
    ).sort("refrigerant_no")


def saturation_bins() -> pl.DataFrame:
    """The store's table `saturation_bins`: a row for each refrigerant and bin of pressure, by `saturation_bin`.

    Columns: saturation_bin (Int32 key: refrigerant_no * 2048 + bin + 512, where bin k holds the pressures from
    exp(k / 128) up to exp((k + 1) / 128) kPa), refrigerant_no, and for bubble and dew the temperatures at the
    bin's ends (`_from_c`, `_to_c`) and the line between: `_intercept_c` + `_slope_c` * ln(pressure_kpa).
    """
    return pl.concat(_bins(refrigerants()[name]) for name in tabulated()).sort("saturation_bin")


def _bins(refrigerant: Refrigerant) -> pl.DataFrame:
    table = saturation_table(refrigerant.name)
    bins = np.arange(table.first_bin, table.last_bin)
    if refrigerant.number is None or not LOWEST_BIN <= bins[0] <= bins[-1] < LOWEST_BIN + BINS_PER_REFRIGERANT:
        raise ValueError(f"{refrigerant.name}: its bins do not fit the keys set aside for it")
    columns = {
        "saturation_bin": (refrigerant.number * BINS_PER_REFRIGERANT + bins - LOWEST_BIN).astype(np.int32),
        "refrigerant_no": np.full(len(bins), refrigerant.number, dtype=np.int32),
    }
    for side, knots_c in (("bubble", table.knots_bubble_c), ("dew", table.knots_dew_c)):
        from_c, to_c = np.array(knots_c[:-1]), np.array(knots_c[1:])
        slope_c = (to_c - from_c) * BINS_PER_E_FOLD
        columns |= {
            f"{side}_from_c": from_c,
            f"{side}_to_c": to_c,
            f"{side}_intercept_c": from_c - slope_c * bins / BINS_PER_E_FOLD,
            f"{side}_slope_c": slope_c,
        }
    return pl.DataFrame(columns)


def _looked_up(values: pl.Series | npt.ArrayLike, look_up: Callable[[Array], Array]) -> pl.Series | Array:
    if isinstance(values, pl.Series):
        found = look_up(values.cast(pl.Float64).fill_null(np.nan).to_numpy())
        return pl.Series(values.name, found).fill_nan(None)
    return look_up(np.asarray(values, dtype=np.float64))


@dataclass(frozen=True)
class _Curve:
    """Temperatures of one side of saturation, °C, at the pressures exp((first_bin + place) / 128) kPa."""

    first_bin: int
    knots_c: Array

    def temperatures_c(self, pressure_kpa: Array) -> Array:
        """On the line between the two knots about each pressure; NaN out of range."""
        with np.errstate(divide="ignore", invalid="ignore"):
            position = BINS_PER_E_FOLD * np.log(pressure_kpa)
        last_bin = self.first_bin + len(self.knots_c) - 1
        within = (position >= self.first_bin) & (position < last_bin)
        position = np.where(within, position, self.first_bin)
        below = np.floor(position)
        place = below.astype(np.int64) - self.first_bin
        low_c = self.knots_c[place]
        temperature_c = (self.knots_c[place + 1] - low_c) * (position - below) + low_c
        return np.where(within, temperature_c, np.nan)

    def pressures_kpa(self, temperature_c: Array) -> Array:
        """The inverse of `temperatures_c`."""
        bins = np.arange(self.first_bin, self.first_bin + len(self.knots_c))
        pressure_kpa = np.exp(np.interp(temperature_c, self.knots_c, bins) / BINS_PER_E_FOLD)
        within = (temperature_c >= self.knots_c[0]) & (temperature_c < self.knots_c[-1])
        return np.where(within, pressure_kpa, np.nan)


@cache
def _curve(refrigerant: str, side: str) -> _Curve:
    table = saturation_table(refrigerant)
    return _Curve(table.first_bin, np.array(table.knots_bubble_c if side == "bubble" else table.knots_dew_c))
