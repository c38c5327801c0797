"""How sharp the edge is in the photo."""

from __future__ import annotations

import numpy as np

from wearscope.light.edge_light import LightFit
from wearscope.metrology.findings import Finding, found
from wearscope.metrology.uncertainty import Input, Measurement, propagate
from wearscope.quantities.reasons import Reason
from wearscope.wear.measured import scale_error

U_BLUR_SHARE = 0.15  # of the blur: a point spread is no Gaussian; chosen, no source


def sharpness_finding(fit: LightFit, u_scale: float, remark: Reason, method: str) -> Finding:
    """Blur of the edge as the Gaussian sigma, fitted along with the light across it.

    Parameters
    ----------
    fit : LightFit
        Of an edge that has not cut, where there is one.
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
    return found("sharpness", "whole", blur.value, blur, method, remarks=[remark])
