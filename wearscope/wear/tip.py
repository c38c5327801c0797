"""The rounded tip of a wedge seen in profile, fitted to its outline: its sizes, and whether it is round.

Angles in radians.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.robust import scatter
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.tip_outline import TipModel, tip_outline
from wearscope.wear.wedge import apex_to_arc, apex_to_tangent
from wearscope.wear.zones import runs

Array = NDArray[np.float64]

LEAST_POINTS = 40  # that make an outline; chosen, no source
# of flank used: so many departure lengths and as many steps of the outline more; chosen, no source
REACH, REACH_STEPS = 2.5, 80.0
# the shortest that fixes a face, in the same terms; chosen, no source
LEAST_FLANK, LEAST_FLANK_STEPS = 0.3, 12.0
MOST_U_ANGLE = np.radians(2.0)  # from which faces are not straight; chosen, no source
OUTLIER = 4.5  # robust standard deviations; chosen: 1 in 150 000 of a normal distribution
LEAST_OUTLIER_STEPS = 0.01  # of scatter, for drawn outlines without any
MOST_DUSTY_FLANK = 0.4  # of the flanks, that may be left out; chosen, no source
SHORT_BUMP = (
    0.12  # of the rounding: what is shorter is dust, what is longer belongs to the shape; chosen, no source
)
NEAR_ROUNDING = 1.3  # times the rounding, over which a misfit is looked for; chosen, no source
MISFIT_SHARE, MISFIT_STEPS = 0.012, 0.05  # of the radius, and in steps: a smaller misfit does no harm; chosen
DUSTY = 0.2  # of the rounding left out; chosen, no source
ROUND_WITHIN = 1.1  # radius at the tip over that of the arc, and one departure length over the other; chosen
SURE = 4.0  # standard uncertainties, of which few readings give no exact number; chosen, no source
# neighbours whose likeness is looked at, and what of it counts as none; chosen
LONGEST_LAG, UNLIKE = 60, 0.05


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
    doubts: tuple[Reason, ...]
    shape_doubts: tuple[Reason, ...]


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
    apex_um : ndarray, shape (2,)
    bisector_angle, wedge_angle : float
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
    shared = _Shared(*(value / step_um for value in (blur_um, u_blur_um, u_level_um)))
    points, p = _near_tip(points, _begin(points, bisector_angle, wedge_angle, shared.blur), shared.blur)
    along = _along(TipModel(points, "arc").distances(p, shared.blur)[1], p)
    _require_flanks(along, p, shared.blur)
    # dust is what no smooth tip explains, so that a tip which is no circle is not taken for dirt
    q = TipModel(points, "conic").fitted(_as_conic(p), shared.blur, robust=True)
    kept = ~_dust(TipModel(points, "conic")(q, shared.blur), along, p, shared.blur)
    arc, conic = TipModel(points[kept], "arc"), TipModel(points[kept], "conic")
    p, q = arc.fitted(p, shared.blur), conic.fitted(q, shared.blur)
    return _described(_Fitted(points, kept, p, q), shared, step_um, unit)


def _described(fitted: _Fitted, shared: _Shared, step_um: float, unit: Array) -> TipFit:
    """What a fit says of the tip, in the units of the outline."""
    points, kept, p, q = fitted.points, fitted.kept, fitted.arc, fitted.conic
    arc, conic = TipModel(points[kept], "arc"), TipModel(points[kept], "conic")
    residual, foot = TipModel(points, "arc").distances(p, shared.blur)
    along = _along(foot, p)
    left = conic(q, shared.blur)
    noise, correlation = _scatter(left, along[kept], p, shared.blur)

    def covariance_of(model: TipModel, parameters: Array) -> Array:
        return _covariance(model, parameters, noise, correlation, shared)

    rounding = np.abs(along) < NEAR_ROUNDING * _rounding(p, shared.blur)
    left_out = 1.0 - kept[rounding].mean()
    shape_doubts = _broken(left[rounding[kept]], left_out, p[4], noise, correlation, step_um)
    doubts = (*_not_round(q, covariance_of(conic, q), p[4], step_um), *shape_doubts)
    sizes = (
        _conic_sizes(conic, q, covariance_of) if doubts else _arc_sizes(arc, p, shared.blur, covariance_of)
    )
    if sizes.u_wedge_angle > MOST_U_ANGLE:
        raise NoTipError("its faces are not straight beside the rounding")
    (a, b), (u_a, u_b) = (each * step_um for each in (sizes.sides, sizes.u_sides))
    to_centre = p[4] / np.sin(p[3] / 2) * np.array([np.cos(p[2]), np.sin(p[2])])
    return TipFit(
        apex_um=sizes.apex * step_um + unit,
        bisector_angle=sizes.bisector_angle,
        centre_um=(p[:2] + to_centre) * step_um + unit,
        radius_um=float(p[4] * step_um),
        u_radius_um=_u_radius(arc, p, shared.blur, covariance_of) * step_um,
        wedge_angle=sizes.wedge_angle,
        u_wedge_angle=sizes.u_wedge_angle,
        apex_to_arc_um=sizes.apex_distance * step_um,
        u_apex_to_arc_um=sizes.u_apex_distance * step_um,
        departure_a_um=float(a),
        u_departure_a_um=float(u_a),
        departure_b_um=float(b),
        u_departure_b_um=float(u_b),
        departure_ratio=float(a / b),
        u_departure_ratio=float(a / b * sizes.u_log_ratio),
        points_um=points * step_um + unit,
        residual_um=residual * step_um,
        along_um=along * step_um,
        kept=kept,
        noise_um=noise * step_um,
        correlation=correlation,
        doubts=doubts,
        shape_doubts=shape_doubts,
    )


CovarianceOf = Callable[[TipModel, Array], Array]


@dataclass(frozen=True)
class _Shared:
    """What all points of an outline share, in its steps: blur, what may be wrong with it, and with the level."""

    blur: float
    u_blur: float
    u_level: float


@dataclass(frozen=True, eq=False)
class _Fitted:
    """Points near a tip, those of them not left out as dust, and the parameters of the arc and of the conic."""

    points: Array
    kept: NDArray[np.bool_]
    arc: Array
    conic: Array


@dataclass(frozen=True)
class _Sizes:
    """Sizes of a tip besides its radius, lengths in steps of the outline."""

    apex: Array
    bisector_angle: float
    wedge_angle: float
    u_wedge_angle: float
    apex_distance: float
    u_apex_distance: float
    sides: Array
    u_sides: Array
    u_log_ratio: float


def _arc_sizes(arc: TipModel, p: Array, blur: float, covariance_of: CovarianceOf) -> _Sizes:
    sides = TipModel(arc.points, "sides")  # of an arc, each face's own length is sharper than the conic's
    q = sides.fitted(_as_conic(p)[:6], blur)
    distance = _propagated(lambda p: apex_to_arc(p[4], p[3]), p, covariance_of(arc, p))
    return _sizes(p, covariance_of(arc, p), distance, q, covariance_of(sides, q))


def _conic_sizes(conic: TipModel, q: Array, covariance_of: CovarianceOf) -> _Sizes:
    covariance = covariance_of(conic, q)
    return _sizes(q, covariance, _propagated(_conic_apex_distance, q, covariance), q, covariance)


def _sizes(
    p: Array, covariance: Array, apex_distance: tuple[float, float], q: Array, of_sides: Array
) -> _Sizes:
    lengths, variances = np.exp(q[4:6]), np.diag(of_sides)[4:6]
    u_log_ratio = np.sqrt(max(variances.sum() - 2 * of_sides[4, 5], 0.0))
    return _Sizes(
        p[:2],
        float(p[2]),
        float(p[3]),
        float(np.sqrt(covariance[3, 3])),
        *apex_distance,
        lengths,
        lengths * np.sqrt(variances),
        float(u_log_ratio),
    )


def _near_tip(points: Array, p: Array, blur: float) -> tuple[Array, Array]:
    """The points near enough to the tip, and the arc fitted to them.

    What is used of the flanks depends on the radius, and the radius on that.
    """
    for _ in range(3):
        if len(points) < LEAST_POINTS:
            raise NoTipError("too few points of its outline are left")
        p = TipModel(points, "arc").fitted(p, blur, robust=True)
        far = np.abs(TipModel(points, "arc").distances(p, blur)[1]) / np.sin(p[3] / 2)
        within = far < REACH * apex_to_tangent(p[4], p[3]) + REACH_STEPS
        if within.all():
            break
        points = points[within]
    return points, p


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
    limit = OUTLIER * max(scatter(residual[~on_tip], about=0.0), LEAST_OUTLIER_STEPS)
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
    if (out & ~on_tip).sum() > MOST_DUSTY_FLANK * (~on_tip).sum():
        raise NoTipError("its faces are not straight beside the rounding")
    return out


def _scatter(residual: Array, along: Array, p: Array, blur: float) -> tuple[float, float]:
    """Standard deviation of the points about the flanks, and how many neighbours count as one."""
    tip = _rounding(p, blur)
    square, count, products, pairs = 0.0, 0, np.zeros(LONGEST_LAG), np.zeros(LONGEST_LAG)
    for side in (-1, 1):
        here = np.flatnonzero(side * along > tip)
        series = residual[here[np.argsort(along[here])]]
        series = series - series.mean()
        square, count = square + float(series @ series), count + len(series)
        for lag in range(1, min(LONGEST_LAG, len(series) // 3)):
            products[lag] += float(series[lag:] @ series[:-lag])
            pairs[lag] += len(series) - lag
    variance = max(square / max(count - 4, 1), 1e-8)
    correlation = 1.0
    for lag in range(1, LONGEST_LAG):
        share = products[lag] / max(pairs[lag], 1.0) / variance
        if pairs[lag] == 0 or share < UNLIKE:
            break
        correlation += 2.0 * share
    # few independent readings: the spread of a t distribution with as many degrees of freedom (JCGM 101:2008, 6.4.9)
    free = max(count / correlation - 4.0, 3.0)
    return float(np.sqrt(variance * free / (free - 2.0))), correlation


def _covariance(model: TipModel, p: Array, noise: float, correlation: float, shared: _Shared) -> Array:
    """Covariance of the parameters: scatter of the points, and the blur and level that they share."""
    blur = shared.blur
    jacobian = model.jacobian(p, blur)
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    less, more = max(blur - 1e-3, 0.0), blur + 1e-3
    by_blur = (model(p, more) - model(p, less)) / (more - less)
    covariance = noise**2 * correlation * inverse
    for change in (shared.u_blur * by_blur, np.full(len(model.points), shared.u_level)):
        moved = inverse @ jacobian.T @ change
        covariance = covariance + np.outer(moved, moved)
    return np.asarray(covariance)


def _u_radius(model: TipModel, p: Array, blur: float, covariance_of: CovarianceOf) -> float:
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
