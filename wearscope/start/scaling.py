"""The scale and the lamp ring's angle, from a folder's graticule and pin."""

from __future__ import annotations

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.pin import RingAngle, ring_angle_from_pin
from wearscope.imaging.calibration.plausible import graticule_question
from wearscope.imaging.calibration.scale import Scale, scale_from_graticule, scale_from_value
from wearscope.imaging.photo import read_photo
from wearscope.imaging.prepared_photo import PhotoScale
from wearscope.quantities.reasons import Reason
from wearscope.start.answers import Answers
from wearscope.start.errors import StartError
from wearscope.start.seen import Seen


def scale_of_folder(graticule: Seen | None, answers: Answers, zoom: int = 0) -> tuple[Scale, Reason | None]:
    """Scale of a folder's pictures at one zoom, and what must be asked about it.

    Parameters
    ----------
    graticule : Seen or None
    answers : Answers
        With the graticule's division, or with the scale.
    zoom : int
        Number of the zoom, from 0.

    Returns
    -------
    Scale
    question : Reason or None
        None where the scale can well be.

    Raises
    ------
    StartError
        The graticule cannot be read.
    """
    if graticule is None:
        assert answers.um_per_px is not None
        assert answers.u_um_per_px is not None
        return scale_from_value(answers.um_per_px, answers.u_um_per_px, ""), None
    division_um = answers.division_of(zoom)
    assert division_um is not None
    try:
        light = read_photo(graticule.path).linear().mean(axis=2)
        scale = scale_from_graticule(light, division_um, file=graticule.file)
    except PhotoRefused as problem:
        raise StartError(problem.what, problem.cure) from None
    return scale, graticule_question(light, scale.um_per_px, scale.normal_deg, division_um)


def of_photos(scale: Scale) -> PhotoScale:
    """The same for photos that are looked at by it.

    Parameters
    ----------
    scale : Scale

    Returns
    -------
    PhotoScale
    """
    return PhotoScale.even(scale.um_per_px, scale.u_um_per_px)


def ring_of_folder(pin: Seen | None, answers: Answers, scale: Scale) -> RingAngle | str | None:
    """Lamp ring's angle by a folder's picture of a pin.

    Parameters
    ----------
    pin : Seen or None
    answers : Answers
        With the pin's diameter.
    scale : Scale
        By which the pin's thickness is checked.

    Returns
    -------
    RingAngle or str or None
        Why there is none, where the picture cannot be read; None where there is no pin, or its diameter is not known.
    """
    if pin is None or answers.pin_diameter_mm is None:
        return None
    try:
        return ring_angle_from_pin(
            read_photo(pin.path).linear(),
            answers.pin_diameter_mm,
            um_per_px=(scale.um_per_px, scale.u_um_per_px),
            file=pin.file,
        )
    except PhotoRefused as problem:
        return str(problem)
