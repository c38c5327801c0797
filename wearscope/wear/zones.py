"""Find the depth-of-cut transition from several signs, and say which side of it is used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from skimage.measure import label, regionprops

from wearscope.light.strip import NEITHER, UNUSED, USED
from wearscope.wear.band_light import APART_UM, BandLight
from wearscope.wear.steps import Step, StepCurve, half_change, step_curve

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

GUARD_UM = 300.0  # left out on each side of the transition: design
END_SHARE = 0.025  # left out at each end of the visible edge: design
CHIP_LONGEST_UM = 400.0  # along the edge: a longer notch is wear; chosen, no source
BESIDE_CHIP_UM = 20.0  # along the edge, left out on each side of one; chosen, no source
SUREST = 50.0  # standard uncertainties, beyond which one sign has no more say about the side; chosen
LEAST_TOGETHER = (
    6.0  # standard uncertainties by which all signs together must change; chosen: many places are tried
)
LEAST_OF_ONE = 2.5  # standard uncertainties by which one sign must change where all together do; chosen
OUTVOTE = 3  # signs of the same place outvote the light of the band, which is one of their causes; chosen
MOST_U_PLACE_UM = 150.0  # half of the guard: a place known no better is none; chosen
# So many signs with their greatest change at one place, and so many times any elsewhere, need no light of the band
# besides: at least 1.2 on real and rendered edges with an end, 1.0 and 1.05 on an insert ragged all along
LEAST_AGREEING, LEADS = 2, 1.15
# root mean square on six flanks of end mills whose place no light of the band bears out: 7 to 238 um off
UNCONFIRMED_U_UM = 120.0
HAND_U_UM = 30.0  # how well a person sets the transition; common practice, no source
SHORTEST_ZONE_UM = 250.0  # beyond the guard; less is not a zone to average over; chosen


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
class Transition:
    """Where unused turns into used.

    Attributes
    ----------
    at_um, u_at_um : float
        Along the strip, and standard uncertainty.
    used_side : int
        +1 when the used zone lies at larger s, -1 when at smaller; 0 when nothing tells it, or signs contradict
        each other.
    signs : tuple of str
        The signs that show it.
    confirmed : bool
        Whether signs that would not do alone are borne out by the light of the band.
    """

    at_um: float
    u_at_um: float
    used_side: int
    signs: tuple[str, ...]
    confirmed: bool = True


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
    margin = max(1, round(BESIDE_CHIP_UM / step_um))
    for first, last in runs(deep):
        if (last - first + 1) * step_um <= CHIP_LONGEST_UM:
            chips.append((float(s_um[first]), float(s_um[last])))
            mask[max(0, first - margin) : last + margin + 1] = True
    return mask, tuple(chips)


def find_transition(
    s_um: Array,
    signs: Sequence[Sign],
    masked: Mask,
    *,
    used_side: int | None = None,
    band: BandLight | None = None,
    least: float = LEAST_TOGETHER,
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
    band : BandLight, optional
        Shows which side of a place is used, too.
    least : float
        How many standard uncertainties the signs together must have to count.

    Returns
    -------
    Transition or None
    """
    values = [np.where(masked, np.nan, sign.value) for sign in signs]
    curves = [step_curve(s_um, value, degree=sign.degree) for sign, value in zip(signs, values, strict=True)]
    usable = [
        curve is not None
        and not (sign.rises and used_side is not None and curve.best.height * used_side < 0.0)
        for sign, curve in zip(signs, curves, strict=True)
    ]
    place_um = _common_place_um(s_um, curves, usable, least)
    if place_um is None:
        return None
    near: list[tuple[Sign, Step, tuple[float, float]]] = []
    agreeing = 0
    for sign, value, curve, use in zip(signs, values, curves, usable, strict=True):
        if curve is None or not use:
            continue
        step = curve.near(place_um, GUARD_UM / 2.0)
        if step is None or step.significance < LEAST_OF_ONE or abs(step.height) < sign.smallest:
            continue
        half = half_change(s_um, value, step, degree=sign.degree)
        # signs that change far from the common place show something else (a scratch, the end of the coating)
        if half is not None and abs(half[0] - place_um) < GUARD_UM:
            near.append((sign, step, half))
            agreeing += step == curve.best and curve.leads(GUARD_UM, LEADS)
    if not near:
        return None
    at = np.array([place[0] for _, _, place in near])
    u = np.array([np.hypot(place[1], sign.u_place_um) for sign, _, place in near])
    weight = 1.0 / u**2
    mean = float((weight * at).sum() / weight.sum())
    spread = float(np.sqrt((weight * (at - mean) ** 2).sum() / weight.sum()))
    u_mean = float(np.hypot(1.0 / np.sqrt(weight.sum()), spread))
    if len(near) == 1 and near[0][0] is not signs[0]:
        u_mean = float(np.hypot(u_mean, _apart_um(band, mean, used_side) / np.sqrt(3.0)))
    if u_mean > MOST_U_PLACE_UM:
        return None
    names = tuple(sign.name for sign, *_ in near)
    used = used_side or _agreed_side(_side(near), band if len(near) < OUTVOTE else None, mean)
    edge_tells = near[0][0] is signs[0] and near[0][1].significance >= least
    if edge_tells or agreeing >= LEAST_AGREEING or band is None or _bears_out(band, mean, used_side):
        return Transition(mean, u_mean, used, names)
    return Transition(mean, float(np.hypot(u_mean, UNCONFIRMED_U_UM)), used, names, confirmed=False)


