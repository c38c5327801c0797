"""A lens's radial distortion, from the lines of a graticule that should be straight and evenly spaced."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from wearscope.imaging.calibration.axes import axes_from_cross
from wearscope.imaging.calibration.fit import LINES_FOR_RADIAL
from wearscope.imaging.calibration.numbering import weighted_least_squares
from wearscope.imaging.calibration.picture import Array
from wearscope.imaging.calibration.ruling import Ruling
from wearscope.imaging.lens import Lens

SURE_LENS, LEAST_LENS = 5.0, 1e-3
"""Standard uncertainties, and displacement at the frame's corner, beyond which distortion is taken out: one picture
in a million by chance, and as much as a length along the frame's diagonal then errs by."""

CENTRE_STD = 0.03
"""Standard uncertainty, as a share of half the diagonal, of "a lens distorts about the frame's centre": sensors of
cheap cameras sit within some per cent of their lens's axis. Chosen, no source."""

SECOND_STD = 0.25
"""Standard deviation of the second coefficient over the first, beforehand: simple lenses need little of it; their own
form, r + k r³ the other way round, makes 3 k. Chosen, no source."""

LEAST_SECOND_STD = 1e-3
"""The same where the first is nil."""

READ_STD = 4e-3
"""Share of the distortion that reading bent lines by one mean shape may add or take: drawn grids of 3 % were off by
3e-3 at most."""

TILT_STD, FIRST_STD = 0.05, 0.2
"""Beforehand: change of the scale over half the diagonal by a tilted graticule, and distortion at the corner; both
far beyond what is read."""

SHARED = 6
"""Parameters that all directions have in common: two coefficients, the centre's two and the tilt's two."""

MOST_OFF_CENTRE = 3.0
"""Times `CENTRE_STD` by which a centre may be off: further, what bends the lines is no lens."""

ENOUGH_POINTS = 4000
"""Of one direction; more say nothing new of four numbers."""

STEPS, SETTLED = 12, 1e-7
"""Of Gauss and Newton's method, and the change of lens and tilt at which it ends; a lens needs some five."""

ROUNDS = 2
"""Of placing the weights anew by the straightened lines."""

GRID = np.stack(np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)), axis=-1).reshape(-1, 2)
"""Places on the frame at which the scale's uncertainty is asked for, from corner to corner."""


@dataclass(frozen=True)
class Distortion:
    """What a lens does, and what not knowing it better costs.

    Attributes
    ----------
    lens : Lens
    u_scale : float
        Relative standard uncertainty of a length after it is taken out, root mean square over the frame.
    rulings : list of Ruling
        As measured after it is taken out.
    """

    lens: Lens
    u_scale: float
    rulings: list[Ruling]


def find_distortion(rulings: list[Ruling], shape: tuple[int, int]) -> Distortion | None:
    """Find the radial distortion that lines show.

    Parameters
    ----------
    rulings : list of Ruling
        One or two directions.
    shape : (int, int)
        Rows and columns of the picture.

    Returns
    -------
    Distortion or None
        None where it is too little to matter or to be sure of.

    Notes
    -----
    All lines together have one lens and one tilt: with X the straightened place, the number of a line is
    ``(c + g . X) / (1 + p . X)``, as of any plane seen in perspective. Lens, tilt and each direction's c and g are
    found by least squares, with what is known of a lens beforehand as further readings (`CENTRE_STD`, `SECOND_STD`):
    so a ruling that crosses little of the frame gives a distortion that is little known, and says so. The covariance
    is clustered by line.
    """
    if max(ruling.n_lines for ruling in rulings) < LINES_FOR_RADIAL:
        return None
    frame = _Frame.of(rulings, shape)
    straight = rulings
    for _ in range(ROUNDS):
        found, cov = _fit(frame, rulings, [ruling.weight for ruling in straight])
        lens = frame.lens(found, cov)
        sure = abs(lens.at_corner) > max(SURE_LENS * lens.u_corner, LEAST_LENS)
        if not sure or np.hypot(*found[2:4]) > MOST_OFF_CENTRE * CENTRE_STD:
            return None
        straight = [ruling.moved(frame.straightened(ruling.places_px, lens)) for ruling in rulings]
    return Distortion(lens, frame.u_scale(found, cov, len(rulings)), straight)


