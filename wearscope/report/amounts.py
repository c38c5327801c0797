"""Lives, money and chances as people are told them."""

from __future__ import annotations

from math import floor, log10

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


def _place(*values: float) -> int:
    """Decimal place of the first digit of the spread of numbers, of the second where the first is a 1."""
    spread = (max(values) - min(values)) or abs(values[-1]) / 10
    return floor(log10(spread / 2)) if spread > 0 else 0


def _digits(*values: float) -> list[str]:
    return [_to_place(value, _place(*values)) for value in values]


def _to_place(value: float, place: int) -> str:
    return f"{round(value, -place):.{max(0, -place)}f}"


def lives_text(axis: Axis, low: float, *values: float) -> list[str]:
    """How long something lasts, in the unit of the axis, parts in whole ones; all to the same decimal place.

    Parameters
    ----------
    axis : Axis
    low : float
        Rounded down: a promise.
    *values : float
        Rounded to the nearest. All in parts.

    Returns
    -------
    list of str
        `low`, then `values`.
    """
    of_axis = [axis.factor * value for value in (low, *values)]
    place = _place(*of_axis)
    if axis.over == "parts":
        place = max(place, 0)
    least = floor(of_axis[0] / 10.0**place + 1e-9) * 10.0**place
    return [_to_place(value, place) for value in (least, *of_axis[1:])]


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


def about(value: float) -> str:
    """A number with one significant digit, or two where the first is a 1.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    return _digits(value)[0]


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
    alone = len(values) == 1 and values[0] >= 1
    texts = [f"{values[0]:.2f}"] if alone else _digits(*(factor * value for value in values))
    return f"{' to '.join(dict.fromkeys(texts))} {unit}".rstrip()


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
    unit = axis.unit
    if life.low95 is None or life.median is None:
        return f"at least {lives_text(axis, at_least)[0]} {unit}"
    if life.high95 is None:
        low, middle = lives_text(axis, life.low95, life.median)
        return f"about {middle} {unit}, at least {low}"
    low, middle, high = lives_text(axis, life.low95, life.median, life.high95)
    return f"{middle} {unit} ({low} to {high})"


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
        return f"at most {money_text(currency, bit.cost_at_horizon)}"
    if bit.cost.low95 is None:
        return f"at most {money_text(currency, bit.cost.high95)}"
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
