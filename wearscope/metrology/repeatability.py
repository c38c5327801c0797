"""How well the same flutes give the same number again: repeatability, reproducibility, and what can be told apart.

Several people photograph several flutes several times. What differs between photos of one flute by one
person is *repeatability*; what one person reads higher than another is *reproducibility*; both together are
the *measurement's* share of the variation, the rest lies *between the flutes*. Two methods, as in the
measurement systems analysis manual of the automotive trade (AIAG, MSA, 4th ed. 2010, ch. III): analysis of
variance, and average and range. The first uses more of the data and says how sure it is; the second can be
followed with pencil and paper.

Numbers keep the unit of the values. What all photos share (scale, wedge angle, new-state photo, lamps)
cannot show here: this is precision, not trueness.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, ndtr

from wearscope.metrology.findings import DETECTION

Array = NDArray[np.float64]

POOL_ABOVE = 0.25  # level of a preliminary test before pooling: Bancroft, Biometrics 20 (1964), from memory
GOOD_PERCENT, USABLE_PERCENT = 10.0, 30.0  # of total variation: AIAG MSA, 4th ed., ch. II-D
ENOUGH_CATEGORIES = 5  # same place
CATEGORIES = 1.41  # √2 as the manual rounds it
_SEED = 1


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval.

    Attributes
    ----------
    value, low95, high95 : float
    """

    value: float
    low95: float
    high95: float

    def times(self, factor: float) -> Estimate:
        """The number and its interval, multiplied.

        Parameters
        ----------
        factor : float

        Returns
        -------
        Estimate
        """
        return Estimate(self.value * factor, self.low95 * factor, self.high95 * factor)


@dataclass(frozen=True)
class Source:
    """A line of the analysis of variance.

    Attributes
    ----------
    name : str
        "flute", "person", "interaction" or "repeat".
    df : int
        Degrees of freedom.
    sum_squares, mean_square : float
        In the squared unit of the values.
    f, p : float or None
        Variance ratio and its significance; None for what the others are compared with.
    """

    name: str
    df: int
    sum_squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class AnovaStudy:
    """A repeat study by analysis of variance; spreads are standard deviations.

    Attributes
    ----------
    n_flutes, n_people, n_values : int
    table : tuple of Source
        As used for the estimates: without the interaction where it was pooled.
    interaction : Source or None
        Its test, whether or not it was pooled; None where it cannot be tested.
    pooled : bool
        Whether the interaction was not significant and counts as repeatability.
    repeatability : Estimate
        Between photos of one flute by one person.
    reproducibility : Estimate or None
        Between people, their interaction with the flutes included; None if there was one person.
    combined : Estimate
        Both together.
    one_person : Estimate
        What blurs a comparison of two flutes by the same person: repeatability and interaction.
    between_flutes, total : Estimate or None
        None if there was one flute.
    percent : Estimate or None
        100 times `combined` over `total`.
    categories : Estimate or None
        Number of distinct categories, rounded down, at least 1.
    """

    n_flutes: int
    n_people: int
    n_values: int
    table: tuple[Source, ...]
    interaction: Source | None
    pooled: bool
    repeatability: Estimate
    reproducibility: Estimate | None
    combined: Estimate
    one_person: Estimate
    between_flutes: Estimate | None
    total: Estimate | None
    percent: Estimate | None
    categories: Estimate | None


@dataclass(frozen=True)
class RangeStudy:
    """A repeat study by average and range; spreads are standard deviations.

    Attributes
    ----------
    mean_range : float
        Mean range of the repeats of one flute by one person.
    range_limit : float
        A range above it is out of line with the others (upper limit of a range chart).
    person_range, flute_range : float
        Range of the people's means and of the flutes' means.
    repeatability, reproducibility, combined, between_flutes, total : float
        As in `AnovaStudy`; reproducibility is 0 with one person.
    percent : float
    categories : int
    """

    mean_range: float
    range_limit: float
    person_range: float
    flute_range: float
    repeatability: float
    reproducibility: float
    combined: float
    between_flutes: float
    total: float
    percent: float
    categories: int


def smallest_difference(spread: Estimate) -> Estimate:
    """Smallest true difference that one photo each of two states can tell from none.

    Parameters
    ----------
    spread : Estimate
        Standard deviation of one value.

    Returns
    -------
    Estimate
        3.29 √2 times `spread`: both a false alarm and a miss happen once in twenty times (ISO 11843-1, from
        memory).
    """
    return spread.times(DETECTION * sqrt(2.0))


