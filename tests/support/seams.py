"""Where the tests of `tests/pins` touch the program: every name that they use of it, once, and what a row says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from measured import measured, zones

from wearscope.economics.decision import outcome_of
from wearscope.economics.life import HORIZON as HORIZON_TIMES
from wearscope.economics.ranking import cost_of_choosing_wrongly
from wearscope.imaging.calibration.pin import ring_angle_from_pin
from wearscope.imaging.calibration.scale import scale_from_graticule, scale_from_value
from wearscope.imaging.quality import strip_quality
from wearscope.imaging.registration import match_marks
from wearscope.light.edge_light import LightFit
from wearscope.light.strip import NEITHER, UNUSED, USED, Strip
from wearscope.metrology.findings import Finding, found
from wearscope.metrology.uncertainty import Budget, Input, Term, as_budget, linear
from wearscope.wear.chips import Chip, ZoneChips, chip_findings
from wearscope.wear.coating import coating_findings, zone_coating
from wearscope.wear.coating_colour import BAND_UM
from wearscope.wear.coating_map import CoatingMap
from wearscope.wear.datum import Datum
from wearscope.wear.measured import Edge, MeasuredStrip, ZoneFits
from wearscope.wear.recession import rounding_findings
from wearscope.wear.section import tip_findings
from wearscope.wear.steps import drawn_on
from wearscope.wear.tip import TipFit
from wearscope.wear.wear_land import find_land, land_findings
from wearscope.wear.wedge import recession_factor, view_tilt

__all__ = [
    "BAND_UM",
    "HORIZON_TIMES",
    "NEITHER",
    "UNUSED",
    "USED",
    "Budget",
    "Finding",
    "Input",
    "Strip",
    "Term",
    "as_budget",
    "chip_rows",
    "coating_rows",
    "contributions",
    "cost_of_choosing_wrongly",
    "detection_limit",
    "drawn_on",
    "find_land",
    "found",
    "land_rows",
    "linear",
    "match_marks",
    "outcome_of",
    "recession_factor",
    "ring_angle_from_pin",
    "rounding_rows",
    "scale_from_graticule",
    "scale_from_value",
    "strip_quality",
    "tip_rows",
    "zone_coating",
]

Array = np.ndarray
Rows = dict[tuple[str, str], Finding]


def contributions(budget: Budget) -> dict[str, float]:
    """What each source does to the result, by its name, those that do nothing left out."""
    return {term.source.name: float(term.contribution) for term in budget.terms if term.contribution}


def detection_limit(row: Any) -> float:
    """The detection limit that a row states."""
    return float(row.detection_limit)


def by_key(findings: Sequence[Finding]) -> Rows:
    return {(each.quantity, each.zone): each for each in findings}


# --- The estimators, with what an own derivation needs of their arguments


def a_fit(
    silhouette: Budget, radius: Budget, bright_line_um: float = np.nan, blur_um: float = 3.0
) -> LightFit:
    """A fit of known silhouette and radius."""
    return LightFit(
        silhouette=silhouette,
        radius=radius,
        bright_line_um=bright_line_um,
        blur_um=blur_um,
        lamp_seen=True,
        misfit=0.0,
        ring_angle=0.7,
        roughness=0.1,
    )


def rounding_rows(
    used: LightFit,
    unused: LightFit,
    *,
    line_errors_um: Array,
    line_dof: float,
    labels: Array,
    wedge_deg: tuple[float, float],
    tilt_deg: tuple[float, float],
    turned_deg: float,
    u_scale: float,
) -> Rows:
    """Recession and radius from two fits and the new-state line."""
    angles = *np.radians(wedge_deg), *np.radians(tilt_deg), np.radians(turned_deg)
    edge = Edge((6.0, 1.0), True, recession_factor(*angles), None, view_tilt(*angles[2:]), True)
    flat = np.zeros(len(labels))
    strip = Strip(np.zeros((1, len(labels), 3), np.float32), np.arange(float(len(labels))), np.zeros(1), 1.0)
    known = zones(labels, used_side=1), ZoneFits(unused, used), edge, u_scale
    datum = Datum(flat, line_errors_um, 0.5, flat, line_dof)
    return by_key(rounding_findings(MeasuredStrip(strip, flat, flat, flat, *known, datum), "words"))


def chip_rows(
    notches: Sequence[tuple[float, float, float, float]],
    *,
    shallowest_um: float,
    u_depth_um: float,
    u_end_um: float,
    u_length_um: float,
    u_scale_along: float = 0.0,
) -> Rows:
    """Chip rows of one zone, from its notches: start, end, depth and its standard uncertainty."""
    zone = ZoneChips(
        tuple(Chip(*one) for one in notches), shallowest_um, u_depth_um, u_end_um, u_length_um, u_scale_along
    )
    return by_key(chip_findings([("used", zone)], "words"))


def land_rows(scene: Any) -> Rows:
    """Wear land rows of a scene as in `lands`."""
    return by_key(land_findings(find_land(scene), (), "words"))


def coating_rows(
    strip: Strip, seen: CoatingMap, silhouette_um: Array, labels: Array, used: LightFit, unused: LightFit
) -> Rows:
    edge = measured(strip, labels, silhouette_um, used=used, unused=unused)
    return by_key(coating_findings(edge, seen, "words"))


def a_coating_map(substrate: Array, **changed: Any) -> CoatingMap:
    """Where substrate shows, all of it readable unless `changed` says otherwise."""
    columns = substrate.shape[1]
    usual: Mapping[str, Any] = {
        "substrate": substrate,
        "unreadable_share": np.zeros(columns),
        "readable_from_um": np.zeros(columns),
        "found": bool(substrate.any()),
        "stray_share": 0.0,
        "faint": False,
        "u_border_um": 2.0,
    }
    return CoatingMap(**{**usual, **changed})


def tip_rows(fit: TipFit, *, u_scale: float, tilt: float, u_tilt: float) -> Rows:
    return by_key(tip_findings(fit, u_scale, tilt, u_tilt, ()))


def with_fit(fit: TipFit, **changed: Any) -> TipFit:
    return replace(fit, **changed)
