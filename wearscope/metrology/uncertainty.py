"""The standard uncertainty of a result, from one description of how it is measured.

A `Measurement` is a model and its inputs. `propagate` combines them to first order (JCGM 100:2008, GUM) into a
`Budget`; `wearscope.metrology.monte_carlo` sends their distributions through the model itself.

An input may be the budget of an earlier measurement. Its sources are then followed through to the result, with
their signs: what two inputs have in common adds up or cancels as it should, and nobody has to state a correlation.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

Array = NDArray[np.float64]
Shape = Literal["normal", "rectangular", "triangular", "u-shaped"]
Correlations = Mapping[tuple[str, str], float]

# Standard uncertainty of each distribution over its half-width: GUM 4.3.7, 4.3.9 note 1, H.1.3.3
U_PER_HALF_WIDTH: dict[Shape, float] = {
    "rectangular": 1.0 / np.sqrt(3.0),
    "triangular": 1.0 / np.sqrt(6.0),
    "u-shaped": 1.0 / np.sqrt(2.0),
}
STEP = 1e-3  # of an input's uncertainty, in the numerical derivatives


@dataclass(frozen=True)
class Input:
    """What is known of one input quantity.

    Attributes
    ----------
    kind : str
        What it is, whichever edge or fit it belongs to.
    value : float
    u : float
        Standard uncertainty, in the unit of the value.
    dof : float
        Degrees of freedom: how well `u` itself is known. A normal input with few of them is drawn from the
        scaled and shifted t-distribution (JCGM 101 6.4.9); the half-width of a rectangular one is then itself
        known only within ± half-width/√(2 dof) (GUM G.4.2, drawn as in JCGM 101 6.4.3).
    shape : str
        Of the distribution: normal, rectangular, triangular, u-shaped (arcsine).
    of : tuple of str
        Which of several of its kind it is: the edge, the fit, the result.
    """

    kind: str
    value: float
    u: float
    dof: float = np.inf
    shape: Shape = "normal"
    of: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not np.isfinite(self.value):
            raise ValueError(f"input {self.name!r} has no value; give it one")
        if not 0.0 <= self.u < np.inf:
            raise ValueError(f"input {self.name!r} has u = {self.u:g}; give 0 or a positive number")
        if not self.dof > 0.0:
            raise ValueError(f"input {self.name!r} has {self.dof:g} degrees of freedom; give more than 0")
        if np.isfinite(self.dof) and self.shape not in ("normal", "rectangular"):
            raise ValueError(f"input {self.name!r} is {self.shape}; leave out its degrees of freedom")

    @cached_property
    def name(self) -> str:
        """By which it is told apart: inputs of one name are one and the same quantity."""
        return "".join([self.kind, *(f" ({each})" for each in self.of)])

    @classmethod
    def within(
        cls, kind: str, value: float, half_width: float, shape: Shape = "rectangular", dof: float = np.inf
    ) -> Input:
        """An input known only to lie within ± `half_width` of its value.

        Parameters
        ----------
        kind : str
        value : float
        half_width : float
        shape : str
        dof : float

        Returns
        -------
        Input

        Examples
        --------
        A graticule line that lies within ± 0.5 µm (GUM 4.3.7):

        >>> round(float(Input.within("line", 0.0, 0.5).u), 3)
        0.289
        """
        return cls(kind, value, half_width * U_PER_HALF_WIDTH[shape], dof, shape)


@dataclass(frozen=True)
class Term:
    """One line of a budget.

    Attributes
    ----------
    source : Input
    sensitivity : float
        Change of the result per change of the source.
    """

    source: Input
    sensitivity: float

    @property
    def contribution(self) -> float:
        """What the source's standard uncertainty does to the result, with its sign, in the result's unit."""
        return self.sensitivity * self.source.u


@dataclass(frozen=True)
class Budget:
    """A result and what its uncertainty is made of.

    Attributes
    ----------
    value : float
    terms : tuple of Term
        One for each source.
    correlations : mapping
        Between sources, by their names; those not listed are independent.
    """

    value: float
    terms: tuple[Term, ...]
    correlations: Correlations = field(default_factory=dict)

    @cached_property
    def contributions(self) -> Array:
        """Of each term, with its sign, in the unit of the result."""
        return np.array([term.contribution for term in self.terms])

    @cached_property
    def shares(self) -> Array:
        """Share of each term in the variance; they add up to 1, and a correlation can make one negative."""
        together = self.contributions * (correlation_matrix(self) @ self.contributions)
        variance = float(together.sum())
        return together / variance if variance > 0.0 else np.zeros(len(together))

    @cached_property
    def u(self) -> float:
        """Combined standard uncertainty, GUM 5.1.2 and 5.2.2."""
        variance = float(self.contributions @ correlation_matrix(self) @ self.contributions)
        return float(np.sqrt(max(variance, 0.0)))

    @cached_property
    def dof(self) -> float:
        """Effective degrees of freedom, Welch and Satterthwaite: GUM G.4.1.

        The formula asks for independent contributions. Correlated sources count as one contribution, with the
        fewest degrees of freedom among them, as if all had been read together.
        """
        if self.u == 0.0:
            return float("inf")
        unsure = 0.0
        for group in correlated_groups(self):
            part = Budget(0.0, tuple(self.terms[i] for i in group), self.correlations)
            a, r = part.contributions, correlation_matrix(part)
            unsure += float(a @ r @ a) ** 2 / min(term.source.dof for term in part.terms)
        return self.u**4 / unsure if unsure > 0.0 else float("inf")

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Value ± the expanded uncertainty, GUM G.6.4.

        Parameters
        ----------
        coverage : float
            Probability that the interval holds the true value.

        Returns
        -------
        low : float
            Lower end, in the unit of the value.
        high : float
            Upper end.

        Examples
        --------
        With 9 degrees of freedom the factor is 2.26 and not 1.96 (GUM table G.2):

        >>> low, high = Budget(20.0, (Term(Input("scatter", 20.0, 1.0, dof=9), 1.0),)).interval()
        >>> round(low, 2), round(high, 2)
        (17.74, 22.26)
        """
        expanded = coverage_factor(self.dof, coverage) * self.u
        return self.value - expanded, self.value + expanded


