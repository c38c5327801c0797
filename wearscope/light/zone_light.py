"""Recession and edge radius: the model of the light fitted to the used and to the unused zone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.clipping import NEARLY_CLIPPED
from wearscope.light.edge_light import LightFit, fit_light
from wearscope.light.known import LightPrior, WedgeTie
from wearscope.light.strip import Strip
from wearscope.metrology.uncertainty import Budget, Input, linear

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Background = Literal["dark", "bright", "mixed"]

BROAD_RING_ANGLE = (np.radians(42.0), np.radians(12.0))  # common ring lamps; common practice, no source
ROUGHNESS = (0.15, 0.05)  # ground carbide and its coatings, root-mean-square slope; no source
BLUR_PX = (1.2, 0.7)
MODEL_ERROR = 0.014  # of the light, by which the model misses photographs of known edges
MODEL_FLOOR = 0.004  # of the light's range, the same for the darkest part
MISPLACED_UM = 0.5  # by which it misplaces a steep flank
WORN_BLUR = 0.3  # by which a worn zone's blur may differ from the unused zone's, as a share of it
SOFT = 2.2  # times the expected blur, from which a photo is plainly not in focus
# Share of the blur that no fit resolves, from photographs of known edges: of the silhouette and of the radius. Before
# an uneven background the radius follows from the silhouette.
UNRESOLVED = {"dark": (0.05, 0.15), "bright": (0.05, 0.15), "mixed": (0.35, 0.0)}
# Standard uncertainties by which the light may contradict the wedge: 2.0 were seen on photographs of circular edges
# before a plain background; before an uneven one, which the edge mirrors, 3.6 are not rare.
MOST_STRAIN = {"dark": 2.5, "bright": 2.5, "mixed": 4.0}
ACROSS_UM = (-110.0, 240.0)  # depths that a mean over columns needs
# What is fitted: so far outside the expected silhouette, and inside beyond the arc; chosen, no source
OUTSIDE_UM, OUTSIDE_BLURS, INSIDE_UM, INSIDE_RADII = 25.0, 5.0, 50.0, 1.25
USUAL_FACTOR = 0.7  # recession per radius to start from where the wedge gives none: that of about 61°
U_LINE_UM = 8.0  # how well the eye of the program sees the bright line, besides the blur; chosen, no source
# the same, and of the radius, of an edge without datum; chosen
U_UNMOVED_LINE_UM, U_UNMOVED_RADIUS_UM = 30.0, 15.0
# of the arc's colour: it may be bare where worn; chosen, no source
U_LOG_TINT, U_LOG_TINT_UNUSED = 0.25, 0.03
LEAST_SAMPLES = 12  # across the edge
LEAST_COLUMNS = 24
LEAST_COLOUR_CHANGE = 0.1  # log ratio, by which bare carbide and coating must differ
FACE_COLOUR_UM = (30.0, 90.0)  # beyond the arc, where the face shows the coating's own colour


class EdgeOutOfFrameError(Exception):
    """The frame does not show enough of what lies on both sides of the edge."""


@dataclass(frozen=True)
class Lighting:
    """What is known of the light.

    Attributes
    ----------
    ring_angle, u_ring_angle : float
        Of the lamp ring, from the view axis, radians.
    stated : bool
        Whether the trial file gave it.
    background : {"dark", "bright", "mixed"}
        What lies behind the edge; "mixed" is uneven.
    """

    ring_angle: float = BROAD_RING_ANGLE[0]
    u_ring_angle: float = BROAD_RING_ANGLE[1]
    stated: bool = False
    background: Background = "dark"


@dataclass(frozen=True)
class MeanLight:
    """Light across an edge averaged over many columns, each shifted along with the trace.

    Attributes
    ----------
    d_um : ndarray, shape (D,)
    light, u_light : ndarray, shape (D, 3)
        Linear light and its standard uncertainty, what the model is known to miss included.
    columns : int
    """

    d_um: Array
    light: Array
    u_light: Array
    columns: int


def mean_light(strip: Strip, columns: Mask, follow_um: Array) -> MeanLight:
    """Average the columns of a zone.

    Parameters
    ----------
    strip : Strip
    columns : ndarray of bool, shape (S,)
    follow_um : ndarray, shape (S,)
        By how much each column lies deeper than the mean one; taken out before averaging, so that wandering
        wear does not blur the mean.

    Returns
    -------
    MeanLight

    Raises
    ------
    EdgeOutOfFrameError
        Most columns leave the frame too near the edge.
    """
    step_um = float(strip.d_um[1] - strip.d_um[0])
    at = np.flatnonzero(columns)
    follow_um = follow_um[at]
    strip = strip.between(ACROSS_UM[0] + follow_um.min() - 9.0, ACROSS_UM[1] + follow_um.max() + 9.0)
    wanted = np.flatnonzero((strip.d_um > ACROSS_UM[0]) & (strip.d_um < ACROSS_UM[1]))
    rows = wanted[:, None] + follow_um / step_um
    moved = cv2.remap(
        np.ascontiguousarray(strip.light[:, at]),
        np.broadcast_to(np.arange(len(at), dtype=np.float32), rows.shape).astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    moved[(rows < 0) | (rows > len(strip.d_um) - 1)] = np.nan
    seen = np.isfinite(moved[..., 0]).sum(axis=1)
    known = seen > 0.6 * len(at)
    if known.sum() < LEAST_SAMPLES:
        raise EdgeOutOfFrameError(f"only {known.sum()} samples across the edge are seen in most columns")
    moved = moved[known]
    light = _mean_along(moved)
    # column-to-column differences hold the noise and leave out slow changes of light; every third tells it
    change = moved[:, 1::3] - moved[:, :-1:3]
    noise = np.sqrt(0.5 * _mean_along(change * change))
    u_mean = 1.5 * np.maximum(noise, 1e-4) / np.sqrt(seen[known])[:, None]
    misplaced = MISPLACED_UM * np.abs(np.gradient(light, step_um, axis=0))
    floor = MODEL_FLOOR * float(np.ptp(light))
    u_light = np.sqrt(u_mean**2 + (MODEL_ERROR * light) ** 2 + floor**2 + misplaced**2)
    # where pixels are burnt out the mean says only "bright"
    bright = cv2.reduce((moved >= NEARLY_CLIPPED).view(np.uint8), 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[:, 0]
    burnt = bright > 0.01 * seen[known][:, None]
    u_light[burnt] = 0.5
    return MeanLight(strip.d_um[wanted][known], light, u_light, len(at))


def _mean_along(values: NDArray[np.float32]) -> Array:
    """Mean of each row and channel over the columns that are seen, shape (D, 3) for values of shape (D, S, 3)."""
    unseen = np.isnan(values[..., 0])
    total = cv2.reduce(
        np.where(unseen[..., None], np.float32(0.0), values), 1, cv2.REDUCE_SUM, dtype=cv2.CV_64F
    )
    return np.asarray(total[:, 0] / np.maximum((~unseen).sum(axis=1), 1)[:, None])


def fit_unused(
    mean: MeanLight, lighting: Lighting, radius_um: tuple[float, float], um_per_px: float
) -> LightFit:
    """Silhouette, radius and blur of an edge that has not cut, its trace at d = 0.

    Parameters
    ----------
    mean : MeanLight
    lighting : Lighting
    radius_um : (float, float)
        What is known of the radius, and its standard uncertainty.
    um_per_px : float

    Returns
    -------
    LightFit
    """
    blur_um = BLUR_PX[0] * um_per_px
    use = (mean.d_um > -6.0 * blur_um - 25.0) & (mean.d_um < 60.0)
    prior = LightPrior(
        line_um=(0.6 * radius_um[0], U_LINE_UM + blur_um),
        radius_um=radius_um,
        ring_angle=(lighting.ring_angle, lighting.u_ring_angle),
        roughness=ROUGHNESS,
        blur_um=(blur_um, BLUR_PX[1] * um_per_px),
        tint=mean.light[use][-4:].mean(axis=0),
        u_log_tint=U_LOG_TINT_UNUSED,
        zone="unused",
        radius_known=True,
    )
    light, mixed = (
        (mean.d_um[use], mean.light[use], mean.u_light[use]),
        lighting.background == "mixed",
    )
    fit = fit_light(*light, prior, mixed=mixed, ask_rounding=True)
    if fit.blur_um > SOFT * blur_um:
        # plainly out of focus: the blur is not what was expected, and must not be held to it; nor let go, for before
        # a dark background roughness and radius would take its place
        prior = replace(prior, blur_um=(fit.blur_um, 0.5 * fit.blur_um))
        fit = fit_light(*light, prior, mixed=mixed, ask_rounding=True)
    return fit


def fit_used(
    mean: MeanLight,
    trace_um: float,
    unused: LightFit,
    lighting: Lighting,
    factor: Budget | None,
    datum: Input | None,
    *,
    coated: bool = False,
) -> LightFit | None:
    """Silhouette and radius of a worn edge.

    Parameters
    ----------
    mean : MeanLight
    trace_um : float
        Mean depth of the trace in this zone.
    unused : LightFit
        Of the unused edge in the same photo, or of the new-state photo.
    lighting : Lighting
    factor : Budget or None
        Ties silhouette to radius; None where the wedge angle does not allow it.
    datum : Input or None
        How far the new-state line drawn on to this zone may be off, µm; None where there is no unused zone, so that
        depths in this light are not from the unused edge.
    coated : bool
        Whether the coating may end on it: then the light changes there.

    Returns
    -------
    LightFit or None
        None where the light was not read where that edge would be.
    """
    image_um = _lamp_image_um(mean, trace_um)
    guess = _guess(trace_um if image_um is None else image_um, unused, lighting, factor)
    blur_um, end_um = unused.blur_um, guess.silhouette_um + guess.radius_um
    use = (mean.d_um > guess.silhouette_um - OUTSIDE_UM - OUTSIDE_BLURS * blur_um) & (
        mean.d_um < guess.silhouette_um + INSIDE_RADII * guess.radius_um + INSIDE_UM
    )
    if use.sum() < LEAST_SAMPLES:
        return None
    tie = None
    if factor is not None and datum is not None:
        drawn_on = linear(unused.silhouette_um, [(1.0, unused.silhouette), (1.0, datum)])
        tie = WedgeTie(drawn_on, unused.radius, factor)
    # an edge shows its own colour from the lamp's image inward, seen as a line or blurred with the rest of the arc
    blurred = datum is not None and blur_um < guess.line_um - guess.silhouette_um < 2.0 * blur_um
    shows_colour = image_um is not None or blurred
    coat = _coated_share(mean, guess.line_um, end_um) if coated and shows_colour else None
    prior, starts = _prior_of_used(mean, guess, unused, lighting, trace_um if datum is None else None)
    fit = fit_light(
        mean.d_um[use],
        mean.light[use],
        mean.u_light[use],
        prior,
        starts=starts,
        coat=None if coat is None else coat[use],
        mixed=lighting.background == "mixed",
        tie=tie,
    )
    strained = abs(fit.strain) > MOST_STRAIN[lighting.background]
    return replace(_with_contradiction(fit), lamp_seen=image_um is not None, strained=strained)


@dataclass(frozen=True)
class _Guess:
    """A worn edge as the distance between the lamp's image and the unused edge alone says."""

    line_um: float
    radius_um: float
    silhouette_um: float
    lever: float


