"""Numbering ruled lines outwards from the most regular place, so that gaps and text do not upset the count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearscope.imaging.calibration.lines import ENOUGH_POINTS, Ints, LinePoints, Mask
from wearscope.imaging.calibration.picture import SEE_SCALE, Array, NotRuledError, no_scale
from wearscope.metrology.robust import scatter

MIN_LINES = 4
"""Fewer leave no residual to judge a straight count by."""

# Chosen, no source; tests/imaging/test_scale.py holds what must be read by them and what refused.
FIRST_REACH, WIDER = 6.0, 1.5  # divisions about the seed that are numbered first, and by how much it grows
NEAR_GATES, FAR_GATES = (0.25, 0.2), (0.2, 0.15)  # divisions off a number, in the rounds of the fit
TERMS = (6, 3), (12, 4)  # below so many lines, so many terms of the polynomial; six beyond
ON_LINE, ASTRAY = 0.15, 0.2  # divisions off a number of what lies on it, and of what lies between
CLOSE = 0.12  # of the spacing, within which the company of the seed lies
CONTINUED = 0.2, 0.1  # of the spacing, and divisions, within which a line goes on in the next band
LONGEST_GAP = 4  # numbers from line to line; beyond it text may fit by chance
LEAST_COUNT = 0.2  # of the median count of a line's points
STRAY = 2.0  # robust standard deviations, beyond which a point weighs less
COMPANY = 3  # lines in a band; a cross-hair runs on alone
LEAST_FILLED, LEAST_ON_LINE = 0.75, 0.7  # of the numbers that have a line, and of the points that lie on one


@dataclass(frozen=True)
class Numbering:
    """The line number of every point.

    Attributes
    ----------
    number : ndarray of int, shape (M,)
    off : ndarray, shape (M,)
        Divisions off that line.
    on_line : ndarray of bool, shape (M,)
        On a numbered line that goes on in a neighbouring band.
    between : bool
        There are regular lines off the numbers.
    """

    number: Ints
    off: Array
    on_line: Mask
    between: bool


def powers(u: Array, v: Array, n_terms: int) -> Array:
    """Columns 1, u, v, uv, u², v².

    Parameters
    ----------
    u, v : ndarray, shape (M,)
    n_terms : int
        So many of them.

    Returns
    -------
    ndarray, shape (M, n_terms)
    """
    return np.stack([np.ones_like(u), u, v, u * v, u * u, v * v][:n_terms], axis=1)


def number_points(marks: LinePoints, spacing: float) -> Numbering:
    """Number points outwards from the most regular place.

    Parameters
    ----------
    marks : LinePoints
    spacing : float
        Of the lines, px.

    Returns
    -------
    Numbering

    Raises
    ------
    NotRuledError
        If nothing repeats evenly.
    """
    seed = _seed(marks, spacing)
    u, v = (marks.u_px - marks.u_px[seed]) / spacing, (marks.v_px - marks.v_px[seed]) / spacing
    reach, far = FIRST_REACH, float(max(np.abs(u).max(), np.abs(v).max()))
    coef = np.array([0.0, 1.0, 0.0])
    while True:
        near = (np.abs(u) <= reach) & (np.abs(v) <= reach)
        for gate in NEAR_GATES:
            coef = _refit(u[near], v[near], coef, gate, reach)
        if reach >= far:
            break
        reach *= WIDER
    for gate in FAR_GATES:
        coef = _refit(u, v, coef, gate, reach)
    where = powers(u, v, coef.size) @ coef
    number = np.rint(where).astype(np.int64)
    off = where - number
    return _judge(marks, number, off, spacing)


def _seed(marks: LinePoints, spacing: float) -> int:
    """Find the point with most regular company: neighbours both sides, its own line above and below."""
    close = CLOSE * spacing
    regular = np.ones(marks.u_px.size, bool)
    for du, db in ((spacing, 0), (-spacing, 0), (0.0, 1), (0.0, -1)):
        regular &= marks.neighbours(du, db, close) >= 0
    if not regular.any():
        raise no_scale("nothing repeats evenly")
    places = np.flatnonzero(regular)
    cell = np.stack([marks.u_px[places], marks.v_px[places]], axis=1) // (FIRST_REACH * spacing)
    _, which, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    home = places[which.ravel() == count.argmax()]
    middle = np.array([marks.u_px[home].mean(), marks.v_px[home].mean()])
    return int(home[np.hypot(marks.u_px[home] - middle[0], marks.v_px[home] - middle[1]).argmin()])


def _refit(u: Array, v: Array, coef: Array, gate: float, reach: float) -> Array:
    """Fit the number function again to the points within `gate` divisions of a line."""
    thin = max(1, u.size // ENOUGH_POINTS)
    u, v = u[::thin], v[::thin]
    where = powers(u, v, coef.size) @ coef
    number = np.rint(where)
    keep = np.abs(where - number) < gate
    n_lines = np.unique(number[keep]).size
    if n_lines < 3:
        return coef
    n_terms = next((terms for lines, terms in TERMS if n_lines < lines), 6)
    basis = powers(u[keep] / reach, v[keep] / reach, n_terms)
    target = number[keep]
    weight = np.ones(target.size)
    for _ in range(3):
        new = weighted_least_squares(basis, target, weight)
        rest = np.abs(target - basis @ new)
        limit = STRAY * scatter(rest, about=0.0) + 1e-6
        weight = np.minimum(1.0, limit / np.maximum(rest, 1e-12))
    return np.asarray(new / np.array([1, reach, reach, reach**2, reach**2, reach**2][:n_terms]))


def weighted_least_squares(basis: Array, target: Array, weight: Array) -> Array:
    """Solve a linear least-squares problem.

    Parameters
    ----------
    basis : ndarray, shape (M, K)
    target, weight : ndarray, shape (M,)

    Returns
    -------
    ndarray, shape (K,)

    Notes
    -----
    By the normal equations, far quicker than orthogonal steps; the columns are few, and scaled.
    """
    size = np.sqrt(weight @ basis**2) + 1e-300
    weighted = (basis * weight[:, None] / size).T
    return np.asarray(np.linalg.lstsq(weighted @ basis / size, weighted @ target, rcond=1e-13)[0] / size)


def _judge(marks: LinePoints, number: Ints, off: Array, spacing: float) -> Numbering:
    """Keep the points that lie on a number and continue along the line; count the lines that lie between."""
    continued = np.zeros(number.size, bool)
    for step in (1, -1):
        other = marks.neighbours(0.0, step, CONTINUED[0] * spacing)
        near = np.abs(off + number - (off + number)[other]) < CONTINUED[1]
        continued |= (other >= 0) & near
    on_line = _main_run(number, continued & (np.abs(off) < ON_LINE))
    on_line &= _in_company(marks.band, number, on_line)
    astray = continued & (np.abs(off) > ASTRAY)
    if on_line.any():
        astray &= (number >= number[on_line].min()) & (number <= number[on_line].max())
        typical = float(np.median(np.unique(number[on_line], return_counts=True)[1]))
        n_lines = np.unique(number[on_line]).size
        between = _has_lines_between(number[astray], off[astray], max(4.0, typical / 6), n_lines)
    else:
        between = False
    return Numbering(number, off, on_line, between)


def _main_run(number: Ints, on_line: Mask) -> Mask:
    """Keep the lines of the longest run without a long gap."""
    numbers, counts = np.unique(number[on_line], return_counts=True)
    if not numbers.size:
        return on_line
    numbers = numbers[counts >= LEAST_COUNT * np.median(counts)]
    runs = np.split(numbers, np.flatnonzero(np.diff(numbers) > LONGEST_GAP) + 1)
    return on_line & np.isin(number, max(runs, key=len))


def _in_company(band: Ints, number: Ints, on_line: Mask) -> Mask:
    """Tell which points share their band with enough lines."""
    pairs = np.unique(np.stack([band[on_line], number[on_line]]), axis=1)
    bands, n_lines = np.unique(pairs[0], return_counts=True)
    return np.isin(band, bands[n_lines >= COMPANY])


def _has_lines_between(number: Ints, off: Array, enough: float, n_lines: int) -> bool:
    """Tell whether lines follow many numbers at the same part of a division, or one number at several parts.

    The first is a finer division, the second a single division divided; text and dirt do neither.
    """
    place = number + off
    tenths = np.floor(10 * place + 0.5).astype(np.int64)
    lines, bands = np.unique(tenths, return_counts=True)
    lines = lines[bands >= enough]
    lines = lines[~np.isin(lines - 1, lines)]  # one that leans over two tenths is one
    if not lines.size:
        return False
    _, followed = np.unique(lines % 10, return_counts=True)
    _, divided = np.unique(lines // 10, return_counts=True)
    return bool(followed.max() >= max(3, 0.15 * n_lines) or divided.max() >= 3)


def require_regular(lines: NumberedPoints, marks: LinePoints, count: Numbering) -> None:
    """Refuse what is not evenly ruled.

    Parameters
    ----------
    lines : NumberedPoints
    marks : LinePoints
    count : Numbering
        Of `marks`.

    Raises
    ------
    NotRuledError
        For too few lines, gaps in the count, or much that is off the lines.
    """
    number = np.unique(lines.number)
    if number.size < 3:
        raise no_scale("nothing repeats evenly", 1)
    if number.size < MIN_LINES:
        raise NotRuledError(f"only {number.size} lines of a scale to be seen", SEE_SCALE, "too-few-lines", 3)
    if number.size < LEAST_FILLED * (number[-1] - number[0] + 1):
        raise no_scale("the lines are not evenly spaced", 2)
    bands = np.unique(lines.band)
    inside = np.isin(marks.band, bands) & (count.number >= number[0]) & (count.number <= number[-1])
    if count.on_line[inside].mean() < LEAST_ON_LINE:
        raise no_scale("too much lies between the lines", 2)


@dataclass(frozen=True)
class NumberedPoints:
    """Points that lie on numbered lines.

    Attributes
    ----------
    u_px, v_px : ndarray, shape (M,)
        Across and along the lines.
    band, number : ndarray of int, shape (M,)
        Of the line.
    height_px : float
        Of a band, px.
    u_std_px : ndarray, shape (M,)
        Standard deviation of u, px, as the picture's noise there suggests.
    """

    u_px: Array
    v_px: Array
    band: Ints
    number: Ints
    height_px: float
    u_std_px: Array

    @classmethod
    def of(cls, marks: LinePoints, count: Numbering) -> NumberedPoints:
        """Take those of some points that lie on a numbered line, each as certain as the next.

        Parameters
        ----------
        marks : LinePoints
        count : Numbering

        Returns
        -------
        NumberedPoints
        """
        keep = count.on_line
        return cls(
            marks.u_px[keep],
            marks.v_px[keep],
            marks.band[keep],
            count.number[keep],
            marks.height_px,
            np.ones(int(keep.sum())),
        )

    def thinned(self) -> NumberedPoints:
        """Take every so manieth point: enough for any precision.

        Returns
        -------
        NumberedPoints
        """
        return self.only(np.arange(self.u_px.size) % max(1, self.u_px.size // ENOUGH_POINTS) == 0)

    def only(self, keep: Mask) -> NumberedPoints:
        """Take some of the points.

        Parameters
        ----------
        keep : ndarray of bool, shape (M,)

        Returns
        -------
        NumberedPoints
        """
        return NumberedPoints(
            self.u_px[keep],
            self.v_px[keep],
            self.band[keep],
            self.number[keep],
            self.height_px,
            self.u_std_px[keep],
        )
