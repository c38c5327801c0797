"""What is known of a cutting edge before its photo is measured, from the trial file and from people."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.plausible import doubts_against_bit
from wearscope.imaging.located_edge import LocatedEdge
from wearscope.light.known import BROAD_RADIUS_UM
from wearscope.light.strip import UNUSED, USED
from wearscope.light.zone_light import Lighting
from wearscope.quantities.reasons import Reason, reason
from wearscope.trial.correction import Correction
from wearscope.trial.entries import Bit, PhotoEntry
from wearscope.trial.model import Trial
from wearscope.wear.datum import Zones
from wearscope.wear.measured import Edge
from wearscope.wear.wedge import NoRecessionError, recession_factor, view_tilt

MARKED_WITHIN_UM = 250.0  # how far from the edge a transition set by hand may lie
VISIBLY_HELICAL_PER_MM = 0.03  # curvature that lens and wear do not give a straight edge
# of the view, up to which recession and radius are right on path-traced photographs (tests/test_tilted_photos.py); at
# 20° too little of the arc, or too much, faces the camera for the model of its light
MOST_TILT_DEG = 15.0
LEAST_U_RING_DEG = 0.5  # a lamp ring is not known better; common practice, no source
LEAST_RADIUS_UM, LEAST_U_RADIUS_UM = 0.5, 0.3  # no edge is sharper, none known better; from memory


def lighting_of(trial: Trial, entry: PhotoEntry) -> Lighting:
    """Ring angle of the scale entry that the photo names, or the broad assumption.

    Parameters
    ----------
    trial : Trial
    entry : PhotoEntry

    Returns
    -------
    Lighting
    """
    scale = trial.scale(entry.scale)
    if scale.ring_angle_deg is None:
        return Lighting()
    u_ring_deg = max(scale.u_ring_angle_deg, LEAST_U_RING_DEG)
    return Lighting(np.radians(scale.ring_angle_deg), np.radians(u_ring_deg), True)


def bit_doubts(located: LocatedEdge, bit: Bit) -> tuple[Reason, ...]:
    """Why a scale can hardly be that of a photo of a bit.

    Parameters
    ----------
    located : LocatedEdge
    bit : Bit

    Returns
    -------
    tuple of Reason
    """
    return doubts_against_bit(located.photo_um_per_px, located.photo.pixels.shape, bit.diameter_mm)


def edge_of(bit: Bit, entry: PhotoEntry, turned: float = 0.0) -> Edge:
    """What the trial file says of a bit's edge, with the broad assumptions where it is silent.

    Parameters
    ----------
    bit : Bit
    entry : PhotoEntry
    turned : float
        Standard uncertainty, radians, by which a helical flute turns the face away between the zones compared.

    Returns
    -------
    Edge
    """
    factor, why = None, None
    tilt = np.radians(entry.view_tilt_deg), np.radians(entry.u_view_tilt_deg), turned
    try:
        if abs(entry.view_tilt_deg) > MOST_TILT_DEG:
            raise NoRecessionError(reason("view-tilt-untried", most_deg=MOST_TILT_DEG))
        factor = recession_factor(np.radians(bit.wedge_angle_deg), np.radians(bit.u_wedge_angle_deg), *tilt)
    except NoRecessionError as problem:
        why = problem.reason
    radius_um = BROAD_RADIUS_UM
    if bit.r_unused_um is not None:
        radius_um = max(bit.r_unused_um, LEAST_RADIUS_UM), max(bit.u_r_unused_um, LEAST_U_RADIUS_UM)
    return Edge(radius_um, bit.r_unused_um is not None, factor, why, view_tilt(*tilt), bit.coated)


def edge_in_view(
    bit: Bit, entry: PhotoEntry, located: LocatedEdge, new: LocatedEdge | None, zones: Zones
) -> Edge:
    """The bit's edge with what a helix does to it between the zones compared.

    Parameters
    ----------
    bit : Bit
    entry : PhotoEntry
    located : LocatedEdge
    new : LocatedEdge or None
        Of the new-state photo.
    zones : Zones

    Returns
    -------
    Edge
    """
    turned = 0.0
    if zones.transition is not None and bit.helix_angle_deg and bit.diameter_mm:
        per_um = np.tan(np.radians(abs(bit.helix_angle_deg))) / (0.5e3 * bit.diameter_mm)
        used, unused = (located.strip.s_um[zones.labels == label].mean() for label in (USED, UNUSED))
        turned = float(per_um * abs(used - unused) / 2.0)
    edge = edge_of(bit, entry, turned)
    bent = (new or located).curvature_per_mm
    if bent > VISIBLY_HELICAL_PER_MM and not bit.given("helix_angle_deg"):
        return replace(edge, doubts=(reason("edge-bent", per_mm=bent),))
    return edge


def used_side(entry: PhotoEntry, said: Correction, located: LocatedEdge) -> int | None:
    """Which way along the strip the person's used side lies.

    Parameters
    ----------
    entry : PhotoEntry
    said : Correction
    located : LocatedEdge

    Returns
    -------
    int or None
        +1 towards larger distances along the edge, -1 towards smaller; None where nobody has said.
    """
    if said.used_towards_px is not None:
        return _way(said.used_towards_px[0], said.used_towards_px[-1], located)
    if entry.used_side is None or entry.edge_near is None:
        return None
    towards_end = _way(entry.edge_near[0], entry.edge_near[-1], located)
    return towards_end if entry.used_side == "end" else -towards_end


def _way(from_px: tuple[float, float], to_px: tuple[float, float], located: LocatedEdge) -> int:
    ends = np.array([from_px, to_px], float) @ located.line.direction
    return 1 if ends[1] > ends[0] else -1


def transition_set_um(said: Correction, located: LocatedEdge, entry: PhotoEntry) -> float | None:
    """Where along the strip a person has set the transition.

    Parameters
    ----------
    said : Correction
    located : LocatedEdge
    entry : PhotoEntry

    Returns
    -------
    float or None

    Raises
    ------
    PhotoRefused
        It was set where there is no edge.
    """
    if said.transition_px is None:
        return None
    at_um, deep_um = located.on_strip(said.transition_px)
    s_um = located.strip.s_um
    if not (s_um[0] < at_um < s_um[-1] and abs(deep_um) < MARKED_WITHIN_UM):
        raise PhotoRefused(
            f"{entry.path.name}: the transition set by hand does not lie on the edge",
            "set it again, on the cutting edge",
            "transition-off-edge",
        )
    return at_um
