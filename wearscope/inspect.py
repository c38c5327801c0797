"""One flute photo to its records: the whole way through, from the file to the numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Literal

import cv2
import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from wearscope import __version__
from wearscope.errors import PhotoRefused, WearscopeError
from wearscope.imaging.choice import candidates, choose, guided_line, refine_line
from wearscope.imaging.edge import EdgeLine
from wearscope.imaging.photo import Photo, read_photo
from wearscope.imaging.quality import Quality, refusal, strip_quality
from wearscope.imaging.registration import MarkMatch, match_marks
from wearscope.imaging.scale import Scale, scale_from_graticule, scale_from_value
from wearscope.imaging.strip import arc_length_px, cut_strip, point_on_photo
from wearscope.trial.model import Bit, PhotoEntry, Trial
from wearscope.wear.coating import CoatingMap, colour_ratios, even_out
from wearscope.wear.datum import Datum, Zones, find_zones, lay_datum
from wearscope.wear.face import (
    Edge,
    Fits,
    coating_colour,
    coating_findings,
    fit_zones,
    recession_along,
    rounding_findings,
    see_coating,
    unused_radius_finding,
)
from wearscope.wear.profile import ProfileFit
from wearscope.wear.records import Finding, Record, Zone, found, refused
from wearscope.wear.rounding import BROAD_RADIUS_UM, Lighting, fit_unused, mean_profile, with_unresolved
from wearscope.wear.strip import UNUSED, USED, EdgeView, Strip
from wearscope.wear.trace import matched_trace, trace_edge
from wearscope.wear.wedge import recession_factor
from wearscope.wear.zones import Sign, zone_labels

Array = NDArray[np.float64]

DEPTH_UM = (-160.0, 540.0)
SURE_ZOOM = 4.0  # standard uncertainties by which a zoom must differ from 1 to count
LEAST_ZOOM = 0.003
FINE_ENOUGH_UM = 2.6
OTHER_COLOUR = 0.35  # difference of log colour ratios of two faces that no lamp makes


@dataclass(frozen=True)
class Inspection:
    """What one photo gave.

    Attributes
    ----------
    entry : PhotoEntry
    records : tuple of Record
        Refused rows included; empty when the photo was refused as a whole.
    refusal : str
        "" when measured, else one line that names the file and the cure.
    warnings : tuple of str
    now, new : EdgeView or None
        This photo, and the new-state photo of the same flute on the same axis along the edge.
    photo_sha256 : str
        "" when the file could not be read.
    """

    entry: PhotoEntry
    records: tuple[Record, ...]
    refusal: str
    warnings: tuple[str, ...]
    now: EdgeView | None
    new: EdgeView | None
    photo_sha256: str = ""


@dataclass(frozen=True)
class Judgement:
    """Whether a photo can carry a measurement."""

    entry: PhotoEntry
    verdict: Literal["fit", "doubtful", "refused"]
    remarks: tuple[str, ...]
    sharpness_um: float | None
    clipped_share: float | None
    contrast: float | None
    background: str


@dataclass(frozen=True)
class Look:
    """A photo with its edge found: the strip along it and the trace of the edge in a straight frame.

    Attributes
    ----------
    light : ndarray, shape (H, W, 3)
        Linear light, reduced by `reduction` where the photo is finer than the measurement needs.
    line : EdgeLine
        In pixels of `light`, as is `um_per_px`.
    u_scale : float
        Relative standard uncertainty of the scale.
    trace_um, steepness : ndarray, shape (S,)
        Of the edge along the strip; NaN where it is not seen.
    """

    photo: Photo
    light: NDArray[np.float32]
    reduction: int
    line: EdgeLine
    um_per_px: float
    u_scale: float
    scale_note: str
    strip: Strip
    trace_um: Array
    steepness: Array
    quality: Quality

    @property
    def bend_um(self) -> Array:
        """Offset of the line itself from its straight frame, at each place of the strip."""
        fine = np.linspace(self.line.start_px, self.line.end_px, 1025)
        t_px = np.interp(self.strip.s_um, arc_length_px(self.line, fine) * self.um_per_px, fine)
        return np.asarray(polynomial.polyval(t_px, self.line.offset_px) * self.um_per_px)

    @property
    def offset_um(self) -> Array:
        """Where the traced edge lies in the line's straight frame."""
        return self.bend_um + self.trace_um


