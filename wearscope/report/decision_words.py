"""The outcome of a trial in plain words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from wearscope.economics.curve import FLUTE_SCATTER
from wearscope.economics.decision import CLEAR
from wearscope.economics.ends import CHIP, Ending
from wearscope.economics.life import HORIZON
from wearscope.economics.outcome import Axis, BitOutcome, Outcome, QuantityCurve
from wearscope.quantities.quantity import LIMITS, quantity_of
from wearscope.quantities.reasons import Reason
from wearscope.report.amounts import cost_text, least, life_text, money_text, most, next_life_text, percent
from wearscope.report.words import capitalised, finding, joined, parts_text, said
from wearscope.trial.asking import stated

_NOTHING = 0.01  # money per 1000 parts below which nothing is expected to change; chosen, no source
_MOST_NAMED = 4  # bits named in one sentence; chosen, no source


def verdict_text(outcome: Outcome) -> str:
    """Which bit to stock.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    str
    """
    verdict, currency = outcome.verdict, outcome.currency
    if verdict.choice == "no-price":
        return _no_price(outcome)
    if verdict.choice == "nothing-known":
        return "Nothing can be said of life and cost yet."
    without = _without(outcome)
    best, *others = [outcome.of_kind(name) for name in verdict.ranked]
    if verdict.choice == "one-bit":
        return f"{_kind(best)} costs {cost_text(best, currency)} per part.{without}"
    if verdict.choice == "not-shown":
        return f"Not decided which bit is the cheapest per part: {_not_shown(outcome, [best, *others])}.{without}"
    chance = percent(best.chance or 0.0)
    if verdict.choice == "undecided":
        shares = joined(
            [
                f"{_kind(bit)} with {percent(bit.chance or 0.0)} ({cost_text(bit, currency)})"
                for bit in (best, *others)
            ],
            _MOST_NAMED,
        )
        return f"Not decided which bit is the cheapest per part: {shares}.{without}"
    against = joined([f"{cost_text(bit, currency)} ({_kind(bit)})" for bit in others], _MOST_NAMED)
    how = "is" if verdict.choice == "cheapest" else "is probably"
    return (
        f"{_kind(best)} {how} the cheapest per part, with {chance} chance: "
        f"{cost_text(best, currency)} against {against}.{without}"
    )


def _no_price(outcome: Outcome) -> str:
    """Lives are told; which prices are missing, and what they would add."""
    unpriced = _unpriced(outcome)
    if not unpriced:
        return "Lives are told below, but no cost: no bit costs anything to use up by the trial file; give its price."
    return (
        f"Lives are told below, but no cost per part and not which bit is the cheapest: the trial file gives no "
        f"price of {joined(unpriced)}. Give price in each [[bit]], and run wearscope report."
    )


def _unpriced(outcome: Outcome) -> list[str]:
    """Kinds with a life whose price nobody gave."""
    return list(dict.fromkeys(_kind(bit) for bit in outcome.bits if bit.life and bit.price is None))


def _without(outcome: Outcome) -> str:
    """Of which kinds no cost is told, and why."""
    unpriced = _unpriced(outcome)
    silent = [kind for kind in outcome.verdict.silent if kind not in unpriced]
    said = f" Nothing can be said yet of {joined(silent)}." if silent else ""
    if unpriced:
        said += f" The trial file gives no price of {joined(unpriced)}: with price in its [[bit]] it is compared too."
    return said


def _kind(bit: BitOutcome) -> str:
    """What a buyer asks for."""
    return bit.kind or bit.bit


def _not_shown(outcome: Outcome, ranked: Sequence[BitOutcome]) -> str:
    """Why the photographs do not tell, and when to take the next ones."""
    costs = joined([f"{_kind(bit)} {cost_text(bit, outcome.currency)}" for bit in ranked], _MOST_NAMED)
    checkpoint = outcome.next_checkpoint
    again = (
        f"photograph again after {checkpoint.parts:.0f} parts"
        if checkpoint
        else "try another bit of each kind"
    )
    return f"as yet the prices say more of it than the photographs; {again} ({costs})"


def trial_sentences(outcome: Outcome, due: Collection[str] = ()) -> tuple[str, ...]:
    """What is missing, what would change the verdict, and whether to go on.

    Parameters
    ----------
    outcome : Outcome
    due : collection of str
        Bits that are to be changed now: none of them is cut on with.

    Returns
    -------
    tuple of str
    """
    return (
        *_what_is_missing(outcome),
        *_by_limits_of_all(outcome),
        *_extra_costs(outcome),
        *_whether_to_go_on(outcome, due),
        *_break_evens(outcome),
        *(
            [
                "A range holds 95 times in 100: that of a life for the bit that was tried, costs and chances "
                "for the next one of its kind."
            ]
            if any(bit.life for bit in outcome.bits)
            else []
        ),
    )


def _what_is_missing(outcome: Outcome) -> Iterable[str]:
    bits: dict[str, list[str]] = {}
    for bit in outcome.bits:
        if bit.why_not:
            bits.setdefault(why_no_life(bit.why_not), []).append(bit.bit)
    return (f"{joined(named)}: {why}." for why, named in bits.items())


def _by_limits_of_all(outcome: Outcome) -> Iterable[str]:
    """How the ranking would be by those limits alone that every bit can reach."""
    alike = outcome.by_limits_of_all
    if alike is None:
        return
    left_out = joined([quantity_of(quantity).label for quantity in alike.left_out])
    if alike.chance is None:
        found = "the photographs would not tell which bit is the cheapest per part"
    else:
        found = f"{alike.first} would come first, the cheapest per part with {percent(alike.chance)} chance"
    yield f"Without the limit of {left_out}, which not all bits can reach, {found}."


def _extra_costs(outcome: Outcome) -> Iterable[str]:
    ranked = [outcome.of_kind(name) for name in outcome.verdict.ranked]
    if len(ranked) > 1 and outcome.verdict.choice != "not-shown":
        each = [
            f"{money_text(outcome.currency, 1000 * (bit.regret or 0.0))} with {_kind(bit)}" for bit in ranked
        ]
        yield (
            f"Expected extra cost per 1000 parts, against always knowing the cheapest: {joined(each, _MOST_NAMED)}."
        )


def _whether_to_go_on(outcome: Outcome, due: Collection[str]) -> Iterable[str]:
    wrong, checkpoint, currency = (
        outcome.wrong_choice_per_1000_parts,
        outcome.next_checkpoint,
        outcome.currency,
    )
    stop = f"Do not cut on with {joined(list(due))}, due to be changed" if due else ""
    if wrong is None or checkpoint is None:
        yield from [f"{stop}."] if due else []
        return
    worth = f"is worth {money_text(currency, checkpoint.money_per_1000_parts)} per 1000 parts"
    if checkpoint.money_per_year is not None:
        worth += f", or {money_text(currency, checkpoint.money_per_year)} a year"
    if checkpoint.money_per_1000_parts < _NOTHING:
        worth = "is not expected to change the choice"
    now = (
        f"Choosing now is expected to cost {money_text(currency, wrong)} per 1000 parts more than "
        "choosing with full knowledge. "
    )
    if (
        outcome.verdict.choice == "not-shown"
    ):  # both sums would come from the prices and what was thought before
        now, worth = "", "tells more; what that is worth, these photographs do not say"
    if due:
        fit = [bit for bit in checkpoint.bits if bit not in due]
        more = f"; photograph {joined(fit)} after {checkpoint.parts:.0f} parts" if fit else ""
        yield f"{now}{stop}{more}."
        return
    yield (
        f"{now}To cut on with {joined(checkpoint.bits)} and photograph after "
        f"{checkpoint.parts:.0f} parts {worth}."
    )


def _break_evens(outcome: Outcome) -> Iterable[str]:
    for pair in outcome.break_even:
        if pair.price >= stated(outcome.of_kind(pair.bit).price):  # as cheap already, at the medians
            continue
        life = most(outcome.axis.factor * pair.life_parts)
        price = f", or for a price of {money_text(outcome.currency, pair.price)}" if pair.price > 0 else ""
        yield (
            f"{pair.bit} would cost as little per part as {pair.other} if it lasted {life} "
            f"{outcome.axis.unit}{price}."
        )


# --- One bit


def bit_sentences(bit: BitOutcome, outcome: Outcome) -> tuple[str, ...]:
    """Life, cost, wear so far and curve of a bit, and what was left out.

    Parameters
    ----------
    bit : BitOutcome
    outcome : Outcome
        That it is of.

    Returns
    -------
    tuple of str
    """
    return (
        *_life_sentences(bit, outcome.axis, outcome.currency, outcome.bit_to_bit),
        *(_curve_sentence(curve) for curve in bit.curves),
        *remarks(bit),
    )


def _life_sentences(bit: BitOutcome, axis: Axis, currency: str, bit_to_bit: float) -> Iterable[str]:
    if bit.life is None or bit.life_of_mean is None:
        return
    yield f"{bit.bit} lasts {life_text(bit.life, bit.at_least, axis)}, by its worst flute."
    if bit.life.high95 is None:
        yield (
            f"Beyond {least(axis.factor * bit.horizon)} {axis.unit}, {HORIZON:g} times what it had cut when it was "
            f"last measured, nothing is promised; photographs after more than {bit.horizon / HORIZON:.0f} parts "
            "would tell."
        )
    if bit.life_of_mean.median is not None:
        yield f"The mean of its flutes would last {life_text(bit.life_of_mean, bit.at_least, axis)}."
    yield from _next_sentences(bit, axis, bit_to_bit)
    first = max(bit.ended_by, key=lambda quantity: bit.ended_by[quantity])
    if len(bit.ended_by) > 1 and bit.life.median is not None:
        yield f"What ends its life is the {quantity_of(first).label} ({percent(bit.ended_by[first])})."
    yield from (_ending_sentence(ending) for ending in bit.endings)
    if bit.cost:
        yield f"A part costs {cost_text(bit, currency)}."
    elif bit.price is None:
        yield "The trial file gives no price of it, so that there is no cost per part: give price in its [[bit]]."
    else:
        yield "It costs nothing to use up, so that there is no cost per part: give its price."


def _next_sentences(bit: BitOutcome, axis: Axis, bit_to_bit: float) -> Iterable[str]:
    if bit.next_life is None:
        return
    by = (
        f"going by the {bit.n_tried} that were tried"
        if bit.n_tried > 1
        else f"as only one was tried and another may last about {100 * bit_to_bit:.0f} % more or less"
    )
    yield (
        f"The next {_kind(bit)} you buy lasts {next_life_text(bit, axis)}, {by}; "
        f"95 in 100 of them still cut after {least(axis.factor * bit.change_at)} {axis.unit}."
    )


def _ending_sentence(ending: Ending) -> str:
    what = "a chip of" if ending.quantity == CHIP else "an edge that seems broken off by"
    says = "may be, as the row is doubtful: look at it" if ending.doubtful else "is"
    return (
        f"Flute {ending.flute} has {what} {ending.depth_um:.0f} µm {parts_text(ending.parts)}: at "
        f"{ending.limit_um:g} µm (chip_depth_max_um in [life]) a bit is scrap, and this one {says}."
    )


def _curve_sentence(curve: QuantityCurve) -> str:
    last = max(row.parts for row in curve.readings)
    how = quantity_of(curve.quantity)
    limit = ""
    if curve.limit is not None:
        limit = f", of {curve.limit.value * how.shown_factor:g} {how.shown_unit} allowed"
    seen = joined([f"flute {row.flute} {finding(row)}" for row in curve.readings if row.parts == last])
    return f"{capitalised(how.label)} {parts_text(last)}: {seen}{limit}. {why_this_curve(curve)}"


_SHAPE_WORDS = {
    "line": "steadily, in a line",
    "power law": "along a curve that bends all the way",
    "saturating": "quickly first, then ever slower",
    "three-stage": "in three stages, breaking in, steady and quickening",
    "power law, quicker late": "along a curve that bends and quickens late",
    "in steps": "by fits and starts",
    "breaking in, quicker late": "quickly while breaking in, steadily, and quicker late",
}


def why_this_curve(curve: QuantityCurve) -> str:
    """Which shape of curve was used, and why.

    Parameters
    ----------
    curve : QuantityCurve

    Returns
    -------
    str
    """
    weights, n = curve.weights, curve.n_checkpoints
    ranked = sorted(weights, key=lambda name: -weights[name])
    if n == 1:
        return "One checkpoint shows how much it wears but not how: all shapes of curve count alike."
    if weights[ranked[0]] >= CLEAR:
        return (
            f"Wear went {_SHAPE_WORDS[ranked[0]]} ({percent(weights[ranked[0]])} sure), by {n} checkpoints."
        )
    return (
        f"{n} checkpoints do not tell yet how wear goes on: every kind of curve counts, most of all one "
        f"that goes on {_SHAPE_WORDS[ranked[0]]} ({percent(weights[ranked[0]])})."
    )


def remarks(bit: BitOutcome) -> tuple[str, ...]:
    """What was left out of a bit's curves, and what that means.

    Parameters
    ----------
    bit : BitOutcome

    Returns
    -------
    tuple of str
    """
    lines = []
    if any(LIMITS[quantity].of_coating for quantity in bit.not_faced):
        lines.append("It has no coating to lose.")
    for found in bit.evidence:
        name = quantity_of(found.quantity).label
        if found.n_doubtful:
            rows, count, them = (
                ("row is", "counts", "its note")
                if found.n_doubtful == 1
                else ("rows are", "count", "their notes")
            )
            lines.append(f"{found.n_doubtful} doubtful {rows} of the {name}, and {count} less; read {them}.")
        if found.missing:
            which = joined([str(parts) for parts in found.missing])
            lines.append(
                f"Not every photo after {which} parts gave the {name}: that may itself be a sign of wear; look at "
                "that edge, or take the photo again."
            )
        if found.unmeasured:
            which = joined([str(flute) for flute in found.unmeasured])
            flutes = f"flute {which} is" if len(found.unmeasured) == 1 else f"flutes {which} are"
            lines.append(
                f"The {name} of {flutes} not measured, and taken to wear like the others within "
                f"{100 * FLUTE_SCATTER:.0f} %."
            )
    return tuple(lines)


def why_no_life(why: Reason) -> str:
    """Why a bit has no life, and what to do about it.

    Parameters
    ----------
    why : Reason
        `BitOutcome.why_not`.

    Returns
    -------
    str
        Without a full stop.
    """
    values = dict(why.values)
    quantity = str(values.get("quantity", ""))
    how = quantity_of(quantity)
    counts = [f"{values[f'n_{what}']} {what}" for what in ("doubtful", "refused") if values.get(f"n_{what}")]
    return said(
        _WHY_NO_LIFE,
        why,
        label=how.label,
        unit=how.shown_unit,
        key=LIMITS[quantity].key if quantity in LIMITS else "",
        rows=joined(counts) if counts else "",
    )


_WHY_NO_LIFE = {
    "no-coating-to-end-its-life": (
        "it has no coating whose loss could end its life; state edge_radius_um in [life] too"
    ),
    "no-limit": "no limit is stated; say in [life] of {trial_file} when a bit is worn out (edge_radius_um = 40)",
    "limit-not-above-new": (
        "its {label} when new is {new:.3g} {unit}, which the limit of {limit:g} {unit} does not exceed; raise {key} "
        "in [life] of {trial_file}"
    ),
    "none-usable": (
        "no {label} after the first cut can be used ({rows}); do what the notes of these rows in measurements.csv "
        "say, or take its limit out of [life]"
    ),
    "none-measured": (
        "no {label} was measured after the first cut; photograph it at a checkpoint and run wearscope measure, or "
        "take its limit out of [life]"
    ),
}
