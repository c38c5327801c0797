"""When a bit is worn out, by the limits of the trial file."""

from __future__ import annotations

from collections.abc import Set
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, create_model

from wearscope.quantities.quantity import LIMITS, quantity_of
from wearscope.trial.entry import Entry, MicronLimit, Radius, alone

# What a limit may be, and how well it may be known, by the unit of its quantity.
_LIMIT_IN: dict[str, tuple[Any, Any]] = {
    "um": (MicronLimit, Radius),
    "1": (
        Annotated[float | None, Field(gt=0, le=1, description="a share above 0 and up to 1 (80 % is 0.8)")],
        Annotated[
            float | None,
            Field(ge=0, lt=1, description="half of the ± of the limit, as a share, 0 or more and below 1"),
        ],
    ),
}


BIT_TO_BIT = 0.2
"""Scatter of the lives of the bits of one kind where the trial does not say; common practice, no source."""


class LimitsOfLife(Entry):
    """Limits of wear; a flute is worn out when the first of them is reached.

    The keys are those that the quantities name: each limit in the unit of its quantity, and under ``u_`` and that key
    how well it is known, as a standard uncertainty. None where nothing is stated; chips have a default.

    Attributes
    ----------
    bit_to_bit : float
        By how much the lives of the bits of one kind differ, as the standard deviation of their logarithm, as long as
        there is one bit of the kind; where there are more it is where the estimate starts.
    """

    bit_to_bit: Annotated[
        float, Field(gt=0, le=1, description="a share above 0 and up to 1 (20 % is 0.2)")
    ] = BIT_TO_BIT

    def limit_of(self, quantity: str) -> float | None:
        """Limit of a quantity.

        Parameters
        ----------
        quantity : str
            One that can end a life.

        Returns
        -------
        float or None
            In the unit of the quantity; None if none is stated.
        """
        limit: float | None = getattr(self, LIMITS[quantity].key)
        return limit

    def u_of(self, quantity: str) -> float:
        """Standard uncertainty of the limit of a quantity.

        Parameters
        ----------
        quantity : str
            One that can end a life.

        Returns
        -------
        float
            In the unit of the quantity; 0 if the limit is known exactly.
        """
        u: float | None = getattr(self, f"u_{LIMITS[quantity].key}")
        return u or 0.0

    @property
    def limited(self) -> tuple[str, ...]:
        """Quantities that have a limit and are followed by a curve."""
        return tuple(
            quantity
            for quantity, limit in LIMITS.items()
            if not limit.sudden and self.limit_of(quantity) is not None
        )

    @classmethod
    def clashes(cls, given: Set[str]) -> list[str]:
        """List what is wrong with giving just these keys together.

        Parameters
        ----------
        given : set of str

        Returns
        -------
        list of str
            For people; empty if nothing is.
        """
        return [line for limit in LIMITS.values() for line in alone(given, f"u_{limit.key}", limit.key)]


if TYPE_CHECKING:  # a type checker cannot see keys that are made while running
    Life = LimitsOfLife
else:
    Life = create_model(
        "Life",
        __base__=LimitsOfLife,
        __module__=__name__,
        __doc__=LimitsOfLife.__doc__,
        **{limit.key: (_LIMIT_IN[quantity_of(key).unit][0], limit.default) for key, limit in LIMITS.items()},
        **{f"u_{limit.key}": (_LIMIT_IN[quantity_of(key).unit][1], None) for key, limit in LIMITS.items()},
    )