def read_scales(trial: Trial) -> tuple[dict[str, Scale], dict[str, str]]:
    """Read every scale of a trial.

    Returns
    -------
    scales : dict
        Scale by name.
    refusals : dict
        One line each for scales that could not be read.
    """
    scales: dict[str, Scale] = {}
    refusals: dict[str, str] = {}
    for entry in trial.scales:
        try:
            if entry.graticule_path is not None and entry.division_um is not None:
                luminance = read_photo(entry.graticule_path).linear().mean(axis=2)
                scales[entry.name] = scale_from_graticule(
                    luminance, entry.division_um, name=entry.name, file=entry.graticule_path.name
                )
            elif entry.um_per_px is not None and entry.u_um_per_px is not None:
                scales[entry.name] = scale_from_value(entry.um_per_px, entry.u_um_per_px, entry.name)
        except WearscopeError as problem:
            refusals[entry.name] = str(problem)
    return scales, refusals


def inspect_photo(trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale]) -> Inspection:
    """Measure one photo of a trial; a photo that cannot be measured is a refusal, not an exception."""
    try:
        return _inspect(trial, entry, scales)
    except PhotoRefused as problem:
        return Inspection(entry, (), str(problem), (), None, None)


def judge_photo(trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale]) -> Judgement:
    """Judge one photo without measuring wear."""
    try:
        look = look_at(trial, entry, scales)
        fit = _fit_as_new(look, edge_of(trial.bit(entry.bit), entry), lighting_of(trial, entry))
        _require_quality(look, fit)
    except PhotoRefused as problem:
        return Judgement(entry, "refused", (str(problem),), None, None, None, "")
    remarks = [note for note in (look.scale_note, *look.photo.notes) if note]
    doubtful = []
    if look.quality.background != "bright":
        doubtful_background = "no white card behind the flute: the edge is seen two to three times less surely"
        remarks.append(doubtful_background)
    if look.quality.clipped_share > 0.05:
        doubtful.append(f"{look.quality.clipped_share:.0%} of the edge is burnt out; dim the lamp")
    return Judgement(
        entry,
        "doubtful" if doubtful else "fit",
        (*doubtful, *remarks),
        fit.blur_um,
        look.quality.clipped_share,
        look.quality.contrast,
        look.quality.background,
    )


def lighting_of(trial: Trial, entry: PhotoEntry) -> Lighting:
    """Ring angle of the scale entry that the photo names, or the broad assumption."""
    scale = trial.scale(entry.scale)
    if scale.ring_angle_deg is None:
        return Lighting()
    return Lighting(np.radians(scale.ring_angle_deg), np.radians(max(scale.u_ring_angle_deg, 0.5)), True)


def edge_of(bit: Bit, entry: PhotoEntry) -> Edge:
    """What the trial file says of a bit's edge, with the broad assumptions where it is silent."""
    factor, why = None, ""
    try:
        factor = recession_factor(
            np.radians(bit.wedge_angle_deg),
            np.radians(bit.u_wedge_angle_deg),
            np.radians(entry.view_tilt_deg),
            np.radians(entry.u_view_tilt_deg),
        )
    except ValueError as problem:
        why = f"{problem}; photograph the edge in profile, or check wedge_angle_deg"
    stated = bit.r_unused_um is not None
    radius = (max(bit.r_unused_um or 0.0, 0.5), max(bit.u_r_unused_um, 0.3)) if stated else BROAD_RADIUS_UM
    return Edge(radius, stated, factor, why, np.radians(entry.u_view_tilt_deg), bit.coated, "")


