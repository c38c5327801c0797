"""Drawn faces with a flat of known width beside the used edge."""

from __future__ import annotations

import numpy as np
from faces import FACE, S_UM, labels_with_transition
from scipy.ndimage import gaussian_filter1d

from wearscope.wear.wear_land import Scene

USED_EDGE = S_UM < 0
RECESSION_UM, RADIUS_UM, BLUR_UM = 18.0, 20.0, 4.5
SILHOUETTE = np.where(USED_EDGE, RECESSION_UM, 0.0)
COATING, BARE = FACE * [1.3, 1.0, 0.5], FACE


def wavy(mean_um, ragged_um=0.0, seed=3):
    rng = np.random.default_rng(seed)
    slow = gaussian_filter1d(rng.standard_normal(len(S_UM)), 50.0, mode="wrap")
    fine = gaussian_filter1d(rng.standard_normal(len(S_UM)), 8.0, mode="wrap")
    return mean_um + 0.06 * mean_um * slow / slow.std() + ragged_um * fine / fine.std()


def ends(width_um, **more):
    """Inner end of a flat of that width where the edge is used, outside the frame elsewhere."""
    return np.where(USED_EDGE, wavy(width_um, **more), -1e3)


def scene(strip, **more) -> Scene:
    known = {
        "strip": strip,
        "silhouette_um": SILHOUETTE,
        "labels": labels_with_transition(),
        "radius_um": RADIUS_UM,
        "blur_um": BLUR_UM,
        "original_um": 0.0,
        "u_original_um": 0.5,
        "u_datum_um": np.full(len(S_UM), 0.8),
        "u_scale": 5e-4,
        "tilt": 0.0,
        "u_tilt": 0.026,
        "transition_um": 0.0,
        "used_side": -1,
        "coated": False,
        "bare": None,
        "new": None,
    }
    return Scene(**{**known, **more})
