"""What a trial is asked for by name, gathered once: thousands of photos ask for bit, scale and new state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar


class Named(Protocol):
    """A bit or a scale."""

    @property
    def name(self) -> str:
        """What it is asked for by."""


class OfAFlute(Protocol):
    """A photo."""

    @property
    def bit(self) -> str:
        """Name of its bit."""

    @property
    def flute(self) -> int:
        """Number of the flute."""

    @property
    def parts(self) -> int:
        """Parts cut until then."""

    @property
    def view(self) -> str:
        """Key of the view."""


BitT = TypeVar("BitT", bound=Named)
ScaleT = TypeVar("ScaleT", bound=Named)
PhotoT = TypeVar("PhotoT", bound=OfAFlute)


@dataclass(frozen=True, eq=False)
class Lookup(Generic[BitT, ScaleT, PhotoT]):
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

    of: tuple[Sequence[BitT], Sequence[ScaleT], Sequence[PhotoT]]
    bits: dict[str, BitT]
    scales: dict[str, ScaleT]
    photos: dict[str, tuple[PhotoT, ...]]
    new: dict[tuple[str, int, str], PhotoT]

    def holds(self, bits: Sequence[BitT], scales: Sequence[ScaleT], photos: Sequence[PhotoT]) -> bool:
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


def gathered(
    bits: Sequence[BitT], scales: Sequence[ScaleT], photos: Sequence[PhotoT]
) -> Lookup[BitT, ScaleT, PhotoT]:
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
    of_bit: dict[str, list[PhotoT]] = {}
    new: dict[tuple[str, int, str], PhotoT] = {}
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
