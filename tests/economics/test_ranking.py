"""Ranking and the worth of a checkpoint against the normal distribution's closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from wearscope.economics import ranking
from wearscope.economics.ranking import chances, cost_of_choosing_wrongly, expected_after, value_of_checkpoint

N = 4000


def normal(mean, sd, seed):
    return np.random.default_rng(seed).normal(mean, sd, N)


def test_chance_of_the_lower_of_two_normals():
    found = chances(np.array([normal(10, 1, 0), normal(11, 1.5, 1)]))
    assert found[0] == pytest.approx(norm.cdf(1 / np.hypot(1, 1.5)), abs=0.02)
    assert found.sum() == pytest.approx(1)


def test_equals_share():
    assert chances(np.zeros((2, 5))) == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize("apart", [0.0, 1.0, 3.0])
def test_choosing_wrongly_costs_the_unit_normal_loss(apart):
    # Raiffa & Schlaifer, Applied Statistical Decision Theory (1961), from memory: s (φ(z) - z (1 - Φ(z)))
    found = cost_of_choosing_wrongly(np.array([normal(10, 1, 0), normal(10 + apart, 1.5, 1)]))
    s = np.hypot(1, 1.5)
    z = apart / s
    assert found == pytest.approx(s * (norm.pdf(z) - z * norm.sf(z)), abs=0.03)


@pytest.mark.parametrize("u", [0.3, 1.0, 3.0])
def test_worth_of_a_measurement_of_known_quality(u):
    # one bit costs 10 for certain, the other is normal about 10: measuring it with u leaves the mean to vary with
    # s = sd² / sqrt(sd² + u²), and is worth s φ(0) (the same source)
    cost = normal(10, 1.0, 2)
    after = np.concatenate(
        [expected_after(cost, cost[None], np.array([u]), np.random.default_rng(seed)) for seed in range(10)]
    )
    found = value_of_checkpoint(np.array([np.full(after.size, after.mean()), after]))
    assert found == pytest.approx(1 / np.hypot(1, u) * norm.pdf(0), rel=0.06)


def test_two_measurements_together_are_worth_more_than_one():
    cost = normal(10, 1.0, 2)

    def spread(u):
        return expected_after(cost, np.array([cost] * len(u)), np.array(u), np.random.default_rng(0)).std()

    assert spread([1.0]) == pytest.approx(np.sqrt(1 / 2), rel=0.1)
    assert spread([1.0, 1.0]) == pytest.approx(np.sqrt(2 / 3), rel=0.1)


def test_what_cannot_be_told_is_worth_nothing():
    cost = normal(10, 1.0, 2)
    blind = np.zeros((1, N))
    after = expected_after(cost, blind, np.array([1.0]), np.random.default_rng(0))
    assert after == pytest.approx(cost.mean())
    assert value_of_checkpoint(np.array([after, after + 0.1])) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("u", [0.05, 1.0, 20.0])
def test_weights_too_small_to_count_change_no_digit(u, monkeypatch):
    """They are raised to no less than doubles can add to 1: below that it takes ten times as long."""
    draw = np.random.default_rng(4)
    cost, seen = draw.lognormal(0.0, 0.3, 1000), draw.uniform(0.0, 60.0, (2, 1000))
    told = expected_after(cost, seen, np.array([u, u]), np.random.default_rng(0))
    monkeypatch.setattr(ranking, "_LEAST_LOG", -np.inf)
    assert np.array_equal(told, expected_after(cost, seen, np.array([u, u]), np.random.default_rng(0)))
