"""Cost per part: what it takes to use a bit up, spread over the parts that it cuts."""

from __future__ import annotations

from dataclasses import dataclass

from wearscope.economics.curve import Array
from wearscope.trial import Bit, Cost


@dataclass(frozen=True)
class Use:
    """What using up one bit costs, and over how many lives.

    Attributes
    ----------
    money : float
        Price, regrinds and change-overs less resale, in the trial's currency.
    lives : int
        1 and one more for each regrind; a reground bit is taken to last as long as a new one.
    """

    money: float
    lives: int

    def per_part(self, life_parts: Array) -> Array:
        """Money per part for lives of so many parts, any shape.

        money / (lives · life): the cost of tool and change-over per piece of Groover, Fundamentals of Modern
        Manufacturing, chapter on machining economics (from memory).

        Parameters
        ----------
        life_parts : ndarray
            Any shape.

        Returns
        -------
        ndarray
            Of that shape.

        Examples
        --------
        60 of money for a bit that is ground again once, and so lives twice:

        >>> import numpy as np
        >>> Use(60.0, lives=2).per_part(np.array([150.0, 300.0]))
        array([0.2, 0.1])
        """
        result: Array = self.money / (self.lives * life_parts)
        return result

    def break_even_life(self, money_per_part: float) -> float:
        """Parts that the bit must last to cost no more than `money_per_part`.

        Parameters
        ----------
        money_per_part : float

        Returns
        -------
        float

        Examples
        --------
        >>> Use(60.0, lives=2).break_even_life(0.2)
        150.0
        """
        return self.money / (self.lives * money_per_part)

    def break_even_price(self, price: float, life_parts: float, money_per_part: float) -> float:
        """Price at which it would cost just `money_per_part`, given its life; may be negative.

        Parameters
        ----------
        price : float
            What it costs.
        life_parts : float
        money_per_part : float

        Returns
        -------
        float
        """
        return price + self.lives * life_parts * money_per_part - self.money


def change_over(cost: Cost) -> float:
    """What one change of the bit costs, in the trial's currency.

    Parameters
    ----------
    cost : Cost

    Returns
    -------
    float
    """
    return cost.change_over_minutes / 60 * cost.rate_per_hour


def use_of(bit: Bit, cost: Cost) -> Use | None:
    """What using up a bit costs.

    Parameters
    ----------
    bit : Bit
    cost : Cost

    Returns
    -------
    Use or None
        None if the trial file does not give its price.
    """
    if bit.price is None:
        return None
    lives = 1 + bit.regrinds
    money = bit.price + bit.regrinds * bit.regrind_price - bit.resale + lives * change_over(cost)
    return Use(money, lives)
