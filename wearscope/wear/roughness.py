"""How ragged the edge line is: the rms of its short-wave wandering along the edge.

Nicks and a ragged edge make a ragged cut. What counts is the wandering between two wavelengths: what is longer is
wear and the form of the flute, what is shorter no camera at these scales shows. Chips and resin are left out; they
have rows and remarks of their own.

The noise of the camera and the marks on the face make the trace wander too. How much is read from the light itself,
outside the edge and inside it: sent along the edge through the same filters, and divided by the steepness of the
light at the trace, it is what the trace would show of a straight edge. It is taken off in quadrature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip, dark_unseen
from wearscope.metrology.findings import COVERAGE_95, Finding, detection_limit, found, refused
from wearscope.metrology.robust import scatter
from wearscope.metrology.uncertainty import Budget, Input, linear
from wearscope.quantities.quantity import Zone
from wearscope.quantities.reasons import Reason, reason
from wearscope.wear.measured import MeasuredStrip, scale_error
from wearscope.wear.trace import DEPARTURE, WINDOW_COLUMNS

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

ROUGHNESS_ROW = "edge_roughness"
# Wavelength halved: a usual cut-off of ISO 4288 (from memory); longer is the wandering of wear
LONGEST_UM = 250.0
SHORTEST_UM = 80.0  # wavelength halved: followed at 5 µm per px, the coarsest scale tested (derived)
# Standard deviation of the Gaussian that halves a wavelength, over that wavelength: ISO 16610-21 (from memory)
PER_WAVELENGTH = float(np.sqrt(np.log(2.0) / 2.0) / np.pi)
LEAST_LENGTH_UM = 500.0  # of edge that counts: twice the longest wave; chosen, no source
# Of the long filter, that must lie on seen edge, and of the edge, beside which light is seen; chosen, no source
LEAST_WEIGHT = 0.75
BEHIND_UM, FACE_UM = (-60.0, -25.0), (25.0, 60.0)  # from the trace: where noise is read; chosen, no source
PROFILE_UM = 40.0  # each side of the trace: where its light is averaged; chosen: beyond any rise
ROWS_BLURRED = 0.8  # across the edge, as the trace's light is
# pixels, by which the trace of an edge without any such waves wanders under its marks: rendered photographs of ground
# edges, tests/test_reference_photos.py; it may be anything up to that
MARKS_PX = 0.15
CLEAR = 5.0  # scatters of what lies behind, that the trace's threshold must be above it; chosen, no source
LEAST_STEEP = 3e-3  # change of light per µm, as a share: less is no edge; chosen, no source
SAMPLED = 400  # columns: their mean light needs no more
U_PER_WIDTH = float(1.0 / np.sqrt(12.0))  # of what lies anywhere between two ends, JCGM 100 4.3.7
U_FOLLOWS = (
    0.06  # share by which the trace follows waves more or less than it ought to: drawn edges (tests/wear)
)


@dataclass(frozen=True)
class Roughness:
    """The wandering of one zone's edge line between the two wavelengths.

    Attributes
    ----------
    seen_um : float
        Rms of the trace, noise and all.
    noise_um : float
        Rms that noise and marks alone would give.
    unsure_um : float
        Root of the standard uncertainty of the square of that: what lies at the trace may be as noisy as either side.
    dof : float
        Independent values in the wave: an rms of so many normal ones scatters as this does.
    """

    seen_um: float
    noise_um: float
    unsure_um: float
    dof: float

    @property
    def value_um(self) -> float:
        """Rms of the edge itself: noise taken off in quadrature."""
        return float(np.sqrt(max(self.seen_um**2 - self.noise_um**2, 0.0)))

    def u_square_um2(self, value_um: float) -> tuple[float, float]:
        """Standard uncertainty of the square of the edge's own rms.

        Parameters
        ----------
        value_um : float
            Its own rms.

        Returns
        -------
        (float, float)
            By the size of the noise, and by how it happens to fall on this edge, µm².
        """
        # a sum of squares of two independent waves of mean squares r² and n²: their product, and the second's square
        here = np.sqrt((4.0 * (value_um * self.noise_um) ** 2 + 2.0 * self.noise_um**4) / self.dof)
        return self.unsure_um**2, float(here)


def find_roughness(measured: MeasuredStrip, trace_um: Array) -> list[tuple[Zone, Roughness | Reason]]:
    """How ragged each zone's edge is.

    Parameters
    ----------
    measured : MeasuredStrip
    trace_um : ndarray, shape (S,)
        The trace as it was found column by column, from the new-state line: one that has been matched to its own mean
        no longer shows all it did. NaN where it is not seen.

    Returns
    -------
    list of (str, Roughness or Reason)
        By zone; why not, where too little of it is seen, or the photo is too coarse for the shorter wavelength.
    """
    fit = measured.fits.used or measured.fits.unused
    blur_um = fit.blur_um if fit is not None else 0.0
    return [
        (zone, zone_roughness(measured.strip, trace_um, measured.columns(zone), blur_um))
        for zone in measured.kept
    ]


def zone_roughness(strip: Strip, trace_um: Array, columns: Mask, blur_um: float) -> Roughness | Reason:
    """How ragged the edge is over some columns.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        NaN where it is not seen.
    columns : ndarray of bool, shape (S,)
        Of one zone, without chips and resin.
    blur_um : float
        Of the photo, which smooths the edge line too.

    Returns
    -------
    Roughness or Reason
        Why not, where it cannot be told.
    """
    use = columns & np.isfinite(trace_um)
    step_um = float(strip.s_um[1] - strip.s_um[0])
    short_um = _left_to_smooth_um(step_um, blur_um)
    if short_um is None:
        return reason("edge-line-unclear")
    if use.sum() * step_um < LEAST_LENGTH_UM:
        return reason("zone-too-short")
    waves, counts = _in_band(trace_um[None], use, short_um / step_um, step_um)
    if counts.sum() * step_um < LEAST_LENGTH_UM:
        return reason("zone-too-short")
    wave = waves[0, counts]
    side = _beside(strip, trace_um, use)
    if side is None:
        return reason("edge-line-unclear")
    noise2, u_noise2 = _noise_um2(side, use, short_um / step_um, step_um)
    return Roughness(
        float(np.sqrt(np.mean(wave**2))),
        float(np.sqrt(noise2)),
        float(np.sqrt(u_noise2)),
        _independent(waves[0], counts, step_um),
    )


def _left_to_smooth_um(step_um: float, blur_um: float) -> float | None:
    """What is left to smooth until waves of `SHORTEST_UM` are halved; None if they are more than that."""
    window_um = WINDOW_COLUMNS * step_um / np.sqrt(12.0)
    left = (PER_WAVELENGTH * SHORTEST_UM) ** 2 - window_um**2 - blur_um**2
    return float(np.sqrt(left)) if left > 0.0 else None


def _in_band(values: Array, use: Mask, short: float, step_um: float) -> tuple[Array, Mask]:
    """What of some rows lies between the two wavelengths, and in which columns the filters see enough of the edge.

    Parameters
    ----------
    values : ndarray, shape (N, S)
        Along the edge.
    use : ndarray of bool, shape (S,)
    short : float
        Standard deviation of the smoothing, columns.
    step_um : float

    Returns
    -------
    waves : ndarray, shape (N, S)
    counts : ndarray of bool, shape (S,)
    """
    long = PER_WAVELENGTH * LONGEST_UM / step_um
    # about the middle of what is used, mean and slope do not depend on each other
    at = np.arange(len(use)) - np.flatnonzero(use).mean()
    weight, lever = use.astype(np.float64), np.where(use, at, 0.0)
    values = np.where(use, values, 0.0)
    mean, slope = values @ weight / weight.sum(), values @ lever / max(float(lever @ lever), 1e-9)
    values = values - mean[:, None] * weight - slope[:, None] * lever
    weight_short, weight_long = (_smooth(weight[None], sigma)[0] for sigma in (short, long))
    fine = _smooth(values, short) / np.maximum(weight_short, 1e-9)
    coarse = _smooth(values, long) / np.maximum(weight_long, 1e-9)
    return fine - coarse, use & (weight_long > LEAST_WEIGHT)


def _smooth(values: Array, sigma: float) -> Array:
    """Smoothed along the edge, shape (N, S), nothing lying beyond its ends."""
    reach = int(3.0 * sigma + 0.5)
    along, across = cv2.getGaussianKernel(2 * reach + 1, sigma, cv2.CV_32F), np.ones(1, np.float32)
    # so wide a filter takes scipy, and doubles, several times as long
    light = values.astype(np.float32)
    return np.asarray(
        cv2.sepFilter2D(light, cv2.CV_32F, along, across, borderType=cv2.BORDER_CONSTANT), np.float64
    )


@dataclass(frozen=True, eq=False)
class _Beside:
    """Light along the trace, smoothed as it is for the trace.

    `behind` and `face` (rows, S) as shares of the change of light from the one to the other; `steep` is the change
    of the mean light per µm, where it has made `DEPARTURE` of its way: there the trace lies.
    """

    behind: Array
    face: Array
    steep: float


def _beside(strip: Strip, trace_um: Array, use: Mask) -> _Beside | None:
    """Light beside the trace; None where the edge stands out too little from the noise to be traced."""
    filled = np.interp(strip.s_um, strip.s_um[use], trace_um[use])
    depth_um = float(np.median(trace_um[use]))
    reach_um = max(-BEHIND_UM[0], FACE_UM[1]) + 10.0
    strip = strip.between(filled.min() - reach_um, filled.max() + reach_um)
    from_trace = strip.d_um[:, None] - filled[None, :]
    light, seen = dark_unseen(strip.light), np.isfinite(strip.light[..., 0]) & use[None, :]
    sides = [seen & (from_trace > first) & (from_trace < last) for first, last in (BEHIND_UM, FACE_UM)]
    beside = np.vstack([np.any(each, axis=0) for each in sides])
    if beside[:, use].mean(axis=1).min() < LEAST_WEIGHT:
        return None
    behind, face = (light[each].mean(axis=0, dtype=np.float64) for each in sides)
    rise = face - behind
    share = cv2.transform(light, (rise / max(rise @ rise, 1e-12))[None].astype(np.float32))
    share = cv2.blur(share, (WINDOW_COLUMNS, 1), borderType=cv2.BORDER_REPLICATE)
    smooth = cv2.GaussianBlur(share, (0, 0), sigmaX=0.01, sigmaY=ROWS_BLURRED)
    shares = np.asarray(smooth, np.float64)
    at_behind, at_face = (
        shares[(strip.d_um > depth_um + first) & (strip.d_um < depth_um + last)]
        for first, last in (BEHIND_UM, FACE_UM)
    )
    noise = scatter(np.diff(at_behind[:, use][:, ::WINDOW_COLUMNS], axis=1), about=0.0) / np.sqrt(2.0)
    steep = _steepness(strip.d_um, shares, filled, use)
    if not (noise * CLEAR < DEPARTURE and steep > LEAST_STEEP):
        return None
    return _Beside(at_behind, at_face, steep)


def _noise_um2(side: _Beside, use: Mask, short: float, step_um: float) -> tuple[float, float]:
    """Square of what noise and marks make the trace wander by, and its standard uncertainty."""
    powers = []
    for rows in (side.behind, side.face):
        waves, counts = _in_band(rows, use, short, step_um)
        powers.append(float(np.mean(waves[:, counts] ** 2)) / side.steep**2)
    behind, face = powers
    # of the way from the light behind to that of the face: marks count by its square, a camera's noise by itself
    ends = [behind + share * (face - behind) for share in (DEPARTURE**2, DEPARTURE)]
    u_level = abs(ends[1] - ends[0]) * U_PER_WIDTH
    return 0.5 * sum(ends), float(np.hypot(u_level, (MARKS_PX * step_um) ** 2))


def _steepness(d_um: Array, share: Array, trace_um: Array, use: Mask) -> float:
    """Change of the mean light per µm at the trace; `share` (D, S), `trace_um` (S,)."""
    step_um = float(d_um[1] - d_um[0])
    near = np.arange(-PROFILE_UM, PROFILE_UM, step_um)
    columns = np.flatnonzero(use)[:: max(1, int(use.sum()) // SAMPLED)]
    rows = (trace_um[columns] + near[:, None] - d_um[0]) / step_um
    above = np.clip(rows.astype(int), 0, len(d_um) - 2)
    part = np.clip(rows - above, 0.0, 1.0)
    profile = np.mean((1.0 - part) * share[above, columns] + part * share[above + 1, columns], axis=1)
    return float(np.interp(0.0, near, np.gradient(profile, near)))


def _independent(wave: Array, counts: Mask, step_um: float) -> float:
    """How many independent values an rms is of, from how neighbours are alike (Bartlett; from memory)."""
    x = np.where(counts, wave, 0.0)
    pairs = counts.astype(float)
    power = float((x**2).sum()) / max(float(pairs.sum()), 1.0)
    if power == 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, round(LONGEST_UM / step_um)):
        together = float(pairs[lag:] @ pairs[:-lag])
        if together < 1.0:
            break
        total += 2.0 * (float(x[lag:] @ x[:-lag]) / together / power) ** 2
    return max(float(counts.sum()) / total, 1.0)


def roughness_findings(
    zones: Sequence[tuple[Zone, Roughness | Reason]], u_scale: float, method: str
) -> list[Finding]:
    """The row of each zone.

    Parameters
    ----------
    zones : sequence of (str, Roughness or None)
        From `find_roughness`.
    u_scale : float
        Relative standard uncertainty of the scale.
    method : str

    Returns
    -------
    list of Finding
    """
    out = []
    for zone, seen in zones:
        if isinstance(seen, Reason):
            out.append(refused(ROUGHNESS_ROW, zone, seen, method))
            continue
        budget = roughness_budget(seen, seen.value_um, u_scale)
        limit = detection_limit(roughness_budget(seen, 0.0, u_scale).u)
        out.append(found(ROUGHNESS_ROW, zone, seen.value_um, budget, method, limit=limit))
    return out


def roughness_budget(seen: Roughness, value_um: float, u_scale: float) -> Budget:
    """What the rms of an edge of some roughness would be uncertain by, under the noise of this photo.

    Parameters
    ----------
    seen : Roughness
    value_um : float
    u_scale : float
        Relative standard uncertainty of the scale.

    Returns
    -------
    Budget

    Notes
    -----
    Near zero first order fails, for the root is steep there. So the 95 % interval of the square is followed through
    the root, and the wider side of it is stated.
    """
    size, here = seen.u_square_um2(value_um)
    of_square = float(np.hypot(size, here))
    reach = COVERAGE_95 * of_square
    up = np.sqrt(value_um**2 + reach) - value_um
    down = value_um - np.sqrt(max(value_um**2 - reach, 0.0))
    slope = float(max(up, down)) / max(reach, 1e-9)
    return linear(
        value_um,
        [
            (-slope, Input("scatter of the trace", seen.noise_um**2, size, of=("its size",))),
            (slope, Input("scatter of the trace", 0.0, here, of=("on this edge",))),
            (value_um, Input("what the blur hides", 1.0, U_FOLLOWS, of=("of waves along the edge",))),
            (value_um, scale_error(u_scale)),
        ],
    )
