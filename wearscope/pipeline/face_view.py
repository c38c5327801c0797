"""A view of relief or rake face from its photo to its findings.

Read `inspect_face` from top to bottom: the edge is located, laid over the new-state photo, divided into zones, held
against the new-state line, and the light across it fitted; then each estimator says what it finds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.registration import MarkMatch, lay_over, new_offset_um, new_onto_now, new_strip_at
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED, EdgeView, Strip
from wearscope.light.zone_light import Lighting
from wearscope.metrology.findings import Finding, refused
from wearscope.pipeline.face_known import (
    bit_doubts,
    edge_in_view,
    edge_of,
    lighting_of,
    transition_set_um,
    used_side,
)
from wearscope.pipeline.face_new import (
    fit_as_new,
    inspect_new_face,
    locate_new,
    require_quality,
    shows_wear,
    under,
)
from wearscope.pipeline.face_order import NEW_STATE_SHOWS_WEAR, doubted
from wearscope.pipeline.face_outcome import (
    bare_of,
    chip_spans_um,
    inspection_of,
    light_seen,
    method_of,
    method_words,
    new_as_drawn,
)
from wearscope.pipeline.inspection import EdgeDrawing, Inspection, Placing
from wearscope.pipeline.sources import Sources
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.quantities.views import VIEWS
from wearscope.trial.model import Bit, PhotoEntry, Trial
from wearscope.wear.band_light import BandLight, band_light
from wearscope.wear.chips import CHIP_ROWS, ZoneChips, chip_findings, find_chips
from wearscope.wear.coating import COATING_ROWS, coating_findings
from wearscope.wear.coating_map import CoatingMap, read_coating
from wearscope.wear.datum import Datum, Zones, find_zones, lay_datum
from wearscope.wear.land_seen import best_land, land_as_seen
from wearscope.wear.measured import Edge, MeasuredStrip, measured_strip, moved_along
from wearscope.wear.place import (
    PlaceOnPhoto,
    cut_doubts,
    depth_at,
    no_place,
    place_findings,
    used_edge_mm,
)
from wearscope.wear.recession import ROUNDING_ROWS, beyond_rounding, rounding_findings
from wearscope.wear.residual import residual_finding
from wearscope.wear.resin import Resin, resin_columns
from wearscope.wear.roughness import ROUGHNESS_ROW, find_roughness, roughness_findings
from wearscope.wear.sharpness import blur_doubts, sharpness_finding
from wearscope.wear.wear_land import LAND_ROWS, WearLand, land_findings
from wearscope.wear.wear_signs import signs_of_wear
from wearscope.wear.zone_lights import ZoneLights, zone_lights
from wearscope.wear.zones import Sign

Array = NDArray[np.float64]

HELIX_MATTERS_DEG, HELIX_REACH_UM = 3.0, 1000.0  # zones of a helical flute are compared near the transition


@dataclass(frozen=True, eq=False)
class Job:
    """One photo to measure, and what the trial file says of it.

    Attributes
    ----------
    entry : PhotoEntry
    bit : Bit
    lighting : Lighting
    depth_mm : float or None
        Programmed depth of cut; None if the trial file does not say.
    """

    entry: PhotoEntry
    bit: Bit
    lighting: Lighting
    depth_mm: float | None

    @property
    def shows_land(self) -> bool:
        """Whether it looks at the face that a wear land is worn on."""
        return VIEWS[self.entry.view].holds("wear_land")


def inspect_face(trial: Trial, entry: PhotoEntry, sources: Sources) -> Inspection:
    """Measure a photo of relief or rake face: used against unused edge, now against new.

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
    if entry.parts == 0:
        return inspect_new_face(trial, entry, sources)
    bit = trial.bit(entry.bit)
    job = Job(entry, bit, lighting_of(trial, entry), trial.depth_of(bit))
    pair = _locate(trial, entry, sources)
    laid = sources.recall(_lay, pair.now, pair.new, bit.coated)
    divided = _divide(job, pair, laid, sources)
    fitted = _fit(job, pair, laid, divided, sources)
    words = method_words(
        pair.datum, divided.edge, job.lighting, laid.match, wedge_known=bit.given("wedge_angle_deg")
    )
    signs = divided.zones.place.signs if divided.zones.place is not None else ()
    method = method_of(words, by_hand=pair.by_hand)
    findings = _place_findings(job, divided, fitted, method_of((*words, *signs), by_hand=pair.by_hand))
    drawing = None
    if divided.zones.transition is None and (fitted.new is None or not divided.zones.one_kind):
        findings += _nothing_to_compare(job, divided, fitted, method)
    else:
        worn = _estimate(job, fitted)
        findings += _worn_findings(pair, laid, fitted, worn, method)
        drawing = EdgeDrawing(_now_as_drawn(worn), new_as_drawn(laid.new_strip))
    findings = divided.resin.on(findings)
    return inspection_of(
        entry,
        doubted(findings, NEW_STATE_SHOWS_WEAR) if pair.new_worn else findings,
        divided.located,
        drawing,
        _placing(pair, laid, divided, fitted),
        (*pair.warnings, *_doubts_of_match(pair, laid)),
        (*pair.doubts, *divided.zones.doubts),
        _doubts_of_scale(job, divided, fitted),
    )


