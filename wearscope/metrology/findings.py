"""A quantity as measured, with its uncertainty, its detection limit and its status."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearscope.metrology.uncertainty import Budget, coverage_factor
from wearscope.quantities.quantity import Status, Zone


@dataclass(frozen=True)
class Finding:
    """A quantity as measured, before it is known which photo and program version it came from.

    The fields are those of `Record`; `u` is the standard uncertainty, `dof` its effective degrees of freedom and
    `budget` what it is made of, where that has been worked out.
    """

    quantity: str
    zone: Zone
    unit: str
    value: float | None
    u: float | None
    status: Status
    note: str
    method: str
    dof: float = np.inf
    budget: Budget | None = None

    @property
    def interval95(self) -> tuple[float | None, float | None]:
        """The 95 % interval, or nothing for a refused finding.

        Normal, unless the uncertainty rests on few independent lengths of edge: then by the t-distribution.
        """
        if self.value is None or self.u is None:
            return None, None
        expanded = max(COVERAGE_95, coverage_factor(self.dof)) * self.u
        return self.value - expanded, self.value + expanded


COVERAGE_95 = 1.96  # normal, JCGM 100 table G.1; the t-factor of few degrees of freedom is larger
DETECTION = 3.29  # both error risks 5 %: ISO 11843-1, from memory


def found(
    quantity: str,
    zone: Zone,
    unit: str,
    value: float,
    u: float | Budget,
    method: str,
    *,
    doubt: str = "",
    note: str = "",
    limit: float | None = None,
    dof: float = np.inf,
) -> Finding:
    """A measured quantity.

    Parameters
    ----------
    quantity, zone, unit, value, method
        As in `Finding`.
    u : float or Budget
        Standard uncertainty; a budget brings its effective degrees of freedom along.
    doubt : str
        Why the value is doubtful; "" when it is not.
    note : str
        Anything else to say.
    limit : float, optional
        Detection limit: a value that does not exceed it is `below_detection`, unless it is doubtful.
    dof : float
        Degrees of freedom of an uncertainty given as a number.
    """
    status: Status = "ok"
    if limit is not None and value <= limit:
        status = "below_detection"
        note = "; ".join(
            filter(None, [f"detection limit {limit:.3g} {unit}".removesuffix(" 1").strip(), note])
        )
    if doubt:  # also of what was not seen: that there is nothing is then as doubtful
        status = "doubtful"
    budget = u if isinstance(u, Budget) else None
    return Finding(
        quantity,
        zone,
        unit,
        float(value),
        u.u if isinstance(u, Budget) else float(u),
        status,
        "; ".join(filter(None, [doubt, note])),
        method,
        u.dof if isinstance(u, Budget) else dof,
        budget,
    )


def refused(quantity: str, zone: Zone, unit: str, reason: str, method: str) -> Finding:
    """A quantity that this photo cannot give; `reason` says why and what would help."""
    return Finding(quantity, zone, unit, None, None, "refused", reason, method)
