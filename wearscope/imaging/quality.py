"""Whether a photo can carry a measurement, and what to change if it cannot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from wearscope.light.clipping import CLIPPED
from wearscope.light.strip import Strip, grey

WORST_BLUR_UM = 20.0  # as much as an edge radius that matters; chosen, no source
WORST_BLUR_PX = 4.5  # at 5 pixels a reference edge has been found 12 µm off, at 4.2 none by 2.1 µm
COARSE_PX = 1.5  # pixels of blur that any camera has, which is no fault of the focus where they are large
# Share of the worst blur, below which what is seen near the edge is in focus, whatever a model of its light says:
# at most 0.34 on four ragged real edges that the model takes for soft, 0.74 and more on path-traced ones out of focus
IN_FOCUS, DETAIL_PX = 0.5, 6.0
MOST_CLIPPED = 0.3  # of the edge: the rest of it no longer stands for the whole; chosen, no source
LEAST_CONTRAST = 0.06  # at 0.05 a trace has been seen 90 µm off, at 0.09 none
EVERY = 3  # places along the edge: they tell what all are like
# Where the levels are read, clear of the widest blur and of wear: depths in µm
NEAR_EDGE_UM = (-30.0, 100.0)
ALONG_EDGE_UM, BEHIND_UM, FACE_UM = (0.0, 100.0), (-110.0, -30.0), (40.0, 200.0)
UNEVEN = 0.25  # standard deviation along the edge over the mean: no card is that uneven; chosen, no source
UNEVEN_FROM = 0.06  # of full light: below it unevenness is noise
DARK_BELOW = 0.12  # of full light; chosen, no source


@dataclass(frozen=True)
class Quality:
    """How good a photo is along its edge.

    Attributes
    ----------
    clipped_share : float
        Of the 100 µm along the edge, the share burnt out.
    contrast : float
        Largest difference of light between background and face, in any channel, over their sum; NaN where the frame
        shows nothing of one of them.
    background : {"dark", "bright", "mixed"}
        What lies behind the edge.
    finest_um : float
        Width of the steepest change of light near the edge, as the sigma of a Gaussian that blurs a step so; median
        along the edge, infinite where nothing is seen.
    """

    clipped_share: float
    contrast: float
    background: Literal["dark", "bright", "mixed"]
    finest_um: float


def strip_quality(strip: Strip) -> Quality:
    """Judge a strip whose edge lies at d = 0.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    Quality
    """
    d = strip.d_um
    near, behind, face = (
        strip.light[(d > first) & (d < last), ::EVERY] for first, last in (ALONG_EDGE_UM, BEHIND_UM, FACE_UM)
    )
    seen = np.isfinite(near[..., 0])
    clipped = (near >= CLIPPED).any(axis=2) & seen
    background, tool = _level(behind), _level(face)
    contrast = float(np.max(np.abs(tool - background) / (tool + background + 1e-3)))
    light = grey(behind)
    columns = light[:, np.isfinite(light).all(axis=0)].mean(axis=0)
    uneven = len(columns) > 8 and float(columns.std() / (columns.mean() + 1e-3)) > UNEVEN
    level = float(background.mean())
    kind: Literal["dark", "bright", "mixed"] = "dark" if level < DARK_BELOW else "bright"
    if uneven and level >= UNEVEN_FROM:
        kind = "mixed"
    share = float(clipped.sum() / max(int(seen.sum()), 1))
    return Quality(share, contrast, kind, _finest_um(strip.between(*NEAR_EDGE_UM)))


def _level(part: NDArray[np.float32]) -> NDArray[np.float64]:
    """Mean light of what is seen of a part of a strip, shape (3,); NaN where the frame shows nothing of it."""
    seen = part[np.isfinite(part[..., 0])]
    return np.asarray(seen.mean(axis=0), np.float64) if len(seen) else np.full(3, np.nan)


def _finest_um(strip: Strip) -> float:
    """Width of the steepest change of light across a strip, the median of its columns."""
    step_um = float(strip.d_um[1] - strip.d_um[0])
    light = cv2.blur(np.asarray(grey(strip.light), np.float64), (EVERY, 1))[:, ::EVERY]
    light = light[:, np.isfinite(light).all(axis=0)]
    slope = np.abs(np.gradient(light, step_um, axis=0))
    size = 2 * round(DETAIL_PX * strip.um_per_px / step_um) + 1
    heights = maximum_filter1d(light, size, axis=0) - minimum_filter1d(light, size, axis=0)
    at = slope.argmax(axis=0), np.arange(light.shape[1])
    # a step blurred by a Gaussian is steepest in its middle, by its height over the root of 2 pi sigma
    changes = slope[at] > 0.0
    widths_um = heights[at][changes] / (np.sqrt(2.0 * np.pi) * slope[at][changes])
    return float(np.median(widths_um)) if len(widths_um) else float("inf")


def _worst_blur_um(um_per_px: float) -> float:
    return min(max(WORST_BLUR_UM, COARSE_PX * um_per_px), WORST_BLUR_PX * um_per_px)


def softer_than_photo(quality: Quality, blur_um: float, um_per_px: float) -> bool:
    """Whether the light across an edge is soft and the photo is not: then the edge is ragged, and not as modelled.

    Parameters
    ----------
    quality : Quality
    blur_um : float
        Of the edge, as the Gaussian sigma.
    um_per_px : float

    Returns
    -------
    bool
    """
    worst_um = _worst_blur_um(um_per_px)
    return blur_um > worst_um and quality.finest_um < IN_FOCUS * worst_um


def refusal(quality: Quality, blur_um: float, um_per_px: float) -> tuple[str, str, str] | None:
    """Say what is wrong with a photo as a whole.

    Parameters
    ----------
    quality : Quality
    blur_um : float
        Of the edge, as the Gaussian sigma.
    um_per_px : float

    Returns
    -------
    (what, cure, code) or None
        As of `wearscope.errors.PhotoRefused`, the file not named.
    """
    if blur_um > _worst_blur_um(um_per_px) and not softer_than_photo(quality, blur_um, um_per_px):
        return (
            f"the edge is out of focus (blur {blur_um:.0f} µm, {blur_um / um_per_px:.1f} pixels)",
            "focus on the cutting edge, steady the microscope, and take it again",
            "out-of-focus",
        )
    if quality.clipped_share > MOST_CLIPPED:
        return (
            f"{quality.clipped_share:.0%} of the edge is burnt out by glare",
            "dim the lamp or shorten the exposure, put a diffuser over the lamp, and take it again",
            "burnt-out",
        )
    if np.isnan(quality.contrast):
        return (
            "too little is in the frame on one side of what looks like the edge",
            "leave room on both sides of the cutting edge, or mark it with edge_near",
            "edge-at-frame",
        )
    if quality.contrast < LEAST_CONTRAST:
        return (
            "the tool hardly stands out from what is behind it",
            "put a plain white card behind the flute and take it again",
            "too-little-contrast",
        )
    return None
