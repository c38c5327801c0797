"""How well a photo lies on the new-state photo of the same flute."""

from __future__ import annotations

import numpy as np

from wearscope.metrology.findings import Finding, found, refused
from wearscope.metrology.uncertainty import Input, linear
from wearscope.quantities.reasons import reason

SHARE_OF_RESIDUAL, LEAST_U_UM = 0.1, 0.05  # of its standard uncertainty; common practice, no source


def residual_finding(residual_um: float, method: str, *, compared: bool, by_marks: bool) -> Finding:
    """What is left between the edge and the new-state edge where nothing has worn.

    Parameters
    ----------
    residual_um : float
        Root mean square over the unused zone.
    method : str
    compared : bool
        Whether there is a new-state photo.
    by_marks : bool
        Whether grind marks have placed the photos along the edge.

    Returns
    -------
    Finding
    """
    if not compared:
        return refused("registration_residual", "whole", reason("no-new-state-photo"), method)
    remarks = () if by_marks else (reason("faint-marks"),)
    u_um = float(np.hypot(SHARE_OF_RESIDUAL * residual_um, LEAST_U_UM))
    residual = linear(residual_um, [(1.0, Input("scatter of the trace", 0.0, u_um))])
    return found("registration_residual", "whole", residual_um, residual, method, remarks=remarks)
