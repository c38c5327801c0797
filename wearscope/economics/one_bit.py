"""One bit of a trial: from its rows to its wear curves and the life that they leave."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from wearscope.economics.cost import use_of
from wearscope.economics.curve import Array, Points, WearCurve, wear_curve
from wearscope.economics.ends import Ending, end_draws, endings
from wearscope.economics.life import HORIZON, QUANTILES, Paths, known_range, paths
from wearscope.economics.outcome import Band, BitOutcome, Evidence, QuantityCurve
from wearscope.economics.prior import LifePrior, trial_prior
from wearscope.economics.readings import Limit, Readings, followed_on, limits_of, not_faced, readings
from wearscope.log.records import Record
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial import Bit, Trial
from wearscope.trial.asking import stated
from wearscope.trial.entries import PhotoEntry

SEED = 20_240_229
"""All draws start from it and the bit's name, so that the same rows give the same outcome."""
N_GRID = 121
"""Places at which a curve is given."""


@dataclass(frozen=True)
class Question:
    """What the wear of one quantity on one bit is asked of: all that an `Answer` follows from.

    Attributes
    ----------
    bit, quantity : str
        All draws start from these names.
    points : Points
    limit : Limit or None
    unseen : int
        Flutes of the bit that were not measured.
    prior : LifePrior
    n_draws : int
    next_parts : float
        Parts at which another checkpoint would be.
    """

    bit: str
    quantity: str
    points: Points
    limit: Limit | None
    unseen: int
    prior: LifePrior
    n_draws: int
    next_parts: float = 0.0


@dataclass(frozen=True)
class Answer:
    """How a quantity may wear on a bit: numbers alone, few enough to be kept for hundreds of bits.

    Attributes
    ----------
    parts_cut, scatter : float
        As in the wear curve.
    weights : dict of str to float
        The same.
    worst_life, mean_life : ndarray, shape (N,)
        Draws of the parts at which the worst flute, and the mean of the flutes, reach the limit; empty without one.
    worst, mean : Band
        Of the worst flute, and of the mean, at `N_GRID` places up to the horizon.
    next_seen : ndarray, shape (N,)
        What each draw's worst flute shows after ``next_parts``.
    """

    parts_cut: float
    scatter: float
    weights: dict[str, float]
    worst_life: Array
    mean_life: Array
    worst: Band
    mean: Band
    next_seen: Array


Solve = Callable[[Sequence[Question]], Sequence[Answer]]
"""Whoever answers questions, in their order."""


@dataclass(frozen=True)
class Followed:
    """A quantity of a bit, what was asked of it and the answer.

    Attributes
    ----------
    found : Readings
    asked : Question
    answer : Answer
    """

    found: Readings
    asked: Question
    answer: Answer


def answer(asked: Question) -> Answer:
    """Fit the wear curve and read off it what is asked; this takes most of the time of a verdict.

    Parameters
    ----------
    asked : Question

    Returns
    -------
    Answer
        The same for the same question, whoever answers it.
    """
    curve, goes, order = _fitted(replace(asked, next_parts=0.0))
    worst_life = mean_life = np.empty(0)
    if asked.limit is not None:
        at = np.empty(asked.n_draws)  # all bits share it: `order` puts the same ones side by side
        at[order] = asked.limit.value + asked.limit.u * limit_error(asked.quantity, asked.n_draws)
        worst_life, mean_life = (life[order] for life in goes.lives(at))
    worst, mean = goes.values_at(_grid(curve.parts_cut))
    return Answer(
        curve.parts_cut,
        curve.scatter,
        curve.weights,
        worst_life,
        mean_life,
        _band(worst),
        _band(mean),
        goes.value_at(np.array([asked.next_parts]), worst=True)[order, 0],
    )


