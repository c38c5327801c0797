"""The pitch of the marks that a bit leaves on the part, and whether flutes or revolutions explain it.

Each flute leaves one mark per tooth feed. Where one flute cuts deeper, from runout or uneven wear, the marks repeat
once a revolution. Marks at neither pitch come from something else that shakes, such as chatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, log, radians, sqrt
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

from wearscope.errors import WearscopeError
from wearscope.metrology.findings import COVERAGE_95
from wearscope.process.scatter import few_factor
from wearscope.quantities.reasons import Reason, reason

Array = NDArray[np.float64]
Verdict = Literal["per tooth", "per revolution", "neither"]

LEAST_MARKS = 10
"""Marks that a line must cross, so that a pitch is told from noise; chosen, no source."""

LEAST_PITCH_PX = 4.0
"""Finest pitch that is looked for: twice the shortest period that pixels can show; chosen, no source."""

MOST_TEETH = 6
"""Longest repetition that is looked for, in pitches: few router bits have more flutes; common practice, no source."""

BAND = 0.25
"""Width of the band across the line that is averaged, as a share of the line's length."""

SLANTS_DEG = np.arange(-20.0, 21.0)
"""Slants of the marks against square to the line that are tried; chosen, no source."""

MISTAKEN = 1e-3
"""How often marks may be seen where there are none."""

U_FEED = 0.02
"""Relative standard uncertainty of the pitch that feed and speed promise, from the slip of the spindle and the
accuracy of the drives; common practice, no source."""

U_LINE_DEG = 2.0
"""How well a line is laid along the feed by eye, standard uncertainty; common practice, no source."""


class MarksRefused(WearscopeError):  # noqa: N818 - a refusal is a result to act on
    """A photo on which no pitch of marks can be told."""


@dataclass(frozen=True)
class MarkPitch:
    """The pitch of the marks along the feed.

    Attributes
    ----------
    pitch_um, u_um : float
        Of the strongest regular pattern, and its standard uncertainty.
    n_marks : float
        Number of pitches along the line.
    contrast : float
        Amplitude over the mean light.
    longer_um : tuple of float
        Two to six times the pitch, where the marks repeat at that too.
    """

    pitch_um: float
    u_um: float
    n_marks: float
    contrast: float
    longer_um: tuple[float, ...]


@dataclass(frozen=True)
class MarkCause:
    """Which of feed per tooth and feed per revolution the pitch of the marks agrees with.

    Attributes
    ----------
    verdict : {"per tooth", "per revolution", "neither"}
    per_tooth_um, per_revolution_um : float
        What feed, speed and flutes promise.
    every_revolution : bool
        The marks, one per tooth, also repeat every revolution: the flutes do not cut alike.
    """

    verdict: Verdict
    per_tooth_um: float
    per_revolution_um: float
    every_revolution: bool

    @property
    def reason(self) -> Reason:
        """The verdict as a code, with the pitches promised."""
        code = {"neither": "marks-of-something-else", "per revolution": "marks-per-revolution"}.get(
            self.verdict, "marks-per-tooth-and-revolution" if self.every_revolution else "marks-per-tooth"
        )
        if self.verdict != "neither" and self.per_tooth_um == self.per_revolution_um:
            code = "marks-of-a-single-flute"
        return reason(code, per_tooth_um=self.per_tooth_um, per_revolution_um=self.per_revolution_um)


def mark_cause(found: MarkPitch, feed_mm_per_min: float, spindle_rpm: float, flutes: int) -> MarkCause:
    """Compare a pitch with the feed per tooth and per revolution.

    They agree if they differ by no more than 1.96 times the standard uncertainty of the difference.

    Parameters
    ----------
    found : MarkPitch
    feed_mm_per_min, spindle_rpm : float
    flutes : int

    Returns
    -------
    MarkCause
    """
    turn_um = 1000.0 * feed_mm_per_min / spindle_rpm
    tooth_um = turn_um / flutes

    def agrees(pitch_um: float, expected_um: float) -> bool:
        u_um = hypot(found.u_um * pitch_um / found.pitch_um, U_FEED * expected_um)
        return abs(pitch_um - expected_um) <= COVERAGE_95 * u_um

    # sharp marks may show half their pitch more strongly than the pitch itself: then a longer one tells
    pitches_um = (found.pitch_um, *found.longer_um)
    verdict: Verdict = "neither"
    if any(agrees(pitch_um, tooth_um) for pitch_um in pitches_um):
        verdict = "per tooth"
    elif any(agrees(pitch_um, turn_um) for pitch_um in pitches_um):
        verdict = "per revolution"
    again = verdict == "per tooth" and flutes > 1 and any(agrees(long, turn_um) for long in found.longer_um)
    return MarkCause(verdict, tooth_um, turn_um, again)


