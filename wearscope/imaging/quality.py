"""Whether a photo can carry a measurement, and what to change if it cannot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from wearscope.light.strip import Strip, grey

CLIPPED = 0.995
WORST_BLUR_UM = 20.0
WORST_BLUR_PX = 4.5  # at 5 pixels a reference edge has been found 12 µm off, at 4.2 none by 2.1 µm
MOST_CLIPPED = 0.3
LEAST_CONTRAST = 0.06  # at 0.05 a trace has been seen 90 µm off, at 0.09 none


@dataclass(frozen=True)
class Quality:
    """How good a photo is along its edge.

    Attributes
    ----------
    clipped_share : float
        Of the 100 µm along the edge, the share burnt out.
    contrast : float
        Largest difference of light between background and face, in any channel, over their sum.
    background : {"dark", "bright", "mixed"}
        What lies behind the edge.
    """

    clipped_share: float
    contrast: float
    background: Literal["dark", "bright", "mixed"]


def strip_quality(strip: Strip) -> Quality:
    """Judge a strip whose edge lies at d = 0."""
    d = strip.d_um
    # every third place along the edge tells what all are like
    near = strip.light[(d > 0) & (d < 100.0), ::3]
    seen = np.isfinite(near[..., 0])
    clipped = (near >= CLIPPED).any(axis=2) & seen
    behind = strip.light[(d > -110.0) & (d < -30.0), ::3]
    face = strip.light[(d > 40.0) & (d < 200.0), ::3]
    background, tool = (np.nanmean(part.reshape(-1, 3), axis=0) for part in (behind, face))
    contrast = float(np.max(np.abs(tool - background) / (tool + background + 1e-3)))
    light = grey(behind)
    columns = light[:, np.isfinite(light).all(axis=0)].mean(axis=0)
    uneven = len(columns) > 8 and float(columns.std() / (columns.mean() + 1e-3)) > 0.25
    level = float(background.mean())
    kind: Literal["dark", "bright", "mixed"] = "dark" if level < 0.12 else "bright"
    if uneven and level >= 0.06:
        kind = "mixed"
    return Quality(float(clipped.sum() / max(int(seen.sum()), 1)), contrast, kind)


def refusal(quality: Quality, blur_um: float, um_per_px: float) -> tuple[str, str] | None:
    """What is wrong with a photo as a whole and what to do about it, or None."""
    if blur_um > max(WORST_BLUR_UM, 1.5 * um_per_px) or blur_um > WORST_BLUR_PX * um_per_px:
        return (
            f"the edge is out of focus (blur {blur_um:.0f} µm, {blur_um / um_per_px:.1f} pixels)",
            "focus on the cutting edge, steady the microscope, and take it again",
        )
    if quality.clipped_share > MOST_CLIPPED:
        return (
            f"{quality.clipped_share:.0%} of the edge is burnt out by glare",
            "dim the lamp or shorten the exposure, put a diffuser over the lamp, and take it again",
        )
    if quality.contrast < LEAST_CONTRAST:
        return (
            "the tool hardly stands out from what is behind it",
            "put a plain white card behind the flute and take it again",
        )
    return None
