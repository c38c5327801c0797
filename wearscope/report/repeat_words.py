"""What a repeat study says, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wearscope.metrology.findings import COVERAGE_95
from wearscope.metrology.repeatability import (
    ENOUGH_CATEGORIES,
    GOOD_PERCENT,
    USABLE_PERCENT,
    Estimate,
    percent_of_tolerance,
    smallest_difference,
)
from wearscope.metrology.repeated import RepeatedQuantity
from wearscope.quantities.quantity import quantity_of
from wearscope.report.words import capitalised, name_in_zone, parts_text, rounded

SHARED_REMARK = (
    "What all photos share does not show in a repeat study: scale, wedge angle, lamps, new-state photo. It tells how "
    "well numbers can be compared, not how true they are."
)
_MORE_OF = {
    "flute": "more flutes, from new to worn out",
    "person": "more people",
    "interaction": "more people or flutes",
    "repeat": "more photos of each flute",
}


def heading(studied: RepeatedQuantity) -> str:
    """Name of what was studied and how much of it, such as "Edge recession, used minus unused: 4 flutes ...".

    Parameters
    ----------
    studied : RepeatedQuantity

    Returns
    -------
    str
    """
    name = name_in_zone(studied.quantity, studied.zone)
    anova = studied.anova
    counts = (_count(anova.n_flutes, "flute"), _count(anova.n_people, "person", "people"))
    return f"{capitalised(name)}: {', '.join(counts)}, {_count(anova.n_values, 'value')}"


def spread_rows(studied: RepeatedQuantity) -> list[tuple[str, str, str, str]]:
    """Rows of the table: what differs, standard deviation, its 95 % interval, share of all variation in %.

    Parameters
    ----------
    studied : RepeatedQuantity

    Returns
    -------
    list of tuple of str
    """
    anova = studied.anova
    rows: Sequence[tuple[str, Estimate | None]] = (
        ("same flute, same person", anova.repeatability),
        ("from person to person", anova.reproducibility),
        ("measurement, both together", anova.combined),
        ("from flute to flute", anova.between_flutes),
        ("all together", anova.total),
    )
    total = anova.total.value if anova.total else 0.0
    return [
        (
            what,
            _two(_shown(studied, spread).value),
            _interval(_shown(studied, spread)),
            f"{100.0 * spread.value / total:.0f}" if total else "–",
        )
        for what, spread in rows
        if spread
    ]


def verdict(studied: RepeatedQuantity, tolerance_um: float | None = None) -> list[str]:
    """What the study means for whoever compares bits: a few sentences, the main one first.

    Parameters
    ----------
    studied : RepeatedQuantity
    tolerance_um : float, optional
        Width of the range between acceptable and not.

    Returns
    -------
    list of str
    """
    lines = [*_differences(studied), *_agreement(studied)]
    if tolerance_um is not None and studied.unit == "um":
        share = percent_of_tolerance(studied.anova.combined, tolerance_um)
        lines.append(
            f"The measurement takes up {_two(share.value)} % ({_interval(share)}) of the tolerance of "
            f"{tolerance_um:g} µm."
        )
    lines += _cautions(studied)
    return lines


def in_short(studied: RepeatedQuantity) -> str:
    """What was studied and what can be told apart, and a caution if the photos scatter more than stated.

    Parameters
    ----------
    studied : RepeatedQuantity

    Returns
    -------
    str
    """
    return f"{heading(studied)}. {' '.join([_differences(studied)[0], *_scatter(studied)])}"


def _agreement(studied: RepeatedQuantity) -> list[str]:
    """Say how much of the variation is the measurement's, and how sure that is."""
    anova = studied.anova
    share = anova.percent
    if share is None or anova.categories is None:
        return ["One flute alone cannot show how flutes are told apart; photograph more of them."]
    how = "well" if share.value <= GOOD_PERCENT else "passably" if share.value <= USABLE_PERCENT else "badly"
    lines = [
        f"Photos of the same flute agree {how}: the measurement makes up {share.value:.0f} % of the variation among "
        f"these photos; up to {GOOD_PERCENT:.0f} % is good, up to {USABLE_PERCENT:.0f} % usable. "
        f"It sorts flutes like these into {_count(round(anova.categories.value), 'class', 'classes')}; "
        f"{ENOUGH_CATEGORIES} are enough."
    ]
    if studied.ranges:
        by_ranges = studied.ranges
        lines[0] += (
            f" By the ranges alone (average and range): {by_ranges.percent:.0f} %, "
            f"{_count(by_ranges.categories, 'class', 'classes')}."
        )
    if any(share.low95 < mark < share.high95 for mark in (GOOD_PERCENT, USABLE_PERCENT)):
        fewest = min(anova.table, key=lambda source: source.df).name
        lines.append(
            f"With so few photos the share may be anywhere from {share.low95:.0f} to {share.high95:.0f} %; "
            f"{_MORE_OF[fewest]} would settle it."
        )
    return lines


