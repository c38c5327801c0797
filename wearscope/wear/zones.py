"""Find the depth-of-cut transition from several signs, and say which side of it is used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.optimize import least_squares
from skimage.measure import label, regionprops

from wearscope.light.strip import NEITHER, UNUSED, USED, median_of_seen
from wearscope.metrology.robust import scatter

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

GUARD_UM = 300.0  # left out on each side of the transition
END_SHARE = 0.025  # left out at each end of the visible edge
BLOCK_UM = 35.0
LEAST_U_PLACE_UM = 15.0  # what photographs of known transitions show beyond that, wear being no clean step
WANDER_UM = 60.0  # along the edge, over which noise is averaged out and the wandering of wear is left
STRAY, MOST_STRAY, STRAY_ROUNDS = 5.0, 0.06, 3  # standard deviations of a stray place, and how many may be
CORRELATION_UM = 300.0  # along-edge length over which wear wanders; independent samples are this far apart
CHIP_LONGEST_UM = 400.0
HALF_TOLERANCE = 1e-5  # of the fit for it: a small part of a micron, where the place is known to ten or more
LEAST_OF_ONE = 2.5  # standard uncertainties by which one sign must change where all together do
HAND_U_UM = 30.0  # how well a person sets the transition; common practice, no source
SHORTEST_ZONE_UM = 250.0  # beyond the guard; less is not a zone to average over


@dataclass(frozen=True)
class Sign:
    """Something measured along the edge that wear changes.

    Attributes
    ----------
    name : str
        A word for `method`.
    value : ndarray, shape (S,)
        NaN where it could not be read.
    degree : int
        Power up to which it may also drift along the edge (an edge line does, by its direction and bend).
    rises : bool
        Whether wear can only raise it, so that it tells which side is used.
    smallest : float
        Least step that counts, however little the sign scatters.
    u_place_um : float
        How far from the transition this sign may begin, as a standard uncertainty.
    """

    name: str
    value: Array
    degree: int
    rises: bool
    smallest: float
    u_place_um: float


@dataclass(frozen=True)
class Step:
    """The best single step in one sign."""

    at_um: float
    height: float
    significance: float


@dataclass(frozen=True)
class Transition:
    """Where unused turns into used.

    Attributes
    ----------
    at_um, u_at_um : float
        Along the strip, and standard uncertainty.
    used_side : int
        +1 when the used zone lies at larger s, -1 when at smaller.
    signs : tuple of str
        The signs that show it.
    """

    at_um: float
    u_at_um: float
    used_side: int
    signs: tuple[str, ...]


def chip_mask(
    s_um: Array, offset_um: Array, shallowest_um: float
) -> tuple[Mask, tuple[tuple[float, float], ...]]:
    """Local notches in the edge line.

    Parameters
    ----------
    s_um, offset_um : ndarray, shape (S,)
        Distance along the edge and depth of the edge line, NaN where not seen.
    shallowest_um : float
        Least depth below the edge line beside it that counts as a chip.

    Returns
    -------
    mask : ndarray of bool, shape (S,)
    chips : tuple of (float, float)
        Start and end of each along the edge, µm.
    """
    step_um = float(s_um[1] - s_um[0])
    filled = _filled(offset_um)
    width = max(3, round(2.0 * CHIP_LONGEST_UM / step_um) | 1)
    beside = median_filter(filled, size=width, mode="nearest")
    deep = filled - beside > shallowest_um
    chips: list[tuple[float, float]] = []
    mask = np.zeros(len(s_um), bool)
    margin = max(1, round(20.0 / step_um))
    for first, last in runs(deep):
        if (last - first + 1) * step_um <= CHIP_LONGEST_UM:
            chips.append((float(s_um[first]), float(s_um[last])))
            mask[max(0, first - margin) : last + margin + 1] = True
    return mask, tuple(chips)


def find_transition(
    s_um: Array, signs: Sequence[Sign], masked: Mask, *, used_side: int | None = None, least: float = 6.0
) -> Transition | None:
    """The depth-of-cut transition, or None when no sign shows one.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    signs : sequence of Sign
        Most trusted first.
    masked : ndarray of bool, shape (S,)
        Places (chips) to leave out.
    used_side : int, optional
        Stated by the person; signs that say otherwise are left out.
    least : float
        How many standard uncertainties the signs together must have to count.
    """
    values = [np.where(masked, np.nan, sign.value) for sign in signs]
    curves = [step_curve(s_um, value, degree=sign.degree) for sign, value in zip(signs, values, strict=True)]
    usable = [
        curve is not None
        and not (sign.rises and used_side is not None and curve.best.height * used_side < 0.0)
        for sign, curve in zip(signs, curves, strict=True)
    ]
    # signs too weak to count alone count together where they agree on the place
    together = sum(
        (np.interp(s_um, curve.at_um, curve.significance**2, left=0.0, right=0.0))
        for curve, use in zip(curves, usable, strict=True)
        if curve is not None and use
    ) + np.zeros(len(s_um))
    if float(np.sqrt(together.max())) < least:
        return None
    place_um = float(s_um[int(np.argmax(together))])
    first = curves[0]
    if first is not None and usable[0] and first.best.significance >= least:
        # sure enough of itself, it need not give way to what may show something else
        place_um = first.best.at_um
    near: list[tuple[Sign, Step, tuple[float, float]]] = []
    for sign, value, curve, use in zip(signs, values, curves, usable, strict=True):
        step = curve.near(place_um, GUARD_UM / 2.0) if curve is not None and use else None
        if step is None or step.significance < LEAST_OF_ONE or abs(step.height) < sign.smallest:
            continue
        half = half_change(s_um, value, step, degree=sign.degree)
        # signs that change far from the common place show something else (a scratch, the end of the coating)
        if half is not None and abs(half[0] - place_um) < GUARD_UM:
            near.append((sign, step, half))
    if not near:
        return None
    used = used_side or _side(near)
    if used is None:
        return None
    at = np.array([place[0] for _, _, place in near])
    u = np.array([np.hypot(place[1], sign.u_place_um) for sign, _, place in near])
    weight = 1.0 / u**2
    mean = float((weight * at).sum() / weight.sum())
    spread = float(np.sqrt((weight * (at - mean) ** 2).sum() / weight.sum()))
    return Transition(
        mean, float(np.hypot(1.0 / np.sqrt(weight.sum()), spread)), used, tuple(i[0].name for i in near)
    )


def marked_transition(
    s_um: Array, signs: Sequence[Sign], masked: Mask, at_um: float, used_side: int | None
) -> Transition | None:
    """The transition where a person has set it, or None when nothing says which side of it is used.

    Parameters
    ----------
    s_um, signs, masked
        As of `find_transition`.
    at_um : float
        Where it was set.
    used_side : int or None
        Which side is used, if that was said; else the signs near the place decide.
    """
    shown = []
    for sign in signs:
        curve = step_curve(s_um, np.where(masked, np.nan, sign.value), degree=sign.degree)
        step = curve.near(at_um, GUARD_UM) if curve is not None and sign.rises else None
        if step is not None and step.significance >= LEAST_OF_ONE:
            shown.append((sign, step, (step.at_um, 0.0)))
    used = used_side or _side(shown)
    return None if used is None else Transition(at_um, HAND_U_UM, used, ())


def _side(shown: Sequence[tuple[Sign, Step, tuple[float, float]]]) -> int | None:
    votes = sum(np.sign(step.height) * min(step.significance, 50.0) for sign, step, _ in shown if sign.rises)
    return int(np.sign(votes)) or None


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
        """The most significant step near a place."""
        close = np.flatnonzero(np.abs(self.at_um - place_um) <= within_um)
        return self._step(int(close[np.argmax(self.significance[close])])) if len(close) else None

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
    """
    s, v = _blocks(s_um, value)
    if len(s) < 12:
        return None
    curve = _steps(s, v, degree)
    for _ in range(STRAY_ROUNDS):
        rest = v - np.where(s > curve.best.at_um, curve.best.height, 0.0)
        base = np.vander((s - s.mean()) / np.ptp(s), degree + 1)
        rest = rest - base @ np.linalg.lstsq(base, rest, rcond=None)[0]
        stray = np.abs(rest) > STRAY * scatter(rest, about=0.0) + 1e-9
        if not stray.any() or stray.mean() > MOST_STRAY or (~stray).sum() < 12:
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