def _common_place_um(
    s_um: Array, curves: Sequence[StepCurve | None], usable: Sequence[bool], least: float
) -> float | None:
    """Where signs step most, together or the most trusted one alone; None where all of them are too weak."""
    # signs too weak to count alone count together where they agree on the place
    together = sum(
        (np.interp(s_um, curve.at_um, curve.significance**2, left=0.0, right=0.0))
        for curve, use in zip(curves, usable, strict=True)
        if curve is not None and use
    ) + np.zeros(len(s_um))
    if float(np.sqrt(together.max())) < least:
        return None
    first = curves[0]
    if first is not None and usable[0] and first.best.significance >= least:
        # sure enough of itself, it need not give way to what may show something else
        return first.best.at_um
    return float(s_um[int(np.argmax(together))])


def _bears_out(band: BandLight, at_um: float, used_side: int | None) -> bool:
    """Whether the light of the band ends near a place, too: where it does not, a bright line may end elsewhere."""
    end = band.end(used_side)
    return end is not None and abs(end[0] - at_um) < APART_UM


def _apart_um(band: BandLight | None, at_um: float, used_side: int | None) -> float:
    """How far from a place the light of the band ends, if that is near.

    A line of light along the edge begins where the edge mirrors the lamp, which need not be where contact ended: by
    itself it tells the place no better than so.
    """
    end = None if band is None else band.end(used_side)
    apart_um = 0.0 if end is None else abs(end[0] - at_um)
    return apart_um if apart_um < APART_UM else 0.0


def _agreed_side(voted: int | None, band: BandLight | None, at_um: float) -> int:
    """The used side by the signs that wear can only raise, and by the light of the band; 0 where they disagree."""
    if band is None:
        return voted or 0
    if voted:
        return 0 if band.leans_to(at_um) == -voted else voted
    return band.used_side(at_um) or 0


def marked_transition(
    s_um: Array,
    signs: Sequence[Sign],
    masked: Mask,
    at_um: float,
    used_side: int | None,
    band: BandLight | None = None,
) -> Transition:
    """The transition where a person has set it.

    Parameters
    ----------
    s_um, signs, masked
        As of `find_transition`.
    at_um : float
        Where it was set.
    used_side : int or None
        Which side is used, if that was said; else the signs near the place decide.
    band : BandLight, optional
        As of `find_transition`.

    Returns
    -------
    Transition
        With `used_side` 0 when nothing says which side is used.
    """
    shown = []
    for sign in signs:
        curve = step_curve(s_um, np.where(masked, np.nan, sign.value), degree=sign.degree)
        step = curve.near(at_um, GUARD_UM) if curve is not None and sign.rises else None
        if step is not None and step.significance >= LEAST_OF_ONE:
            shown.append((sign, step, (step.at_um, 0.0)))
    used = used_side or _agreed_side(_side(shown), band, at_um)
    return Transition(at_um, HAND_U_UM, used, ())


def _side(shown: Sequence[tuple[Sign, Step, tuple[float, float]]]) -> int | None:
    votes = sum(
        np.sign(step.height) * min(step.significance, SUREST) for sign, step, _ in shown if sign.rises
    )
    return int(np.sign(votes)) or None


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

    Returns
    -------
    ndarray of int8, shape (S,)
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
