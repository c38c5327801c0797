"""Draws of kinds that were tried in one trial, put side by side: against what holds for normal variables."""

from __future__ import annotations

import numpy as np
import pytest

from wearscope.economics.kinds import KIND_SPREAD, side_by_side
from wearscope.economics.prior import LIFE_SPREAD, trial_prior

PRIOR = trial_prior(300.0)
IN_COMMON = (
    1 - KIND_SPREAD**2 / LIFE_SPREAD**2
)  # share of the variance of a life, and so the correlation of two


def dealt(off, strata=None, seed=0):
    """Logarithms of the lives side by side, from `off`, their draws in units of the prior's spread."""
    off = np.asarray(off)
    strata = np.zeros(off.shape, int) if strata is None else strata
    picked = side_by_side(PRIOR.life(off), strata, PRIOR, np.random.default_rng(seed))
    return np.take_along_axis(off, picked, axis=1), picked


def test_lives_of_which_nothing_is_known_have_their_share_in_common():
    off, _ = dealt(np.random.default_rng(1).standard_normal((2, 20_000)))
    assert np.corrcoef(off)[0, 1] == pytest.approx(IN_COMMON, abs=0.04)
    assert off.std(axis=1) == pytest.approx([1, 1], abs=0.05)  # each by itself is as broad as before
    assert np.std(LIFE_SPREAD * (off[0] - off[1])) == pytest.approx(np.sqrt(2) * KIND_SPREAD, rel=0.05)


@pytest.mark.parametrize("known", [-1.0, 0.0, 1.5])
def test_a_life_that_is_known_says_of_the_other_what_they_have_in_common(known):
    """Normal variables of correlation r: given one, the other has mean r times it and variance 1 - r²."""
    draws = np.array([np.full(20_000, known), np.random.default_rng(2).standard_normal(20_000)])
    off, _ = dealt(draws)
    assert off[1].mean() == pytest.approx(IN_COMMON * known, abs=0.05)
    assert off[1].std() == pytest.approx(np.sqrt(1 - IN_COMMON**2), abs=0.05)


def test_lives_that_are_known_stay_as_they_are():
    rng = np.random.default_rng(3)
    draws = np.array([[-0.8], [0.9], [0.1]]) + 0.02 * rng.standard_normal((3, 4000))
    off, _ = dealt(draws)
    assert off.mean(axis=1) == pytest.approx([-0.8, 0.9, 0.1], abs=0.01)
    assert off.std(axis=1) == pytest.approx(3 * [0.02], rel=0.1)


def test_only_draws_of_the_same_limit_stand_side_by_side():
    rng = np.random.default_rng(4)
    strata = np.array([rng.permutation(np.arange(4000) % 20) for _ in range(2)])
    _, picked = dealt(rng.standard_normal((2, 4000)), strata)
    ours = np.take_along_axis(strata, picked, axis=1)
    assert np.array_equal(ours[0], ours[1])
    assert np.bincount(ours[0], minlength=20).min() > 100
