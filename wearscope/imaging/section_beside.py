"""What runs beside the outline of a section: a rim of other light, or a second outline further out.

The half level of an outline rests on the light of tool and ground beside it. Where a bright land or the next face
runs along the edge and is nearly as bright as the ground, the strongest outline is not the tool's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.imaging.section_tip import Array
from wearscope.metrology.robust import scatter

# Limits without another ground are chosen, no source; tests/imaging/test_section_beside.py holds what must be told by
# them and what must not.
CLEAR_BLURS = 2.2  # from the outline, where 1.4 % of its own step is left
DEEP_PX, LONG_PX = 1.0, 12.0  # of the cells whose mean light is compared: off the outline, and along it
LEAST_CELL, LEAST_CELLS = 6, 5  # pixels in one, and cells along a face
STEP_CELLS = 3  # compared on each side of a step
LEAST_STEP, SURE = 0.04, 5.0  # of the contrast, and in standard uncertainties
LEVEL_CELLS = 6  # beside the outline, that make its level


@dataclass(frozen=True)
class Beside:
    """Light beside an outline, against the smooth levels drawn on from further off, as shares of the contrast.

    Attributes
    ----------
    rim_share : float
        By how much it departs from them right beside the outline; root of the sum of the squares of both sides.
    second_share : float
        Step of light along a line further out; 0 where none is sure.
    """

    rim_share: float
    second_share: float


def light_beside(
    off: tuple[NDArray[np.float32], NDArray[np.float32]],
    away_px: NDArray[np.float32],
    outside: NDArray[np.bool_],
    along_px: tuple[Array, Array],
    reach_px: tuple[float, float],
) -> Beside:
    """Look along both faces for what runs beside the outline.

    Parameters
    ----------
    off : (ndarray, ndarray), shape (h, w) each
        Light less the level of the tool, and less that of the ground, over the contrast.
    away_px : ndarray, shape (h, w)
        Distance from the outline.
    outside : ndarray of bool, shape (h, w)
    along_px : (ndarray, ndarray), shape (h, w) each
        Distance from the tip along each face; NaN beside the other one.
    reach_px : (float, float)
        Distances from the outline between which the light is looked at.

    Returns
    -------
    Beside
    """
    rims, second = np.zeros(2), 0.0
    near = (away_px >= reach_px[0]) & (away_px < reach_px[1])
    for side, (left_over, here) in enumerate(zip(off, (~outside, outside), strict=True)):
        for along in along_px:
            use = near & here & np.isfinite(along)
            cells = _cells(left_over[use].astype(float), away_px[use].astype(float) - reach_px[0], along[use])
            if cells is None:
                continue
            rims[side] = max(rims[side], abs(float(np.nanmedian(cells[:, :LEVEL_CELLS]))))
            if side:
                second = max(second, _step(cells))
    return Beside(float(np.hypot(rims[0], rims[1])), second)


def _cells(light: Array, deep_px: Array, along_px: Array) -> Array | None:
    """Mean light of cells beside a face, shape (along, deep), NaN where little is seen; None where there are few."""
    if not len(light):
        return None
    row = (along_px / LONG_PX).astype(int)
    column = (deep_px / DEEP_PX).astype(int)
    row, wide = row - row.min(), int(column.max()) + 1
    count = np.bincount(row * wide + column, minlength=(int(row.max()) + 1) * wide)
    total = np.bincount(row * wide + column, light, minlength=len(count))
    cells = np.where(count >= LEAST_CELL, total / np.maximum(count, 1), np.nan).reshape(-1, wide)
    cells = cells[np.isfinite(cells[:, : 2 * STEP_CELLS]).all(axis=1)]
    return cells if len(cells) >= LEAST_CELLS else None


def _step(cells: Array) -> float:
    """The greatest step across a line along the face: what a middling cell shows, so specks do not count."""
    most = 0.0
    for k in range(STEP_CELLS, cells.shape[1] - STEP_CELLS):
        # one cell is left out on each side of the line, for its own blur
        step = cells[:, k + 1 : k + 1 + STEP_CELLS].mean(axis=1) - cells[:, k - STEP_CELLS : k].mean(axis=1)
        step = step[np.isfinite(step)]
        if len(step) < LEAST_CELLS:
            continue
        middle = abs(float(np.median(step)))
        if middle > max(LEAST_STEP, most) and middle > SURE * scatter(step) / np.sqrt(len(step)):
            most = middle
    return most
