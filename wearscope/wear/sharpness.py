"""How sharp the edge is in the photo."""

from __future__ import annotations

import numpy as np

from wearscope.light.edge_light import LightFit
from wearscope.metrology.findings import Finding, found
from wearscope.metrology.uncertainty import Input, Measurement, propagate
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.measured import scale_error

# Times what is finest near the edge, from which a fitted blur is that of a ragged edge and not of the photo: at most
# 1.8 on rendered edges, soft and shaken ones too, up to 9 on worn edges of real flanks
SOFTER = 2.0
# And from which the photo is softer than the edge is said to be: at least 0.84 on path-traced edges, in focus and out
# of it, 0.32 to 0.58 where the slope of an edge smeared by 9 pixels was taken for a face that grows bright
SHAKEN = 0.7
# Pixels of what is finest, below which nothing is smeared, however sharp the fit takes the edge for: at most 2.1 on
# photos of real inserts that the eye sees sharp, 2.6 and more where edges were smeared by 9 pixels
SMEARED_PX = 2.3
U_BLUR_SHARE = 0.15  # of the blur: a point spread is no Gaussian; chosen, no source

# Of a microscope's picture, as a Gaussian sigma: 0.21 times the wavelength over the numerical aperture (B. Zhang, J.
# Zerubia, J.-C. Olivo-Marin, Applied Optics 46 (2007), from memory) is 0.2 µm at 0.55 in green light
SHARPEST_UM = 0.2


def blur_doubts(blur_um: float) -> tuple[Reason, ...]:
    """Why a scale that makes an edge so sharp is in doubt.

    Parameters
    ----------
    blur_um : float
        Of the edge, as the Gaussian sigma.

    Returns
    -------
    tuple of Reason
        Empty where light allows it.
    """
    return (reason("sharper-than-light", blur_um=blur_um),) if blur_um < SHARPEST_UM else ()


def shaken(blur_um: float, finest_um: float, um_per_px: float) -> bool:
    """Whether a photo is softer than its edge is said to be, as when the microscope moved.

    Parameters
    ----------
    blur_um : float
        Fitted, as the Gaussian sigma.
    finest_um : float
        Width of the finest change of light near the edge, as the same sigma.
    um_per_px : float

    Returns
    -------
    bool
        False where nothing was seen to change.
    """
    smeared = SMEARED_PX * um_per_px < finest_um < np.inf
    return bool(smeared) and blur_um < SHAKEN * finest_um


def sharpness_finding(
    fit: LightFit, finest_um: float, u_scale: float, remark: Reason, method: str
) -> Finding:
    """Blur of the edge as the Gaussian sigma, fitted along with the light across it.

    Parameters
    ----------
    fit : LightFit
        Of an edge that has not cut, where there is one.
    finest_um : float
        Width of the finest change of light near the edge, as the same sigma: the photo is no softer.
    u_scale : float
        Relative standard uncertainty of the scale.
    remark : Reason
        What else is seen of the light.
    method : str

    Returns
    -------
    Finding
    """
    fitted = Input("blur across the edge", fit.blur_um, U_BLUR_SHARE * fit.blur_um)
    blur = propagate(Measurement(np.multiply, (fitted, scale_error(u_scale))))
    doubts = [reason("light-unlike-an-edge")] if fit.blur_um > SOFTER * finest_um else []
    return found("sharpness", "whole", blur.value, blur, method, doubts=doubts, remarks=[remark])
