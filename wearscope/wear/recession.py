"""Edge recession and edge radius: what follows from the light fitted to the two zones."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.light.edge_light import LightFit
from wearscope.metrology.findings import Finding, detection_limit, found, refused
from wearscope.metrology.uncertainty import Budget, Input, Measurement, apart, as_budget, linear, propagate
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.measured import Edge, MeasuredStrip, ZoneFits, scale_error
from wearscope.wear.wedge import square_factor, square_on

Array = NDArray[np.float64]

ROUNDING_ROWS: tuple[tuple[str, Zone], ...] = (
    ("edge_recession", "difference"),
    ("edge_radius", "used"),
    ("edge_radius", "unused"),
    ("edge_radius", "difference"),
)
# Sources of which both fits hold one and the same value; the rest is how the model misses each edge
KNOWN_BEFOREHAND = (
    "radius when new",
    "ring angle",
    "wedge angle",
    "view tilt",
    "turning of the helix",
    "new-state line drawn on",
)
# u of the recession factor over it: above, first order fails against Monte Carlo (tests/wear)
UNSURE_FACTOR = 0.4
KNOWN_ANGLE = np.radians(
    3.0
)  # u of wedge or tilt, to which an angle counts as known: twice the usual; chosen
MOSTLY = 0.5  # of the variance
CONTRADICTION = (
    2.5  # standard uncertainties by which recession and radius may differ; chosen: 1 in 80 by chance
)
LEAST_FACTOR = (
    0.1  # recession per radius below which the edge line says nothing of the radius; chosen, no source
)
UNEVEN_UM = 8.0  # root mean square of the edge line where it ought to be all of one kind; chosen, no source
# Of the light's range: at most 0.02 on path-traced photographs, through a cheap camera too; 0.029 where a grey photo
# of a pale face before a pale card gave a radius of 7 µm for 26
WORST_MISFIT = 0.025
# What a photo must add to what was assumed of the radius when new, before the radius counts as measured: an edge
# that is not rounded is ruled out (chi-square of one degree of freedom, 99 %), and at least half of all that is known
# of the radius, as 1 / u², comes from the photo. The first is at most 5.9 on 19 of 21 drawn things that were else
# taken for a tool, 1.8 to 43 on path-traced edges in focus
ROUNDING_PLAIN, LEAST_SHARE = 6.63, 0.5


def rounding_findings(measured: MeasuredStrip, method: str, *, worn_flat: bool = False) -> list[Finding]:
    """Recession and radius rows of a photo with a used zone.

    Parameters
    ----------
    measured : MeasuredStrip
    method : str
    worn_flat : bool
        Whether there is, or may be, a wear land, so that the edge is not a rounded wedge.

    Returns
    -------
    list of Finding
        One for each of `ROUNDING_ROWS`.
    """
    edge, used, unused = measured.edge, measured.fits.used, measured.fits.unused
    factor, line = edge.factor, measured.line_error()
    if factor is None or used is None or unused is None:
        why = edge.why_no_factor or reason("zone-too-short")
        return [refused(quantity, zone, why, method) for quantity, zone in ROUNDING_ROWS]
    wear = wear_of(used, unused, edge, line, factor, measured.u_scale)
    recession, radius, grown = (propagate(each) for each in (wear.recession, wear.radius, wear.grown))
    limits = _limits(used, unused, line, edge, factor)
    moved = recession.value > limits.recession_um or grown.value > limits.grown_um
    doubts = edge.doubts or _doubts(measured, factor, recession, grown, moved=moved, worn_flat=worn_flat)
    if recession.value < -min(limits.recession_um, CONTRADICTION * recession.u):
        doubts = (reason("edge-stands-out", out_um=-recession.value), *doubts)
    limit = limits.grown_um
    not_grown = (reason("not-grown"),) if grown.value <= limit else ()
    return [
        found(
            "edge_recession",
            "difference",
            recession.value,
            recession,
            method,
            doubts=doubts,
            limit=limits.recession_um,
        ),
        found(
            "edge_radius",
            "used",
            radius.value,
            radius,
            method,
            doubts=doubts,
            remarks=not_grown,
            limit=limit,
            change=grown.value,
        ),
        unused_radius_finding(measured, method),
        found("edge_radius", "difference", grown.value, grown, method, doubts=doubts, limit=limit),
    ]


@dataclass(frozen=True)
class _Limits:
    """Detection limits of the recession and of the growth of the radius."""

    recession_um: float
    grown_um: float


def _limits(used: LightFit, unused: LightFit, line: Input | None, edge: Edge, factor: Budget) -> _Limits:
    """3.29 times what recession and growth would be uncertain by if the edge had not moved.

    Then tilt, wedge and scale have nothing to work on: they enter in proportion to what has moved. Without an unused
    zone recession follows from the growth, by the wedge. With one, the edge line shows growth too.
    """
    u_grown = float(np.hypot(unused.u_radius_um, used.u_radius_um))
    if line is None:
        square = square_factor(factor, edge.tilt.value)
        return _Limits(detection_limit(square.value * u_grown), detection_limit(u_grown))
    u_moved = float(np.sqrt(unused.u_silhouette_um**2 + used.u_silhouette_um**2 + line.u**2))
    u_grown = min(u_grown, u_moved / max(factor.value, LEAST_FACTOR))
    # seen from aside, what the radius is uncertain by counts too
    by_moved, by_grown = (float(square_on(*one, edge.tilt.value)) for one in ((1.0, 0.0), (0.0, 1.0)))
    of_fits = (linear(0.0, [(by_moved, fit.silhouette), (by_grown, fit.radius)]).u for fit in (used, unused))
    u_square = float(np.sqrt(sum(u**2 for u in of_fits) + (by_moved * line.u) ** 2))
    return _Limits(detection_limit(u_square), detection_limit(u_grown))


def _doubts(
    measured: MeasuredStrip, factor: Budget, recession: Budget, grown: Budget, *, moved: bool, worn_flat: bool
) -> tuple[Reason, ...]:
    """The first reason to doubt that recession and radius are those of a clean rounded edge, if there is one."""
    used, unused = measured.fits.used, measured.fits.unused
    assert used is not None
    assert unused is not None
    if max(used.misfit, unused.misfit) > WORST_MISFIT:
        return (reason("light-of-no-edge"),)
    if moved and not used.lamp_seen:
        return (reason("no-lamp-mirrored"),)
    if worn_flat:
        return (reason("flat-beside-rounding"),)
    if unsure := _unsure_geometry(factor, recession, grown):
        return unsure
    line_seen = measured.line_error() is not None
    square = square_factor(factor, measured.edge.tilt.value)
    expected = grown.value * square.value
    u_apart = float(np.sqrt(recession.u**2 + (square.value * grown.u) ** 2 + (grown.value * square.u) ** 2))
    if line_seen and abs(recession.value - expected) > CONTRADICTION * u_apart:
        return (reason("recession-against-radius", expected_um=expected),)
    if used.strained:
        return (reason("no-circular-edge"),)
    return () if line_seen else of_two_kinds(measured)


def _unsure_geometry(factor: Budget, recession: Budget, grown: Budget) -> tuple[Reason, ...]:
    """Why the recession factor cannot be relied on to first order, if a number rests on it.

    Where wedge and view are known well, it is the wedge's nearness to 90°. Where one of them is known badly, the
    light may tell the numbers without it: only those of which it makes up most of the uncertainty are doubtful.
    """
    if factor.u <= UNSURE_FACTOR * factor.value:
        return ()
    u = {term.source.name: term.source.u for term in factor.terms}
    if max(u.values()) <= KNOWN_ANGLE:
        return (reason("nearly-too-blunt"),)
    rests = max(
        sum(share for term, share in zip(budget.terms, budget.shares, strict=True) if term.source.name in u)
        for budget in (recession, grown)
    )
    if rests < MOSTLY:
        return ()
    return (
        reason(
            "angles-unsure",
            u_wedge_deg=float(np.degrees(u["wedge angle"])),
            u_tilt_deg=float(np.degrees(u["view tilt"])),
        ),
    )


def of_two_kinds(measured: MeasuredStrip) -> tuple[Reason, ...]:
    """Why an edge that shows no transition may be used here and unused there.

    Parameters
    ----------
    measured : MeasuredStrip

    Returns
    -------
    tuple of Reason
        Empty when its line is even.
    """
    if measured.datum is None or not measured.datum.residual_um > UNEVEN_UM:
        return ()
    return (reason("edge-line-wanders", rms_um=measured.datum.residual_um),)


def unused_radius_finding(measured: MeasuredStrip, method: str) -> Finding:
    """The edge radius of the unused edge: mostly what was known of it, sharpened by the photo where it can.

    Parameters
    ----------
    measured : MeasuredStrip
    method : str

    Returns
    -------
    Finding
    """
    edge, unused = measured.edge, measured.fits.unused
    if edge.why_no_factor is not None or unused is None:
        why = edge.why_no_factor or reason("zone-too-short")
        return refused("edge_radius", "unused", why, method)
    remarks = () if edge.radius_stated else (reason("radius-assumed"),)
    doubts = edge.doubts
    if unused.misfit > WORST_MISFIT:
        doubts = (*doubts, reason("light-of-no-edge"))
    elif not edge.radius_stated and not radius_seen(unused, edge.radius_um[1]):
        doubts, remarks = (*doubts, reason("radius-not-seen")), ()
    radius = propagate(Measurement(np.multiply, (unused.radius, scale_error(measured.u_scale))))
    return found("edge_radius", "unused", radius.value, radius, method, doubts=doubts, remarks=remarks)


def radius_seen(unused: LightFit, u_assumed_um: float) -> bool:
    """Whether the radius of an unused edge comes from the photo, and not from what was assumed of it.

    Parameters
    ----------
    unused : LightFit
    u_assumed_um : float
        Standard uncertainty of what was assumed.

    Returns
    -------
    bool
    """
    from_photo = 1.0 - (unused.u_radius_um / u_assumed_um) ** 2
    return rounding_plain(unused) and from_photo >= LEAST_SHARE


def rounding_plain(fit: LightFit) -> bool:
    """Whether the light shows that an edge is rounded.

    Parameters
    ----------
    fit : LightFit

    Returns
    -------
    bool
        False where the light is not that of any edge: which of two bad fits is the worse one says nothing.
    """
    return fit.misfit <= WORST_MISFIT and fit.rounding_evidence >= ROUNDING_PLAIN


@dataclass(frozen=True)
class Wear:
    """How recession and radius follow from what was fitted, each in µm.

    Attributes
    ----------
    recession, radius, grown : Measurement
        Edge recession, radius of the used edge, and by how much it has grown.
    """

    recession: Measurement
    radius: Measurement
    grown: Measurement


def wear_of(
    used: LightFit, unused: LightFit, edge: Edge, line: Input | None, factor: Budget, u_scale: float
) -> Wear:
    """Describe the measurement of recession and radius, for `propagate` and `monte_carlo` alike.

    Recession is how far the edge line has moved back as seen along the face normal, whichever way the camera looked:
    the silhouettes of a tilted view are turned square to the face by `square_on`.

    Parameters
    ----------
    used, unused : LightFit
    edge : Edge
    line : Input or None
        How far the new-state line may be off; None where no unused zone is seen: recession then follows from the
        radius by the wedge.
    factor : Budget
        Recession per radius.
    u_scale : float
        Relative standard uncertainty of the scale.

    Returns
    -------
    Wear
    """
    scale = scale_error(u_scale)
    # What is known beforehand is one and the same in both fits. The model misses the two edges each in its own way.
    rest = (edge.tilt, factor) if line is None else (edge.tilt, factor, as_budget(line))
    shared = _shared(used.silhouette, used.radius, unused.silhouette, unused.radius, *rest)
    (s_used, r_used), (s_unused, r_unused) = (
        [apart(each, f"fit of the {zone} edge", shared) for each in (fit.silhouette, fit.radius)]
        for fit, zone in ((used, "used"), (unused, "unused"))
    )

    def grown(used_um: Array, unused_um: Array, scale: Array) -> Array:
        return (used_um - unused_um) * scale

    def seen(
        used_um: Array,
        unused_um: Array,
        r_used: Array,
        r_unused: Array,
        line_um: Array,
        tilt: Array,
        scale: Array,
    ) -> Array:
        return square_on(used_um - unused_um - line_um, r_used - r_unused, tilt) * scale

    def by_wedge(used_um: Array, unused_um: Array, factor: Array, scale: Array) -> Array:
        return (used_um - unused_um) * factor * scale

    recession = Measurement(by_wedge, (r_used, r_unused, square_factor(factor, edge.tilt.value), scale))
    if line is not None:
        recession = Measurement(seen, (s_used, s_unused, r_used, r_unused, line, edge.tilt, scale))
    return Wear(
        recession=recession,
        radius=Measurement(np.multiply, (used.radius, scale)),
        grown=Measurement(grown, (r_used, r_unused, scale)),
    )


def _shared(*budgets: Budget) -> set[str]:
    """Names of what is known beforehand, where it is one value: photos in two lights have two ring angles."""
    sources = Counter(source.name for source in {term.source for each in budgets for term in each.terms})
    return {name for name in KNOWN_BEFOREHAND if sources[name] == 1}


def beyond_rounding(fits: ZoneFits, factor: Budget, u_datum_um: float) -> tuple[float, float]:
    """How much further the edge has moved back than its rounding explains, and the standard uncertainty.

    Parameters
    ----------
    fits : ZoneFits
        Both zones, the used one fitted without the tie between silhouette and radius.
    factor : Budget
        Recession per radius.
    u_datum_um : float
        Of the new-state line under the used zone.

    Returns
    -------
    beyond_um : float
        Recession that the rounding leaves unexplained.
    u_beyond_um : float
        Its standard uncertainty.
    """
    assert fits.used is not None
    assert fits.unused is not None
    used, unused = fits.used, fits.unused
    grown = used.radius_um - unused.radius_um
    beyond = used.silhouette_um - unused.silhouette_um - factor.value * grown
    u_used = used.u_silhouette_um, factor.value * used.u_radius_um
    variance = u_used[0] ** 2 + u_used[1] ** 2 - 2.0 * used.correlation * u_used[0] * u_used[1]
    variance += unused.u_silhouette_um**2 + (factor.value * unused.u_radius_um) ** 2
    return float(beyond), float(np.sqrt(variance + u_datum_um**2 + (grown * factor.u) ** 2))
