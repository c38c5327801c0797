"""One flute photo to its records: the whole way through, from the file to the numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.quality import refusal
from wearscope.imaging.registration import MarkMatch, lay_over, new_offset_um, new_onto_now, new_strip_at
from wearscope.imaging.scale import Scale
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import NEITHER, UNUSED, USED, EdgeView, Strip
from wearscope.light.zone_light import (
    BROAD_RADIUS_UM,
    EdgeOutOfFrameError,
    Lighting,
    fit_unused,
    mean_light,
    with_unresolved,
)
from wearscope.metrology.findings import Finding, found, refused
from wearscope.metrology.uncertainty import Input, linear
from wearscope.pipeline.inspection import Inspection, Judgement, Placing, budgets_of, records_of
from wearscope.pipeline.section_view import inspect_section, judge_section
from wearscope.pipeline.sources import Memory, Sources
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.correction import Correction
from wearscope.trial.model import Bit, PhotoEntry, Trial
from wearscope.wear.chips import CHIP_ROWS, ZoneChips, chip_findings, find_chips
from wearscope.wear.coating import COATING_ROWS, coating_findings
from wearscope.wear.coating_map import CoatingMap, read_coating
from wearscope.wear.datum import Zones, find_zones, lay_datum
from wearscope.wear.measured import Edge, ZoneFits, measured_strip, scale_error
from wearscope.wear.recession import ROUNDING_ROWS, beyond_rounding, rounding_findings, unused_radius_finding
from wearscope.wear.resin import Resin, resin_columns
from wearscope.wear.sharpness import sharpness_finding
from wearscope.wear.wear_land import LAND_ROWS, find_land, land_findings
from wearscope.wear.wear_signs import signs_of_wear
from wearscope.wear.wedge import NoRecessionError, recession_factor, view_tilt
from wearscope.wear.zone_lights import sharpest, zone_lights
from wearscope.wear.zones import Sign, zone_labels

Array = NDArray[np.float64]

DOUBTFUL_CLIPPED = 0.05  # of the edge; more burnt-out light makes a photo doubtful
HELIX_MATTERS_DEG, HELIX_REACH_UM = 3.0, 1000.0  # zones of a helical flute are compared near the transition
MARKED_WITHIN_UM = 250.0  # how far from the edge a transition set by hand may lie
VISIBLY_HELICAL_PER_MM = 0.03  # curvature that lens and wear do not give a straight edge
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
    """
    sources = Sources(scales, corrections or {}, memory or Memory())
    sha256 = ""
    try:
        sha256 = sources.photo(entry).sha256
        return _inspect(trial, entry, sources)
    except PhotoRefused as problem:
        return Inspection(entry, (), str(problem), (), None, None, sha256)
    except EdgeOutOfFrameError:
        return Inspection(entry, (), _NOT_IN_FRAME.format(entry.path.name), (), None, None, sha256)


def judge_photo(
    trial: Trial,
    entry: PhotoEntry,
    scales: Mapping[str, Scale],
    corrections: Mapping[str, Correction] | None = None,
) -> Judgement:
    """Judge one photo without measuring wear."""
    sources = Sources(scales, corrections or {}, Memory())
    if entry.view == "profile":
        return judge_section(entry, sources)
    try:
        located = sources.located(entry)
        fit = _fit_as_new(located, edge_of(trial.bit(entry.bit), entry).radius_um, lighting_of(trial, entry))
        _require_quality(located, fit)
    except PhotoRefused as problem:
        return Judgement(entry, "refused", (str(problem),), None, None, None, "")
    except EdgeOutOfFrameError:
        return Judgement(entry, "refused", (_NOT_IN_FRAME.format(entry.path.name),), None, None, None, "")
    quality = located.quality
    doubts = []
    if quality.clipped_share > DOUBTFUL_CLIPPED:
        doubts.append(f"{quality.clipped_share:.0%} of the edge is burnt out; dim the lamp")
    remarks = [note for note in (located.scale_note, *located.photo.notes) if note]
    if quality.background != "bright":
        remarks.append(f"{quality.background} background; a white card behind the flute makes the edge surer")
    verdict: Literal["fit", "doubtful"] = "doubtful" if doubts else "fit"
    return Judgement(
        entry,
        verdict,
        (*doubts, *remarks),
        fit.blur_um,
        quality.clipped_share,
        quality.contrast,
        quality.background,
    )


