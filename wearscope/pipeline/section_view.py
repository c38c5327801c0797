"""A profile view from its file to its records: the section, its tip, the shape of the tip."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.prepared_photo import PhotoScale, remarks_of_scale
from wearscope.imaging.section import Section, find_section
from wearscope.metrology.findings import found, in_doubt
from wearscope.metrology.uncertainty import Input, linear
from wearscope.pipeline.inspection import Inspection, SectionDrawing, budgets_of, records_of
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.sources import Sources
from wearscope.quantities.reasons import reason
from wearscope.report.reason_words import note_of
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.measured import scale_error
from wearscope.wear.section import SectionView, tip_findings
from wearscope.wear.sharpness import blur_doubts
from wearscope.wear.tip import NoTipError, TipFit, fit_tip

IN_FOCUS_PX = 2.6  # of blur: a sharper photo may show a tip sharper than itself, and say so


def inspect_section(trial: Trial, entry: PhotoEntry, sources: Sources) -> Inspection:
    """Measure a photo of the edge's section: the shape of its tip.

    Parameters
    ----------
    trial : Trial
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
    scale = sources.scale(entry)
    section, fit = _tip_in(entry, scale, sources)
    view, new_view, warnings = _section_view(section, fit, scale), None, []
    new_entry = trial.new_state(entry)
    if new_entry is not None:
        try:
            new_scale = sources.scale(new_entry)
            new_view = _section_view(*_tip_in(new_entry, new_scale, sources), new_scale)
        except PhotoRefused as problem:
            warnings.append(f"the new-state photo cannot be set beside it ({problem.what})")
    bit = trial.bit(entry.bit)
    u_scale = scale.u_share
    method = "section+hand" if sources.by_hand(entry) else "section"
    tilt, u_tilt = np.radians(entry.view_tilt_deg), np.radians(entry.u_view_tilt_deg)
    findings = tip_findings(fit, u_scale, tilt, u_tilt, section.doubts, by_hand=sources.by_hand(entry))
    angle = next(finding for finding in findings if finding.quantity == "wedge_angle")
    if angle.value is not None and angle.u is not None and bit.given("wedge_angle_deg"):
        off = abs(angle.value - bit.wedge_angle_deg)
        if off > 3.0 * np.hypot(angle.u, bit.u_wedge_angle_deg):
            warnings.append(
                f"its wedge angle is {angle.value:.1f}°, the trial file says {bit.wedge_angle_deg:g}°; "
                "check wedge_angle_deg and where the section was taken"
            )
    blur_um = section.blur_px * scale.um_per_px
    read = Input("blur in the profile", 0.0, section.u_contour_blur_px * scale.um_per_px)
    blur = linear(blur_um, [(1.0, read), (blur_um, scale_error(u_scale))])
    remark = reason("outline-seen", contrast=section.contrast, scatter_um=fit.noise_um)
    findings.append(found("sharpness", "whole", blur_um, blur, method, remarks=[remark]))
    findings = in_doubt(findings, (*scale.doubts, *blur_doubts(blur_um)))
    remarks = remarks_of_scale(section.photo, scale)
    return Inspection(
        entry,
        records_of(entry, findings, remarks, section.photo, scale.um_per_px),
        warnings=tuple(f"{section.name}: {warning}" for warning in warnings),
        drawing=SectionDrawing(view, new_view),
        photo_sha256=section.photo.sha256,
        budgets=budgets_of(findings),
    )


