"""A view of relief or rake face followed up to where its numbers can be read.

The edge is located, laid over the new-state photo, divided into zones, held against the new-state line, and the light
across it fitted. All that refuses a photo stands here, for measuring and for judging alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoRefused
from wearscope.imaging.located_edge import LocatedEdge
from wearscope.imaging.registration import MarkMatch, lay_over, new_offset_um, new_strip_at
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import UNUSED, USED, Strip
from wearscope.light.zone_light import Lighting
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
    light_doubts,
    locate_new,
    require_quality,
    shows_wear,
    under,
)
from wearscope.pipeline.sources import Sources
from wearscope.quantities.reasons import Reason, reason
from wearscope.quantities.views import VIEWS
from wearscope.trial.entries import Bit, PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.band_light import BandLight, band_light
from wearscope.wear.datum import Datum, Zones, find_zones, lay_datum
from wearscope.wear.measured import Edge, MeasuredStrip, measured_strip
from wearscope.wear.place import (
    cut_doubts,
    used_edge_mm,
)
from wearscope.wear.resin import Resin, resin_columns
from wearscope.wear.sharpness import blur_doubts
from wearscope.wear.wear_signs import signs_of_wear
from wearscope.wear.zone_lights import ZoneLights, in_sight, zone_lights
from wearscope.wear.zones import Sign

Array = NDArray[np.float64]

# of the trace under the used zone: an edge given up at a radius of 40 µm has moved back by less than a quarter of it
LEAP_UM = 120.0
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
    across : float
        Depth of a place on the face in the new-state photo over that in this one, by their tilts.
    """

    now: LocatedEdge
    new: LocatedEdge | None
    used_side: int | None
    by_hand: bool
    warnings: tuple[str, ...]
    new_worn: bool = False
    across: float = 1.0

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
            with sources.looking_at(entry):
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
    across = 1.0 if new_entry is None else _shrunk_by(new_entry) / _shrunk_by(entry)
    return Pair(now, new, side, by_hand, warnings, new_worn, across)


def _shrunk_by(entry: PhotoEntry) -> float:
    return float(np.cos(np.radians(entry.view_tilt_deg)))


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


def _lay(located: LocatedEdge, new: LocatedEdge | None, in_colour: bool, across: float) -> Laid:
    match, new_strip = None, None
    # without a new-state photo the edge is a gentle curve
    base_um, degree = np.zeros(len(located.trace_um)), 2
    if new is not None:
        located, match = lay_over(located, new)
        base_um, degree = new_offset_um(located, new, match) / across, 1
        new_strip = new_strip_at(located, new, match, across)
    signs = signs_of_wear(
        located.strip,
        located.trace_um,
        in_colour=in_colour and not located.photo.grey,
        plain=located.quality.background != "mixed",
    )
    resin = resin_columns(located.strip, located.trace_um)
    band = band_light(located.strip, np.where(resin, np.nan, located.trace_um))
    return Laid(located, match, base_um, degree, new_strip, signs, resin, band)


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


def _leap(divided: Divided) -> tuple[Reason, ...]:
    """Why the trace may have gone over from one line to another at the transition."""
    used = (divided.zones.labels == USED) & np.isfinite(divided.datum.departure_um)
    if divided.zones.transition is None or not used.any():
        return ()
    moved_um = float(np.median(divided.datum.departure_um[used]))
    return (reason("edge-leaps", moved_um=moved_um),) if moved_um > LEAP_UM else ()


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
        new = sources.recall_new(fit_as_new, pair.new, edge.radius_um, job.lighting)
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
        in_sight=in_sight(zones.labels, located.steepness, float(s_um[1] - s_um[0])),
    )
    own = measured.fits.unused if zones.transition is not None else None
    own = own or fit_as_new(located, edge.radius_um, job.lighting)
    require_quality(located, own)
    return Fitted(measured, follow_um, lights, own, new)


# --- All of it


@dataclass(frozen=True, eq=False)
class Followed:
    """A later photo followed through all stages.

    Attributes
    ----------
    job : Job
    pair : Pair
    laid : Laid
    divided : Divided
    fitted : Fitted
    """

    job: Job
    pair: Pair
    laid: Laid
    divided: Divided
    fitted: Fitted

    @property
    def doubts(self) -> tuple[Reason, ...]:
        """Why its rows may be of something else than they say."""
        own = light_doubts(self.divided.located, self.fitted.own)
        return (*self.pair.doubts, *self.divided.zones.doubts, *_leap(self.divided), *own)

    @property
    def doubts_of_match(self) -> tuple[str, ...]:
        """What is to be said of the flute that it shows."""
        if self.pair.new is None or self.laid.match is None or self.laid.match.verdict != "unclear":
            return ()
        return (f"its grind marks are too faint to confirm that it shows the flute of {self.pair.new.name}",)

    @property
    def doubts_of_scale(self) -> tuple[Reason, ...]:
        """Why the scale can hardly be right, as far as this edge says."""
        located, zones, silhouette_um = (
            self.divided.located,
            self.divided.zones,
            self.fitted.measured.silhouette_um,
        )
        doubts = (*bit_doubts(located, self.job.bit), *blur_doubts(self.fitted.own.blur_um))
        if zones.transition is None:
            return doubts
        visible_um = located.strip.s_um[np.isfinite(silhouette_um)]
        return (*doubts, *cut_doubts(used_edge_mm(zones.transition, visible_um), self.job.depth_mm))


def follow_face(trial: Trial, entry: PhotoEntry, sources: Sources) -> Followed:
    """Follow a later photo of relief or rake face up to where its numbers can be read.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry
    sources : Sources

    Returns
    -------
    Followed

    Raises
    ------
    PhotoRefused, EdgeOutOfFrameError
        The photo cannot carry a measurement.
    """
    bit = trial.bit(entry.bit)
    job = Job(entry, bit, lighting_of(trial, entry), trial.depth_of(bit))
    pair = _locate(trial, entry, sources)
    laid = sources.recall(_lay, pair.now, pair.new, bit.coated, pair.across)
    divided = _divide(job, pair, laid, sources)
    return Followed(job, pair, laid, divided, _fit(job, pair, laid, divided, sources))
