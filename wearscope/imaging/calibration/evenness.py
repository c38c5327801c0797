"""Whether what repeats evenly is a ruling: thin lines that run on, and not waves, cloth, print or a chessboard."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from wearscope.imaging.calibration.fit import NumberFunction
from wearscope.imaging.calibration.lines import Mask, sum_of_cubes
from wearscope.imaging.calibration.numbering import NumberedPoints
from wearscope.imaging.calibration.picture import (
    Array,
    NotRuledError,
    Picture,
    TurnedPicture,
    broken_up,
    no_scale,
    values_at,
)
from wearscope.metrology.robust import scatter

# Chosen, no source; tests/imaging/test_scale.py holds what must be read by them and what refused.
MOST_SCATTER = 0.04  # divisions, of the lines about the number function
LEAST_OVERTONES = 0.025  # over the first tone of a division's profile; below it is a wave
THIN_LINE = 0.04  # second tone over the first, from which lines are thinner than gaps
EVEN, EVEN_IF_CROSSED = 0.88, 0.35  # share of a line's length over which it looks the same
LEAST_RUN = 1.5  # divisions, of a line without a break
SHOWS = 0.4  # of a line's contrast where it is plain
SAME_CONTRAST = 0.3  # of the median around, and so many standard deviations of the gaps' noise:
SURE_CONTRAST = 3.0
DISPLAY_GAMMA = 2.2  # about that of a screen (IEC 61966-2-1)
POINTS, LINES = 2000, 48  # that are read: enough for a mean profile and a median
REACH = 60  # divisions along the lines


def require_lines(
    picture: Picture, turned: TurnedPicture, fit: NumberFunction, lines: NumberedPoints
) -> float:
    """Refuse waves, cloth, and what scatters too much.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
    turned : TurnedPicture
    fit : NumberFunction
    lines : NumberedPoints
        What it was fitted to.

    Returns
    -------
    float
        Share of their length over which the lines look the same.

    Raises
    ------
    NotRuledError
    """
    rest = lines.number - fit.basis(lines.u_px, lines.v_px) @ fit.coef
    if scatter(rest, about=0.0) > MOST_SCATTER:
        raise no_scale("the lines are not evenly spaced", 2)
    pitch = 1 / float(np.hypot(*(s.mean(axis=0) @ fit.coef for s in fit.slopes(lines.u_px, lines.v_px))))
    second, all_tones = _overtones(picture, turned, fit, lines, pitch)
    if all_tones < LEAST_OVERTONES:
        raise NotRuledError(
            "the picture rises and falls like a wave, without separate lines",
            "focus on the ruled scale",
            "no-separate-lines",
            4,
        )
    run, even = _along_lines(picture, turned, fit, lines, pitch)
    # where a grid's lines are broken by others they are still thinner than the gaps; a chessboard's are not
    if run < LEAST_RUN or even < (EVEN_IF_CROSSED if second > THIN_LINE else EVEN):
        raise broken_up()
    return even


def _overtones(
    picture: Picture, turned: TurnedPicture, fit: NumberFunction, lines: NumberedPoints, pitch: float
) -> tuple[float, float]:
    """Second tone of a division's mean profile, and all above the first, over the first.

    Both are nil for a sine. The smaller of those in linear light and in what a screen shows, since either
    makes overtones of the other.
    """
    rng = np.random.default_rng(0)
    some = rng.permutation(lines.u_px.size)[:POINTS]
    phase = (np.arange(32) - 16) / 32
    v = np.broadcast_to(lines.v_px[some, None], (some.size, 32))
    values = values_at(picture, turned, fit.place(lines.number[some, None] + phase, v), v)
    values = values[np.isfinite(values).all(axis=1)]
    if not values.size:
        raise no_scale("the lines are at the very rim", 2)
    powers = (1.0, 1 / DISPLAY_GAMMA)
    tones = [np.abs(np.fft.rfft((np.maximum(values, 0) ** power).mean(axis=0))) for power in powers]
    # what the pixels cannot hold comes from reading between them
    last = int(np.clip(pitch / 2, 2, 8)) + 1
    second, above = (
        min(float(np.hypot.reduce(tone[2:stop]) / tone[1]) for tone in tones) for stop in (3, last)
    )
    return second, above


def _along_lines(
    picture: Picture, turned: TurnedPicture, fit: NumberFunction, lines: NumberedPoints, pitch: float
) -> tuple[float, float]:
    """Longest run of the middling line, in divisions, and over how much of it the line is even.

    A line shows where it differs from the gaps beside it by `SHOWS` of what it does where it is plain. In a run,
    breaks under half a division are allowed: there a line of the other direction, or a speck, may cross. It is even
    where that difference, and that of its flanks, is within `SAME_CONTRAST` of the median around, beyond what the
    gaps' own noise explains.
    """
    numbers = np.unique(lines.number)
    chosen = numbers[np.linspace(0, numbers.size - 1, min(numbers.size, LINES)).astype(int)]
    per_division = int(min(32, pitch))
    middle = float(np.median(lines.v_px))
    low = max(lines.v_px.min() - pitch, middle - REACH * pitch)
    high = min(lines.v_px.max() + pitch, middle + REACH * pitch)
    v = np.arange(low, high, pitch / per_division)
    grid_v = np.broadcast_to(v, (chosen.size, v.size))
    seen = np.stack(
        [
            values_at(picture, turned, fit.place(chosen[:, None] + off, grid_v), grid_v)
            for off in (0.0, -0.5, 0.5, -0.25, 0.25)
        ]
    )
    # no contrast, so no line, where part of this is off the picture
    seen[:, ~np.isfinite(seen).all(axis=0)] = 0
    centre, left, right, near_left, near_right = seen
    contrast = ndimage.uniform_filter1d((left + right) / 2 - centre, 3, axis=1)
    flank = ndimage.uniform_filter1d((left + right - near_left - near_right) / 2, 3, axis=1)
    if sum_of_cubes(contrast) < 0:
        contrast, flank = -contrast, -flank
    shows = contrast > SHOWS * np.maximum(np.percentile(contrast, 80, axis=1, keepdims=True), 0)
    closed = ndimage.binary_closing(shows, np.ones((1, max(1, per_division // 2)), bool))
    runs = [_longest_run(row) for row in closed]
    gaps = ndimage.uniform_filter1d((left - right) / 2, 3, axis=1)
    noise = np.sqrt(3) * scatter(gaps - _around(gaps, per_division), about=0.0)
    shares = [
        _evenness(contrast[k, run], flank[k, run], noise, per_division)
        for k, run in enumerate(runs)
        if run.stop - run.start > per_division // 2
    ]
    lengths = [run.stop - run.start for run in runs]
    return float(np.median(lengths)) / per_division, float(np.median(shares)) if shares else 0.0


def _evenness(contrast: Array, flank: Array, noise: float, per_division: int) -> float:
    """Share of a run over which both are what they are around, away from its soft ends."""
    usual, usual_flank = _around(contrast[None], per_division)[0], _around(flank[None], per_division)[0]
    within = SAME_CONTRAST * usual + SURE_CONTRAST * noise
    even = (np.abs(contrast - usual) < within) & (np.abs(flank - usual_flank) < within)
    end = max(1, per_division // 8)
    return float(even[end:-end].mean())


def _around(rows: Array, half: int) -> Array:
    """Running median along rows."""
    return np.asarray(ndimage.median_filter(rows, (1, 2 * half + 1), mode="nearest"))


def _longest_run(flags: Mask) -> slice:
    runs = ndimage.find_objects(ndimage.label(flags)[0])
    return max((run for (run,) in runs), key=lambda run: run.stop - run.start, default=slice(0, 0))
