"""A quantity as measured, with its uncertainty, its detection limit, its status and the reasons for that."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from wearscope.metrology.uncertainty import Budget, Input, coverage_factor, linear
from wearscope.quantities.quantity import QUANTITIES, Status, Zone
from wearscope.quantities.reasons import Reason

COVERAGE_95 = 1.96  # normal, JCGM 100 table G.1; the t-factor of few degrees of freedom is larger
# both error risks 5 %: L. A. Currie, Analytical Chemistry 40 (1968); ISO 11929-1; both from memory
DETECTION = 3.29


def detection_limit(u_without_wear: float) -> float:
    """Smallest change that is found in 95 of 100 cases, where 5 of 100 blanks are taken for one.

    Parameters
    ----------
    u_without_wear : float
        Standard uncertainty that the row would have if there were no wear.

    Returns
    -------
    float
        3.29 times it, in its unit.

    Examples
    --------
    >>> round(detection_limit(0.6), 2)
    1.97
    """
    return DETECTION * u_without_wear


def anything_up_to(hidden: float, source: str, u_least: float = 0.0) -> tuple[Budget, float]:
    """What is known of a size of which nothing was seen: it lies anywhere from none to what the photo can hide.

    A uniform distribution is taken, as where nothing but bounds is known (JCGM 100:2008, 4.3.7): its middle, and its
    half width over the root of 3. The detection limit that follows, 0.95 of what can hide, is the bound that 95 of
    100 such sizes keep.

    Parameters
    ----------
    hidden : float
        Largest size that would not be seen.
    source : str
        Name of the term in the budget.
    u_least : float
        Standard uncertainty that it has anyway.

    Returns
    -------
    budget : Budget
        The middle, and its standard uncertainty, in the unit of `hidden`.
    limit : float
        Detection limit.

    Examples
    --------
    >>> budget, limit = anything_up_to(20.0, "what the rounding hides")
    >>> budget.value, round(budget.u, 2), round(limit, 1)
    (10.0, 5.77, 19.0)
    """
    u = max(u_least, 0.5 * hidden / math.sqrt(3.0))
    return linear(0.5 * hidden, [(1.0, Input(source, 0.0, u))]), detection_limit(u)


@dataclass(frozen=True)
class Finding:
    """A quantity as measured, before it is known which photo and program version it came from.

    Attributes
    ----------
    quantity : str
        Key of the registry, `wearscope.quantities.quantity`, which has the unit.
    zone : str
    value, u : float or None
        With its standard uncertainty; None where it is refused.
    status : str
    method : str
        Lower-case words joined by '+'.
    dof : float
        Effective degrees of freedom of `u`.
    detection_limit : float or None
        In the unit of the value; None where nothing can go undetected.
    reasons : tuple of Reason
        Why it is doubtful or refused, then what else is to be said.
    budget : Budget or None
        What `u` is made of, where that has been worked out.
    """

    quantity: str
    zone: Zone
    value: float | None
    u: float | None
    status: Status
    method: str
    dof: float = np.inf
    detection_limit: float | None = None
    reasons: tuple[Reason, ...] = ()
    budget: Budget | None = None

    @property
    def unit(self) -> str:
        """Of the value, in plain ASCII."""
        return QUANTITIES[self.quantity].unit

    @property
    def interval95(self) -> tuple[float | None, float | None]:
        """The 95 % interval, or nothing for a refused finding.

        Normal, unless the uncertainty rests on few independent lengths of edge: then by the t-distribution.
        """
        if self.value is None or self.u is None:
            return None, None
        expanded = max(COVERAGE_95, coverage_factor(self.dof)) * self.u
        return self.value - expanded, self.value + expanded

    def doubted(self, doubts: Iterable[Reason]) -> Finding:
        """The same with further doubts.

        Parameters
        ----------
        doubts : iterable of Reason

        Returns
        -------
        Finding
            Doubtful, unless there are none or it is refused.

        Examples
        --------
        >>> from wearscope.quantities.reasons import reason
        >>> found("edge_radius", "used", 12.0, 0.6, "light-fit").doubted([reason("edge-disputed")]).status
        'doubtful'
        """
        doubts = tuple(doubts)
        if not doubts or self.value is None:
            return self
        return replace(self, status="doubtful", reasons=_once(*doubts, *self.reasons))


def found(
    quantity: str,
    zone: Zone,
    value: float,
    u: float | Budget,
    method: str,
    *,
    doubts: Iterable[Reason] = (),
    remarks: Iterable[Reason] = (),
    limit: float | None = None,
    change: float | None = None,
    dof: float = np.inf,
) -> Finding:
    """A measured quantity.

    Parameters
    ----------
    quantity, zone : str
        As in `Finding`.
    value : float
        In the unit of the quantity.
    u : float or Budget
        Standard uncertainty; a budget brings its effective degrees of freedom along.
    method : str
        As in `Finding`.
    doubts : iterable of Reason
        Why the value is doubtful; empty when it is not.
    remarks : iterable of Reason
        Anything else to say.
    limit : float, optional
        Detection limit: a value that does not exceed it is `below_detection`, unless it is doubtful.
    change : float, optional
        What the limit is held against, where that is not the value itself.
    dof : float
        Degrees of freedom of an uncertainty given as a number.

    Returns
    -------
    Finding

    Raises
    ------
    ValueError
        The registry has no such quantity.

    Examples
    --------
    >>> finding = found("edge_recession", "difference", 1.2, 0.6, "light-fit", limit=1.97)
    >>> finding.status, tuple(round(end, 2) for end in finding.interval95)
    ('below_detection', (0.02, 2.38))
    """
    doubts = tuple(doubts)
    budget = u if isinstance(u, Budget) else None
    status: Status = "ok"
    if limit is not None and (value if change is None else change) <= limit:
        status = "below_detection"
    if doubts:  # also of what was not seen: that there is nothing is then as doubtful
        status = "doubtful"
    return Finding(
        _known(quantity),
        zone,
        float(value),
        u.u if isinstance(u, Budget) else float(u),
        status,
        method,
        u.dof if isinstance(u, Budget) else dof,
        None if limit is None else float(limit),
        _once(*doubts, *remarks),
        budget,
    )


def refused(quantity: str, zone: Zone, reason: Reason, method: str) -> Finding:
    """A quantity that this photo cannot give.

    Parameters
    ----------
    quantity, zone : str
        As in `Finding`.
    reason : Reason
        Why; its words say what would help.
    method : str
        As in `Finding`.

    Returns
    -------
    Finding
        Without a value.

    Raises
    ------
    ValueError
        The registry has no such quantity.

    Examples
    --------
    >>> from wearscope.quantities.reasons import reason
    >>> refused("edge_radius", "used", reason("wedge-too-blunt"), "light-fit").reasons[0].code
    'wedge-too-blunt'
    """
    return Finding(_known(quantity), zone, None, None, "refused", method, reasons=_once(reason))


def in_doubt(findings: Iterable[Finding], doubts: Iterable[Reason]) -> list[Finding]:
    """The findings with those doubtful that rest on a scale in doubt.

    A coating loss is no length, but the share of a band that is so many microns deep, and a chip counts from so many
    microns on: they rest on the scale too.

    Parameters
    ----------
    findings : iterable of Finding
    doubts : iterable of Reason
        About the scale; none leave all as it is.

    Returns
    -------
    list of Finding
    """
    doubts = tuple(doubts)
    return [
        replace(each, status="doubtful", reasons=_once(*doubts, *each.reasons))
        if doubts and each.value is not None and QUANTITIES[each.quantity].by_scale
        else each
        for each in findings
    ]


def _known(quantity: str) -> str:
    if quantity not in QUANTITIES:
        raise ValueError(f"no quantity is called {quantity!r}; give it its place in wearscope.quantities")
    return quantity


def _once(*reasons: Reason) -> tuple[Reason, ...]:
    """Reasons in their order, each once."""
    for each in reasons:
        if not isinstance(each, Reason):
            raise TypeError(f"a reason is a code with values, not {each!r}")
    return tuple(dict.fromkeys(reasons))