# --- Located: this photo's edge, and the new-state photo's


@dataclass(frozen=True, eq=False)
class Pair:
    """The edge in this photo and in the new-state photo of its flute.

    Attributes
    ----------
    now : LocatedEdge
    new : LocatedEdge or None
    used_side : int or None
        +1 or -1 where a person has said which way along the strip the used zone lies.
    by_hand : bool
        Whether a person has marked anything in one of them.
    warnings : tuple of str
    new_worn : bool
        Whether the new-state photo shows wear itself.
    """

    now: LocatedEdge
    new: LocatedEdge | None
    used_side: int | None
    by_hand: bool
    warnings: tuple[str, ...]
    new_worn: bool = False

    @property
    def datum(self) -> str:
        """What the worn edge is held against, as a word of `method`."""
        return "unused-zone" if self.new is None else "new-state"

    @property
    def doubts(self) -> tuple[Reason, ...]:
        """Why either may not be the cutting edge."""
        new = (reason("new-state-edge-doubtful"),) if self.new is not None and self.new.doubts else ()
        return (*self.now.doubts, *new)


def _locate(trial: Trial, entry: PhotoEntry, sources: Sources) -> Pair:
    new_entry = trial.new_state(entry)
    new: LocatedEdge | None = None
    warnings: tuple[str, ...] = ()
    if new_entry is not None:
        try:
            new = locate_new(trial, new_entry, sources)
        except PhotoRefused as problem:
            warnings = (f"the new-state photo cannot be used ({problem.what}); measured without it",)
            new_entry = None
    now = sources.located(entry, new)
    side = used_side(entry, sources.said_of(entry), now)
    if side is None and new is not None and new_entry is not None:
        # both strips run the same way, for the tool lies on the same side of them
        side = used_side(new_entry, sources.said_of(new_entry), new)
    by_hand = sources.by_hand(entry) or (new_entry is not None and sources.by_hand(new_entry))
    new_worn = new_entry is not None and shows_wear(
        trial, new_entry, sources, edge_of(trial.bit(entry.bit), entry)
    )
    return Pair(now, new, side, by_hand, warnings, new_worn)


# --- Laid: over the new-state photo


@dataclass(frozen=True, eq=False)
class Laid:
    """A photo laid over its new-state photo, with the signs of wear along its edge.

    Attributes
    ----------
    located : LocatedEdge
        At the scale that the new-state photo says.
    match : MarkMatch or None
        None without a new-state photo.
    base_um : ndarray, shape (S,)
        The new-state edge in the straight frame of this one.
    degree : int
        Power up to which the two may drift apart along the edge.
    new_strip : Strip or None
    signs : list of Sign
    resin : ndarray of bool, shape (S,)
    band : BandLight
    """

    located: LocatedEdge
    match: MarkMatch | None
    base_um: Array
    degree: int
    new_strip: Strip | None
    signs: list[Sign]
    resin: NDArray[np.bool_]
    band: BandLight


def _lay(located: LocatedEdge, new: LocatedEdge | None, in_colour: bool) -> Laid:
    match, new_strip = None, None
    # without a new-state photo the edge is a gentle curve
    base_um, degree = np.zeros(len(located.trace_um)), 2
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
    band = band_light(located.strip, np.where(resin, np.nan, located.trace_um))
    return Laid(located, match, base_um, degree, new_strip, signs, resin, band)


def _doubts_of_match(pair: Pair, laid: Laid) -> tuple[str, ...]:
    if pair.new is None or laid.match is None or laid.match.verdict != "unclear":
        return ()
    return (f"its grind marks are too faint to confirm that it shows the flute of {pair.new.name}",)


def _doubts_of_scale(job: Job, divided: Divided, fitted: Fitted) -> tuple[Reason, ...]:
    """Why the scale can hardly be right, as far as this edge says."""
    located, zones, silhouette_um = divided.located, divided.zones, fitted.measured.silhouette_um
    doubts = (*bit_doubts(located, job.bit), *blur_doubts(fitted.own.blur_um))
    if zones.transition is None:
        return doubts
    visible_um = located.strip.s_um[np.isfinite(silhouette_um)]
    return (*doubts, *cut_doubts(used_edge_mm(zones.transition, visible_um), job.depth_mm))


