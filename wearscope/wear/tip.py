"""The rounded tip of a wedge seen in profile: two straight flanks and what joins them, fitted to its outline.

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
Gaussian; `fit_tip` takes it in through the uncertainty of the blur.
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

from wearscope.metrology.robust import scatter
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.wedge import apex_to_arc, apex_to_tangent
from wearscope.wear.zones import runs

Array = NDArray[np.float64]
Curve = Callable[[Array], tuple[Array, Array]]

LEAST_POINTS = 40
REACH, REACH_STEPS = (
    2.5,
    80.0,
)  # of flank used: so many departure lengths and as many steps of the outline more
LEAST_FLANK, LEAST_FLANK_STEPS = 0.3, 12.0  # the shortest that fixes a face, in the same terms
MOST_U_ANGLE = np.radians(2.0)
OUTLIER = 4.5  # robust standard deviations
SHORT_BUMP = 0.12  # of the rounding: what is shorter is dust, what is longer belongs to the shape
MISFIT_SHARE, MISFIT_STEPS = 0.012, 0.05  # of the radius, and in steps: a smaller misfit does no harm
DUSTY = 0.2  # of the rounding left out
ROUND_WITHIN = 1.1  # radius at the tip over that of the arc, and one departure length over the other
SURE = 4.0  # standard uncertainties, of which few readings give no exact number
_BLUR_NODES = 61
_ACROSS = np.linspace(-4.8, 4.8, 49)  # places, in units of the blur, at which the blur is summed up
_WEIGHT = np.exp(-0.5 * _ACROSS**2) / np.exp(-0.5 * _ACROSS**2).sum()


class NoTipError(ValueError):
    """Points that are not the outline of a wedge; the message says in what way."""


@dataclass(frozen=True)
class TipFit:
    """A rounded tip fitted to the points of an outline.

    Attributes
    ----------
    apex_um : ndarray, shape (2,)
        Where the flanks would meet.
    bisector_angle : float
        Direction from the apex into the tool, from x towards y.
    centre_um : ndarray, shape (2,)
        Of the arc.
    radius_um, wedge_angle, apex_to_arc_um : float
        Of the arc tangent to both flanks; `apex_to_arc_um` is the shortest distance from the apex to the outline, of
        the conic where the arc is no honest description.
    departure_a_um, departure_b_um, departure_ratio : float
        Distance from the apex to where the outline leaves face a and face b, of the conic, and the first over the
        second.
    u_radius_um, u_wedge_angle, u_apex_to_arc_um, u_departure_a_um, u_departure_b_um, u_departure_ratio : float
        Standard uncertainties.
    points_um : ndarray, shape (N, 2)
        Points used, without the faces' far ends.
    residual_um, along_um : ndarray, shape (N,)
        Signed distance of each point from the blurred arc and flanks, positive into the tool, and its place along
        them, 0 on the bisector and negative on face a.
    kept : ndarray of bool, shape (N,)
        Points not left out as dust.
    noise_um : float
        Standard deviation of the kept points about the flanks.
    correlation : float
        How many neighbouring points count as one.
    misfit_um : float
        Root mean square departure of the outline from the arc, its noise taken off.
    doubts : tuple of Reason
        Why a circle is not an honest description; empty where it is.
    shape_doubts : tuple of Reason
        Why not even the conic is; empty where it is.
    """

    apex_um: Array
    bisector_angle: float
    centre_um: Array
    radius_um: float
    u_radius_um: float
    wedge_angle: float
    u_wedge_angle: float
    apex_to_arc_um: float
    u_apex_to_arc_um: float
    departure_a_um: float
    u_departure_a_um: float
    departure_b_um: float
    u_departure_b_um: float
    departure_ratio: float
    u_departure_ratio: float
    points_um: Array
    residual_um: Array
    along_um: Array
    kept: NDArray[np.bool_]
    noise_um: float
    correlation: float
    misfit_um: float
    doubts: tuple[Reason, ...]
    shape_doubts: tuple[Reason, ...]


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


Kind = Literal["arc", "sides", "conic"]


@dataclass(frozen=True)
class _Model:
    """Residuals of points for the parameters apex x, apex y, bisector angle, wedge angle, and those of the shape.

    They are the radius for the tangent "arc"; the logarithms of both departure lengths for "sides", which keeps the
    arc's weight; and these and the logarithm of the weight for "conic".
    """

    points: Array
    kind: Kind

    def shape(self, p: Array) -> tuple[float, float, float]:
        if self.kind == "arc":
            side = apex_to_tangent(p[4], p[3])
            return side, side, float(np.sin(p[3] / 2))
        weight = np.exp(p[6]) if self.kind == "conic" else np.sin(p[3] / 2)
        return float(np.exp(p[4])), float(np.exp(p[5])), float(weight)

    def placed(self, p: Array) -> tuple[Array, Array]:
        into = np.array([np.cos(p[2]), np.sin(p[2])])
        relative = self.points - p[:2]
        return relative @ np.array([into[1], -into[0]]), relative @ into

    def __call__(self, p: Array, blur: float) -> Array:
        return self.distances(p, blur)[0]

    def distances(self, p: Array, blur: float) -> tuple[Array, Array]:
        return distance_to(blurred_outline(p[3] / 2, *self.shape(p), blur), *self.placed(p))

    def fitted(self, p: Array, blur: float, *, robust: bool = False) -> Array:
        low, high = np.full(p.size, -np.inf), np.full(p.size, np.inf)
        low[3], high[3] = np.radians(5), np.radians(175)
        if self.kind == "arc":
            low[4] = 1e-3
        else:
            low[4:], high[4:] = (
                np.log([1e-2, 1e-2, 0.03])[: p.size - 4],
                np.log([1e5, 1e5, 3.0])[: p.size - 4],
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
            f_scale=0.5,
            xtol=1e-7,
            ftol=1e-7,
            max_nfev=40,
        )
        return np.asarray(done.x)

    def jacobian(self, p: Array, blur: float) -> Array:
        columns = []
        for k in range(p.size):
            step = np.zeros(p.size)
            step[k] = 1e-5
            columns.append((self(p + step, blur) - self(p - step, blur)) / 2e-5)
        return np.column_stack(columns)


def fit_tip(
    points_um: Array,
    *,
    apex_um: Array,
    bisector_angle: float,
    wedge_angle: float,
    step_um: float,
    blur_um: float = 0.0,
    u_blur_um: float = 0.0,
    u_level_um: float = 0.0,
) -> TipFit:
    """Fit flank, arc and flank to the outline of a wedge by least squares of the orthogonal distances.

    Dust is left out: on a flank whatever lies far from it, on the rounding only what is short against it.

    Parameters
    ----------
    points_um : ndarray, shape (N, 2)
        Outline, x and y, in any order.
    apex_um, bisector_angle, wedge_angle
        Rough values to start from.
    step_um : float
        About the distance between neighbouring points, such as a pixel.
    blur_um, u_blur_um : float
        Gaussian blur that the outline was read behind, and how far the photo's blur may be from it.
    u_level_um : float
        By how much all points may lie too far in or out together.

    Returns
    -------
    TipFit

    Raises
    ------
    NoTipError
        When these are not two straight flanks with a tip between them.
    """
    unit = np.asarray(apex_um, float)
    points = (points_um - unit) / step_um
    blur, u_blur, u_level = (value / step_um for value in (blur_um, u_blur_um, u_level_um))
    p = _begin(points, bisector_angle, wedge_angle, blur)
    for _ in range(3):  # what is used of the flanks depends on the radius, and the radius on that
        if len(points) < LEAST_POINTS:
            raise NoTipError("too few points of its outline are left")
        p = _Model(points, "arc").fitted(p, blur, robust=True)
        far = np.abs(_Model(points, "arc").distances(p, blur)[1]) / np.sin(p[3] / 2)
        within = far < REACH * apex_to_tangent(p[4], p[3]) + REACH_STEPS
        if within.all():
            break
        points = points[within]
    along = _along(_Model(points, "arc").distances(p, blur)[1], p)
    _require_flanks(along, p, blur)
    # dust is what no smooth tip explains, so that a tip which is no circle is not taken for dirt
    q = _Model(points, "conic").fitted(_as_conic(p), blur, robust=True)
    kept = ~_dust(_Model(points, "conic")(q, blur), along, p, blur)
    arc, conic = _Model(points[kept], "arc"), _Model(points[kept], "conic")
    p, q = arc.fitted(p, blur), conic.fitted(q, blur)
    residual, foot = _Model(points, "arc").distances(p, blur)
    along = _along(foot, p)
    left = conic(q, blur)
    noise, correlation = _scatter(left, along[kept], p, blur)

    def covariance_of(model: _Model, parameters: Array) -> Array:
        return _covariance(model, parameters, blur, noise, correlation, (u_blur, u_level))

    covariance, freer = covariance_of(arc, p), covariance_of(conic, q)
    rounding = np.abs(along) < 1.3 * _rounding(p, blur)
    misfit, _ = _misfit(residual[kept & rounding], noise, correlation)
    shape_doubts = _broken(
        left[rounding[kept]], 1.0 - kept[rounding].mean(), p[4], noise, correlation, step_um
    )
    doubts = (*_not_round(q, freer, p[4], step_um), *shape_doubts)
    if doubts:
        angle, u_angle = float(q[3]), float(np.sqrt(freer[3, 3]))
        apex, bisector = q[:2], float(q[2])
        apex_distance, u_apex_distance = _propagated(_conic_apex_distance, q, freer)
    else:
        angle, u_angle = float(p[3]), float(np.sqrt(covariance[3, 3]))
        apex, bisector = p[:2], float(p[2])
        apex_distance, u_apex_distance = _propagated(lambda p: apex_to_arc(p[4], p[3]), p, covariance)
        sides = _Model(points[kept], "sides")  # of an arc, each face's own length is sharper than the conic's
        q = sides.fitted(_as_conic(p)[:6], blur)
        freer = covariance_of(sides, q)
    if u_angle > MOST_U_ANGLE:
        raise NoTipError("its faces are not straight beside the rounding")
    a, b = np.exp(q[4:6]) * step_um
    u_a, u_b = np.sqrt(freer[4, 4]), np.sqrt(freer[5, 5])
    u_ratio = np.sqrt(max(freer[4, 4] + freer[5, 5] - 2 * freer[4, 5], 0.0))
    return TipFit(
        apex_um=apex * step_um + unit,
        bisector_angle=bisector,
        centre_um=(p[:2] + p[4] / np.sin(p[3] / 2) * np.array([np.cos(p[2]), np.sin(p[2])])) * step_um + unit,
        radius_um=float(p[4] * step_um),
        u_radius_um=_u_radius(arc, p, blur, covariance_of) * step_um,
        wedge_angle=angle,
        u_wedge_angle=u_angle,
        apex_to_arc_um=apex_distance * step_um,
        u_apex_to_arc_um=u_apex_distance * step_um,
        departure_a_um=float(a),
        u_departure_a_um=float(a * u_a),
        departure_b_um=float(b),
        u_departure_b_um=float(b * u_b),
        departure_ratio=float(a / b),
        u_departure_ratio=float(a / b * u_ratio),
        points_um=points * step_um + unit,
        residual_um=residual * step_um,
        along_um=along * step_um,
        kept=kept,
        noise_um=noise * step_um,
        correlation=correlation,
        misfit_um=misfit * step_um,
        doubts=doubts,
        shape_doubts=shape_doubts,
    )


def _as_conic(p: Array) -> Array:
    """The conic that is the arc `p`."""
    side = np.log(max(apex_to_tangent(p[4], p[3]), 0.05))
    return np.array([*p[:4], side, side, np.log(np.sin(p[3] / 2))])


def _begin(points: Array, bisector_angle: float, wedge_angle: float, blur: float) -> Array:
    """Parameters to start from: the radius from how far the outline stays away from the apex."""
    into = np.array([np.cos(bisector_angle), np.sin(bisector_angle)])
    across, deep = points @ np.array([into[1], -into[0]]), points @ into
    middle = np.argsort(np.abs(across))[:9]
    away = float(np.median(deep[middle]))
    radius = max(away / (1.0 / np.sin(wedge_angle / 2) - 1.0), 0.5 * blur, 0.5)
    return np.array([0.0, 0.0, bisector_angle, wedge_angle, radius])


def _along(foot: Array, p: Array) -> Array:
    """Distance along flank, arc and flank of places given by their x, 0 on the bisector."""
    half, radius = p[3] / 2, p[4]
    end = radius * np.cos(half)
    on_arc = radius * np.arcsin(np.clip(foot, -end, end) / radius)
    return np.asarray(on_arc + np.sign(foot) * np.maximum(np.abs(foot) - end, 0.0) / np.sin(half))


def _rounding(p: Array, blur: float) -> float:
    """Half the length of the outline that the rounding and its blur take up."""
    return float(0.5 * p[4] * (np.pi - p[3]) + 2.0 * blur)


def _require_flanks(along: Array, p: Array, blur: float) -> None:
    tip = _rounding(p, blur)
    least = LEAST_FLANK * apex_to_tangent(p[4], p[3]) + LEAST_FLANK_STEPS
    if min(-along.min(), along.max()) - tip < least:
        raise NoTipError("too little of a straight face is seen beside the rounding")


def _dust(residual: Array, along: Array, p: Array, blur: float) -> NDArray[np.bool_]:
    """Points to leave out, shape (N,)."""
    tip = _rounding(p, blur)
    on_tip = np.abs(along) < tip
    limit = OUTLIER * max(scatter(residual[~on_tip], about=0.0), 0.01)
    order = np.argsort(along)
    place, far = along[order], np.abs(residual[order]) > limit
    wide = 2.0 * blur + 1.0
    out = np.zeros(len(along), bool)
    for first, last in runs(far):
        start, stop = place[first], place[last]
        touches_tip = start < tip and stop > -tip
        if touches_tip and stop - start > SHORT_BUMP * 2.0 * tip:
            continue
        out |= (along >= start - wide) & (along <= stop + wide)
    if (out & ~on_tip).sum() > 0.4 * (~on_tip).sum():
        raise NoTipError("its faces are not straight beside the rounding")
    return out


def _scatter(residual: Array, along: Array, p: Array, blur: float) -> tuple[float, float]:
    """Standard deviation of the points about the flanks, and how many neighbours count as one."""
    tip = _rounding(p, blur)
    square, count, products, pairs = 0.0, 0, np.zeros(60), np.zeros(60)
    for side in (-1, 1):
        here = np.flatnonzero(side * along > tip)
        series = residual[here[np.argsort(along[here])]]
        series = series - series.mean()
        square, count = square + float(series @ series), count + len(series)
        for lag in range(1, min(60, len(series) // 3)):
            products[lag] += float(series[lag:] @ series[:-lag])
            pairs[lag] += len(series) - lag
    variance = max(square / max(count - 4, 1), 1e-8)
    correlation = 1.0
    for lag in range(1, 60):
        share = products[lag] / max(pairs[lag], 1.0) / variance
        if pairs[lag] == 0 or share < 0.05:
            break
        correlation += 2.0 * share
    # few independent readings: the spread of a t distribution with as many degrees of freedom (JCGM 101:2008, 6.4.9)
    free = max(count / correlation - 4.0, 3.0)
    return float(np.sqrt(variance * free / (free - 2.0))), correlation


def _covariance(
    model: _Model, p: Array, blur: float, noise: float, correlation: float, shared: tuple[float, float]
) -> Array:
    """Covariance of the parameters: scatter of the points, and the blur and level that they share."""
    jacobian = model.jacobian(p, blur)
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    u_blur, u_level = shared
    less, more = max(blur - 1e-3, 0.0), blur + 1e-3
    by_blur = (model(p, more) - model(p, less)) / (more - less)
    covariance = noise**2 * correlation * inverse
    for change in (u_blur * by_blur, np.full(len(model.points), u_level)):
        moved = inverse @ jacobian.T @ change
        covariance = covariance + np.outer(moved, moved)
    return np.asarray(covariance)


def _u_radius(model: _Model, p: Array, blur: float, covariance_of: Callable[[_Model, Array], Array]) -> float:
    """Standard uncertainty of the radius.

    What a radius well below the blur takes from the outline grows with its square, so there it is not the slope that
    counts: the uncertainty of the square is taken from where the slope still holds.
    """
    holds = 0.5 * blur
    if p[4] >= holds:
        return float(np.sqrt(covariance_of(model, p)[4, 4]))
    there = np.array([*p[:4], holds])
    of_square = 2.0 * holds * np.sqrt(covariance_of(model, there)[4, 4])
    return float(np.sqrt(p[4] ** 2 + of_square) - p[4])


def _propagated(quantity: Callable[[Array], float], p: Array, covariance: Array) -> tuple[float, float]:
    """Value of a function of the parameters, and its standard uncertainty to first order."""
    slope = np.zeros(p.size)
    for k in range(p.size):
        step = np.zeros(p.size)
        step[k] = 1e-4
        slope[k] = (quantity(p + step) - quantity(p - step)) / 2e-4
    return float(quantity(p)), float(np.sqrt(max(float(slope @ covariance @ slope), 0.0)))


def _conic_apex_distance(q: Array) -> float:
    a, b, w = np.exp(q[4:7])
    s = np.sin(q[3] / 2)
    x = np.linspace(-a * s, b * s, 2001)
    return float(np.hypot(x, tip_outline(q[3] / 2, a, b, w)(x)[0]).min())


def _misfit(residual: Array, noise: float, correlation: float) -> tuple[float, bool]:
    """Root mean square of residuals beyond their noise, and whether it is more than chance."""
    if not len(residual):
        return 0.0, False
    beyond = float(np.mean(residual**2)) - noise**2
    by_chance = 3.0 * noise**2 * np.sqrt(2.0 * correlation / len(residual))
    return float(np.sqrt(max(beyond, 0.0))), beyond > by_chance


def _broken(
    left: Array, left_out: float, radius: float, noise: float, correlation: float, step_um: float
) -> tuple[Reason, ...]:
    """Why the rounding is no smooth curve at all, from what a conic leaves over and the share left out as dust."""
    if left_out > DUSTY:
        return (reason("rounding-hidden"),)
    misfit, seen = _misfit(left, noise, correlation)
    if seen and misfit > max(MISFIT_SHARE * radius, MISFIT_STEPS):
        return (reason("rounding-rough", misfit_um=misfit * step_um),)
    return ()


def _not_round(q: Array, covariance: Array, radius: float, step_um: float) -> tuple[Reason, ...]:
    """Why the rounding is no circle, from the conic; nothing where it may well be one."""
    lean = q[4] - q[5]
    u_lean = np.sqrt(max(covariance[4, 4] + covariance[5, 5] - 2 * covariance[4, 5], 0.0))
    if abs(lean) > max(np.log(ROUND_WITHIN), SURE * u_lean):
        a, b = np.exp(q[4:6]) * step_um
        return (reason("rounding-lopsided", a_um=a, b_um=b),)
    tip, u_tip = _propagated(_log_tip_radius, q, covariance)
    if abs(tip - np.log(radius)) > max(np.log(ROUND_WITHIN), SURE * u_tip):
        return (reason("rounding-pointed", tip_um=np.exp(tip) * step_um, arc_um=radius * step_um),)
    return ()


def _log_tip_radius(q: Array) -> float:
    """Logarithm of the conic's radius of curvature on the bisector."""
    a, b, w = np.exp(q[4:7])
    curve = tip_outline(q[3] / 2, a, b, w)
    near = 0.01 * min(a, b) * np.sin(q[3] / 2)
    slope = curve(np.array([-near, 0.0, near]))[1]
    return float(1.5 * np.log1p(slope[1] ** 2) - np.log((slope[2] - slope[0]) / (2.0 * near)))
