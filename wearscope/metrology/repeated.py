"""One quantity measured again and again on several flutes by several people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.metrology.repeatability import AnovaStudy, Estimate, RangeStudy
from wearscope.quantities.quantity import Zone


@dataclass(frozen=True)
class Flute:
    """What is photographed again and again: one flute at one checkpoint."""

    bit: str
    flute: int
    parts: int
    view: str


@dataclass(frozen=True)
class RepeatedQuantity:
    """One quantity of a repeat study.

    Attributes
    ----------
    quantity : str
    zone : str
    unit : str
    flutes : tuple of Flute
    people : tuple of str
    values : ndarray, shape (flutes, people, repeats)
        NaN where there is none.
    doubtful : int
        How many of the values have the status doubtful; they count, for they come up in use as well.
    stated_u : float
        Root mean square of the standard uncertainties stated for the values.
    anova : AnovaStudy
    ranges : RangeStudy or None
        None if a value is missing or there was one flute.
    """

    quantity: str
    zone: Zone
    unit: str
    flutes: tuple[Flute, ...]
    people: tuple[str, ...]
    values: NDArray[np.float64]
    doubtful: int
    stated_u: float
    anova: AnovaStudy
    ranges: RangeStudy | None

    @property
    def spread_of_bits(self) -> Estimate:
        """Standard uncertainty with which flutes of two bits are compared.

        The larger of what is stated and what is seen: two bits share neither wedge angle nor new-state edge,
        so what does not scatter on one of them does not cancel between them either.
        """
        seen = self.anova.combined
        return Estimate(*(max(self.stated_u, bound) for bound in (seen.value, seen.low95, seen.high95)))

    @property
    def differences(self) -> NDArray[np.float64]:
        """Absolute differences of the flutes' mean values, one for each pair of flutes."""
        means = np.nanmean(self.values, axis=(1, 2))
        first, second = np.triu_indices(len(means), 1)
        differences: NDArray[np.float64] = np.abs(means[first] - means[second])
        return differences

    @property
    def astray(self) -> tuple[tuple[Flute, str], ...]:
        """Flute and person whose repeats lie further apart than those of the others explain."""
        if self.ranges is None:
            return ()
        wide = np.argwhere(np.ptp(self.values, axis=2) > self.ranges.range_limit)
        return tuple((self.flutes[flute], self.people[person]) for flute, person in wide)
