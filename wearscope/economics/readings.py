"""The rows of the wear log that say how worn a bit is, as points of its wear curve."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from wearscope.economics.curve import Points
from wearscope.light.known import BROAD_RADIUS_UM
from wearscope.log.records import Record
from wearscope.quantities.quantity import LIMITS
from wearscope.trial import Bit, Life

_RADIUS = "edge_radius"  # the one quantity of which a new edge has some: all others are wear by themselves


@dataclass(frozen=True)
class Limit:
    """How much wear is the end of a bit's life.

    Attributes
    ----------
    quantity : str
        As in ``measurements.csv``.
    value, u : float
        In its unit, with the standard uncertainty.
    """

    quantity: str
    value: float
    u: float


@dataclass(frozen=True)
class Readings:
    """All usable rows of one quantity on one bit after it has cut.

    Attributes
    ----------
    quantity, unit : str
    records : tuple of Record
        With a value: ok, below the detection limit, or doubtful.
    n_doubtful, n_refused : int
        Rows that count less, and that say nothing.
    points : Points or None
        None if there is no usable row.
    flutes : tuple of int
        Number of the flute for each index in `points`. Where the faces wear apart a flute has an index for each that
        was photographed: either may be the one to wear out.
    """

    quantity: str
    unit: str
    records: tuple[Record, ...]
    n_doubtful: int
    n_refused: int
    points: Points | None
    flutes: tuple[int, ...]


def limits_of(life: Life, bit: Bit) -> tuple[Limit, ...]:
    """Limits of the trial that can end the life of a bit; an uncoated bit has no coating to lose.

    Parameters
    ----------
    life : Life
    bit : Bit

    Returns
    -------
    tuple of Limit
    """
    return tuple(
        Limit(quantity, value, life.u_of(quantity))
        for quantity in _faced(LIMITS, bit)
        if not LIMITS[quantity].sudden and (value := life.limit_of(quantity)) is not None
    )


def followed_on(life: Life, bit: Bit) -> tuple[str, ...]:
    """Quantities whose wear is followed on a bit: those with a limit that it faces, else the usual ones.

    Parameters
    ----------
    life : Life
    bit : Bit

    Returns
    -------
    tuple of str
    """
    return _faced(life.limited, bit) or _faced(_USUAL, bit)


def not_faced(life: Life, bit: Bit) -> tuple[str, ...]:
    """Quantities that are followed in a trial, but cannot end the life of a bit.

    Parameters
    ----------
    life : Life
    bit : Bit

    Returns
    -------
    tuple of str
    """
    followed = life.limited or _USUAL
    return tuple(quantity for quantity in followed if quantity not in _faced(followed, bit))


_USUAL = tuple(quantity for quantity, limit in LIMITS.items() if limit.usual)


def _faced(quantities: Iterable[str], bit: Bit) -> tuple[str, ...]:
    """Those that a bit can lose its life by: an uncoated one has no coating to lose."""
    return tuple(quantity for quantity in quantities if bit.coated or not LIMITS[quantity].of_coating)


def readings(records: Sequence[Record], bit: Bit, quantity: str) -> Readings:
    """Gather what a bit's rows say of one quantity.

    Doubtful rows count less (`wearscope.economics.curve.DOUBTFUL_WIDER`): there is a reason not to trust them, but an
    edge that is worn to a flat or broken is doubtful for that very reason. Rows below the detection limit count with
    their value and uncertainty.

    Parameters
    ----------
    records : sequence of Record
        Of one trial.
    bit : Bit
    quantity : str
        One that can end a life.

    Returns
    -------
    Readings
    """
    limit = LIMITS[quantity]
    rows = [
        row
        for row in records
        if row.bit == bit.name and row.parts and row.quantity == quantity and row.zone in limit.zones
    ]
    used = tuple(
        row for row in rows if row.status != "refused" and row.value is not None and row.std_uncertainty
    )
    # in whatever order they were logged
    used = tuple(sorted(used, key=lambda row: (row.parts, row.flute, row.view)))
    faces = [(row.flute, row.view if limit.by_face else "") for row in used]
    wearing = sorted(set(faces))
    points = None
    if used:
        new, u_new = _new_radius(records, bit) if quantity == _RADIUS else (0.0, 0.0)
        points = Points(
            np.array([row.parts for row in used], float),
            np.array([wearing.index(face) for face in faces]),
            np.array([row.value for row in used], float),
            np.array([row.std_uncertainty for row in used], float),
            new,
            u_new,
            limit.most,
            np.array([row.status == "doubtful" for row in used]),
        )
    return Readings(
        quantity,
        used[0].unit if used else "",
        used,
        sum(row.status == "doubtful" for row in rows),
        sum(row.status == "refused" for row in rows),
        points,
        tuple(flute for flute, _ in wearing),
    )


def _new_radius(records: Sequence[Record], bit: Bit) -> tuple[float, float]:
    """Edge radius when new and its uncertainty: measured, else stated, else the broad assumption."""
    rows = [
        (row.value, row.std_uncertainty)
        for row in records
        if row.bit == bit.name
        and row.quantity == _RADIUS
        and (row.zone == "unused" or (row.zone == "whole" and row.parts == 0))  # the latter in a profile view
        and row.status == "ok"
        and row.value is not None
        and row.std_uncertainty
    ]
    if rows:
        value, u = np.array(rows, float).T
        # all photos share what was assumed of it, so that their mean is no surer than the best of them
        return float(np.average(value, weights=u**-2)), float(u.min())
    if bit.r_unused_um is not None:
        return bit.r_unused_um, bit.u_r_unused_um
    return BROAD_RADIUS_UM
