"""A photo made ready for finding the edge in it: in linear light, at a scale, its pixels no finer than need be."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.channels import ChannelShift, laid_over
from wearscope.imaging.edge_map import ProposedLine, edge_map, proposed_lines
from wearscope.imaging.edge_selection import Candidate, candidates
from wearscope.imaging.lens import Lens
from wearscope.imaging.photo import Photo
from wearscope.quantities.reasons import Reason, reason

# Blocks of pixels are averaged up to this size: below the least blur of such a microscope
FINE_ENOUGH_UM = 2.6
BAND_ROWS = 64  # averaged at a time: twelve million pixels as floats are more than a processor keeps at hand
# By which a file's own scale must differ to be named; such scales are good to half of that
OTHER_SCALE = 0.01


@dataclass(frozen=True)
class PhotoScale:
    """Microns per pixel of one photo, along its columns and its rows.

    Attributes
    ----------
    um_per_px_x, u_um_per_px_x : float
        From column to column, with its standard uncertainty.
    um_per_px_y, u_um_per_px_y : float
        From row to row.
    remarks : tuple of Reason
        What is to be said of it; nothing when it comes from a graticule without doubts.
    doubts : tuple of Reason
        Why whatever is measured by it is doubtful.
    lens : Lens or None
        Whose distortion is taken out, in pixels of the mean size; none where it does not matter or is not known.
    """

    um_per_px_x: float
    u_um_per_px_x: float
    um_per_px_y: float
    u_um_per_px_y: float
    remarks: tuple[Reason, ...] = ()
    doubts: tuple[Reason, ...] = ()
    lens: Lens | None = None

    @classmethod
    def even(cls, um_per_px: float, u_um_per_px: float, remarks: tuple[Reason, ...] = ()) -> PhotoScale:
        """One number for both directions.

        Parameters
        ----------
        um_per_px, u_um_per_px : float
        remarks : tuple of Reason

        Returns
        -------
        PhotoScale
        """
        return cls(um_per_px, u_um_per_px, um_per_px, u_um_per_px, remarks)

    @property
    def um_per_px(self) -> float:
        """Mean of both directions."""
        return (self.um_per_px_x + self.um_per_px_y) / 2

    @property
    def aspect(self) -> tuple[float, float]:
        """Width and height of a pixel over their mean."""
        return self.um_per_px_x / self.um_per_px, self.um_per_px_y / self.um_per_px

    @property
    def u_share(self) -> float:
        """Relative standard uncertainty of a length in whichever direction is known less well."""
        return max(self.u_um_per_px_x / self.um_per_px_x, self.u_um_per_px_y / self.um_per_px_y)

    def u_share_along(self, direction: NDArray[np.float64]) -> float:
        """Relative standard uncertainty of a length in some direction.

        Parameters
        ----------
        direction : ndarray, shape (2,)
            Unit vector, as column and row of square pixels.

        Returns
        -------
        float

        Notes
        -----
        Errors e and f of the two axes change a length along (c, s) by c² e + s² f. What the axes have in common is
        not known, so they count as if they erred together: no correlation makes it more.
        """
        share = self.u_um_per_px_x / self.um_per_px_x, self.u_um_per_px_y / self.um_per_px_y
        return float(np.square(direction) @ share)

    def places_um(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where places in a photo lie, a lens's distortion taken out.

        Parameters
        ----------
        points_px : ndarray, shape (N, 2)
            Columns and rows.

        Returns
        -------
        ndarray, shape (N, 2)
        """
        if self.lens is None:
            return np.asarray(points_px * np.array([self.um_per_px_x, self.um_per_px_y]))
        return self.lens.straightened(points_px * self.aspect) * self.um_per_px


def through_lens(scale: PhotoScale, lens: Lens | None, shape: tuple[int, ...]) -> PhotoScale:
    """Scale of a photo whose lens is known from the graticule's photo.

    Parameters
    ----------
    scale : PhotoScale
    lens : Lens or None
    shape : tuple of int
        Of the photo, rows and columns first.

    Returns
    -------
    PhotoScale
        With the lens where the photo shows all that the lens showed, upright or lying. Where it shows a part, or is
        smaller, nothing says where the lens's centre is: then the distortion is left, and in the uncertainty.

    Notes
    -----
    Over a frame a length is stretched by k r² square to the radius and by 3 k r² along it, with a mean r² of a third
    of the corner's: as a root mean square about k.
    """
    if lens is None:
        return scale
    if tuple(shape[:2]) == lens.shape:
        return replace(scale, lens=lens)
    if tuple(shape[1::-1]) == lens.shape:
        # turned one way or the other: the frame's middle stands for the lens's
        middle = (shape[1] - 1) / 2 * scale.aspect[0], (shape[0] - 1) / 2 * scale.aspect[1]
        return replace(scale, lens=replace(lens, shape=(shape[0], shape[1]), centre_px=middle))
    share = abs(lens.at_corner)
    return replace(
        scale,
        u_um_per_px_x=float(np.hypot(scale.u_um_per_px_x, share * scale.um_per_px_x)),
        u_um_per_px_y=float(np.hypot(scale.u_um_per_px_y, share * scale.um_per_px_y)),
        remarks=(*scale.remarks, reason("lens-left-in", share=share)),
    )


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


def remarks_of_scale(photo: Photo, scale: PhotoScale) -> tuple[Reason, ...]:
    """What is to be said of a photo's scale, also that the file's own scale is another one, if it is.

    Parameters
    ----------
    photo : Photo
    scale : PhotoScale
        That is used.

    Returns
    -------
    tuple of Reason
    """
    if photo.embedded_um_per_px is None:
        return scale.remarks
    own = float(np.mean(photo.embedded_um_per_px))
    if abs(own / scale.um_per_px - 1.0) < OTHER_SCALE:
        return scale.remarks
    return (*scale.remarks, reason("other-scale-in-file", um_per_px=own, source=photo.embedded_source))