def _differences(studied: RepeatedQuantity) -> list[str]:
    """Say what difference can be told from none: between bits, and on one flute."""
    anova, unit = studied.anova, _unit(studied)
    between = smallest_difference(studied.spread_of_bits)
    why = (
        f"the ± of the numbers counts here ({_two(COVERAGE_95 * studied.stated_u * _factor(studied))} {unit}), for "
        "it holds what two bits do not share, such as wedge angle and edge when new"
        if studied.stated_u > anova.combined.value
        else f"with so few photos it may be {_interval(_shown(studied, between))} {unit}"
    )
    lines = [
        f"Two bits can be told apart, by one photo each, if they differ by {_two(_shown(studied, between).value)} "
        f"{unit} or more; {why}."
    ]
    apart = studied.differences
    if len(apart):
        told = int(np.sum(apart >= between.value))
        lines[0] += (
            f" So {_count(told, 'pair')} of these flutes can be told apart, {len(apart) - told} cannot."
        )
    several = anova.reproducibility is not None and anova.reproducibility.value > 0
    for who, spread in (("one person", anova.one_person), ("different people", anova.combined)):
        if who == "one person" or several:
            least = _shown(studied, smallest_difference(spread))
            lines.append(
                f"A change of one flute shows, in two photos by {who}, from {_two(least.value)} {unit}; "
                f"with so few photos it may be {_interval(least)} {unit}."
            )
    return lines


def _scatter(studied: RepeatedQuantity) -> list[str]:
    if studied.anova.repeatability.low95 <= studied.stated_u:
        return []
    return [
        "The photos differ by more than their ± allows: something changes from photo to photo that "
        "wearscope does not know of. Look at focus, light and how the bit is laid down, and trust what this study "
        "says, not the ±."
    ]


def _cautions(studied: RepeatedQuantity) -> list[str]:
    anova = studied.anova
    lines = _scatter(studied)
    if anova.n_people == 1:
        lines.append("Only one person took photos; another may read more or less.")
    elif anova.interaction and not anova.pooled:
        lines.append("People differ more on some flutes than on others; look at those flutes together.")
    lines += [
        f"{flute.bit}, flute {flute.flute}, {parts_text(flute.parts)}: the photos by {person} lie further apart than "
        "the others; look at them."
        for flute, person in studied.astray
    ]
    if studied.doubtful:
        lines.append(
            f"{_count(studied.doubtful, 'value')} of {anova.n_values} doubtful; see the notes in the table."
        )
    return lines


def _shown(studied: RepeatedQuantity, estimate: Estimate) -> Estimate:
    return estimate.times(_factor(studied))


def _factor(studied: RepeatedQuantity) -> float:
    return quantity_of(studied.quantity).shown_factor


def _unit(studied: RepeatedQuantity) -> str:
    how = quantity_of(studied.quantity)
    return "percentage points" if how.shown_unit == "%" else how.shown_unit


def _two(number: float) -> str:
    """A number with two significant digits."""
    return rounded(number, number)[0]


def _interval(estimate: Estimate) -> str:
    return f"{_two(estimate.low95)} to {_two(estimate.high95)}"


def _count(n: int, one: str, several: str = "") -> str:
    return f"{n} {one if n == 1 else several or one + 's'}"
