"""Drawn faces with a flat of known width beside the used edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from faces import FACE, S_UM, labels_with_transition
from measured import light_fit, measured
from scipy.ndimage import gaussian_filter1d

from wearscope.wear.measured import MeasuredStrip

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


def scene(strip, *, silhouette_um=SILHOUETTE, radius_um=RADIUS_UM, u_datum_um=0.8, **more) -> MeasuredStrip:
    """A strip with such a flat, measured; the keywords are those of `measured`."""
    fits = {
        "used": light_fit("used", RECESSION_UM, radius_um, blur_um=BLUR_UM),
        "unused": light_fit("unused", 0.0, 6.0, blur_um=BLUR_UM),
    }
    seen = measured(strip, labels_with_transition(), silhouette_um, **{**fits, **more})
    errors_um = np.broadcast_to(u_datum_um, S_UM.shape)[:, None]
    return replace(seen, datum=replace(seen.datum, errors_um=errors_um))
