"""Cooling demand of a unit hour by hour [-], from its use, its hours and the outdoor air."""

import datetime as dt

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from .fleet import Unit

Floats = NDArray[np.float32]


def occupied(unit: Unit, start: dt.datetime, hours: int) -> NDArray[np.bool_]:
    """Hours of use by the site's standard clock."""
    days, opens, closes = unit.hours_of_use
    local = np.arange(hours) + start.hour + unit.site.utc_offset_h
    weekday = (start.weekday() + local // 24) % 7
    return np.asarray((weekday < days) & (local % 24 >= opens) & (local % 24 < closes))


def cooling_demand(
    unit: Unit,
    use: str,
    start: dt.datetime,
    outdoor_c: NDArray[np.float64],
    economizer_idle: bool,
    rng: np.random.Generator,
) -> Floats:
    """Share of an hour in which the compressor is wanted; 0 under 5 %. Free cooling is taken off where it works."""
    hours = len(outdoor_c)
    open_now = occupied(unit, start, hours)
    above = unit.load_slope * (outdoor_c - 15.0)
    noise = 0.06 * lfilter([0.4], [1, -0.6], rng.standard_normal(hours))
    base = unit.load_base
    sun = np.clip(np.cos(2 * np.pi * ((np.arange(hours) + unit.site.utc_offset_h) % 24 - 14) / 24), 0, 1)
    if use == "server room":
        load = 0.68 * base + 0.006 * above
    elif use == "telecom hut":
        load = 0.5 * base + 0.013 * above
    elif use == "laboratory":
        load = 0.42 * base + 0.014 * above + 0.08 * open_now
    elif use == "clinic imaging":
        load = np.where(open_now, 0.55, 0.25) * base + 0.012 * above
    elif use == "kitchen":
        load = np.where(open_now, 0.55 * base + 0.014 * above, -1.0)
    elif use == "laundry":
        load = np.where(open_now, 0.6 * base + 0.012 * above, -1.0)
    elif use in {"cold store", "walk-in cooler", "freezer"}:
        load = 0.58 * base + 0.009 * above + 0.06 * open_now
    else:
        gain = {"office": 0.14, "shop": 0.12, "school": 0.08}[use]
        load = np.where(
            open_now,
            0.045 * unit.load_slope * (outdoor_c - unit.balance_c) + gain * sun + 0.04,
            0.03 * (outdoor_c - 24),
        )
    load = np.clip(load + noise, 0, 1)
    if unit.economizer and not economizer_idle:
        free = np.clip((unit.economizer_below_c - outdoor_c) / 4.0, 0, 1)
        load = load * (1 - free)
    return np.where(load < 0.05, 0, load).astype(np.float32)