def mark_pitch(
    light: NDArray[np.floating],
    um_per_px: float,
    u_um_per_px: float,
    along_feed: tuple[tuple[float, float], tuple[float, float]],
) -> MarkPitch:
    """Pitch of the marks along a line that follows the feed.

    The photo is averaged across the line in a band, at the slant at which the marks stand out most. The
    strongest line of the spectrum gives the pitch; how evenly the marks keep to it gives the uncertainty.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
        Linear light.
    um_per_px, u_um_per_px : float
        Scale and its standard uncertainty.
    along_feed : pair of (column, row)
        Both ends of the line, in pixels.

    Returns
    -------
    MarkPitch

    Raises
    ------
    MarksRefused
        The line leaves the photo or is too short, or no regular marks stand out.
    """
    start, end = (np.array(point, dtype=float) for point in along_feed)
    length_px = float(np.hypot(*(end - start)))
    height, width = light.shape[:2]
    if any(not (0 <= x <= width - 1 and 0 <= y <= height - 1) for x, y in along_feed):
        raise MarksRefused(
            f"the line along the feed leaves the photo of {width} × {height} pixels",
            "give both ends inside it",
        )
    if length_px < LEAST_MARKS * LEAST_PITCH_PX:
        raise MarksRefused(
            f"the line along the feed is {length_px:.0f} pixels long", "give one that crosses many marks"
        )
    band, seen = _band(light, start, end, length_px)
    profile = _most_marked(band, seen)
    frequency = _refined(profile, _strongest(profile))
    u_frequency = _u_frequency(profile, frequency)
    pitch_px = 1 / frequency
    u_line = 1 - cos(radians(U_LINE_DEG))
    relative = hypot(u_frequency / frequency, u_um_per_px / um_per_px, u_line)
    amplitude = 2 * abs(_demodulated(profile, frequency).mean())
    return MarkPitch(
        pitch_px * um_per_px,
        relative * pitch_px * um_per_px,
        len(profile) * frequency,
        float(amplitude),
        tuple(times * pitch_px * um_per_px for times in _longer(profile, frequency)),
    )


