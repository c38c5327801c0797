"""Microns per pixel, from a photograph of a ruled scale, as stated, or as a file states it.

The picture is turned so that the rulings stand upright, averaged along them in narrow bands, and every line is placed
in every band by fitting the picture's own mean line shape. The lines are numbered outwards from the most regular
place, so that long lines, gaps, text and a moderate distortion do not upset the count, and one smooth function "line
number of a place in the picture" is fitted to all of them. Its mean gradient is the number of divisions per pixel, as
a vector: the ruling's direction comes with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.axes import Axes, axes_from_cross, axes_from_one
from wearscope.imaging.calibration.distortion import Distortion, find_distortion
from wearscope.imaging.calibration.picture import NotRuledError, as_picture
from wearscope.imaging.calibration.ruling import Ruling, find_rulings
from wearscope.imaging.lens import Lens

EMBEDDED_STD = 5e-3
"""Relative standard uncertainty of a scale that a picture file states of itself: such scales have been seen off the
graticule in the same picture by half a per cent."""

FEW_LINES = 6
"""Fewer lines are doubtful: one stray line among them moves the scale."""

WARN_DISTORTION = 2e-3
"""Change of the scale over the lines that is named: four times what a scale is to be good to."""

WARN_UNCERTAIN = 2e-3
"""Relative standard uncertainty that is named, on the same ground."""

MOST_LENS = 0.032
"""Displacement at the frame's corner beyond which a lens is named: drawn lenses of 3 % are taken out rightly."""

UNEQUAL = 2.0
"""Standard uncertainties by which the axes that a file states must differ to be named."""

AXES_DIFFER = 3.0
"""Standard uncertainties of their difference beyond which the axes are unequal."""


@dataclass(frozen=True)
class Scale:
    """Microns per pixel along the image's two axes.

    Attributes
    ----------
    name : str
        As the trial file calls it.
    um_per_px_x, u_um_per_px_x : float
        Microns per pixel from column to column, with its standard uncertainty.
    um_per_px_y, u_um_per_px_y : float
        Microns per pixel from row to row, with its standard uncertainty.
    status : {"ok", "doubtful", "refused"}
        Doubtful: usable, but read the note first.
    note : str
        What was seen and assumed, for the person.
    source : {"graticule", "stated", "embedded"}
        Where the scale comes from.
    normal_deg : float
        Of a graticule, the direction square to its lines, or to those of one of its directions, from +x towards +y.
    lens : Lens or None
        What a graticule shows of the lens's distortion, where it matters: the scale is then that of the straightened
        picture, and of the photo's own at the lens's centre.
    """

    name: str
    um_per_px_x: float
    u_um_per_px_x: float
    um_per_px_y: float
    u_um_per_px_y: float
    status: Literal["ok", "doubtful", "refused"]
    note: str
    source: Literal["graticule", "stated", "embedded"]
    normal_deg: float = 0.0
    lens: Lens | None = None

    @property
    def um_per_px(self) -> float:
        """Mean of the two axes, for use where they are equal within their uncertainty."""
        return (self.um_per_px_x + self.um_per_px_y) / 2

    @property
    def u_um_per_px(self) -> float:
        """Standard uncertainty of the mean: the bound that holds whatever the axes have in common."""
        return (self.u_um_per_px_x + self.u_um_per_px_y) / 2


def scale_from_value(um_per_px: float, u_um_per_px: float, name: str) -> Scale:
    """Take a scale as a person states it, with square pixels.

    Parameters
    ----------
    um_per_px, u_um_per_px : float
        Microns per pixel and its standard uncertainty.
    name : str
        Name of the scale.

    Returns
    -------
    Scale

    Raises
    ------
    ValueError
        If the value is not a positive number or the uncertainty a negative one.
    """
    _require_positive("um_per_px", um_per_px)
    if not (np.isfinite(u_um_per_px) and u_um_per_px >= 0):
        raise ValueError(f"u_um_per_px must be zero or a positive number, not {u_um_per_px}")
    return Scale(
        name,
        um_per_px,
        u_um_per_px,
        um_per_px,
        u_um_per_px,
        "ok",
        "as stated; pixels taken as square",
        "stated",
    )


def scale_from_embedded(um_per_px_x: float, um_per_px_y: float, name: str, source_text: str) -> Scale:
    """Take the scale that a picture file states of itself.

    Such a scale is a setting, not a measurement; it can differ from the graticule photographed in the same
    picture by half a per cent, so that is the standard uncertainty it is given.

    Parameters
    ----------
    um_per_px_x, um_per_px_y : float
        Microns per pixel along the two axes.
    name : str
        Name of the scale.
    source_text : str
        Where in the file it stands, for the note.

    Returns
    -------
    Scale

    Raises
    ------
    ValueError
        If a value is not a positive number.
    """
    _require_positive("um_per_px_x", um_per_px_x)
    _require_positive("um_per_px_y", um_per_px_y)
    u_x, u_y = EMBEDDED_STD * um_per_px_x, EMBEDDED_STD * um_per_px_y
    note = (
        f"read from the file ({source_text}), not measured: taken as good to {EMBEDDED_STD:.1%}; "
        "photograph a graticule to do better"
    )
    unequal = abs(um_per_px_x - um_per_px_y) > UNEQUAL * np.hypot(u_x, u_y)
    if unequal:
        note = f"the file states unequal axes, {um_per_px_x:.5g} and {um_per_px_y:.5g} µm per pixel; " + note
    return Scale(name, um_per_px_x, u_x, um_per_px_y, u_y, "doubtful" if unequal else "ok", note, "embedded")