# --- Divided: into zones, each against the new-state line


@dataclass(frozen=True, eq=False)
class Divided:
    """An edge divided into zones.

    Attributes
    ----------
    located : LocatedEdge
        With the trace sharpened by the zone that lies on the new-state line.
    zones : Zones
    datum : Datum
    edge : Edge
    resin : Resin
    """

    located: LocatedEdge
    zones: Zones
    datum: Datum
    edge: Edge
    resin: Resin


def _divide(job: Job, pair: Pair, laid: Laid, sources: Sources) -> Divided:
    located = laid.located
    s_um = located.strip.s_um
    zones = find_zones(
        s_um,
        located.offset_um - laid.base_um,
        laid.degree,
        laid.signs,
        pair.used_side,
        HELIX_REACH_UM if abs(job.bit.helix_angle_deg) >= HELIX_MATTERS_DEG else np.inf,
        transition_set_um(sources.said_of(job.entry), located, job.entry),
        laid.resin,
        laid.band,
    )
    resin = _resin_on(located, laid.resin, zones)
    located = located.matched(zones.labels == (UNUSED if zones.transition is not None else USED))
    datum = lay_datum(s_um, located.offset_um - laid.base_um, laid.degree, zones)
    return Divided(located, zones, datum, edge_in_view(job.bit, job.entry, located, pair.new, zones), resin)


def _resin_on(located: LocatedEdge, resin: NDArray[np.bool_], zones: Zones) -> Resin:
    """How much of the used edge, or of all where there is no transition, resin covers."""
    at = located.seen
    if zones.transition is not None:
        at = at & ((located.strip.s_um - zones.transition.at_um) * zones.transition.used_side > 0.0)
    return Resin(float(resin[at].mean()) if at.any() else 0.0, zones.transition is not None)


# --- Fitted: the light across each zone


@dataclass(frozen=True, eq=False)
class Fitted:
    """The light across the edge fitted zone by zone.

    Attributes
    ----------
    measured : MeasuredStrip
    follow_um : ndarray, shape (S,)
        The new-state line, along which the strip is cut, as a distance into the tool from the photo's own.
    lights : ZoneLights
    own : LightFit
        Of this photo where the edge is still as it was: the blur is read there.
    new : LightFit or None
        Of the new-state photo, where this one has no unused zone of its own.
    """

    measured: MeasuredStrip
    follow_um: Array
    lights: ZoneLights
    own: LightFit
    new: LightFit | None


def _fit(job: Job, pair: Pair, laid: Laid, divided: Divided, sources: Sources) -> Fitted:
    located, zones, datum, edge = divided.located, divided.zones, divided.datum, divided.edge
    new = None
    if pair.new is not None and zones.transition is None:
        new = sources.recall(fit_as_new, pair.new, edge.radius_um, job.lighting)
    # the strip is cut once more, now along the new-state line
    s_um, seen = located.strip.s_um, located.seen
    follow_um = np.interp(s_um, s_um[seen], (located.trace_um - datum.departure_um)[seen])
    strip = located.strip_along(follow_um)
    lights = zone_lights(
        strip, zones.labels, datum, located.steepness, edge, under(located, job.lighting), new
    )
    measured = measured_strip(
        strip,
        datum.departure_um,
        zones,
        lights.fits(edge.factor),
        edge,
        located.u_scale,
        u_scale_along=located.u_scale_along,
        datum=datum,
        new=laid.new_strip,
        grey=located.photo.grey,
    )
    own = measured.fits.unused if zones.transition is not None else None
    own = own or fit_as_new(located, edge.radius_um, job.lighting)
    require_quality(located, own)
    return Fitted(measured, follow_um, lights, own, new)


# --- Estimated: coating, chips, wear land, and the rounding in the light of them


@dataclass(frozen=True, eq=False)
class Worn:
    """What the estimators saw.

    Attributes
    ----------
    coating : CoatingMap or None
    chips : list of (str, ZoneChips or None)
        By zone.
    land : WearLand or None
        None in a view that shows none.
    measured : MeasuredStrip
        With silhouette and radius no longer tied where a flat has been worn.
    """

    coating: CoatingMap | None
    chips: list[tuple[Zone, ZoneChips | None]]
    land: WearLand | None
    measured: MeasuredStrip

    @property
    def worn_flat(self) -> bool:
        """Whether there is, or may be, a wear land."""
        return self.land is not None and self.land.verdict in ("seen", "unsure")


def _estimate(job: Job, fitted: Fitted) -> Worn:
    measured = fitted.measured
    coating = read_coating(measured) if measured.edge.coated else None
    worn = Worn(coating, find_chips(measured), None, measured)
    if not job.shows_land:
        return worn
    land = best_land(measured, coating)
    return _with_land(replace(worn, land=land), land, fitted)