def look_at(trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale], like: EdgeLine | None = None) -> Look:
    """Open a photo, put it on its scale and find the cutting edge in it.

    Parameters
    ----------
    like : EdgeLine, optional
        The edge of the new-state photo of the same flute.
    """
    um_per_px, u_um_per_px, scale_note = scale_of(entry, scales)
    photo = read_photo(entry.path)
    light, reduction = working_light(photo, um_per_px)
    um_per_px, u_um_per_px = um_per_px * reduction, u_um_per_px * reduction
    possible = candidates(light)
    if entry.edge_near is not None:
        near_px = (np.array(entry.edge_near, float) + 0.5) / reduction - 0.5
        chosen = guided_line(light, near_px, possible)
    else:
        best = choose(possible, like=like)
        if best is None:
            why = "no line in it is clearly the cutting edge" if possible else "no cutting edge is to be seen in it"
            cure = (
                "put a white card behind the flute and focus on the edge, or mark the edge with edge_near"
                if not possible
                else "mark the edge with edge_near = [[column, row], [column, row]] in the trial file"
            )
            raise PhotoRefused(f"{entry.path.name}: {why}", cure)
        chosen = best
    line = refine_line(light, chosen.line, max(10.0, 60.0 / um_per_px))
    strip = cut_strip(light, line, um_per_px, depth_um=DEPTH_UM)
    trace = trace_edge(strip, (-80.0, 100.0))
    seen = np.isfinite(trace.d_um)
    if seen.mean() < 0.35 or seen.sum() < 60:
        raise PhotoRefused(
            f"{entry.path.name}: the edge is too faint to follow",
            "put a white card behind the flute, focus on the edge and take it again",
        )
    return Look(
        photo, light, reduction, line, um_per_px, u_um_per_px / um_per_px, scale_note, strip, trace.d_um, trace.steepness,
        strip_quality(strip),
    )  # fmt: skip


def working_light(photo: Photo, um_per_px: float) -> tuple[NDArray[np.float32], int]:
    """Linear light, averaged over blocks where pixels are much finer than any number here.

    Returns
    -------
    light : ndarray, shape (H, W, 3)
    reduction : int
        Side of the blocks, in pixels.
    """
    reduction = max(1, int(FINE_ENOUGH_UM / um_per_px))
    light = photo.linear()
    if reduction == 1:
        return light, 1
    height, width = (side // reduction for side in light.shape[:2])
    whole = light[: height * reduction, : width * reduction]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)), reduction


def as_new(look: Look) -> Look:
    """The look at a new-state photo with its trace sharpened: the whole edge is of one kind."""
    everywhere = np.ones(len(look.trace_um), bool)
    return replace(look, trace_um=matched_trace(look.strip, look.trace_um, everywhere))


def scale_of(entry: PhotoEntry, scales: Mapping[str, Scale]) -> tuple[float, float, str]:
    """Scale of a photo, its standard uncertainty, and what is to be said of it."""
    if entry.um_per_px is not None:
        u = entry.u_um_per_px if entry.u_um_per_px is not None else 0.002 * entry.um_per_px
        return entry.um_per_px, u, "scale stated for this photo"
    if entry.scale not in scales:
        raise PhotoRefused(
            f"{entry.path.name}: its scale {entry.scale!r} could not be read",
            "photograph the graticule at this zoom, or give um_per_px and u_um_per_px",
        )
    scale = scales[entry.scale]
    return scale.um_per_px, scale.u_um_per_px, scale.note if scale.status != "ok" else ""


def _inspect(trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale]) -> Inspection:
    if entry.view == "profile":
        raise PhotoRefused(
            f"{entry.path.name}: a profile view is not measured yet", 'photograph the relief face, view = "relief"'
        )
    edge, lighting = edge_of(trial.bit(entry.bit), entry), lighting_of(trial, entry)
    if entry.parts == 0:
        return _inspect_new(entry, as_new(look_at(trial, entry, scales)), edge, lighting)
    new_entry = trial.new_state(entry)
    new, warnings = None, []
    if new_entry is not None:
        try:
            new = as_new(look_at(trial, new_entry, scales))
        except PhotoRefused as problem:
            warnings.append(f"the new-state photo cannot be used ({problem.what}); measured without it")
    look = look_at(trial, entry, scales, like=new.line if new else None)
    return _inspect_later(trial, entry, look, new, edge, lighting, warnings)


def _under(look: Look, lighting: Lighting) -> Lighting:
    """The light as it falls in this photo."""
    return replace(lighting, mixed_background=look.quality.background == "mixed")


def _fit_as_new(look: Look, edge: Edge, lighting: Lighting) -> ProfileFit:
    """Profile of the whole visible edge, each column moved on to the trace."""
    seen = np.isfinite(look.trace_um)
    labels = zone_labels(look.strip.s_um, seen, np.zeros(len(seen), bool), None, UNUSED)
    smooth = median_filter(np.where(seen, look.trace_um, np.nanmedian(look.trace_um)), size=31, mode="nearest")
    profile = mean_profile(look.strip, labels == UNUSED, smooth)
    return fit_unused(profile, _under(look, lighting), edge.radius_um, look.um_per_px)


