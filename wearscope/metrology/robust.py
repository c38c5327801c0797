"""Scatter that a few strays do not move."""

from __future__ import annotations

from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

NORMAL_CONSISTENCY = 1.482602218505602
"""1/Φ⁻¹(3/4): makes the median absolute deviation of normal values their standard deviation."""


@overload
def scatter(values: NDArray[Any], axis: None = None, *, about: float | None = None) -> float: ...
@overload
def scatter(
    values: NDArray[Any], axis: int | tuple[int, ...], *, about: float | None = None
) -> NDArray[np.float64]: ...
def scatter(
    values: NDArray[Any], axis: int | tuple[int, ...] | None = None, *, about: float | None = None
) -> float | NDArray[np.float64]:
    """Estimate a standard deviation from the median absolute deviation: 1.4826 times its value.

    Parameters
    ----------
    values : ndarray
        In any unit; NaN are left out.
    axis : int or tuple of int, optional
        Over which the values scatter; all when not given.
    about : float, optional
        The centre where it is known, as zero is of residuals; the values' own median when not given.

    Returns
    -------
    float or ndarray
        In the unit of the values; NaN where there is no value.

    Notes
    -----
    Up to half of the values may be strays. F. R. Hampel, "The influence curve and its role in robust estimation",
    J. Am. Stat. Assoc. 69 (1974) 383-393; the factor is that of the normal distribution.

    Examples
    --------
    The stray value hardly counts:

    >>> round(scatter(np.array([9.9, 10.0, 10.1, 10.2, 9.8, 25.0])), 2)
    0.22
    """
    median = np.nanmedian if np.isnan(values).any() else np.median
    centre = median(values, axis=axis, keepdims=True) if about is None else about
    found = NORMAL_CONSISTENCY * median(np.abs(values - centre), axis=axis)
    return float(found) if axis is None else np.asarray(found, np.float64)
