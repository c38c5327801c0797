"""Microns per pixel, from a photograph of a ruled scale.

The picture is turned so that the rulings stand upright, averaged along them in narrow bands, and every line
is located in every band by fitting the picture's own mean line shape. The lines are numbered outwards from
the most regular place, so that long lines, gaps, text and a moderate distortion do not upset the count, and
one smooth function "line number of a place in the picture" is fitted to all of them. Its mean gradient is
the number of divisions per pixel, as a vector: the ruling's direction comes with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage, stats

from wearscope.errors import PhotoRefused

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

RULING_STD = 2e-4
"""Relative standard uncertainty taken for the mean division of a graticule that has no certificate."""

SQUARE_PIXEL_STD = 1e-3
"""Relative standard uncertainty of "a pixel is as high as it is wide", where only one axis was seen."""

RIGHT_ANGLE_STD_RAD = 5e-4
"""Standard uncertainty of the right angle between the two rulings of a crossed graticule."""

EMBEDDED_STD = 5e-3
"""Relative standard uncertainty of a scale that a picture file states of itself."""

_MIN_SIDE_PX = 48
_MIN_PITCH_PX = 6.0
_MIN_LINES = 4
_ENOUGH_MARKS = 20_000
_FEW_LINES = 6
_SAMPLES = 1e7  # of the turned picture: enough for any scale, quick for a large one
_WARN_DISTORTION = 2e-3
_MOST_DISTORTION = 0.1
_WARN_UNCERTAIN = 2e-3
_MOST_UNCERTAIN = 1e-2
_EVEN = 0.88
_EVEN_IF_CROSSED = 0.35


@dataclass(frozen=True)
class Scale:
    """Microns per pixel along the image's two axes.

    Parameters
    ----------
    name : str
        As the trial file calls it.
    um_per_px_x, u_um_per_px_x : float
        Microns per pixel from column to column, with its standard uncertainty.
    um_per_px_y, u_um_per_px_y : float
        Microns per pixel from row to row, with its standard uncertainty.
    status : {"ok", "doubtful", "refused"}
        Doubtful: usable, but read the note first.
    note : str
        What was seen and assumed, for the person.
    source : {"graticule", "stated", "embedded"}
        Where the scale comes from.
    """

    name: str
    um_per_px_x: float
    u_um_per_px_x: float
    um_per_px_y: float
    u_um_per_px_y: float
    status: Literal["ok", "doubtful", "refused"]
    note: str
    source: Literal["graticule", "stated", "embedded"]

    @property
    def um_per_px(self) -> float:
        """Mean of the two axes, for use where they are equal within their uncertainty."""
        return (self.um_per_px_x + self.um_per_px_y) / 2

    @property
    def u_um_per_px(self) -> float:
        """Standard uncertainty of the mean: the bound that holds whatever the axes have in common."""
        return (self.u_um_per_px_x + self.u_um_per_px_y) / 2


def scale_from_value(um_per_px: float, u_um_per_px: float, name: str) -> Scale:
    """Return the scale a person states, with square pixels.

    Parameters
    ----------
    um_per_px, u_um_per_px : float
        Microns per pixel and its standard uncertainty.
    name : str
        Name of the scale.

    Raises
    ------
    ValueError
        If the value is not a positive number or the uncertainty a negative one.
    """
    _require_positive("um_per_px", um_per_px)
    if not (np.isfinite(u_um_per_px) and u_um_per_px >= 0):
        raise ValueError(f"u_um_per_px must be zero or a positive number, not {u_um_per_px}")
    return Scale(
        name,
        um_per_px,
        u_um_per_px,
        um_per_px,
        u_um_per_px,
        "ok",
        "as stated; pixels taken as square",
        "stated",
    )


def scale_from_embedded(um_per_px_x: float, um_per_px_y: float, name: str, source_text: str) -> Scale:
    """Return the scale that a picture file states of itself.

    Such a scale is a setting, not a measurement; it can differ from the graticule photographed in the same
    picture by half a per cent, so that is the standard uncertainty it is given.

    Parameters
    ----------
    um_per_px_x, um_per_px_y : float
        Microns per pixel along the two axes.
    name : str
        Name of the scale.
    source_text : str
        Where in the file it stands, for the note.

    Raises
    ------
    ValueError
        If a value is not a positive number.
    """
    _require_positive("um_per_px_x", um_per_px_x)
    _require_positive("um_per_px_y", um_per_px_y)
    u_x, u_y = EMBEDDED_STD * um_per_px_x, EMBEDDED_STD * um_per_px_y
    note = (
        f"read from the file ({source_text}), not measured: taken as good to {EMBEDDED_STD:.1%}; "
        "photograph a graticule to do better"
    )
    unequal = abs(um_per_px_x - um_per_px_y) > 2 * np.hypot(u_x, u_y)
    if unequal:
        note = f"the file states unequal axes, {um_per_px_x:.5g} and {um_per_px_y:.5g} µm per pixel; " + note
    return Scale(name, um_per_px_x, u_x, um_per_px_y, u_y, "doubtful" if unequal else "ok", note, "embedded")


def scale_from_graticule(
    luminance: ArrayLike, division_um: float, *, name: str = "", file: str = ""
) -> Scale:
    """Measure the scale on a photograph of a ruled scale, a crossed graticule or a grid.

    Parameters
    ----------
    luminance : array_like, shape (H, W) or (H, W, 3)
        The picture in linear light, in any unit; of three channels the mean is taken. Lines at any angle,
        dark or bright, short and long ones mixed, over all or part of the picture.
    division_um : float
        Distance of neighbouring lines, in µm: the smallest regular division to be seen.
    name : str
        Name of the scale.
    file : str
        Name of the file, for messages.

    Returns
    -------
    Scale
        Mean over the part of the picture that the lines cover. The standard uncertainty holds the scatter
        of the lines about the fitted function (clustered by line, widened for correlation between
        neighbours and for few lines), the change of scale over the lines where it is significant,
        `RULING_STD` for the ruling itself and, for the axis that a ruling in one direction cannot see,
        `SQUARE_PIXEL_STD`.

    Raises
    ------
    PhotoRefused
        If no ruled scale is to be seen.
    ValueError
        If `division_um` is not a positive number or the array not a picture.

    Notes
    -----
    With g the gradient of the line number in divisions per pixel and s the µm per pixel of each axis, a
    division d obeys (g_x / s_x)² + (g_y / s_y)² = 1 / d². One direction of ruling gives one such equation,
    so the ratio of the axes has to be assumed; two directions at a right angle give two, and a third
    because their normals are perpendicular in the world.
    """
    _require_positive("division_um", division_um)
    called = file or "the graticule photo"
    try:
        picture = _as_picture(luminance)
        rulings = _find_rulings(picture)
    except _NotRuledError as problem:
        raise PhotoRefused(f"{called}: {problem.what}", problem.cure) from None
    axes = _axes_from_cross(*rulings) if len(rulings) == 2 else _axes_from_one(rulings[0])
    doubts = [text for ruling in rulings for text in _doubts(ruling)] + _axis_doubts(axes)
    seen = " and ".join(
        f"{r.n_lines} lines {1 / r.density_px:.5g} px apart at {r.angle_deg:.1f}°" for r in rulings
    )
    note = "; ".join([*dict.fromkeys(doubts), seen, axes.note])
    (s_x, s_y), (u_x, u_y) = division_um * axes.value, division_um * np.sqrt(np.diag(axes.cov))
    return Scale(
        name,
        float(s_x),
        float(u_x),
        float(s_y),
        float(u_y),
        "doubtful" if doubts else "ok",
        note,
        "graticule",
    )


# What can be wrong with a picture ---------------------------------------------------------------------------


class _NotRuledError(Exception):
    """Why a picture, or one direction in it, is not a ruled scale; the highest rank is the one to tell."""

    def __init__(self, what: str, cure: str, rank: int = 0) -> None:
        super().__init__(what)
        self.what = what
        self.cure = cure
        self.rank = rank


_SEE_SCALE = "photograph the ruled scale itself, in focus, with 6 lines or more across the picture"


def _no_scale(why: str, rank: int = 0) -> _NotRuledError:
    return _NotRuledError(f"no ruled scale to be seen ({why})", _SEE_SCALE, rank)


_BROKEN = _no_scale("what repeats is broken up, as in cloth or print", 2)


def _require_positive(what: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"{what} must be a positive number, not {value}")


def _as_picture(luminance: ArrayLike) -> NDArray[np.float32]:
    """Return the picture as (H, W) floats between about 0 and 1."""
    picture = np.asarray(luminance, dtype=np.float32)
    if picture.ndim == 3 and picture.shape[2] in (1, 3):
        picture = picture.mean(axis=2)
    if picture.ndim != 2:
        raise ValueError(f"a picture must be (H, W) or (H, W, 3), not {np.shape(luminance)}")
    if min(picture.shape) < _MIN_SIDE_PX:
        h, w = picture.shape
        raise _NotRuledError(
            f"the picture is only {w} by {h} px", f"take one of at least {_MIN_SIDE_PX} px each way", 9
        )
    if not np.isfinite(picture).all():
        raise _NotRuledError(
            "the picture holds values that are not numbers", "save it again as an ordinary picture", 9
        )
    sample = picture[:: max(1, picture.shape[0] // 512), :: max(1, picture.shape[1] // 512)]
    low, high = np.percentile(sample, [0.1, 99.9])
    if high - low <= 1e-6 * max(abs(high), abs(low), 1e-30):
        raise _no_scale("the picture is blank", 9)
    floor = min(float(low), 0.0)
    return np.asarray((picture - floor) / (float(high) - floor), np.float32)


# One direction of ruling ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Ruling:
    """One family of parallel lines, measured."""

    gradient: Array  # (2,) divisions per px along x and y, mean over the lines
    cov: Array  # (2, 2) of it, without what is assumed of the ruling
    n_lines: int
    variation: float  # relative change of pitch over the lines, end to end
    variation_seen: bool  # whether it stands out of the scatter
    between: bool  # whether there are regular lines between the numbered ones
    even: float  # share of their length over which the lines look the same

    @property
    def density_px(self) -> float:
        """Divisions per pixel along the normal of the lines."""
        return float(np.hypot(*self.gradient))

    @property
    def angle_deg(self) -> float:
        """Direction of the normal of the lines, 0 to 180° from +x towards +y."""
        return float(np.rad2deg(np.arctan2(self.gradient[1], self.gradient[0])) % 180)

    @property
    def u_density(self) -> float:
        """Relative standard uncertainty of the density, the ruling's own included."""
        return float(np.hypot(self.u_fit, self.u_own))

    @property
    def u_fit(self) -> float:
        """The part of it that the scatter of the lines explains."""
        n = self.gradient / self.density_px
        return float(np.sqrt(n @ self.cov @ n) / self.density_px)

    @property
    def u_angle_rad(self) -> float:
        """Standard uncertainty of the direction of the normal."""
        across = np.array([-self.gradient[1], self.gradient[0]]) / self.density_px
        return float(np.sqrt(across @ self.cov @ across) / self.density_px)

    @property
    def u_own(self) -> float:
        """The part of it that is not in the covariance: the ruling's own, and the change over the lines."""
        drift = self.variation / np.sqrt(12) if self.variation_seen else 0.0
        return float(np.hypot(drift, RULING_STD))