def _require_quality(look: Look, fit: ProfileFit) -> None:
    wrong = refusal(look.quality, fit.blur_um, look.um_per_px)
    if wrong is not None:
        raise PhotoRefused(f"{look.photo.path.name}: {wrong[0]}", wrong[1])


def _inspect_new(entry: PhotoEntry, look: Look, edge: Edge, lighting: Lighting) -> Inspection:
    seen = np.isfinite(look.trace_um)
    smooth = median_filter(np.where(seen, look.trace_um, np.nanmedian(look.trace_um)), size=31, mode="nearest")
    strip = cut_strip(
        look.light, look.line, look.um_per_px, depth_um=DEPTH_UM, s_um=look.strip.s_um, follow_um=smooth
    )
    labels = zone_labels(strip.s_um, seen, np.zeros(len(seen), bool), None, UNUSED)
    profile = mean_profile(strip, labels == UNUSED, np.zeros(len(seen)))
    fit = fit_unused(profile, _under(look, lighting), edge.radius_um, look.um_per_px)
    _require_quality(look, fit)
    fit = with_unresolved(fit, _under(look, lighting))
    fits = Fits(fit, None)
    method = _method("new-state", edge, lighting, look)
    silhouette = np.where(seen, fit.silhouette_um + (look.trace_um - smooth), np.nan)
    findings = [
        unused_radius_finding(fit, edge, look.u_scale, method)
        if edge.factor is not None
        else refused("edge_radius", "unused", "um", edge.why_no_factor, method)
    ]
    coating_map = None
    if edge.coated:
        ratios = even_out(strip, colour_ratios(strip))
        colour = None if look.photo.grey else coating_colour(strip, ratios, labels)
        if colour is not None:
            coating_map = see_coating(strip, ratios, colour, silhouette, labels, fits, True)
        findings += coating_findings(strip, coating_map, silhouette, labels, fits, [("unused", UNUSED)], method)
    findings.append(sharpness_finding(fit, look.u_scale, method))
    view = EdgeView(strip, silhouette, labels, silhouette - fit.silhouette_um, _bare(coating_map), (), None, None)
    return _inspection(entry, findings, look, [], view, None)


def sharpness_finding(fit: ProfileFit, u_scale: float, method: str) -> Finding:
    """Blur of the edge as the Gaussian sigma, fitted along with the profile."""
    return found("sharpness", "whole", "um", fit.blur_um, float(np.hypot(0.15 * fit.blur_um, fit.blur_um * u_scale)), method)


def _bare(coating_map: CoatingMap | None) -> NDArray[np.bool_] | None:
    return None if coating_map is None else coating_map.substrate