def _band(light: NDArray[np.floating], start: Array, end: Array, length_px: float) -> tuple[Array, Array]:
    """Brightness beside the line, shape (across, along), relative to its surroundings, and where it was seen."""
    grey = np.asarray(light, dtype=np.float32).mean(axis=2)
    along = (end - start) / length_px
    across = np.array([-along[1], along[0]])
    s = np.arange(int(length_px) + 1, dtype=float)
    half = max(int(BAND * length_px / 2), 3)
    w = np.arange(-half, half + 1, dtype=float)
    at = start[:, None, None] + along[:, None, None] * s + across[:, None, None] * w[:, None]
    columns, rows = at.astype(np.float32)
    values = cv2.remap(
        grey, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    band = np.asarray(values, dtype=float)
    return band, np.isfinite(band)


def _most_marked(band: Array, seen: Array) -> Array:
    """Mean across the band at the slant at which it varies most, less its slow changes, over its mean light."""
    filled = np.where(seen, band, 0.0)
    middle = (len(band) - 1) / 2
    rows = np.arange(len(band)) - middle

    def profile(slant: float) -> Array:
        total, count = np.zeros(band.shape[1]), np.zeros(band.shape[1])
        for row, light, mask in zip(rows, filled, seen, strict=True):
            shift = round(row * slant)
            to = slice(max(shift, 0), band.shape[1] + min(shift, 0))
            of = slice(max(-shift, 0), band.shape[1] + min(-shift, 0))
            total[to] += light[of]
            count[to] += mask[of]
        return _even(total / np.maximum(count, 1))

    slants = np.tan(np.radians(SLANTS_DEG))
    profiles = [profile(slant) for slant in slants]
    return max(
        profiles, key=lambda values: float(np.abs(np.fft.rfft(values * np.hanning(values.size))).max())
    )


def _even(values: Array) -> Array:
    """Relative departure from the light around, which is smooth over a quarter of the line."""
    slow = ndimage.gaussian_filter1d(values, values.size / 8, mode="nearest")
    return np.asarray(values / np.maximum(slow, 1e-6) - 1, dtype=float)


_PAD = 8
"""Points of the spectrum for each independent one."""


def _spectrum(profile: Array) -> tuple[Array, Array]:
    """Frequency per pixel, and power over the floor, which is the mean power without lines."""
    n = profile.size
    power = np.abs(np.fft.rfft(profile * np.hanning(n), _PAD * n)) ** 2
    # Medians of ten independent points on either side; where the spectrum slopes the higher one holds. The median of
    # the exponential distribution, which noise has, is ln 2 of its mean.
    reach = 10 * _PAD
    middle = ndimage.median_filter(power, reach + 1, mode="reflect")
    away = reach // 2 + 2 * _PAD
    padded = np.pad(middle, away, mode="edge")
    floor = np.maximum(padded[: power.size], padded[2 * away :]) / log(2)
    return np.asarray(np.fft.rfftfreq(_PAD * n), dtype=float), np.asarray(
        power / np.maximum(floor, 1e-30), dtype=float
    )


def _strongest(profile: Array) -> float:
    """Frequency of the line that stands out most; MarksRefused if noise may have made it."""
    n = profile.size
    frequency, raised = _spectrum(profile)
    allowed = (frequency >= LEAST_MARKS / n) & (frequency <= 1 / LEAST_PITCH_PX)
    peak = int(np.argmax(np.where(allowed, raised, 0.0)))
    if raised[peak] < -log(MISTAKEN / (n / 2 * SLANTS_DEG.size)):
        raise MarksRefused(
            "no regular marks stand out along the line",
            "light the part from the side, lay the line along the feed across many marks, or take a sharper photo",
        )
    return float(frequency[peak])


def _refined(profile: Array, frequency: float) -> float:
    """Frequency at which a windowed sinusoid fits best."""
    n = profile.size
    x, windowed, slack = np.arange(n), profile * np.hanning(n), 0.5 / n

    def less(f: float) -> float:
        return -float(abs(np.vdot(np.exp(2j * np.pi * f * x), windowed)))

    found = optimize.minimize_scalar(less, bounds=(frequency - slack, frequency + slack), method="bounded")
    return float(found.x)


def _demodulated(profile: Array, frequency: float) -> NDArray[np.complex128]:
    """Complex amplitude of the marks in overlapping windows along the line."""
    n = profile.size
    window = max(round(4 / frequency), n // 8)
    starts = np.linspace(0, n - window, max(2 * (n // window) - 1, 3)).round().astype(int)
    x = np.arange(n)
    carried = profile * np.exp(-2j * np.pi * frequency * x)
    weights = np.hanning(window + 2)[1:-1]
    return np.array([np.average(carried[at : at + window], weights=weights) for at in starts])


def _u_frequency(profile: Array, frequency: float) -> float:
    """Standard uncertainty of the frequency, from how the phase of the marks wanders along the line."""
    n = profile.size
    phase = np.unwrap(np.angle(_demodulated(profile, frequency)))
    x = np.linspace(0, 1, phase.size) - 0.5
    rest = phase - np.polyval(np.polyfit(x, phase, 1), x)
    # half-overlapping windows: every other one is independent
    n_free = max(phase.size / 2 - 2, 1)
    scatter = sqrt(float(rest @ rest) / 2 / n_free)
    spread = sqrt(float(x @ x) / 2)
    few = few_factor(n_free)
    window = max(round(4 / frequency), n // 8)
    return few * scatter / spread / (2 * np.pi * (n - window))


def _longer(profile: Array, frequency: float) -> list[int]:
    """How many pitches the marks repeat after, too: subharmonics that noise would not make."""
    n = profile.size
    frequencies, raised = _spectrum(profile)
    limit = -log(MISTAKEN / ((MOST_TEETH - 1) * SLANTS_DEG.size))
    return [
        times
        for times in range(2, MOST_TEETH + 1)
        if frequency / times >= 4 / n
        and raised[np.abs(frequencies - frequency / times) <= 0.5 / n].max() > limit
    ]