def _with_land(worn: Worn, land: WearLand, fitted: Fitted) -> Worn:
    """Have recession confirm the land: a flat moves the edge back further than the rounding does."""
    measured = fitted.measured
    datum, factor = measured.datum, measured.edge.factor
    if not worn.worn_flat or measured.zones.transition is None or factor is None or datum is None:
        return worn
    free = fitted.lights.fits(None)  # the wedge ties silhouette and radius no longer
    u_datum_um = float(np.sqrt(np.mean(datum.u_datum_um[measured.columns("used")] ** 2)))
    land = land.confirmed(*beyond_rounding(free, factor, u_datum_um))
    if land.verdict != "seen":
        return replace(worn, land=land)
    return replace(worn, land=land, measured=measured.with_fits(free))


# --- Findings


def _place_findings(job: Job, divided: Divided, fitted: Fitted, method: str) -> list[Finding]:
    located, zones, silhouette_um = divided.located, divided.zones, fitted.measured.silhouette_um
    if zones.place is None:
        return no_place(zones.absent, method)
    s_um, at_um = located.strip.s_um, zones.place.at_um
    deep_um = depth_at(s_um, silhouette_um, at_um) + float(np.interp(at_um, s_um, fitted.follow_um))
    on_photo = PlaceOnPhoto(
        located.on_photo(at_um, deep_um), located.line.direction, located.line.inward, located.photo_um_per_px
    )
    visible_um = s_um[np.isfinite(silhouette_um)]
    return place_findings(zones.place, visible_um, on_photo, located.u_scale_along, job.depth_mm, method)


def _nothing_to_compare(job: Job, divided: Divided, fitted: Fitted, method: str) -> list[Finding]:
    located = divided.located
    rows: list[tuple[str, Zone]] = list(ROUNDING_ROWS)
    rows += [(quantity, "used") for quantity in CHIP_ROWS]
    rows.append((ROUGHNESS_ROW, "used"))
    land = land_as_seen(fitted.measured) if job.shows_land else None
    rows += [(quantity, "used") for quantity in LAND_ROWS if job.shows_land and land is None]
    rows += [(quantity, "used") for quantity in COATING_ROWS if divided.edge.coated]
    absent = divided.zones.absent if divided.zones.place is not None else None
    why = absent or reason("nothing-to-compare-with")
    return [
        *(refused(quantity, zone, why, method) for quantity, zone in rows),
        *(() if land is None else land_findings(land, divided.edge.doubts, method)),
        sharpness_finding(fitted.own, located.u_scale, light_seen(located), method),
        residual_finding(divided.datum.residual_um, method, compared=False, by_marks=False),
    ]


def _worn_findings(pair: Pair, laid: Laid, fitted: Fitted, worn: Worn, method: str) -> list[Finding]:
    measured, located = fitted.measured, laid.located
    findings: list[Finding] = []
    if measured.edge.coated:
        findings += coating_findings(measured, worn.coating, method)
    findings += chip_findings(worn.chips, method)
    rough = find_roughness(measured, located.trace_um - fitted.follow_um)
    findings += roughness_findings(rough, measured.u_scale, method)
    if worn.land is not None:
        findings += land_findings(worn.land, measured.edge.doubts, method)
    findings += rounding_findings(worn.measured, method, worn_flat=worn.worn_flat)
    findings.append(sharpness_finding(fitted.own, measured.u_scale, light_seen(located), method))
    residual_um = measured.datum.residual_um if measured.datum is not None else float("nan")
    by_marks = laid.match is None or laid.match.verdict == "same"
    findings.append(residual_finding(residual_um, method, compared=pair.new is not None, by_marks=by_marks))
    return findings


# --- Drawn


def _now_as_drawn(worn: Worn) -> EdgeView:
    measured, transition = worn.measured, worn.measured.zones.transition
    return EdgeView(
        measured.strip,
        measured.silhouette_um,
        measured.labels,
        measured.recession_um,
        bare_of(worn.coating),
        chip_spans_um(worn.chips),
        transition.at_um if transition else None,
        transition.u_at_um if transition else None,
        land_um=worn.land.end_um if worn.land is not None and worn.worn_flat else None,
        moved_um=moved_along(measured.departure_um, measured.labels, measured.fits),
    )


def _placing(pair: Pair, laid: Laid, divided: Divided, fitted: Fitted) -> Placing:
    onto = None
    if pair.new is not None and laid.match is not None:
        onto = new_onto_now(divided.located, pair.new, laid.match, divided.datum.drift_um)
    used = fitted.measured.fits.used
    line_um = used.bright_line_um - used.silhouette_um if used is not None else float("nan")
    return Placing(divided.located, fitted.follow_um, pair.new, onto, line_um)
