"""Medians and quantiles of channels against numpy's own."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from lowambient.traces.brackets import share_below
from lowambient.traces.ranks import median, quantiles

READINGS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60)


@given(READINGS)
def test_the_median_is_numpys(values: list[float]) -> None:
    assert median(np.array(values)) == np.median(values)


@given(READINGS, st.lists(st.floats(0.0, 1.0), min_size=1, max_size=4))
def test_quantiles_are_numpys(values: list[float], shares: list[float]) -> None:
    np.testing.assert_allclose(quantiles(np.array(values), shares), np.quantile(values, shares), rtol=1e-12, atol=1e-9)


@given(st.lists(st.floats(-40.0, 40.0), min_size=1, max_size=20))
def test_the_share_below_is_that_of_the_error_function(deviations: list[float]) -> None:
    """The authority is the standard library's error function."""
    from math import erfc, sqrt

    expected = [0.5 * erfc(-each / sqrt(2.0)) for each in deviations]
    np.testing.assert_allclose(share_below(np.array(deviations)), expected, rtol=1e-10, atol=1e-18)
    columns = np.array([deviations, deviations], order="F")
    np.testing.assert_allclose(share_below(columns), [expected, expected], rtol=1e-10, atol=1e-18)