Estimate = Input | Budget


@dataclass(frozen=True)
class Measurement:
    """How a result follows from its inputs.

    Attributes
    ----------
    model : callable
        Takes one array for each input, all of one shape, and returns an array of that shape.
    inputs : tuple of Input or Budget
    correlations : mapping, optional
        Between inputs, by pairs of names.
    """

    model: Callable[..., Array]
    inputs: tuple[Estimate, ...]
    correlations: Correlations = field(default_factory=dict)


def coverage_factor(dof: float, coverage: float = 0.95) -> float:
    """t-factor for the degrees of freedom, cut to a whole number: GUM G.6.4; normal for infinitely many.

    Parameters
    ----------
    dof : float
    coverage : float

    Returns
    -------
    float

    Examples
    --------
    >>> round(coverage_factor(np.inf), 2), round(coverage_factor(4.0), 2)
    (1.96, 2.78)
    """
    quantile = 0.5 * (1.0 + coverage)
    if np.isinf(dof):
        return float(ndtri(quantile))
    return float(stdtrit(max(float(np.floor(dof + 1e-9)), 1.0), quantile))


def linear(
    value: float, parts: Iterable[tuple[float, Estimate]], correlations: Correlations | None = None
) -> Budget:
    """A result that depends on its inputs with known sensitivities, each followed through to its sources.

    Parameters
    ----------
    value : float
        Of the result.
    parts : iterable of (float, Input or Budget)
        Sensitivity to each input, and the input.
    correlations : mapping, optional
        Between sources, besides those that the inputs bring along.

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        Two different sources have one name, or the correlations cannot be.

    Examples
    --------
    A length of 100 µm, from a width in pixels at 4 µm per pixel:

    >>> width = Input("width, px", 25.0, 0.5)
    >>> scale = Input("scale, um per px", 4.0, 0.02)
    >>> length_um = linear(100.0, [(4.0, width), (25.0, scale)])
    >>> [float(term.contribution) for term in length_um.terms]
    [2.0, 0.5]
    >>> round(length_um.u, 2)
    2.06
    """
    sources: dict[str, Input] = {}
    sensitivity: dict[str, float] = {}
    correlated = dict(correlations or {})
    for slope, estimate in parts:
        own = as_budget(estimate)
        correlated |= own.correlations
        for term in own.terms:
            name = term.source.name
            if sources.setdefault(name, term.source) != term.source:
                raise ValueError(f"two different inputs are called {name!r}; give each its own name")
            sensitivity[name] = sensitivity.get(name, 0.0) + slope * term.sensitivity
    unknown = {name for pair in correlated for name in pair} - set(sources)
    if unknown:
        raise ValueError(f"a correlation is stated for {min(unknown)!r}, which is no input")
    terms = tuple(Term(source, sensitivity[name]) for name, source in sources.items())
    budget = Budget(float(value), terms, correlated)
    if correlated and np.linalg.eigvalsh(correlation_matrix(budget)).min(initial=0.0) < -1e-9:
        raise ValueError("the stated correlations contradict each other; check their signs")
    return budget


