"""The outline of a rounded wedge seen in profile, sharp or behind a blur: two straight flanks and a conic between.

Coordinates as in a photo: x to the right, y downwards. With the photo turned so that the tip points up, face a lies
on the left and face b on the right; the frame of the tip has its origin at the apex, x to the right, y into the tool.
Angles in radians.

Notes
-----
What joins the flanks is a conic that touches both, flank a at the distance a from the apex and flank b at b. With O
the apex, A and B these two points and P = α A + γ O + δ B, α + γ + δ = 1, it is γ² = 4 w² α δ. The tangent arc of a
circle is the case a = b = r / tan(β/2), w = sin(β/2); w = 1 is a parabola, w near 0 a chamfer. The departure lengths
are those that Denkena and Biermann, "Cutting edge geometries", CIRP Annals 63/2 (2014) 631-653, call S of rake and of
flank face (as read in a paper that cites them); which of the faces here is which, a section does not say.

Blur moves the half-level outline of a convex tip inwards, to first order by blur² / (2 r). The outline fitted is
therefore not the tip's own but that of the tip behind a Gaussian blur, which has no such bias: with the tip as the
region y > f(x), the blurred level at (x, y) is the mean of Φ((y - f(x + t)) / blur) over t normally distributed with
that blur, and the outline is where it is one half. What remains is the difference between the photo's blur and a
Gaussian; `tip.fit_tip` takes it in through the uncertainty of the blur.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares
from scipy.special import ndtr

from wearscope.wear.wedge import apex_to_tangent

Array = NDArray[np.float64]
Curve = Callable[[Array], tuple[Array, Array]]
Kind = Literal["arc", "sides", "conic"]

_BLUR_NODES = 61
_ACROSS = np.linspace(-4.8, 4.8, 49)  # places, in units of the blur, at which the blur is summed up
_WEIGHT = np.exp(-0.5 * _ACROSS**2) / np.exp(-0.5 * _ACROSS**2).sum()
WEDGE_ANGLES = np.radians(5.0), np.radians(175.0)  # that a fit may come to; chosen, no source
# steps of the outline, and the conic's weight, the same; chosen, no source
SIDES, WEIGHTS = (1e-2, 1e5), (0.03, 3.0)
ROBUST_FROM = 0.5  # steps: larger residuals count less while dust is not yet left out; chosen, no source


def tip_outline(half: float, a: float, b: float, w: float) -> Curve:
    """Outline of a tip without blur, in the frame of the tip.

    Parameters
    ----------
    half : float
        Half the wedge angle.
    a, b, w : float
        Departure lengths and the conic's weight, as in the notes of the module.

    Returns
    -------
    callable
        From x to y and the slope dy/dx; lengths in the unit of `a` and `b`.
    """
    s, c, sine = np.sin(half), np.cos(half), np.sin(2 * half)

    def curve(x: Array) -> tuple[Array, Array]:
        y = _level(x, s, c, a, b, w)
        alpha, delta = (s * y - c * x) / (a * sine), (s * y + c * x) / (b * sine)
        gamma = 1.0 - alpha - delta
        by_alpha, by_delta = -2 * gamma - 4 * w**2 * delta, -2 * gamma - 4 * w**2 * alpha
        along = c * (by_delta / b - by_alpha / a)
        across = s * (by_delta / b + by_alpha / a)
        on_conic = (x > -a * s) & (x < b * s)
        return y, np.where(on_conic, -along / np.where(across == 0, 1.0, across), np.sign(x) * c / s)

    return curve


def _level(x: Array, s: float, c: float, a: float, b: float, w: float) -> Array:
    """Depth y of the unblurred outline at x."""
    on_conic = (x > -a * s) & (x < b * s)
    y = np.abs(x) * (c / s)
    near = x[on_conic]
    left, right = a * s + near, b * s - near
    root = np.sqrt((w * near) ** 2 + left * right)
    # the point is A u² + 2 w O u v + B v²; of two ways to write u : v the one without cancellation
    u = np.where(near < 0, root - w * near, right)
    v = np.where(near < 0, left, root + w * near)
    y[on_conic] = c * (a * u**2 + b * v**2) / (u**2 + 2 * w * u * v + v**2)
    return np.asarray(y)


def blurred_outline(half: float, a: float, b: float, w: float, blur: float) -> Curve:
    """Half-level outline of a tip behind a Gaussian blur, in the frame of the tip.

    Parameters
    ----------
    half, a, b, w : float
        As in `tip_outline`.
    blur : float
        Standard deviation, in the unit of `a` and `b`.

    Returns
    -------
    callable
        As that of `tip_outline`.
    """
    sharp = tip_outline(half, a, b, w)
    if blur == 0:
        return sharp
    s, c = np.sin(half), np.cos(half)
    # beyond this the other flank and the rounding are out of reach of the blur
    beyond = 5.0 * blur / (np.sin(2 * half) if 2 * half < np.pi / 2 else 1.0)
    nodes = np.linspace(-max(a + 4 * blur, beyond) * s, max(b + 4 * blur, beyond) * s, _BLUR_NODES)
    under = _level(nodes[:, None] + blur * _ACROSS, s, c, a, b, w)
    y = under @ _WEIGHT
    most = 0.7 * blur / s
    for _ in range(9):
        z = (y[:, None] - under) / blur
        slope = np.exp(-0.5 * z**2) @ _WEIGHT / (np.sqrt(2 * np.pi) * blur)
        moved = np.clip((ndtr(z) @ _WEIGHT - 0.5) / np.maximum(slope, 1e-12), -most, most)
        y = y - moved
        if np.abs(moved).max() < 1e-7 * blur:
            break
    inwards = CubicSpline(nodes, y - sharp(nodes)[0], bc_type="natural")
    by_x = inwards.derivative()

    def curve(x: Array) -> tuple[Array, Array]:
        y, slope = sharp(x)
        inside = (x > nodes[0]) & (x < nodes[-1])
        near = np.where(inside, x, nodes[0])
        return y + np.where(inside, inwards(near), 0.0), slope + np.where(inside, by_x(near), 0.0)

    return curve


def distance_to(curve: Curve, x: Array, y: Array) -> tuple[Array, Array]:
    """Orthogonal distance of points from an outline, positive into the tool, and x of the nearest point on it.

    Points must lie nearer than the radius of curvature.

    Parameters
    ----------
    curve : callable
        As from `tip_outline`.
    x : ndarray, shape (N,)
    y : ndarray, shape (N,)

    Returns
    -------
    distance : ndarray, shape (N,)
        In the unit of `x` and `y`, positive into the tool.
    foot : ndarray, shape (N,)
        x of the nearest point on the outline.
    """
    foot = x
    for _ in range(8):
        level, slope = curve(foot)
        moved = (x - foot + slope * (y - level)) / (1.0 + slope**2)
        foot = foot + moved
        if np.max(np.abs(moved), initial=0.0) < 1e-7:
            break
    level, slope = curve(foot)
    return ((y - level) - slope * (x - foot)) / np.sqrt(1.0 + slope**2), foot


@dataclass(frozen=True)
class TipModel:
    """Distances of points from an outline by its parameters: apex x and y, bisector angle, wedge angle, and shape.

    The shape is the radius for the tangent "arc"; the logarithms of both departure lengths for "sides", which keeps
    the arc's weight; and these and the logarithm of the weight for "conic".

    Attributes
    ----------
    points : ndarray, shape (N, 2)
        In steps of the outline.
    kind : str
    """

    points: Array
    kind: Kind

    def shape(self, p: Array) -> tuple[float, float, float]:
        """Departure lengths and weight of the conic.

        Parameters
        ----------
        p : ndarray, shape (K,)
            Apex x and y, bisector angle, wedge angle, and the shape.

        Returns
        -------
        a : float
            Departure length on the left, in steps of the outline.
        b : float
            Departure length on the right.
        w : float
            Weight of the conic.
        """
        if self.kind == "arc":
            side = apex_to_tangent(p[4], p[3])
            return side, side, float(np.sin(p[3] / 2))
        weight = np.exp(p[6]) if self.kind == "conic" else np.sin(p[3] / 2)
        return float(np.exp(p[4])), float(np.exp(p[5])), float(weight)

    def placed(self, p: Array) -> tuple[Array, Array]:
        """The points in the frame of the tip, x and y.

        Parameters
        ----------
        p : ndarray, shape (K,)
            Apex x and y, bisector angle, wedge angle, and the shape.

        Returns
        -------
        x : ndarray, shape (N,)
            Across the tip, in steps of the outline.
        y : ndarray, shape (N,)
            Into the tool.
        """
        into = np.array([np.cos(p[2]), np.sin(p[2])])
        relative = self.points - p[:2]
        return relative @ np.array([into[1], -into[0]]), relative @ into

    def __call__(self, p: Array, blur: float) -> Array:
        """Signed distance of each point, positive into the tool, shape (N,)."""
        return self.distances(p, blur)[0]

    def distances(self, p: Array, blur: float) -> tuple[Array, Array]:
        """Signed distance of each point, and x of the nearest place of the outline.

        Parameters
        ----------
        p : ndarray, shape (K,)
            Apex x and y, bisector angle, wedge angle, and the shape.
        blur : float
            In steps of the outline.

        Returns
        -------
        distance : ndarray, shape (N,)
            In steps of the outline, positive into the tool.
        foot : ndarray, shape (N,)
            x of the nearest place.
        """
        return distance_to(blurred_outline(p[3] / 2, *self.shape(p), blur), *self.placed(p))

    def fitted(self, p: Array, blur: float, *, robust: bool = False) -> Array:
        """The parameters of least squares from a start.

        Parameters
        ----------
        p : ndarray, shape (K,)
            Apex x and y, bisector angle, wedge angle, and the shape.
        blur : float
            In steps of the outline.
        robust : bool
            Whether far residuals count less.

        Returns
        -------
        ndarray, shape (K,)
        """
        low, high = np.full(p.size, -np.inf), np.full(p.size, np.inf)
        low[3], high[3] = WEDGE_ANGLES
        if self.kind == "arc":
            low[4] = 1e-3
        else:
            low[4:], high[4:] = (
                np.log([SIDES[0], SIDES[0], WEIGHTS[0]])[: p.size - 4],
                np.log([SIDES[1], SIDES[1], WEIGHTS[1]])[: p.size - 4],
            )
        p = np.clip(p, low + 1e-9, high - 1e-9)
        scale = np.array([1.0, 1.0, 0.01, 0.01, *([1.0] if self.kind == "arc" else [0.1] * (p.size - 4))])
        done = least_squares(
            self,
            p,
            bounds=(low, high),
            x_scale=scale,
            args=(blur,),
            loss="soft_l1" if robust else "linear",
            f_scale=ROBUST_FROM,
            xtol=1e-7,
            ftol=1e-7,
            max_nfev=40,
        )
        return np.asarray(done.x)

    def jacobian(self, p: Array, blur: float) -> Array:
        """Change of the distances with the parameters, shape (N, K).

        Parameters
        ----------
        p : ndarray, shape (K,)
            Apex x and y, bisector angle, wedge angle, and the shape.
        blur : float
            In steps of the outline.

        Returns
        -------
        ndarray, shape (N, K)
        """
        columns = []
        for k in range(p.size):
            step = np.zeros(p.size)
            step[k] = 1e-5
            columns.append((self(p + step, blur) - self(p - step, blur)) / 2e-5)
        return np.column_stack(columns)