def lighting_of(trial: Trial, entry: PhotoEntry) -> Lighting:
    """Ring angle of the scale entry that the photo names, or the broad assumption."""
    scale = trial.scale(entry.scale)
    if scale.ring_angle_deg is None:
        return Lighting()
    return Lighting(np.radians(scale.ring_angle_deg), np.radians(max(scale.u_ring_angle_deg, 0.5)), True)


def edge_of(bit: Bit, entry: PhotoEntry, turned: float = 0.0) -> Edge:
    """What the trial file says of a bit's edge, with the broad assumptions where it is silent.

    Parameters
    ----------
    turned : float
        Standard uncertainty, radians, by which a helical flute turns the face away between the zones compared.
    """
    factor, why = None, None
    tilt = np.radians(entry.view_tilt_deg), np.radians(entry.u_view_tilt_deg), turned
    try:
        factor = recession_factor(
            np.radians(bit.wedge_angle_deg),
            np.radians(bit.u_wedge_angle_deg),
            *tilt,
        )
    except NoRecessionError as problem:
        why = problem.reason
    stated = bit.r_unused_um is not None
    radius = (max(bit.r_unused_um or 0.0, 0.5), max(bit.u_r_unused_um, 0.3)) if stated else BROAD_RADIUS_UM
    return Edge(radius, stated, factor, why, view_tilt(*tilt), bit.coated)


def _inspect(trial: Trial, entry: PhotoEntry, sources: Sources) -> Inspection:
    if entry.view == "profile":
        return inspect_section(trial, entry, sources)
    lighting = lighting_of(trial, entry)
    if entry.parts == 0:
        return _inspect_new(trial, entry, _look_new(entry, sources), lighting, sources)
    new_entry = trial.new_state(entry)
    new, warnings = None, []
    if new_entry is not None:
        try:
            new = _look_new(new_entry, sources)
        except PhotoRefused as problem:
            warnings.append(f"the new-state photo cannot be used ({problem.what}); measured without it")
            new_entry = None
    located = sources.located(entry, new)
    side = _used_side(entry, sources.said_of(entry), located)
    if side is None and new is not None and new_entry is not None:
        # both strips run the same way, for the tool lies on the same side of them
        side = _used_side(new_entry, sources.said_of(new_entry), new)
    by_hand = sources.by_hand(entry) or (new_entry is not None and sources.by_hand(new_entry))
    return _inspect_later(trial, entry, located, new, lighting, side, warnings, by_hand, sources)


def _look_new(entry: PhotoEntry, sources: Sources) -> LocatedEdge:
    """Look at a new-state photo; its whole edge is of one kind, which sharpens the trace."""
    return sources.recall(_all_matched, sources.located(entry))


def _all_matched(located: LocatedEdge) -> LocatedEdge:
    return located.matched(np.ones(len(located.trace_um), bool))


def _used_side(entry: PhotoEntry, said: Correction, located: LocatedEdge) -> int | None:
    """Which way along the strip the person's used side lies."""
    if said.used_towards_px is not None:
        ends = np.array(said.used_towards_px, float) @ located.line.direction
        return 1 if ends[1] > ends[0] else -1
    if entry.used_side is None or entry.edge_near is None:
        return None
    ends = np.array([entry.edge_near[0], entry.edge_near[-1]], float) @ located.line.direction
    towards_end = 1 if ends[1] > ends[0] else -1
    return towards_end if entry.used_side == "end" else -towards_end