def _inspect_later(
    trial: Trial,
    entry: PhotoEntry,
    look: Look,
    new: Look | None,
    edge: Edge,
    lighting: Lighting,
    warnings: list[str],
) -> Inspection:
    match = None
    if new is not None:
        look, match, note = _laid_over(look, new)
        if note:
            warnings.append(note)
    offset_new = _new_offset(look, new, match)
    signs = _other_signs(look, edge, new)
    base, degree = (offset_new, 1) if offset_new is not None else (np.zeros(len(look.trace_um)), 2)
    s_um = look.strip.s_um
    zones = find_zones(s_um, look.offset_um - base, degree, signs, _used_side(entry, look))
    alike = zones.labels == (UNUSED if zones.transition is not None else USED)
    look = replace(look, trace_um=matched_trace(look.strip, look.trace_um, alike))
    datum = lay_datum(s_um, look.offset_um - base, degree, zones)
    # the strip is cut once more, now along the new-state line
    seen = np.isfinite(look.trace_um)
    follow = np.interp(s_um, s_um[seen], (look.trace_um - datum.departure_um)[seen])
    strip = cut_strip(look.light, look.line, look.um_per_px, depth_um=DEPTH_UM, s_um=s_um, follow_um=follow)
    new_fit = _fit_as_new(new, edge, lighting) if new is not None else None
    new_view = _new_view(look, new, match)
    comparable = zones.transition is not None or new_fit is not None or entry.used_side is not None
    fits = fit_zones(
        strip, zones.labels, datum.departure_um, datum.u_datum_um, look.steepness, edge,
        _under(look, lighting), new_fit,
    )  # fmt: skip
    _require_quality(look, fits.unused or _fit_as_new(look, edge, lighting))
    method = _method("unused-zone" if new is None else "new-state", edge, lighting, look, match)
    rows: list[tuple[Zone, int]] = [("used", USED)]
    if zones.transition is not None:
        rows.append(("unused", UNUSED))
    silhouette, recession = _silhouette(zones, datum, fits)
    findings = _place_findings(look, zones, silhouette, follow, method)
    if not comparable:
        why = f"{zones.absent}, and there is no new-state photo to compare with; photograph the transition"
        findings += [refused(q, z, "um", why, method) for q, z in (("edge_recession", "difference"), ("edge_radius", "used"))]
        return _inspection(entry, findings, look, warnings, None, None)
    findings += rounding_findings(fits, zones.labels, datum.u_datum_um, edge, look.u_scale, method)
    coating_map = None
    if edge.coated:
        ratios = even_out(strip, colour_ratios(strip))
        new_strip = new_view.strip if new_view is not None else None
        colour = None if look.photo.grey else coating_colour(strip, ratios, zones.labels, new_strip)
        if colour is not None:
            whole = zones.transition is None
            coating_map = see_coating(strip, ratios, colour, silhouette, zones.labels, fits, whole)
        findings += coating_findings(strip, coating_map, silhouette, zones.labels, fits, rows, method)
    sharp = fits.unused if zones.transition is not None else fits.used
    if sharp is not None:
        findings.append(sharpness_finding(sharp, look.u_scale, method))
    findings.append(_residual_finding(datum, new, match, method))
    transition = zones.transition
    now_view = EdgeView(
        strip, silhouette, zones.labels, recession, _bare(coating_map), zones.chips_um,
        transition.at_um if transition else None, transition.u_at_um if transition else None,
    )  # fmt: skip
    return _inspection(entry, findings, look, warnings, now_view, new_view)


def _laid_over(look: Look, new: Look) -> tuple[Look, MarkMatch, str]:
    """Compare the grind marks with those of the new-state photo; mend the scale if the zoom has changed."""
    match = match_marks(look.strip, new.strip)
    name, other = look.photo.path.name, new.photo.path.name
    cure = "check the file names in the trial file, or photograph the right flute"
    if match.verdict == "other":
        raise PhotoRefused(f"{name}: its grind marks are not those of {other}; it shows another flute or bit", cure)
    if match.verdict == "unclear" and _colour_difference(look, new) > OTHER_COLOUR:
        raise PhotoRefused(f"{name}: its face has another colour than {other}; it shows another bit", cure)
    if match.verdict == "unclear":
        return look, match, f"{name}: its grind marks are too faint to confirm that it shows the flute of {other}"
    if abs(match.zoom - 1.0) > max(LEAST_ZOOM, SURE_ZOOM * match.u_zoom):
        um_per_px = look.um_per_px * match.zoom
        strip = cut_strip(look.light, look.line, um_per_px, depth_um=DEPTH_UM)
        per_px = um_per_px / look.reduction
        note = f"zoom {match.zoom:.4f} against the new-state photo; scale {per_px:.4f} um per px follows from it"
        look = replace(
            look,
            um_per_px=um_per_px,
            u_scale=float(np.hypot(look.u_scale, match.u_zoom)),
            scale_note="; ".join(filter(None, [look.scale_note, note])),
            strip=strip,
            trace_um=trace_edge(strip, (-80.0, 100.0)).d_um,
        )
        match = replace(match, zoom=1.0)
    return look, match, ""


def _colour_difference(look: Look, new: Look) -> float:
    """How far apart the colours of the two faces are, as log ratios; 0 when one photo is grey."""
    if look.photo.grey or new.photo.grey:
        return 0.0
    means = []
    for strip in (look.strip, new.strip):
        deep = (strip.d_um > 150.0) & (strip.d_um < 400.0)
        light = np.nanmean(strip.light[deep].reshape(-1, 3), axis=0)
        means.append(np.log(np.maximum(light[[0, 2]], 1e-3) / max(float(light[1]), 1e-3)))
    return float(np.hypot(*(means[0] - means[1])))


