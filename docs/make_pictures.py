"""Make the right and wrong pictures of the photo guide, and have wearscope say what it makes of each.

``python docs/make_pictures.py`` writes ``docs/pictures``. Each wrong picture is the right one with one mistake: what
a camera would have seen, as far as that can be made from a finished photo.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.pipeline.run import judge_trial
from wearscope.samples import copy_sample_trial, sample_trial_folder
from wearscope.trial import Trial, load_trial

PICTURES = Path(__file__).parent / "pictures"
PHOTO, OTHER_FLUTE = "photos/plover-300-1.jpg", "photos/plover-300-2.jpg"
WIDTH_PX = 640

Picture = NDArray[np.uint8]


@dataclass(frozen=True)
class Mistake:
    """A mistake in taking a photo.

    Attributes
    ----------
    name : str
        Of the file.
    make : callable
        From the right picture to the wrong one.
    """

    name: str
    make: Callable[[Picture], Picture]


def light(picture: Picture) -> NDArray[np.float64]:
    """Linear light of a picture, as far as sRGB goes (IEC 61966-2-1, from memory)."""
    value = picture / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def picture(light: NDArray[np.float64]) -> Picture:
    """The picture of linear light; more than 1 is burnt out."""
    light = np.clip(light, 0.0, 1.0)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255.0 * value).astype(np.uint8)


def another_flute(right: Picture) -> Picture:
    """The same place of the bit's other flute."""
    other = cv2.imread(str(sample_trial_folder() / OTHER_FLUTE))
    return np.asarray(cv2.resize(other, right.shape[1::-1]), np.uint8)


MISTAKES = (
    Mistake("out-of-focus", lambda right: picture(cv2.GaussianBlur(light(right), (0, 0), 9.0))),
    Mistake("shaken", lambda right: picture(cv2.filter2D(light(right), -1, np.ones((45, 1)) / 45.0))),
    Mistake("burnt-out", lambda right: picture(2.5 * light(right))),
    Mistake("edge-at-the-rim", lambda right: np.ascontiguousarray(right[: int(0.6 * len(right))])),
    Mistake("another-flute", another_flute),
)


def main() -> None:
    """Write the pictures, and print what wearscope says of each."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        trial = two_photos(Path(folder))
        right = cv2.imread(str(trial.photos[-1].path))
        for mistake in (Mistake("right", lambda right: right), *MISTAKES):
            wrong = mistake.make(right)
            small = cv2.resize(
                wrong, None, fx=(f := WIDTH_PX / right.shape[1]), fy=f, interpolation=cv2.INTER_AREA
            )
            cv2.imwrite(str(PICTURES / f"{mistake.name}.jpg"), small, [cv2.IMWRITE_JPEG_QUALITY, 85])
            print(f"{mistake.name}: {what_is_said(trial, wrong)}")


def two_photos(folder: Path) -> Trial:
    """The sample trial with nothing but the photo and its new-state photo."""
    trial = load_trial(copy_sample_trial(folder / "trial"))
    (entry,) = (photo for photo in trial.photos if photo.file == PHOTO)
    (new,) = (p for p in trial.photos if (p.bit, p.flute, p.parts) == (entry.bit, entry.flute, 0))
    return trial.model_copy(update={"photos": (new, entry)})


def what_is_said(trial: Trial, wrong: Picture) -> str:
    """What wearscope says of the later photo, were it this picture: fit, or what is wrong."""
    path = trial.photos[-1].path
    right = path.read_bytes()
    try:
        cv2.imwrite(str(path), wrong, [cv2.IMWRITE_JPEG_QUALITY, 95])
        found = judge_trial(trial, jobs=1)[-1]
        judged = found.judgement
        return found.refusal or "; ".join((judged.verdict, *judged.remarks) if judged else ())
    finally:
        path.write_bytes(right)


if __name__ == "__main__":
    main()
