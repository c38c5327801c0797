"""Wear curves: what is certain of them, and how often the life drawn from them is right."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import norm

from wearscope.economics import curve as of_curves
from wearscope.economics.curve import SHARED, Points, wear_curve
from wearscope.economics.life import HORIZON, known_range, paths
from wearscope.economics.prior import LIFE_SPREAD, trial_prior
from wearscope.economics.proposals import proposed
from wearscope.economics.shapes import SHAPES, STEPPED, STEPS, stepped, three_stage

NEW, LIMIT, CUT = 6.0, 40.0, 300.0


def points(t, wear, u, new=NEW, u_new=0.0, flute=None):
    t = np.asarray(t, float)
    flute = np.zeros(t.size, int) if flute is None else flute
    return Points(CUT * t, flute, NEW + np.asarray(wear, float), np.broadcast_to(u, t.shape), new, u_new)


def rng(seed=0):
    return np.random.default_rng(seed)


def curve_of(points, seed=0, n_draws=4000, limit=LIMIT):
    return wear_curve(points, limit, trial_prior(CUT), rng(seed), n_draws)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_shape_grows_from_nothing_to_one(shape):
    z = rng().standard_normal((500, shape.n))
    g = shape.of(np.linspace(0, 3, 61), z, np.ones(1))
    assert g.shape == (500, 61)
    assert np.allclose(g[:, 0], 0)
    assert np.allclose(g[:, 20], 1)
    assert (np.diff(g) >= 0).all()


def test_three_stages():
    # rate of wear: high while breaking in, steady, rising again (Groover, from memory)
    t = np.linspace(0, 3, 301)
    rate = np.diff(three_stage(t, 0.3, 0.05, 2.0)) / np.diff(t)
    assert rate[0] > 5 * rate[50]
    assert rate[30:60].max() / rate[30:60].min() < 1.15
    assert rate[200] == pytest.approx(5 * rate[30:60].min(), rel=0.1)  # what "onset" means


def test_steps_have_the_mean_and_the_variance_of_what_comes_in_steps():
    looks, z = np.array([0.2, 0.6, 1.0]), rng().standard_normal((200_000, 4))
    z[:, 0] = 0.0
    g = stepped(np.array([0.0, 0.2, 0.6, 1.0, 1.5]), z, np.broadcast_to(looks, (len(z), 3)))
    assert np.allclose(g[:, 0], 0)
    assert np.allclose(g[:, 4], g[:, 3] + 0.5)  # what comes later is for `paths` to draw
    came = np.diff(g[:, :4], axis=1)
    assert came.mean(axis=0) == pytest.approx([0.2, 0.4, 0.4], rel=0.02)
    assert came.var(axis=0) == pytest.approx(STEPPED * np.array([0.2, 0.4, 0.4]), rel=0.1)


def test_steps_at_the_checkpoints_are_those_of_the_curve():
    looks = np.sort(rng(1).uniform(0.1, 2.0, (50, 4)), axis=1)
    z = rng(2).standard_normal((50, 5))
    assert STEPS.at_looks(z, looks) == pytest.approx(stepped(looks, z, looks), rel=1e-9)


def test_steps_stay_numbers_wherever_a_fit_may_try():
    looks = np.array([0.2, 0.6, 1.0])
    for far in (-1e6, 1e6):
        for at in range(4):
            z = np.zeros(4)
            z[at] = far
            assert np.isfinite(stepped(np.array([0.0, 0.2, 0.7, 1.5]), z, looks)).all()


def test_steps_are_told_from_what_goes_on_evenly():
    t = np.array([0.25, 0.5, 0.75, 1.0])
    even, uneven = (curve_of(points(t, wear, 1.2)) for wear in (20 * t, [0.0, 0.3, 20.0, 20.3]))
    assert even.weights[STEPS.name] < 0.1
    assert uneven.weights[STEPS.name] > 0.5
    assert np.median(uneven.uneven) > 2 * np.median(even.uneven)


def test_wear_is_nothing_when_new_and_starts_from_the_radius_when_new():
    curve = curve_of(points([0.5, 1], [15, 30], 1.5, u_new=1.0))
    at_start = curve.value_at(np.array([0.0]), worst=True)[:, 0]
    assert np.array_equal(at_start, curve.new)
    assert at_start.mean() == pytest.approx(NEW, abs=0.2)
    assert at_start.std() == pytest.approx(1.0, abs=0.15)


def test_certain_points_on_a_line_give_the_line():
    t = np.linspace(0.1, 1, 10)
    curve = curve_of(points(t, 30 * t, 0.01))
    assert curve.weights["line"] > 0.8
    assert curve.scatter == 0
    middle = np.median(curve.value_at(np.array([1.5 * CUT]), worst=False))
    assert middle == pytest.approx(NEW + 45, abs=0.1)


@pytest.mark.parametrize(
    ("shape", "of"),
    [
        ("power law", lambda t: 30 * t**0.6),
        ("saturating", lambda t: -40 * np.expm1(-1.5 * t)),
        ("three-stage", lambda t: 30 * three_stage(t, 0.3, 0.06, 0.9)),
    ],
)
def test_many_certain_points_tell_the_shape(shape, of):
    t = np.linspace(0.05, 1, 20)
    curve = curve_of(points(t, of(t), 0.1))
    assert max(curve.weights, key=curve.weights.get) == shape
    assert sum(curve.weights.values()) == pytest.approx(1)


@pytest.mark.parametrize(
    ("wear", "u"),
    [([9.0, 15.0], 1.5), ([0.3, -0.4], 1.0), ([24.0, 40.0], 3.0)],
    ids=["half way", "none seen", "passed"],
)
def test_life_and_shapes_against_plain_integration(wear, u, monkeypatch):
    """One flute, line and power law alone: the life and the exponent are all that is open, and a grid holds them."""
    monkeypatch.setattr(of_curves, "FAMILIES", (SHAPES[:2],))
    t, wear = np.array([0.5, 1.0]), np.array(wear)
    z = np.linspace(-6, 6, 2401)
    bent = np.linspace(-5, 5, 401)
    life = 2.0 * np.exp(LIFE_SPREAD * z)  # in trials: its median beforehand is twice the parts cut

    def posterior(exponent):
        worn = (LIMIT - NEW) * (t / life[:, None]) ** exponent
        return norm.pdf(z) * np.exp(-0.5 * np.sum(((wear - worn) / (u * np.sqrt(1 - SHARED))) ** 2, axis=1))

    of_line = posterior(1.0)
    of_power = sum(norm.pdf(x) * (bent[1] - bent[0]) * posterior(np.exp(0.4 * x)) for x in bent)
    together = of_line + of_power
    cumulated = np.cumsum(together) / together.sum()
    monkeypatch.setattr(of_curves, "_scatter", lambda *_: 0.0)  # the grid has none
    curve = curve_of(points(t, wear, u), n_draws=20_000)
    assert curve.weights["line"] == pytest.approx(of_line.sum() / together.sum(), abs=0.015)
    for share in (0.025, 0.25, 0.5, 0.75, 0.975):
        by_hand = np.interp(share, cumulated, life)
        assert np.quantile(curve.life / CUT, share) == pytest.approx(by_hand, rel=0.05), share


@pytest.mark.parametrize(("wear", "u"), [([9.0, 15.0], 1.5), ([24.0, 40.0], 3.0)])
def test_points_that_a_shape_passes_through_do_not_scatter(wear, u):
    assert curve_of(points(np.array([0.5, 1.0]), np.array(wear), u)).scatter == 0


def test_a_doubtful_point_counts_less_but_counts():
    """One point at the limit among points far below: as sure as they, as doubtful, and not at all."""
    t, wear = [0.5, 1.0], [8.0, 34.0]
    doubtful = Points(
        CUT * np.array(t), np.zeros(2, int), NEW + np.array(wear), np.full(2, 1.0), NEW, 0.0,
        doubtful=np.array([False, True]),
    )  # fmt: skip
    sure = curve_of(points(t, wear, 1.0))
    medians = [
        np.median(curve.life) for curve in (sure, curve_of(doubtful), curve_of(points(t[:1], wear[:1], 1.0)))
    ]
    assert medians[0] < medians[1] < 0.8 * medians[2]
    spread = [np.std(np.log(curve.life)) for curve in (sure, curve_of(doubtful))]
    assert spread[1] > 2 * spread[0]


def test_a_wild_doubtful_point_is_outvoted():
    t = np.linspace(0.1, 1, 10)
    values = NEW + 15 * t
    doubtful = np.arange(10) == 4
    plain = Points(CUT * t, np.zeros(10, int), values, np.full(10, 1.0), NEW, 0.0)
    wild = Points(
        CUT * t,
        np.zeros(10, int),
        np.where(doubtful, 500.0, values),
        np.full(10, 1.0),
        NEW,
        0.0,
        doubtful=doubtful,
    )
    assert np.median(curve_of(wild).life) == pytest.approx(np.median(curve_of(plain).life), rel=0.1)


def test_few_checkpoints_leave_the_shape_open_and_the_range_wide():
    def width(t):
        curve = curve_of(points(t, 30 * np.asarray(t), 1.0))
        low, high = np.quantile(curve.value_at(np.array([1.7 * CUT]), worst=False), [0.025, 0.975])
        return high - low

    one, two, many = width([1.0]), width([0.5, 1]), width(np.linspace(0.1, 1, 10))
    assert one > two > many
    weights = curve_of(points([1.0], [30], 1.0)).weights
    assert max(weights.values()) < 0.5


@pytest.mark.statistics
def test_scatter_beyond_the_uncertainty_is_found():
    t = np.linspace(0.04, 1, 25)
    found = [
        curve_of(points(t, 30 * t + rng(seed).normal(0, 2.0, t.size), 0.2), n_draws=200).scatter
        for seed in range(5)
    ]
    assert np.mean(found) == pytest.approx(2.0, rel=0.15)


def test_the_worst_flute_stands_out():
    t, flute = np.tile([0.5, 1.0], 2), np.repeat([0, 1], 2)
    curve = curve_of(points(t, 30 * t * np.where(flute, 0.7, 1.3), 0.5, flute=flute))
    ratio = np.median(curve.wear[:, 0] / curve.wear[:, 1])
    assert ratio == pytest.approx(1.3 / 0.7, rel=0.05)
    there = np.array([CUT])
    assert np.median(curve.value_at(there, worst=True)) == pytest.approx(NEW + 39, abs=1)
    assert np.median(curve.value_at(there, worst=False)) == pytest.approx(NEW + 30, abs=1)


def test_twelve_flutes():
    t, flute = np.tile([0.5, 1.0], 12), np.repeat(np.arange(12), 2)
    curve = curve_of(points(t, 30 * t, 1.0, flute=flute))
    there = np.array([CUT])
    assert np.median(curve.value_at(there, worst=False)) == pytest.approx(NEW + 30, abs=1)


def test_the_worst_of_twelve_flutes_alike():
    t, flute = np.tile([0.5, 1.0], 12), np.repeat(np.arange(12), 2)
    curve = curve_of(points(t, 30 * t, 1.0, flute=flute))
    # the largest of twelve normal readings of standard deviation 1 is 1.6 above them in the median
    assert np.median(curve.value_at(np.array([CUT]), worst=True)) == pytest.approx(NEW + 30, abs=2)


def test_every_shape_is_fitted_where_twelve_flutes_wear_alike_along_a_line():
    """All shapes bend to a line, or nearly: whatever is far from it stopped before it was at its minimum."""
    t, flute = np.tile([0.5, 1.0], 12), np.repeat(np.arange(12), 2)
    read = points(t, 30 * t, 0.3, u_new=0.5, flute=flute)
    problem = of_curves._Problem(read, 50.0, trial_prior(CUT))
    for shape in SHAPES:
        assert problem.fit(shape, np.sqrt(1 - SHARED) * read.u).sum_of_squares < 20, shape.name


def test_hardly_a_fit_ends_in_a_wrong_minimum_where_wear_may_quicken_late():
    """Against descents from four draws of what was thought of beforehand; of one start alone, every fifth did."""
    draws, behind = rng(11), []
    late = [shape for shape in SHAPES if shape.name.endswith("late")]
    for case in range(12):
        t = np.linspace(0, 1, 2 + case % 4)[1:]
        quick = np.where(t < 0.5, 0.2 * t, 0.1 + 1.8 * (t - 0.5)) if case % 2 else t**2
        wear, u = draws.uniform(5, 45) * quick, draws.uniform(0.5, 2)
        read = points(t, wear + u * draws.standard_normal(t.size), u, u_new=0.5)
        problem = of_curves._Problem(read, 50.0, trial_prior(CUT))
        for shape in late:
            found = problem.fit(shape, read.u)

            def left_over(z, problem=problem, shape=shape, u=read.u):
                return np.concatenate([problem.misfit(shape, z, u), z])

            starts = draws.standard_normal((4, found.at.size))
            others = [2 * least_squares(left_over, start, method="lm").cost for start in starts]
            behind.append(found.sum_of_squares - min(others))
    # at most 0.1 here; 0.8 from the worst of the starts, far more from one alone
    assert max(behind) < 0.5


@pytest.mark.parametrize(
    ("t", "worn", "flute"),
    [
        (
            [0.5, 1.0, 0.5, 1.0],
            [6.0, 12.0, 6.0, 12.0],
            [0, 0, 1, 1],
        ),  # alike: the worst of them may be either
        ([0.3, 0.6, 1.0], [2.0, 5.0, 14.0], [0, 0, 0]),
    ],
)
def test_each_shape_is_weighed_as_plain_draws_from_beforehand_would(t, worn, flute):
    """The evidence of a shape is the mean likelihood of draws from what was thought of it before anything was seen."""
    read = points(t, worn, 1.5, flute=np.array(flute))
    problem = of_curves._Problem(read, LIMIT, trial_prior(CUT))
    for shape in (*SHAPES, STEPS):
        fit = problem.fit(shape, read.u)
        found = proposed(partial(problem.log_density, shape, read.u), fit.at, fit.covariance, 2000, rng())
        z = rng(1).standard_normal((200_000, fit.at.size))
        misfit2 = np.sum(problem.misfit(shape, z, read.u) ** 2, axis=1)
        assert found.log_evidence == pytest.approx(np.log(np.mean(np.exp(-0.5 * misfit2))), abs=0.25)


def test_no_wear_seen_is_no_negative_wear():
    curve = curve_of(points([0.5, 1], [-1.0, -0.5], 2.0))
    worn = curve.value_at(np.array([CUT]), worst=True) - curve.new[:, None]
    assert (worn > 0).all()
    assert np.quantile(worn, 0.975) < 5


def test_coating_can_be_no_more_than_gone():
    lost = Points(
        np.array([150.0, 300.0]), np.array([0, 0]), np.array([0.8, 1.0]), np.array([0.03, 0.03]), 0, 0, 1.0
    )
    curve = curve_of(lost, limit=0.8)
    assert curve.value_at(np.array([600.0]), worst=True).max() == 1
    said = known_range(paths(curve, lost, 0, rng()).lives(0.8)[0])
    assert said.low95 < 150 < said.high95


def test_the_same_points_give_the_same_draws():
    once, again = (curve_of(points([0.5, 1], [15, 30], 1.5), 3) for _ in range(2))
    assert np.array_equal(once.wear, again.wear)
    assert once.weights == again.weights


# --- How often the life that is said is the true one

TRUE_SHAPES = ("line", "power law", "saturating", "three-stage", "quickening late", "steps")
N_TRIALS = 40
# Nothing that was seen foretells these two. Of 1,000 lives each, of other seeds, half of them by two checkpoints and half
# by four, 88 % and 87 % are held where 90 % were wanted, and 88 % and 93 % last at least what is said where 95 % were; of
# steps by two checkpoints alone 84 %
LEAST_HELD = {"quickening late": 0.86, "steps": 0.84}


def a_shape(name, r, life):
    """A curve of that kind, drawn from a range of its own, not from what the fit assumes."""
    if name == "quickening late":
        onset, share = life * r.uniform(0.5, 0.95), r.uniform(0.3, 0.8)
        return lambda t: share * t / onset + np.maximum(t - onset, 0.0) * (1.0 - share) / (life - onset)
    if name == "steps":  # 5 to 12 a life; the limit lies somewhere within the one that ends it
        at = np.sort(r.uniform(0, 4, r.poisson(4 * r.integers(5, 13) / life)))
        ends = int(np.argmin(np.abs(at - life)))
        at[ends], size = life, r.exponential(size=at.size)
        beyond = size[ends] * r.uniform()
        return lambda t: (size * (at <= t[:, None])).sum(axis=1) - beyond * (t == life) + 1e-6 * t
    exponent, rate = r.uniform(0.6, 1.7), r.uniform(0.2, 1.2)
    stages = r.uniform(0.1, 0.4), r.uniform(0.05, 0.3), r.uniform(1.2, 2.5)
    return {
        "line": lambda t: t,
        "power law": lambda t: t**exponent,
        "saturating": lambda t: -np.expm1(-rate * t),
        "three-stage": lambda t: three_stage(t, *stages),
    }[name]


def simulated(shape, checkpoints, r):
    """Two flutes of a bit whose worst one reaches the limit at a known number of parts, and what is said of it.

    Half of the variance of each reading is shared by all of them, as with a wedge angle that is off.
    """
    true_life = r.uniform(0.8, 1.9)
    g = a_shape(shape, r, true_life)
    faster = np.exp(r.normal(0, 0.15, 2))
    a = (LIMIT - NEW) / g(np.array([true_life]))[0] / faster.max()
    t, flute = np.tile(checkpoints, 2), np.repeat([0, 1], len(checkpoints))
    wear = a * faster[flute] * g(t)
    u = np.hypot(1.2, 0.06 * wear)
    error = u * np.sqrt(0.5) * (r.normal() + r.normal(size=t.size))
    read = points(t, wear + error, u, NEW + r.normal(0, 1.3), 1.3, flute)
    curve = wear_curve(read, LIMIT, trial_prior(CUT), r, 2000)
    return true_life * CUT, paths(curve, read, 0, r).lives(LIMIT)[0]


def in_range(true, low, high):
    return low <= true and (high is None or true <= high)


@pytest.fixture(scope="module")
def coverage():
    """How often the 95 % range, the 50 % range and its lower end hold, for each law and number of checkpoints."""
    held = {}
    for i, shape in enumerate(TRUE_SHAPES):
        for checkpoints in ([0.5, 1.0], [0.25, 0.5, 0.75, 1.0]):
            tries = []
            for number in range(N_TRIALS):  # each by itself: what a processor rounds otherwise moves no other
                true, draws = simulated(shape, checkpoints, rng([i, len(checkpoints), number]))
                said = known_range(draws, most=HORIZON * CUT)
                low = said.low95 or HORIZON * CUT
                middle = np.quantile(draws, [0.25, 0.75], method="lower")
                tries.append((in_range(true, low, said.high95), in_range(true, *middle), true >= low))
            held[shape, len(checkpoints)] = np.mean(tries, axis=0)
    print("\n", held)
    return held


@pytest.mark.statistics
def test_the_life_range_holds_the_truth(coverage):
    # 90 to 99 %, as far as so many tries can tell it: of one shape two standard deviations of counting, of all one.
    # Whether wear will quicken is open beforehand: so what stays smooth is held more often
    for (shape, n), (of95, _, _) in coverage.items():
        least = LEAST_HELD.get(shape, 0.9)
        assert of95 >= least - 2.0 * np.sqrt(least * (1 - least) / N_TRIALS), (shape, n)
    of95, of50, _ = np.mean(list(coverage.values()), axis=0)
    counted = np.sqrt(0.99 * 0.01 / (N_TRIALS * len(coverage)))
    assert 0.9 <= of95 <= 0.99 + counted
    assert 0.45 <= of50 <= 0.7  # half of the truths, and not so many more that the range says too little


@pytest.mark.statistics
def test_a_bit_lasts_at_least_what_is_said(coverage):
    for (shape, n), (_, _, at_least) in coverage.items():
        least = LEAST_HELD.get(shape, 0.95)
        assert at_least >= least - 2.0 * np.sqrt(least * (1 - least) / N_TRIALS), (shape, n)
    foretold = [at_least for (shape, _), (_, _, at_least) in coverage.items() if shape not in LEAST_HELD]
    assert np.mean(foretold) >= 0.95