def scale_from_graticule(
    luminance: ArrayLike, division_um: float, *, name: str = "", file: str = ""
) -> Scale:
    """Measure the scale on a photograph of a ruled scale, a crossed graticule or a grid.

    Parameters
    ----------
    luminance : array_like, shape (H, W) or (H, W, 3)
        The picture in linear light, in any unit; of three channels the mean is taken. Lines at any angle,
        dark or bright, short and long ones mixed, over all or part of the picture.
    division_um : float
        Distance of neighbouring lines, in µm: the smallest regular division to be seen.
    name : str
        Name of the scale.
    file : str
        Name of the file, for messages.

    Returns
    -------
    Scale
        Mean over the part of the picture that the lines cover, a lens's distortion taken out where it is seen.
        The standard uncertainty holds the scatter of the lines about the fitted function (clustered by line,
        widened for correlation between neighbours and for few lines), the change of scale over the lines where
        it is significant, what remains of the distortion, `RULING_STD` for the ruling itself and, for the axis
        that a ruling in one direction cannot see, `SQUARE_PIXEL_STD`.

    Raises
    ------
    PhotoRefused
        If no ruled scale is to be seen.
    ValueError
        If `division_um` is not a positive number or the array not a picture.

    Notes
    -----
    With g the gradient of the line number in divisions per pixel and s the µm per pixel of each axis, a
    division d obeys (g_x / s_x)² + (g_y / s_y)² = 1 / d². One direction of ruling gives one such equation,
    so the ratio of the axes has to be assumed; two directions at a right angle give two, and a third
    because their normals are perpendicular in the world.
    """
    _require_positive("division_um", division_um)
    called = file or "the graticule photo"
    try:
        picture = as_picture(luminance)
        rulings = find_rulings(picture)
    except NotRuledError as problem:
        raise PhotoRefused(f"{called}: {problem.what}", problem.cure, problem.code) from None
    bent = find_distortion(rulings, picture.shape)
    rulings = bent.rulings if bent is not None else rulings
    axes = axes_from_cross(*rulings) if len(rulings) == 2 else axes_from_one(rulings[0])
    doubts = [text for ruling in rulings for text in _doubts(ruling)] + _axis_doubts(axes)
    doubts += _lens_doubts(bent)
    seen = " and ".join(
        f"{r.n_lines} lines {1 / r.density_px:.5g} px apart at {r.angle_deg:.1f}°" for r in rulings
    )
    note = "; ".join([*dict.fromkeys(doubts), seen, axes.note, *_lens_note(bent)])
    (s_x, s_y), (u_x, u_y) = division_um * axes.value, division_um * np.sqrt(np.diag(axes.cov))
    if bent is not None:
        u_x, u_y = np.hypot(u_x, bent.u_scale * s_x), np.hypot(u_y, bent.u_scale * s_y)
    return Scale(
        name,
        float(s_x),
        float(u_x),
        float(s_y),
        float(u_y),
        "doubtful" if doubts else "ok",
        note,
        "graticule",
        rulings[0].angle_deg,
        bent.lens if bent is not None else None,
    )


def _require_positive(what: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"{what} must be a positive number, not {value}")


def _doubts(ruling: Ruling) -> list[str]:
    """Say what is doubtful about one direction."""
    texts = []
    if ruling.n_lines < FEW_LINES:
        texts.append(f"only {ruling.n_lines} lines: take in {FEW_LINES} or more")
    if ruling.u_fit > WARN_UNCERTAIN:
        texts.append(f"the lines scatter: good to {ruling.u_fit:.1%} only; a sharper picture does better")
    if ruling.variation_seen and ruling.variation_share > WARN_DISTORTION:
        texts.append(
            f"the scale changes by {ruling.variation_share:.2%} over the lines: tilt or lens distortion; "
            "lay the scale flat and square to the camera"
        )
    if ruling.between:
        texts.append(
            "lines between the divisions counted: make sure division_um is the distance of those counted"
        )
    return texts


def _lens_note(bent: Distortion | None) -> list[str]:
    if bent is None:
        return []
    kind = "barrel" if bent.lens.at_corner > 0 else "pincushion"
    return [
        f"{kind} distortion of {abs(bent.lens.at_corner):.2%} at the corners taken out of every photo of this scale, "
        f"lengths then good to {bent.u_scale:.2%} over the frame"
    ]


def _lens_doubts(bent: Distortion | None) -> list[str]:
    if bent is None:
        return []
    if abs(bent.lens.at_corner) > MOST_LENS:
        return [
            f"the lens distorts by {abs(bent.lens.at_corner):.1%} at the corners, more than is "
            "taken out surely; use a longer working distance or a better lens, or keep edge and scale near the middle"
        ]
    if bent.u_scale > WARN_UNCERTAIN:
        return [
            f"the lens's distortion is known to {bent.u_scale:.1%} of a length only; let the ruled scale cross the "
            "whole frame, from corner to corner"
        ]
    return []


def _axis_doubts(axes: Axes) -> list[str]:
    x, y = axes.value
    u_difference = np.sqrt(axes.cov[0, 0] + axes.cov[1, 1] - 2 * axes.cov[0, 1])
    if abs(x - y) <= AXES_DIFFER * max(u_difference, 1e-12 * x):
        return []
    return [
        f"the axes differ by {abs(x / y - 1):.2%}: the picture has been stretched, or the scale is tilted; "
        "each length goes by its own axis, so lay the scale flat, and save photos as they come from the camera"
    ]