def _guess(line_um: float, unused: LightFit, lighting: Lighting, factor: Budget | None) -> _Guess:
    ratio = factor.value if factor is not None else USUAL_FACTOR
    lever = float(1.0 - np.sin(lighting.ring_angle / 2.0))
    moved_um = line_um - unused.silhouette_um + unused.radius_um * ratio
    radius_um = max(unused.radius_um, moved_um / (ratio + lever))
    return _Guess(line_um, radius_um, line_um - lever * radius_um, lever)


def _prior_of_used(
    mean: MeanLight, guess: _Guess, unused: LightFit, lighting: Lighting, unmoved_um: float | None
) -> tuple[LightPrior, list[tuple[float, float]]]:
    """What is known of a worn edge beforehand, and where to start from.

    `unmoved_um` is its trace where nothing says that this edge has moved, so that it may well be as new.
    """
    line_um, radius_um, blur_um = guess.line_um, guess.radius_um, unused.blur_um
    if unmoved_um is None:
        starts = [(line_um, 0.7 * radius_um), (line_um, 1.4 * radius_um)]
        line, radius = (line_um, U_LINE_UM + blur_um), (radius_um, 0.4 * radius_um + 2.0)
    else:
        starts = [(line_um, radius_um), (line_um, 2.0 * unused.radius_um)]
        line = (unmoved_um + guess.lever * unused.radius_um, U_UNMOVED_LINE_UM + blur_um)
        radius = (unused.radius_um, U_UNMOVED_RADIUS_UM)
    prior = LightPrior(
        line_um=line,
        radius_um=radius,
        ring_angle=(lighting.ring_angle, lighting.u_ring_angle),
        roughness=ROUGHNESS,
        blur_um=(blur_um, WORN_BLUR * blur_um),
        tint=_arc_tint(mean, line_um, guess.silhouette_um + radius_um + blur_um),
        u_log_tint=U_LOG_TINT,
    )
    return prior, starts


