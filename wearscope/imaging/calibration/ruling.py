"""One direction of ruling, measured: from the picture to divisions per pixel with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from wearscope.imaging.calibration.evenness import EVEN, require_lines
from wearscope.imaging.calibration.fit import SIGNIFICANT, NumberFunction, fit_number_function
from wearscope.imaging.calibration.lines import directions, find_line_points, relative_curvature
from wearscope.imaging.calibration.numbering import NumberedPoints, number_points, require_regular
from wearscope.imaging.calibration.picture import (
    SEE_SCALE,
    Array,
    NotRuledError,
    Picture,
    TurnedPicture,
    broken_up,
    no_scale,
    turn_picture,
)
from wearscope.imaging.calibration.placing import place_points
from wearscope.imaging.calibration.spacing import MIN_PITCH_PX, divisor, likely_spacings, parts_between

RULING_STD = 2e-4
"""Relative standard uncertainty taken for the mean division of a graticule that has no certificate: common practice,
no source."""

MOST_DISTORTION = 0.1
"""Change of the spacing over the picture that is refused: the polynomial no longer follows it."""

MOST_WITH_LENS = 0.2
"""The same with what a lens does: some 6 % of displacement at the corners."""

MOST_UNCERTAIN = 1e-2
"""Relative standard uncertainty that is refused: no measurement in microns stands on it."""

SAME_DIVISION = 0.85, 1.15
"""Spacing of the second direction over the first: pixels and tilt make less of a difference, another ruling more."""

REPEATS = 2
"""Rank of a reason from which something does repeat, but is no ruling."""

BAND_PX = 16.0
"""Height of the bands in which the spacing is sought: short lines fill some, noise is a quarter of a pixel's."""

LEAST_BAND_PX = 4.0
"""Height of the bands in which lines are placed, at least."""


@dataclass(frozen=True)
class Ruling:
    """One family of parallel lines, measured.

    Attributes
    ----------
    gradient : ndarray, shape (2,)
        Divisions per px along x and y, mean over the lines.
    cov : ndarray, shape (2, 2)
        Covariance of `gradient`, without what is assumed of the ruling.
    n_lines : int
    variation_share : float
        Relative change of the pitch over the lines, end to end.
    variation_seen : bool
        It stands out of the scatter.
    between : bool
        There are regular lines between the numbered ones.
    even_share : float
        Share of their length over which the lines look the same.
    lines : NumberedPoints
        What it was fitted to, in the turned picture.
    weight : ndarray, shape (M,)
        Of each of them in the fit.
    turned : TurnedPicture
    """

    gradient: Array
    cov: Array
    n_lines: int
    variation_share: float
    variation_seen: bool
    between: bool
    even_share: float
    lines: NumberedPoints
    weight: Array
    turned: TurnedPicture

    @property
    def places_px(self) -> Array:
        """Columns and rows in the picture of the points, shape (M, 2)."""
        return np.stack(self.turned.to_image(self.lines.u_px, self.lines.v_px), axis=1)

    def moved(self, places_px: Array) -> Ruling:
        """The same lines measured again with their points at other places.

        Parameters
        ----------
        places_px : ndarray, shape (M, 2)
            Columns and rows.

        Returns
        -------
        Ruling
        """
        u_px, v_px = self.turned.from_image(places_px[:, 0], places_px[:, 1])
        lines = replace(self.lines, u_px=u_px, v_px=v_px)
        return _ruling(self.turned, fit_number_function(lines), lines, self.between, self.even_share)

    @property
    def density_px(self) -> float:
        """Divisions per pixel along the normal of the lines."""
        return float(np.hypot(*self.gradient))

    @property
    def angle_deg(self) -> float:
        """Direction of the normal of the lines, 0 to 180° from +x towards +y."""
        return float(np.rad2deg(np.arctan2(self.gradient[1], self.gradient[0])) % 180)

    @property
    def u_density(self) -> float:
        """Relative standard uncertainty of the density, the ruling's own included."""
        return float(np.hypot(self.u_fit, self.u_own))

    @property
    def u_fit(self) -> float:
        """The part of it that the scatter of the lines explains."""
        n = self.gradient / self.density_px
        return float(np.sqrt(n @ self.cov @ n) / self.density_px)

    @property
    def u_angle_rad(self) -> float:
        """Standard uncertainty of the direction of the normal."""
        across = np.array([-self.gradient[1], self.gradient[0]]) / self.density_px
        return float(np.sqrt(across @ self.cov @ across) / self.density_px)

    @property
    def u_own(self) -> float:
        """The part of it that is not in the covariance: the ruling's own, and the change over the lines."""
        drift = self.variation_share / np.sqrt(12) if self.variation_seen else 0.0
        return float(np.hypot(drift, RULING_STD))