@dataclass(frozen=True, eq=False)
class _Laid:
    """A photo laid over its new-state photo, with the signs of wear along its edge."""

    located: LocatedEdge
    match: MarkMatch | None
    base_um: Array
    degree: int
    new_strip: Strip | None
    signs: list[Sign]
    resin: NDArray[np.bool_]


def _lay(located: LocatedEdge, new: LocatedEdge | None, in_colour: bool) -> _Laid:
    match, new_strip = None, None
    base_um, degree = (
        np.zeros(len(located.trace_um)),
        2,
    )  # without a new-state photo the edge is a gentle curve
    if new is not None:
        located, match = lay_over(located, new)
        base_um, degree = new_offset_um(located, new, match), 1
        new_strip = new_strip_at(located, new, match)
    signs = signs_of_wear(
        located.strip,
        located.trace_um,
        in_colour=in_colour and not located.photo.grey,
        plain=located.quality.background != "mixed",
    )
    resin = resin_columns(located.strip, located.trace_um)
    return _Laid(located, match, base_um, degree, new_strip, signs, resin)


def _under(located: LocatedEdge, lighting: Lighting) -> Lighting:
    """The light as it falls in this photo."""
    return replace(lighting, background=located.quality.background)


def _fit_as_new(located: LocatedEdge, radius_um: tuple[float, float], lighting: Lighting) -> LightFit:
    """Profile of the whole visible edge, each column moved on to the trace."""
    labels = zone_labels(located.strip.s_um, located.seen, np.zeros(len(located.seen), bool), None, UNUSED)
    profile = mean_light(located.strip, sharpest(labels == UNUSED, located.steepness), located.smooth_um)
    return fit_unused(profile, _under(located, lighting), radius_um, located.um_per_px)


def _require_quality(located: LocatedEdge, fit: LightFit) -> None:
    wrong = refusal(located.quality, fit.blur_um, located.um_per_px)
    if wrong is not None:
        raise PhotoRefused(f"{located.name}: {wrong[0]}", wrong[1])


def _inspect_new(
    trial: Trial, entry: PhotoEntry, located: LocatedEdge, lighting: Lighting, sources: Sources
) -> Inspection:
    """A photo of the new state: the edge radius and coating to compare with later."""
    edge = edge_of(trial.bit(entry.bit), entry)
    fit = _fit_as_new(located, edge.radius_um, lighting)
    _require_quality(located, fit)
    fit = with_unresolved(fit, _under(located, lighting))
    strip = located.strip_along(located.smooth_um)
    labels = zone_labels(strip.s_um, located.seen, np.zeros(len(located.seen), bool), None, UNUSED)
    zones, fits = Zones(None, labels, (), None), ZoneFits(fit, None)
    measured = measured_strip(
        strip,
        located.trace_um - located.smooth_um,
        zones,
        fits,
        edge,
        located.u_scale,
        grey=located.photo.grey,
    )
    method = _method("new-state", sources.by_hand(entry), edge, lighting)
    findings = [unused_radius_finding(measured, method)]
    coating = None
    if edge.coated:
        coating = read_coating(measured)
        findings += coating_findings(measured, coating, method)
    findings.append(sharpness_finding(fit, located.u_scale, _light_seen(located), method))
    # `strip` follows the edge into a wide notch; the one along the line does not
    along_line = measured_strip(located.strip, located.trace_um, zones, fits, edge, located.u_scale)
    chips = find_chips(along_line)
    findings += chip_findings(chips, method)
    view = EdgeView(
        strip,
        measured.silhouette_um,
        labels,
        measured.recession_um,
        _bare(coating),
        _spans(chips),
        None,
        None,
    )
    placing = Placing(located, located.smooth_um, None, None, float("nan"))
    return _inspection(entry, findings, located, [], view, None, placing)


