"""One bit of a trial: from its rows to its wear curves and the life that they leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.economics.cost import use_of
from wearscope.economics.curve import Array, WearCurve, wear_curve
from wearscope.economics.ends import end_draws, endings
from wearscope.economics.life import HORIZON, QUANTILES, Paths, known_range, paths
from wearscope.economics.outcome import Band, BitOutcome, Evidence, QuantityCurve
from wearscope.economics.prior import LifePrior, trial_prior
from wearscope.economics.readings import Limit, Readings, followed_on, limits_of, not_faced, readings
from wearscope.log.records import Record
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial import Bit, Trial
from wearscope.trial.asking import stated

SEED = 20_240_229
"""All draws start from it and the bit's name, so that the same rows give the same outcome."""
N_GRID = 121
"""Places at which a curve is given."""


@dataclass(frozen=True)
class Followed:
    """A quantity with its curve; `order` deals its draws out, so that they are independent of other draws.

    Attributes
    ----------
    found : Readings
    curve : WearCurve
    paths : Paths
    limit : Limit or None
    order : ndarray of int, shape (N,)
    """

    found: Readings
    curve: WearCurve
    paths: Paths
    limit: Limit | None
    order: NDArray[np.int_]

    def limit_draws(self) -> Array:
        """What the limit may be, shape (N,): all bits share it, so that `order` puts the same ones side by side.

        Returns
        -------
        ndarray
        """
        assert self.limit is not None
        draws = np.empty(self.order.size)
        draws[self.order] = self.limit.value + self.limit.u * limit_error(
            self.found.quantity, self.order.size
        )
        return draws

    def seen_at(self, parts: float) -> Array:
        """What each draw's worst flute shows after so many parts.

        Parameters
        ----------
        parts : float

        Returns
        -------
        ndarray, shape (N,)
        """
        seen: Array = self.paths.value_at(np.array([parts]), worst=True)[self.order, 0]
        return seen


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


def bit_outcome(
    trial: Trial, bit: Bit, records: Sequence[Record], scale: float, n_draws: int
) -> tuple[BitOutcome, tuple[Followed, ...]]:
    """What the rows say of one bit by itself.

    Parameters
    ----------
    trial : Trial
    bit : Bit
    records : sequence of Record
        Of the trial.
    scale : float
        Parts at the last checkpoint of the trial: what lives are measured by before anything is known of them.
    n_draws : int

    Returns
    -------
    outcome : BitOutcome
        Without what is said of the next bit of its kind.
    followed : tuple of Followed
    """
    quantities = followed_on(trial.life, bit)
    limits = {limit.quantity: limit for limit in limits_of(trial.life, bit)}
    gathered = [readings(records, bit, quantity) for quantity in quantities]
    prior = trial_prior(scale, len(quantities))
    curves = tuple(
        _follow(bit, found, limits.get(found.quantity), prior, n_draws) for found in gathered if found.points
    )
    ended = endings(records, trial.life, bit)
    base = BitOutcome(
        bit.name,
        stated(bit.price),
        use_of(bit, trial.cost),
        bit.coated,
        max([one.curve.parts_cut for one in curves] + [one.parts for one in ended], default=0.0),
        HORIZON
        * min((one.curve.parts_cut for one in curves), default=max((one.parts for one in ended), default=0)),
        tuple(_quantity_curve(one) for one in curves),
        tuple(_evidence(trial, bit, found) for found in gathered),
        not_faced(trial.life, bit),
        endings=ended,
        kind=bit.make,
        why_not=_why_no_life(trial, limits, gathered, known_otherwise=any(not one.doubtful for one in ended)),
    )
    alone = trial_prior(scale)
    return (base if base.why_not else _with_life(base, curves, alone, n_draws)), curves


def _follow(bit: Bit, found: Readings, limit: Limit | None, prior: LifePrior, n_draws: int) -> Followed:
    assert found.points is not None
    rng = np.random.default_rng([SEED, *f"{bit.name}/{found.quantity}".encode()])
    points = found.points
    # without a limit the life is one in name only: any wear beyond what was seen will do
    ends_at = limit.value if limit else 2.0 * float((points.value + points.u).max())
    if ends_at <= points.new:  # no life is told then
        ends_at = 2.0 * max(points.new, float((points.value + points.u).max()))
    curve = wear_curve(points, ends_at, prior, rng, n_draws)
    unseen = stated(bit.flutes) - len(set(found.flutes))
    goes = paths(
        curve, points, unseen, np.random.default_rng([SEED, *f"{bit.name}/{found.quantity}/life".encode()])
    )
    return Followed(found, curve, goes, limit, rng.permutation(n_draws))


def _evidence(trial: Trial, bit: Bit, found: Readings) -> Evidence:
    unmeasured = sorted(set(range(1, stated(bit.flutes) + 1)) - set(found.flutes)) if found.points else ()
    read = {(row.flute, row.parts) for row in found.records}
    photographed = {
        (photo.flute, photo.parts) for photo in trial.photos if photo.bit == bit.name and photo.parts
    }
    missing = sorted({parts for _, parts in photographed - read}) if found.points else ()
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
    worst, mean = [], []
    for one in followed:
        of_worst, of_mean = one.paths.lives(one.limit_draws())
        worst.append(of_worst[one.order])
        mean.append(of_mean[one.order])
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


def _quantity_curve(one: Followed) -> QuantityCurve:
    parts = np.linspace(0.0, HORIZON * one.curve.parts_cut, N_GRID)
    return QuantityCurve(
        one.found.quantity,
        one.found.unit,
        one.limit,
        one.found.records,
        parts,
        _band(one.paths.value_at(parts, worst=True)),
        _band(one.paths.value_at(parts, worst=False)),
        one.curve.weights,
        one.curve.scatter,
    )


def _band(values: Array) -> Band:
    return Band(*np.quantile(values, QUANTILES, axis=0))
