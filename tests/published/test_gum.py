"""First-order propagation against the worked examples of JCGM 100:2008 (GUM), annex H and table G.2."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress

from wearscope.metrology.uncertainty import (
    Budget,
    Input,
    Measurement,
    Term,
    covariance,
    coverage_factor,
    linear,
    propagate,
)


def end_gauge(*, loose_rectangles: bool = True) -> Measurement:
    """GUM H.1, lengths in nm: a 50 mm end gauge compared with a standard."""

    def length(standard, repeat, comparator, systematic, expansion, room, cycle, unlike, warmer):
        temperature = room + cycle
        return (
            standard
            + repeat
            + comparator
            + systematic
            - standard * (unlike * temperature + expansion * warmer)
        )

    return Measurement(
        length,
        (
            Input("standard", 50_000_623.0, 25.0, 18),
            Input("repeatability", 215.0, 13.0 / np.sqrt(5), 24),
            Input("comparator, random", 0.0, 10.0 / 2.57, 5),
            Input("comparator, systematic", 0.0, 20.0 / 3, 8),
            Input.within("expansion", 11.5e-6, 2e-6),
            Input("room", -0.1, 0.2),
            Input.within("cycle", 0.0, 0.5, "u-shaped"),
            Input.within("expansions unlike", 0.0, 1e-6, dof=50),
            Input.within("temperatures unlike", 0.0, 0.05, dof=2),
        ),
    )


def test_end_gauge():
    budget = propagate(end_gauge())
    assert budget.value == pytest.approx(50_000_838.0, abs=0.5)
    # table H.1 prints these to two or three digits
    published = (25.0, 5.8, 3.9, 6.7, 0.0, 0.0, 0.0, 2.9, 16.6)
    assert np.abs(budget.contributions) == pytest.approx(published, abs=0.06)
    assert budget.u**2 == pytest.approx(1002.0, abs=0.5)
    assert budget.dof == pytest.approx(16.7, abs=0.05)
    assert coverage_factor(budget.dof, 0.99) == pytest.approx(2.92, abs=0.005)
    # H.1.6 takes u rounded up to 32 nm to U = 93 nm
    low, high = budget.interval(0.99)
    assert (high - low) / 2 == pytest.approx(2.92 * 31.66, abs=0.1)
    assert coverage_factor(budget.dof, 0.99) * 32 == pytest.approx(93.0, abs=0.5)
    # H.1: the room's temperature is a source of its own, 0.41 degrees in all, that first order does not see
    room = linear(0.0, [(1.0, each) for each in end_gauge().inputs[5:7]])
    assert room.u == pytest.approx(0.41, abs=0.005)
    assert budget.shares.sum() == pytest.approx(1.0)


READINGS = np.array(  # GUM table H.2: volts, milliamperes, radians, read together
    [
        [5.007, 19.663, 1.0456],
        [4.994, 19.639, 1.0438],
        [5.005, 19.640, 1.0468],
        [4.990, 19.685, 1.0428],
        [4.999, 19.678, 1.0433],
    ]
)
NAMES = ("voltage", "current", "phase")


def impedance():
    """Resistance, reactance and impedance in ohms."""
    means, u = READINGS.mean(axis=0), READINGS.std(axis=0, ddof=1) / np.sqrt(5)
    r = np.corrcoef(READINGS.T)
    inputs = tuple(Input(n, x, s, 4) for n, x, s in zip(NAMES, means, u, strict=True))
    correlations = {(NAMES[i], NAMES[j]): r[i, j] for i, j in ((0, 1), (0, 2), (1, 2))}
    models = (
        lambda v, i, phase: 1e3 * v / i * np.cos(phase),
        lambda v, i, phase: 1e3 * v / i * np.sin(phase),
        lambda v, i, phase: 1e3 * v / i + 0.0 * phase,
    )
    return [Measurement(model, inputs, correlations) for model in models]


def test_correlated_inputs():
    # table H.4; the reactance is printed from rounded correlations
    published = ((127.732, 0.071), (219.847, 0.295), (254.260, 0.236))
    budgets = [propagate(measurement) for measurement in impedance()]
    for budget, (value, u) in zip(budgets, published, strict=True):
        assert budget.value == pytest.approx(value, abs=6e-4)
        assert budget.u == pytest.approx(u, abs=1e-3)
        assert budget.shares.sum() == pytest.approx(1.0)
    # correlations of the results, table H.4, from memory
    for (one, other), r in {(0, 1): -0.588, (0, 2): -0.485, (1, 2): 0.993}.items():
        a, b = budgets[one], budgets[other]
        assert covariance(a, b) / (a.u * b.u) == pytest.approx(r, abs=1e-3)


def test_five_readings_taken_together_have_four_degrees_of_freedom():
    # H.2.4, second approach: the result worked out of each set of readings, then averaged
    volts, milliamperes, phase = READINGS.T
    each = 1e3 * volts / milliamperes * np.cos(phase)
    resistance = propagate(impedance()[0])
    assert resistance.u == pytest.approx(each.std(ddof=1) / np.sqrt(5), abs=1e-3)
    assert resistance.dof == pytest.approx(4.0)


# GUM table H.6, from memory: thermometer readings and corrections, degrees Celsius
READ_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_C = -1e-3 * np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160])


def test_a_line_with_correlated_coefficients():
    line = linregress(READ_C - 20.0, CORRECTION_C)
    r = -(READ_C - 20.0).mean() / np.sqrt(((READ_C - 20.0) ** 2).mean())
    # H.3.3, from memory: -0.1712 and 0.0029, 0.00218 and 0.00067, r = -0.930
    assert (line.intercept, line.intercept_stderr) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (line.slope, line.stderr) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert r == pytest.approx(-0.930, abs=5e-4)
    at_30 = propagate(
        Measurement(
            lambda intercept, slope: intercept + slope * 10.0,
            (
                Input("intercept", line.intercept, line.intercept_stderr, 9),
                Input("slope", line.slope, line.stderr, 9),
            ),
            {("intercept", "slope"): r},
        )
    )
    # H.3.4, from memory
    assert at_30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.u == pytest.approx(0.0041, abs=5e-5)
    assert at_30.dof == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("dof", "coverage", "factor"),
    [(16, 0.95, 2.12), (16, 0.9545, 2.17), (16, 0.99, 2.92), (np.inf, 0.9545, 2.00), (16.7, 0.99, 2.92)],
)
def test_coverage_factors(dof, coverage, factor):
    # GUM table G.2; degrees of freedom are cut to a whole number first (G.6.4)
    assert coverage_factor(dof, coverage) == pytest.approx(factor, abs=0.005)


def test_a_weight():
    # EA-4/02 M:2022, example S2: grams; published 10 000.025 g, u = 29.2 mg, U = 58 mg
    budget = propagate(
        Measurement(
            lambda standard, drift, difference, eccentric, buoyancy: (
                standard + drift + difference + eccentric + buoyancy
            ),
            (
                Input("standard", 10_000.005, 0.0225),
                Input.within("drift", 0.0, 0.015),
                Input("difference", 0.020, 0.025 / np.sqrt(3)),
                Input.within("eccentricity", 0.0, 0.010),
                Input.within("buoyancy", 0.0, 0.010),
            ),
        )
    )
    assert budget.value == pytest.approx(10_000.025, abs=5e-4)
    assert budget.u == pytest.approx(0.0292, abs=1e-4)
    assert 2 * budget.u == pytest.approx(0.058, abs=6e-4)


def test_what_two_results_share_is_followed_through():
    # GUM F.1.2.3, example: two resistors against one standard; their sum has the standard's error twice
    standard = Input("standard", 100.0, 0.1)
    first, second = (linear(100.0, [(1.0, standard), (1.0, Input(n, 0.0, 0.01))]) for n in ("one", "two"))
    total, apart = (linear(0.0, [(1.0, first), (sign, second)]) for sign in (1.0, -1.0))
    assert total.u == pytest.approx(np.sqrt(0.2**2 + 2 * 0.01**2))
    assert apart.u == pytest.approx(np.sqrt(2) * 0.01)
    assert covariance(first, second) == pytest.approx(0.01)


def test_what_cannot_be_is_refused():
    for wrong in (
        {"value": np.nan},
        {"u": -1.0},
        {"u": np.nan},
        {"dof": 0.0},
        {"dof": 3, "shape": "triangular"},
    ):
        with pytest.raises(ValueError, match=r"^input 'length' "):
            Input(**({"kind": "length", "value": 1.0, "u": 0.1} | wrong))
    length, other = Input("length", 1.0, 0.1), Input("length", 2.0, 0.1)
    with pytest.raises(ValueError, match="'length'; give each its own name"):
        linear(0.0, [(1.0, length), (1.0, other)])
    with pytest.raises(ValueError, match="'width', which is no input"):
        linear(0.0, [(1.0, length)], {("length", "width"): 0.5})
    three = [(1.0, Input(name, 0.0, 1.0)) for name in "abc"]
    with pytest.raises(ValueError, match="contradict"):
        linear(0.0, three, {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9})


def test_an_input_without_uncertainty_adds_none():
    budget = propagate(Measurement(lambda a, b: a * b, (Input("a", 3.0, 0.1), Input("b", 2.0, 0.0))))
    assert budget.contributions == pytest.approx([0.2, 0.0])
    assert budget.terms[1].sensitivity == pytest.approx(3.0)
    assert Budget(1.0, (Term(Input("exact", 1.0, 0.0), 1.0),)).interval() == (1.0, 1.0)