def find_rulings(picture: Picture) -> list[Ruling]:
    """Measure the one or two families of lines of a graticule.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
        From `as_picture`.

    Returns
    -------
    list of Ruling
        Two are square to each other and of one division.

    Raises
    ------
    NotRuledError
    """
    failures: list[NotRuledError] = []
    for angle in directions(picture):
        try:
            return _with_second(picture, _measure_ruling(picture, angle))
        except NotRuledError as problem:
            failures.append(problem)
    raise max(failures, key=lambda problem: problem.rank, default=no_scale("no direction stands out"))


def _with_second(picture: Picture, first: Ruling) -> list[Ruling]:
    """Add the lines at a right angle to the first ones, if there are any of the same division."""
    pitch = 1 / first.density_px
    try:
        closest, widest = (share * pitch for share in SAME_DIVISION)
        second = _measure_ruling(picture, np.deg2rad(first.angle_deg + 90), (closest, widest))
    except NotRuledError:
        # lines broken up as a grid's are, but by no second direction, are print or cloth
        if first.even_share < EVEN:
            raise broken_up() from None
        return [first]
    return [first, second]


def _measure_ruling(
    picture: Picture, angle: float, pitch_px: tuple[float, float] = (MIN_PITCH_PX, np.inf)
) -> Ruling:
    """Measure the lines whose normal points along `angle` (rad), or say why there are none."""
    turned = turn_picture(picture, angle)
    failure = no_scale("nothing repeats")
    tries = 0
    for spacing, width in likely_spacings(turned.bands(BAND_PX)):
        if not pitch_px[0] <= spacing <= pitch_px[1]:
            continue
        try:
            return _measure_at(picture, turned, spacing, width)
        except NotRuledError as problem:
            failure = max(failure, problem, key=lambda p: p.rank)
            tries += problem.rank >= REPEATS
        # what repeats but is no ruling repeats at the multiples too
        if tries == 2:
            break
    raise failure


def _measure_at(picture: Picture, turned: TurnedPicture, spacing: float, width: float) -> Ruling:
    """Measure the lines near a spacing, or the finer ones between them if those are regular too."""
    bands = turned.bands(max(LEAST_BAND_PX, spacing / 2))
    bent = relative_curvature(bands, spacing, width)
    marks = find_line_points(bands, bent, spacing)
    count = number_points(marks, spacing)
    lines = NumberedPoints.of(marks, count)
    require_regular(lines, marks, count)
    placed = place_points(bands, lines.thinned(), spacing, width)
    fit = fit_number_function(placed)
    even = require_lines(picture, turned, fit, placed)
    part = divisor(parts_between(bands, bent, fit, placed))
    between = count.between or part > 1
    if part > 1 and spacing / part >= MIN_PITCH_PX:
        try:
            return _measure_at(picture, turned, spacing / part, min(width, spacing / part / 2))
        except NotRuledError:
            pass  # there, but too faint or too few to measure: the coarse lines are, with a doubt
    ruling = _ruling(turned, fit, placed, between, even)
    if ruling.variation_share > MOST_WITH_LENS or _variation_of_tilt(fit, placed) > MOST_DISTORTION:
        raise NotRuledError(
            f"the spacing of the lines changes by {ruling.variation_share:.0%} over the picture",
            "lay the ruled scale flat and square to the camera",
            "scale-distorted",
            4,
        )
    if ruling.u_fit > MOST_UNCERTAIN:
        raise NotRuledError("the lines scatter too much to be measured", SEE_SCALE, "lines-scatter", 3)
    return ruling


def _variation_of_tilt(fit: NumberFunction, lines: NumberedPoints) -> float:
    """Relative change of the pitch over the lines, end to end, without what the radial term explains."""
    local = fit.slopes(lines.u_px, lines.v_px)[0][:, : fit.n_terms] @ fit.coef[: fit.n_terms]
    low, high = np.percentile(local, [1, 99])
    return float((high - low) / local.mean())


def _ruling(
    turned: TurnedPicture, fit: NumberFunction, lines: NumberedPoints, between: bool, even: float
) -> Ruling:
    du, dv = fit.slopes(lines.u_px, lines.v_px)
    mean = np.stack([np.average(d, axis=0, weights=fit.weight) for d in (du, dv)])
    c, s = np.cos(turned.angle), np.sin(turned.angle)
    to_xy = np.array([[c, -s], [s, c]]) @ mean
    local = du @ fit.coef
    low, high = np.percentile(local, [1, 99])
    bends = [k for k in (3, 4, 6) if k < fit.coef.size]
    seen = any(abs(fit.coef[k]) > SIGNIFICANT * np.sqrt(fit.cov[k, k]) for k in bends)
    return Ruling(
        gradient=to_xy @ fit.coef,
        cov=to_xy @ fit.cov @ to_xy.T,
        n_lines=np.unique(lines.number).size,
        variation_share=float((high - low) / local.mean()),
        variation_seen=seen,
        between=between,
        even_share=even,
        lines=lines,
        weight=fit.weight,
        turned=turned,
    )
