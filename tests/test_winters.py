"""How winters differ and how far they are shared."""

import numpy as np
import polars as pl
import pytest

from lowambient import reference
from lowambient.plan.winters import great_circle_km, next_winter_cv, winter_correlation

LENGTH_KM = reference.thresholds()["winter_correlation_km"].value


def stations(*places):
    return pl.DataFrame(
        {"latitude": [place[0] for place in places], "longitude": [place[1] for place in places]},
        schema={"latitude": pl.Float64, "longitude": pl.Float64},
    )


def test_a_quarter_of_a_meridian():
    """10,007.6 km from equator to pole on a sphere of 6371.0088 km: a quarter of its circumference."""
    found = great_circle_km(*(np.array(value) for value in (0.0, 30.0, 90.0, 30.0)))
    assert float(found) == pytest.approx(np.pi / 2 * 6371.0088)


def test_distance_across_the_date_line_is_short():
    found = great_circle_km(*(np.array(value) for value in (0.0, 179.5, 0.0, -179.5)))
    assert float(found) == pytest.approx(111.195, abs=0.001)


def test_correlation_is_one_half_at_1200_km():
    """Hansen & Lebedeff 1987, J. Geophys. Res. 92(D11): correlation of temperature falls to 0.5 at about 1,200 km."""
    degrees = 1200 / (np.pi / 180 * 6371.0088)
    found = winter_correlation(stations((40.0, -90.0), (40.0 + degrees, -90.0)), LENGTH_KM)
    assert found == pytest.approx(np.array([[1.0, 0.5], [0.5, 1.0]]), abs=1e-4)


def test_stations_without_a_position_share_every_winter():
    found = winter_correlation(stations((40.0, -90.0), (None, None)), LENGTH_KM)
    assert found == pytest.approx(np.ones((2, 2)))


def test_correlations_make_a_covariance():
    random = np.random.default_rng(2)
    places = zip(random.uniform(-60, 70, 40), random.uniform(-180, 180, 40), strict=True)
    found = winter_correlation(stations(*places), LENGTH_KM)
    assert found == pytest.approx(found.T)
    assert np.linalg.eigvalsh(found).min() > -1e-9


def test_few_winters_make_the_next_one_less_certain():
    """Standard error of a mean of n adds to the spread: sqrt(1 + 1/n), found again by drawing winters."""
    random = np.random.default_rng(3)
    winters = random.normal(1000, 120, (200_000, 5))
    error = winters[:, 4] - winters[:, :4].mean(axis=1)
    found = float(next_winter_cv(np.array(0.12), np.array(4)))
    assert found == pytest.approx(error.std() / 1000, rel=0.01)
    assert float(next_winter_cv(np.array(0.12), np.array(0))) == pytest.approx(0.12 * np.sqrt(2))
