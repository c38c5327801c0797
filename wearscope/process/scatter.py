"""How far a scatter of few readings can be trusted."""

from __future__ import annotations

from scipy.special import stdtrit

_WITHIN_ONE_SIGMA = 0.8413  # probability of a normal variable below one standard deviation


def few_factor(n_free: float) -> float:
    """Factor on a standard deviation that rests on few readings: Student's t at 68 % in place of 1 (GUM, G.3).

    Parameters
    ----------
    n_free : float
        Degrees of freedom.

    Returns
    -------
    float
        1 for very many.
    """
    return float(stdtrit(n_free, _WITHIN_ONE_SIGMA))
