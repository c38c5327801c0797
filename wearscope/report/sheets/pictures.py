"""Pieces of a strip put on a page, and the scale bars beside them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wearscope.light.strip import Strip
from wearscope.report.sheets.page import Page
from wearscope.report.style import SMALL
from wearscope.report.tone import to_display, window


def draw_picture(
    page: Page,
    strip: Strip,
    s_range_um: tuple[float, float],
    d_range_um: tuple[float, float],
    frame: tuple[int, int, int, int],
    white: float,
) -> None:
    """Put a piece of a strip on the page; what the photo does not show is hatched.

    Parameters
    ----------
    page : Page
    strip : Strip
    s_range_um, d_range_um : (float, float)
        Piece along the edge and into the tool.
    frame : tuple of (left, top, width, height)
        In pixels of the page.
    white : float
        Linear light that is shown as white.
    """
    left, top, width, height = frame
    light = window(strip, s_range_um, d_range_um, (width, height))
    page.image(to_display(light, white), np.isfinite(light[..., 0]), left, top)


def draw_scale_bar(
    page: Page, x: float, y: float, length_um: float, px_per_um: float, *, from_right: bool = False
) -> None:
    """Draw a scale bar with its length on the text line `y`.

    Parameters
    ----------
    page : Page
    x, y : float
        Where it begins, or with `from_right` ends; the baseline of its text.
    length_um, px_per_um : float
    from_right : bool
    """
    text = f"{length_um:.0f} µm" if length_um < 1000 else f"{length_um / 1000:.0f} mm"
    wide = length_um * px_per_um
    start = x - page.text_width(text, SMALL) - 14 - wide if from_right else x
    middle = y - 10
    page.line([start, start + wide], [middle, middle], width=5)
    for end in (start, start + wide):
        page.line([end, end], [middle - 11, middle + 11], width=3)
    page.text(start + wide + 14, y, text, SMALL)


def nice_length(most_um: float) -> float:
    """Return the longest of 1, 2, 5 times a power of ten that is at most `most_um`.

    Parameters
    ----------
    most_um : float
        More than 0.

    Returns
    -------
    float
        In µm.

    Examples
    --------
    >>> nice_length(730.0)
    500.0
    """
    power = 10.0 ** np.floor(np.log10(most_um))
    return float(max(f * power for f in (1, 2, 5) if f * power <= most_um * (1 + 1e-9)))


def seen_range(strip: Strip) -> tuple[float, float]:
    """Part of the strip in which the photo holds most of the band around the edge.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    low_um : float
        Where it begins along the edge.
    high_um : float
        Where it ends.
    """
    near = (strip.d_um >= -40) & (strip.d_um <= 120)
    share = (
        np.isfinite(strip.light[near]).all(axis=2).mean(axis=0) if near.any() else np.zeros(strip.s_um.size)
    )
    seen = strip.s_um[share > 0.5]
    chosen = seen if seen.size > 1 else strip.s_um
    return float(chosen[0]), float(chosen[-1])


def runs(s_um: NDArray[np.float64], inside: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Start and end of each unbroken piece, from the outer side of its first column to that of its last.

    Parameters
    ----------
    s_um : ndarray, shape (S,)
        Places along the edge, evenly spaced.
    inside : ndarray of bool, shape (S,)

    Returns
    -------
    list of (float, float)
        In µm.

    Examples
    --------
    >>> runs(np.arange(5.0), np.array([False, True, True, False, True]))
    [(0.5, 2.5), (3.5, 4.5)]
    """
    half = float(s_um[1] - s_um[0]) / 2
    change = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    return [
        (float(s_um[a]) - half, float(s_um[b - 1]) + half)
        for a, b in zip(change[::2], change[1::2], strict=True)
    ]
