"""Hourly weather of the three regions: observed years as they are, the rest resampled from them in blocks.

The source is the eight station-years of NOAA ISD-Lite under `noaa_isd_lite/` (public domain, taken from the PyPI
package `diyepw` 1.3.1). A resampled stretch is made of blocks of 5-10 observed days, each from within 15 days of the
same calendar time in one of the station's observed years; temperature, dew point and wind move together.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
SOURCE = Path(__file__).parent / "noaa_isd_lite"
HOUR = timedelta(hours=1)
MISSING = -9999
CHANNELS = ("temperature_c", "dew_point_c", "wind_m_s")
ISD_FIELDS = (4, 5, 8)  # air temperature, dew point, wind speed, all in tenths
JOIN_HOURS = 24  # a jump at a join of two blocks dies away over a day


@dataclass(frozen=True)
class Station:
    """A real station whose observations drive an invented region."""

    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    time_zone: str
    years: tuple[int, ...]
    unaltered: bool


# Positions and elevations from memory of the station list, to about a kilometre and ten metres.
STATIONS = {
    "lakes": Station(
        "725300", "Lakes region airport", 41.995, -87.934, 201.8, "America/Chicago", (2015, 2016, 2017), True
    ),
    "highlands": Station(
        "725957", "Highlands", 41.333, -122.333, 1083.0, "America/Los_Angeles", (2015, 2016, 2017), False
    ),
    "north": Station("702910", "North valley", 62.961, -141.929, 522.4, "America/Anchorage", (2018, 2019), False),
}


@dataclass(frozen=True)
class Weather:
    """Hourly weather of one station from `start` on; arrays (hours,), UTC, no holes; `observed` where unaltered."""

    station: Station
    start: datetime
    temperature_c: Array
    dew_point_c: Array
    wind_m_s: Array
    observed: NDArray[np.bool_]


def isd_path(station: Station, year: int) -> Path:
    """Where a station-year of ISD-Lite lies."""
    return SOURCE / f"{station.station_id}-{year}.gz"


def read_isd_year(path: Path, year: int) -> dict[str, Array]:
    """One ISD-Lite file as arrays over the hours of its year, UTC; missing hours and values are NaN."""
    first = datetime(year, 1, 1, tzinfo=UTC)
    hours = int((datetime(year + 1, 1, 1, tzinfo=UTC) - first) / HOUR)
    out = {name: np.full(hours, np.nan) for name in CHANNELS}
    with gzip.open(path, "rt") as lines:
        for line in lines:
            field = line.split()
            at = int((datetime(*map(int, field[:4]), tzinfo=UTC) - first) / HOUR)
            for name, column in zip(CHANNELS, ISD_FIELDS, strict=True):
                value = int(field[column])
                if value != MISSING:
                    out[name][at] = value / 10.0
    return out


def filled(values: Array) -> Array:
    """Holes closed by straight lines: the simulated air has to have some temperature in every hour."""
    hours = np.arange(values.size)
    known = np.isfinite(values)
    return np.interp(hours, hours[known], values[known])


def observed_years(station: Station) -> dict[int, Array]:
    """Each observed year as an array (3, hours) without holes, in the order of CHANNELS."""
    years = {}
    for year in station.years:
        raw = read_isd_year(isd_path(station, year), year)
        years[year] = np.stack([filled(raw[name]) for name in CHANNELS])
    return years


def _donor_block(rng: np.random.Generator, years: dict[int, Array], at: datetime, hours: int) -> Array:
    """A stretch of observed weather from the same time of another year; (3, hours)."""
    others = [year for year in years if year != at.year] or list(years)
    year = int(rng.choice(others))
    days = int(rng.integers(-15, 16))
    same_day = datetime(year, at.month, min(at.day, 28) if at.month == 2 else at.day, tzinfo=UTC)
    begin = int((same_day + timedelta(days=days) - datetime(year, 1, 1, tzinfo=UTC)) / HOUR)
    source = years[year]
    index = np.arange(begin, begin + hours)
    # The year's two ends meet, so that a block around New Year stays winter weather of one observed year.
    return source[:, index % source.shape[1]]


def resampled(rng: np.random.Generator, years: dict[int, Array], start: datetime, hours: int) -> Array:
    """Season-matched blocks joined smoothly; (3, hours) from midnight UTC of `start`."""
    out = np.empty((3, hours))
    at = 0
    while at < hours:
        length = min(24 * int(rng.integers(5, 11)), hours - at)
        block = _donor_block(rng, years, start + at * HOUR, length).copy()
        if at:
            jump = out[:, at - 1] - block[:, 0]
            block += jump[:, None] * np.clip(1.0 - np.arange(1, length + 1) / JOIN_HOURS, 0.0, None)
        out[:, at : at + length] = block
        at += length
    out[1] = np.minimum(out[1], out[0])
    out[2] = np.clip(out[2], 0.0, None)
    return np.round(out, 1)


def make_weather(
    region: str, start: datetime, hours: int, rng: np.random.Generator, unaltered: bool | None = None
) -> Weather:
    """The weather of a region over a span: observed hours where the station is used unaltered, else resampled."""
    station = STATIONS[region]
    years = observed_years(station)
    values = resampled(rng, years, start, hours)
    observed = np.zeros(hours, dtype=bool)
    if station.unaltered if unaltered is None else unaltered:
        for year, source in years.items():
            begin = int((datetime(year, 1, 1, tzinfo=UTC) - start) / HOUR)
            lo, hi = max(begin, 0), min(begin + source.shape[1], hours)
            if lo < hi:
                values[:, lo:hi] = source[:, lo - begin : hi - begin]
                observed[lo:hi] = True
    return Weather(station, start, *values, observed)
