"""A photo made ready for finding the edge in it: in linear light, at a scale, its pixels no finer than need be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.channels import ChannelShift, laid_over
from wearscope.imaging.edge_map import ProposedLine, edge_map, proposed_lines
from wearscope.imaging.edge_selection import Candidate, candidates
from wearscope.imaging.photo import Photo

# Blocks of pixels are averaged up to this size: below the least blur of such a microscope
FINE_ENOUGH_UM = 2.6
BAND_ROWS = 64  # averaged at a time: twelve million pixels as floats are more than a processor keeps at hand
# By which a file's own scale must differ to be named; such scales are good to half of that
OTHER_SCALE = 0.01


@dataclass(frozen=True)
class PhotoScale:
    """Microns per pixel of one photo.

    Attributes
    ----------
    um_per_px, u_um_per_px : float
    note : str
        What is to be said of it; "" when it comes from a graticule without doubts.
    """

    um_per_px: float
    u_um_per_px: float
    note: str


@dataclass(frozen=True, eq=False)
class PreparedPhoto:
    """A photo in linear light, its edge not yet found.

    Attributes
    ----------
    photo : Photo
    light : ndarray, shape (H, W, 3)
        Averaged over blocks of `reduction` pixels where the photo is finer than any number needs.
    reduction : int
    red, blue : ChannelShift or None
        How far these lay from green in `light`, where they have been moved on to it; None where they were left.
    """

    photo: Photo
    light: NDArray[np.float32]
    reduction: int
    red: ChannelShift | None = None
    blue: ChannelShift | None = None

    @cached_property
    def candidates(self) -> list[Candidate]:
        """Lines that could be the cutting edge."""
        return candidates(self.light)

    @cached_property
    def proposals(self) -> tuple[ProposedLine, ...]:
        """Lines that the trained net takes for the cutting edge, most of it first."""
        return proposed_lines(edge_map(self.light))


def prepare(photo: Photo, reduction: int) -> PreparedPhoto:
    """Bring a photo to linear light, averaged over blocks of pixels, its colours laid over each other.

    Parameters
    ----------
    photo : Photo
    reduction : int
        Side of the blocks; see `block_side`.

    Returns
    -------
    PreparedPhoto
    """
    light = working_light(photo, reduction)
    if photo.grey:
        return PreparedPhoto(photo, light, reduction)
    light, red, blue = laid_over(light)
    return PreparedPhoto(photo, light, reduction, red, blue)


def block_side(um_per_px: float) -> int:
    """Side of the blocks to average over where pixels are much finer than any number here.

    Parameters
    ----------
    um_per_px : float
        Of the photo.

    Returns
    -------
    int
        Pixels.
    """
    return max(1, int(FINE_ENOUGH_UM / um_per_px))


def working_light(photo: Photo, reduction: int) -> NDArray[np.float32]:
    """Linear light, averaged over blocks of pixels.

    Parameters
    ----------
    photo : Photo
    reduction : int
        Side of the blocks.

    Returns
    -------
    ndarray of float32, shape (H, W, 3)
    """
    if reduction == 1:
        return photo.linear()
    height, width = (side // reduction for side in photo.pixels.shape[:2])
    light = np.empty((height, width, 3), np.float32)
    for first in range(0, height, BAND_ROWS):
        last = min(first + BAND_ROWS, height)
        whole = photo.linear(slice(first * reduction, last * reduction), slice(0, width * reduction))
        cv2.resize(whole, (width, last - first), dst=light[first:last], interpolation=cv2.INTER_AREA)
    return light


def scale_in_file(photo: Photo, scale: PhotoScale) -> str:
    """Say that the file's own scale is another one, if it is.

    Parameters
    ----------
    photo : Photo
    scale : PhotoScale
        That is used.

    Returns
    -------
    str
        "" if it is not.
    """
    if photo.embedded_um_per_px is None:
        return ""
    own = float(np.mean(photo.embedded_um_per_px))
    if abs(own / scale.um_per_px - 1.0) < OTHER_SCALE:
        return ""
    return f"the file itself says {own:.4g} um per px ({photo.embedded_source}), which was not used"
