"""Propagation of distributions against the examples of JCGM 101:2008, clause 9."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import kstest, t, triang, uniform

from wearscope.metrology.monte_carlo import compare, monte_carlo, numerical_tolerance
from wearscope.metrology.uncertainty import Input, Measurement, linear, propagate


def of_gum(name):
    """The GUM's own examples, described once, in the file beside this one."""
    spec = importlib.util.spec_from_file_location("gum", Path(__file__).with_name("test_gum.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return getattr(module, name)()


def rng(seed=0):
    return np.random.default_rng(seed)


def total(*inputs):
    return Measurement(lambda *x: sum(x), inputs)


def four(shape, *, first_u=1.0):
    return total(*(Input(str(i), 0.0, first_u if i == 0 else 1.0, shape=shape) for i in range(4)))


def test_four_normal_inputs():
    # 9.2.2: u = 2.00, 95 % interval ± 3.92
    found = monte_carlo(four("normal"), rng(), tolerance=0.02)
    assert found.settled
    assert found.u == pytest.approx(2.0, abs=0.02)
    for interval in (found.symmetric, found.shortest):
        assert interval == pytest.approx((-3.92, 3.92), abs=0.05)
    assert compare(four("normal"), rng()).agrees


def test_four_rectangular_inputs():
    # 9.2.3: u = 2.00 and ± 3.88, where the law of propagation says ± 3.92; exactly 3.879407
    assert propagate(four("rectangular")).interval() == pytest.approx((-3.92, 3.92), abs=0.005)
    found = monte_carlo(four("rectangular"), rng(), digits=3)
    assert found.u == pytest.approx(2.0, abs=0.005)
    assert found.symmetric == pytest.approx((-3.879, 3.879), abs=0.015)


def test_one_rectangular_input_outweighs_the_others():
    # 9.2.4: u = 10.1 to 10.2; ± 17.0 against ± 19.9 by the law (the intervals from memory): not validated
    result = compare(four("rectangular", first_u=10.0), rng(), digits=2)
    assert result.budget.interval() == pytest.approx((-19.9, 19.9), abs=0.05)
    assert result.simulation.u == pytest.approx(10.15, abs=0.05)
    assert result.simulation.symmetric == pytest.approx((-17.0, 17.0), abs=0.1)
    assert not result.agrees


def test_mass_calibration():
    # 9.3, mg and kg/m3; u's as published, the intervals from memory
    measurement = Measurement(
        lambda mass, more, air, weight, reference: (
            (mass + more) * (1 + (air - 1.2) * (1 / weight - 1 / reference)) - 100_000
        ),
        (
            Input("reference mass", 100_000.0, 0.050),
            Input("added mass", 1.234, 0.020),
            Input.within("air", 1.20, 0.10),
            Input.within("weight", 8000.0, 1000.0),
            Input.within("reference weight", 8000.0, 50.0),
        ),
    )
    result = compare(measurement, rng())
    assert (result.budget.value, result.budget.u) == pytest.approx((1.2340, 0.0539), abs=1e-4)
    assert result.budget.interval() == pytest.approx((1.1285, 1.3395), abs=2e-4)
    assert (result.simulation.value, result.simulation.u) == pytest.approx((1.2341, 0.0754), abs=5e-4)
    assert result.simulation.shortest == pytest.approx((1.0834, 1.3825), abs=3e-3)
    # 9.3.2.3: with one digit, tolerance 0.005, first order is not validated
    assert result.tolerance == pytest.approx(0.005)
    assert not result.agrees


def test_a_stationary_point():
    # 9.4.2, x1 = 0: first order sees nothing; mean and u are 50e-6, interval 0 to 150e-6
    squares = Measurement(lambda x1, x2: x1**2 + x2**2, (Input("x1", 0.0, 0.005), Input("x2", 0.0, 0.005)))
    result = compare(squares, rng())
    assert result.budget.u == pytest.approx(0.0, abs=1e-12)
    assert (result.simulation.value, result.simulation.u) == pytest.approx((50e-6, 50e-6), abs=1e-6)
    assert result.simulation.shortest == pytest.approx((0.0, 150e-6), abs=2e-6)
    assert not result.agrees


@pytest.mark.parametrize("r", [0.0, 0.9])
def test_beside_a_stationary_point(r):
    # 9.4.2.3 and 9.4.3, x1 = 0.010: the law gives u = 100e-6 whatever the correlation; exactly, for normal inputs,
    # u2 = 4 x1^2 s^2 + 4 s^4 (1 + r^2), and for r = 0 the published 112e-6
    x = (Input("x1", 0.010, 0.005), Input("x2", 0.0, 0.005))
    squares = Measurement(lambda x1, x2: x1**2 + x2**2, x, {("x1", "x2"): r})
    assert propagate(squares).interval() == pytest.approx((-96e-6, 296e-6), abs=1e-6)
    exact = np.sqrt(4 * 0.010**2 * 0.005**2 + 4 * 0.005**4 * (1 + r**2))
    found = monte_carlo(squares, rng(), digits=3)
    assert found.u == pytest.approx(exact, rel=0.01)
    if r == 0.0:
        assert found.u == pytest.approx(112e-6, abs=1e-6)


def test_gauge_block():
    # 9.5, nm: law 838, u = 32; Monte Carlo 838, u = 36, shortest 99 % interval 745 to 932 (intervals from memory).
    # Its t-distributed inputs have the scales 25, 6, 4 and 7, rounded.
    inputs = of_gum("end_gauge").inputs
    scales = {
        "standard": 25.0,
        "repeatability": 6.0,
        "comparator, random": 4.0,
        "comparator, systematic": 7.0,
    }
    rounded = tuple(
        Input(each.name, each.value, scales.get(each.name, each.u), each.dof, each.shape) for each in inputs
    )
    model = of_gum("end_gauge").model
    measurement = Measurement(lambda *x: model(*x) - 50e6, rounded)
    law = propagate(measurement)
    assert (law.value, law.u) == pytest.approx((838.0, 32.0), abs=0.5)
    assert law.interval(0.99) == pytest.approx((745.0, 931.0), abs=1.5)
    found = monte_carlo(measurement, rng(), coverage=0.99, digits=2)
    assert found.settled
    assert (found.value, found.u) == pytest.approx((838.0, 36.0), abs=0.6)
    assert found.shortest == pytest.approx((745.0, 932.0), abs=2.0)


def test_correlated_inputs():
    # GUM H.2: nearly linear, so that the trials must scatter as the law says; the t-distribution of readings taken
    # together is wider by (ν / (ν - 2))^1/2 (JCGM 101, 6.4.9.4)
    for measurement in of_gum("impedance"):
        law = propagate(measurement)
        found = monte_carlo(measurement, rng(), digits=2)
        assert found.value == pytest.approx(law.value, abs=0.01)
        assert found.u == pytest.approx(law.u * np.sqrt(4 / 2), rel=0.05)
        assert found.symmetric == pytest.approx(law.interval(), abs=0.05 * law.u)


@pytest.mark.parametrize(("digits", "tolerance"), [(1, 0.5), (2, 0.05), (3, 0.005)])
def test_numerical_tolerance(digits, tolerance):
    # 7.9.2, examples: u = 2, 2.0, 2.00
    assert numerical_tolerance(2.0, digits) == pytest.approx(tolerance)
    assert numerical_tolerance(0.0754, 1) == pytest.approx(0.005)
    assert numerical_tolerance(99.7, 2) == pytest.approx(5.0)  # written as 1.0e2


@pytest.mark.parametrize(
    ("given", "distribution"),
    [
        (Input("x", 1.0, 2.0, 5), t(5, 1.0, 2.0)),
        (Input.within("x", 1.0, 2.0, "triangular"), triang(0.5, -1.0, 4.0)),
        (Input.within("x", 1.0, 2.0), uniform(-1.0, 4.0)),
    ],
)
def test_draws_have_their_distribution(given, distribution):
    drawn = []
    monte_carlo(Measurement(lambda x: drawn.append(x) or x, (given,)), rng(), tolerance=1e9)
    assert kstest(np.concatenate(drawn), distribution.cdf).pvalue > 1e-3


@pytest.mark.parametrize(
    ("given", "u"),
    [
        # 6.4.3.3: variance of a rectangle with borders known within d is (b - a)^2 / 12 + d^2 / 9
        (Input.within("x", 0.0, 3.0, dof=2), np.sqrt(3.0**2 / 3 + 1.5**2 / 9)),
        (Input.within("x", 0.0, 3.0, "u-shaped"), 3.0 / np.sqrt(2)),
    ],
)
def test_spread_of_the_other_distributions(given, u):
    assert monte_carlo(total(given), rng(), digits=3).u == pytest.approx(u, rel=0.005)


def test_shared_sources_are_drawn_once():
    scale = Input("scale", 1.0, 0.01)
    long, short = (
        linear(length, [(length, scale), (1.0, Input(name, 0.0, 0.02))])
        for name, length in (("a", 50.0), ("b", 49.0))
    )
    difference = Measurement(lambda a, b: a - b, (long, short))
    exact = np.sqrt(0.01**2 + 2 * 0.02**2)
    assert propagate(difference).u == pytest.approx(exact)
    assert monte_carlo(difference, rng(), digits=3).u == pytest.approx(exact, rel=0.01)


def test_a_seed_gives_the_same_trials_and_leaves_numpy_alone():
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    first, again = (monte_carlo(four("normal"), rng(7)) for _ in range(2))
    assert first == again
    assert first != monte_carlo(four("normal"), rng(8))
    assert np.array_equal(before, np.random.get_state()[1])  # noqa: NPY002


def test_only_normal_inputs_can_be_correlated():
    given = Measurement(
        lambda a, b: a + b, (Input("a", 0.0, 1.0), Input.within("b", 0.0, 1.0)), {("a", "b"): 0.5}
    )
    with pytest.raises(ValueError, match="'b' is correlated"):
        monte_carlo(given, rng())
