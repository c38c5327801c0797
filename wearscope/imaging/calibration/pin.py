"""The ring angle from a photo of a round pin in the microscope's light.

A polished pin lying across the view mirrors the lamp ring as two bright lines beside its axis (`light.ring`). The
pin is found by its two parallel silhouettes, straightened, averaged along its axis, and the model fitted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d

from wearscope.errors import PhotoRefused
from wearscope.imaging.calibration.pin_profile import (
    LEAST_RADIUS_PX,
    ON_PIN,
    STEP_PX,
    Array,
    PinProfile,
    Silhouettes,
    axis_by_symmetry,
    bright_beside,
    light_beside,
    no_pin,
    silhouettes,
    straightened,
)
from wearscope.light.ring import RingFit, fit_ring
from wearscope.quantities.reasons import Reason, reason

# Limits without another ground are chosen, no source; tests/imaging/test_pin.py holds what must be read by them and
# what refused.
LONGEST_SIDE_PX = 1600  # larger photos are averaged over blocks
LEAST_MIRRORED = 0.3  # of a bright card, mirrored by the pin's sides
MOST_BURNT = 0.3  # of the pin's width
ROUGHEST = 0.35  # of the lobe; a rounder light has no line to measure
WORST_MISFIT = 0.12  # of the light
LEAST_LINE = 1.05  # light of a bright line over the darker one of its two sides
LINE_SHARE = 0.01  # of the pin's width: the least width of a bright line
# Of the radius: from the axis, off symmetry about it, and apart, of the two bright lines that may be a pair
FROM_AXIS, OFF_AXIS, WIDEST_PAIR = 0.05, 0.12, 1.5
# A second pair within this factor of the first's light, and so far from it (of the radius), is another ring's
RIVAL, APART = 4.0, 0.1
DOUBTFUL_ONE_SIDED, MOST_ONE_SIDED = np.radians(2.0), np.radians(6.0)
LEAST_BALANCE = 0.3  # of the two bright lines' light, weaker over stronger
UNRESOLVED = 0.1  # share of a bright line's width that no fit resolves, from rendered pins
MOST_UNCERTAIN = np.radians(5.0)
CONTRADICTION = 0.03  # of the diameter, beyond its uncertainty
# How much further the axis may lie in one half of the pin, of the radius and px; compared at so many places within
# so much of the radius
ASKEW, ASKEW_PX, COMPARED, PLACES = 0.02, 4.0, 0.8, 161
# Lamps stand 25 to 75 mm away and the lens 40 mm to infinity: common practice, no source. Means of the inverse, per
# mm, and half-widths.
PER_LAMP_DISTANCE, PER_LENS_DISTANCE = (0.027, 0.013), (0.0125, 0.0125)
LAMPS = 12  # of a common ring; common practice, no source


@dataclass(frozen=True)
class RingAngle:
    """The ring angle found on a photo of a pin.

    Attributes
    ----------
    ring_angle_deg, u_ring_angle_deg : float
        Between the view axis and the lamps, degrees, with its standard uncertainty.
    diameter_px : float
        Of the pin.
    u_diameter_px : float
    status : {"ok", "doubtful"}
    remarks : tuple of Reason
        How it was found, and what is doubtful.
    """

    ring_angle_deg: float
    u_ring_angle_deg: float
    diameter_px: float
    u_diameter_px: float
    status: Literal["ok", "doubtful"]
    remarks: tuple[Reason, ...]


def ring_angle_from_pin(
    light: ArrayLike,
    diameter_mm: float,
    *,
    um_per_px: tuple[float, float] | None = None,
    file: str = "the photo",
) -> RingAngle:
    """Find a pin in a photo and the ring angle from the bright lines on it.

    Parameters
    ----------
    light : array_like, shape (H, W, 3) or (H, W)
        Linear light, 0 to 1.
    diameter_mm : float
        Of the pin.
    um_per_px : (float, float), optional
        Scale and its standard uncertainty, if it is known.
    file : str
        Name for messages.

    Returns
    -------
    RingAngle

    Raises
    ------
    PhotoRefused
        With the reason and the cure.

    Notes
    -----
    Lamps and lens are not infinitely far: at y from the axis of the pin both stand y / distance nearer to its normal,
    which makes the ring angle look smaller by y (cos θ / lamp distance + 1 / lens distance). Half a common
    ring's lamps is the most by which the nearest lamp can miss the direction square to the pin.
    """
    picture, reduction = _reduced(np.asarray(light, np.float32))
    whole, halves = straightened(picture, file)
    known = None
    if um_per_px is not None:
        known = Silhouettes(
            0.0,
            500.0 * diameter_mm / (um_per_px[0] * reduction),
            500.0 * diameter_mm / um_per_px[0] ** 2 * um_per_px[1] / reduction,
        )
    pin, seen = _pin(whole, known, file)
    fit = _fit(whole, pin, file)
    parts = []
    for half in halves:
        moved = _shift(whole, half, pin)
        parts.append(_fit(half, Silhouettes(pin.axis_px + moved, pin.radius_px, pin.u_radius_px), file))
    _require_alike(whole, pin, fit, seen, file)
    angle, u_angle = _ring_angle(fit, parts, pin, diameter_mm)
    if u_angle > MOST_UNCERTAIN:
        raise PhotoRefused(
            f"{file}: the bright lines give the ring angle only within {np.degrees(u_angle):.0f} degrees",
            "take a smoother pin, or a shorter exposure, and focus on the bright lines",
            "ring-angle-uncertain",
        )
    diameter_px, u_diameter_px = 2.0 * pin.radius_px * reduction, 2.0 * pin.u_radius_px * reduction
    remarks = [reason("pin-seen", diameter_px=diameter_px)]
    if not seen:
        remarks.append(reason("pin-sides-unseen"))
    tilted = abs(fit.one_sidedness) > DOUBTFUL_ONE_SIDED
    if tilted:
        remarks.append(reason("pin-one-sided", differ_deg=np.degrees(2 * abs(fit.one_sidedness))))
    return RingAngle(
        ring_angle_deg=float(np.degrees(angle)),
        u_ring_angle_deg=float(np.degrees(u_angle)),
        diameter_px=diameter_px,
        u_diameter_px=u_diameter_px,
        status="doubtful" if tilted else "ok",
        remarks=tuple(remarks),
    )


def _pin(profile: PinProfile, known: Silhouettes | None, file: str) -> tuple[Silhouettes, bool]:
    """Axis and radius, and whether the silhouettes are seen."""
    pairs = silhouettes(profile)
    found = max(pairs, key=lambda pair: pair.radius_px, default=None)
    if known is None:
        if found is None:
            raise no_pin(file, "no two parallel sides with like light on both")
        if not bright_beside(profile, found):
            raise PhotoRefused(
                f"{file}: the sides of the pin cannot be told from what lies behind it, or are not both in view",
                "put a white card behind the whole pin, or state the scale by --um-per-px or --graticule",
                "pin-sides-not-seen",
            )
        return found, True
    if 2.0 * known.radius_px > float(np.ptp(profile.y_px)):
        raise PhotoRefused(
            f"{file}: at this scale the pin is {2 * known.radius_px:.0f} px thick and does not fit into the frame",
            "check --pin-diameter-mm and the scale, or take a thinner pin",
            "pin-larger-than-frame",
        )
    for pair in pairs:
        u = float(np.hypot(pair.u_radius_px, known.u_radius_px)) / known.radius_px
        if abs(pair.radius_px / known.radius_px - 1.0) <= CONTRADICTION + 2.0 * u:
            return Silhouettes(pair.axis_px, known.radius_px, known.u_radius_px), True
    if found is not None and (found.radius_px > known.radius_px or bright_beside(profile, found)):
        raise PhotoRefused(
            f"{file}: the pin is {2 * found.radius_px:.0f} px thick, but {2 * known.radius_px:.0f} px by the "
            "stated scale and diameter",
            "check --pin-diameter-mm and that the photo was taken at the zoom of the scale",
            "pin-contradicts-scale",
        )
    return Silhouettes(
        axis_by_symmetry(profile, known.radius_px, file), known.radius_px, known.u_radius_px
    ), False


def _fit(profile: PinProfile, pin: Silhouettes, file: str) -> RingFit:
    """The model fitted to the profile, from the bright lines found on it."""
    u = (profile.y_px - pin.axis_px) / pin.radius_px
    on_pin = np.abs(u) < 1.0
    u, light = u[on_pin], profile.light[on_pin]
    if len(u) < LEAST_RADIUS_PX or u[0] > -ON_PIN or u[-1] < ON_PIN:
        raise no_pin(file, "the pin leaves the frame")
    burnt = profile.burnt[on_pin]
    if burnt.mean() > MOST_BURNT:
        raise PhotoRefused(
            f"{file}: {burnt.mean():.0%} of the pin's width is burnt out",
            "shorten the exposure until only the bright lines are near white, and take it again",
            "burnt-out",
        )
    u_light = np.where(burnt, 1.0, profile.u_light[on_pin])
    return fit_ring(u, light, u_light, _first_angle(u, light, file))


def _first_angle(u: Array, light: Array, file: str) -> float:
    """Ring angle from where the two bright lines peak."""
    from scipy.signal import find_peaks  # here, for it takes 0.3 s and not every process measures

    smooth = gaussian_filter1d(np.log(np.maximum(light, 1e-4)), max(1.0, LINE_SHARE * len(u)))
    peaks, _ = find_peaks(smooth, prominence=np.log(LEAST_LINE))
    lines = list(zip(smooth[peaks], u[peaks], strict=True))
    pairs = [
        (min(a, b), 0.5 * (q - p))
        for a, p in lines
        for b, q in lines
        if p < -FROM_AXIS and q > FROM_AXIS and abs(p + q) < OFF_AXIS and q - p < WIDEST_PAIR
    ]
    if not pairs:
        raise PhotoRefused(
            f"{file}: no two bright lines on the pin, one on each side of its axis: the lamp ring is off, only on "
            "one side, or too diffuse, or a side of the pin is not seen",
            "light the pin by the whole lamp ring without a diffuser, both its sides in view before a white card",
            "no-two-bright-lines",
        )
    brightest, place = max(pairs)
    if any(level > brightest - np.log(RIVAL) and abs(where - place) > APART for level, where in pairs):
        raise PhotoRefused(
            f"{file}: more than one pair of bright lines on the pin: several lamp rings are lit",
            "light one ring alone, for the flutes too",
            "several-lamp-rings",
        )
    return float(2.0 * np.arcsin(place))


def _shift(whole: PinProfile, half: PinProfile, pin: Silhouettes) -> float:
    """By how much the axis lies elsewhere in one half of the pin."""
    reach = ASKEW * pin.radius_px + ASKEW_PX
    tried = pin.axis_px + np.arange(-reach, reach + STEP_PX, STEP_PX)
    t = np.linspace(-COMPARED, COMPARED, PLACES) * pin.radius_px
    own = np.log(np.maximum(np.interp(pin.axis_px + t, whole.y_px, whole.light), 1e-4))
    there = [np.log(np.maximum(np.interp(axis + t, half.y_px, half.light), 1e-4)) for axis in tried]
    return float(tried[int(np.argmin([np.var(log - own) for log in there]))] - pin.axis_px)


def _require_alike(profile: PinProfile, pin: Silhouettes, fit: RingFit, seen: bool, file: str) -> None:
    """Refuse what is not a polished round pin under one lamp ring about the line of sight."""
    weaker, stronger = sorted(fit.ring_light)
    if weaker < LEAST_BALANCE * stronger or abs(fit.one_sidedness) > MOST_ONE_SIDED:
        raise PhotoRefused(
            f"{file}: the two bright lines on the pin are not alike: light from one side, or a ring that is not "
            "round the line of sight",
            "switch other lamps off, bring the pin to the middle of the view and the microscope square to it",
            "lines-not-alike",
        )
    if seen and bright_beside(profile, pin) and fit.card_light < LEAST_MIRRORED * light_beside(profile, pin):
        # the sides of a pin mirror the card; where they do not, the edges found are not its silhouettes
        raise no_pin(file, "what seems its sides does not mirror the card behind it")
    if fit.roughness > ROUGHEST or fit.misfit > WORST_MISFIT:
        raise PhotoRefused(
            f"{file}: the light across it is not that of a polished round pin under one lamp ring",
            "take a clean gauge pin or the plain shank of a drill, without a diffuser, under the ring alone",
            "not-a-polished-pin",
        )


def _ring_angle(
    fit: RingFit, halves: list[RingFit], pin: Silhouettes, diameter_mm: float
) -> tuple[float, float]:
    """Ring angle at the middle of the view and its standard uncertainty, radians."""
    apart = abs(halves[0].ring_angle - halves[1].ring_angle) / 2.0
    angle, edge = fit.ring_angle, np.tan(fit.ring_angle / 2.0)
    y_mm = 0.5 * diameter_mm * np.sin(angle / 2.0)
    nearer = y_mm * (np.cos(angle) * PER_LAMP_DISTANCE[0] + PER_LENS_DISTANCE[0])
    u_nearer = y_mm / np.sqrt(3.0) * np.hypot(np.cos(angle) * PER_LAMP_DISTANCE[1], PER_LENS_DISTANCE[1])
    # tan(θ/2) sin a with a within half a step of square: mean and standard deviation of 1 - cos of a uniform angle
    missed = 2.0 * np.sin(angle / 2.0) * np.cos(angle / 2.0) * (np.pi / LAMPS) ** 2 / 6.0
    # the lobe's slopes have the standard deviation α / √2, and turn the light by twice their angle
    unresolved = UNRESOLVED * np.sqrt(2.0) * fit.roughness
    u_radius = 2.0 * edge * pin.u_radius_px / pin.radius_px
    sources = [fit.u_ring_angle, apart, fit.one_sidedness, unresolved, u_radius, u_nearer, missed]
    return float(angle + nearer), float(np.linalg.norm(sources))


def _reduced(light: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """Grey light, averaged over blocks where the photo is large."""
    grey = light.mean(axis=2) if light.ndim == 3 else light
    reduction = -(-max(grey.shape) // LONGEST_SIDE_PX)
    if reduction == 1:
        return np.ascontiguousarray(grey), 1
    height, width = (side // reduction for side in grey.shape)
    whole = grey[: height * reduction, : width * reduction]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float32), reduction
