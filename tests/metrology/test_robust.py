"""Robust scatter against SciPy's median absolute deviation and the normal distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation, norm

from wearscope.metrology.robust import NORMAL_CONSISTENCY, scatter


def test_the_factor_is_that_of_the_normal_distribution():
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-12) == NORMAL_CONSISTENCY


@pytest.mark.parametrize("axis", [None, 0, 1, (0, 2)])
def test_it_is_scipys(axis):
    values = np.random.default_rng(0).normal(3.0, 2.0, (7, 12, 9))
    expected = median_abs_deviation(values, axis=axis, scale="normal")
    np.testing.assert_allclose(scatter(values, axis), expected, rtol=1e-12)
    values[1, 3:6] = np.nan
    expected = median_abs_deviation(values, axis=axis, scale="normal", nan_policy="omit")
    np.testing.assert_allclose(scatter(values, axis), expected, rtol=1e-12)


def test_it_is_the_standard_deviation_of_normal_values_and_strays_hardly_move_it():
    values = np.random.default_rng(1).normal(5.0, 2.0, 40_000)
    assert scatter(values) == pytest.approx(2.0, abs=0.04)
    values[::20] = 1e6
    assert scatter(values) == pytest.approx(2.0, abs=0.2)


def test_about_a_known_centre():
    values = np.array([1.0, 2.0, -3.0])
    assert scatter(values, about=0.0) == pytest.approx(2.0 / norm.ppf(0.75))
    assert scatter(values) == pytest.approx(1.0 / norm.ppf(0.75))
    rows = np.array([[1.0, 2.0, -3.0], [4.0, np.nan, 8.0]])
    np.testing.assert_allclose(scatter(rows, 1, about=0.0), np.array([2.0, 6.0]) / norm.ppf(0.75))


def test_one_number_over_all_and_an_array_along_an_axis():
    assert type(scatter(np.ones(3, np.float32))) is float
    assert scatter(np.ones((3, 2)), 0).shape == (2,)
