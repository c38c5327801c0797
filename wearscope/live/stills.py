"""Stills from a recording: the sharpest frame of each stretch in which the camera stood still over one flute."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import WearscopeError
from wearscope.live.filing import Place
from wearscope.live.source import Frame
from wearscope.trial import Trial

# Chosen, no source; tests/live/test_stills.py holds what must be told by them
SMALL_PX = 256  # width at which movement is seen
STILL_SHARE = 0.004  # of the width, that may go from one frame to the next in a stretch
OTHER_SHARE = 0.25  # of the width, gone since a stretch, from which on it is another flute
LEAST_LIKE = 0.15  # response of the phase correlation; less shows something else altogether
LEAST_FRAMES = 6  # of a stretch
SHARP_PX = 1280  # width at which sharpness is compared


@dataclass(frozen=True, eq=False)
class Still:
    """The sharpest frame of a stretch.

    Attributes
    ----------
    frame : Frame
        Its number counts the frames of the recording from 1.
    sharpness : float
        Variance of the Laplacian; says something only beside that of other frames of the same stretch.
    """

    frame: Frame
    sharpness: float


def frames_of(path: Path) -> Iterator[Frame]:
    """Frames of a recording, one after the other.

    Parameters
    ----------
    path : Path

    Yields
    ------
    Frame

    Raises
    ------
    WearscopeError
        It is no video that can be read.
    """
    video = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    try:
        fps, number = video.get(cv2.CAP_PROP_FPS) or 25.0, 0
        while True:
            whole, pixels = video.read()
            if not whole or pixels is None:
                break
            number += 1
            yield Frame(number, np.ascontiguousarray(pixels[..., ::-1]), number / fps)
        if not number:
            raise WearscopeError(f"{path} is no video that can be read", "give a recording in MP4 or AVI")
    finally:
        video.release()


def stills(frames: Iterable[Frame]) -> Iterator[Still]:
    """The sharpest frame of each flute, in the order of the recording.

    Parameters
    ----------
    frames : iterable of Frame

    Yields
    ------
    Still

    Notes
    -----
    Movement from frame to frame by phase correlation (C. D. Kuglin, D. C. Hines, 1975), sharpness by the variance of
    the Laplacian (J. L. Pech-Pacheco et al., ICPR 2000, from memory).
    """
    best: Still | None = None  # of the flute so far
    stretch: list[Still] = []  # its length, and its sharpest frame alone
    before: NDArray[np.float32] | None = None
    steady, gone = 0, np.zeros(2)
    for frame in frames:
        small = small_of(frame.pixels)
        step, like = (
            (np.full(2, np.inf), 0.0)
            if before is None or before.shape != small.shape
            else step_between(before, small)
        )
        before = small
        if like < LEAST_LIKE or np.hypot(*step) > STILL_SHARE:
            steady, stretch = 0, []
            gone = gone + step if like >= LEAST_LIKE else np.full(2, np.inf)
            continue
        steady += 1
        now = Still(frame, _sharpness(frame.pixels))
        stretch = [max([*stretch, now], key=lambda one: one.sharpness)]
        if steady < LEAST_FRAMES:
            continue
        if best is not None and not np.hypot(*gone) < OTHER_SHARE:
            yield best
            best = None
        gone = np.zeros(2) if best is None else gone
        best = stretch[0] if best is None else max(best, stretch[0], key=lambda one: one.sharpness)
    if best is not None:
        yield best


def places_from(trial: Trial, first: Place) -> list[Place]:
    """Where the flutes belong that come one after the other in a recording.

    Parameters
    ----------
    trial : Trial
    first : Place
        Of the first.

    Returns
    -------
    list of Place
        All at the same checkpoint.
    """
    flutes = trial.all_flutes()
    here = (first.bit, first.flute)
    following = flutes[flutes.index(here) :] if here in flutes else [here]
    return [replace(first, bit=bit, flute=flute) for bit, flute in following]


def small_of(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """A frame as small as movement is seen in.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3)

    Returns
    -------
    ndarray
        Grey, `SMALL_PX` wide.
    """
    height, width = pixels.shape[:2]
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    size = SMALL_PX, max(8, round(height * SMALL_PX / width))
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32)


def step_between(before: NDArray[np.float32], now: NDArray[np.float32]) -> tuple[NDArray[np.float64], float]:
    """Movement from one small frame to the next, and how like the two are.

    Parameters
    ----------
    before, now : ndarray
        As from `small_of`.

    Returns
    -------
    step : ndarray, shape (2,)
        To the right and down, in shares of the width.
    like : float
        0 to 1, the response of the phase correlation.
    """
    window = cv2.createHanningWindow(now.shape[::-1], cv2.CV_32F)
    shift, like = cv2.phaseCorrelate(before, now, window)
    return np.array(shift) / SMALL_PX, float(like)


def _sharpness(pixels: NDArray[np.uint8]) -> float:
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    if grey.shape[1] > SHARP_PX:
        size = SHARP_PX, round(grey.shape[0] * SHARP_PX / grey.shape[1])
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    return float(cv2.Laplacian(grey, cv2.CV_32F).var())
