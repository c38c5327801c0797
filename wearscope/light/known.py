"""What is known of an edge before its light is looked at: estimates, and the wedge that ties two of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.light.parameters import LightParameters
from wearscope.metrology.uncertainty import Budget, Estimate

Array = NDArray[np.float64]

# Ground and polished metals scatter with tails about as long as the Trowbridge-Reitz lobe's, 0.5: Walter et al. as
# above, and B. Burley, "Physically based shading at Disney", SIGGRAPH course notes 2012, from memory.
LOBE_TAIL = (0.45, 0.15)
BROAD_RADIUS_UM = (6.0, 3.0)  # ground or coated carbide when new: machining literature, from memory
DARKEST = 1e-3  # light below which a tint says nothing; chosen, no source


@dataclass(frozen=True)
class LightPrior:
    """What is known of an edge before its light is looked at: estimate and standard uncertainty of each.

    Lengths in µm, angles in radians.

    Attributes
    ----------
    line_um : (float, float)
        Where the lamp's image is, r (1 - sin(θ/2)) inside the silhouette: what the eye sees, and so the best place to
        start from.
    radius_um, ring_angle, blur_um : (float, float)
    roughness, tail : (float, float)
        Of the lobe.
    tint : ndarray, shape (3,)
        Light of the arc's own material facing the camera; its two ratios are fitted.
    u_log_tint : float
        Of the logarithms of these ratios.
    zone : str
        Which edge it is.
    radius_known : bool
        Tells a radius known beforehand from one guessed from the very light that is fitted.
    """

    line_um: tuple[float, float]
    radius_um: tuple[float, float]
    ring_angle: tuple[float, float]
    roughness: tuple[float, float]
    blur_um: tuple[float, float]
    tint: Array
    u_log_tint: float
    tail: tuple[float, float] = LOBE_TAIL
    zone: str = "used"
    radius_known: bool = False

    def means(self) -> LightParameters:
        """Estimates by name.

        Returns
        -------
        LightParameters
        """
        log_tint = np.log(np.maximum(self.tint, DARKEST))
        tints = float(log_tint[0] - log_tint[1]), float(log_tint[2] - log_tint[1])
        return self._stated(0, *tints)

    def uncertainties(self) -> LightParameters:
        """Standard uncertainties by name.

        Returns
        -------
        LightParameters
        """
        return self._stated(1, self.u_log_tint, self.u_log_tint)

    def _stated(self, which: int, red_tint: float, blue_tint: float) -> LightParameters:
        return LightParameters(
            line_um=self.line_um[which],
            radius_um=self.radius_um[which],
            ring_angle=self.ring_angle[which],
            roughness=self.roughness[which],
            blur_um=self.blur_um[which],
            tail=self.tail[which],
            red_tint=red_tint,
            blue_tint=blue_tint,
        )


@dataclass(frozen=True)
class WedgeTie:
    """What the wedge says of silhouette and radius together: both start from the unused edge.

    The silhouette lies (r - r₀) · factor inside the unused one, factor = cot(β/2) cos τ - sin τ - 1.

    Attributes
    ----------
    silhouette, radius : Budget
        Of the unused edge, µm; the silhouette as drawn on under the used one.
    factor : Budget
        From wedge angle and view tilt.
    """

    silhouette: Budget
    radius: Budget
    factor: Budget

    def u_um(self, radius_um: float | Array) -> Array:
        """Standard uncertainty of the tie at a radius.

        Parameters
        ----------
        radius_um : float or ndarray

        Returns
        -------
        ndarray
        """
        grown_um = radius_um - self.radius.value
        return np.asarray(
            np.sqrt(
                self.silhouette.u**2
                + (self.factor.value * self.radius.u) ** 2
                + (grown_um * self.factor.u) ** 2
            )
        )

    def residual(self, silhouette_um: float | Array, radius_um: float | Array) -> Array:
        """Departure of a silhouette and radius from the tie, over its standard uncertainty.

        Parameters
        ----------
        silhouette_um : float or ndarray
        radius_um : float or ndarray

        Returns
        -------
        ndarray
        """
        expected_um = self.silhouette.value + (radius_um - self.radius.value) * self.factor.value
        return np.asarray((silhouette_um - expected_um) / self.u_um(radius_um))

    def parts(self, radius_um: float) -> list[tuple[float, Estimate]]:
        """Sensitivities of where the tie puts the silhouette, and to what.

        Parameters
        ----------
        radius_um : float

        Returns
        -------
        list of (float, Input or Budget)
        """
        grown_um = radius_um - self.radius.value
        return [(1.0, self.silhouette), (-self.factor.value, self.radius), (grown_um, self.factor)]