def over_windows(fits: Sequence[LightFit], columns: Sequence[int]) -> LightFit:
    """Several fits along one zone as one: their mean, as sure as the typical one of them, and their scatter besides.

    What the trial file states and what the light may hide is common to all, so that a mean is no surer of it.

    Parameters
    ----------
    fits : sequence of LightFit
    columns : sequence of int
        How many columns each stands for.

    Returns
    -------
    LightFit
    """
    if len(fits) == 1:
        return fits[0]
    share = np.array(columns, float) / sum(columns)
    typical = sorted(fits, key=lambda fit: fit.u_silhouette_um)[len(fits) // 2]
    silhouettes, radii = (
        np.array([getattr(fit, name) for fit in fits]) for name in ("silhouette_um", "radius_um")
    )
    strain = float(np.median([fit.strain for fit in fits]))

    def mean(values: Array, budget: Budget, result: str) -> Budget:
        value = float(share @ values)
        u = float(np.sqrt(share @ (values - value) ** 2 / (len(fits) - 1)))
        scatter = Input("scatter along the edge", 0.0, u, len(fits) - 1, of=(result,))
        return linear(value, [(1.0, budget), (1.0, scatter)])

    return replace(
        typical,
        silhouette=mean(silhouettes, typical.silhouette, "silhouette"),
        radius=mean(radii, typical.radius, "radius"),
        bright_line_um=float(share @ [fit.bright_line_um for fit in fits]),
        lamp_seen=float(share @ [fit.lamp_seen for fit in fits]) > 0.5,
        strain=strain,
        strained=float(share @ [fit.strained for fit in fits]) > 0.5,
    )


def _with_contradiction(fit: LightFit) -> LightFit:
    """The fit with its uncertainties enlarged so far that what it rests on agrees.

    Light and wedge are two accounts of one edge. Where they differ by more than their uncertainties, these are
    multiplied by the ratio (R. T. Birge, "The calculation of errors by the method of least squares", Physical Review
    40, 1932, from memory), here as an input of its own, so that a budget names it.
    """
    if abs(fit.strain) <= 1.0:
        return fit
    share = np.sqrt(fit.strain**2 - 1.0)
    silhouette, radius = (
        Input("light against wedge", 0.0, float(share * budget.u), of=(result,))
        for result, budget in (("silhouette", fit.silhouette), ("radius", fit.radius))
    )
    together = {(silhouette.name, radius.name): fit.correlation}
    return replace(
        fit,
        silhouette=linear(
            fit.silhouette_um, [(1.0, fit.silhouette), (1.0, silhouette), (0.0, radius)], together
        ),
        radius=linear(fit.radius_um, [(1.0, fit.radius), (0.0, silhouette), (1.0, radius)], together),
    )


def with_unresolved(fit: LightFit, lighting: Lighting, zone: str = "unused") -> LightFit:
    """The fit with the standard uncertainties that its results deserve, model error included.

    Parameters
    ----------
    fit : LightFit
    lighting : Lighting
    zone : str
        Which edge it is.

    Returns
    -------
    LightFit
    """
    share, of_radius = UNRESOLVED[lighting.background]
    if lighting.background == "mixed":
        # it is read from the distance between silhouette and lamp's image, r (1 - sin(θ/2))
        of_radius = share / (1.0 - np.sin(fit.ring_angle / 2.0))
    silhouette, radius = (
        Input("what the blur hides", 0.0, float(each * fit.blur_um), of=(f"{zone}, {result}",))
        for result, each in (("silhouette", share), ("radius", of_radius))
    )
    return replace(
        fit,
        silhouette=linear(fit.silhouette_um, [(1.0, fit.silhouette), (1.0, silhouette)]),
        radius=linear(fit.radius_um, [(1.0, fit.radius), (1.0, radius)]),
    )


def _lamp_image_um(mean: MeanLight, trace_um: float) -> float | None:
    """Where the lamp's image is: the most prominent bright line a little inside the trace, if there is one."""
    from scipy.signal import find_peaks  # here, for it takes 0.3 s and not every process measures

    level = mean.light.sum(axis=1)
    peaks, shape = find_peaks(level, prominence=0.02 * float(np.ptp(level)))
    near = (mean.d_um[peaks] > trace_um - 4.0) & (mean.d_um[peaks] < trace_um + 70.0)
    if not near.any():
        return None
    k = int(peaks[near][np.argmax(shape["prominences"][near])])
    bend = level[k - 1] - 2.0 * level[k] + level[k + 1]
    shift = 0.5 * (level[k - 1] - level[k + 1]) / bend if bend < 0 else 0.0
    return float(mean.d_um[k] + shift * (mean.d_um[1] - mean.d_um[0]))


def _coated_share(mean: MeanLight, from_um: float, arc_end_um: float) -> Array | None:
    """How much of the edge is coated at each depth, as its colour says; None where that does not change inside.

    Parameters
    ----------
    mean : MeanLight
    from_um : float
        Depth from which on the edge shows its own colour.
    arc_end_um : float
        Where the face begins.

    Returns
    -------
    ndarray, shape (D,), or None
    """
    d_um = mean.d_um
    logs = np.log(np.maximum(mean.light, 1e-3))
    colour = logs[:, [0, 2]] - logs[:, 1:2]
    face = (d_um > arc_end_um + FACE_COLOUR_UM[0]) & (d_um < arc_end_um + FACE_COLOUR_UM[1])
    inside = (d_um >= from_um) & (d_um < arc_end_um + FACE_COLOUR_UM[0])
    if face.sum() < 3 or inside.sum() < 2:
        return None
    coated = np.median(colour[face], axis=0)
    bare = colour[inside][0]
    change = coated - bare
    if np.hypot(*change) < LEAST_COLOUR_CHANGE:
        return None
    share = np.clip((colour - bare) @ change / float(change @ change), 0.0, 1.0)
    share[d_um < from_um] = 0.0
    share[d_um > arc_end_um + FACE_COLOUR_UM[0]] = 1.0
    return np.asarray(share)


def _arc_tint(mean: MeanLight, line_um: float, beyond_um: float) -> Array:
    """A first guess of the light of the arc's own material facing the camera.

    The arc may be bare where the face is not, so its colour is that of the lamp's image, unless that is burnt
    out; its level is that of the face just beyond the arc.
    """
    beside = (mean.d_um > beyond_um) & (mean.d_um < beyond_um + 15.0)
    if not beside.any():
        beside = mean.d_um >= mean.d_um[-4]
    level = mean.light[beside].mean(axis=0)
    image = mean.light[int(np.argmin(np.abs(mean.d_um - line_um)))]
    if image.max() > 0.9:
        return np.asarray(level)
    return np.asarray(image / image.mean() * level.mean())