def _find_rulings(picture: NDArray[np.float32]) -> list[_Ruling]:
    """Return the one or two families of lines of a graticule; two are square and of one division."""
    failures: list[_NotRuledError] = []
    for angle in _directions(picture):
        try:
            return _with_second(picture, _measure_ruling(picture, angle))
        except _NotRuledError as problem:
            failures.append(problem)
    raise max(failures, key=lambda problem: problem.rank, default=_no_scale("no direction stands out"))


def _with_second(picture: NDArray[np.float32], first: _Ruling) -> list[_Ruling]:
    """Add the lines at a right angle to the first ones, if there are any of the same division."""
    pitch = 1 / first.density_px
    try:
        second = _measure_ruling(picture, np.deg2rad(first.angle_deg + 90), (0.85 * pitch, 1.15 * pitch))
    except _NotRuledError:
        # lines broken up as a grid's are, but by no second direction, are print or cloth
        if first.even < _EVEN:
            raise _BROKEN from None
        return [first]
    return [first, second]


def _directions(picture: NDArray[np.float32]) -> list[float]:
    """Return the directions (rad) across which the picture changes most, strongest first."""
    step = max(1, int(np.sqrt(picture.size / 2e6)))
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    gx, gy = (
        0.5 * (smooth[1:-1, 2:] - smooth[1:-1, :-2])[::step, ::step].ravel(),
        0.5 * (smooth[2:, 1:-1] - smooth[:-2, 1:-1])[::step, ::step].ravel(),
    )
    power = gx * gx + gy * gy
    typical = float(np.median(power))
    # where most of the picture is plain, its noise says nothing of the direction
    strong = power > (4 * typical if typical < power.mean() / 8 else 0.0)
    gx, gy, power = gx[strong], gy[strong], power[strong]
    doubled = np.arctan2(2 * gx * gy, gx * gx - gy * gy)
    # a root tames glare and dirt, which are few but strong
    weight = np.sqrt(power)
    if not weight.size:
        return []
    bins = (doubled * (90 / np.pi)).astype(np.int64) % 180
    histogram = np.bincount(bins, weight, 180)
    peaks = _histogram_peaks(ndimage.uniform_filter1d(histogram, 3, mode="wrap"))
    return [_mean_direction(histogram, peak) for peak in peaks]


def _histogram_peaks(histogram: NDArray[Any]) -> list[int]:
    """Return the bins that top everything within 10 bins, highest first, then those halfway off the highest.

    Where the lines of a grid lie close together, most slopes point halfway between its two directions, but
    many still point along them; those of a chessboard do not, and its diagonals are no lines.
    """
    top = histogram >= ndimage.maximum_filter1d(histogram, 21, mode="wrap")
    tall = histogram > max(0.1 * histogram.max(), 1.2 * float(np.median(histogram)))
    peaks = sorted(np.flatnonzero(top & tall).tolist(), key=lambda k: -histogram[k])
    halfway = [(peak + turn) % 180 for peak in peaks[:1] for turn in (45, 135)]
    return peaks[:4] + [k for k in halfway if histogram[k] > 0.27 * histogram.max()]


def _mean_direction(histogram: NDArray[Any], peak: int) -> float:
    """Return the mean of the directions within 3 bins of a peak, rad."""
    off = np.arange(-3, 4)
    return float(np.deg2rad(peak + 0.5 + np.average(off, weights=histogram[(peak + off) % 180] + 1e-30)))


