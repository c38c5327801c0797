"""Whether a scale can be that of a photo: how wide the picture would be, and what the file says of itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from wearscope.quantities.reasons import Reason, reason

if TYPE_CHECKING:
    from wearscope.imaging.photo import Photo
    from wearscope.imaging.prepared_photo import PhotoScale

FIELD_MM = (0.5, 100.0)
"""Width of picture outside of which a scale is asked about. A microscope's picture of a flute is roughly 1 to 15 mm
wide; 0.5 µm per pixel on one megapixel makes 0.6 mm, 20 µm per pixel on twelve 80 mm. Common practice, no source."""

TIP_FIELD_MM = (0.05, 100.0)
"""The same where the tip alone is looked at, in profile: 100 pixels of 0.5 µm."""

FIELD_DIAMETERS = 15.0
"""Diameters of the bit, of which a picture wider than that shows little. Chosen: 80 mm for a bit of 6 mm."""

THICK_LINED_UM, MOST_THICK = (50.0, 200.0), 0.18
"""Divisions that are asked about if the lines take more than that share of them. Lines of scales of 0.1 mm are some
10 to 15 µm thick, those of scales of 10 µm 2 to 5. Common practice, no source."""

LEAST_PITCHES, HALF = 6.0, 0.6
"""Lines that a band must be long for, and share of the clearest band's contrast that it must have; both chosen."""

FILE_DIFFERS = 2.0
"""Times that a file's own scale may differ: settings of a microscope's program are off by an objective, by 2 or more.
Chosen, no source."""


def field_mm(um_per_px: float, shape: tuple[int, ...]) -> float:
    """Longer side of a picture.

    Parameters
    ----------
    um_per_px : float
    shape : tuple of int
        Rows and columns first.

    Returns
    -------
    float

    Examples
    --------
    >>> field_mm(3.5, (900, 1600))
    5.6
    """
    return max(shape[:2]) * um_per_px / 1e3


def doubts_of_scale(photo: Photo, scale: PhotoScale, *, of_tip: bool = False) -> tuple[Reason, ...]:
    """Why a scale can hardly be that of a photo, as far as the photo says.

    Parameters
    ----------
    photo : Photo
    scale : PhotoScale
    of_tip : bool
        Whether it shows the tip in profile.

    Returns
    -------
    tuple of Reason
        Empty where nothing speaks against it.
    """
    doubts = []
    wide_mm = field_mm(scale.um_per_px, photo.pixels.shape)
    least_mm, most_mm = TIP_FIELD_MM if of_tip else FIELD_MM
    if not least_mm <= wide_mm <= most_mm:
        doubts.append(reason("field-implausible", field_mm=wide_mm))
    if photo.embedded_um_per_px is not None:
        file_um_per_px = sum(photo.embedded_um_per_px) / 2.0
        if max(file_um_per_px / scale.um_per_px, scale.um_per_px / file_um_per_px) > FILE_DIFFERS:
            doubts.append(reason("scale-against-file", file_um_per_px=file_um_per_px))
    return tuple(doubts)


def doubts_against_bit(
    um_per_px: float, shape: tuple[int, ...], diameter_mm: float | None
) -> tuple[Reason, ...]:
    """Why a scale can hardly be that of a photo of this bit.

    Parameters
    ----------
    um_per_px : float
    shape : tuple of int
        Of the photo, rows and columns first.
    diameter_mm : float or None
        Of the bit, where it is stated.

    Returns
    -------
    tuple of Reason
    """
    wide_mm = field_mm(um_per_px, shape)
    if diameter_mm is None or wide_mm <= FIELD_DIAMETERS * diameter_mm:
        return ()
    return (reason("field-wider-than-bit", field_mm=wide_mm, diameter_mm=diameter_mm),)


def graticule_question(
    luminance: NDArray[np.float32], um_per_px: float, angle_deg: float, division_um: float
) -> Reason | None:
    """What to ask of a graticule's photo whose scale can hardly be right.

    Parameters
    ----------
    luminance : ndarray, shape (H, W)
        In linear light.
    um_per_px, angle_deg : float
        As found: the scale, and the direction of the normal of the lines, from +x towards +y.
    division_um : float
        As stated.

    Returns
    -------
    Reason or None
        None where nothing speaks against it.
    """
    wide_mm = field_mm(um_per_px, luminance.shape)
    if not TIP_FIELD_MM[0] <= wide_mm <= TIP_FIELD_MM[1]:
        return reason("division-against-field", field_mm=wide_mm, division_um=division_um)
    if not THICK_LINED_UM[0] <= division_um <= THICK_LINED_UM[1]:
        return None
    share = line_share(luminance, division_um / um_per_px, angle_deg)
    if share <= MOST_THICK:
        return None
    return reason(
        "division-against-lines",
        line_um=share * division_um,
        field_mm=wide_mm,
        finer_um=division_um / 10,
        division_um=division_um,
    )


def line_share(luminance: NDArray[np.float32], pitch_px: float, angle_deg: float) -> float:
    """How thick the lines of a ruled scale are at least, as a share of their distance.

    Parameters
    ----------
    luminance : ndarray, shape (H, W)
        In linear light.
    pitch_px : float
        Distance of the lines.
    angle_deg : float
        Direction of their normal, from +x towards +y.

    Returns
    -------
    float

    Notes
    -----
    What a line takes of the light beside it, added up across it, is its thickness if it lets none through, and less
    than that otherwise. Blur changes nothing of the sum. Lines brighter than what lies between them count by their
    share of the contrast.
    """
    height, width = luminance.shape
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), angle_deg, 1.0)
    upright = cv2.warpAffine(luminance, turn, (width, height), borderValue=(float("nan"),) * 4)
    high, reach = max(4, round(pitch_px / 2)), max(3, round(1.5 * pitch_px))
    bands = [upright[top : top + high].mean(axis=0) for top in range(0, height - high, high)]
    taken = []
    for band in bands:
        seen = band[np.isfinite(band)].astype(np.float64)
        if len(seen) >= LEAST_PITCHES * pitch_px:
            beside = np.maximum(maximum_filter1d(seen, reach), 1e-6)
            dip = 1.0 - seen / beside
            taken.append((float(np.quantile(dip, 0.99)), float(dip.mean())))
    contrast, share = np.array(taken or [(0.0, 0.0)]).T
    ruled = contrast > HALF * contrast.max(initial=0.0)
    share = np.minimum(share, contrast - share)[ruled]
    return float(np.median(share)) if len(share) else 0.0
