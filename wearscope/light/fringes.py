"""Fringes of colour that are left across an edge: a camera's noise reduction keeps those of strong edges alone.

Red and blue are laid over green for the whole picture before anything is measured (`imaging.channels`). Noise
reduction that smooths colour takes the fringes off faint detail, by which most of that shift is found, and leaves
them along strong edges. There the fit of the light shows them: what it leaves over in red and in blue is a shift.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.light.projection import Observed

Array = NDArray[np.float64]

# Of the blur: smaller fringes are lost in what the model misses, 0.06 at most on pictures without any; larger ones
# are no longer a small shift of one light
LEAST, MOST = 0.1, 1.0
SETTLED = 0.01  # of the blur
SURE = 2.0  # standard uncertainties; the squared residuals decide beside it
SEEN = 0.1  # of what green shows of the edge, by its squared slopes: a channel that shows less says nothing; chosen
EXPLAINS = (
    0.5  # of the squared residuals that may be left; 0.7 are where JPEG alone looks like fringes; chosen
)
# Weights of red and blue in brightness (Rec. ITU-R BT.601), which is what is left where colour was smoothed away
OF_BRIGHTNESS = np.array([0.299, 0.114])


@dataclass(frozen=True)
class Fringes:
    """How much deeper red and blue lie than green, µm.

    Attributes
    ----------
    red_um, blue_um : float
    """

    red_um: float = 0.0
    blue_um: float = 0.0

    def within(self, limit_um: float) -> bool:
        """Whether neither is larger than a limit.

        Parameters
        ----------
        limit_um : float

        Returns
        -------
        bool
        """
        return max(abs(self.red_um), abs(self.blue_um)) <= limit_um

    def __add__(self, other: Fringes) -> Fringes:
        return Fringes(self.red_um + other.red_um, self.blue_um + other.blue_um)

    @property
    def u_place_um(self) -> float:
        """Standard uncertainty of a place across the edge: of two edges one may show fringes and one be without."""
        moved_um = OF_BRIGHTNESS @ np.abs([self.red_um, self.blue_um])
        return float(moved_um / np.sqrt(3.0))


def fringes(
    observed: Observed, residuals: Array, scatter_of: Callable[[Array], float]
) -> tuple[Fringes, Fringes]:
    """The shift of red and blue against green that a fit of all channels at once has left over.

    It is less than all of it, for the fit has moved towards each channel: what is still left shows in the next fit.

    Parameters
    ----------
    observed : Observed
    residuals : ndarray, shape (D, 3)
        Model less light, over its standard uncertainty; 0 where the light is not known.
    scatter_of : callable
        How large the light's errors are over what was assumed of them, by what is left over.

    Returns
    -------
    shift : Fringes
        0 for a channel that hardly shows the edge.
    u_shift : Fringes
        Its standard uncertainties.
    """
    model = observed.light + residuals * observed.u_light
    slopes = np.gradient(model, observed.d_um, axis=0) / observed.u_light
    power = np.maximum((slopes**2).sum(axis=0), 1e-12)
    deeper_um = (slopes * residuals).sum(axis=0) / power
    u_um = scatter_of(residuals - slopes * deeper_um) / np.sqrt(power)
    shows = power > SEEN * power[1]
    red_um, _, blue_um = np.where(shows, deeper_um - deeper_um[1], 0.0)
    u_red_um, _, u_blue_um = np.hypot(u_um, u_um[1])
    return Fringes(float(red_um), float(blue_um)), Fringes(float(u_red_um), float(u_blue_um))


def shown(shift: Fringes, u_shift: Fringes, blur_um: float) -> bool:
    """Whether what a fit has left over is a shift of red or blue.

    Parameters
    ----------
    shift, u_shift : Fringes
        As from `fringes`.
    blur_um : float

    Returns
    -------
    bool
    """
    both = ((shift.red_um, u_shift.red_um), (shift.blue_um, u_shift.blue_um))
    return any(abs(one) > max(LEAST * blur_um, SURE * u) for one, u in both) and shift.within(MOST * blur_um)


def without_fringes(d_um: Array, light: Array, taken: Fringes) -> Array:
    """Light with red and blue brought to where green is.

    Parameters
    ----------
    d_um : ndarray, shape (D,)
    light : ndarray, shape (D, 3)
    taken : Fringes

    Returns
    -------
    ndarray, shape (D, 3)
    """
    from scipy.interpolate import CubicSpline  # here, for hardly a photo needs it

    moved = light.copy()
    for channel, shift_um in ((0, taken.red_um), (2, taken.blue_um)):
        if shift_um:
            at_um = np.clip(d_um + shift_um, d_um[0], d_um[-1])
            moved[:, channel] = CubicSpline(d_um, light[:, channel])(at_um)
    return moved
