"""Invented hourly weather: a yearly and a daily wave, weather systems as autoregressive noise, cold and warm spells."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Climate:
    """Temperatures in °C or K, wind in m/s, spells a winter."""

    mean_c: float
    yearly_k: float
    daily_k: tuple[float, float]  # half the day's range in winter, in summer
    systems_k: tuple[float, float]  # standard deviation of weather systems in winter, in summer
    cold_spells: float
    spell_depth_k: tuple[float, float]
    wind_m_s: float
    dryness_k: float
    zone: str
    utc_offset_h: int
    latitude: float
    longitude: float
    elevation_m: float


CLIMATES = {
    "maritime": Climate(
        10.8, 6.8, (2.2, 5.0), (2.6, 2.4), 2.5, (4, 9), 3.4, 3.5, "America/Los_Angeles", -8, 47.2, -122.5, 90
    ),
    "continental": Climate(
        9.2, 14.0, (3.6, 5.5), (5.0, 3.2), 3.2, (6, 13), 4.3, 5.0, "America/Chicago", -6, 41.7, -89.9, 230
    ),
    "high desert": Climate(
        9.8, 11.5, (6.0, 9.0), (3.8, 2.8), 3.0, (5, 12), 3.2, 11.0, "America/Denver", -7, 39.4, -106.1, 1700
    ),
    "upland": Climate(
        13.2, 11.0, (4.6, 6.0), (4.6, 2.6), 2.6, (5, 12), 3.0, 4.5, "America/New_York", -5, 36.4, -81.8, 420
    ),
    "northern": Climate(
        4.2, 16.5, (3.8, 5.8), (5.5, 3.4), 3.8, (6, 13), 4.4, 5.0, "America/Chicago", -6, 46.5, -95.2, 370
    ),
    "mild coast": Climate(
        24.0, 3.2, (1.8, 2.6), (1.2, 1.0), 0.0, (0, 1), 3.6, 4.0, "America/Los_Angeles", -8, 33.1, -117.4, 25
    ),
}


@dataclass(frozen=True)
class Station:
    """A weather station and the climate it stands in."""

    station_id: str
    name: str
    climate: str
    latitude: float
    longitude: float
    elevation_m: float
    warmer_k: float


@dataclass(frozen=True)
class Weather:
    """Hourly arrays of one station from `start` (UTC): temperature and dew point [°C], wind [m/s]."""

    temperature_c: Floats
    dew_point_c: Floats
    wind_m_s: Floats


def draw_stations(climates: tuple[str, ...], rng: np.random.Generator) -> list[Station]:
    """Three to six stations spread over the climates given."""
    number = max(3, min(6, len(climates) + int(rng.integers(0, 2))))
    order = [climates[i % len(climates)] for i in range(number)]
    stations = []
    for i, name in enumerate(order):
        c = CLIMATES[name]
        height = max(2.0, c.elevation_m + rng.normal(0, 0.25 * c.elevation_m))
        stations.append(
            Station(
                station_id=f"K{''.join(rng.choice(list('BDFGLMNPRTVWZ'), 2))}{i}",
                name=f"{rng.choice(['Upper', 'Lower', 'East', 'West', 'Old'])} {rng.choice(PLACES)} field",
                climate=name,
                latitude=round(c.latitude + rng.uniform(-1.2, 1.2), 3),
                longitude=round(c.longitude + rng.uniform(-1.6, 1.6), 3),
                elevation_m=round(height, 1),
                warmer_k=float(rng.normal(0, 0.6) - 0.0045 * (height - c.elevation_m)),
            )
        )
    return stations


PLACES = [
    "Ambleford",
    "Brackenholt",
    "Coldmere",
    "Drumlock",
    "Elvanshaw",
    "Fenwater",
    "Garrowdale",
    "Hollinbeck",
    "Inverly",
    "Kirkmoss",
    "Larchgate",
    "Millrood",
]


def make_weather(stations: list[Station], start: dt.datetime, hours: int, rng: np.random.Generator) -> list[Weather]:
    """Weather of every station; stations of one climate share half of their weather systems."""
    shared: dict[str, tuple[Floats, Floats]] = {}
    made = []
    for station in stations:
        climate = CLIMATES[station.climate]
        season = _winterness(start, hours)
        if station.climate not in shared:
            shared[station.climate] = (_systems(hours, rng), _spells(climate, start, hours, rng))
        systems, spells = shared[station.climate]
        mixed = 0.8 * systems + 0.6 * _systems(hours, rng)
        made.append(_one(climate, station, start, season, mixed, spells * rng.uniform(0.85, 1.1), rng))
    return made


def _one(
    climate: Climate,
    station: Station,
    start: dt.datetime,
    season: Floats,
    systems: Floats,
    spells: Floats,
    rng: np.random.Generator,
) -> Weather:
    hours = len(season)
    winter = 0.5 + 0.5 * season
    spread = climate.systems_k[0] * winter + climate.systems_k[1] * (1 - winter)
    half_day = climate.daily_k[0] * winter + climate.daily_k[1] * (1 - winter)
    clouds = np.clip(1.0 + 0.35 * _ar(hours, 30.0, rng), 0.15, 1.7)
    local_hour = (np.arange(hours) + climate.utc_offset_h) % 24
    daily = half_day * clouds * np.cos(2 * np.pi * (local_hour - 15.3) / 24.0)
    temperature = climate.mean_c + station.warmer_k - climate.yearly_k * season + spread * systems + spells + daily
    temperature = temperature + 0.5 * _ar(hours, 4.0, rng)
    dry = np.maximum(0.3, climate.dryness_k * (0.7 + 0.3 * clouds) + 0.35 * daily + 1.5 * _ar(hours, 24.0, rng))
    wind = (
        climate.wind_m_s
        * np.exp(0.45 * _ar(hours, 9.0, rng) - 0.1)
        * (1 + 0.25 * np.cos(2 * np.pi * (local_hour - 15) / 24))
    )
    return Weather(
        np.round(temperature, 2), np.round(temperature - dry, 2), np.asarray(np.round(np.clip(wind, 0, 28), 1))
    )


def _winterness(start: dt.datetime, hours: int) -> Floats:
    """+1 in the middle of January, -1 in July."""
    day = (start - dt.datetime(start.year, 1, 1)).total_seconds() / 86400 + np.arange(hours) / 24.0
    return np.asarray(np.cos(2 * np.pi * (day - 18.0) / 365.25))


def _ar(hours: int, memory_h: float, rng: np.random.Generator) -> Floats:
    """Autoregressive noise of unit variance."""
    keep = float(np.exp(-1.0 / memory_h))
    return np.asarray(lfilter([np.sqrt(1 - keep * keep)], [1.0, -keep], rng.standard_normal(hours)))


def _systems(hours: int, rng: np.random.Generator) -> Floats:
    """Weather systems of some days, with a slow part that makes one month and one winter unlike the next."""
    slow = 0.47 * _ar(hours, 1500.0, rng)
    return np.asarray(0.93 * lfilter([0.08], [1.0, -0.92], _ar(hours, 55.0, rng)) + slow)


def _spells(climate: Climate, start: dt.datetime, hours: int, rng: np.random.Generator) -> Floats:
    """Cold spells (and half as many thaws) of two to eight days in the winter half of each year, with soft edges."""
    effect = np.zeros(hours)
    season = _winterness(start, hours)
    for sign, rate in ((-1.0, climate.cold_spells), (1.0, climate.cold_spells / 2)):
        for at in rng.uniform(0, hours, rng.poisson(2.4 * rate * hours / 8766.0)):
            if season[int(at)] < rng.uniform(-0.1, 0.9):
                continue
            length = rng.uniform(48, 190)
            x = np.arange(max(0, int(at - length)), min(hours, int(at + length)))
            depth = rng.uniform(*climate.spell_depth_k)
            effect[x] += sign * depth * np.clip(1.6 * (1 - np.abs(x - at) / (0.5 * length + 18)), 0, 1)
    return effect
