"""What a profile view gives: the findings of one fitted tip, and the picture of it to draw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.findings import DETECTION, Finding, found, refused
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.wear.tip import TipFit

MOST_U_RATIO = 0.5  # a ratio less sure than this says nothing


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
    """What a tilt of the view, known to `u_tilt`, may do to a section; all in radians."""
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
    fit: TipFit, u_scale: float, tilt: float, u_tilt: float, doubt: str, method: str
) -> list[Finding]:
    """Radius, wedge angle, and the lengths that describe the shape, with scale and tilt in their uncertainty.

    Parameters
    ----------
    fit : TipFit
    u_scale : float
        Relative standard uncertainty of the scale.
    tilt, u_tilt : float
        Of the view against the direction of the edge, and its standard uncertainty, radians.
    doubt : str
        What makes everything in the photo doubtful; "" for nothing.
    method : str
    """
    method = f"{method}+{'conic' if fit.doubt else 'arc'}"
    words = method.split("+")
    if "hand" in words:
        words.remove("hand")
        method = "+".join([*words, "hand"])
    tilted = foreshortening(fit.wedge_angle, tilt, u_tilt)
    everywhere = "; ".join(filter(None, [doubt, fit.shape_doubt]))

    def budget(value: float, u: float, u_tilted: float, u_relative: float = 0.0) -> Budget:
        outline, tilt_input = Input("outline of the tip", 0.0, u), Input("tilt of the section", 0.0, u_tilted)
        return linear(value, [(1.0, outline), (1.0, tilt_input), (value, Input("scale", 1.0, u_relative))])

    def length(quantity: str, value: float, u: float, share: float, why: str, note: str = "") -> Finding:
        own = budget(value, u, share * value, u_scale)
        return found(
            quantity, "whole", "um", value, own, method, doubt=why, note=note, limit=DETECTION * own.u
        )

    too_small = "the rounding is too small to tell its two sides apart; use more magnification"
    seen = fit.radius_um > DETECTION * fit.u_radius_um

    def departure(face: str, value: float, u: float) -> Finding:
        if not seen:
            return refused(f"departure_length_{face}", "whole", "um", too_small, method)
        side = "left" if face == "a" else "right"
        note = f"face {face} is on the {side} when the photo is turned so that the tip points up"
        return length(f"departure_length_{face}", value, u, tilted.length_share, everywhere, note)

    ratio, u_ratio = fit.departure_ratio, fit.u_departure_ratio
    if not seen or not u_ratio < MOST_U_RATIO * ratio:
        ratio_finding = refused("departure_ratio", "whole", "1", too_small, method)
    else:
        own = budget(ratio, u_ratio, tilted.ratio_share * ratio)
        note = "of face a over face b"
        ratio_finding = found(
            "departure_ratio", "whole", "1", ratio, own, method, doubt=everywhere, note=note
        )
    angle_deg = float(np.degrees(fit.wedge_angle))
    angle = budget(angle_deg, *np.degrees([fit.u_wedge_angle, tilted.u_wedge_angle]).tolist())
    round_doubt = "; ".join(filter(None, [doubt, fit.doubt]))
    return [
        length("edge_radius", fit.radius_um, fit.u_radius_um, tilted.radius_share, round_doubt),
        found("wedge_angle", "whole", "deg", angle_deg, angle, method, doubt=doubt),
        length("apex_to_arc", fit.apex_to_arc_um, fit.u_apex_to_arc_um, tilted.length_share, everywhere),
        departure("a", fit.departure_a_um, fit.u_departure_a_um),
        departure("b", fit.departure_b_um, fit.u_departure_b_um),
        ratio_finding,
    ]
