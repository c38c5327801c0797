"""In which order bits, flutes and checkpoints were photographed, told by the grinding marks of the flutes.

The marks of a flute stay as long as it is not reground. So of the orders in which somebody may have gone through the
trial, that one holds in which the photos said to be of one flute show the same marks, and no other.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from wearscope.errors import PhotoRefused
from wearscope.imaging.edge_search import edge_line, search_px
from wearscope.imaging.located_edge import follow_edge
from wearscope.imaging.photo import read_photo
from wearscope.imaging.prepared_photo import PhotoScale, block_side, prepare
from wearscope.imaging.registration import match_marks
from wearscope.light.strip import Strip
from wearscope.start.names import Place
from wearscope.start.seen import Seen

Order = Literal["bit, flute, checkpoint", "bit, checkpoint, flute", "checkpoint, bit, flute"]

ORDERS: tuple[Order, ...] = ("bit, checkpoint, flute", "checkpoint, bit, flute", "bit, flute, checkpoint")
"""Ways to go through a trial: what is named last changes from picture to picture. Bits come before their flutes."""

Verdict = Literal["same", "other", "unclear"]
Match = Callable[[int, int], Verdict]
"""Whether two pictures, by their positions, show the marks of one flute."""


def places_in(
    order: Order, bits: Sequence[str], flutes: Sequence[int], parts: Sequence[Sequence[int]]
) -> list[Place]:
    """Places of a trial in the order in which they were photographed.

    Parameters
    ----------
    order : str
        One of `ORDERS`.
    bits : sequence of str
    flutes : sequence of int
        Number of flutes of each bit.
    parts : sequence of sequence of int
        Of each bit: parts cut at each of its checkpoints.

    Returns
    -------
    list of Place

    Examples
    --------
    >>> [(one.flute, one.parts) for one in places_in("bit, flute, checkpoint", ["A"], [2], [[0, 50]])]
    [(1, 0), (1, 50), (2, 0), (2, 50)]
    """
    every = [
        Place(bit, flute, n)
        for bit, count, checkpoints in zip(bits, flutes, parts, strict=True)
        for n in checkpoints
        for flute in range(1, count + 1)
    ]
    of_bit = {bit: at for at, bit in enumerate(bits)}
    # as they were said where all bits have the same, which need not begin with the new state; else as they come
    alike = len({tuple(each) for each in parts}) == 1
    all_parts = parts[0] if alike else sorted({n for each in parts for n in each})
    of_part = {n: at for at, n in enumerate(all_parts)}
    keys: dict[Order, Callable[[Place], tuple[int, int, int]]] = {
        "bit, flute, checkpoint": lambda one: (of_bit[one.bit], one.flute, of_part[one.parts]),
        "bit, checkpoint, flute": lambda one: (of_bit[one.bit], of_part[one.parts], one.flute),
        "checkpoint, bit, flute": lambda one: (of_part[one.parts], of_bit[one.bit], one.flute),
    }
    return sorted(every, key=keys[order])


@dataclass(frozen=True)
class Told:
    """What the marks say of the orders.

    Attributes
    ----------
    order : str or None
        The one that they bear out; None where they do not decide.
    n_same, n_other : mapping
        For each order that was compared: how many pairs of photos, said to be of one flute, show the same marks,
        and how many show others.
    """

    order: Order | None
    n_same: Mapping[Order, int]
    n_other: Mapping[Order, int]

    @property
    def none_fits(self) -> bool:
        """Whether every order puts photos of different flutes together."""
        return self.order is None and all(self.n_other.values())


Layouts = Mapping[Order, Sequence[Place]]
"""Place of each picture, for each order that puts some picture elsewhere than the others do."""


def layouts(
    bits: Sequence[str],
    flutes: Sequence[int],
    parts: Sequence[Sequence[int]],
    missing: Collection[Place] = (),
    orders: Sequence[Order] = ORDERS,
) -> Layouts:
    """Places in every order that puts some picture elsewhere.

    Parameters
    ----------
    bits, flutes, parts
        As of `places_in`.
    missing : collection of Place
        Of which no photo was taken.
    orders : sequence of str
        Those that come into question.

    Returns
    -------
    mapping
        One alone where all orders come to the same.
    """
    seen: dict[tuple[Place, ...], Order] = {}
    for order in orders:
        places = (one for one in places_in(order, bits, flutes, parts) if one not in missing)
        seen.setdefault(tuple(places), order)
    return {order: places for places, order in seen.items()}


def order_told(match: Match, apart: Layouts) -> Told:
    """Find the order in which photos of one flute show the same marks.

    Parameters
    ----------
    match : callable
    apart : mapping
        As of `layouts`.

    Returns
    -------
    Told
    """
    orders = list(apart)
    if len(orders) == 1:
        return Told(orders[0], {}, {})
    n_same: dict[Order, int] = {}
    n_other: dict[Order, int] = {}
    for order in orders:
        verdicts = [match(*pair) for pair in pairs_of_one_flute(apart[order])]
        n_same[order], n_other[order] = verdicts.count("same"), verdicts.count("other")
    best = max(orders, key=lambda order: n_same[order] - n_other[order])
    borne_out = n_same[best] > 0 and not n_other[best]
    rivals = [order for order in orders if order != best]
    alone = all(n_other[order] or not n_same[order] for order in rivals)
    return Told(best if borne_out and alone else None, n_same, n_other)


def pairs_of_one_flute(places: Sequence[Place]) -> list[tuple[int, int]]:
    """Each later photo of a flute with the first one of that flute.

    Parameters
    ----------
    places : sequence of Place
        Of each picture.

    Returns
    -------
    list of (int, int)
        Positions of the first and of the later one.
    """
    first: dict[tuple[str, int], int] = {}
    pairs = []
    for at, place in enumerate(places):
        before = first.setdefault((place.bit, place.flute), at)
        if before != at:
            pairs.append((before, at))
    return pairs


def marks_of(pictures: Sequence[Seen], scales: Sequence[PhotoScale]) -> Match:
    """Compare the grinding marks of pictures; each edge is followed once, when it is first asked for.

    Parameters
    ----------
    pictures : sequence of Seen
    scales : sequence of PhotoScale
        Of each of them.

    Returns
    -------
    callable
    """
    strips: dict[int, Strip | None] = {}
    verdicts: dict[tuple[int, int], Verdict] = {}

    def strip(at: int) -> Strip | None:
        if at not in strips:
            strips[at] = _strip(pictures[at], scales[at])
        return strips[at]

    def match(one: int, other: int) -> Verdict:
        pair = min(one, other), max(one, other)
        if pair not in verdicts:
            new, now = strip(pair[0]), strip(pair[1])
            verdicts[pair] = "unclear" if new is None or now is None else match_marks(now, new).verdict
        return verdicts[pair]

    return match


def _strip(picture: Seen, scale: PhotoScale) -> Strip | None:
    """The picture straightened along its edge; None where no edge can be followed."""
    try:
        prepared = prepare(read_photo(picture.path), block_side(scale.um_per_px))
        return follow_edge(prepared, edge_line(prepared, search_px(prepared, scale)), scale).strip
    except PhotoRefused:
        return None
