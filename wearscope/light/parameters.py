"""The parameters of the models of light by name, and as the vector that a solver moves: one order, kept here."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Packed:
    """A dataclass of numbers that a solver sees as a vector, in the order of its fields."""

    def packed(self) -> Array:
        """The numbers as a vector, shape (K,).

        Returns
        -------
        ndarray, shape (K,)
        """
        return np.array([getattr(self, name) for name in self.__dataclass_fields__])  # type: ignore[attr-defined]

    @classmethod
    def unpacked(cls, vector: Array) -> Self:
        """The numbers of a vector, shape (K,), by name.

        Parameters
        ----------
        vector : ndarray, shape (K,)

        Returns
        -------
        Packed
        """
        return cls(*vector.tolist())


@dataclass(frozen=True)
class LightParameters(Packed):
    """What the light across an edge depends on, besides the strengths of its parts.

    Attributes
    ----------
    line_um : float
        Depth of the nominal bright line, r (1 - sin(θ/2)) inside the silhouette.
    radius_um : float
    ring_angle : float
        θ, from the view axis to the lamps, radians.
    roughness : float
        Root-mean-square slope parameter of the lobe.
    blur_um : float
        Gaussian sigma.
    tail : float
        Of the lobe.
    red_tint, blue_tint : float
        Logarithm of the arc's own red and blue light over its green.
    """

    line_um: float
    radius_um: float
    ring_angle: float
    roughness: float
    blur_um: float
    tail: float
    red_tint: float = 0.0
    blue_tint: float = 0.0

    @property
    def lever(self) -> float:
        """Distance from the silhouette to the bright line, in radii: 1 - sin(θ/2)."""
        return float(1.0 - np.sin(self.ring_angle / 2.0))

    @property
    def silhouette_um(self) -> float:
        """Depth of the silhouette."""
        return self.line_um - self.radius_um * self.lever

    @property
    def silhouette_slopes(self) -> Array:
        """Change of the silhouette's depth with each parameter, shape (8,)."""
        by_ring = 0.5 * self.radius_um * float(np.cos(self.ring_angle / 2.0))
        return LightParameters(1.0, -self.lever, by_ring, 0.0, 0.0, 0.0).packed()


AT = {field.name: place for place, field in enumerate(fields(LightParameters))}
"""Place of each of `LightParameters` in the vector."""
SHAPES = AT["red_tint"]
"""How many of them, the first ones, say how the light is spread over the edge; the others are tints."""
