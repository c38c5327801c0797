"""Draws by proposals: a density whose integral, mean and spread are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from wearscope.economics.proposals import proposed

NARROW = multivariate_normal([1.5, -0.5, 0.3], [[0.04, 0.03, 0.0], [0.03, 0.09, 0.0], [0.0, 0.0, 0.5]])
FAR = multivariate_normal([-1.5, 1.0, 0.0], 0.2 * np.eye(3))


def two_hills(z):
    """Three quarters of 5 in one place, the rest where nobody who knows of that one would look."""
    return np.log(5) + np.logaddexp(np.log(0.75) + NARROW.logpdf(z), np.log(0.25) + FAR.logpdf(z))


@pytest.fixture(scope="module")
def found():
    return proposed(two_hills, NARROW.mean, NARROW.cov, 2000, np.random.default_rng(3))


def test_the_integral(found):
    assert np.exp(found.log_evidence) == pytest.approx(5, rel=0.06)
    assert len(found.places) > 1


@pytest.mark.parametrize("n", [500, 20_000])
def test_draws_are_of_the_density(found, n):
    """Of what was proposed already, and where more is proposed for them."""
    z = found.drawn(n, np.random.default_rng(4))
    of_far = z[:, 0] < 0
    assert z.shape == (n, 3)
    assert of_far.mean() == pytest.approx(0.25, abs=0.06 if n == 500 else 0.02)
    assert z[~of_far].mean(axis=0) == pytest.approx(NARROW.mean, abs=0.1)
    assert np.cov(z[~of_far].T) == pytest.approx(NARROW.cov, abs=0.06)


def test_a_first_guess_that_is_far_too_wide_does_no_harm():
    found = proposed(two_hills, np.zeros(3), 4 * np.eye(3), 2000, np.random.default_rng(5))
    assert np.exp(found.log_evidence) == pytest.approx(5, rel=0.08)
