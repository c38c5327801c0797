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
from wearscope.quantities.reasons import Reason, reason

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
        Doubtful: usable, but read the remarks first.
    remarks : tuple of Reason
        What is doubtful, what was seen and what assumed.
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
    remarks: tuple[Reason, ...]
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
        (reason("scale-as-stated"),),
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
        Where in the file it stands, for the remark.

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
    remarks: tuple[Reason, ...] = (reason("scale-of-the-file", source=source_text, u_share=EMBEDDED_STD),)
    unequal = abs(um_per_px_x - um_per_px_y) > UNEQUAL * np.hypot(u_x, u_y)
    if unequal:
        unlike = reason("file-axes-unequal", um_per_px_x=um_per_px_x, um_per_px_y=um_per_px_y)
        remarks = (unlike, *remarks)
    return Scale(
        name, um_per_px_x, u_x, um_per_px_y, u_y, "doubtful" if unequal else "ok", remarks, "embedded"
    )


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
    doubts = [doubt for ruling in rulings for doubt in _doubts(ruling)] + _axis_doubts(axes)
    doubts += _lens_doubts(bent)
    seen = [
        reason("lines-seen", n=r.n_lines, pitch_px=1 / r.density_px, angle_deg=r.angle_deg) for r in rulings
    ]
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
        (*dict.fromkeys(doubts), *seen, axes.how, *_lens_remarks(bent)),
        "graticule",
        rulings[0].angle_deg,
        bent.lens if bent is not None else None,
    )


def _require_positive(what: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"{what} must be a positive number, not {value}")


def _doubts(ruling: Ruling) -> list[Reason]:
    """What is doubtful about one direction."""
    doubts = []
    if ruling.n_lines < FEW_LINES:
        doubts.append(reason("lines-few", n=ruling.n_lines, enough=FEW_LINES))
    if ruling.u_fit > WARN_UNCERTAIN:
        doubts.append(reason("lines-scatter", u_share=ruling.u_fit))
    if ruling.variation_seen and ruling.variation_share > WARN_DISTORTION:
        doubts.append(reason("scale-changes", share=ruling.variation_share))
    if ruling.between:
        doubts.append(reason("lines-between"))
    return doubts


def _lens_remarks(bent: Distortion | None) -> list[Reason]:
    if bent is None:
        return []
    kind = "barrel" if bent.lens.at_corner > 0 else "pincushion"
    return [reason("lens-taken-out", kind=kind, share=abs(bent.lens.at_corner), u_share=bent.u_scale)]


def _lens_doubts(bent: Distortion | None) -> list[Reason]:
    if bent is None:
        return []
    if abs(bent.lens.at_corner) > MOST_LENS:
        return [reason("lens-strong", share=abs(bent.lens.at_corner))]
    if bent.u_scale > WARN_UNCERTAIN:
        return [reason("lens-uncertain", u_share=bent.u_scale)]
    return []


def _axis_doubts(axes: Axes) -> list[Reason]:
    x, y = axes.value
    u_difference = np.sqrt(axes.cov[0, 0] + axes.cov[1, 1] - 2 * axes.cov[0, 1])
    if abs(x - y) <= AXES_DIFFER * max(u_difference, 1e-12 * x):
        return []
    return [reason("axes-differ", share=abs(x / y - 1))]
