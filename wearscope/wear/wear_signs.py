"""Signs of wear along the edge besides the edge line itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip, grey
from wearscope.wear.coating_colour import DEEP_UM, colour_ratios, deep_colour, even_out
from wearscope.wear.zones import Sign

Array = NDArray[np.float64]

LINE_REACH_UM = 40.0  # how far inside the trace the lamp's image lies at most
BAND_REACH_UM = 90.0
SMALLEST_BRIGHTENING = 0.05  # of the brightest light near the edge, as a log ratio
# the lamp's image is seen before the edge has moved by half; the coating's border is ragged
U_PLACE_LINE_UM, U_PLACE_COLOUR_UM = 30.0, 50.0
SMALLEST_COLOUR = 0.02  # of the band's colour, as log ratios


def signs_of_wear(strip: Strip, trace_um: Array, *, in_colour: bool, plain: bool) -> list[Sign]:
    """The bright line along the edge and, where there is a coating to lose, the colour of the band.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        NaN where the edge is not seen.
    in_colour : bool
        Whether the bit is coated and the photo in colour.
    plain : bool
        Whether the background is even: the edge mirrors an uneven one, brighter here than there.

    Returns
    -------
    list of Sign
    """
    signs = []
    if plain:
        line = bright_line(strip, trace_um)
        signs.append(
            Sign(
                "bright-line", line, 0, rises=False, smallest=SMALLEST_BRIGHTENING, u_place_um=U_PLACE_LINE_UM
            )
        )
    colour = band_colour(strip, trace_um) if in_colour else None
    if colour is not None:
        signs.append(
            Sign("colour", colour, 0, rises=True, smallest=SMALLEST_COLOUR, u_place_um=U_PLACE_COLOUR_UM)
        )
    return signs


def bright_line(strip: Strip, trace_um: Array) -> Array:
    """Brightest light just inside the trace against that of the face, as a log ratio, shape (S,).

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        NaN where the edge is not seen.

    Returns
    -------
    ndarray, shape (S,)
    """
    window = _inside(strip, trace_um, -2, max(3, round(LINE_REACH_UM / strip.um_per_px)))
    brightest = _columnwise(grey(strip.light), window, lambda v: np.quantile(v, 0.95, axis=0), trace_um)
    # every third column tells the level of all
    face = grey(strip.light[(strip.d_um > DEEP_UM[0]) & (strip.d_um < DEEP_UM[1]), ::3])
    level = float(np.nanmedian(face)) if np.isfinite(face).any() else float(np.nanmedian(brightest))
    return np.asarray(np.log(np.maximum(brightest, 1e-3) / max(level, 1e-3)))


def band_colour(strip: Strip, trace_um: Array) -> Array | None:
    """How far the band's mean colour is from the face's, as log ratios, shape (S,); None without a face.

    Parameters
    ----------
    strip : Strip
    trace_um : ndarray, shape (S,)
        NaN where the edge is not seen.

    Returns
    -------
    ndarray, shape (S,), or None
    """
    # nothing outside the edge nor beyond the face has a say; half of the columns place a change well enough
    strip = strip.between(float(np.nanmin(trace_um)) - 10.0, DEEP_UM[1])
    every_other = np.asarray(
        cv2.resize(strip.light, None, fx=0.5, fy=1.0, interpolation=cv2.INTER_AREA), np.float32
    )
    at = np.minimum(np.arange(every_other.shape[1]) * 2, len(trace_um) - 1)
    strip, trace_um, columns = (
        replace(strip, light=every_other, s_um=strip.s_um[at]),
        trace_um[at],
        len(trace_um),
    )
    ratios = even_out(strip, colour_ratios(strip))
    deep = deep_colour(ratios, strip)
    if deep is None:
        return None
    window = _inside(strip, trace_um, 3, max(6, round(BAND_REACH_UM / strip.um_per_px)))
    means = [_columnwise(ratios[..., k], window, lambda v: v.mean(axis=0), trace_um) for k in (0, 1)]
    away = np.hypot(means[0] - deep[0], means[1] - deep[1])
    return np.asarray(away[np.minimum(np.arange(columns) // 2, len(away) - 1)])


def _inside(strip: Strip, trace_um: Array, first: int, last: int) -> NDArray[np.intp]:
    """Rows from `first` to `last` samples inside the trace, shape (last - first, S)."""
    step_um = float(strip.d_um[1] - strip.d_um[0])
    rows = np.round((np.nan_to_num(trace_um) - strip.d_um[0]) / step_um).astype(int)
    return np.asarray(np.clip(rows[None, :] + np.arange(first, last)[:, None], 0, len(strip.d_um) - 1))


def _columnwise(
    values: NDArray[np.float32], window: NDArray[np.intp], reduce: Callable[[Array], Array], trace_um: Array
) -> Array:
    """Reduce a window of each column; NaN where the edge or part of the window is not seen."""
    taken = values[window, np.arange(window.shape[1])].astype(np.float64)
    seen = np.isfinite(taken).all(axis=0) & np.isfinite(trace_um)
    out = np.full(window.shape[1], np.nan)
    if seen.any():
        out[seen] = reduce(taken[:, seen])
    return out