def propagate(measurement: Measurement) -> Budget:
    """First-order propagation, GUM 5.1 and 5.2.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    Budget

    Notes
    -----
    Derivatives are central differences about the estimates. A library that follows derivatives through
    (`uncertainties`) would want the model written in its own functions, once more beside the one that Monte Carlo
    calls with arrays; and it knows no degrees of freedom.
    """
    parts = [as_budget(estimate) for estimate in measurement.inputs]
    at = np.array([part.value for part in parts])
    step = np.array([STEP * part.u or 1e-6 * max(abs(part.value), 1.0) for part in parts])
    about = np.concatenate([at[:, None], at[:, None] + np.diag(step), at[:, None] - np.diag(step)], axis=1)
    value = np.broadcast_to(measurement.model(*about), about.shape[1:])
    above, below = np.split(value[1:], 2)
    slopes = (above - below) / (2.0 * step)
    return linear(value[0], zip(slopes.tolist(), measurement.inputs, strict=True), measurement.correlations)


def apart(budget: Budget, where: str, shared: Collection[str] = ()) -> Budget:
    """The same budget of sources that only it has: what two results share then no longer cancels between them.

    Parameters
    ----------
    budget : Budget
    where : str
        Which of their kinds its sources are now.
    shared : collection of str
        Names of sources that stay as they are.

    Returns
    -------
    Budget
    """
    terms = tuple(
        term
        if term.source.name in shared
        else replace(term, source=replace(term.source, of=(*term.source.of, where)))
        for term in budget.terms
    )
    names = {old.source.name: new.source.name for old, new in zip(budget.terms, terms, strict=True)}
    correlations = {(names[a], names[b]): r for (a, b), r in budget.correlations.items()}
    return Budget(budget.value, terms, correlations)


def as_budget(estimate: Estimate) -> Budget:
    """An input as the budget that it is by itself.

    Parameters
    ----------
    estimate : Input or Budget

    Returns
    -------
    Budget
    """
    return estimate if isinstance(estimate, Budget) else Budget(estimate.value, (Term(estimate, 1.0),))


def covariance(one: Budget, other: Budget) -> float:
    """Covariance of two results, from the sources that they share or that are correlated: GUM F.1.2.3.

    Parameters
    ----------
    one : Budget
    other : Budget

    Returns
    -------
    float
    """
    both = linear(0.0, [(1.0, one), (1.0, other)])
    left, right = (
        np.array([_contribution(budget, term.source.name) for term in both.terms]) for budget in (one, other)
    )
    return float(left @ correlation_matrix(both) @ right)


def _contribution(budget: Budget, name: str) -> float:
    return sum(term.contribution for term in budget.terms if term.source.name == name)


def correlation_matrix(budget: Budget) -> Array:
    """Correlations of the sources of a budget, in the order of its terms, shape (K, K).

    Parameters
    ----------
    budget : Budget

    Returns
    -------
    ndarray, shape (K, K)
    """
    matrix = np.eye(len(budget.terms))
    if budget.correlations:
        place = {term.source.name: i for i, term in enumerate(budget.terms)}
        for (one, other), r in budget.correlations.items():
            if one in place and other in place:
                matrix[place[one], place[other]] = matrix[place[other], place[one]] = r
    return matrix


def correlated_groups(budget: Budget) -> list[list[int]]:
    """Terms that hang together by correlations, the others each on its own.

    Parameters
    ----------
    budget : Budget

    Returns
    -------
    list of list of int
        Places of the terms of each group.
    """
    group = list(range(len(budget.terms)))
    for i, j in zip(*np.nonzero(np.triu(correlation_matrix(budget), 1)), strict=True):
        group = [group[i] if g == group[j] else g for g in group]
    return [[i for i, g in enumerate(group) if g == one] for one in dict.fromkeys(group)]
