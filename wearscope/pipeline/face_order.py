"""Whether a photo shows by itself that its flute has cut: what no new flute does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearscope.imaging.located_edge import LocatedEdge
from wearscope.metrology.findings import Finding
from wearscope.pipeline.judgement import OwnStep
from wearscope.quantities.quantity import quantity_of
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.datum import find_zones
from wearscope.wear.resin import resin_columns
from wearscope.wear.steps import step_curve
from wearscope.wear.wear_signs import signs_of_wear

NEW_STATE_SHOWS_WEAR = reason("new-state-shows-wear")
# Signs that must agree on the place, the edge line among them. By that none of 22 rendered new flutes seems worn, and
# all 21 worn ones do whose edge has moved by 7 um or more
LEAST_SIGNS = 2
# Standard uncertainties, and least step, by which the edge line alone shows it; chosen: 2.5 and 2.6 um at most on the
# new flutes, and a bend that is no curve of the second power may pass for a small step
SURE_ALONE, LEAST_ALONE_UM = 10.0, 5.0
# Curvature of the line beyond which it is a helix that bends it; a wear step makes up to 0.052 on the reference pairs
BENT_PER_MM = 0.08
GENTLE_CURVE = 2  # power of the curve that a new edge follows
U_STEP = 0.1  # relative, of a step in the seen edge line from one light to another; chosen


def own_step(located: LocatedEdge, *, coated: bool) -> OwnStep | None:
    """The step back that a photo shows by itself.

    Parameters
    ----------
    located : LocatedEdge
        Not yet matched to anything.
    coated : bool

    Returns
    -------
    OwnStep or None
        None where no used edge begins, where the signs do not agree on it, and of an edge as bent as that of a
        steep helix, along which light and line change anyway.
    """
    if located.curvature_per_mm > BENT_PER_MM:
        return None
    strip, trace_um, line_um = located.strip, located.trace_um, located.offset_um
    signs = signs_of_wear(
        strip,
        trace_um,
        in_colour=coated and not located.photo.grey,
        plain=located.quality.background != "mixed",
    )
    resin = resin_columns(strip, trace_um)
    zones = find_zones(strip.s_um, line_um, GENTLE_CURVE, signs, None, hidden=resin)
    shown = zones.transition.signs if zones.transition is not None else ()
    curve = step_curve(strip.s_um, np.where(resin, np.nan, line_um), degree=GENTLE_CURVE)
    if "edge-line" not in shown or curve is None:
        return None
    step_um = abs(curve.best.height)
    alone = curve.best.significance >= SURE_ALONE and step_um >= LEAST_ALONE_UM
    if len(shown) < LEAST_SIGNS and not alone:
        return None
    return OwnStep(step_um, float(np.hypot(step_um / curve.best.significance, U_STEP * step_um)))


def doubted(findings: list[Finding], why: Reason) -> list[Finding]:
    """Findings of which every number of wear is doubtful for one reason.

    Parameters
    ----------
    findings : list of Finding
    why : Reason

    Returns
    -------
    list of Finding
    """
    return [
        each
        if each.value is None or quantity_of(each.quantity).of_the_photo
        else replace(each, status="doubtful", reasons=(why, *each.reasons))
        for each in findings
    ]
