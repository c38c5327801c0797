"""A view of relief or rake face from its photo to its findings.

Read `inspect_face` from top to bottom: the photo is followed up to the light across its edge (`face_stages`); then
each estimator says what it finds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.registration import new_onto_now
from wearscope.light.strip import EdgeView
from wearscope.metrology.findings import Finding, refused
from wearscope.pipeline.face_new import (
    inspect_new_face,
)
from wearscope.pipeline.face_order import NEW_STATE_SHOWS_WEAR, doubted
from wearscope.pipeline.face_outcome import (
    bare_of,
    chip_spans_um,
    findings_along,
    inspection_of,
    light_seen,
    method_of,
    method_words,
    new_as_drawn,
    rows_along,
)
from wearscope.pipeline.face_stages import Divided, Fitted, Job, Laid, Pair, follow_face
from wearscope.pipeline.inspection import EdgeDrawing, Inspection, Placing
from wearscope.pipeline.sources import Sources
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import reason
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.chips import ZoneChips, find_chips
from wearscope.wear.coating_map import CoatingMap, read_coating
from wearscope.wear.land_seen import best_land, land_as_seen
from wearscope.wear.measured import MeasuredStrip, moved_along
from wearscope.wear.place import (
    PlaceOnPhoto,
    depth_at,
    no_place,
    place_findings,
)
from wearscope.wear.recession import ROUNDING_ROWS, beyond_rounding, rounding_findings
from wearscope.wear.residual import residual_finding
from wearscope.wear.sharpness import sharpness_finding
from wearscope.wear.wear_land import LAND_ROWS, WearLand, land_findings

Array = NDArray[np.float64]

# of the outermost line in focus, that the traced edge may lie where nobody has marked it: a streak along a flat is
# brighter than the edge, and 20 pixels off it on flanks of end mills where the trace follows one; chosen
MOST_INSIDE_UM = 30.0


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
    followed = follow_face(trial, entry, sources)
    job, pair, laid = followed.job, followed.pair, followed.laid
    divided, fitted = followed.divided, followed.fitted
    words = method_words(
        pair.datum, divided.edge, job.lighting, laid.match, wedge_known=job.bit.given("wedge_angle_deg")
    )
    signs = divided.zones.place.signs if divided.zones.place is not None else ()
    method = method_of(words, by_hand=pair.by_hand)
    findings = _place_findings(job, divided, fitted, method_of((*words, *signs), by_hand=pair.by_hand))
    drawing = None
    if divided.zones.transition is None and (fitted.new is None or not divided.zones.one_kind):
        land = land_as_seen(fitted.measured) if job.shows_land else None
        findings += _nothing_to_compare(job, divided, fitted, land, method)
    else:
        worn = _estimate(job, fitted)
        land = worn.land
        findings += _worn_findings(pair, laid, fitted, worn, method)
        drawing = EdgeDrawing(_now_as_drawn(worn), new_as_drawn(laid.new_strip))
    findings = divided.resin.on(findings)
    far_inside = land is not None and land.inside_um > MOST_INSIDE_UM and not pair.by_hand
    return inspection_of(
        entry,
        doubted(findings, NEW_STATE_SHOWS_WEAR) if pair.new_worn else findings,
        divided.located,
        drawing,
        _placing(pair, laid, divided, fitted),
        (*pair.warnings, *followed.doubts_of_match),
        (*followed.doubts, *((reason("edge-disputed"),) if far_inside else ())),
        followed.doubts_of_scale,
    )


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
    if free.used is None or free.unused is None:
        return replace(worn, land=land)
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


def _nothing_to_compare(
    job: Job, divided: Divided, fitted: Fitted, land: WearLand | None, method: str
) -> list[Finding]:
    located = divided.located
    rows: list[tuple[str, Zone]] = list(ROUNDING_ROWS)
    rows += [(quantity, "used") for quantity in rows_along(divided.edge)]
    rows += [(quantity, "used") for quantity in LAND_ROWS if job.shows_land and land is None]
    absent = divided.zones.absent if divided.zones.place is not None else None
    why = absent or reason("nothing-to-compare-with")
    return [
        *(refused(quantity, zone, why, method) for quantity, zone in rows),
        *(() if land is None else land_findings(land, divided.edge.doubts, method)),
        _sharpness(fitted, located, method),
        residual_finding(divided.datum.residual_um, method, compared=False, by_marks=False),
    ]


def _worn_findings(pair: Pair, laid: Laid, fitted: Fitted, worn: Worn, method: str) -> list[Finding]:
    measured, located = fitted.measured, laid.located
    departure_um = located.trace_um - fitted.follow_um
    findings = findings_along(measured, worn.coating, worn.chips, departure_um, method)
    if worn.land is not None:
        findings += land_findings(worn.land, measured.edge.doubts, method)
    findings += rounding_findings(worn.measured, method, worn_flat=worn.worn_flat)
    findings.append(_sharpness(fitted, located, method))
    residual_um = measured.datum.residual_um if measured.datum is not None else float("nan")
    by_marks = laid.match is None or laid.match.verdict == "same"
    findings.append(residual_finding(residual_um, method, compared=pair.new is not None, by_marks=by_marks))
    return findings


def _sharpness(fitted: Fitted, located: LocatedEdge, method: str) -> Finding:
    finest_um = located.quality.finest_um
    return sharpness_finding(fitted.own, finest_um, located.u_scale, light_seen(located), method)


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
        onto = new_onto_now(divided.located, pair.new, laid.match, divided.datum.drift_um, pair.across)
    used = fitted.measured.fits.used
    line_um = used.bright_line_um - used.silhouette_um if used is not None else float("nan")
    return Placing(divided.located, fitted.follow_um, pair.new, onto, line_um)
