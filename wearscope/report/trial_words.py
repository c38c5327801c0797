"""What the trial file says, in plain words: conditions, limits, what goes into the cost."""

from __future__ import annotations

from collections.abc import Iterable

from wearscope.economics.cost import change_over, use_of
from wearscope.economics.readings import limits_of
from wearscope.metrology.findings import COVERAGE_95
from wearscope.process.fairness import BitConditions
from wearscope.quantities.quantity import quantity_of
from wearscope.report.amounts import exact_money
from wearscope.report.words import joined, rounded
from wearscope.trial import Bit, Cost, Trial
from wearscope.trial.entries import BROAD_WEDGE_DEG

_BROAD_DEG, _U_BROAD_DEG = BROAD_WEDGE_DEG
_ASSUMED = f"{_BROAD_DEG:g} ± {COVERAGE_95 * _U_BROAD_DEG:.0f}° assumed"
BROAD_WEDGE = f"wedge angle not given: {_ASSUMED} (common practice, no source)"
"""Of a bit whose wedge angle the trial file does not say."""


def facts(trial: Trial) -> tuple[tuple[str, str], ...]:
    """Under what conditions the bits of a trial worked.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    tuple of (str, str)
        What, and its value.
    """
    said = (
        ("Workpiece", trial.workpiece, "{}"),
        ("Depth of cut", trial.depth_of_cut_mm, "{:g} mm"),
        ("Spindle speed", trial.spindle_rpm, "{:g} rpm"),
        ("Feed", trial.feed_mm_per_min, "{:g} mm/min"),
        ("Cutting time", trial.minutes_per_part, "{:g} min per part"),
        ("Cutting length", trial.cut_length_m_per_part, "{:g} m per part"),
        ("Program", trial.program, "{}"),
    )
    rows = [(what, text.format(value)) for what, value, text in said if value is not None]
    rows += [(f"Bit {bit.name}", ", ".join(_of_bit(bit))) for bit in trial.bits]
    return tuple(rows)


def _of_bit(bit: Bit) -> Iterable[str]:
    if bit.flutes is not None:
        yield f"{bit.flutes} flute{'s' * (bit.flutes > 1)}"
    if bit.diameter_mm is not None:
        yield f"{bit.diameter_mm:g} mm"
    if bit.given("wedge_angle_deg"):
        u = "" if bit.given("u_wedge_angle_deg") else f" ± {COVERAGE_95 * bit.u_wedge_angle_deg:.0f}° assumed"
        yield f"wedge angle {bit.wedge_angle_deg:g}°{u}"
    else:
        yield BROAD_WEDGE
    yield f"coated with {bit.coating}" if bit.coated else "uncoated"
    own = (
        (bit.workpiece, "in {}"),
        (bit.depth_of_cut_mm, "{:g} mm deep"),
        (bit.spindle_rpm, "at {:g} rpm"),
        (bit.feed_mm_per_min, "at {:g} mm/min"),
        (bit.program, "program {}"),
        (bit.max_rpm, "maker's maximum {:g} rpm"),
    )
    yield from (text.format(value) for value, text in own if value is not None)


def limit_lines(trial: Trial) -> tuple[str, ...]:
    """When a bit is worn out.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    tuple of str
        Such as "edge radius of 40 ± 4 µm".
    """
    return tuple(_limits(trial))


def _limits(trial: Trial) -> Iterable[str]:
    limits = {limit.quantity: limit for bit in trial.bits for limit in limits_of(trial.life, bit)}
    for limit in limits.values():
        how = quantity_of(limit.quantity)
        value, u = how.shown_factor * limit.value, how.shown_factor * limit.u
        sure = f" ± {rounded(COVERAGE_95 * u, COVERAGE_95 * u)[0]}" if u else ""
        yield f"{how.label} of {value:g}{sure} {how.shown_unit}"


def using_up_sum(bit: Bit, cost: Cost, currency: str) -> str:
    """What using up a bit costs, as a sum that can be followed.

    Parameters
    ----------
    bit : Bit
    cost : Cost
    currency : str
        May be empty.

    Returns
    -------
    str
        Such as "9.50 + 2 changes at 3.75 + regrind at 4.00 = 21.00 EUR, over 2 lives".

    Examples
    --------
    >>> using_up_sum(Bit.model_construct(price=9.5, regrinds=0, resale=0.0), Cost(), "EUR")
    '9.50 EUR'
    """
    use = use_of(bit, cost)
    if use is None:
        return "no price given"
    terms = [f"{bit.price:.2f}"]
    change = change_over(cost)
    for n, what, money in ((use.lives, "change", change), (bit.regrinds, "regrind", bit.regrind_price)):
        if n and money:
            terms.append(f"{what} at {money:.2f}" if n == 1 else f"{n} {what}s at {money:.2f}")
    added = " + ".join(terms) + (f" - {bit.resale:.2f} resale" if bit.resale else "")
    total = exact_money(currency, use.money)
    lives = f", over {use.lives} lives" if use.lives > 1 else ""
    return f"{added} = {total}{lives}" if len(terms) > 1 or bit.resale else f"{total}{lives}"


def edge_cut(bit: BitConditions) -> str:
    """What each flute cuts of a part's cutting length, as a division that can be followed.

    Parameters
    ----------
    bit : BitConditions

    Returns
    -------
    str
        Such as "2.394 m / 2 flutes = 1.197 m".
    """
    if bit.cut_length_m_per_part is None or bit.flutes is None:
        return "not known"
    flutes = f"{bit.flutes} flute{'s' * (bit.flutes > 1)}"
    return f"{bit.cut_length_m_per_part:.3f} m / {flutes} = {bit.cut_length_m_per_part / bit.flutes:.3f} m"


def cost_lines(trial: Trial) -> tuple[str, ...]:
    """What goes into the cost of a part.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    tuple of str
    """
    return tuple(_cost_lines(trial))


def _cost_lines(trial: Trial) -> Iterable[str]:
    cost, currency = trial.cost, trial.currency or ""
    yield "Using a bit up costs its price, regrinds and changes, less what it fetches."
    yield (
        "A part costs that, divided by the parts that the next one lasts (and by its lives); ends of ranges are "
        "rounded outward. Edge cut per part is the cutting length divided by the flutes."
    )
    if cost.rate_per_hour and cost.change_over_minutes:
        yield (
            f"A change of the bit stops the machine for {cost.change_over_minutes:g} minutes at "
            f"{exact_money(currency, cost.rate_per_hour)} an hour."
        )
    else:
        yield "Time lost by changing bits is not counted: the trial file has no [cost]."
    for bit in trial.bits:
        if bit.regrinds:
            yield f"{bit.name} is reground {bit.regrinds} times, for {exact_money(currency, bit.regrind_price)} each."
        if bit.resale:
            yield f"{bit.name} fetches {exact_money(currency, bit.resale)} when worn out."
    if unpriced := [bit.name for bit in trial.bits if bit.price is None]:
        yield f"The trial file gives no price of {joined(unpriced)}, so that no cost is told."
    elif not any(bit.price for bit in trial.bits):
        yield "No bit has a price, so that cost says nothing: give price in each [[bit]]."
    if not currency:
        yield "The trial file names no currency."
