"""What a trial is asked for by name, gathered once: thousands of photos ask for bit, scale and new state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wearscope.trial.entries import Bit, PhotoEntry, ScaleEntry


@dataclass(frozen=True, eq=False)
class Lookup:
    """Entries of a trial by what they are asked for.

    Attributes
    ----------
    of : tuple
        Bits, scales and photos that it was gathered from.
    bits : dict
        By name.
    scales : dict
        By name.
    photos : dict
        Of each bit, in the order of the trial.
    new : dict
        The first photo at parts = 0, by bit, flute and view.
    """

    of: tuple[Sequence[Bit], Sequence[ScaleEntry], Sequence[PhotoEntry]]
    bits: dict[str, Bit]
    scales: dict[str, ScaleEntry]
    photos: dict[str, tuple[PhotoEntry, ...]]
    new: dict[tuple[str, int, str], PhotoEntry]

    def holds(self, bits: Sequence[Bit], scales: Sequence[ScaleEntry], photos: Sequence[PhotoEntry]) -> bool:
        """Whether it was gathered from just these.

        Parameters
        ----------
        bits : sequence of Bit
        scales : sequence of ScaleEntry
        photos : sequence of PhotoEntry

        Returns
        -------
        bool
        """
        return all(one is other for one, other in zip(self.of, (bits, scales, photos), strict=True))


def gathered(bits: Sequence[Bit], scales: Sequence[ScaleEntry], photos: Sequence[PhotoEntry]) -> Lookup:
    """Gather entries by what they are asked for.

    Parameters
    ----------
    bits : sequence of Bit
    scales : sequence of ScaleEntry
    photos : sequence of PhotoEntry

    Returns
    -------
    Lookup
    """
    of_bit: dict[str, list[PhotoEntry]] = {}
    new: dict[tuple[str, int, str], PhotoEntry] = {}
    for photo in photos:
        of_bit.setdefault(photo.bit, []).append(photo)
        if photo.parts == 0:
            new.setdefault((photo.bit, photo.flute, photo.view), photo)
    return Lookup(
        (bits, scales, photos),
        {bit.name: bit for bit in bits},
        {scale.name: scale for scale in scales},
        {bit: tuple(of) for bit, of in of_bit.items()},
        new,
    )
