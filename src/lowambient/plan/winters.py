"""How winters differ: their spread at a station, and how far two stations share a hard one."""

import numpy as np
import numpy.typing as npt
import polars as pl

Array = npt.NDArray[np.float64]

EARTH_RADIUS_KM = 6371.0088
"""Mean radius R1 of the Earth (IUGG)."""


def great_circle_km(latitude_a: Array, longitude_a: Array, latitude_b: Array, longitude_b: Array) -> Array:
    """Distance along the Earth's surface, km, between places in degrees (north and east positive).

    Haversine formula on a sphere: within about 0.5 % of the ellipsoid. NaN where a position is.
    Source: Sinnott 1984, Sky and Telescope 68(2), 159.
    """
    a, b = np.radians(latitude_a), np.radians(latitude_b)
    half_turn = np.radians(np.subtract(longitude_b, longitude_a)) / 2
    haversine = np.sin((b - a) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(half_turn) ** 2
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(haversine, 1.0))))


def winter_correlation(stations: pl.DataFrame, length_km: float) -> Array:
    """Correlation of winter severity between stations, in the order of `stations` (latitude, longitude; null allowed).

    exp(-distance / length): 1 at one place, 0.5 at 1,200 km with the usual length. Where a position is not known the
    winters are taken as one and the same, which makes a total's interval wider, never narrower.
    Source of the length: Hansen & Lebedeff 1987, J. Geophys. Res. 92(D11), 13345-13372; the form is a judgement.
    """
    latitude, longitude = (stations[name].cast(pl.Float64).to_numpy() for name in ("latitude", "longitude"))
    distance = great_circle_km(latitude[:, None], longitude[:, None], latitude[None, :], longitude[None, :])
    return np.asarray(np.exp(-np.nan_to_num(distance, nan=0.0) / length_km))


def next_winter_cv(spread_cv: Array, winters: Array) -> Array:
    """Coefficient of variation of the next winter's cold hours about their estimated mean [-].

    cv * sqrt(1 + 1 / winters): the mean of few winters is itself uncertain. `winters` 0 stands for a typical year or
    part winters and is taken as one winter of knowledge (judgement: it errs on the wide side).
    """
    return np.asarray(spread_cv * np.sqrt(1 + 1 / np.maximum(winters, 1)))
