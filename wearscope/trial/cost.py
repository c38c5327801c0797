"""What using up a bit costs beside its price: the ``[cost]`` table."""

from __future__ import annotations

from collections.abc import Set

from pydantic import Field

from wearscope.trial.entry import MONEY, Entry, Money, alone


class Cost(Entry):
    """What using up a bit costs beside its price.

    Attributes
    ----------
    change_over_minutes : float
        Time in which the machine stands still for one change of the bit, in minutes.
    rate_per_hour : float
        What an hour of the machine and its operator costs, in the trial's currency.
    parts_per_year : float or None
        Parts that the shop makes in a year.
    """

    change_over_minutes: float = Field(default=0.0, ge=0, le=1440, description="minutes, 0 to 1440")
    rate_per_hour: Money = Field(default=0.0, description=f"money per hour, {MONEY}")
    parts_per_year: float | None = Field(
        default=None, gt=0, le=1e9, description="a number of parts, above 0 and up to 1000000000"
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
        return [
            *alone(given, "change_over_minutes", "rate_per_hour"),
            *alone(given, "rate_per_hour", "change_over_minutes"),
        ]
