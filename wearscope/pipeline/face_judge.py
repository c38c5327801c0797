"""Whether a view of relief or rake face can carry a measurement: what measuring it would say, without numbers."""

from __future__ import annotations

from typing import Literal

from wearscope.imaging.located_edge import LocatedEdge
from wearscope.light.edge_light import LightFit
from wearscope.pipeline.face_known import bit_doubts, edge_of, lighting_of
from wearscope.pipeline.face_new import (
    fit_as_new,
    found_new,
    locate_new,
    new_doubts,
    require_quality,
    shows_wear,
)
from wearscope.pipeline.face_order import NEW_STATE_SHOWS_WEAR, own_step
from wearscope.pipeline.face_stages import follow_face
from wearscope.pipeline.judgement import Judgement, OwnStep
from wearscope.pipeline.sources import Sources
from wearscope.quantities.reasons import Reason
from wearscope.report.reason_words import note_of, words_of
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.sharpness import blur_doubts

DOUBTFUL_CLIPPED = 0.05  # of the edge; more burnt-out light makes a photo doubtful


def judge_face(trial: Trial, entry: PhotoEntry, sources: Sources) -> Judgement:
    """Judge a photo of relief or rake face without measuring wear.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
    sources : Sources

    Returns
    -------
    Judgement
        Of a later photo with all that its new-state photo says, as when it is measured.

    Raises
    ------
    PhotoRefused, EdgeOutOfFrameError
        The photo cannot carry a measurement.
    """
    bit = trial.bit(entry.bit)
    if entry.parts == 0:
        located, edge = locate_new(trial, entry, sources), edge_of(bit, entry)
        fit = fit_as_new(located, edge.radius_um, lighting_of(trial, entry))
        require_quality(located, fit)
        worn = shows_wear(trial, entry, sources, edge)
        own = new_doubts(located, fit, edge, marked=sources.by_hand(entry))
        doubts = (*own, *((NEW_STATE_SHOWS_WEAR,) if worn else ()))
        of_scale = (*bit_doubts(located, bit), *blur_doubts(fit.blur_um))
        step = own_step(found_new(trial, entry, sources), coated=bit.coated)
        return _judgement(entry, located, fit, doubts, of_scale, (), step)
    followed = follow_face(trial, entry, sources)
    pair, located = followed.pair, followed.divided.located
    doubts = (*followed.doubts, *((NEW_STATE_SHOWS_WEAR,) if pair.new_worn else ()))
    remarks = (*pair.warnings, *followed.doubts_of_match)
    step = own_step(pair.now, coated=bit.coated)
    return _judgement(entry, located, followed.fitted.own, doubts, followed.doubts_of_scale, remarks, step)


def _judgement(
    entry: PhotoEntry,
    located: LocatedEdge,
    fit: LightFit,
    doubts: tuple[Reason, ...],
    of_scale: tuple[Reason, ...],
    remarks: tuple[str, ...],
    step: OwnStep | None,
) -> Judgement:
    quality = located.quality
    lines = [words_of(doubt) for doubt in doubts]
    if quality.clipped_share > DOUBTFUL_CLIPPED:
        lines.append(f"{quality.clipped_share:.0%} of the edge is burnt out; dim the lamp")
    lines += [note_of((each,)) for each in dict.fromkeys((*located.scale_doubts, *of_scale))]
    verdict: Literal["fit", "doubtful"] = "doubtful" if lines else "fit"
    told = [*remarks, *filter(None, (note_of(located.scale_remarks), *located.photo.notes))]
    if quality.background != "bright":
        told.append(f"{quality.background} background; a white card behind the flute makes the edge surer")
    return Judgement(
        entry,
        verdict,
        (*lines, *told),
        fit.blur_um,
        quality.clipped_share,
        quality.contrast,
        quality.background,
        step,
    )
