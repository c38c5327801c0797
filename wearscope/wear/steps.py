"""Steps along an edge: where something measured along it changes, and one side's level drawn on under the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.optimize import OptimizeResult, least_squares

from wearscope.light.strip import median_of_seen
from wearscope.metrology.robust import scatter

Array = NDArray[np.float64]

BLOCK_UM = 35.0  # along the edge: medians over so much are searched for a step; chosen, no source
LEAST_COLUMNS = 20  # that show the form of a step; chosen, no source
LEAST_BLOCKS = 12  # that a step is looked for in; chosen, no source
LEAST_U_PLACE_UM = 15.0  # what photographs of known transitions show beyond that, wear being no clean step
WANDER_UM = 60.0  # along the edge, over which noise is averaged out and the wandering of wear is left; chosen
# standard deviations of a stray place, how many may be, and how often they are left out; chosen, no source
STRAY, MOST_STRAY, STRAY_ROUNDS = 5.0, 0.06, 3
# along-edge length over which wear wanders; independent samples are this far apart, of a trace a third; chosen
CORRELATION_UM = 300.0
NEAR_UM = 450.0  # of a step, in which its form is fitted; chosen, no source
UNUSED_FROM_UM = 120.0  # beyond a step, from where on its unused side makes a level; chosen, no source
# what the form may be, and where it starts; chosen
AT_UM, WIDTHS_UM, USUAL_WIDTH_UM = 400.0, (4.0, 150.0), 25.0
HALF_TOLERANCE = 1e-5  # of the fit for it: a small part of a micron, where the place is known to ten or more
LEAST_OF_HEIGHT = 0.02  # noise counts as so much of a step at least; chosen, no source
U_OF_WIDTH = (
    0.2  # of a step's width, by which its middle is unsure: wear need not rise evenly; chosen, no source
)
U_UNKNOWN_UM = 100.0  # of a place that the fit leaves open; chosen, no source
OFF_LINE = 3.5  # standard deviations from which a place is not on a line; chosen, no source


@dataclass(frozen=True)
class Step:
    """The best single step in one sign.

    Attributes
    ----------
    at_um : float
        Along the edge.
    height : float
        Positive when the value is higher at larger s.
    significance : float
        Height over its standard uncertainty.
    """

    at_um: float
    height: float
    significance: float


@dataclass(frozen=True)
class StepCurve:
    """The best step at every place along the edge.

    Attributes
    ----------
    at_um, height, significance : ndarray, shape (N,)
        Height positive when the value is higher at larger s; significance is the height over its standard
        uncertainty, with residuals taken as correlated over `CORRELATION_UM`.
    """

    at_um: Array
    height: Array
    significance: Array

    @property
    def best(self) -> Step:
        """The most significant step."""
        return self._step(int(np.argmax(self.significance)))

    def near(self, place_um: float, within_um: float) -> Step | None:
        """The most significant step near a place.

        Parameters
        ----------
        place_um : float
        within_um : float

        Returns
        -------
        Step or None
        """
        close = np.flatnonzero(np.abs(self.at_um - place_um) <= within_um)
        return self._step(int(close[np.argmax(self.significance[close])])) if len(close) else None

    def leads(self, apart_um: float, by: float) -> bool:
        """Whether the most significant step is so many times as significant as any elsewhere.

        Parameters
        ----------
        apart_um : float
            Along the edge, from which another place is elsewhere.
        by : float

        Returns
        -------
        bool
        """
        elsewhere = np.abs(self.at_um - self.best.at_um) > apart_um
        return not elsewhere.any() or self.best.significance > by * float(self.significance[elsewhere].max())

    def _step(self, k: int) -> Step:
        return Step(float(self.at_um[k]), float(self.height[k]), float(self.significance[k]))


def step_curve(s_um: Array, value: Array, *, degree: int) -> StepCurve | None:
    """Fit a step at every place along the edge, together with a drift; None for too short an edge.

    Places that the best step and drift leave far off (where the trace has jumped to another line) are left out, and
    the steps are fitted again.

    Parameters
    ----------
    s_um, value : ndarray, shape (S,)
        NaN is left out.
    degree : int
        Power up to which a drift is fitted along with the step.

    Returns
    -------
    StepCurve or None
    """
    s, v = _blocks(s_um, value)
    if len(s) < LEAST_BLOCKS:
        return None
    curve = _steps(s, v, degree)
    for _ in range(STRAY_ROUNDS):
        rest = v - np.where(s > curve.best.at_um, curve.best.height, 0.0)
        base = np.vander((s - s.mean()) / np.ptp(s), degree + 1)
        rest = rest - base @ np.linalg.lstsq(base, rest, rcond=None)[0]
        stray = np.abs(rest) > STRAY * scatter(rest, about=0.0) + 1e-9
        if not stray.any() or stray.mean() > MOST_STRAY or (~stray).sum() < LEAST_BLOCKS:
            break
        s, v = s[~stray], v[~stray]
        curve = _steps(s, v, degree)
    return curve


def _steps(s: Array, v: Array, degree: int) -> StepCurve:
    n = len(s)
    base = np.vander((s - s.mean()) / np.ptp(s), degree + 1)
    q, _ = np.linalg.qr(base)
    heaviside = np.triu(np.ones((n, n)))[4 : n - 3]  # row k: 1 from block k on
    clear = heaviside - (heaviside @ q) @ q.T
    rest = v - q @ (q.T @ v)
    energy = (clear**2).sum(axis=1)
    height = clear @ rest / energy
    residual = float((rest**2).sum()) - height**2 * energy
    together = max(1.0, CORRELATION_UM / float(np.median(np.diff(s))))
    u_height = np.sqrt(np.maximum(residual, 1e-18) / max(n - degree - 2, 1) * together / energy)
    return StepCurve(0.5 * (s[3 : n - 4] + s[4 : n - 3]), height, np.abs(height) / u_height)


def half_change(s_um: Array, value: Array, step: Step, *, degree: int) -> tuple[float, float] | None:
    """Where half of the change from unused to used is reached, near a step.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    value : ndarray, shape (S,)
        A sign of wear; NaN where it could not be read.
    step : Step
    degree : int
        Power up to which a drift is fitted along.

    Returns
    -------
    (float, float) or None
        Position and standard uncertainty, µm. The level of each side is taken beside the step, since wear
        wanders along the edge.
    """
    level = _unused_line(s_um, value, step, degree)
    near = np.abs(s_um - step.at_um) < NEAR_UM
    use = near & np.isfinite(value)
    if use.sum() < LEAST_COLUMNS:
        return None
    # a falling step is the mirror of a rising one: measured from the unused side both rise inward
    side = _used_direction(step)
    x, y = side * (s_um[use] - step.at_um), (value - level)[use]
    rise = _fit_rise(x, y, step.height * side)
    jacobian = np.asarray(rise.jac, np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(1.0, 2.0 * rise.cost / max(len(x) - 4, 1))
    # neighbouring columns share their window and their blur: the formal covariance is too small
    u_noise = 2.0 * float(np.sqrt(covariance[0, 0]))
    # wear wanders, which shifts the place where half is reached by the wandering over the slope there
    at, height, width, _ = rise.x.tolist()
    per_window = max(1, round(WANDER_UM / (s_um[1] - s_um[0])))
    wandering = uniform_filter1d(y - _rising(x, *rise.x), per_window, mode="nearest")
    u_wander = float(np.std(wandering)) * 4.0 * width / max(abs(height), 1e-9)
    u = float(np.sqrt(u_noise**2 + u_wander**2 + (U_OF_WIDTH * width) ** 2 + LEAST_U_PLACE_UM**2))
    return step.at_um + side * at, u if np.isfinite(u) else U_UNKNOWN_UM


def _rising(x: Array, at: float, height: float, width: float, base: float) -> Array:
    return np.asarray(base + height / (1.0 + np.exp(-(x - at) / width)))


def _fit_rise(x: Array, y: Array, height: float) -> OptimizeResult:
    """Place, height, width and base of a rise, by a loss that forgives places where the trace has jumped away."""
    noise = scatter(np.diff(y), about=0.0) / np.sqrt(2.0) + LEAST_OF_HEIGHT * abs(height) + 1e-6
    ends = zip((-1, 1), WIDTHS_UM, strict=True)
    lower, upper = ([end * AT_UM, end * np.inf, width, end * np.inf] for end, width in ends)

    def misfit(parameters: Array) -> Array:
        return np.asarray((_rising(x, *parameters) - y) / noise)

    def slopes(parameters: Array) -> Array:
        at, height, width, _ = parameters.tolist()
        share = _rising(x, at, 1.0, width, 0.0)
        steep = height * share * (1.0 - share) / width
        return np.asarray(
            np.column_stack([-steep, share, -steep * (x - at) / width, np.ones(len(x))]) / noise
        )

    return least_squares(
        misfit,
        np.array([0.0, height, USUAL_WIDTH_UM, 0.0]),
        slopes,
        bounds=(lower, upper),
        loss="soft_l1",
        f_scale=2.0,
        ftol=HALF_TOLERANCE,
        xtol=HALF_TOLERANCE,
        max_nfev=400,
    )


def _used_direction(step: Step) -> float:
    return 1.0 if step.height > 0 else -1.0


def _unused_line(s_um: Array, value: Array, step: Step, degree: int) -> Array:
    """The level of the unused side, drawn on under the used one."""
    unused = (s_um - step.at_um) * _used_direction(step) < -UNUSED_FROM_UM
    return drawn_on(s_um, np.where(unused, value, np.nan), degree=degree)[0]


def drawn_on(s_um: Array, value: Array, *, degree: int = 1) -> tuple[Array, Array]:
    """Robust line (or low polynomial) through part of a trace, drawn on over all of it.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    value : ndarray, shape (S,)
        NaN where it is not to be fitted.
    degree : int
        Power up to which a drift is fitted along.

    Returns
    -------
    line : ndarray, shape (S,)
    errors : ndarray, shape (S, degree + 1)
        Its errors, each column independent of the others and of standard uncertainty 1, so that a mean over some
        places has the norm of the mean over their rows; residuals correlated over `CORRELATION_UM` / 3.
    """
    use = np.isfinite(value)
    if use.sum() < 10:
        return np.full(len(s_um), np.nan), np.full((len(s_um), degree + 1), np.nan)
    middle = float(s_um[use].mean())
    x = (s_um - middle) / max(float(np.ptp(s_um[use])), 1.0)
    base = np.vander(x, degree + 1)
    for _ in range(4):
        solution = np.linalg.lstsq(base[use], value[use], rcond=None)[0]
        residual = value - base @ solution
        scale = scatter(residual[use], about=0.0) + 1e-9
        use = np.isfinite(value) & (np.abs(residual) < OFF_LINE * scale)
    sd = float(np.sqrt(np.mean(residual[use] ** 2)))
    independent = independent_lengths(int(use.sum()), s_um)
    inverse = np.linalg.inv(base[use].T @ base[use]) * use.sum() / independent
    return base @ solution, sd * base @ np.linalg.cholesky(inverse)


def independent_lengths(columns: int, s_um: Array) -> float:
    """How many independent lengths of edge so many columns of a strip are, for the scatter of a trace.

    Parameters
    ----------
    columns : int
    s_um : ndarray, shape (S,)

    Returns
    -------
    float
    """
    return max(3.0, columns * float(s_um[1] - s_um[0]) / (CORRELATION_UM / 3.0))


def _blocks(s_um: Array, value: Array) -> tuple[Array, Array]:
    """Medians over short blocks: robust, and quick to search."""
    per = max(1, round(BLOCK_UM / float(s_um[1] - s_um[0])))
    n = len(s_um) // per
    if n == 0:
        return np.empty(0), np.empty(0)
    s = s_um[: n * per].reshape(n, per).mean(axis=1)
    cells = value[: n * per].reshape(n, per)
    enough = np.isfinite(cells).sum(axis=1) >= max(1, per // 2)
    return s[enough], median_of_seen(cells[enough])
