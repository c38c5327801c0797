"""The standard uncertainty of a result by Monte Carlo, and whether first order agrees with it: JCGM 101:2008."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.uncertainty import (
    U_PER_HALF_WIDTH,
    Budget,
    Input,
    Measurement,
    as_budget,
    correlated_groups,
    correlation_matrix,
    linear,
    propagate,
)

Array = NDArray[np.float64]

BLOCK = 10_000  # trials between two looks at how far they have settled, JCGM 101 7.9.4 b
MOST_TRIALS = 5_000_000  # chosen, no source


@dataclass(frozen=True)
class Simulation:
    """A result by Monte Carlo.

    Attributes
    ----------
    value, u : float
        Mean and standard deviation of the trials.
    symmetric, shortest : (float, float)
        Coverage intervals: probabilistically symmetric, and shortest.
    trials : int
    settled : bool
        Whether all of these are known within the tolerance asked for.
    """

    value: float
    u: float
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    trials: int
    settled: bool


@dataclass(frozen=True)
class Comparison:
    """First order against Monte Carlo, JCGM 101 clause 8.

    Attributes
    ----------
    budget : Budget
    simulation : Simulation
    tolerance : float
        Numerical tolerance of the standard uncertainty (`numerical_tolerance`).
    d_low, d_high : float
        By how much the ends of the two coverage intervals differ.
    """

    budget: Budget
    simulation: Simulation
    tolerance: float
    d_low: float
    d_high: float

    @property
    def agrees(self) -> bool:
        """Whether first order is validated in this case."""
        return max(self.d_low, self.d_high) <= self.tolerance


def numerical_tolerance(u: float, digits: int) -> float:
    """Half a unit in the last of the significant digits in which `u` is written: JCGM 101 7.9.2.

    Parameters
    ----------
    u : float
        Standard uncertainty.
    digits : int
        Significant digits.

    Returns
    -------
    float
    """
    last = int(f"{u:.{digits - 1}e}".partition("e")[2]) - digits + 1
    return 0.5 * 10.0**last


def monte_carlo(
    measurement: Measurement,
    rng: np.random.Generator,
    *,
    coverage: float = 0.95,
    digits: int = 2,
    tolerance: float | None = None,
) -> Simulation:
    """Propagate the inputs' distributions through the model, with as many trials as it needs: JCGM 101 7.9.4.

    Parameters
    ----------
    measurement : Measurement
    rng : numpy.random.Generator
    coverage : float
    digits : int
        Significant digits of the standard uncertainty that are to hold.
    tolerance : float, optional
        In the result's unit, in place of that of `digits`.

    Returns
    -------
    Simulation
        Not `settled` if `MOST_TRIALS` did not suffice.
    """
    sources = linear(0.0, [(1.0, estimate) for estimate in measurement.inputs], measurement.correlations)
    block = max(BLOCK, int(np.ceil(100.0 / (1.0 - coverage))))
    values: list[Array] = []
    seen: list[Array] = []
    settled = False
    while not settled and len(values) * block < MOST_TRIALS:
        values.append(np.sort(_trials(measurement, sources, rng, block)))
        seen.append(_summary(values[-1], coverage))
        if len(seen) > 1:
            scatter = np.std(seen, axis=0, ddof=1) / np.sqrt(len(seen))
            allowed = tolerance or numerical_tolerance(float(np.mean(seen, axis=0)[1]), digits)
            settled = bool((2.0 * scatter <= allowed).all())
    value, u, *ends = _summary(np.sort(np.concatenate(values)), coverage).tolist()
    return Simulation(value, u, (ends[0], ends[1]), (ends[2], ends[3]), len(values) * block, settled)


def compare(
    measurement: Measurement, rng: np.random.Generator, *, coverage: float = 0.95, digits: int = 1
) -> Comparison:
    """Hold first order against Monte Carlo: JCGM 101 8.1.

    The shorter of its two intervals is compared, and it is worked out to a fifth of the tolerance (8.2).

    Parameters
    ----------
    measurement : Measurement
    rng : numpy.random.Generator
    coverage : float
    digits : int
        Significant digits of the standard uncertainty that matter.

    Returns
    -------
    Comparison
    """
    budget = propagate(measurement)
    rough = monte_carlo(measurement, rng, coverage=coverage, digits=digits)
    tolerance = numerical_tolerance(rough.u, digits)
    fine = monte_carlo(measurement, rng, coverage=coverage, tolerance=tolerance / 5.0)
    apart = np.abs(np.subtract(budget.interval(coverage), fine.shortest))
    return Comparison(budget, fine, tolerance, float(apart[0]), float(apart[1]))


def _trials(measurement: Measurement, sources: Budget, rng: np.random.Generator, n: int) -> Array:
    errors = _errors(sources, rng, n)
    arguments = []
    for estimate in measurement.inputs:
        own = as_budget(estimate)
        moved = sum((term.contribution * errors[term.source.name] for term in own.terms), np.zeros(n))
        arguments.append(own.value + moved)
    return np.array(np.broadcast_to(measurement.model(*arguments), n), np.float64)


def _errors(sources: Budget, rng: np.random.Generator, n: int) -> dict[str, Array]:
    """Error of each source in each trial, in units of its standard uncertainty: JCGM 101 6.4."""
    matrix = correlation_matrix(sources)
    errors: dict[str, Array] = {}
    for group in correlated_groups(sources):
        inputs = [sources.terms[i].source for i in group]
        if len(group) == 1:
            errors[inputs[0].name] = _drawn(inputs[0], rng, n)
            continue
        other = [each.name for each in inputs if each.shape != "normal"]
        if other:
            raise ValueError(f"input {other[0]!r} is correlated; only normal inputs can be")
        levels, turn = np.linalg.eigh(matrix[np.ix_(group, group)])
        joint = (turn * np.sqrt(np.maximum(levels, 0.0))) @ rng.standard_normal((len(group), n))
        fewest = min(each.dof for each in inputs)
        if np.isfinite(fewest):
            joint /= np.sqrt(rng.chisquare(fewest, n) / fewest)
        errors |= {each.name: row for each, row in zip(inputs, joint, strict=True)}
    return errors


def _drawn(source: Input, rng: np.random.Generator, n: int) -> Array:
    if source.shape == "normal":
        return rng.standard_normal(n) if np.isinf(source.dof) else rng.standard_t(source.dof, n)
    if source.shape == "rectangular":
        # one border is drawn from its own range, the other lies as far on the other side
        half_width = 1.0 + rng.uniform(-1.0, 1.0, n) / np.sqrt(2.0 * source.dof)
        shape = half_width * rng.uniform(-1.0, 1.0, n)
    elif source.shape == "triangular":
        shape = rng.triangular(-1.0, 0.0, 1.0, n)
    else:
        shape = np.sin(2.0 * np.pi * rng.uniform(0.0, 1.0, n))
    return np.asarray(shape / U_PER_HALF_WIDTH[source.shape])


def _summary(ordered: Array, coverage: float) -> Array:
    """Mean, standard deviation, symmetric and shortest interval of ordered trials: JCGM 101 7.6, 7.7, 5.3."""
    n = len(ordered)
    held = min(int(coverage * n + 0.5), n - 1)
    lengths = ordered[held:] - ordered[: n - held]
    tail, first = (n - held) // 2, int(np.argmin(lengths))
    ends = ordered[[tail, tail + held, first, first + held]]
    return np.array([ordered.mean(), ordered.std(ddof=1), *ends])
