"""Chips and breaks: what ends the life of a bit at once, whatever its wear curve says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from wearscope.economics.curve import DOUBTFUL_WIDER, Array
from wearscope.log.records import Record
from wearscope.quantities.quantity import LIMITS
from wearscope.quantities.reasons import reasons_in
from wearscope.trial import Bit, Life

DOUBTFUL_CHIP = 0.5
"""Probability that what is doubtful is a chip at all: a gap between two beads of resin looks like one, and light that
is too diffuse like a break. Chosen, no source."""
CHIP = "chip_depth_max"
BREAK = "edge_recession"
_BROKEN = "no-lamp-mirrored"  # reason of a row of `BREAK` that an edge which is broken off has
_MAY_BE = 2.0  # standard uncertainties below the limit from which a chip may be too deep


@dataclass(frozen=True)
class Ending:
    """A chip or a break that is, or may be, deep enough to end the life of a bit.

    Attributes
    ----------
    quantity : str
        `CHIP`, or `BREAK` where the edge seems to be broken off.
    flute : int
    after, parts : int
        Parts at the last checkpoint before, where the flute had none; and where it was first seen.
    depth_um, u_um : float
        How deep it is.
    limit_um, u_limit_um : float
        The limit of ``[life]``.
    doubtful : bool
        Whether it may be none.
    """

    quantity: str
    flute: int
    after: int
    parts: int
    depth_um: float
    u_um: float
    limit_um: float
    u_limit_um: float
    doubtful: bool


def endings(records: Sequence[Record], life: Life, bit: Bit) -> tuple[Ending, ...]:
    """Find the chips and breaks that end the life of a bit.

    Parameters
    ----------
    records : sequence of Record
        Of one trial.
    life : Life
    bit : Bit

    Returns
    -------
    tuple of Ending
        The first of each flute, in the order of the flutes.
    """
    limit = life.limit_of(CHIP)
    if limit is None:
        return ()
    u_limit = life.u_of(CHIP)
    rows = [row for row in records if row.bit == bit.name and row.parts and row.status != "refused"]
    looked = [row for row in rows if row.quantity == CHIP and row.zone in LIMITS[CHIP].zones]
    seen = [row for row in looked if row.value is not None]
    seen += [row for row in rows if row.quantity == BREAK and row.value is not None and _is_broken(row)]
    found: dict[int, Ending] = {}
    for row in sorted(seen, key=lambda row: (row.parts, row.quantity)):
        doubtful = row.status == "doubtful"
        u = (row.std_uncertainty or 0.0) * (DOUBTFUL_WIDER if doubtful else 1.0)
        depth = row.value or 0.0
        if depth < limit - _MAY_BE * float(np.hypot(u, u_limit)):
            continue
        before = [each.parts for each in looked if each.flute == row.flute and each.parts < row.parts]
        one = Ending(
            row.quantity, row.flute, max(before, default=0), row.parts, depth, u, limit, u_limit, doubtful
        )
        known = found.get(row.flute)
        if known is None or (known.doubtful and not doubtful):
            found[row.flute] = one
    return tuple(found[flute] for flute in sorted(found))


def _is_broken(row: Record) -> bool:
    return any(why.code == _BROKEN for why in reasons_in(row.reasons))


def end_draws(found: Sequence[Ending], n: int, rng: np.random.Generator) -> Array:
    """Draw the parts at which the first of some endings came; it may have come at any time since the last look.

    Parameters
    ----------
    found : sequence of Ending
    n : int
    rng : Generator

    Returns
    -------
    ndarray, shape (n,)
        Infinite in draws in which none is deep enough, or none a chip.
    """
    first = np.full(n, inf)
    for one in found:
        too_deep = one.depth_um + np.hypot(one.u_um, one.u_limit_um) * rng.standard_normal(n) >= one.limit_um
        if one.doubtful:
            too_deep &= rng.uniform(size=n) < DOUBTFUL_CHIP
        first = np.minimum(first, np.where(too_deep, rng.uniform(one.after, one.parts, n), inf))
    return first