def _new_offset(look: Look, new: Look | None, match: MarkMatch | None) -> Array | None:
    """The traced new-state edge at the places of this photo's strip, in its own straight frame."""
    if new is None or match is None:
        return None
    s_um = new.strip.s_um
    sure = match.verdict == "same"
    places = match.shift_um + look.strip.s_um * match.zoom if sure else look.strip.s_um
    inside = np.isfinite(new.trace_um)
    # its own small irregularities belong to the edge only where the photos are known to lie over each other
    smooth = median_filter(np.where(inside, new.trace_um, np.nanmedian(new.trace_um)), size=31, mode="nearest")
    offset = new.bend_um + (smooth if sure else 0.0)
    curve = polynomial.Polynomial.fit(s_um, new.bend_um, min(4, len(new.line.offset_px)))
    within = (places >= s_um[0]) & (places <= s_um[-1])
    return np.where(within, np.interp(places, s_um, offset), curve(places))


def _other_signs(look: Look, edge: Edge, new: Look | None) -> list[Sign]:
    """Signs of wear besides the edge line: the bright line and, on a coated bit, the colour of the band."""
    strip = look.strip
    rows = np.round((look.trace_um - strip.d_um[0]) / (strip.d_um[1] - strip.d_um[0]))
    seen = np.isfinite(rows)
    rows = np.where(seen, rows, 0).astype(int)
    reach = max(3, round(40.0 / look.um_per_px))
    columns = np.arange(len(rows))
    window = np.clip(rows[None, :] + np.arange(-2, reach)[:, None], 0, len(strip.d_um) - 1)
    face = strip.light[(strip.d_um > 150.0) & (strip.d_um < 400.0)].mean(axis=2)
    with np.errstate(all="ignore"):
        brightest = np.quantile(strip.light[window, columns].mean(axis=2), 0.95, axis=0)
        level = np.nanmedian(face) if np.isfinite(face).any() else np.nanmedian(brightest)
        bright_line = np.where(seen, np.log(np.maximum(brightest, 1e-3) / level), np.nan)
    signs = [Sign("bright-line", bright_line, 0, rises=False, smallest=0.05)]
    if edge.coated and not look.photo.grey:
        ratios = even_out(strip, colour_ratios(strip))
        band = np.clip(rows[None, :] + np.arange(3, max(6, round(90.0 / look.um_per_px)))[:, None], 0, len(strip.d_um) - 1)
        deep = ratios[(strip.d_um > 150.0) & (strip.d_um < 400.0)].reshape(-1, 2)
        deep = deep[np.isfinite(deep).all(axis=1)]
        if len(deep) > 100:
            departure = ratios[band, columns] - np.median(deep, axis=0)
            with np.errstate(all="ignore"):
                colour = np.where(seen, np.hypot(*np.nanmean(departure, axis=0).T), np.nan)
            signs.append(Sign("colour", colour, 0, rises=True, smallest=0.02))
    return signs


def _used_side(entry: PhotoEntry, look: Look) -> int | None:
    """Which way along the strip the person's used side lies."""
    if entry.used_side is None or entry.edge_near is None:
        return None
    ends = (np.array([entry.edge_near[0], entry.edge_near[-1]], float) - look.line.origin_px) @ look.line.direction
    towards_end = 1 if ends[1] > ends[0] else -1
    return towards_end if entry.used_side == "end" else -towards_end


def _silhouette(zones: Zones, datum: Datum, fits: Fits) -> tuple[Array, Array]:
    """Silhouette (from the new-state line) and recession at each place along the edge."""
    recession = recession_along(datum.departure_um, zones.labels, fits)
    if fits.unused is None:
        return datum.departure_um.copy(), recession
    if zones.transition is None and fits.used is not None:
        return datum.departure_um + fits.used.silhouette_um, recession
    return fits.unused.silhouette_um + recession, recession