def _measure_ruling(
    picture: NDArray[np.float32], angle: float, pitch_px: tuple[float, float] = (_MIN_PITCH_PX, np.inf)
) -> _Ruling:
    """Measure the lines whose normal points along `angle` (rad), or say why there are none."""
    turned = _turn(picture, angle)
    failure = _no_scale("nothing repeats")
    tries = 0
    for spacing, width in _likely_spacings(turned.bands(16.0)):
        if not pitch_px[0] <= spacing <= pitch_px[1]:
            continue
        try:
            return _measure_at(picture, turned, spacing, width)
        except _NotRuledError as problem:
            failure = max(failure, problem, key=lambda p: p.rank)
            tries += problem.rank >= 2
        # what repeats but is no ruling repeats at the multiples too
        if tries == 2:
            break
    raise failure


def _measure_at(picture: NDArray[np.float32], turned: _Turned, spacing: float, width: float) -> _Ruling:
    """Measure the lines near a spacing, or the finer ones between them if those are regular too."""
    bands = turned.bands(max(4.0, spacing / 2))
    bent = _bent(bands, spacing, width)
    marks = _find_marks(bands, bent, spacing)
    count = _number_marks(marks, spacing)
    lines = _Lines.of(marks, count)
    _require_regular(lines, marks, count)
    placed = _place(bands, lines.thinned(), spacing, width)
    fit = _fit(placed)
    even = _require_lines(picture, turned, fit, placed)
    part = _divisor(_parts_between(bands, bent, fit, placed))
    between = count.between or part > 1
    if part > 1 and spacing / part >= _MIN_PITCH_PX:
        try:
            return _measure_at(picture, turned, spacing / part, min(width, spacing / part / 2))
        except _NotRuledError:
            pass  # there, but too faint or too few to measure: the coarse lines are, with a doubt
    ruling = _ruling(turned, fit, placed, between, even)
    if ruling.variation > _MOST_DISTORTION:
        raise _NotRuledError(
            f"the spacing of the lines changes by {ruling.variation:.0%} over the picture",
            "lay the ruled scale flat and square to the camera",
            4,
        )
    if ruling.u_fit > _MOST_UNCERTAIN:
        raise _NotRuledError("the lines scatter too much to be measured", _SEE_SCALE, 3)
    return ruling


# The turned picture -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Bands:
    """Profiles across the ruling, each the mean along the lines over a band; NaN off the picture."""

    values: NDArray[np.float32]  # (B, U)
    u0: float  # px across the ruling from the picture's centre, of the first sample; samples are 1 px apart
    v: Array  # (B,) px along the lines from the picture's centre
    height: float  # px, of a band


