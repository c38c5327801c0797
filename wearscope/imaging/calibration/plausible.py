"""Whether a scale can be that of a photo: how wide the picture would be, and what the file says of itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wearscope.quantities.reasons import Reason, reason

if TYPE_CHECKING:
    from wearscope.imaging.photo import Photo
    from wearscope.imaging.prepared_photo import PhotoScale

FIELD_MM = (0.5, 100.0)
"""Width of picture outside of which a scale is asked about. A microscope's picture of a flute is roughly 1 to 15 mm
wide; 0.5 µm per pixel on one megapixel makes 0.6 mm, 20 µm per pixel on twelve 80 mm. Common practice, no source."""

FIELD_DIAMETERS = 15.0
"""Diameters of the bit, of which a picture wider than that shows little. Chosen: 80 mm for a bit of 6 mm."""

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


def doubts_of_scale(photo: Photo, scale: PhotoScale) -> tuple[Reason, ...]:
    """Why a scale can hardly be that of a photo, as far as the photo says.

    Parameters
    ----------
    photo : Photo
    scale : PhotoScale

    Returns
    -------
    tuple of Reason
        Empty where nothing speaks against it.
    """
    doubts = []
    wide_mm = field_mm(scale.um_per_px, photo.pixels.shape)
    if not FIELD_MM[0] <= wide_mm <= FIELD_MM[1]:
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


def field_question(um_per_px: float, shape: tuple[int, ...], division_um: float) -> str:
    """What to ask of a graticule's photo whose scale makes it too wide or too narrow.

    Parameters
    ----------
    um_per_px : float
    shape : tuple of int
        Rows and columns first.
    division_um : float
        As stated.

    Returns
    -------
    str
        "" where it is neither.
    """
    wide_mm = field_mm(um_per_px, shape)
    if FIELD_MM[0] <= wide_mm <= FIELD_MM[1]:
        return ""
    return (
        f"the picture would be {wide_mm:.2g} mm wide, which a microscope's picture of a flute hardly is: "
        f"is division_um really {division_um:g}?"
    )
