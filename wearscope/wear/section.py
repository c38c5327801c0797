"""What a profile view gives: the findings of one fitted tip, and the picture of it to draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.findings import Finding, detection_limit, found, refused
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.tip import TipFit

MOST_U_RATIO = 0.5  # a ratio less sure than this says nothing; chosen, no source
LEFT, RIGHT = reason("side-of-face", face="a", side="left"), reason("side-of-face", face="b", side="right")


@dataclass(frozen=True)
class SectionView:
    """A tip with the photo around it; what a sheet or a viewer draws.

    Attributes
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Linear light of the part of the photo around the tip.
    origin_px : tuple of (float, float)
        Column and row, in the photo, of that part's top left pixel.
    um_per_px : float
        Scale of the photo; the points of `fit` are photo pixels times it.
    fit : TipFit
    """

    light: NDArray[np.float32]
    origin_px: tuple[float, float]
    um_per_px: float
    fit: TipFit


@dataclass(frozen=True)
class Foreshortening:
    """Relative standard uncertainties from a camera that does not look quite along the edge.

    A section seen at a tilt τ is shorter by τ²/2 in one direction; a replica cut at that angle is longer by as much.
    The direction of the tilt is not known, so every direction counts as equally likely. The terms are the root mean
    squares over it, to first order in τ²/2 (derived; checked by drawing).

    Attributes
    ----------
    radius_share, length_share, ratio_share : float
        Of the radius, of a length from the apex, and of the ratio of two such lengths.
    u_wedge_angle : float
        Radians.
    """

    radius_share: float
    length_share: float
    ratio_share: float
    u_wedge_angle: float


def foreshortening(wedge_angle: float, tilt: float, u_tilt: float) -> Foreshortening:
    """What a tilt of the view may do to a section.

    Parameters
    ----------
    wedge_angle, tilt, u_tilt : float
        Radians.

    Returns
    -------
    Foreshortening
    """
    # mean of (τ²/2)² for a normal distribution of τ
    short = 0.5 * float(np.sqrt(tilt**4 + 6.0 * tilt**2 * u_tilt**2 + 3.0 * u_tilt**4))
    # along the bisector a shortening s changes r by + sin(β/2) s, across it by - (1 + sin(β/2)) s
    swing = 1.0 + 2.0 * np.sin(wedge_angle / 2.0)
    return Foreshortening(
        radius_share=short * float(np.sqrt(0.25 + swing**2 / 8.0)),
        length_share=short * float(np.sqrt(0.25 + 0.125)),
        ratio_share=short * float(np.sin(wedge_angle) / np.sqrt(2.0)),
        u_wedge_angle=short * float(np.sin(wedge_angle) / np.sqrt(2.0)),
    )


def tip_findings(
    fit: TipFit,
    u_scale: float,
    tilt: float,
    u_tilt: float,
    doubts: Sequence[Reason],
    *,
    by_hand: bool = False,
) -> list[Finding]:
    """Radius, wedge angle, and the lengths that describe the shape, with scale and tilt in their uncertainty.

    Parameters
    ----------
    fit : TipFit
    u_scale : float
        Relative standard uncertainty of the scale.
    tilt, u_tilt : float
        Of the view against the direction of the edge, and its standard uncertainty, radians.
    doubts : sequence of Reason
        What makes everything in the photo doubtful.
    by_hand : bool
        Whether a person has shown where the tip is.

    Returns
    -------
    list of Finding
    """
    tilted = foreshortening(fit.wedge_angle, tilt, u_tilt)
    method = "+".join(["section", "conic" if fit.doubts else "arc", *(["hand"] if by_hand else [])])
    of_tip = _OfTip(method, u_scale, (*doubts, *fit.shape_doubts))
    length_share = tilted.length_share
    angle_deg = float(np.degrees(fit.wedge_angle))
    angle = _budget(angle_deg, *np.degrees([fit.u_wedge_angle, tilted.u_wedge_angle]).tolist())
    lengths = [
        of_tip.length("apex_to_arc", fit.apex_to_arc_um, fit.u_apex_to_arc_um, length_share),
        of_tip.length("departure_length_a", fit.departure_a_um, fit.u_departure_a_um, length_share, LEFT),
        of_tip.length("departure_length_b", fit.departure_b_um, fit.u_departure_b_um, length_share, RIGHT),
        of_tip.ratio(fit.departure_ratio, fit.u_departure_ratio, tilted.ratio_share),
    ]
    if fit.radius_um <= detection_limit(fit.u_radius_um):
        why = reason("rounding-too-small")
        lengths[1:] = [refused(each.quantity, "whole", why, method) for each in lengths[1:]]
    round_one = replace(of_tip, doubts=(*doubts, *fit.doubts))
    return [
        round_one.length("edge_radius", fit.radius_um, fit.u_radius_um, tilted.radius_share),
        found("wedge_angle", "whole", angle_deg, angle, method, doubts=doubts),
        *lengths,
    ]


@dataclass(frozen=True)
class _OfTip:
    """What the findings of one tip have in common."""

    method: str
    u_scale: float
    doubts: tuple[Reason, ...]

    def length(self, quantity: str, value: float, u: float, share: float, *remarks: Reason) -> Finding:
        own = _budget(value, u, share * value, self.u_scale)
        limit = detection_limit(own.u)
        return found(
            quantity, "whole", value, own, self.method, doubts=self.doubts, remarks=remarks, limit=limit
        )

    def ratio(self, value: float, u: float, share: float) -> Finding:
        if not u < MOST_U_RATIO * value:
            return refused("departure_ratio", "whole", reason("rounding-too-small"), self.method)
        own, remarks = _budget(value, u, share * value), [reason("ratio-of-faces")]
        return found("departure_ratio", "whole", value, own, self.method, doubts=self.doubts, remarks=remarks)


def _budget(value: float, u: float, u_tilted: float, u_scale: float = 0.0) -> Budget:
    outline, tilt = Input("outline of the tip", 0.0, u), Input("tilt of the section", 0.0, u_tilted)
    return linear(value, [(1.0, outline), (1.0, tilt), (value, Input("scale", 1.0, u_scale))])
