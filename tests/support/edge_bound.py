"""How near the edge line comes to the Cramér-Rao bound on clean straight edges.

The strip is made directly, so that its noise is white as the bound takes it (`pictures.edge_bound_px`).
"""

from __future__ import annotations

import numpy as np
from pictures import GOLD, edge_bound_px
from scipy.special import ndtr

from wearscope.light.strip import Strip
from wearscope.wear.trace import MATCH_COLUMNS, matched_trace, trace_edge

COLUMNS, PITCH_UM = 4000, 3.5
D_UM = np.arange(-45, 60) * PITCH_UM


def ratio_to_bound(background, blur_px: float, noise: float, seed: int = 0) -> tuple[float, float]:
    """Scatter of the edge line over the bound, windows of `MATCH_COLUMNS` apart, and its own standard error."""
    contrast = float(np.hypot.reduce(np.subtract(GOLD, background)))
    inside = ndtr((D_UM - 1.3) / (blur_px * PITCH_UM))[:, None, None]
    light = np.array(background) * (1 - inside) + np.array(GOLD) * inside
    light = light + np.random.default_rng(seed).normal(0.0, noise, (len(D_UM), COLUMNS, 3))
    strip = Strip(light.astype(np.float32), np.arange(COLUMNS) * PITCH_UM, D_UM, PITCH_UM)
    trace_um = matched_trace(strip, trace_edge(strip, (-60.0, 60.0)).d_um, np.ones(COLUMNS, bool))
    windows = trace_um[MATCH_COLUMNS // 2 :: MATCH_COLUMNS][3:-3]
    bound_um = edge_bound_px(blur_px, noise / contrast, rows=MATCH_COLUMNS) * PITCH_UM
    ratio = float(np.std(windows, ddof=1)) / bound_um
    return ratio, ratio / np.sqrt(2 * len(windows))
