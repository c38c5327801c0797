"""Lives, money and chances as people are told them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import ceil, floor, log10

from wearscope.economics.due import TINY, rounded_down, step_of
from wearscope.economics.life import Range
from wearscope.economics.outcome import Axis, BitOutcome

_LEAST_SHARE = 0.005  # half of the last digit told
_CENTS = {
    "EUR",
    "USD",
    "CAD",
    "AUD",
    "NZD",
}  # currencies whose hundredth is called cent (ISO 4217; from memory)


def rounded_up(value: float) -> float:
    """The same rounded up, for the far end of a range.

    Parameters
    ----------
    value : float
        0 or more, in any unit.

    Returns
    -------
    float
        A whole number.

    Examples
    --------
    >>> rounded_up(238.7), rounded_up(1049.0)
    (240.0, 1050.0)
    """
    step = step_of(value)
    return ceil(value / step - TINY) * step


def about(value: float) -> str:
    """A life rounded to the nearest number that is easily kept in mind.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    step = step_of(value)
    return f"{round(value / step) * step:.0f}"


def least(value: float) -> str:
    """A life that is promised, or the near end of its range.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    return f"{rounded_down(value):.0f}"


def most(value: float) -> str:
    """The far end of a range of lives, or what a life must at least be.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    return f"{rounded_up(value):.0f}"


def range_texts(low: float, high: float) -> tuple[str, str]:
    """Both ends of a range with as few digits as it takes, rounded outward: rounding never narrows it.

    Parameters
    ----------
    low, high : float
        0 or more.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> range_texts(19.6, 64.0), range_texts(4.12, 5.88), range_texts(0.05, 1.5)
    (('19', '64'), ('4.1', '5.9'), ('0.05', '1.5'))
    """
    spread = high - low if high > low else 0.05 * high
    place = floor(log10(spread)) if spread > 0 else 0
    while True:
        steps = floor(low / 10.0**place + TINY), ceil(high / 10.0**place - TINY)
        if (steps[1] - steps[0]) * 10.0**place <= _WIDER * spread or spread <= 0:
            break
        place -= 1
    of_low = place if low <= 0 else min(place, floor(log10(low)))  # its own first digit, at least
    told_low = floor(low / 10.0**of_low + TINY) * 10.0**of_low
    return f"{told_low:.{max(0, -of_low)}f}", f"{steps[1] * 10.0**place:.{max(0, -place)}f}"


_WIDER = 1.1  # what rounding may do to the width of a range; chosen, no source


def axis_words(axis: Axis) -> str:
    """What an axis of lives is called.

    Parameters
    ----------
    axis : Axis

    Returns
    -------
    str
    """
    return {"parts": "parts", "min": "minutes", "m": "metres"}[axis.unit]


def money_text(currency: str, *values: float) -> str:
    """One amount, or a range of two: "15.00 EUR", "4.1 to 5.9 c".

    Parameters
    ----------
    currency : str
        As in the trial file; may be empty.
    *values : float
        One or two amounts.

    Returns
    -------
    str
        Amounts below 1 in cents where the currency has them.
    """
    factor, unit = money_unit(currency, max(values))
    texts: Sequence[str]
    if len(values) == 2:
        texts = range_texts(factor * values[0], factor * values[1])
    elif values[0] >= 1:
        texts = [f"{values[0]:.2f}"]
    else:
        texts = [_two_digits(factor * values[0], round)]
    return f"{' to '.join(dict.fromkeys(texts))} {unit}".rstrip()


def money_at_most(currency: str, amount: float) -> str:
    """An amount that is not passed, rounded up: "8.4 c".

    Parameters
    ----------
    currency : str
        May be empty.
    amount : float

    Returns
    -------
    str
    """
    factor, unit = money_unit(currency, amount)
    return f"{_two_digits(factor * amount, lambda units: ceil(units - TINY))} {unit}".rstrip()


def _two_digits(value: float, whole: Callable[[float], float]) -> str:
    place = floor(log10(value)) - 1 if value > 0 else 0
    return f"{whole(value / 10.0**place) * 10.0**place:.{max(0, -place)}f}"


def exact_money(currency: str, amount: float) -> str:
    """An amount to the cent, as it is stated or booked: "15.00 EUR".

    Parameters
    ----------
    currency : str
        May be empty.
    amount : float

    Returns
    -------
    str
    """
    return f"{amount:.2f} {currency}".rstrip()


def money_unit(currency: str, most: float) -> tuple[float, str]:
    """Factor and unit in which amounts are told: below 1 in cents where the currency has them.

    Parameters
    ----------
    currency : str
    most : float
        The largest amount.

    Returns
    -------
    factor : float
    unit : str
    """
    return (100.0, "c") if currency in _CENTS and most < 1 else (1.0, currency)


def life_text(life: Range, at_least: float, axis: Axis) -> str:
    """How long a bit lasts: "270 parts (240 to 310)", "about 420 parts, at least 320", "at least 600 parts".

    Parameters
    ----------
    life : Range
        In parts.
    at_least : float
        Parts that are promised.
    axis : Axis

    Returns
    -------
    str
    """
    unit, per_part = axis.unit, axis.factor
    if life.low95 is None or life.median is None:
        return f"at least {least(per_part * at_least)} {unit}"
    low, middle = least(per_part * life.low95), about(per_part * life.median)
    if life.high95 is None:
        return f"about {middle} {unit}, at least {low}"
    return f"{middle} {unit} ({low} to {most(per_part * life.high95)})"


def next_life_text(bit: BitOutcome, axis: Axis) -> str:
    """How long the next bit of a kind lasts, as `life_text` says it.

    Parameters
    ----------
    bit : BitOutcome
        With a life.
    axis : Axis

    Returns
    -------
    str
    """
    assert bit.next_life is not None
    low = bit.horizon if bit.next_life.low95 is None else bit.next_life.low95
    return life_text(bit.next_life, low, axis)


def cost_text(bit: BitOutcome, currency: str) -> str:
    """What a part costs, 95 %: "4.1 to 5.9 c", or "at most 8.4 c" where it may last longer than can be said.

    Parameters
    ----------
    bit : BitOutcome
        With a cost.
    currency : str

    Returns
    -------
    str
    """
    assert bit.cost is not None
    if bit.cost.high95 is None:
        return f"at most {money_at_most(currency, bit.cost_at_horizon)}"
    if bit.cost.low95 is None:
        return f"at most {money_at_most(currency, bit.cost.high95)}"
    return money_text(currency, bit.cost.low95, bit.cost.high95)


def percent(share: float) -> str:
    """A probability, never quite 0 or 100 %: nothing drawn from a few photos is certain.

    Parameters
    ----------
    share : float
        From 0 to 1.

    Returns
    -------
    str
    """
    if share >= 1 - _LEAST_SHARE:
        return "over 99 %"
    return "less than 1 %" if share < _LEAST_SHARE else f"{100 * share:.0f} %"
