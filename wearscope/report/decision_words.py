"""The outcome of a trial in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, log10
from typing import TYPE_CHECKING

from wearscope.economics.life import HORIZON, Range
from wearscope.quantities.quantity import quantity_of
from wearscope.report.words import finding, parts_text
from wearscope.trial import Bit, Life, Trial

if TYPE_CHECKING:
    from wearscope.economics.decision import Axis, BitOutcome, BreakEven, NextCheckpoint
    from wearscope.economics.readings import Limit, Readings
    from wearscope.process.fairness import BitConditions, FairTrial

CLEAR, LIKELY = 0.8, 0.6
"""Chances from which a bit is called the cheapest, and probably the cheapest; chosen, no source."""
_NOTHING = 0.01  # money per 1000 parts
_CENTS = {"EUR", "USD", "CAD", "AUD", "NZD"}


# --- Numbers


def _place(*values: float) -> int:
    """Decimal place of the first digit of the spread of numbers, of the second where the first is a 1."""
    spread = (max(values) - min(values)) or abs(values[-1]) / 10
    return floor(log10(spread / 2)) if spread > 0 else 0


def _digits(*values: float) -> list[str]:
    return [_to_place(value, _place(*values)) for value in values]


def _to_place(value: float, place: int) -> str:
    return f"{round(value, -place):.{max(0, -place)}f}"


def _lives(axis: Axis, low: float, *values: float) -> list[str]:
    """How long something lasts, in the units of the axis, parts in whole ones: `low` rounded down, then `values`."""
    of_axis = [axis.factor * value for value in (low, *values)]
    place = _place(*of_axis)
    if axis.over == "parts":
        place = max(place, 0)
    least = floor(of_axis[0] / 10.0**place + 1e-9) * 10.0**place
    return [_to_place(value, place) for value in (least, *of_axis[1:])]


def _about(value: float) -> str:
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


def money_unit(currency: str, most: float) -> tuple[float, str]:
    """Factor and unit in which amounts up to `most` are told: below 1 in cents where the currency has them."""
    return (100.0, "c") if currency in _CENTS and most < 1 else (1.0, currency)


def life_text(life: Range, at_least: float, axis: Axis) -> str:
    """How long a bit lasts: "270 parts (240 to 310)", "about 420 parts, at least 320", "at least 600 parts"."""
    unit = axis.unit
    if life.low95 is None or life.median is None:
        return f"at least {_lives(axis, at_least)[0]} {unit}"
    if life.high95 is None:
        low, middle = _lives(axis, life.low95, life.median)
        return f"about {middle} {unit}, at least {low}"
    low, middle, high = _lives(axis, life.low95, life.median, life.high95)
    return f"{middle} {unit} ({low} to {high})"


def cost_text(bit: BitOutcome, currency: str) -> str:
    """What a part costs, 95 %: "4.1 to 5.9 c", or "at most 8.4 c" where it may last longer than can be said."""
    assert bit.cost is not None
    if bit.cost.high95 is None:
        return f"at most {money_text(currency, bit.cost_at_horizon)}"
    if bit.cost.low95 is None:
        return f"at most {money_text(currency, bit.cost.high95)}"
    return money_text(currency, bit.cost.low95, bit.cost.high95)


def percent(share: float) -> str:
    """A probability, never quite 0 or 100 %: nothing drawn from a few photos is certain."""
    if share >= 0.995:
        return "over 99 %"
    return "less than 1 %" if share < 0.005 else f"{100 * share:.0f} %"


def _some(items: Sequence[str], most: int = 4) -> str:
    """Items in a sentence, the last of many only as their number."""
    n_left = len(items) - most
    return _joined(items if n_left <= 0 else [*items[:most], f"{n_left} more"])


def _joined(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


# --- The whole trial


def verdict(bits: Sequence[BitOutcome], currency: str) -> str:
    """Which bit to stock.

    Parameters
    ----------
    bits : sequence of BitOutcome
    currency : str

    Returns
    -------
    str
    """
    ranked = sorted(
        (bit for bit in bits if bit.cost), key=lambda bit: (-(bit.chance or 0.0), bit.cost_draws.mean())
    )
    silent = [bit.bit for bit in bits if not bit.cost]
    without = f" Nothing can be said yet of {_joined(silent)}." if silent else ""
    if not ranked and any(bit.life for bit in bits):
        return "Nothing can be said of cost: give the price of each bit in the trial file."
    if not ranked:
        return "Nothing can be said of life and cost yet."
    best, others = ranked[0], ranked[1:]
    if not others:
        return f"{best.bit} costs {cost_text(best, currency)} per part.{without}"
    against = _some([f"{cost_text(bit, currency)} ({bit.bit})" for bit in others])
    chance = best.chance or 0.0
    firm = max(ranked, key=lambda bit: bit.chance_by_horizon or 0.0) is best
    if not firm:
        return (
            f"Not decided: {best.bit} is the cheapest per part ({percent(chance)}) only if it lasts beyond "
            f"{_about(best.horizon)} parts, which no photograph bears out yet: {cost_text(best, currency)} against "
            f"{against}.{without}"
        )
    if chance < LIKELY:
        shares = _some(
            [f"{bit.bit} with {percent(bit.chance or 0.0)} ({cost_text(bit, currency)})" for bit in ranked]
        )
        return f"Not decided which bit is the cheapest per part: {shares}.{without}"
    how = "is" if chance >= CLEAR else "is probably"
    return (
        f"{best.bit} {how} the cheapest per part, with {percent(chance)} chance: "
        f"{cost_text(best, currency)} against {against}.{without}"
    )


def trial_sentences(
    bits: Sequence[BitOutcome],
    even: Sequence[BreakEven],
    wrong_per_1000: float | None,
    checkpoint: NextCheckpoint | None,
    axis: Axis,
    currency: str,
) -> tuple[str, ...]:
    """Say what would change the verdict, and whether to go on.

    Returns
    -------
    tuple of str
    """
    reasons = dict.fromkeys(bit.why_not for bit in bits if bit.why_not)
    said = [f"{_joined([bit.bit for bit in bits if bit.why_not == why])}: {why}." for why in reasons]
    if wrong_per_1000 is not None and checkpoint is not None:
        worth = f"is worth {money_text(currency, checkpoint.money_per_1000_parts)} per 1000 parts"
        if checkpoint.money_per_year is not None:
            worth += f", or {money_text(currency, checkpoint.money_per_year)} a year"
        if checkpoint.money_per_1000_parts < _NOTHING:
            worth = "is not expected to change the choice"
        said.append(
            f"Choosing now is expected to cost {money_text(currency, wrong_per_1000)} per 1000 parts more than "
            f"choosing with full knowledge. To cut on with {_joined(checkpoint.bits)} and photograph after "
            f"{checkpoint.parts:.0f} parts {worth}."
        )
    prices = {bit.bit: bit.price for bit in bits}
    for pair in even:
        if pair.price >= prices[pair.bit]:  # as cheap already, at the medians
            continue
        life = _lives(axis, pair.life_parts, pair.life_parts)[1]
        price = f", or for a price of {money_text(currency, pair.price)}" if pair.price > 0 else ""
        said.append(
            f"{pair.bit} would cost as little per part as {pair.other} if it lasted {life} {axis.unit}{price}."
        )
    if any(bit.life for bit in bits):
        said.append("Ranges hold with 95 % probability, for the bits that were tried.")
    return tuple(said)


# --- One bit


def bit_sentences(bit: BitOutcome, axis: Axis, currency: str) -> tuple[str, ...]:
    """Life, cost, wear so far and curve of a bit.

    Returns
    -------
    tuple of str
    """
    said = []
    if bit.life is not None and bit.life_of_mean is not None:
        said.append(f"{bit.bit} lasts {life_text(bit.life, bit.at_least, axis)}, by its worst flute.")
        if bit.life.high95 is None:
            said.append(
                f"Beyond {_lives(axis, bit.horizon)[0]} {axis.unit}, {HORIZON:g} times what it had cut when it was "
                f"last measured, nothing is promised; photographs after more than {bit.horizon / HORIZON:.0f} parts "
                "would tell."
            )
        if bit.life_of_mean.median is not None:
            said.append(
                f"The mean of its flutes would last {life_text(bit.life_of_mean, bit.at_least, axis)}."
            )
        first = max(bit.ended_by, key=lambda name: bit.ended_by[name])
        if len(bit.ended_by) > 1 and bit.life.median is not None:
            said.append(f"What ends its life is {quantity_of(first).label} ({percent(bit.ended_by[first])}).")
        if bit.cost:
            said.append(f"A part costs {cost_text(bit, currency)}.")
        else:
            said.append("It costs nothing to use up, so that there is no cost per part: give its price.")
    for curve in bit.curves:
        last = max(row.parts for row in curve.readings)
        name = quantity_of(curve.quantity)
        limit = ""
        if curve.limit is not None:
            limit = f", of {curve.limit.value * name.shown_factor:g} {name.shown_unit} allowed"
        seen = _joined([f"flute {row.flute} {finding(row)}" for row in curve.readings if row.parts == last])
        said.append(f"{name.label[0].upper()}{name.label[1:]} {parts_text(last)}: {seen}{limit}. {curve.why}")
    return (*said, *bit.remarks)


def why_this_curve(weights: dict[str, float], n_checkpoints: int) -> str:
    """Which shape of curve was used, and why."""
    ranked = sorted(weights, key=lambda name: -weights[name])
    shares = _joined([f"{name} {percent(weights[name])}" for name in ranked])
    if n_checkpoints == 1:
        return "One checkpoint shows how much it wears but not how: all shapes of curve count alike."
    if weights[ranked[0]] >= CLEAR:
        return f"Curve: {ranked[0]} ({percent(weights[ranked[0]])}), by {n_checkpoints} checkpoints."
    return f"Curve: {n_checkpoints} checkpoints cannot tell the shapes apart, so all count ({shares})."


def remarks(life: Life, bit: Bit, gathered: Sequence[Readings]) -> tuple[str, ...]:
    """What was left out, and what that means."""
    said = []
    if not bit.coated and (life.coating_loss is not None or not life.model_fields_set):
        said.append("It has no coating to lose.")
    for found in gathered:
        name = quantity_of(found.quantity).label
        if found.n_doubtful:
            rows, them = ("row is", "its note") if found.n_doubtful == 1 else ("rows are", "their notes")
            said.append(f"{found.n_doubtful} doubtful {rows} left out of the {name}; read {them}.")
        unseen = sorted(set(range(1, bit.flutes + 1)) - set(found.flutes))
        if found.points is not None and unseen:
            which = _joined([str(flute) for flute in unseen])
            flutes = f"flute {which} is" if len(unseen) == 1 else f"flutes {which} are"
            said.append(
                f"The {name} of {flutes} not measured, and taken to wear like the others within 30 %."
            )
    return tuple(said)


def why_no_life(trial: Trial, bit: Bit, limits: Sequence[Limit], gathered: Sequence[Readings]) -> str:
    """Why a bit has no life, and what to do about it; empty if it has one."""
    if not limits:
        if trial.life.coating_loss is not None:
            return "it has no coating whose loss could end its life; state edge_radius_um in [life] too"
        return f"no limit is stated; say in [life] of {trial.path.name} when a bit is worn out (edge_radius_um = 40)"
    for limit, found in zip(limits, gathered, strict=True):
        if found.points is not None and limit.value <= found.points.new:
            return (
                f"its edge radius when new is {found.points.new:.3g} µm, which the limit of {limit.value:g} µm does "
                f"not exceed; raise edge_radius_um in [life] of {trial.path.name}"
            )
    unmeasured = [found for found in gathered if found.points is None]
    if not unmeasured:
        return ""
    found = unmeasured[0]
    name = quantity_of(found.quantity).label
    if found.n_doubtful or found.n_refused:
        rows = _joined(
            [f"{n} {what}" for n, what in ((found.n_doubtful, "doubtful"), (found.n_refused, "refused")) if n]
        )
        return (
            f"no {name} after the first cut can be used ({rows}); do what the notes of these rows in "
            f"measurements.csv say, or take its limit out of [life]"
        )
    return (
        f"no {name} was measured after the first cut; photograph it at a checkpoint and run wearscope measure, "
        "or take its limit out of [life]"
    )


# --- Fairness


def fair_head(fair: FairTrial) -> str:
    """Say whether the trial is fair."""
    if fair.fair:
        return "Fair, as far as the trial file says."
    return "NOT FAIR: the bits did not work under the same conditions."


def fair_warnings(fair: FairTrial) -> tuple[str, ...]:
    """Say what must be known beside a verdict: dangers, and that the trial is not fair, and why."""
    unfair = (f"{fair_head(fair)} Not the same: {'; '.join(map(str, fair.unfair))}.",) if fair.unfair else ()
    return (*fair.dangers, *unfair)


def fair_lines(fair: FairTrial) -> tuple[str, ...]:
    """Say what differs between the bits, what is in doubt, and what each bit's settings come to, one line each."""
    bits: dict[str, list[str]] = {}
    for bit in fair.bits:
        bits.setdefault(_cut_line(bit), []).append(bit.bit)
    return (
        *(f"not the same: {difference}" for difference in fair.unfair),
        *(f"differs, as part of what is compared: {difference}" for difference in fair.differs),
        *(f"doubt: {doubt}" for doubt in fair.doubts),
        *(f"{', '.join(named)}: {said}" for said, named in bits.items()),
    )


def _cut_line(bit: BitConditions) -> str:
    said = f"chip load {bit.chip_load_mm:.3g} mm, surface speed {bit.surface_speed_m_per_min:.0f} m/min"
    if bit.cut_length_m_per_part is None or bit.cut_minutes_per_part is None or bit.cuts_per_flute is None:
        return f"{said}; cutting length not known (name the program, or give cut_length_m_per_part)"
    source = "by its program" if bit.cut_length_source == "program" else "as stated"
    return (
        f"{said}; {bit.cut_length_m_per_part:.3f} m per part {source}, {60 * bit.cut_minutes_per_part:.1f} s at its "
        f"feeds (not counting speeding up and slowing down); each flute {bit.cut_length_m_per_flute:.3f} m and "
        f"{bit.cuts_per_flute:.0f} cuts"
    )
