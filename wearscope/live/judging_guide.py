"""What is still wrong with a frame in a view without a flute's edge lengthwise: of a profile, or of a cut part.

There no line is followed from frame to frame and nothing is laid over a new-state photo: each frame is inspected by
the very way that its photo will go, which takes tenths of a second, so fewer frames are looked at. What would refuse
the photo is said with its cure; focus and light are read where the edge was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import Photo
from wearscope.imaging.quality import strip_quality
from wearscope.imaging.section import WORST_BLUR_PX
from wearscope.light.clipping import CLIPPED
from wearscope.light.strip import Strip, grey
from wearscope.live.guide import EVERY, NO_GHOST, Array, Ghost, Look, brightness, photo_of
from wearscope.live.source import Frame
from wearscope.live.stills import LEAST_LIKE, small_of, step_between
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.sources import Memory, Sources
from wearscope.pipeline.views import way_of
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.section import SectionView

OUTLINE_POINTS = 120  # of an outline, that are drawn
BRIGHT_SHARE, DARK_SHARE = 0.9, 0.1  # of the picture around a tip: the levels of its two sides
FULL = 255
# Blur from which a photo counts as soft; chosen, no source. A tip blunter than that bears as much as it is blunt
SOFT_PX = 2.6
SOFT_STRIP_PX = 3.0  # of a part's edge, whose break-outs are many times as wide


class JudgingGuide:
    """Inspects frame after frame. Not to be called from two threads at once.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
        What the photo will be.
    scales : mapping
        Scale by name.
    """

    ghost: Ghost = NO_GHOST

    def __init__(self, trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale]) -> None:
        # without photos of the same flute, which would be inspected with each frame
        self._trial, self._entry = trial.model_copy(update={"photos": ()}), entry
        self._scales = scales
        self._before: NDArray[np.float32] | None = None

    def close(self) -> None:
        """Nothing runs beside."""

    def look(self, frame: Frame) -> Look:
        """See what a frame shows.

        Parameters
        ----------
        frame : Frame

        Returns
        -------
        Look
        """
        sources = _OfFrame(self._scales, {}, Memory(), shown=photo_of(frame))
        try:
            um_per_px = sources.scale(self._entry).um_per_px
            moved_um = self._moved_um(frame, um_per_px)
            found = way_of(self._entry).inspect(self._trial, self._entry, sources)
        except PhotoRefused as problem:
            return _refused(frame, str(problem))
        strip = getattr(found.drawing, "strip", None)  # of whatever view lays an edge straight
        if isinstance(strip, Strip):
            return _of_strip(frame, strip, um_per_px, moved_um)
        if found.section is not None:
            return _of_section(frame, found, found.section, moved_um)
        why = next((row.note for row in found.records if row.status == "refused"), "nothing to be measured")
        return _refused(frame, why)

    def _moved_um(self, frame: Frame, um_per_px: float) -> float:
        """How far the picture has moved since the frame before; infinite where that is not to be told."""
        now, before = small_of(frame.pixels), self._before
        self._before = now
        if before is None or before.shape != now.shape:
            return np.inf
        step, like = step_between(before, now)
        return float(np.hypot(*step)) * frame.pixels.shape[1] * um_per_px if like >= LEAST_LIKE else np.inf


@dataclass(frozen=True)
class _OfFrame(Sources):
    """Whatever photo is asked for, it is the frame."""

    shown: Photo = field(kw_only=True)

    def as_read(self, entry: PhotoEntry) -> Photo:
        return self.shown


def _refused(frame: Frame, why: str) -> Look:
    """A look at a frame in which nothing is found; its reason names no file, for there is none yet."""
    burnt = float((frame.pixels[::EVERY, ::EVERY] == FULL).any(axis=2).mean())
    return Look(frame, np.empty((0, 2)), clipped_share=burnt, refused=why.removeprefix("live: "))


def _of_section(frame: Frame, found: Inspection, view: SectionView, moved_um: float) -> Look:
    fit, um_per_px = view.fit, view.um_per_px
    blur_um = next(row.value for row in found.records if row.quantity == "sharpness")
    most_um = max(SOFT_PX * um_per_px, min(fit.radius_um, WORST_BLUR_PX * um_per_px))
    light = grey(view.light)
    light = light[np.isfinite(light)]
    dark, bright = np.quantile(light, [DARK_SHARE, BRIGHT_SHARE])
    of_bright = light > 0.5 * (dark + bright)
    points = fit.points_um[fit.kept] / um_per_px
    return Look(
        frame,
        _thinned(points),
        np.nan if blur_um is None else blur_um,
        most_um,
        float((light[of_bright] >= CLIPPED).mean()) if of_bright.any() else 0.0,
        float(bright),
        float((bright - dark) / (bright + dark + 1e-3)),
        moved_um=moved_um,
        refused="",
    )


def _of_strip(frame: Frame, strip: Strip, um_per_px: float, moved_um: float) -> Look:
    quality = strip_quality(strip)
    return Look(
        frame,
        np.empty((0, 2)),
        quality.finest_um,
        SOFT_STRIP_PX * um_per_px,
        quality.clipped_share,
        brightness(strip),
        quality.contrast,
        quality.background != "mixed",
        moved_um,
        refused="",
    )


def _thinned(points: Array) -> Array:
    return points[:: max(1, len(points) // OUTLINE_POINTS)]
