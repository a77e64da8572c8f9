"""How much of a unit's cold a control holds through: its cold hours below an outdoor temperature."""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

Array = npt.NDArray[np.float64]

_FLOOR_C, _TOP_C = -90, 61
_UNKNOWN_SHARE = 0.5
"""Judgement: where no weather is known, half of the cold hours are taken to lie below any limit."""


class ColdShares:
    """Share of each unit's cold hours below an outdoor temperature.

    Cold hours here are those of a unit whose head pressure nothing holds: possible demand for cooling, below
    starve_ambient_without_control_c. `facts`: grain unit; station_id, demand_from_c. `station_hours`: grain station_id,
    floor_c (whole degC, the hour's temperature rounded down); hours of a typical year.
    """

    def __init__(self, facts: pl.DataFrame, station_hours: pl.DataFrame, thresholds: Mapping[str, float]) -> None:
        top = thresholds["starve_ambient_without_control_c"]
        classes = facts.select("station_id", pl.col("demand_from_c").fill_null(float(_FLOOR_C)))
        self._class = classes.select(pl.struct(pl.all()).rank("dense")).to_series().to_numpy().astype(np.intp) - 1
        self._edges = np.arange(_FLOOR_C, _TOP_C + 1, dtype=np.float64)
        by_station = {
            station[0]: self._cumulative(part)
            for station, part in station_hours.group_by("station_id", maintain_order=True)
        }
        unique = classes.unique().sort("station_id", "demand_from_c", nulls_last=False)
        self._known = [by_station.get(station) for station in unique["station_id"]]
        self._from = unique["demand_from_c"].to_list()
        self._top = top

    def _cumulative(self, part: pl.DataFrame) -> Array:
        """Hours below each edge; within a degree they are spread evenly."""
        hours = np.zeros(len(self._edges))
        place = part["floor_c"].to_numpy().astype(np.intp) - _FLOOR_C
        np.add.at(hours, place + 1, part["hours"].cast(pl.Float64).to_numpy())
        return np.asarray(np.cumsum(hours))

    def below(self, limit_c: Array) -> Array:
        """Share of the cold hours of each unit (units,) below its limit [-]; 0 for a NaN limit; NaN where not known."""
        shares = np.full(len(limit_c), np.nan)
        for place, (cumulative, low) in enumerate(zip(self._known, self._from, strict=True)):
            here = self._class == place
            if cumulative is not None and low < self._top:
                at_low, at_top = np.interp([low, self._top], self._edges, cumulative)
                under = np.interp(np.clip(limit_c[here], low, self._top), self._edges, cumulative)
                shares[here] = (under - at_low) / (at_top - at_low) if at_top > at_low else np.nan
        return np.asarray(np.where(np.isnan(limit_c), 0.0, shares))


def reach(share_below: Array, thresholds: Mapping[str, float]) -> Array:
    """Part of an option's effect that is left over a whole winter [-]: below its limit, `effect_below_limit` of it."""
    share = np.nan_to_num(share_below, nan=_UNKNOWN_SHARE)
    return np.asarray(1 - (1 - thresholds["effect_below_limit"]) * share)
