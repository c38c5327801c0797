"""The number function: the line number of a place in the picture, as one smooth function of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from wearscope.imaging.calibration.lines import Ints
from wearscope.imaging.calibration.numbering import NumberedPoints, powers, weighted_least_squares
from wearscope.imaging.calibration.picture import Array
from wearscope.metrology.robust import scatter

TERMS = (6, 3), (10, 4)
"""Below so many lines, so many terms of the polynomial, six beyond: at least twice as many lines as terms along u."""

LINES_FOR_RADIAL = 12
"""Fewer do not tell a lens's distortion from a change of scale."""

SIGNIFICANT = 4.0
"""Standard uncertainties: a term kept or named by chance once in ten thousand pictures."""

LEAST_NOISE_PX = 0.02
"""What reading between pixels leaves of an otherwise exact place."""

ROUNDS = 8
"""Of reweighting; weights settle in about five."""

LINES_FOR_CORRELATION = 8
"""Fewer lines do not show whether neighbours resemble each other."""

MOST_CORRELATION = 0.8
"""Of neighbouring lines: more is a bend that the function should have followed."""

BIWEIGHT = 6.0
"""Robust standard deviations at which a point's weight is nil (Tukey's biweight; 4.7 to 9 in use, from memory)."""


@dataclass(frozen=True)
class NumberFunction:
    """Line number as a smooth function of place.

    Attributes
    ----------
    middle_px : ndarray, shape (2,)
        Median u and v of the points, px.
    reach_px : float
        By which places are divided before their powers are taken, px.
    coef : ndarray, shape (K,)
    cov : ndarray, shape (K, K)
        Covariance of `coef`, clustered by line.
    weight : ndarray, shape (M,)
        Of each point.
    n_terms : int
        Of the polynomial; a term for radial distortion follows if `coef` has one more.
    """

    middle_px: Array
    reach_px: float
    coef: Array
    cov: Array
    weight: Array
    n_terms: int

    def basis(self, u: Array, v: Array) -> Array:
        """Columns of the fit at places.

        Parameters
        ----------
        u, v : ndarray, shape (M,)
            Px.

        Returns
        -------
        ndarray, shape (M, K)
        """
        return _columns(u, v, self.middle_px, self.reach_px, self.n_terms, self.coef.size > self.n_terms)

    def slopes(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Derivatives of the columns of the fit.

        Parameters
        ----------
        u, v : ndarray, shape (M,)
            Px.

        Returns
        -------
        along_u : ndarray, shape (M, K)
            Per px.
        along_v : ndarray, shape (M, K)
            Per px.
        """
        x, y = (u - self.middle_px[0]) / self.reach_px, (v - self.middle_px[1]) / self.reach_px
        one, nil = np.ones_like(x), np.zeros_like(x)
        du = [nil, one, nil, y, 2 * x, nil][: self.n_terms]
        dv = [nil, nil, one, x, nil, 2 * y][: self.n_terms]
        if self.coef.size > self.n_terms:
            fu, fv = u / self.reach_px, v / self.reach_px
            du.append(3 * fu**2 + fv**2)
            dv.append(2 * fu * fv)
        return np.stack(du, axis=1) / self.reach_px, np.stack(dv, axis=1) / self.reach_px

    def place(self, number: Array, v: Array) -> Array:
        """Find where a line is, by Newton's method.

        Parameters
        ----------
        number, v : ndarray
            Of the line, and px along it.

        Returns
        -------
        ndarray
            u, px.
        """
        c = np.zeros(7)
        c[: self.coef.size] = self.coef
        number, v = np.broadcast_arrays(number, v)
        y, fv = (v - self.middle_px[1]) / self.reach_px, v / self.reach_px
        straight, tilt = c[0] + y * (c[2] + y * c[5]) - number, c[1] + c[3] * y
        x = np.zeros(v.shape)
        for _ in range(3):
            fu = x + self.middle_px[0] / self.reach_px
            miss = straight + x * (tilt + c[4] * x) + c[6] * fu * (fu**2 + fv**2)
            x = x - miss / (tilt + 2 * c[4] * x + c[6] * (3 * fu**2 + fv**2))
        return np.asarray(self.middle_px[0] + self.reach_px * x)


def _columns(u: Array, v: Array, middle: Array, reach: float, n_terms: int, radial: bool) -> Array:
    basis = powers((u - middle[0]) / reach, (v - middle[1]) / reach, n_terms)
    if radial:
        # a lens moves a place along the radius from the picture's centre by the cube of that radius
        fu, fv = u / reach, v / reach
        basis = np.column_stack([basis, fu * (fu**2 + fv**2)])
    return basis


def fit_number_function(lines: NumberedPoints) -> NumberFunction:
    """Fit the number function to exactly placed points.

    Parameters
    ----------
    lines : NumberedPoints

    Returns
    -------
    NumberFunction
    """
    n_lines = np.unique(lines.number).size
    n_terms = next((terms for fewer, terms in TERMS if n_lines < fewer), 6)
    plain = _fit_terms(lines, n_terms, radial=False)
    if n_lines < LINES_FOR_RADIAL:
        return plain
    bent = _fit_terms(lines, n_terms, radial=True)
    return bent if abs(bent.coef[-1]) > SIGNIFICANT * np.sqrt(bent.cov[-1, -1]) else plain


def _fit_terms(lines: NumberedPoints, n_terms: int, *, radial: bool) -> NumberFunction:
    """Fit by weighted, robust least squares.

    A point is off by its own noise and by what its line is off as a whole (the ruling, or what lies on it),
    so a line that shows over a great length weighs more only until its own place is the larger of the two.
    """
    middle = np.array([np.median(lines.u_px), np.median(lines.v_px)])
    reach = float(max(np.ptp(lines.u_px), np.ptp(lines.v_px))) / 2
    basis = _columns(lines.u_px, lines.v_px, middle, reach, n_terms, radial)
    target = lines.number.astype(float)
    numbers, which = np.unique(lines.number, return_inverse=True)
    free = _free(numbers.size, basis.shape[1])
    per_px = np.ptp(target) / np.ptp(lines.u_px)
    noise = per_px**2 * (lines.u_std_px**2 + np.median(lines.u_std_px) ** 2 + LEAST_NOISE_PX**2)
    robust, line_variance = np.ones_like(noise), 0.0
    for _ in range(ROUNDS):
        trust = robust / noise
        total = np.bincount(which, trust)
        weight = trust / (1 + line_variance * total)[which]
        coef = weighted_least_squares(basis, target, weight)
        rest = target - basis @ coef
        seen = total > 0
        line_rest = np.bincount(which, trust * rest)[seen] / total[seen]
        line_variance = max(
            0.0, float(np.mean(line_rest**2)) * seen.sum() / free - float(np.mean(1 / total[seen]))
        )
        standard = rest / np.sqrt(noise + line_variance)
        limit = BIWEIGHT * scatter(standard, about=0.0) + 1e-9
        robust = np.square(np.maximum(0, 1 - np.square(standard / limit)))
    return NumberFunction(
        middle, reach, coef, _covariance(basis, rest, weight, lines.number), weight, n_terms
    )


def _free(n_lines: int, n_columns: int) -> int:
    """Degrees of freedom: a constant, u, u² and the radial term compete with the places of single lines."""
    return max(1, n_lines - sum(c < n_columns for c in (0, 1, 4, 6)))


def _covariance(basis: Array, rest: Array, weight: Array, number: Ints) -> Array:
    """Covariance of the coefficients with each line one draw.

    What a line is off as a whole has a variance in inverse proportion to its weight, pooled over the lines
    since they are too few to have one each; what varies along the lines comes to it, clustered by line. The
    whole is widened for correlation between neighbouring lines and for the tails that few lines leave
    (Student's t at 95 %).
    """
    held = weight > 0
    numbers, which = np.unique(number[held], return_inverse=True)
    basis, rest, weight = basis[held], rest[held], weight[held]
    n, k = numbers.size, basis.shape[1]
    total = np.bincount(which, weight)
    line_rest = np.bincount(which, weight * rest) / total
    pull, within = np.zeros((n, k)), np.zeros((n, k))
    np.add.at(pull, which, basis * weight[:, None])
    np.add.at(within, which, basis * (weight * (rest - line_rest[which]))[:, None])
    free = _free(n, k)
    tails = float(stdtrit(free, 0.975) / ndtri(0.975)) ** 2
    meat = (total @ line_rest**2 / free) * (pull.T / total) @ pull + within.T @ within
    bread = np.linalg.pinv((basis * weight[:, None]).T @ basis)
    return np.asarray(tails * _correlation_factor(line_rest) * bread @ meat @ bread)


def _correlation_factor(series: Array) -> float:
    """By how much the variance of a mean grows if neighbours resemble each other beyond chance."""
    if series.size < LINES_FOR_CORRELATION:
        return 1.0
    centred = series - series.mean()
    rho = float((centred[1:] * centred[:-1]).sum() / max((centred**2).sum(), 1e-30))
    rho = float(np.clip(rho - 1 / np.sqrt(series.size), 0.0, MOST_CORRELATION))
    return (1 + rho) / (1 - rho)
