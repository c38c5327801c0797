"""The outline of a wedge's cross-section in a photo: where its tip is, and its contour to a fraction of a pixel.

Pixel convention everywhere: the centre of the top left pixel is (0, 0), x is the column, y the row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearscope.errors import PhotoRefused
from wearscope.imaging.photo import Photo
from wearscope.imaging.section_contour import SMOOTH_PX, Contour, read_contour
from wearscope.imaging.section_tip import Array, Corner, find_tip
from wearscope.quantities.reasons import Reason, reason

WORST_BLUR_PX = 6.0  # from which a tip that the blur rounds noticeably is refused
ROUNDED = 0.1  # of the corner's own size: blur below that share of it does no harm
BURNT = 0.2  # of the bright side at full light
# Burnt-out light may be up to four times full light (two stops), no source. Half of full light is then crossed 1.15
# blurs further out (the probit of 1 / 8), where the slope makes the blur look 0.48 times as wide. Every shift up to
# that counts as equally likely
BURNT_SHIFT = 1.15 / 0.48 / np.sqrt(3.0)
UNEVEN_BLUR = 0.3  # between the two faces
MOST_RIM = 0.1  # of the contrast, that light beside the outline departs from its level; chosen, no source
# `Faces.shoulder_share` of a plain outline: 0.01 on drawn ones; 0.07 and more where a land of 5 pixels runs along it
MOST_SHOULDER = 0.05
# Of the blur: how far the camera's unknown tone curve may shift the half level; common practice, no source
TONE_SHARE = 0.06
# How far a lens's blur may be from the Gaussian of the same slope; common practice, no source
BLUR_SHARE = 0.05


@dataclass(frozen=True)
class Section:
    """A wedge found in a photo.

    Attributes
    ----------
    photo : Photo
    points_px : ndarray, shape (N, 2)
        Column and row of the half-level contour of the smoothed photo, near the tip and along both faces.
    apex_px : ndarray, shape (2,)
        Roughly, where the faces would meet.
    bisector_angle, wedge_angle : float
        Roughly, in radians: direction from the apex into the tool, from +x towards +y; angle between the faces.
    blur_px : float
        Blur of the photo as the Gaussian sigma, read across both faces.
    contour_blur_px, u_contour_blur_px : float
        Blur that the contour was read behind, `SMOOTH_PX` included, and its standard uncertainty.
    noise_px : float
        Standard deviation of the points about straight faces.
    u_level_px : float
        Standard uncertainty of the half level, as a shift of the whole contour.
    contrast : float
        Difference between the levels of tool and background over their sum.
    clipped_share : float
        Of the bright side, the share at full light.
    dark_tool : bool
        The tool is darker than what is behind it.
    doubts : tuple of Reason
        Why the contour is not to be trusted; "" where it is.
    """

    photo: Photo
    points_px: Array
    apex_px: Array
    bisector_angle: float
    wedge_angle: float
    blur_px: float
    contour_blur_px: float
    u_contour_blur_px: float
    noise_px: float
    u_level_px: float
    contrast: float
    clipped_share: float
    dark_tool: bool
    doubts: tuple[Reason, ...]

    @property
    def name(self) -> str:
        """File name, for messages."""
        return self.photo.path.name


def find_section(photo: Photo, *, near_px: Sequence[tuple[float, float]] | None = None) -> Section:
    """Find the outline of the wedge in a photo.

    Parameters
    ----------
    photo : Photo
    near_px : sequence of (column, row), optional
        Hand-drawn points near the tip.

    Returns
    -------
    Section

    Raises
    ------
    PhotoRefused
        When it shows no wedge with its tip and two straight faces in focus.
    """
    corner, reduction = find_tip(photo, near_px)
    contour = read_contour(photo, corner, reduction)
    own = float(np.sqrt(max(contour.faces.blur_px**2 - SMOOTH_PX**2, 0.0)))
    if own > WORST_BLUR_PX and own > ROUNDED * corner.departure_px * reduction:
        raise PhotoRefused(
            f"{photo.path.name}: the section is out of focus (blur {own:.1f} pixels)",
            "focus on the section, steady the microscope, and take it again",
            "out-of-focus",
        )
    return _section(photo, corner, reduction, contour, own)


def _section(photo: Photo, corner: Corner, reduction: int, contour: Contour, own_blur_px: float) -> Section:
    faces, levels, clipped = contour.faces, contour.levels, contour.clipped_share()
    doubts = []
    if clipped > BURNT:
        doubts.append(reason("outline-burnt-out", share=clipped))
    if faces.unequal > UNEVEN_BLUR:
        doubts.append(reason("faces-unlike-sharp"))
    if contour.beside.second_share:
        doubts.append(reason("second-outline", step=contour.beside.second_share))
    rim = max(contour.beside.rim_share, faces.shoulder_share)
    if contour.beside.rim_share > MOST_RIM or faces.shoulder_share > MOST_SHOULDER:
        doubts.append(reason("outline-rimmed", share=rim))
    # a level that is off by a share of the contrast moves its half by half as much
    level = np.sqrt(2 * np.pi) * 0.5 * np.hypot(levels.unsure, rim)
    shift = np.sqrt(TONE_SHARE**2 + level**2 + (BURNT_SHIFT**2 if clipped > BURNT else 0.0))
    return Section(
        photo=photo,
        points_px=contour.points_px + contour.cut.origin_px,
        apex_px=(corner.apex_px + 0.5) * reduction - 0.5,
        bisector_angle=float(np.arctan2(corner.bisector[1], corner.bisector[0])),
        wedge_angle=corner.wedge_angle,
        blur_px=own_blur_px,
        contour_blur_px=faces.blur_px,
        u_contour_blur_px=float(np.hypot(faces.u_blur_px, BLUR_SHARE * own_blur_px)),
        noise_px=faces.noise_px,
        u_level_px=float(faces.blur_px * shift),
        contrast=levels.contrast,
        clipped_share=clipped,
        dark_tool=contour.dark_tool,
        doubts=tuple(doubts),
    )