def judge_section(_trial: Trial, entry: PhotoEntry, sources: Sources) -> Judgement:
    """Judge a profile photo without measuring it.

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
    scale = sources.scale(entry)
    section, _ = _tip_in(entry, scale, sources)
    notes = [note_of(remarks_of_scale(section.photo, scale)), *section.photo.notes]
    blur_um = section.blur_px * scale.um_per_px
    doubts = (*section.doubts, *scale.doubts, *blur_doubts(blur_um))
    return Judgement(
        entry,
        "doubtful" if doubts else "fit",
        tuple(filter(None, [note_of(doubts), *notes])),
        blur_um,
        section.clipped_share,
        section.contrast,
        "bright" if section.dark_tool else "dark",
    )


def _tip_in(entry: PhotoEntry, scale: PhotoScale, sources: Sources) -> tuple[Section, TipFit]:
    """The tip in a profile photo."""
    said = sources.said_of(entry)
    near_px = said.edge.points_px if said.edge is not None else entry.edge_near
    section = find_section(sources.photo(entry), near_px=near_px)
    um = scale.um_per_px
    try:
        fit = fit_tip(
            scale.places_um(section.points_px),
            apex_um=scale.places_um(section.apex_px[None])[0],
            bisector_angle=section.bisector_angle,
            wedge_angle=section.wedge_angle,
            step_um=um,
            blur_um=section.contour_blur_px * um,
            u_blur_um=section.u_contour_blur_px * um,
            u_level_um=section.u_level_px * um,
        )
    except NoTipError as problem:
        raise PhotoRefused(
            f"{section.name}: {problem}",
            "bring the tip to the middle of the frame, or use less magnification, and clean the section",
            "tip-not-seen",
        ) from problem
    blur_um = section.blur_px * um
    if section.blur_px > IN_FOCUS_PX and blur_um > fit.radius_um:
        raise PhotoRefused(
            f"{section.name}: out of focus: its blur of {blur_um:.3g} um is more than the tip's radius",
            "focus on the section, steady the microscope, and take it again",
            "out-of-focus",
        )
    return section, fit


def _section_view(section: Section, fit: TipFit, scale: PhotoScale) -> SectionView:
    """The tip with the part of the photo that its fit rests on, in pixels as wide as they are high."""
    points = fit.points_um / (scale.um_per_px_x, scale.um_per_px_y)
    margin = 0.5 * float(np.ptp(points, axis=0).max())  # so that the tip can be shown pointing up
    low = np.maximum(np.floor(points.min(axis=0) - margin), 0).astype(int)
    high = np.ceil(points.max(axis=0) + margin).astype(int) + 1
    if scale.lens is not None:
        return _straightened_view(section, fit, scale, low, high)
    light = section.photo.linear(slice(low[1], high[1]), slice(low[0], high[0]))
    wide, high = scale.aspect
    if wide == high:
        return SectionView(light, (float(low[0]), float(low[1])), scale.um_per_px, fit)
    square = cv2.resize(light, None, fx=wide, fy=high, interpolation=cv2.INTER_LINEAR).astype(np.float32)
    # corners coincide, centres of pixels do not
    column, row = low * scale.aspect + 0.5 * (1.0 - np.array(scale.aspect))
    return SectionView(square, (float(column), float(row)), scale.um_per_px, fit)


def _straightened_view(
    section: Section, fit: TipFit, scale: PhotoScale, low: NDArray[np.int64], high: NDArray[np.int64]
) -> SectionView:
    """The same where a lens has bent the photo."""
    assert scale.lens is not None
    low, high = np.floor(low * scale.aspect).astype(int), np.ceil(high * scale.aspect).astype(int)
    columns, rows = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    shown = scale.lens.shown(np.stack([columns, rows], axis=-1).astype(float)) / scale.aspect
    first, last = np.maximum(np.floor(shown.min(axis=(0, 1))), 0), np.ceil(shown.max(axis=(0, 1))) + 1
    (left, top), (right, bottom) = first.astype(int), last.astype(int)
    light = section.photo.linear(slice(top, bottom), slice(left, right))
    columns, rows = np.moveaxis((shown - (left, top)).astype(np.float32), -1, 0)
    straight = cv2.remap(light, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return SectionView(np.asarray(straight, np.float32), (float(low[0]), float(low[1])), scale.um_per_px, fit)