def _inspect_later(
    trial: Trial,
    entry: PhotoEntry,
    located: LocatedEdge,
    new: LocatedEdge | None,
    lighting: Lighting,
    side: int | None,
    warnings: list[str],
    by_hand: bool,
    sources: Sources,
) -> Inspection:
    """A photo taken after parts were cut: used against unused, now against new."""
    bit = trial.bit(entry.bit)
    laid = sources.recall(_lay, located, new, bit.coated)
    located, match, new_strip = laid.located, laid.match, laid.new_strip
    if new is not None and match is not None and match.verdict == "unclear":
        warnings.append(f"its grind marks are too faint to confirm that it shows the flute of {new.name}")

    s_um, base_um, degree = located.strip.s_um, laid.base_um, laid.degree
    reach_um = HELIX_REACH_UM if abs(bit.helix_angle_deg) >= HELIX_MATTERS_DEG else np.inf
    zones = find_zones(
        s_um,
        located.offset_um - base_um,
        degree,
        laid.signs,
        side,
        reach_um,
        _marked_um(sources.said_of(entry), located, entry),
        laid.resin,
    )
    resin = _resin_on(located, laid.resin, zones)
    located = located.matched(zones.labels == (UNUSED if zones.transition is not None else USED))
    datum = lay_datum(s_um, located.offset_um - base_um, degree, zones)
    edge = _edge_in_view(bit, entry, located, new, zones)
    # only a photo without an unused zone of its own needs the new-state photo's profile
    new_fit = (
        sources.recall(_fit_as_new, new, edge.radius_um, lighting)
        if new is not None and zones.transition is None
        else None
    )

    # the strip is cut once more, now along the new-state line
    follow_um = np.interp(s_um, s_um[located.seen], (located.trace_um - datum.departure_um)[located.seen])
    strip = located.strip_along(follow_um)
    lights = zone_lights(
        strip, zones.labels, datum, located.steepness, edge, _under(located, lighting), new_fit
    )
    measured = measured_strip(
        strip,
        datum.departure_um,
        zones,
        lights.fits(edge.factor),
        edge,
        located.u_scale,
        datum=datum,
        new=new_strip,
        grey=located.photo.grey,
    )
    fits = measured.fits
    # the blur is read where the edge is still as it was
    own_fit = fits.unused if zones.transition is not None else None
    own_fit = own_fit or _fit_as_new(located, edge.radius_um, lighting)
    _require_quality(located, own_fit)

    method = _method("new-state" if new is not None else "unused-zone", by_hand, edge, lighting, match)
    onto = None if new is None or match is None else new_onto_now(located, new, match, datum.drift_um)
    line_um = fits.used.bright_line_um - fits.used.silhouette_um if fits.used is not None else float("nan")
    placing = Placing(located, follow_um, new, onto, line_um)
    findings = _place_findings(trial.depth_of(bit), located, zones, measured.silhouette_um, follow_um, method)
    if zones.transition is None and new_fit is None:
        why = reason("nothing-to-compare-with")
        rows: list[tuple[str, Zone]] = list(ROUNDING_ROWS)
        rows += [(quantity, "used") for quantity in CHIP_ROWS]
        rows += [(quantity, "used") for quantity in LAND_ROWS if entry.view == "relief"]
        rows += [(quantity, "used") for quantity in COATING_ROWS if edge.coated]
        findings += [refused(quantity, zone, why, method) for quantity, zone in rows]
        findings.append(sharpness_finding(own_fit, located.u_scale, _light_seen(located), method))
        findings.append(_residual_finding(datum.residual_um, None, match, method))
        return _inspection(entry, resin.on(findings), located, warnings, None, None, placing)
    coating = None
    if edge.coated:
        coating = read_coating(measured)
        findings += coating_findings(measured, coating, method)
    chips = find_chips(measured)
    findings += chip_findings(chips, method)
    land = None
    if entry.view == "relief":
        land = find_land(measured, coating)
        if land.verdict in ("seen", "unsure") and zones.transition is not None and edge.factor is not None:
            # a flat moves the edge back further than the rounding does: the wedge ties them no longer
            free = lights.fits(None)
            u_datum = float(np.sqrt(np.mean(datum.u_datum_um[zones.labels == USED] ** 2)))
            land = land.confirmed(*beyond_rounding(free, edge.factor, u_datum))
            if land.verdict == "seen":
                measured = measured.with_fits(free)
        findings += land_findings(land, edge.doubts, method)
    worn_flat = land is not None and land.verdict in ("seen", "unsure")
    findings += rounding_findings(measured, method, worn_flat=worn_flat)
    findings.append(sharpness_finding(own_fit, located.u_scale, _light_seen(located), method))
    findings.append(_residual_finding(datum.residual_um, new, match, method))
    transition = zones.transition
    now_view = EdgeView(
        strip,
        measured.silhouette_um,
        zones.labels,
        measured.recession_um,
        _bare(coating),
        _spans(chips),
        transition.at_um if transition else None,
        transition.u_at_um if transition else None,
        land_um=land.end_um if land is not None and worn_flat else None,
    )
    return _inspection(entry, resin.on(findings), located, warnings, now_view, _new_view(new_strip), placing)


