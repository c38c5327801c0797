"""What is taken of a life before anything was measured: the same for every bit, broad, and without an end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtri_exp

Array = NDArray[np.float64]

LIFE_MIDDLE = 2.0
"""Median of a life beforehand, times the parts at the last checkpoint of the whole trial: whoever tries a bit goes on
until he thinks to have seen a good part of its life. Common practice, no source."""
LIFE_SPREAD = 1.2
"""Standard deviation of the logarithm of a life beforehand: 95 % lie within ten times either way of `LIFE_MIDDLE`,
from a bit that is worn out in the first fifth of a trial to one of which a twentieth was seen. Chosen, no source: it
decides little, as no chance is told that rests on it alone (`wearscope.economics.ranking.shown`)."""


@dataclass(frozen=True)
class LifePrior:
    """Log-normal life of a bit.

    Attributes
    ----------
    middle : float
        Its median, in parts.
    spread : float
        Standard deviation of its logarithm.
    ends : int
        How many quantities may end the life. The first of them ends it, so that each by itself lasts longer, and the
        bit as long as one that has a single limit.
    """

    middle: float
    spread: float = LIFE_SPREAD
    ends: int = 1

    def life(self, z: Array) -> Array:
        """Parts until one of the quantities reaches its limit, from a standard normal variable.

        The first of n that each survive with the n-th root of S survives with S.

        Parameters
        ----------
        z : ndarray
            Any shape.

        Returns
        -------
        ndarray
            Of that shape.

        Examples
        --------
        >>> import numpy as np
        >>> LifePrior(600.0).life(np.array([0.0]))
        array([600.])
        """
        x = z if self.ends == 1 else -ndtri_exp(self.ends * log_ndtr(-z))
        result: Array = self.middle * np.exp(self.spread * x)
        return result


def trial_prior(parts_cut: float, ends: int = 1) -> LifePrior:
    """Prior of the lives of a trial.

    Parameters
    ----------
    parts_cut : float
        At the last checkpoint of all its bits.
    ends : int
        As in `LifePrior`.

    Returns
    -------
    LifePrior
    """
    return LifePrior(LIFE_MIDDLE * parts_cut, ends=ends)
