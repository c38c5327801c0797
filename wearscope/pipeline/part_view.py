"""A photo of the edge of a cut part from its file to its records: where its top layer has broken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from wearscope.errors import PhotoRefused
from wearscope.imaging.part_edge import part_strip
from wearscope.imaging.prepared_photo import PreparedPhoto, block_side, prepare, remarks_of_scale
from wearscope.light.strip import Strip
from wearscope.pipeline.inspection import Drawing, Inspection, budgets_of, records_of
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.sources import Sources
from wearscope.quantities.reasons import Reason
from wearscope.report.reason_words import note_of
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.tear_out import LEAST_FACE_UM, TearOut, find_tear_out, tear_out_findings


@dataclass(frozen=True, eq=False)
class PartDrawing(Drawing):
    """The edge of a part lengthwise.

    Attributes
    ----------
    strip : Strip
    seen : TearOut
    """

    strip: Strip
    seen: TearOut


def inspect_part(_trial: Trial, entry: PhotoEntry, sources: Sources) -> Inspection:
    """Measure a photo of a part's edge: break-outs of its top layer.

    Parameters
    ----------
    _trial : Trial
    entry : PhotoEntry
    sources : Sources

    Returns
    -------
    Inspection

    Raises
    ------
    PhotoRefused
        The photo cannot carry a measurement.
    """
    prepared, strip, seen = _edge_in(entry, sources)
    scale = sources.scale(entry)
    method = "part-edge+hand" if sources.by_hand(entry) else "part-edge"
    findings = tear_out_findings(seen, scale.u_share, method)
    remarks = remarks_of_scale(prepared.photo, scale)
    return Inspection(
        entry,
        records_of(entry, findings, remarks, prepared.photo, scale.um_per_px),
        drawing=None if isinstance(seen, Reason) else PartDrawing(strip, seen),
        photo_sha256=prepared.photo.sha256,
        budgets=budgets_of(findings),
    )


def judge_part(_trial: Trial, entry: PhotoEntry, sources: Sources) -> Judgement:
    """Judge a photo of a part's edge without measuring it.

    Parameters
    ----------
    _trial : Trial
    entry : PhotoEntry
    sources : Sources

    Returns
    -------
    Judgement

    Raises
    ------
    PhotoRefused
        The photo cannot carry a measurement.
    """
    prepared, _, seen = _edge_in(entry, sources)
    if isinstance(seen, Reason):
        return Judgement(entry, "refused", (note_of([seen]),), None, None, None, "")
    scale = sources.scale(entry)
    remarks = (note_of(remarks_of_scale(prepared.photo, scale)), *prepared.photo.notes)
    verdict: Literal["fit", "doubtful"] = "doubtful" if seen.alike else "fit"
    return Judgement(entry, verdict, tuple(filter(None, remarks)), None, None, None, "")


def _edge_in(entry: PhotoEntry, sources: Sources) -> tuple[PreparedPhoto, Strip, TearOut | Reason]:
    """A part's edge, straightened, with what is seen of its top layer."""
    said, scale = sources.said_of(entry), sources.scale(entry)
    prepared: PreparedPhoto = sources.recall(prepare, sources.photo(entry), block_side(scale.um_per_px))
    near_px = said.edge.points_px if said.edge is not None else entry.edge_near
    um_per_px = scale.um_per_px * prepared.reduction
    strip = part_strip(prepared, um_per_px, near_px, entry.tool_at)
    in_frame = np.isfinite(strip.light[..., 0]).mean(axis=1) > 0.5
    strip = strip.between(float(strip.d_um[in_frame][0]), float(strip.d_um[in_frame][-1]) + 0.5 * um_per_px)
    if strip.d_um[-1] < LEAST_FACE_UM or strip.d_um[0] > -0.5 * LEAST_FACE_UM:
        raise PhotoRefused(
            f"{entry.path.name}: too little of the part or of the ground is in the frame",
            f"show {LEAST_FACE_UM / 1000:g} mm and more of the part's face beside its edge, and 1 mm of the ground",
            "part-at-frame",
        )
    return prepared, strip, find_tear_out(strip)
