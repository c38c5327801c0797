"""The light across a round pin in a photo, averaged along it, and where its two sides are."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, minimum_filter1d

from wearscope.errors import PhotoRefused
from wearscope.light.clipping import NEARLY_CLIPPED

Array = NDArray[np.float64]

# Limits without another ground are chosen, no source; tests/imaging/test_pin.py holds what must be read by them and
# what refused.
STRAIGHT = 0.5  # coherence of the gradients below which nothing runs across the view
SEARCHES = ((np.radians(1.0), 11), (np.radians(0.2), 11))  # about the gradients' direction: reach and steps
LEAST_LENGTH, LEAST_SHARE = 0.3, 0.25  # of the longest, of a row of the picture and of the straightened one
DARKEST = 1e-2  # of full light: below it the logarithm is of noise
STRAIGHTENED = 1.5  # by which reading between pixels quietens the noise of neighbours
FEW_BURNT = 0.02  # of a row, from which its mean is no longer its light
LEAST_NOISE = 2e-4  # of full light: no camera's mean is better
SHARP_PX, SOFT_PX = 2.0, 8.0  # smoothing at which an edge is told from a gradual change of light
SHARPER = 2.0  # times as steep at the first as at the second
SIGNIFICANT = 8.0  # standard deviations of the noise
LEAST_STEP = 0.05  # of the light beside it
UNLIKE = 2.5  # times as steep, of the two sides
SHIFTED = 0.05  # of the radius, by which the two sides' lines may differ
# Correlation of the two sides' logarithms of light: between two sharp edges, and where nothing else shows the axis
ALIKE, SYMMETRIC = 0.4, 0.9
STEP_PX = 0.25  # of the axis, in a search
ON_PIN = 0.9  # of the radius, that has to be in view
WITHIN = 0.97  # of the radius: beyond it the blur of the silhouette reaches
BESIDE = (1.04, 1.25)  # radii from the axis, where what lies beside the pin is read
BRIGHT = 2.0  # times the darkest place on the pin
LEAST_RADIUS_PX = 25.0
U_EDGE_PX = 1.0  # of a silhouette's place


@dataclass(frozen=True)
class PinProfile:
    """Light across what may be a pin, averaged along it.

    Attributes
    ----------
    y_px : ndarray, shape (N,)
        Across the pin.
    light, u_light : ndarray, shape (N,)
        Mean linear light and its standard uncertainty from noise alone.
    burnt : ndarray of bool, shape (N,)
    """

    y_px: Array
    light: Array
    u_light: Array
    burnt: NDArray[np.bool_]


@dataclass(frozen=True)
class Silhouettes:
    """A pin in a profile, in its pixels.

    Attributes
    ----------
    axis_px : float
    radius_px, u_radius_px : float
    """

    axis_px: float
    radius_px: float
    u_radius_px: float


def straightened(picture: NDArray[np.float32], file: str) -> tuple[PinProfile, tuple[PinProfile, PinProfile]]:
    """Mean profile square to what runs straight across a picture, of all of it and of its two halves.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
    file : str

    Returns
    -------
    whole : PinProfile
    halves : (PinProfile, PinProfile)

    Raises
    ------
    PhotoRefused
        Nothing runs straight across it.
    """
    smooth = cv2.GaussianBlur(picture, (0, 0), 2.0)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    xx, yy, xy = (float(np.mean(a * b)) for a, b in ((gx, gx), (gy, gy), (gx, gy)))
    coherence = np.hypot(xx - yy, 2.0 * xy) / max(xx + yy, 1e-12)
    if coherence < STRAIGHT:
        raise no_pin(file, "nothing in it runs straight across the view")
    across = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    for reach, steps in SEARCHES:
        tried = across + np.linspace(-reach, reach, steps)
        across = float(tried[np.argmax([_steepness(picture, angle) for angle in tried])])
    height, width = picture.shape
    side = int(np.hypot(height, width)) | 1
    turn = np.array([[-np.sin(across), np.cos(across)], [np.cos(across), np.sin(across)]])
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    shift = (side - 1) / 2 - turn @ middle
    turned = cv2.warpAffine(
        picture,
        np.column_stack([turn, shift]),
        (side, side),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    rows = np.asarray(turned, np.float32)
    return _profile(rows), (_profile(rows[:, : side // 2]), _profile(rows[:, side // 2 :]))


def _steepness(picture: NDArray[np.float32], across: float) -> float:
    """Sum of squared slopes of the mean profile in one direction: greatest square to straight lines."""
    height, width = picture.shape
    x, y = np.arange(width) * np.cos(across), np.arange(height) * np.sin(across)
    place = (x[None, :] + y[:, None]).ravel()
    place -= place.min()
    at = place.astype(int)
    count = np.bincount(at)
    mean = np.bincount(at, np.log(np.maximum(picture, DARKEST)).ravel()) / np.maximum(count, 1)
    slope = gaussian_filter1d(mean, SHARP_PX, order=1)
    reach = round(3 * SHARP_PX)
    enough = minimum_filter1d(count, 2 * reach + 1, mode="constant") > LEAST_LENGTH * np.quantile(count, 0.9)
    return float(np.sum(slope[enough] ** 2))


def _profile(rows: NDArray[np.float32]) -> PinProfile:
    """Mean along the rows, where enough of a row is seen."""
    seen = np.isfinite(rows)
    count = seen.sum(axis=1)
    known = np.flatnonzero(count > LEAST_SHARE * count.max())
    rows, count = rows[known], count[known]
    light = np.asarray(np.nanmean(rows, axis=1, dtype=np.float64))
    # differences of neighbours hold the noise; straightening has averaged it over neighbours a little
    noise = np.nanstd(np.diff(rows, axis=1), axis=1, dtype=np.float64) * STRAIGHTENED / np.sqrt(2.0)
    burnt = (rows >= NEARLY_CLIPPED).sum(axis=1) > FEW_BURNT * count
    return PinProfile(known.astype(float), light, np.maximum(noise, LEAST_NOISE) / np.sqrt(count), burnt)


def silhouettes(profile: PinProfile) -> list[Silhouettes]:
    """Find pairs of sharp edges that may be a pin's: the brightest light and the same on both sides between them.

    Parameters
    ----------
    profile : PinProfile

    Returns
    -------
    list of Silhouettes
    """
    from scipy.signal import find_peaks  # here, for it takes 0.3 s and not every process measures

    y, light = profile.y_px, profile.light
    sharp, soft = (gaussian_filter1d(light, sigma, order=1) for sigma in (SHARP_PX, SOFT_PX))
    u_step = profile.u_light / np.sqrt(4.0 * np.sqrt(np.pi) * SHARP_PX**3)
    at, _ = find_peaks(np.abs(sharp) / u_step, height=SIGNIFICANT, distance=3)
    # a smoothed step is step / (σ √2π) steep
    step = np.sqrt(2.0 * np.pi) * SHARP_PX * np.abs(sharp)
    at = at[(np.abs(sharp[at]) > SHARPER * np.abs(soft[at])) & (step[at] > LEAST_STEP * light[at])]
    pairs = []
    for k, i in enumerate(at):
        for j in at[k + 1 :]:
            axis, radius = 0.5 * (y[i] + y[j]), 0.5 * (y[j] - y[i])
            if radius < LEAST_RADIUS_PX or sharp[i] * sharp[j] > 0.0:
                continue
            if not 1.0 / UNLIKE < abs(sharp[i] / sharp[j]) < UNLIKE:
                continue
            inside = np.abs(y - axis) < radius
            if light[inside].max() < light.max():
                continue  # the bright lines lie outside: no silhouettes
            if _symmetry(profile, axis, WITHIN * radius) > ALIKE:
                pairs.append(Silhouettes(float(axis), float(radius), U_EDGE_PX))
    return pairs


def _symmetry(profile: PinProfile, axis: float, reach: float) -> float:
    """Correlation of the logarithm of light on the two sides of a place, small shifts let pass."""
    t = np.arange(1.0, reach)
    logs = np.log(np.maximum(profile.light, 1e-4))
    a, b = (
        gaussian_filter1d(np.interp(axis + side * t, profile.y_px, logs), SHIFTED * reach)
        for side in (-1.0, 1.0)
    )
    if np.ptp(a) < 1e-6 or np.ptp(b) < 1e-6:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def axis_by_symmetry(profile: PinProfile, radius: float, file: str) -> float:
    """Find the place about which the light is most alike, for a pin whose silhouettes are not seen.

    Parameters
    ----------
    profile : PinProfile
    radius : float
        In its pixels.
    file : str

    Returns
    -------
    float

    Raises
    ------
    PhotoRefused
        If the light is alike about no place.
    """
    y = profile.y_px
    tried = np.arange(y[0] + ON_PIN * radius, y[-1] - ON_PIN * radius, STEP_PX)
    if len(tried) == 0:
        raise no_pin(file, "the pin does not fit into the frame")
    # a place is the axis when the light beside it is alike and the pin's lines are on it
    alike = np.array([_symmetry(profile, axis, ON_PIN * radius) for axis in tried])
    best = int(np.argmax(alike))
    if alike[best] < SYMMETRIC:
        raise no_pin(file, "the light across it is not the same on both sides")
    return float(tried[best])


def light_beside(profile: PinProfile, pin: Silhouettes) -> float:
    """Light beside the pin, where it is darkest.

    Parameters
    ----------
    profile : PinProfile
    pin : Silhouettes

    Returns
    -------
    float
    """
    outside = np.abs(profile.y_px - pin.axis_px) / pin.radius_px
    beside = profile.light[(outside > BESIDE[0]) & (outside < BESIDE[1])]
    return float(beside.min()) if len(beside) else 0.0


def bright_beside(profile: PinProfile, pin: Silhouettes) -> bool:
    """Whether what lies beside the pin outshines the darkest place on it, which before the dark nothing does.

    Parameters
    ----------
    profile : PinProfile
    pin : Silhouettes

    Returns
    -------
    bool
    """
    on_pin = np.abs(profile.y_px - pin.axis_px) < WITHIN * pin.radius_px
    return light_beside(profile, pin) > BRIGHT * float(profile.light[on_pin].min())


def no_pin(file: str, why: str) -> PhotoRefused:
    """Nothing in the photo is a pin.

    Parameters
    ----------
    file, why : str

    Returns
    -------
    PhotoRefused
    """
    return PhotoRefused(
        f"{file}: no pin is to be seen ({why})",
        "lay a polished round pin across the middle of the view, square to it, both its sides in view, before a "
        "white card and under the whole lamp ring",
        "no-pin-seen",
    )