@lru_cache(
    maxsize=8
)  # megabytes each; what the next checkpoint shows is often asked once more, when lives are known
def _fitted(asked: Question) -> tuple[WearCurve, Paths, NDArray[np.int_]]:
    """Curve, how wear goes by each draw, and an order that deals the draws out, independent of other draws."""
    points, limit, n = asked.points, asked.limit, asked.n_draws
    rng = np.random.default_rng([SEED, *f"{asked.bit}/{asked.quantity}".encode()])
    # without a limit the life is one in name only: any wear beyond what was seen will do
    ends_at = limit.value if limit else 2.0 * float((points.value + points.u).max())
    if ends_at <= points.new:  # no life is told then
        ends_at = 2.0 * max(points.new, float((points.value + points.u).max()))
    curve = wear_curve(points, ends_at, asked.prior, rng, n)
    of_life = np.random.default_rng([SEED, *f"{asked.bit}/{asked.quantity}/life".encode()])
    goes = paths(curve, points, asked.unseen, of_life)
    return curve, goes, rng.permutation(n)


def answers(asked: Sequence[Question]) -> list[Answer]:
    """Answer one question after the other.

    Parameters
    ----------
    asked : sequence of Question

    Returns
    -------
    list of Answer
    """
    return [answer(one) for one in asked]


def limit_error(quantity: str, n: int) -> Array:
    """By how much a limit is off, in its standard uncertainties: the same draws for all bits of a trial.

    Parameters
    ----------
    quantity : str
    n : int

    Returns
    -------
    ndarray, shape (n,)
    """
    return np.random.default_rng([SEED, *f"{quantity}/limit".encode()]).standard_normal(n)


@dataclass(frozen=True)
class Gathered:
    """What the rows say of one bit, before any curve is fitted.

    Attributes
    ----------
    bit : Bit
    found : tuple of Readings
        For each quantity that is followed on it.
    ended : tuple of Ending
    limits : dict of str to Limit
    photographed : frozenset of (int, int)
        Flutes and parts of which the trial has a photo of the bit at work.
    scale : float
    """

    bit: Bit
    found: tuple[Readings, ...]
    ended: tuple[Ending, ...]
    limits: dict[str, Limit]
    photographed: frozenset[tuple[int, int]]
    scale: float

    def questions(self, n_draws: int, next_parts: float) -> list[tuple[Readings, Question]]:
        """What is to be asked of each quantity of which there are points.

        Parameters
        ----------
        n_draws : int
        next_parts : float

        Returns
        -------
        list of (Readings, Question)
        """
        prior, flutes = trial_prior(self.scale, len(self.found)), stated(self.bit.flutes)
        return [
            (
                found,
                Question(
                    self.bit.name,
                    found.quantity,
                    found.points,
                    self.limits.get(found.quantity),
                    flutes - len(set(found.flutes)),
                    prior,
                    n_draws,
                    next_parts,
                ),
            )
            for found in self.found
            if found.points
        ]


def gather(
    trial: Trial, bit: Bit, records: Sequence[Record], photos: Sequence[PhotoEntry], scale: float
) -> Gathered:
    """Gather what the rows say of one bit.

    Parameters
    ----------
    trial : Trial
    bit : Bit
    records, photos : sequence
        Of that bit.
    scale : float
        Parts at the last checkpoint of the trial: what lives are measured by before anything is known of them.

    Returns
    -------
    Gathered
    """
    return Gathered(
        bit,
        tuple(readings(records, bit, quantity) for quantity in followed_on(trial.life, bit)),
        endings(records, trial.life, bit),
        {limit.quantity: limit for limit in limits_of(trial.life, bit)},
        frozenset((photo.flute, photo.parts) for photo in photos if photo.parts),
        scale,
    )


def bit_outcome(trial: Trial, gathered: Gathered, curves: Sequence[Followed], n_draws: int) -> BitOutcome:
    """What the rows say of one bit by itself.

    Parameters
    ----------
    trial : Trial
    gathered : Gathered
    curves : sequence of Followed
    n_draws : int

    Returns
    -------
    BitOutcome
        Without what is said of the next bit of its kind.
    """
    bit, ended = gathered.bit, gathered.ended
    cut = [one.answer.parts_cut for one in curves]
    known = any(not one.doubtful for one in ended)
    base = BitOutcome(
        bit.name,
        bit.price,
        use_of(bit, trial.cost),
        bit.coated,
        max(cut + [one.parts for one in ended], default=0.0),
        HORIZON * min(cut, default=max((one.parts for one in ended), default=0)),
        tuple(_quantity_curve(one) for one in curves),
        tuple(_evidence(gathered, found) for found in gathered.found),
        not_faced(trial.life, bit),
        endings=ended,
        kind=bit.make,
        why_not=_why_no_life(trial, gathered.limits, gathered.found, known_otherwise=known),
    )
    return base if base.why_not else _with_life(base, curves, trial_prior(gathered.scale), n_draws)


