"""Pictures of a graticule and of a pin, taken before those of the flutes: read at once, and kept."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.imaging.calibration.pin import ring_angle_from_pin
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import read_photo
from wearscope.live.filing import file_name, reason_of, set_aside
from wearscope.log.export import write_bytes
from wearscope.pipeline.sources import scale_of_graticule
from wearscope.report.reason_words import note_of
from wearscope.trial import Trial


class NotKeptError(WearscopeError):
    """A picture was read well, and cannot be put in its place: it must stay where it is."""


@dataclass(frozen=True)
class Calibrated:
    """What a picture of a graticule or a pin gave.

    Attributes
    ----------
    kept : Path
        Where the picture lies now.
    line : str
        What was read, and what is to be done with it.
    """

    kept: Path
    line: str


def keep_graticule(trial: Trial, picture: Path, name: str, division_um: float) -> Calibrated:
    """Read the scale on a picture of a graticule, and let it be the scale of the trial from now on.

    Parameters
    ----------
    trial : Trial
    picture : Path
        In PNG.
    name : str
        Of the scale in the trial file.
    division_um : float
        Pitch of the graticule.

    Returns
    -------
    Calibrated
        Where the trial file names another kind of picture, or no graticule, the picture is kept beside it, and `line`
        says what to write into the trial file.

    Raises
    ------
    WearscopeError
        No ruled scale is to be seen, or it can hardly be right; all is as before.
    NotKeptError
        The picture cannot be kept; all is as before.
    """
    scale = scale_of_graticule(read_photo(picture), division_um, name=name, file=picture.name)
    if scale.status != "ok":
        raise WearscopeError(
            f"the scale would be doubtful: {note_of(scale.remarks)}", "mend that, and take it again"
        )
    read = f"{scale.um_per_px:.4f} um per px, u {scale.u_um_per_px:.4f}"
    entry = trial.scale(name)
    target = entry.graticule_path
    if target is not None and target.suffix.casefold() == ".png" and entry.division_um == division_um:
        _keep(trial, picture, target)
        return Calibrated(target, f"{read}: the graticule of scale {name} from now on")
    target = trial.folder / f"graticule-{file_name(name) or 'scale'}.png"
    _keep(trial, picture, target)
    keys = f'graticule = "{target.name}", division_um = {division_um:g}'
    return Calibrated(target, f"{read}; give scale {name} {keys} in the trial file")


def keep_pin(trial: Trial, picture: Path, diameter_mm: float, scale: Scale | None) -> Calibrated:
    """Read the angle of the lamp ring on a picture of a round pin.

    Parameters
    ----------
    trial : Trial
    picture : Path
        In PNG.
    diameter_mm : float
        Of the pin.
    scale : Scale or None
        Of the picture.

    Returns
    -------
    Calibrated

    Raises
    ------
    WearscopeError
        No pin is to be seen.
    NotKeptError
        The picture cannot be kept; all is as before.
    """
    um_per_px = None if scale is None else (scale.um_per_px, scale.u_um_per_px)
    found = ring_angle_from_pin(
        read_photo(picture).linear(), diameter_mm, um_per_px=um_per_px, file=picture.name
    )
    target = trial.folder / "pin.png"
    _keep(trial, picture, target)
    keys = f"ring_angle_deg = {found.ring_angle_deg:.1f} and u_ring_angle_deg = {found.u_ring_angle_deg:.1f}"
    return Calibrated(
        target,
        f"give the scale of this light {keys} in the trial file ({found.status}: {note_of(found.remarks)})",
    )


def _keep(trial: Trial, picture: Path, target: Path) -> None:
    """Put a picture in its place; what was there is set aside."""
    try:
        set_aside(trial, target)
        write_bytes(target, picture.read_bytes())
    except (OSError, WearscopeError) as error:
        raise NotKeptError(
            f"{target} cannot be written ({reason_of(error)})",
            f"let the folder be written to, or make room; the picture is kept as {picture}",
        ) from error