def percent_of_tolerance(spread: Estimate, tolerance: float) -> Estimate:
    """Share of a tolerance that six standard deviations take up, in percent (AIAG MSA, 4th ed., ch. III-B).

    Parameters
    ----------
    spread : Estimate
        Standard deviation of the measurement.
    tolerance : float
        Width of the tolerance, in the unit of `spread`.

    Returns
    -------
    Estimate
    """
    return spread.times(600.0 / tolerance)


def study_by_anova(values: Array, *, pool_above: float = POOL_ABOVE, draws: int = 10_000) -> AnovaStudy:
    """Variance components of a crossed study, flutes and people both taken as random.

    Missing values are allowed. Each mean square is that of an effect beyond all that do not contain it
    (fitting constants: Henderson's method 3, Biometrics 9 (1953) 226-252, from memory), which for complete
    data is the usual table. Components below zero count as zero. Intervals are generalised confidence
    intervals: every mean square is drawn from its scaled chi-square distribution (Hamada & Weerahandi,
    J. Quality Technology 32 (2000) 241-253, from memory); with missing values they are approximate.

    Parameters
    ----------
    values : array, shape (flutes, people, repeats)
        NaN where there is none.
    pool_above : float
        The interaction is pooled with repeatability if its significance is above this level; 1 keeps it.
    draws : int
        How many make the intervals; always the same ones.

    Returns
    -------
    AnovaStudy

    Raises
    ------
    ValueError
        If the values cannot give repeatability; the message says why and what to do.
    """
    _require_repeats(values)
    flute, person, _ = np.nonzero(np.isfinite(values))
    y = values[np.isfinite(values)]
    y = y - y.mean()  # which no mean square sees
    flutes, people = _dummies(flute), _dummies(person)
    cells = _dummies(flute * values.shape[1] + person)
    n_flutes, n_people = flutes.shape[1], people.shape[1]
    both = np.column_stack([flutes, people])
    if np.linalg.matrix_rank(both) < n_flutes + n_people - 1:
        raise ValueError(
            "no flute links the people who took the photos; have each of them photograph the same flutes"
        )

    everything, in_cells, in_both = np.eye(len(y)), _projection(cells), _projection(both)
    beyond = {
        "flute": in_both - _projection(people),
        "person": in_both - _projection(flutes),
        "interaction": in_cells - in_both,
        "repeat": everything - in_cells,
    }
    tested = next((source for source in _table(beyond, y) if source.name == "interaction"), None)
    pooled = tested is not None and tested.p is not None and tested.p > pool_above
    if pooled:
        del beyond["interaction"]
        beyond["repeat"] = everything - in_both
    table = _table(beyond, y)

    # Each component adds to a mean square in proportion to the trace of its quadratic form times their covariance.
    made_of = {"flute": flutes, "person": people, "interaction": cells, "repeat": everything}
    names = [source.name for source in table]
    expected = [
        [np.sum((beyond[s.name] @ made_of[name]) * made_of[name]) / s.df for name in names] for s in table
    ]
    solve = np.linalg.inv(np.array(expected))
    squares = np.array([source.sum_squares for source in table])
    df = np.array([source.df for source in table])
    drawn = squares / np.random.default_rng(_SEED).chisquare(df, (draws, len(df)))
    # first row: the estimate itself
    components = np.maximum(np.vstack([squares / df, drawn]) @ solve.T, 0.0)
    variance = {name: components[:, at] for at, name in enumerate(names)}
    nothing = np.zeros(len(components))
    interaction = variance.get("interaction", nothing)
    by_person = variance.get("person", nothing) + interaction
    measured = variance["repeat"] + by_person
    total = measured + variance.get("flute", nothing)
    several = n_flutes > 1
    return AnovaStudy(
        n_flutes,
        n_people,
        len(y),
        table,
        tested,
        pooled,
        _estimate(np.sqrt(variance["repeat"])),
        _estimate(np.sqrt(by_person)) if n_people > 1 else None,
        _estimate(np.sqrt(measured)),
        _estimate(np.sqrt(variance["repeat"] + interaction)),
        _estimate(np.sqrt(variance["flute"])) if several else None,
        _estimate(np.sqrt(total)) if several else None,
        _estimate(100.0 * np.sqrt(measured / total)) if several else None,
        _estimate(_categories(np.sqrt(variance["flute"] / measured))) if several else None,
    )