def _evidence(gathered: Gathered, found: Readings) -> Evidence:
    flutes = set(range(1, stated(gathered.bit.flutes) + 1))
    unmeasured = sorted(flutes - set(found.flutes)) if found.points else ()
    read = {(row.flute, row.parts) for row in found.records}
    missing = sorted({parts for _, parts in gathered.photographed - read}) if found.points else ()
    return Evidence(found.quantity, found.n_doubtful, found.n_refused, tuple(unmeasured), tuple(missing))


def _why_no_life(
    trial: Trial, limits: dict[str, Limit], gathered: Sequence[Readings], *, known_otherwise: bool
) -> Reason | None:
    """Why a bit has no life; None if it has one. A chip or a break tells of its end without any curve."""
    file = trial.path.name
    if not limits:
        return (
            reason("no-coating-to-end-its-life")
            if trial.life.limited
            else reason("no-limit", trial_file=file)
        )
    for found in gathered:
        limit = limits[found.quantity]
        if found.points is not None and limit.value <= found.points.new:
            return reason(
                "limit-not-above-new",
                quantity=found.quantity,
                new=found.points.new,
                limit=limit.value,
                trial_file=file,
            )
    if known_otherwise:
        return None
    for found in gathered:
        if found.points is None and (found.n_doubtful or found.n_refused):
            return reason(
                "none-usable",
                quantity=found.quantity,
                n_doubtful=found.n_doubtful,
                n_refused=found.n_refused,
            )
        if found.points is None:
            return reason("none-measured", quantity=found.quantity)
    return None


def _with_life(base: BitOutcome, followed: Sequence[Followed], prior: LifePrior, n_draws: int) -> BitOutcome:
    worst, mean = ([one.answer.worst_life for one in followed], [one.answer.mean_life for one in followed])
    rng = np.random.default_rng([SEED, *f"{base.bit}/ends".encode()])
    if not followed:  # nothing is known of its wear, but that it lasted to the chip
        worst = mean = [np.maximum(prior.life(rng.standard_normal(n_draws)), base.parts_cut)]
    sudden = end_draws(base.endings, n_draws, rng)
    of_wear = np.maximum(np.min(worst, axis=0), 1.0)  # a life of less than one part has no cost per part
    first = np.where(sudden < of_wear, len(worst), np.argmin(worst, axis=0))
    names = [one.found.quantity for one in followed] or [""]
    ended = {name: float(np.mean(first == i)) for i, name in enumerate(names) if name}
    if base.endings:
        last = base.endings[0].quantity
        ended[last] = ended.get(last, 0.0) + float(np.mean(first == len(worst)))
    known = known_range(np.minimum(of_wear, sudden), most=base.horizon)
    return replace(
        base,
        life=known,
        life_of_mean=known_range(np.minimum(np.min(mean, axis=0), sudden), most=base.horizon),
        at_least=base.horizon if known.low95 is None else known.low95,
        ended_by=ended,
        wear_draws=of_wear,
        sudden_draws=np.maximum(sudden, 1.0),
    )


def _grid(parts_cut: float) -> Array:
    return np.linspace(0.0, HORIZON * parts_cut, N_GRID)


def _quantity_curve(one: Followed) -> QuantityCurve:
    return QuantityCurve(
        one.found.quantity,
        one.found.unit,
        one.asked.limit,
        one.found.records,
        _grid(one.answer.parts_cut),
        one.answer.worst,
        one.answer.mean,
        one.answer.weights,
        one.answer.scatter,
    )


def _band(values: Array) -> Band:
    return Band(*np.quantile(values, QUANTILES, axis=0))
