"""Life: where a curve meets its limit, and how far ahead that is said."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from wearscope.economics.curve import Points, wear_curve
from wearscope.economics.life import HORIZON, known_range, paths, shared_error
from wearscope.economics.prior import trial_prior


def line(per_part, u=0.01, flutes=1, parts=(50, 100, 150, 200, 250, 300), new=6.0):
    parts = np.tile(np.array(parts, float), flutes)
    flute = np.repeat(np.arange(flutes), parts.size // flutes)
    rate = np.array([per_part, 0.8 * per_part][:flutes])
    return Points(parts, flute, new + rate[flute] * parts, np.full(parts.size, u), new, 0.0)


def drawn(points, limit, u_limit=0.0, n_unseen=0, seed=0):
    curve = wear_curve(points, limit, trial_prior(points.parts_cut), np.random.default_rng(seed))
    rng = np.random.default_rng(seed + 1)
    limits = limit + u_limit * rng.standard_normal(len(curve.new))
    return paths(curve, points, n_unseen, rng).lives(limits)


@pytest.mark.parametrize("limit", [20.0, 33.0, 39.0])
def test_a_line_known_for_certain(limit):
    worst, mean = drawn(line(0.1), limit)
    true = (limit - 6) / 0.1
    # wear goes on by fits and starts, so that its median lags its mean; within 50 parts it was looked at again
    assert np.median(worst) == pytest.approx(true, abs=2.5 + 0.2 * max(true - 300, 0))
    if true < 300:
        assert ((worst > 50 * (true // 50) - 1) & (worst < 50 * (true // 50 + 1) + 1)).mean() > 0.99
    assert np.array_equal(worst, mean)


def test_by_the_worst_flute_and_the_mean_beside_it():
    worst, mean = drawn(line(0.1, flutes=2), 30.0)
    assert np.median(worst) == pytest.approx(240, rel=0.015)
    assert np.median(mean) == pytest.approx(24 / 0.09, rel=0.01)
    assert (worst <= mean).all()


def test_the_limits_own_uncertainty_widens_the_life():
    sure, unsure = (drawn(line(0.1), 30.0, u)[0] for u in (0.0, 3.0))
    assert np.std(sure) < 50 / np.sqrt(12)  # any place between two looks 50 parts apart
    assert np.std(unsure) == pytest.approx(30, rel=0.1)  # 3 µm at 0.1 µm per part


def test_what_all_photos_share_is_not_averaged_away():
    # 40 points at 10 %: alone they would give the life to 10 / sqrt(40) = 1.6 %
    points = line(0.1, parts=np.linspace(200, 300, 40))
    points = Points(points.parts, points.flute, points.value, 0.1 * (points.value - 6), 6.0, 0.0)
    assert shared_error(points) == pytest.approx(0.1 * np.sqrt(0.5))
    worst, _ = drawn(points, 31.0)
    assert np.std(worst) / 250 > 0.06


def test_a_flute_that_was_not_measured_may_be_the_worst():
    seen, unseen = (drawn(line(0.1), 30.0, n_unseen=n)[0] for n in (0, 1))
    # half of the time it is the worst, by exp(0.3 |normal|): 0.3 · 0.8 on average
    assert np.mean(unseen) / np.mean(seen) == pytest.approx(0.5 + 0.5 * np.exp(-0.24), abs=0.02)
    assert np.quantile(unseen, 0.025) < 0.7 * np.quantile(seen, 0.025)


def test_a_limit_never_approached_gives_a_bound_not_a_number():
    worst, _ = drawn(line(0.005, u=1.0), 40.0)
    said = known_range(worst, most=HORIZON * 300)
    assert (said.low50, said.median, said.high95) == (None, None, None)
    assert 450 < np.quantile(worst, 0.025, method="inverted_cdf") < 6800  # what the line itself would give


@pytest.mark.parametrize("worn", [[0.2, -0.5, 0.4, 1.2], [1.3, 0.1, 1.1, 0.9]])
def test_wear_that_is_hardly_seen_promises_a_long_life_not_none(worn):
    parts, u = np.array([150.0, 150, 300, 300]), np.ones(4)
    worst, _ = drawn(Points(parts, np.array([0, 1, 0, 1]), np.array(worn), u), 40.0)
    assert np.quantile(worst, 0.025, method="inverted_cdf") > 400


def test_a_limit_passed_long_ago_lies_between_the_points():
    worst, _ = drawn(line(0.2, u=1.0), 30.0)
    said = known_range(worst, most=HORIZON * 300)
    assert 100 < said.low95 < 120 < said.high95 < 140


def test_ranges_stay_open_beyond_what_may_be_said():
    draws = np.array([*np.arange(1.0, 81), *[inf] * 20])
    said = known_range(draws, most=60)
    assert (said.low95, said.low50, said.median, said.high50, said.high95) == (3, 25, 50, None, None)
    assert known_range(draws, least=30).low50 is None


@pytest.mark.parametrize("n_unseen", [0, 2])
@pytest.mark.parametrize("limit", [20.0, 34.0, 50.0])
def test_the_band_that_is_drawn_meets_the_limit_where_the_life_ends(limit, n_unseen):
    """Of so many lives that are over by then, as many curves are past the limit: they are the same draws."""
    points = line(0.1, u=1.0, flutes=2, parts=(100, 200, 300))
    curve = wear_curve(points, 40.0, trial_prior(300), np.random.default_rng(5))
    goes = paths(curve, points, n_unseen, np.random.default_rng(6))
    for worst, life in zip((True, False), goes.lives(limit), strict=True):
        ends = np.quantile(life, [0.025, 0.25, 0.5, 0.75, 0.975])
        past = np.mean(goes.value_at(ends, worst=worst) >= limit, axis=0)
        assert past == pytest.approx([0.025, 0.25, 0.5, 0.75, 0.975], abs=0.002)


def test_a_step_may_have_come_at_any_time_between_two_looks():
    """Wear of 10 µm at 100 parts and of 30 at 200: when the limit of 26 was passed nobody saw."""
    seen = Points(
        np.array([100.0, 200.0]), np.zeros(2, int), np.array([10.0, 30.0]), np.full(2, 0.02), 0.0, 0.0
    )
    curve = wear_curve(seen, 26.0, trial_prior(200), np.random.default_rng(1))
    life, _ = paths(curve, seen, 0, np.random.default_rng(2)).lives(26.0)
    assert ((life > 100) & (life <= 201)).mean() > 0.99
    low, high = np.quantile(life, [0.05, 0.95])
    assert high - low > 30  # by a smooth curve alone it would be known within a few parts
    at = paths(curve, seen, 0, np.random.default_rng(2)).value_at(np.array([100.0, 200.0]), worst=True)
    assert np.std(at, axis=0).max() < 0.2  # what was seen still holds