def study_by_ranges(values: Array) -> RangeStudy:
    """Average and range (AIAG MSA, 4th ed., ch. III-B).

    Parameters
    ----------
    values : array, shape (flutes, people, repeats)

    Returns
    -------
    RangeStudy

    Raises
    ------
    ValueError
        If a value is missing, or there are fewer than two flutes or repeats.
    """
    n_flutes, n_people, n_repeats = values.shape
    if not np.isfinite(values).all():
        raise ValueError(
            "the reckoning by ranges alone is left out, as it needs every photo; the other does not"
        )
    if n_flutes < 2:
        raise ValueError("the reckoning by ranges alone is left out, as it needs two flutes or more")
    _require_repeats(values)
    mean_range = float(np.ptp(values, axis=2).mean())
    d2, rms = _ranges_of_normal(n_repeats)
    person_range = float(np.ptp(values.mean(axis=(0, 2))))
    flute_range = float(np.ptp(values.mean(axis=(1, 2))))
    repeatability = mean_range / d2
    reproducibility = 0.0
    if n_people > 1:
        seen = (person_range / _ranges_of_normal(n_people)[1]) ** 2
        reproducibility = sqrt(max(seen - repeatability**2 / (n_flutes * n_repeats), 0.0))
    between = flute_range / _ranges_of_normal(n_flutes)[1]
    combined = float(np.hypot(repeatability, reproducibility))
    total = float(np.hypot(combined, between))
    return RangeStudy(
        mean_range,
        mean_range * (1.0 + 3.0 * sqrt(rms**2 - d2**2) / d2),
        person_range,
        flute_range,
        repeatability,
        reproducibility,
        combined,
        between,
        total,
        100.0 * combined / total,
        int(_categories(np.array(between / combined))),
    )


def _require_repeats(values: Array) -> None:
    """Refuse values that say nothing of repeatability."""
    repeated = values[np.isfinite(values).sum(axis=2) > 1]
    if not len(repeated):
        raise ValueError("nothing was measured twice by one person; give each flute two photos or more")
    if not (np.nanmax(repeated, axis=1) > np.nanmin(repeated, axis=1)).any():
        raise ValueError("every repeat gives exactly the same number, so nothing can be said of its scatter")


def _dummies(labels: NDArray[np.intp]) -> Array:
    """One column for each label that occurs, 1 where it does."""
    dummies: Array = (labels[:, None] == np.unique(labels)[None, :]).astype(np.float64)
    return dummies


def _projection(design: Array) -> Array:
    projection: Array = design @ np.linalg.pinv(design)
    return projection


def _table(beyond: dict[str, Array], y: Array) -> tuple[Source, ...]:
    """Sources that have degrees of freedom, each tested against the interaction, or that against the repeats."""
    found = {}
    for name, form in beyond.items():
        df = round(float(np.trace(form)))
        if df:
            squares = float(y @ form @ y)
            found[name] = Source(name, df, squares, squares / df)
    table = []
    for source in found.values():
        under = found["repeat"] if source.name == "interaction" else found.get("interaction", found["repeat"])
        if source.name == "repeat" or under.mean_square <= 0.0:
            table.append(source)
            continue
        f = source.mean_square / under.mean_square
        table.append(replace(source, f=f, p=float(fdtrc(source.df, under.df, f))))
    return tuple(table)


def _estimate(draws: Array) -> Estimate:
    """The first is the estimate, the others say how sure it is."""
    low, high = np.percentile(draws[1:], [2.5, 97.5])
    return Estimate(float(draws[0]), float(low), float(high))


def _categories(ratio: Array) -> Array:
    categories: Array = np.maximum(np.floor(CATEGORIES * ratio), 1.0)
    return categories


def _ranges_of_normal(n: int) -> tuple[float, float]:
    """Mean and root mean square of the range of `n` standard normal values.

    The mean is d2 of control charts, the root mean square d2* of one sample: Tippett, Biometrika 17 (1925)
    364-387, from memory.
    """
    width = np.linspace(0.0, 14.0, 1401)
    x = np.linspace(-8.0, 8.0, 1601)
    density = np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi)
    within = n * density * (ndtr(x + width[:, None]) - ndtr(x)) ** (n - 1)
    beyond = 1.0 - np.trapezoid(within, x, axis=1)
    return float(np.trapezoid(beyond, width)), float(np.sqrt(np.trapezoid(2.0 * width * beyond, width)))