def _place_findings(look: Look, zones: Zones, silhouette_um: Array, follow_um: Array, method: str) -> list[Finding]:
    """Where the transition is in the photo, and how much used edge the photo shows."""
    transition = zones.transition
    quantities = (("transition_x_px", "px"), ("transition_y_px", "px"), ("used_length", "mm"))
    if transition is None:
        why = f"{zones.absent}; photograph the place where the used edge ends"
        return [refused(q, "whole", unit, why, method) for q, unit in quantities]
    method = "+".join([method, *transition.signs])
    s_um = look.strip.s_um
    seen = np.isfinite(silhouette_um)
    deep = float(np.interp(transition.at_um, s_um[seen], silhouette_um[seen]))
    base = float(np.interp(transition.at_um, s_um, follow_um))
    column, row = point_on_photo(look.line, look.um_per_px, transition.at_um, base + deep)
    column, row = ((at + 0.5) * look.reduction - 0.5 for at in (column, row))
    u_along = transition.u_at_um / look.um_per_px * look.reduction
    along, across = np.abs(look.line.direction), np.abs(look.line.inward)
    visible = s_um[seen]
    used_um = visible[-1] - transition.at_um if transition.used_side > 0 else transition.at_um - visible[0]
    return [
        found("transition_x_px", "whole", "px", column, float(np.hypot(u_along * along[0], across[0])), method),
        found("transition_y_px", "whole", "px", row, float(np.hypot(u_along * along[1], across[1])), method),
        found(
            "used_length", "whole", "mm", used_um / 1000.0,
            float(np.hypot(transition.u_at_um / 1000.0, used_um / 1000.0 * look.u_scale)), method,
        ),
    ]  # fmt: skip


def _residual_finding(datum: Datum, new: Look | None, match: MarkMatch | None, method: str) -> Finding:
    if new is None:
        why = "there is no new-state photo; photograph each flute before it cuts"
        return refused("registration_residual", "whole", "um", why, method)
    note = "" if match is None or match.verdict == "same" else "along the edge only roughly: the grind marks are faint"
    return found("registration_residual", "whole", "um", datum.residual_um, 0.1 * datum.residual_um + 0.05, method, note=note)


def _new_view(look: Look, new: Look | None, match: MarkMatch | None) -> EdgeView | None:
    """The new-state strip on the axis of this photo's strip."""
    if new is None or match is None:
        return None
    places = look.strip.s_um * match.zoom + match.shift_um
    seen = np.isfinite(new.trace_um)
    smooth = median_filter(np.where(seen, new.trace_um, np.nanmedian(new.trace_um)), size=31, mode="nearest")
    follow = np.interp(places, new.strip.s_um, smooth)
    strip = cut_strip(new.light, new.line, new.um_per_px, depth_um=DEPTH_UM, s_um=places, follow_um=follow)
    strip = replace(strip, s_um=look.strip.s_um)
    inside = np.isfinite(strip.light[np.argmin(np.abs(strip.d_um)), :, 0])
    flat = np.where(inside, 0.0, np.nan)
    return EdgeView(strip, flat, np.where(inside, UNUSED, 0).astype(np.int8), flat, None, (), None, None)


def _method(datum: str, edge: Edge, lighting: Lighting, look: Look, match: MarkMatch | None = None) -> str:
    """Lower-case words joined by '+': what the numbers rest on."""
    words = ["profile", datum]
    if match is not None:
        words.append("marks" if match.verdict == "same" else "edge-only")
    words.append("stated-radius" if edge.radius_stated else "assumed-radius")
    words.append("stated-ring" if lighting.stated else "assumed-ring")
    return "+".join(words)


def _inspection(
    entry: PhotoEntry,
    findings: Sequence[Finding],
    look: Look,
    warnings: list[str],
    now: EdgeView | None,
    new: EdgeView | None,
) -> Inspection:
    measured_at = datetime.now(UTC).isoformat(timespec="seconds")
    records = []
    for finding in findings:
        low, high = finding.interval95
        note = "; ".join(filter(None, [finding.note, look.scale_note]))
        records.append(
            Record(
                entry.bit, entry.flute, entry.parts, entry.view, finding.quantity, finding.zone, finding.value,
                finding.unit, finding.u, low, high, finding.status, note, finding.method, entry.file,
                look.photo.sha256, entry.scale, look.um_per_px / look.reduction, __version__, measured_at,
            )
        )  # fmt: skip
    return Inspection(entry, tuple(records), "", tuple(warnings), now, new, look.photo.sha256)
