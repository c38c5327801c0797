"""What a look at a photo says of it before it is measured, apart from all that looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wearscope.trial.entries import PhotoEntry


@dataclass(frozen=True)
class OwnStep:
    """How far the edge line steps back along one photo, where its used edge begins.

    Attributes
    ----------
    step_um, u_step_um : float
        Of the line as it is seen, which need not be the silhouette: good to compare photos of one flute by.
    """

    step_um: float
    u_step_um: float


@dataclass(frozen=True)
class Judgement:
    """Whether a photo can carry a measurement.

    Attributes
    ----------
    entry : PhotoEntry
    verdict : {"fit", "doubtful", "refused"}
    remarks : tuple of str
        What is wrong, and the cure; one line each.
    sharpness_um : float or None
        Blur of the edge as a Gaussian sigma; like the others None where it is not known.
    clipped_share : float or None
        Share of the edge that is burnt out.
    contrast : float or None
        Between tool and background, 0 to 1.
    background : str
        "bright", "dark" or "mixed"; "" where it is not known.
    step : OwnStep or None
        How far the edge steps back along the photo, where that shows.
    """

    entry: PhotoEntry
    verdict: Literal["fit", "doubtful", "refused"]
    remarks: tuple[str, ...]
    sharpness_um: float | None
    clipped_share: float | None
    contrast: float | None
    background: str
    step: OwnStep | None = None
