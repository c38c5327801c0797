"""The one place where points change between wearscope's (column, row) and napari's (row, column)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def to_napari(points_px: ArrayLike) -> Array:
    """Rows and columns of points given as columns and rows, shape (N, 2)."""
    return np.asarray(points_px, float).reshape(-1, 2)[:, ::-1].copy()


def from_napari(points: ArrayLike) -> tuple[tuple[float, float], ...]:
    """Columns and rows, as plain numbers, of points given as rows and columns."""
    return tuple((float(column), float(row)) for row, column in np.asarray(points, float).reshape(-1, 2))
