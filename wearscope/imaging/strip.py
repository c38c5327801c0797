"""Cut the strip: the photo resampled along an edge line, in microns."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from wearscope.imaging.edge_line import Array, EdgeLine
from wearscope.light.strip import Strip

FINE = 1025
"""Places along a line at which its length is summed: between them a curve of 1 mm radius is straight to 1e-3 px."""


def cut_strip(
    light: NDArray[np.float32],
    line: EdgeLine,
    um_per_px: float,
    *,
    depth_um: tuple[float, float],
    s_um: Array | None = None,
    follow_um: Array | None = None,
) -> Strip:
    """Resample a photo along an edge line.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
        Linear light.
    line : EdgeLine
        The reference edge line, d = 0.
    um_per_px : float
        Scale of the photo.
    depth_um : (float, float)
        First and last distance into the tool; negative is outside it.
    s_um : ndarray, optional
        Distances along the line at which to sample; all that the frame shows when not given.
    follow_um : ndarray, shape (S,), optional
        Distance into the tool, from the line, of the strip's own d = 0.

    Returns
    -------
    Strip
        One pixel of the photo per step along and across; bicubic, so that averages over many columns
        keep the photo's own blur. s = 0 lies at the line's origin.
    """
    step_um = um_per_px
    t_fine = np.linspace(line.start_px, line.end_px, FINE)
    arc_um = arc_length_px(line, t_fine) * um_per_px
    if s_um is None:
        first, last = np.ceil(arc_um[0] / step_um), np.floor(arc_um[-1] / step_um)
        s_um = np.arange(first, last + 1) * step_um
    d_um = np.arange(np.floor(depth_um[0] / step_um), np.ceil(depth_um[1] / step_um) + 1) * step_um
    t_px = np.interp(s_um, arc_um, t_fine)
    # outside the line's own range the strip goes on straight, as the polynomial does
    t_px = np.where(s_um < arc_um[0], t_fine[0] + (s_um - arc_um[0]) / um_per_px, t_px)
    t_px = np.where(s_um > arc_um[-1], t_fine[-1] + (s_um - arc_um[-1]) / um_per_px, t_px)
    # a place moves in proportion to its depth, along the line's normal
    follow_px = np.zeros(len(t_px)) if follow_um is None else follow_um / um_per_px
    columns, rows = _grid_px(line, t_px, follow_px, d_um / um_per_px)
    sampled = cv2.remap(
        light,
        columns,
        rows,
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        # one such neighbour makes a sample NaN, so that none mixes in what the photo does not show
        borderValue=(np.nan, np.nan, np.nan, np.nan),
    )
    return Strip(sampled.astype(np.float32, copy=False), s_um, d_um, um_per_px)


def _grid_px(line: EdgeLine, t_px: Array, follow_px: Array, into_px: Array) -> NDArray[np.float32]:
    """Columns and rows of every place of a strip, shape (2, D, S)."""
    if line.lens is not None:
        # what is straight in the strip is bent in the picture
        places = line.points_px(t_px[None, :], follow_px[None, :] + into_px[:, None])
        return np.array(places, np.float32)
    start = np.array(line.points_px(t_px, follow_px))
    normal = np.array(line.points_px(t_px, follow_px + 1.0)) - start
    deep = np.asarray(into_px, np.float32)[:, None]
    return np.asarray(start.astype(np.float32)[:, None] + deep * normal.astype(np.float32)[:, None])


def arc_length_px(line: EdgeLine, t_px: Array) -> Array:
    """Length along the curve from the line's origin (t = 0), by the trapezoid rule.

    Parameters
    ----------
    line : EdgeLine
    t_px : ndarray
        Places along its straight direction.

    Returns
    -------
    ndarray
        Pixels, of the shape of `t_px`; negative before the origin.
    """
    fine = np.linspace(min(t_px.min(), 0.0), max(t_px.max(), 0.0), FINE)
    slope = polynomial.polyval(fine, polynomial.polyder(line.offset_px))
    speed = np.sqrt(1.0 + slope**2)
    length = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(fine))])
    return np.asarray(np.interp(t_px, fine, length) - np.interp(0.0, fine, length))


def points_on_photo(line: EdgeLine, um_per_px: float, s_um: Array, d_um: Array) -> Array:
    """Find places on a strip in the photo that it was cut from.

    Parameters
    ----------
    line : EdgeLine
        Along which it was cut.
    um_per_px : float
    s_um, d_um : ndarray, shape (N,)
        Along the edge and into the tool.

    Returns
    -------
    ndarray, shape (N, 2)
        Columns and rows.
    """
    fine = np.linspace(line.start_px, line.end_px, FINE)
    t_px = np.interp(s_um, arc_length_px(line, fine) * um_per_px, fine)
    return np.column_stack(line.points_px(t_px, d_um / um_per_px))