def _resin_on(located: LocatedEdge, resin: NDArray[np.bool_], zones: Zones) -> Resin:
    """How much of the used edge, or of all where there is no transition, resin covers."""
    at = located.seen
    if zones.transition is not None:
        at = at & ((located.strip.s_um - zones.transition.at_um) * zones.transition.used_side > 0.0)
    return Resin(float(resin[at].mean()) if at.any() else 0.0, zones.transition is not None)


def _marked_um(said: Correction, located: LocatedEdge, entry: PhotoEntry) -> float | None:
    """Where along the strip the person has set the transition."""
    if said.transition_px is None:
        return None
    at_um, deep_um = located.on_strip(said.transition_px)
    s_um = located.strip.s_um
    if not (s_um[0] < at_um < s_um[-1] and abs(deep_um) < MARKED_WITHIN_UM):
        raise PhotoRefused(
            f"{entry.path.name}: the transition set by hand does not lie on the edge",
            "set it again, on the cutting edge",
        )
    return at_um


def _edge_in_view(
    bit: Bit, entry: PhotoEntry, located: LocatedEdge, new: LocatedEdge | None, zones: Zones
) -> Edge:
    """The bit's edge with what a helix does to it between the zones compared."""
    turned = 0.0
    if zones.transition is not None and bit.helix_angle_deg:
        per_um = np.tan(np.radians(abs(bit.helix_angle_deg))) / (0.5e3 * bit.diameter_mm)
        used, unused = (located.strip.s_um[zones.labels == label].mean() for label in (USED, UNUSED))
        turned = float(per_um * abs(used - unused) / 2.0)
    edge = edge_of(bit, entry, turned)
    bent = (new or located).curvature_per_mm
    if bent > VISIBLY_HELICAL_PER_MM and not bit.given("helix_angle_deg"):
        return replace(edge, doubts=(reason("edge-bent", per_mm=bent),))
    return edge