@dataclass(frozen=True)
class _Turned:
    """The picture resampled with u across the ruling and v along it, both from the picture's centre."""

    rows: NDArray[np.float32]  # (V, U), NaN off the picture
    u0: float
    v0: float
    step: float  # px between rows
    angle: float  # rad, of the u axis
    centre: tuple[float, float]  # x, y

    def bands(self, height: float) -> _Bands:
        """Average the rows over bands of about the given height in px."""
        n = max(1, round(height / self.step))
        b = self.rows.shape[0] // n
        if b < 3:
            raise _no_scale("the lines are too short to be told from dirt")
        values = self.rows[: b * n].reshape(b, n, -1).mean(axis=1)
        v = self.v0 + self.step * (n * np.arange(b) + (n - 1) / 2)
        held = np.isfinite(values).any(axis=1)
        if not held.any():
            raise _no_scale("nothing repeats")
        return _Bands(values[held], self.u0, v[held], n * self.step)

    def to_image(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Columns and rows of places in the turned picture."""
        c, s = np.cos(self.angle), np.sin(self.angle)
        return self.centre[0] + u * c - v * s, self.centre[1] + u * s + v * c


def _turn(picture: NDArray[np.float32], angle: float) -> _Turned:
    h, w = picture.shape
    c, s = np.cos(angle), np.sin(angle)
    half_u = (abs(c) * (w - 1) + abs(s) * (h - 1)) / 2
    half_v = (abs(s) * (w - 1) + abs(c) * (h - 1)) / 2
    n_u = int(2 * half_u) + 1
    step = float(max(1, round(2 * half_v * n_u / _SAMPLES)))
    n_v = int(2 * half_v / step) + 1
    u0, v0 = -(n_u - 1) / 2, -step * (n_v - 1) / 2
    centre = ((w - 1) / 2, (h - 1) / 2)
    to_source = np.array(
        [[c, -s * step, centre[0] + u0 * c - v0 * s], [s, c * step, centre[1] + u0 * s + v0 * c]]
    )
    rows = cv2.warpAffine(
        picture,
        to_source,
        (n_u, n_v),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 4,
    )
    return _Turned(np.asarray(rows, np.float32), u0, v0, step, angle, centre)


def _filled(bands: _Bands) -> NDArray[np.float32]:
    """Return the profiles with the nearest seen value where they leave the picture."""
    values = bands.values
    seen = np.isfinite(values)
    at = np.arange(values.shape[1])
    first = seen.argmax(axis=1)[:, None]
    last = values.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)[:, None]
    return np.take_along_axis(values, np.clip(at[None, :], first, last), axis=1)


# The spacing ------------------------------------------------------------------------------------------------


def _likely_spacings(bands: _Bands, most: int = 4) -> list[tuple[float, float]]:
    """Return spacings at which the profiles repeat, smallest first, each with the width of a line, in px.

    The correlation is that of the slopes: a line's two sides have opposite slopes, so between the multiples
    of the spacing it is negative or nil, and the first peak is the smallest division.
    """
    slope = ndimage.gaussian_filter1d(bands.values.astype(float), 1.2, axis=1, order=1, truncate=3)
    seen = np.isfinite(slope)
    slope[~seen] = 0
    rms = np.sqrt((slope**2).sum() / max(1, seen.sum()))
    if rms == 0:
        return []
    slope = np.tanh(slope / (2 * rms))  # the rim of the field and dirt are stronger than any line
    n = slope.shape[1]
    total, pairs = _lagged(slope), _lagged(seen.astype(float))
    lags = min(n // 3, int(np.flatnonzero(pairs > 0.02 * pairs[0])[-1]))
    r = total[:lags] / np.maximum(pairs[:lags], 1)
    r /= r[0]
    inner = np.arange(1, lags - 1)
    peak = inner[(r[inner] > r[inner - 1]) & (r[inner] >= r[inner + 1]) & (inner >= _MIN_PITCH_PX - 1)]
    scatter = np.sqrt(8 / seen.sum())
    peak = peak[r[peak] > max(6 * scatter, 0.3 * r[peak].max(initial=0))]
    tops = [float(k + _vertex(r[k - 1], r[k], r[k + 1])) for k in peak]
    # the two sides of a line are the strongest pair of opposite slopes within half a spacing
    return [(p, float(2 + np.argmin(r[2 : int(p / 2) + 1]))) for p in tops if p >= _MIN_PITCH_PX][:most]


def _lagged(rows: NDArray[Any]) -> Array:
    """Return the sum over rows of each row's correlation with itself."""
    n = fft.next_fast_len(2 * rows.shape[1], real=True)
    spectrum = fft.rfft(rows.astype(np.float32), n, axis=1)
    return np.asarray(fft.irfft((np.abs(spectrum) ** 2).sum(axis=0, dtype=np.float64), n))


def _vertex(left: ArrayLike, mid: ArrayLike, right: ArrayLike) -> NDArray[Any]:
    """Return where the parabola through three neighbouring samples has its top, from the middle one."""
    bend = np.asarray(left) - 2 * np.asarray(mid) + np.asarray(right)
    return np.clip(0.5 * (np.asarray(left) - right) / np.where(bend == 0, -1.0, bend), -0.5, 0.5)


# Marks: one line in one band --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Marks:
    """Places in bands that look like a line, sorted by band and place."""

    u: Array  # (M,) px across the ruling
    band: Ints  # (M,)
    v: Array  # (M,) px along the lines
    height: float  # px between bands

    def neighbours(self, shift_u: float, shift_band: int, within: float) -> Ints:
        """Index of the mark nearest to each one's place shifted, or -1 if there is none that near (px)."""
        if not self.u.size:
            return np.zeros(0, np.int64)
        apart = 4 * (np.ptp(self.u) + abs(shift_u) + within + 1)
        key = self.band * apart + (self.u - self.u.min())
        want = key + shift_band * apart + shift_u
        right = np.clip(np.searchsorted(key, want), 0, key.size - 1)
        left = np.maximum(right - 1, 0)
        near = np.where(np.abs(key[left] - want) < np.abs(key[right] - want), left, right)
        return np.where(np.abs(key[near] - want) <= within, near, -1)

    def thinned(self) -> _Marks:
        """Return blocks of eight bands at equal distances, if all of them hold more marks than are needed."""
        every = 1 + self.u.size // (4 * _ENOUGH_MARKS)
        return self.only(self.band // 8 % every == 0)

    def only(self, keep: Mask) -> _Marks:
        return _Marks(self.u[keep], self.band[keep], self.v[keep], self.height)


def _bent(bands: _Bands, spacing: float, width: float) -> NDArray[np.float32]:
    """Return the curvature of the profiles relative to the light there, positive on lines."""
    values = _filled(bands)
    # over a division each way, so that a line of the other direction does not darken a whole band
    size = 2 * round(spacing) + 1, 2 * round(spacing / bands.height) + 1
    level = cv2.blur(values, size, borderType=cv2.BORDER_REPLICATE)
    bent = _curvature(values, max(1.0, 0.4 * width)) / np.maximum(level, 0.2 * level.mean())
    bent[~np.isfinite(bands.values)] = 0
    return np.asarray(-bent if _skew(bent) < 0 else bent, np.float32)


def _find_marks(bands: _Bands, bent: NDArray[np.float32], spacing: float) -> _Marks:
    """Return the lines of each band, as peaks of its curvature."""
    row, col = np.nonzero(
        (bent[:, 1:-1] > bent[:, :-2]) & (bent[:, 1:-1] >= bent[:, 2:]) & (bent[:, 1:-1] > 0)
    )
    col = col + 1
    height = bent[row, col]
    u = bands.u0 + col + _vertex(bent[row, col - 1], height, bent[row, col + 1])
    every = _Marks(u, row.astype(np.int64), bands.v[row], bands.height)
    regular = (every.neighbours(spacing, 0, 0.15 * spacing) >= 0) & (
        every.neighbours(-spacing, 0, 0.15 * spacing) >= 0
    )
    if not regular.any():
        raise _no_scale("nothing repeats evenly")
    return every.only(height > 0.3 * _weighted_median(height[regular], height[regular] ** 2)).thinned()


def _curvature(values: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Return the second derivative along the rows, smoothed by a Gaussian."""
    half = int(np.ceil(4 * sigma_px))
    delta = np.zeros(2 * half + 1)
    delta[half] = 1
    kernel = ndimage.gaussian_filter1d(delta, sigma_px, order=2, mode="constant")
    bent = cv2.sepFilter2D(values, cv2.CV_32F, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(bent, np.float32)


def _skew(values: NDArray[Any]) -> float:
    """Return the sum of cubes: positive where the strong values are."""
    flat = values.ravel()
    return float(np.dot(flat * flat, flat))


def _weighted_median(values: NDArray[Any], weights: NDArray[Any]) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


# Numbering --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Count:
    """The line number of every mark."""

    number: Ints  # (M,)
    off: Array  # (M,) divisions off that line
    on_line: Mask  # (M,) on a numbered line, and continued in a neighbouring band
    between: bool  # whether there are regular lines off the numbers


def _powers(u: Array, v: Array, n_terms: int) -> Array:
    """Return the columns 1, u, v, uv, u², v², the first n_terms of them."""
    return np.stack([np.ones_like(u), u, v, u * v, u * u, v * v][:n_terms], axis=1)


def _number_marks(marks: _Marks, spacing: float) -> _Count:
    """Number the marks outwards from the most regular place."""
    seed = _seed(marks, spacing)
    u, v = (marks.u - marks.u[seed]) / spacing, (marks.v - marks.v[seed]) / spacing
    reach, far = 6.0, float(max(np.abs(u).max(), np.abs(v).max()))
    coef = np.array([0.0, 1.0, 0.0])
    while True:
        near = (np.abs(u) <= reach) & (np.abs(v) <= reach)
        for gate in (0.25, 0.2):
            coef = _refit(u[near], v[near], coef, gate, reach)
        if reach >= far:
            break
        reach *= 1.5
    for gate in (0.2, 0.15):
        coef = _refit(u, v, coef, gate, reach)
    where = _powers(u, v, coef.size) @ coef
    number = np.rint(where).astype(np.int64)
    off = where - number
    return _judge(marks, number, off, spacing)


def _seed(marks: _Marks, spacing: float) -> int:
    """Return the mark with most regular company: neighbours both sides, its own line above and below."""
    close = 0.12 * spacing
    regular = np.ones(marks.u.size, bool)
    for du, db in ((spacing, 0), (-spacing, 0), (0.0, 1), (0.0, -1)):
        regular &= marks.neighbours(du, db, close) >= 0
    if not regular.any():
        raise _no_scale("nothing repeats evenly")
    places = np.flatnonzero(regular)
    cell = np.stack([marks.u[places], marks.v[places]], axis=1) // (6 * spacing)
    _, which, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    home = places[which.ravel() == count.argmax()]
    middle = np.array([marks.u[home].mean(), marks.v[home].mean()])
    return int(home[np.hypot(marks.u[home] - middle[0], marks.v[home] - middle[1]).argmin()])


def _refit(u: Array, v: Array, coef: Array, gate: float, reach: float) -> Array:
    """Fit the number function again to the marks within `gate` divisions of a line."""
    thin = max(1, u.size // _ENOUGH_MARKS)
    u, v = u[::thin], v[::thin]
    where = _powers(u, v, coef.size) @ coef
    number = np.rint(where)
    keep = np.abs(where - number) < gate
    n_lines = np.unique(number[keep]).size
    if n_lines < 3:
        return coef
    n_terms = 3 if n_lines < 6 else 4 if n_lines < 12 else 6
    basis = _powers(u[keep] / reach, v[keep] / reach, n_terms)
    target = number[keep]
    weight = np.ones(target.size)
    for _ in range(3):
        new = _least_squares(basis, target, weight)
        rest = np.abs(target - basis @ new)
        limit = 2 * 1.4826 * float(np.median(rest)) + 1e-6
        weight = np.minimum(1.0, limit / np.maximum(rest, 1e-12))
    return np.asarray(new / np.array([1, reach, reach, reach**2, reach**2, reach**2][:n_terms]))


def _least_squares(basis: Array, target: Array, weight: Array) -> Array:
    """Solve by the normal equations: far quicker than orthogonal steps; the columns are few and scaled."""
    size = np.sqrt(weight @ basis**2) + 1e-300
    weighted = (basis * weight[:, None] / size).T
    return np.asarray(np.linalg.lstsq(weighted @ basis / size, weighted @ target, rcond=1e-13)[0] / size)


def _judge(marks: _Marks, number: Ints, off: Array, spacing: float) -> _Count:
    """Keep the marks that lie on a number and continue along the line; count the lines that lie between."""
    continued = np.zeros(number.size, bool)
    for step in (1, -1):
        other = marks.neighbours(0.0, step, 0.2 * spacing)
        near = np.abs(off + number - (off + number)[other]) < 0.1
        continued |= (other >= 0) & near
    on_line = _main_run(number, continued & (np.abs(off) < 0.15))
    on_line &= _in_company(marks.band, number, on_line)
    astray = continued & (np.abs(off) > 0.2)
    if on_line.any():
        astray &= (number >= number[on_line].min()) & (number <= number[on_line].max())
        typical = float(np.median(np.unique(number[on_line], return_counts=True)[1]))
        n_lines = np.unique(number[on_line]).size
        between = _has_lines_between(number[astray], off[astray], max(4.0, typical / 6), n_lines)
    else:
        between = False
    return _Count(number, off, on_line, between)


def _main_run(number: Ints, on_line: Mask) -> Mask:
    """Keep the lines of the longest run with no gap of more than three; beyond it, text may fit by chance."""
    numbers, counts = np.unique(number[on_line], return_counts=True)
    if not numbers.size:
        return on_line
    numbers = numbers[counts >= 0.2 * np.median(counts)]
    runs = np.split(numbers, np.flatnonzero(np.diff(numbers) > 4) + 1)
    return on_line & np.isin(number, max(runs, key=len))


def _in_company(band: Ints, number: Ints, on_line: Mask) -> Mask:
    """Tell which marks share their band with three lines or more; a cross-hair runs on alone."""
    pairs = np.unique(np.stack([band[on_line], number[on_line]]), axis=1)
    bands, n_lines = np.unique(pairs[0], return_counts=True)
    return np.isin(band, bands[n_lines >= 3])


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


def _require_regular(lines: _Lines, marks: _Marks, count: _Count) -> None:
    """Refuse what is not evenly ruled: too few lines, gaps in the count, or much that is off the lines."""
    number = np.unique(lines.number)
    if number.size < 3:
        raise _no_scale("nothing repeats evenly", 1)
    if number.size < _MIN_LINES:
        raise _NotRuledError(f"only {number.size} lines of a scale to be seen", _SEE_SCALE, 3)
    if number.size < 0.75 * (number[-1] - number[0] + 1):
        raise _no_scale("the lines are not evenly spaced", 2)
    bands = np.unique(lines.band)
    inside = np.isin(marks.band, bands) & (count.number >= number[0]) & (count.number <= number[-1])
    if count.on_line[inside].mean() < 0.7:
        raise _no_scale("too much lies between the lines", 2)


# Exact places -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Lines:
    """Marks that lie on numbered lines."""

    u: Array
    v: Array
    band: Ints
    number: Ints
    height: float  # px, of a band
    u_std: Array  # px, standard deviation of u, as the picture's noise there suggests

    @classmethod
    def of(cls, marks: _Marks, count: _Count) -> _Lines:
        keep = count.on_line
        return cls(
            marks.u[keep],
            marks.v[keep],
            marks.band[keep],
            count.number[keep],
            marks.height,
            np.ones(int(keep.sum())),
        )

    def thinned(self) -> _Lines:
        """Return every so manieth mark: enough for any precision."""
        return self.only(np.arange(self.u.size) % max(1, self.u.size // _ENOUGH_MARKS) == 0)

    def only(self, keep: Mask) -> _Lines:
        return _Lines(
            self.u[keep], self.v[keep], self.band[keep], self.number[keep], self.height, self.u_std[keep]
        )


def _place(bands: _Bands, lines: _Lines, spacing: float, width: float) -> _Lines:
    """Place each mark by least squares with the mean line shape, on a straight local background."""
    half = min(0.45 * spacing, 2 * width + 3)
    t = np.linspace(-half, half, 2 * int(np.clip(half, 4, 40)) + 1)
    spline = ndimage.spline_filter1d(_filled(bands).astype(float), order=3, axis=1, mode="nearest")
    inside = _window_seen(bands, lines, half)
    light = _light(_sample(spline, bands, lines.band, lines.u, t), lines, t)
    u = lines.u
    for _ in range(3):
        windows = _sample(spline, bands, lines.band, u, t) / light
        shift, u_std = _shift_of_shape(windows, inside, t)
        u = u + np.clip(shift, -0.25 * half, 0.25 * half)
    keep = inside & (np.abs(u - lines.u) < 0.2 * spacing) & np.isfinite(u_std)
    if np.unique(lines.number[keep]).size < _MIN_LINES:
        raise _no_scale("the lines are too faint", 2)
    return _Lines(u, lines.v, lines.band, lines.number, lines.height, u_std).only(keep)


def _light(windows: Array, lines: _Lines, t: Array) -> Array:
    """Return how the light changes over each mark's window, relative to its middle, (M, T).

    Light that falls off to the sides shifts each line towards the bright side by its mean square half width
    times the relative slope of the light. The light is read where the picture is bright: beside dark lines,
    on bright ones.
    """
    beside, on = windows[:, [0, 1, -2, -1]].mean(axis=1), windows[:, np.abs(t) <= 0.2 * t[-1]].mean(axis=1)
    level = beside if np.median(beside) > np.median(on) else on
    size_u, size_v = float(np.ptp(lines.u)) / 2, float(np.ptp(lines.v)) / 2 + lines.height
    u, v = (lines.u - lines.u.mean()) / size_u, (lines.v - lines.v.mean()) / size_v
    basis = _powers(u, v, 6)
    log_level = np.log(np.maximum(level, 0.05 * np.median(level)))
    weight = np.ones(u.size)
    for _ in range(5):
        # the ends of lines, and where others cross, are lighter or darker for no reason of the light
        coef = _least_squares(basis, log_level, weight)
        rest = np.abs(log_level - basis @ coef)
        weight = np.where(rest < 2 * 1.4826 * np.median(rest) + 1e-9, 1.0, 1e-6)
    slope = (coef[1] + coef[3] * v + 2 * coef[4] * u) / size_u
    return np.asarray(1 + np.clip(slope[:, None] * t, -0.5, 0.5))


def _window_seen(bands: _Bands, lines: _Lines, half: float) -> Mask:
    """Tell which marks have their whole window on the picture."""
    seen = np.isfinite(bands.values)
    left = np.floor(lines.u - bands.u0 - half - 2).astype(np.int64)
    right = np.ceil(lines.u - bands.u0 + half + 2).astype(np.int64)
    inside = (left >= 0) & (right < seen.shape[1])
    edge = np.clip(left, 0, seen.shape[1] - 1), np.clip(right, 0, seen.shape[1] - 1)
    return np.asarray(inside & seen[lines.band, edge[0]] & seen[lines.band, edge[1]])


def _sample(spline: Array, bands: _Bands, band: Ints, u: Array, t: Array) -> Array:
    """Return the profiles at u + t, (M, T)."""
    at = u[:, None] + t[None, :] - bands.u0
    row = np.broadcast_to(band[:, None], at.shape)
    return np.asarray(ndimage.map_coordinates(spline, [row, at], order=3, mode="nearest", prefilter=False))


def _shift_of_shape(windows: Array, good: Mask, t: Array) -> tuple[Array, Array]:
    """Return how far each window's line lies from its middle, and the standard deviation of that, px.

    Each window is taken as a + b t + A f(t − δ), f the mean of all windows; to first order in δ this is
    linear.
    """
    trend = np.stack([np.ones_like(t), t], axis=1)
    flat = windows - windows @ np.linalg.pinv(trend).T @ trend.T
    size = np.maximum(flat.std(axis=1, keepdims=True), 1e-12)
    shape = np.median((flat / size)[good], axis=0)
    slope = np.gradient(shape, t)
    design = np.column_stack([trend, shape, slope])
    inverse = np.linalg.pinv(design)
    coef = windows @ inverse.T
    rest = windows - coef @ design.T
    noise = np.sqrt((rest**2).sum(axis=1) / (t.size - 4))
    amplitude = coef[:, 2]
    usable = amplitude > 0.1 * np.median(amplitude[good])
    amplitude = np.where(usable, amplitude, np.nan)
    u_std = noise * np.linalg.norm(inverse[3]) / amplitude
    return np.nan_to_num(-coef[:, 3] / amplitude), u_std


# The number function ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Fit:
    """Line number as a smooth function of place."""

    middle: Array  # (2,) px, u and v of the middle of the marks
    reach: float  # px
    coef: Array  # (K,)
    cov: Array  # (K, K), clustered by line
    weight: Array  # (M,) of each mark
    n_terms: int  # of the polynomial; a term for radial distortion follows if coef has one more

    def basis(self, u: Array, v: Array) -> Array:
        """Return the columns of the fit at places, (M, K)."""
        return _columns(u, v, self.middle, self.reach, self.n_terms, self.coef.size > self.n_terms)

    def slopes(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Return the columns' derivatives along u and v, per px, each (M, K)."""
        x, y = (u - self.middle[0]) / self.reach, (v - self.middle[1]) / self.reach
        one, nil = np.ones_like(x), np.zeros_like(x)
        du = [nil, one, nil, y, 2 * x, nil][: self.n_terms]
        dv = [nil, nil, one, x, nil, 2 * y][: self.n_terms]
        if self.coef.size > self.n_terms:
            fu, fv = u / self.reach, v / self.reach
            du.append(3 * fu**2 + fv**2)
            dv.append(2 * fu * fv)
        return np.stack(du, axis=1) / self.reach, np.stack(dv, axis=1) / self.reach

    def place(self, number: Array, v: Array) -> Array:
        """Return u of a line at v."""
        c = np.zeros(7)
        c[: self.coef.size] = self.coef
        number, v = np.broadcast_arrays(number, v)
        y, fv = (v - self.middle[1]) / self.reach, v / self.reach
        straight, tilt = c[0] + y * (c[2] + y * c[5]) - number, c[1] + c[3] * y
        x = np.zeros(v.shape)
        for _ in range(3):
            fu = x + self.middle[0] / self.reach
            miss = straight + x * (tilt + c[4] * x) + c[6] * fu * (fu**2 + fv**2)
            x = x - miss / (tilt + 2 * c[4] * x + c[6] * (3 * fu**2 + fv**2))
        return np.asarray(self.middle[0] + self.reach * x)


def _columns(u: Array, v: Array, middle: Array, reach: float, n_terms: int, radial: bool) -> Array:
    basis = _powers((u - middle[0]) / reach, (v - middle[1]) / reach, n_terms)
    if radial:
        # a lens moves a place along the radius from the picture's centre by the cube of that radius
        fu, fv = u / reach, v / reach
        basis = np.column_stack([basis, fu * (fu**2 + fv**2)])
    return basis


def _fit(lines: _Lines) -> _Fit:
    n_lines = np.unique(lines.number).size
    n_terms = 3 if n_lines < 6 else 4 if n_lines < 10 else 6
    plain = _fit_terms(lines, n_terms, radial=False)
    if n_lines < 12:
        return plain
    bent = _fit_terms(lines, n_terms, radial=True)
    return bent if abs(bent.coef[-1]) > 4 * np.sqrt(bent.cov[-1, -1]) else plain


def _fit_terms(lines: _Lines, n_terms: int, *, radial: bool) -> _Fit:
    """Fit by weighted, robust least squares.

    A mark is off by its own noise and by what its line is off as a whole (the ruling, or what lies on it),
    so a line that shows over a great length weighs more only until its own place is the larger of the two.
    """
    middle = np.array([np.median(lines.u), np.median(lines.v)])
    reach = float(max(np.ptp(lines.u), np.ptp(lines.v))) / 2
    basis = _columns(lines.u, lines.v, middle, reach, n_terms, radial)
    target = lines.number.astype(float)
    numbers, which = np.unique(lines.number, return_inverse=True)
    free = _free(numbers.size, basis.shape[1])
    per_px = np.ptp(target) / np.ptp(lines.u)
    noise = per_px**2 * (lines.u_std**2 + np.median(lines.u_std) ** 2 + 0.02**2)
    robust, line_variance = np.ones_like(noise), 0.0
    for _ in range(8):
        trust = robust / noise
        total = np.bincount(which, trust)
        weight = trust / (1 + line_variance * total)[which]
        coef = _least_squares(basis, target, weight)
        rest = target - basis @ coef
        seen = total > 0
        line_rest = np.bincount(which, trust * rest)[seen] / total[seen]
        line_variance = max(
            0.0, float(np.mean(line_rest**2)) * seen.sum() / free - float(np.mean(1 / total[seen]))
        )
        standard = rest / np.sqrt(noise + line_variance)
        limit = 6 * 1.4826 * float(np.median(np.abs(standard))) + 1e-9
        robust = np.square(np.maximum(0, 1 - np.square(standard / limit)))
    return _Fit(middle, reach, coef, _covariance(basis, rest, weight, lines.number), weight, n_terms)


def _free(n_lines: int, n_columns: int) -> int:
    """Degrees of freedom: a constant, u, u² and the radial term compete with the places of single lines."""
    return max(1, n_lines - sum(c < n_columns for c in (0, 1, 4, 6)))


def _covariance(basis: Array, rest: Array, weight: Array, number: Ints) -> Array:
    """Return the covariance of the coefficients with each line one draw.

    What a line is off as a whole has a variance in inverse proportion to its weight, pooled over the lines
    since they are too few to have one each; what varies along the lines comes to it, clustered by line. The
    whole is widened for correlation between neighbouring lines and for the tails that few lines leave
    (Student's t at 95 %).
    """
    held = weight > 0
    numbers, which = np.unique(number[held], return_inverse=True)
    basis, rest, weight = basis[held], rest[held], weight[held]
    n, k = numbers.size, basis.shape[1]
    total = np.bincount(which, weight)
    line_rest = np.bincount(which, weight * rest) / total
    pull, within = np.zeros((n, k)), np.zeros((n, k))
    np.add.at(pull, which, basis * weight[:, None])
    np.add.at(within, which, basis * (weight * (rest - line_rest[which]))[:, None])
    free = _free(n, k)
    tails = (stats.t.ppf(0.975, free) / stats.norm.ppf(0.975)) ** 2
    meat = (total @ line_rest**2 / free) * (pull.T / total) @ pull + within.T @ within
    bread = np.linalg.pinv((basis * weight[:, None]).T @ basis)
    return np.asarray(tails * _correlation_factor(line_rest) * bread @ meat @ bread)


def _correlation_factor(series: Array) -> float:
    """Return by how much the variance of a mean grows if neighbours resemble each other beyond chance."""
    if series.size < 8:
        return 1.0
    centred = series - series.mean()
    rho = float((centred[1:] * centred[:-1]).sum() / max((centred**2).sum(), 1e-30))
    rho = float(np.clip(rho - 1 / np.sqrt(series.size), 0.0, 0.8))
    return (1 + rho) / (1 - rho)


# Is it really a ruling --------------------------------------------------------------------------------------


def _require_lines(picture: NDArray[np.float32], turned: _Turned, fit: _Fit, lines: _Lines) -> float:
    """Return how even the lines are along themselves; refuse waves, cloth, and what scatters too much."""
    rest = np.abs(lines.number - fit.basis(lines.u, lines.v) @ fit.coef)
    if 1.4826 * np.median(rest) > 0.04:
        raise _no_scale("the lines are not evenly spaced", 2)
    pitch = 1 / float(np.hypot(*(s.mean(axis=0) @ fit.coef for s in fit.slopes(lines.u, lines.v))))
    second, all_tones = _overtones(picture, turned, fit, lines, pitch)
    if all_tones < 0.025:
        raise _NotRuledError(
            "the picture rises and falls like a wave, without separate lines", "focus on the ruled scale", 4
        )
    run, even = _along_lines(picture, turned, fit, lines, pitch)
    # where a grid's lines are broken by others they are still thinner than the gaps; a chessboard's are not
    if run < 1.5 or even < (_EVEN_IF_CROSSED if second > 0.04 else _EVEN):
        raise _BROKEN
    return even


def _parts_between(bands: _Bands, bent: NDArray[np.float32], fit: _Fit, lines: _Lines) -> Array:
    """Return at which parts of a division (of 40) finer lines stand, in whichever bands.

    Read as the median over the divisions, so that text, specks and single lines do not count, and averaged
    over three bands, so that a line has to have some length.
    """
    numbers = np.unique(lines.number)
    chosen = numbers[np.linspace(0, numbers.size - 2, min(numbers.size - 1, 30)).astype(int)]
    if chosen.size < 4:
        return np.zeros(0)
    parts = np.arange(40) / 40
    place = fit.place((chosen[:, None] + parts)[None], bands.v[:, None, None])
    row = np.broadcast_to(np.arange(bands.v.size)[:, None, None], place.shape)
    seen = ndimage.map_coordinates(bent, [row, place - bands.u0], order=1, mode="constant", cval=np.nan)
    on_picture = np.isfinite(seen).mean(axis=1) > 0.6
    seen[~np.broadcast_to(on_picture[:, None], seen.shape)] = 0
    middling = ndimage.uniform_filter1d(np.nanmedian(seen, axis=1), 3, axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(seen - np.nanmedian(seen, axis=1)[:, None]), axis=1)
    noise = ndimage.uniform_filter1d(1.25 * spread / np.sqrt(chosen.size), 3, axis=0) / np.sqrt(3)
    main = np.percentile(middling[:, 0][middling[:, 0] > 0.2 * middling[:, 0].max()], 50)
    stands = (middling > 0.1 * main) & (middling > 6 * noise)
    # a row of finer lines holds the coarse ones too; out of focus, dark and bright may be exchanged
    stands &= middling[:, :1] > 0.5 * middling
    stands &= (middling >= np.roll(middling, 1, axis=1)) & (middling > np.roll(middling, -1, axis=1))
    return np.asarray(parts[stands.any(axis=0) & (parts > 0.08) & (parts < 0.92)])


def _divisor(parts: Array) -> int:
    """Return into how many equal parts the lines between divide a division; 1 if not into equal ones."""
    for n in (2, 4, 5, 10):
        off = np.abs(parts[:, None] - np.arange(1, n) / n) < 0.04
        if parts.size and off.any(axis=0).all() and off.any(axis=1).all():
            return n
    return 1


def _look(picture: NDArray[np.float32], turned: _Turned, u: Array, v: Array) -> Array:
    """Return the picture's values at places, NaN off it."""
    x, y = turned.to_image(u, v)
    shape = x.shape
    flat = cv2.remap(
        picture,
        x.reshape(shape[0], -1).astype(np.float32),
        y.reshape(shape[0], -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 4,
    )
    return np.asarray(flat, float).reshape(shape)


def _overtones(
    picture: NDArray[np.float32], turned: _Turned, fit: _Fit, lines: _Lines, pitch: float
) -> tuple[float, float]:
    """Return the second tone of a division's mean profile, and all above the first, over the first.

    Both are nil for a sine. The smaller of those in linear light and in what a screen shows, since either
    makes overtones of the other.
    """
    rng = np.random.default_rng(0)
    some = rng.permutation(lines.u.size)[:2000]
    phase = (np.arange(32) - 16) / 32
    v = np.broadcast_to(lines.v[some, None], (some.size, 32))
    values = _look(picture, turned, fit.place(lines.number[some, None] + phase, v), v)
    values = values[np.isfinite(values).all(axis=1)]
    if not values.size:
        raise _no_scale("the lines are at the very rim", 2)
    tones = [np.abs(np.fft.rfft((np.maximum(values, 0) ** power).mean(axis=0))) for power in (1.0, 1 / 2.2)]
    # what the pixels cannot hold comes from reading between them
    last = int(np.clip(pitch / 2, 2, 8)) + 1
    second, above = (
        min(float(np.hypot.reduce(tone[2:stop]) / tone[1]) for tone in tones) for stop in (3, last)
    )
    return second, above


def _along_lines(
    picture: NDArray[np.float32], turned: _Turned, fit: _Fit, lines: _Lines, pitch: float
) -> tuple[float, float]:
    """Return the longest run of the middling line, in divisions, and over how much of it the line is even.

    A line shows where it differs from the gaps beside it by 0.4 of what it does where it is plain. In a
    run, breaks under half a division are allowed: there a line of the other direction, or a speck, may
    cross. It is even where that difference, and that of its flanks, is within 0.3 of the median around,
    beyond what the gaps' own noise explains.
    """
    numbers = np.unique(lines.number)
    chosen = numbers[np.linspace(0, numbers.size - 1, min(numbers.size, 48)).astype(int)]
    per_division = int(min(32, pitch))
    middle = float(np.median(lines.v))
    low, high = (
        max(lines.v.min() - pitch, middle - 60 * pitch),
        min(lines.v.max() + pitch, middle + 60 * pitch),
    )
    v = np.arange(low, high, pitch / per_division)
    grid_v = np.broadcast_to(v, (chosen.size, v.size))
    seen = np.stack(
        [
            _look(picture, turned, fit.place(chosen[:, None] + off, grid_v), grid_v)
            for off in (0.0, -0.5, 0.5, -0.25, 0.25)
        ]
    )
    seen[:, ~np.isfinite(seen).all(axis=0)] = (
        0  # no contrast, so no line, where part of this is off the picture
    )
    centre, left, right, near_left, near_right = seen
    contrast = ndimage.uniform_filter1d((left + right) / 2 - centre, 3, axis=1)
    flank = ndimage.uniform_filter1d((left + right - near_left - near_right) / 2, 3, axis=1)
    if _skew(contrast) < 0:
        contrast, flank = -contrast, -flank
    shows = contrast > 0.4 * np.maximum(np.percentile(contrast, 80, axis=1, keepdims=True), 0)
    closed = ndimage.binary_closing(shows, np.ones((1, max(1, per_division // 2)), bool))
    runs = [_longest_run(row) for row in closed]
    gaps = ndimage.uniform_filter1d((left - right) / 2, 3, axis=1)
    noise = np.sqrt(3) * 1.4826 * float(np.median(np.abs(gaps - _around(gaps, per_division))))
    shares = [
        _evenness(contrast[k, run], flank[k, run], noise, per_division)
        for k, run in enumerate(runs)
        if run.stop - run.start > per_division // 2
    ]
    lengths = [run.stop - run.start for run in runs]
    return float(np.median(lengths)) / per_division, float(np.median(shares)) if shares else 0.0


def _evenness(contrast: Array, flank: Array, noise: float, per_division: int) -> float:
    """Return the share of a run over which both are what they are around, away from its soft ends."""
    usual, usual_flank = _around(contrast[None], per_division)[0], _around(flank[None], per_division)[0]
    within = 0.3 * usual + 3 * noise
    even = (np.abs(contrast - usual) < within) & (np.abs(flank - usual_flank) < within)
    end = max(1, per_division // 8)
    return float(even[end:-end].mean())


def _around(rows: Array, half: int) -> Array:
    """Return the running median along rows."""
    return np.asarray(ndimage.median_filter(rows, (1, 2 * half + 1), mode="nearest"))


def _longest_run(flags: Mask) -> slice:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if not edges.size:
        return slice(0, 0)
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    return slice(int(edges[2 * longest]), int(edges[2 * longest + 1]))


# The result -------------------------------------------------------------------------------------------------


def _ruling(turned: _Turned, fit: _Fit, lines: _Lines, between: bool, even: float) -> _Ruling:
    du, dv = fit.slopes(lines.u, lines.v)
    mean = np.stack([np.average(d, axis=0, weights=fit.weight) for d in (du, dv)])
    c, s = np.cos(turned.angle), np.sin(turned.angle)
    to_xy = np.array([[c, -s], [s, c]]) @ mean
    local = du @ fit.coef
    low, high = np.percentile(local, [1, 99])
    bends = [k for k in (3, 4, 6) if k < fit.coef.size]
    seen = any(abs(fit.coef[k]) > 4 * np.sqrt(fit.cov[k, k]) for k in bends)
    return _Ruling(
        gradient=to_xy @ fit.coef,
        cov=to_xy @ fit.cov @ to_xy.T,
        n_lines=np.unique(lines.number).size,
        variation=float((high - low) / local.mean()),
        variation_seen=seen,
        between=between,
        even=even,
    )


@dataclass(frozen=True)
class _Axes:
    """Divisions per pixel turned into divisions' length of a pixel along x and y."""

    value: Array  # (2,) divisions per px along x and y
    cov: Array  # (2, 2)
    note: str


def _axes_from_one(ruling: _Ruling) -> _Axes:
    s = ruling.density_px
    n = ruling.gradient / s
    # x longer by e (n_y)² and y shorter by e (n_x)² leave the pitch as it was seen
    along = np.array([-(n[1] ** 2), n[0] ** 2])
    cov = s**2 * (ruling.u_density**2 * np.ones((2, 2)) + SQUARE_PIXEL_STD**2 * np.outer(along, along))
    return _Axes(
        np.array([s, s]), cov, f"one direction only: pixels taken as square to {SQUARE_PIXEL_STD:.1%}"
    )


def _axes_from_cross(first: _Ruling, second: _Ruling) -> _Axes:
    """Solve for both axes: two divisions and the right angle between their normals."""
    seen = np.concatenate([first.gradient, second.gradient, [1.0, 1.0, 0.0]])
    cov = np.zeros((7, 7))
    cov[:2, :2], cov[2:4, 2:4] = first.cov, second.cov
    cov[4:, 4:] = np.diag([first.u_own**2, second.u_own**2, RIGHT_ANGLE_STD_RAD**2])
    u_angle = np.sqrt(RIGHT_ANGLE_STD_RAD**2 + first.u_angle_rad**2 + second.u_angle_rad**2)
    trust = np.array([2 * first.u_density, 2 * second.u_density, u_angle])
    value = _solve_axes(seen, trust)
    step = 1e-6 * np.concatenate([np.full(4, first.density_px), np.ones(3)])
    jacobian = np.stack(
        [
            (_solve_axes(seen + d, trust) - _solve_axes(seen - d, trust)) / (2 * d.sum())
            for d in np.diag(step)
        ],
        axis=1,
    )
    return _Axes(value, jacobian @ cov @ jacobian.T, "two directions: both axes measured")


def _solve_axes(seen: Array, trust: Array) -> Array:
    """Least squares for 1 / s² of both axes; `seen` ends in the two divisions and the cosine between them."""
    (ax, ay, bx, by), division = seen[:4], seen[4:]
    size = (ax**2 + ay**2 + bx**2 + by**2) / 2
    left = np.array([[ax * ax, ay * ay], [bx * bx, by * by], [ax * bx, ay * by]]) / size
    right = np.array([1 / division[0] ** 2, 1 / division[1] ** 2, division[2]])
    inverse_square = np.linalg.lstsq(left / trust[:, None], right / trust, rcond=None)[0]
    return np.asarray(np.sqrt(size / inverse_square))


def _doubts(ruling: _Ruling) -> list[str]:
    """Say what is doubtful about one direction."""
    texts = []
    if ruling.n_lines < _FEW_LINES:
        texts.append(f"only {ruling.n_lines} lines: take in {_FEW_LINES} or more")
    if ruling.u_fit > _WARN_UNCERTAIN:
        texts.append(f"the lines scatter: good to {ruling.u_fit:.1%} only; a sharper picture does better")
    if ruling.variation_seen and ruling.variation > _WARN_DISTORTION:
        texts.append(
            f"the scale changes by {ruling.variation:.2%} over the lines: tilt or lens distortion; "
            "lay the scale flat and square to the camera"
        )
    if ruling.between:
        texts.append(
            "lines between the divisions counted: make sure division_um is the distance of those counted"
        )
    return texts


def _axis_doubts(axes: _Axes) -> list[str]:
    x, y = axes.value
    u_difference = np.sqrt(axes.cov[0, 0] + axes.cov[1, 1] - 2 * axes.cov[0, 1])
    if abs(x - y) <= 3 * max(u_difference, 1e-12 * x):
        return []
    return [
        f"the axes differ by {abs(x / y - 1):.2%}: the picture has been stretched, or the scale is tilted"
    ]
