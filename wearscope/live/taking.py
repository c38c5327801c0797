"""From a frame to a photo of the trial: when to take it, and the judging that decides.

`Patience` waits until nothing is seen to be wrong with a frame and nothing moves. The still picture is then written
without loss, as large as it came, and judged by `wearscope.live.filing.judge`: by all that judging and measuring do
with a file. What is filed is that very file, so what is called good here is what measuring will get.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2

from wearscope.errors import WearscopeError
from wearscope.imaging.calibration.scale import Scale
from wearscope.live.filing import Place, Verdict, file_picture, judge, next_place, reason_of, shows
from wearscope.live.guide import Look
from wearscope.live.source import Frame
from wearscope.live.words import advice
from wearscope.log.export import write_bytes
from wearscope.pipeline.pictures import Likenesses
from wearscope.trial import PhotoEntry, Trial
from wearscope.trial.correction import Correction

STEADY_FRAMES = 6  # that must be good one after the other; chosen: a quarter of a second
STEADY_UM = 6.0  # that the edge may move from one of them to the next; chosen: within the least blur
TAKEN = "taken"
"""Folder beside the wear log for pictures until they are filed; what cannot be filed stays there."""
ELSEWHERE = "wearscope-taken"
"""Folder in the person's own for pictures of a trial whose folder cannot be written."""
AGAIN_S = 1.5  # after a picture that was not good, before the next is tried; chosen: time to read why


class Patience:
    """Waits for a frame worth judging. One for each place."""

    def __init__(self) -> None:
        self._good = 0
        self._not_before_s = 0.0

    def ready(self, look: Look) -> bool:
        """Whether to take this frame.

        Parameters
        ----------
        look : Look
            Of every frame, in their order.

        Returns
        -------
        bool
        """
        steady = look.followed and look.moved_um <= STEADY_UM and not advice(look)
        self._good = self._good + 1 if steady else 0
        return self._good >= STEADY_FRAMES and look.frame.at_s >= self._not_before_s

    def not_good(self, look: Look) -> None:
        """The picture of this frame was judged, and is not good: wait a little before the next.

        Parameters
        ----------
        look : Look
        """
        self._good, self._not_before_s = 0, look.frame.at_s + AGAIN_S


@dataclass(frozen=True)
class Taken:
    """What became of a picture.

    Attributes
    ----------
    verdict : Verdict
    photo : PhotoEntry or None
        As it was filed; None if it was not.
    trial : Trial
        With the photo in it.
    following : Place
        Where the next picture most likely belongs; the same place if this one was not filed.
    """

    verdict: Verdict
    photo: PhotoEntry | None
    trial: Trial
    following: Place


def still(frame: Frame, path: Path) -> Path:
    """Write a frame as it is, without loss and whole or not at all.

    Parameters
    ----------
    frame : Frame
    path : Path
        Ends in ``.png``.

    Returns
    -------
    Path

    Raises
    ------
    WearscopeError
        It cannot be written.
    """
    _, content = cv2.imencode(".png", frame.pixels[..., ::-1])
    write_bytes(path, content.tobytes())
    return path


def keep_frame(frame: Frame, out_dir: Path) -> Path:
    """Write a frame into the folder `TAKEN`, or where that cannot be written into one of the person's own folder.

    Parameters
    ----------
    frame : Frame
    out_dir : Path
        Where the wear log is.

    Returns
    -------
    Path
        Of the picture.

    Raises
    ------
    WearscopeError
        It can be written in neither, and says why.
    """
    problems = []
    for folder in (out_dir / TAKEN, Path.home() / ELSEWHERE):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return still(frame, folder / f"{datetime.now():%Y%m%d-%H%M%S-%f}.png")
        except (OSError, WearscopeError) as error:
            problems.append(f"{folder} cannot be written ({reason_of(error)})")
    raise WearscopeError(
        f"the picture is not taken: {'; '.join(problems)}",
        "make room, or let one of them be written to; leave the bit under the lens and take it again",
    )


def take(
    trial: Trial,
    picture: Path,
    place: Place,
    scales: Mapping[str, Scale],
    corrections: Mapping[str, Correction] | None = None,
    known: Likenesses | None = None,
) -> Taken:
    """Judge a picture as measuring would, and file it if it is good.

    Parameters
    ----------
    trial : Trial
    picture : Path
    place : Place
        What it shows.
    scales : mapping
        Scale by name.
    corrections : mapping, optional
        Of the trial's photos, by the photo's sha256.
    known : Likenesses, optional
        What the trial's pictures look like, as far as that has been found out.

    Returns
    -------
    Taken

    Raises
    ------
    WearscopeError
        It is good but cannot be filed; the trial is as before, and the picture where it was.
    """
    verdict = judge(trial, picture, place, scales, corrections, known)
    if not verdict.fit:
        return Taken(verdict, None, trial, place)
    trial = file_picture(trial, picture, place)
    (photo,) = [one for one in trial.photos if shows(one, place)]
    return Taken(verdict, photo, trial, next_place(trial, place))