def _place_findings(
    depth_mm: float, located: LocatedEdge, zones: Zones, silhouette_um: Array, follow_um: Array, method: str
) -> list[Finding]:
    """Where the transition is in the photo, and how much used edge the photo shows."""
    transition = zones.transition
    if transition is None:
        why = zones.absent or reason("no-sign-of-wear")
        places = ("transition_x_px", "transition_y_px", "used_length")
        return [refused(quantity, "whole", why, method) for quantity in places]
    words = method.split("+")
    at = len(words) - (words[-1] == "hand")  # which stays last
    method = "+".join([*words[:at], *transition.signs, *words[at:]])
    s_um = located.strip.s_um
    seen = np.isfinite(silhouette_um)
    deep_um = np.interp(transition.at_um, s_um[seen], silhouette_um[seen]) + np.interp(
        transition.at_um, s_um, follow_um
    )
    column, row = located.on_photo(transition.at_um, float(deep_um))
    along, across = np.abs(located.line.direction), np.abs(located.line.inward)
    visible = s_um[seen]
    used_mm = (
        visible[-1] - transition.at_um if transition.used_side > 0 else transition.at_um - visible[0]
    ) / 1e3
    place = Input("place of the transition along the edge", 0.0, transition.u_at_um)
    depth = Input("depth of the edge at the transition", 0.0, located.photo_um_per_px)
    per_um = 1.0 / located.photo_um_per_px
    x, y = (
        linear(value, [(along[k] * per_um, place), (across[k] * per_um, depth)])
        for k, value in enumerate((column, row))
    )
    used_length = linear(used_mm, [(1e-3, place), (used_mm, scale_error(located.u_scale))])
    too_long = used_mm - 2.0 * used_length.u > 1.05 * depth_mm
    doubts = (reason("longer-than-the-cut", depth_mm=depth_mm),) if too_long else ()
    return [
        found("transition_x_px", "whole", column, x, method),
        found("transition_y_px", "whole", row, y, method),
        found("used_length", "whole", used_mm, used_length, method, doubts=doubts),
    ]


def _residual_finding(
    residual_um: float, new: LocatedEdge | None, match: MarkMatch | None, method: str
) -> Finding:
    if new is None:
        return refused("registration_residual", "whole", reason("no-new-state-photo"), method)
    roughly = match is not None and match.verdict != "same"
    remarks = (reason("faint-marks"),) if roughly else ()
    scatter = Input("scatter of the trace", 0.0, float(np.hypot(0.1 * residual_um, 0.05)))
    residual = linear(residual_um, [(1.0, scatter)])
    return found("registration_residual", "whole", residual_um, residual, method, remarks=remarks)


def _light_seen(located: LocatedEdge) -> Reason:
    quality = located.quality
    return reason(
        "light-seen",
        background=quality.background,
        contrast=quality.contrast,
        burnt_out=quality.clipped_share,
    )


def _spans(chips: Sequence[tuple[Zone, ZoneChips | None]]) -> tuple[tuple[float, float], ...]:
    """Start and end along the edge of each chip."""
    return tuple((chip.start_um, chip.end_um) for _, zone in chips if zone for chip in zone.chips)


def _bare(coating: CoatingMap | None) -> NDArray[np.bool_] | None:
    return None if coating is None else coating.substrate


def _new_view(strip: Strip | None) -> EdgeView | None:
    """The new-state strip as something to draw: its edge lies at d = 0."""
    if strip is None:
        return None
    inside = np.isfinite(strip.light[int(np.argmin(np.abs(strip.d_um))), :, 0])
    flat = np.where(inside, 0.0, np.nan)
    return EdgeView(
        strip, flat, np.where(inside, UNUSED, NEITHER).astype(np.int8), flat, None, (), None, None
    )


def _method(datum: str, by_hand: bool, edge: Edge, lighting: Lighting, match: MarkMatch | None = None) -> str:
    """Lower-case words joined by '+': what the numbers rest on; '+hand' last."""
    words = ["profile", datum]
    if match is not None:
        words.append("marks" if match.verdict == "same" else "edge-only")
    words.append("stated-radius" if edge.radius_stated else "assumed-radius")
    words.append("stated-ring" if lighting.stated else "assumed-ring")
    if by_hand:
        words.append("hand")
    return "+".join(words)


def _inspection(
    entry: PhotoEntry,
    findings: Sequence[Finding],
    located: LocatedEdge,
    warnings: Sequence[str],
    now: EdgeView | None,
    new: EdgeView | None,
    on_photo: Placing,
) -> Inspection:
    """Stamp the findings with where they come from."""
    records = records_of(entry, findings, located.scale_note, located.photo, located.photo_um_per_px)
    lines = tuple(f"{located.name}: {warning}" for warning in warnings)
    budgets = budgets_of(findings)
    return Inspection(
        entry, records, "", lines, now, new, located.photo.sha256, budgets=budgets, on_photo=on_photo
    )