def best_step(s_um: Array, value: Array, *, degree: int) -> Step | None:
    """The step, anywhere along the edge, that takes most of the variance away."""
    curve = step_curve(s_um, value, degree=degree)
    return None if curve is None else curve.best


def half_change(s_um: Array, value: Array, step: Step, *, degree: int) -> tuple[float, float] | None:
    """Where half of the change from unused to used is reached, near a step.

    Returns
    -------
    (float, float) or None
        Position and standard uncertainty, µm. The level of each side is taken beside the step, since wear
        wanders along the edge.
    """
    level = _unused_line(s_um, value, step, degree)
    near = np.abs(s_um - step.at_um) < 450.0
    use = near & np.isfinite(value)
    if use.sum() < 20:
        return None
    x, y = s_um[use] - step.at_um, (value - level)[use]
    # a falling step is the mirror of a rising one: measured from the unused side both rise inward
    side = _used_direction(step)

    def model(x: Array, at: float, height: float, width: float, base: float) -> Array:
        return np.asarray(base + height / (1.0 + np.exp(-side * (x - at) / width)))

    noise = scatter(np.diff(y), about=0.0) / np.sqrt(2.0) + 0.02 * abs(step.height) + 1e-6
    start = np.array([0.0, step.height * side, 25.0, 0.0])
    lower, upper = [-400.0, -np.inf, 4.0, -np.inf], [400.0, np.inf, 150.0, np.inf]

    def misfit(parameters: Array) -> Array:
        return np.asarray((model(x, *parameters) - y) / noise)

    def slopes(parameters: Array) -> Array:
        at, height, width, _ = parameters.tolist()
        share = model(x, at, 1.0, width, 0.0)
        steep = side * height * share * (1.0 - share) / width
        return np.asarray(
            np.column_stack([-steep, share, -steep * (x - at) / width, np.ones(len(x))]) / noise
        )

    # a loss that forgives places where the trace has jumped to another line
    result = least_squares(
        misfit,
        start,
        slopes,
        bounds=(lower, upper),
        loss="soft_l1",
        f_scale=2.0,
        ftol=HALF_TOLERANCE,
        xtol=HALF_TOLERANCE,
        max_nfev=400,
    )
    jacobian = np.asarray(result.jac, np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(1.0, 2.0 * result.cost / max(len(x) - 4, 1))
    # neighbouring columns share their window and their blur: the formal covariance is too small
    u_noise = 2.0 * float(np.sqrt(covariance[0, 0]))
    # wear wanders, which shifts the place where half is reached by the wandering over the slope there
    _, height, width, _ = result.x
    wandering = uniform_filter1d(
        y - model(x, *result.x), max(1, round(WANDER_UM / (s_um[1] - s_um[0]))), mode="nearest"
    )
    u_wander = float(np.std(wandering)) * 4.0 * width / max(abs(height), 1e-9)
    u = float(np.sqrt(u_noise**2 + u_wander**2 + (0.2 * width) ** 2 + LEAST_U_PLACE_UM**2))
    return float(step.at_um + result.x[0]), u if np.isfinite(u) else 100.0


def _used_direction(step: Step) -> float:
    return 1.0 if step.height > 0 else -1.0


def _unused_line(s_um: Array, value: Array, step: Step, degree: int) -> Array:
    """The level of the unused side, drawn on under the used one."""
    unused = (s_um - step.at_um) * _used_direction(step) < -120.0
    return drawn_on(s_um, np.where(unused, value, np.nan), degree=degree)[0]


def drawn_on(s_um: Array, value: Array, *, degree: int = 1) -> tuple[Array, Array]:
    """Robust line (or low polynomial) through part of a trace, drawn on over all of it.

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
        use = np.isfinite(value) & (np.abs(residual) < 3.5 * scale)
    sd = float(np.sqrt(np.mean(residual[use] ** 2)))
    independent = independent_lengths(int(use.sum()), s_um)
    inverse = np.linalg.inv(base[use].T @ base[use]) * use.sum() / independent
    return base @ solution, sd * base @ np.linalg.cholesky(inverse)


def independent_lengths(columns: int, s_um: Array) -> float:
    """How many independent lengths of edge so many columns of a strip are, for the scatter of a trace."""
    return max(3.0, columns * float(s_um[1] - s_um[0]) / (CORRELATION_UM / 3.0))


def zone_labels(
    s_um: Array,
    seen: Mask,
    masked: Mask,
    transition: Transition | None,
    whole: int,
    reach_um: float = np.inf,
) -> NDArray[np.int8]:
    """Which zone each column belongs to.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
    seen, masked : ndarray of bool, shape (S,)
        Where the edge is seen; where a chip is.
    transition : Transition or None
    whole : int
        Zone of the whole edge when there is no transition.
    reach_um : float
        How far beyond the guard the zones go at most.
    """
    labels = np.full(len(s_um), NEITHER, np.int8)
    visible = np.flatnonzero(seen)
    if len(visible) == 0:
        return labels
    first, last = s_um[visible[0]], s_um[visible[-1]]
    cut = END_SHARE * (last - first)
    inner = seen & ~masked & (s_um >= first + cut) & (s_um <= last - cut)
    if transition is None:
        labels[inner] = whole
        return labels
    beyond = (s_um - transition.at_um) * transition.used_side
    labels[inner & (beyond > GUARD_UM) & (beyond < GUARD_UM + reach_um)] = USED
    labels[inner & (beyond < -GUARD_UM) & (beyond > -GUARD_UM - reach_um)] = UNUSED
    return labels


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


def _filled(value: Array) -> Array:
    use = np.isfinite(value)
    if not use.any():
        return np.zeros_like(value)
    index = np.arange(len(value))
    return np.asarray(np.interp(index, index[use], value[use]))


def runs(mask: Mask) -> list[tuple[int, int]]:
    """Runs of what is true.

    Parameters
    ----------
    mask : ndarray of bool, shape (S,)

    Returns
    -------
    list of (int, int)
        First and last place of each.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [(0, 1), (3, 3)]
    """
    return [(region.bbox[1], region.bbox[3] - 1) for region in regionprops(label(mask[None]))]
