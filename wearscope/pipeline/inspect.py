"""One photo from its file to its records, by the way of its view."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.scale import Scale
from wearscope.light.zone_light import EdgeOutOfFrameError
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.sources import Memory, Sources
from wearscope.pipeline.views import way_of
from wearscope.trial.correction import Correction
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial

_NOT_IN_FRAME = (
    "{}: too little is in the frame on one side of what looks like the edge; "
    "leave room on both sides of the cutting edge, or mark it with edge_near"
)


def inspect_photo(
    trial: Trial,
    entry: PhotoEntry,
    scales: Mapping[str, Scale],
    corrections: Mapping[str, Correction] | None = None,
    memory: Memory | None = None,
    not_its_own: Mapping[PhotoEntry, PhotoRefused] | None = None,
    of_new_states: Memory | None = None,
) -> Inspection:
    """Measure one photo of a trial; a photo that cannot be measured is a refusal, not an exception.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
    scales : mapping
        Scale by name, as from `read_scales`.
    corrections : mapping, optional
        What people have said of photos, by the photo's sha256.
    memory : Memory, optional
        Makes measuring again quick.
    not_its_own : mapping, optional
        Refusals of photos that are the same picture as others, as from `same_as_others`.
    of_new_states : Memory, optional
        Makes the later photos of a flute quick, as from `memory_of_new_states`.

    Returns
    -------
    Inspection
    """
    sources = Sources(scales, corrections or {}, memory or Memory(), not_its_own or {}, of_new_states)
    try:
        return way_of(entry).inspect(trial, entry, sources)
    except (PhotoRefused, EdgeOutOfFrameError) as problem:
        line, code = _refusal(entry, problem)
        sha256 = ""
        with suppress(PhotoRefused):
            sha256 = sources.as_read(entry).sha256
        return Inspection(entry, (), line, photo_sha256=sha256, refusal_code=code)


def judge_photo(
    trial: Trial,
    entry: PhotoEntry,
    scales: Mapping[str, Scale],
    corrections: Mapping[str, Correction] | None = None,
    not_its_own: Mapping[PhotoEntry, PhotoRefused] | None = None,
    of_new_states: Memory | None = None,
) -> Judgement:
    """Judge one photo without measuring wear.

    Parameters
    ----------
    trial, entry, scales, corrections, not_its_own, of_new_states
        As in `inspect_photo`.

    Returns
    -------
    Judgement
    """
    sources = Sources(scales, corrections or {}, Memory(), of_new_states=of_new_states)
    try:
        return way_of(entry).judge(trial, entry, sources)
    except (PhotoRefused, EdgeOutOfFrameError) as problem:
        line, _ = _refusal(entry, problem)
        return Judgement(entry, "refused", (line,), None, None, None, "")


def _refusal(entry: PhotoEntry, problem: PhotoRefused | EdgeOutOfFrameError) -> tuple[str, str]:
    """Line that names the photo and the cure, and the code of its kind."""
    if isinstance(problem, EdgeOutOfFrameError):
        return _NOT_IN_FRAME.format(entry.path.name), "edge-at-frame"
    return str(problem), problem.code