@dataclass(frozen=True)
class _Frame:
    """The picture in pixels as wide as they are high."""

    shape: tuple[int, int]
    aspect: Array

    @classmethod
    def of(cls, rulings: list[Ruling], shape: tuple[int, int]) -> _Frame:
        axes = axes_from_cross(*rulings).value if len(rulings) == 2 else np.ones(2)
        return cls(shape, axes / axes.mean())

    @property
    def middle_px(self) -> Array:
        return (np.array(self.shape[::-1]) - 1) / 2 * self.aspect

    @property
    def reach_px(self) -> float:
        return float(np.hypot(*(np.array(self.shape[::-1]) * self.aspect))) / 2

    def away(self, places_px: Array) -> Array:
        """Places from the middle, as shares of half the diagonal."""
        return np.asarray((places_px * self.aspect - self.middle_px) / self.reach_px)

    def lens(self, found: Array, cov: Array) -> Lens:
        column, row = self.middle_px + found[2:4] * self.reach_px
        u_corner = float(np.sqrt(cov[:2, :2].sum()))
        centre_px = float(column), float(row)
        return Lens(self.shape, centre_px, self.reach_px, float(found[0]), float(found[1]), u_corner)

    def straightened(self, places_px: Array, lens: Lens) -> Array:
        return np.asarray(lens.straightened(places_px * self.aspect) / self.aspect)

    def u_scale(self, found: Array, cov: Array, n_rulings: int) -> float:
        """Relative standard uncertainty of lengths along the frame's two sides, root mean square over the frame."""
        corner = np.array(self.shape[::-1]) * self.aspect / 2 / self.reach_px
        places = GRID * corner
        steps = 1e-5 * np.eye(len(found))[: SHARED - 2]

        def stretch(by: Array) -> Array:
            return _stretch(places, found[: SHARED - 2] + by[: SHARED - 2])

        slopes = [(stretch(step) - stretch(-step)) / 2e-5 for step in steps]
        # a change of scale that all the frame has in common is the scale's own, and in its budget
        jacobian = np.stack([slope.ravel() - slope.mean() for slope in slopes], axis=1)
        lens_cov = cov[: SHARED - 2, : SHARED - 2]
        return float(np.sqrt(np.mean(np.einsum("ni,ij,nj->n", jacobian, lens_cov, jacobian))))


def _stretch(places: Array, lens: Array) -> Array:
    """By how much lengths along both sides of the frame are stretched when straightened, shape (N, 2)."""
    step = 1e-4
    ends = [
        (_straight(places + step * side, lens) - _straight(places - step * side, lens)) / (2 * step)
        for side in np.eye(2)
    ]
    return np.stack([np.linalg.norm(end, axis=1) for end in ends], axis=1)


def _straight(away: Array, lens: Array) -> Array:
    from_centre = away - lens[2:4]
    r2 = np.sum(from_centre**2, axis=1, keepdims=True)
    return np.asarray(away + from_centre * r2 * (lens[0] + lens[1] * r2))


def _fit(frame: _Frame, rulings: list[Ruling], weights: list[Array]) -> tuple[Array, Array]:
    """Parameters and their covariance."""
    every = [1 + len(weight) // ENOUGH_POINTS for weight in weights]
    away = [frame.away(ruling.places_px[::step]) for ruling, step in zip(rulings, every, strict=True)]
    numbers = [ruling.lines.number[::step] for ruling, step in zip(rulings, every, strict=True)]
    number = [each.astype(float) for each in numbers]
    weights = [step * weight[::step] for weight, step in zip(weights, every, strict=True)]
    start = [np.zeros(SHARED)]
    for places, seen, weight in zip(away, number, weights, strict=True):
        basis = np.column_stack([np.ones(len(places)), places]) * np.sqrt(weight)[:, None]
        start.append(np.linalg.lstsq(basis, seen * np.sqrt(weight), rcond=None)[0])
    found = np.concatenate(start)

    def rest(of: Array) -> Array:
        second = max(LEAST_SECOND_STD, SECOND_STD * abs(found[0]))
        known = np.array([FIRST_STD, second, CENTRE_STD, CENTRE_STD, TILT_STD, TILT_STD])
        parts = [
            np.sqrt(weight) * (_number(places, of, which) - seen)
            for which, (places, seen, weight) in enumerate(zip(away, number, weights, strict=True))
        ]
        return np.concatenate([*parts, of[:SHARED] / known])

    for _ in range(STEPS):
        jacobian, left = _slopes(rest, found), rest(found)
        step = -weighted_least_squares(jacobian, left, np.ones(len(left)))
        found = found + step
        if np.abs(step[:SHARED]).max() < SETTLED:
            break
    lines = np.concatenate([2 * each + k for k, each in enumerate(numbers)])
    cov = _covariance(jacobian, rest(found), lines)
    cov[0, 0] += (READ_STD * found[0]) ** 2
    return found, cov


def _slopes(rest: Callable[[Array], Array], at: Array) -> Array:
    """Derivatives of a function by differences, one column for each parameter."""
    steps = np.diag(1e-6 * np.maximum(1.0, np.abs(at)))
    return np.stack([(rest(at + step) - rest(at - step)) / (2 * step.sum()) for step in steps], axis=1)


def _number(away: Array, of: Array, which: int) -> Array:
    straight = _straight(away, of[:4])
    constant, *slope = of[SHARED + 3 * which : SHARED + 3 * which + 3]
    return np.asarray((constant + straight @ np.array(slope)) / (1.0 + straight @ of[4:SHARED]))


def _covariance(jacobian: Array, rest: Array, lines: Array) -> Array:
    """Covariance with each line one draw, and what is known beforehand one each."""
    _, which = np.unique(lines, return_inverse=True)
    n = len(lines)
    pull = np.zeros((which.max() + 1, jacobian.shape[1]))
    np.add.at(pull, which, jacobian[:n] * rest[:n, None])
    free = max(1, len(pull) - jacobian.shape[1])
    tails = float(stdtrit(free, 0.975) / ndtri(0.975)) ** 2
    beforehand = jacobian[n:]
    meat = tails * len(pull) / free * pull.T @ pull + beforehand.T @ beforehand
    size = np.sqrt(np.sum(jacobian**2, axis=0)) + 1e-300
    scaled = jacobian / size
    bread = np.linalg.pinv(scaled.T @ scaled) / np.outer(size, size)
    return np.asarray(bread @ meat @ bread)
