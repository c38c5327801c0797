"""A face view of the new state, the radius and coating to compare with later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.quality import refusal, softer_than_photo
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, EdgeView
from wearscope.light.zone_light import Lighting, fit_unused, mean_light, with_unresolved
from wearscope.pipeline.face_known import bit_doubts, edge_of, lighting_of
from wearscope.pipeline.face_order import NEW_STATE_SHOWS_WEAR, doubted, own_step
from wearscope.pipeline.face_outcome import (
    bare_of,
    chip_spans_um,
    findings_along,
    inspection_of,
    light_seen,
    method_of,
    method_words,
)
from wearscope.pipeline.inspection import EdgeDrawing, Inspection, Placing
from wearscope.pipeline.judgement import OwnStep
from wearscope.pipeline.sources import Sources
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.chips import find_chips
from wearscope.wear.coating_map import read_coating
from wearscope.wear.datum import Zones
from wearscope.wear.measured import Edge, ZoneFits, measured_strip
from wearscope.wear.recession import rounding_plain, unused_radius_finding
from wearscope.wear.sharpness import blur_doubts, shaken, sharpness_finding
from wearscope.wear.zone_lights import sharpest
from wearscope.wear.zones import zone_labels

EDGE_UNCLEAR = "edge-unclear"
"""Code of the refusal of a photo in which several lines could be the edge."""


def inspect_new_face(trial: Trial, entry: PhotoEntry, sources: Sources) -> Inspection:
    """Measure a photo of relief or rake face taken before the bit has cut.

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
    PhotoRefused, EdgeOutOfFrameError
        The photo cannot carry a measurement.
    """
    located, lighting = locate_new(trial, entry, sources), lighting_of(trial, entry)
    bit = trial.bit(entry.bit)
    edge = edge_of(bit, entry)
    worn = shows_wear(trial, entry, sources, edge)
    fit = fit_as_new(located, edge.radius_um, lighting)
    require_quality(located, fit)
    fit = with_unresolved(fit, under(located, lighting))
    strip = located.strip_along(located.smooth_um)
    zones, fits, u_scale = Zones(None, _all_unused(located), (), None), ZoneFits(fit, None), located.u_scale
    departure_um = located.trace_um - located.smooth_um
    measured = measured_strip(strip, departure_um, zones, fits, edge, u_scale, grey=located.photo.grey)
    words = method_words("new-state", edge, lighting, wedge_known=bit.given("wedge_angle_deg"))
    method = method_of(words, by_hand=sources.by_hand(entry))
    coating = read_coating(measured) if edge.coated else None
    # `strip` follows the edge into a wide notch; the one along the line does not
    along = measured_strip(
        located.strip, located.trace_um, zones, fits, edge, u_scale, u_scale_along=located.u_scale_along
    )
    chips = find_chips(along)
    found_um = found_new(trial, entry, sources).trace_um - located.smooth_um
    findings = [
        unused_radius_finding(measured, method),
        sharpness_finding(fit, located.quality.finest_um, u_scale, light_seen(located), method),
        *findings_along(measured, coating, chips, found_um, method),
    ]
    view = EdgeView(
        strip,
        measured.silhouette_um,
        measured.labels,
        measured.recession_um,
        bare_of(coating),
        chip_spans_um(chips),
        None,
        None,
    )
    placing = Placing(located, located.smooth_um, None, None, float("nan"))
    if worn:
        findings = doubted(findings, NEW_STATE_SHOWS_WEAR)
    of_scale = (*bit_doubts(located, trial.bit(entry.bit)), *blur_doubts(fit.blur_um))
    drawing = EdgeDrawing(view, None)
    return inspection_of(
        entry,
        findings,
        located,
        drawing,
        placing,
        doubts=new_doubts(located, fit, edge, marked=sources.by_hand(entry)),
        scale_doubts=of_scale,
    )


def shows_wear(trial: Trial, entry: PhotoEntry, sources: Sources, edge: Edge) -> bool:
    """Whether a new-state photo shows by itself that its flute has cut.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
    sources : Sources
    edge : Edge

    Returns
    -------
    bool

    Raises
    ------
    PhotoRefused
        Its edge cannot be found.
    """
    return sources.recall_of(entry)(_own_step, found_new(trial, entry, sources), edge.coated) is not None


def _own_step(located: LocatedEdge, coated: bool) -> OwnStep | None:
    return own_step(located, coated=coated)


def locate_new(trial: Trial, entry: PhotoEntry, sources: Sources) -> LocatedEdge:
    """Locate the edge in a new-state photo: all of it is of one kind, which sharpens its trace.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
    sources : Sources

    Returns
    -------
    LocatedEdge

    Raises
    ------
    PhotoRefused
        It has no scale, or no line in it is clearly the edge.
    """
    return sources.recall_of(entry)(_all_matched, found_new(trial, entry, sources))


def found_new(trial: Trial, entry: PhotoEntry, sources: Sources) -> LocatedEdge:
    """Find the edge of a new-state photo; where that is not plain, the one that lies as in a later photo.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
    sources : Sources

    Returns
    -------
    LocatedEdge

    Raises
    ------
    PhotoRefused
        As of `locate_new`.
    """
    try:
        return sources.located(entry)
    except PhotoRefused as unclear:
        like = _plain_edge(trial, entry, sources) if unclear.code == EDGE_UNCLEAR else None
        if like is None:
            raise
        return sources.located(entry, like)


def _plain_edge(trial: Trial, entry: PhotoEntry, sources: Sources) -> LocatedEdge | None:
    """The edge in the first later photo of a flute that shows it without doubt."""
    for later in trial.photos_of(entry.bit):
        if later is not entry and trial.new_state(later) is entry:
            try:
                located = sources.located(later)
            except PhotoRefused:
                continue
            if not located.doubts:
                return located
    return None


def _all_matched(located: LocatedEdge) -> LocatedEdge:
    return located.matched(np.ones(len(located.trace_um), bool))


def _all_unused(located: LocatedEdge) -> NDArray[np.int8]:
    return zone_labels(located.strip.s_um, located.seen, np.zeros(len(located.seen), bool), None, UNUSED)


def under(located: LocatedEdge, lighting: Lighting) -> Lighting:
    """The light as it falls in this photo.

    Parameters
    ----------
    located : LocatedEdge
    lighting : Lighting

    Returns
    -------
    Lighting
    """
    return replace(lighting, background=located.quality.background)


def fit_as_new(located: LocatedEdge, radius_um: tuple[float, float], lighting: Lighting) -> LightFit:
    """Fit the light across the whole visible edge, each column moved on to the trace.

    Parameters
    ----------
    located : LocatedEdge
    radius_um : (float, float)
        Edge radius when new and its standard uncertainty.
    lighting : Lighting

    Returns
    -------
    LightFit

    Raises
    ------
    EdgeOutOfFrameError
        Too little is in the frame on one side of the edge.
    """
    columns = sharpest(_all_unused(located) == UNUSED, located.steepness)
    mean = mean_light(located.strip, columns, located.smooth_um)
    return fit_unused(mean, under(located, lighting), radius_um, located.um_per_px)


def require_quality(located: LocatedEdge, fit: LightFit) -> None:
    """Refuse a photo that is too blurred, too dark or too burnt out to measure.

    Parameters
    ----------
    located : LocatedEdge
    fit : LightFit
        Of the edge where it is as new.

    Raises
    ------
    PhotoRefused
    """
    wrong = refusal(located.quality, fit.blur_um, located.um_per_px)
    if wrong is not None:
        raise PhotoRefused(f"{located.name}: {wrong[0]}", *wrong[1:])


def new_doubts(located: LocatedEdge, fit: LightFit, edge: Edge, *, marked: bool) -> tuple[Reason, ...]:
    """Why what a new-state photo shows may not be the edge of a tool, or not as it is taken for.

    A sharp step of light may be anything. That it is a tool's edge is said by a person, by marks on it or by the
    radius of this bit, or else by light that shows a rounding.

    Parameters
    ----------
    located : LocatedEdge
    fit : LightFit
    edge : Edge
    marked : bool
        Whether a person has marked anything in the photo.

    Returns
    -------
    tuple of Reason
    """
    doubts = (*located.doubts, *light_doubts(located, fit))
    if doubts or marked or edge.radius_stated or rounding_plain(fit):
        return doubts
    return (reason("no-rounding-seen"),)


def light_doubts(located: LocatedEdge, fit: LightFit) -> tuple[Reason, ...]:
    """Why the light across an edge that is in focus may not be what it is taken for.

    Parameters
    ----------
    located : LocatedEdge
    fit : LightFit
        Of the edge where it is as new.

    Returns
    -------
    tuple of Reason
    """
    if shaken(fit.blur_um, located.quality.finest_um, located.um_per_px):
        return (reason("photo-shaken"),)
    soft = softer_than_photo(located.quality, fit.blur_um, located.um_per_px)
    return (reason("light-unlike-an-edge"),) if soft else ()
