"""The outcome of a trial as files for other programs."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from wearscope.economics.life import Range
from wearscope.economics.outcome import BitOutcome, Outcome
from wearscope.log.export import make_folder, write_json, write_table
from wearscope.report.decision_words import (
    bit_sentences,
    remarks,
    trial_sentences,
    verdict_text,
    why_no_life,
    why_this_curve,
)
from wearscope.report.tables import Column, Table

_ENDS = tuple(field.name for field in fields(Range))
COLUMNS = (
    "bit",
    "price",
    "parts_cut",
    *(f"life_parts_{end}" for end in _ENDS),
    "life_parts_at_least",
    "horizon_parts",
    "kind",
    *(f"next_life_parts_{end}" for end in _ENDS),
    "next_life_parts_change_at",
    *(f"cost_per_part_{end}" for end in _ENDS),
    "currency",
    "expected_extra_cost_per_part",
    "chance_cheapest",
    "chance_cheapest_by_price_alone",
    "why_not",
)
"""Columns of ``outcome.csv``, in order; an end of a range beyond the horizon is an empty cell."""


def outcome_document(outcome: Outcome, due: Collection[str] = ()) -> dict[str, Any]:
    """Outcome as plain lists, texts and numbers; codes are put into words, and of the draws their ranges are there.

    Parameters
    ----------
    outcome : Outcome
    due : collection of str
        Bits that are to be changed now.

    Returns
    -------
    dict
        Fit for JSON.
    """
    document: dict[str, Any] = _plain(outcome)
    for bit, said in zip(outcome.bits, document["bits"], strict=True):
        said["why_not"] = _why_not(bit)
        said["remarks"] = list(remarks(bit))
        said["sentences"] = list(bit_sentences(bit, outcome))
        for curve, drawn in zip(bit.curves, said["curves"], strict=True):
            drawn["why"] = why_this_curve(curve)
    words = {
        "verdict": verdict_text(outcome),
        "sentences": list(trial_sentences(outcome, due)),
        "due": list(due),
    }
    return document | words


def write_outcome(folder: Path, outcome: Outcome, due: Collection[str] = ()) -> tuple[Path, Path]:
    """Write ``outcome.json`` and ``outcome.csv``.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    outcome : Outcome
    due : collection of str
        Bits that are to be changed now.

    Returns
    -------
    tuple of Path
        Both files.

    Raises
    ------
    WearscopeError
        A file cannot be written.
    """
    make_folder(folder)
    as_json, as_csv = folder / "outcome.json", folder / "outcome.csv"
    write_json(as_json, outcome_document(outcome, due))
    write_table(as_csv, COLUMNS, outcome_table(outcome).rows)
    return as_json, as_csv


def outcome_table(outcome: Outcome) -> Table:
    """Life, cost per part and chance of each bit, one row for each.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    Table
    """
    return Table(
        "outcome",
        "Outcome",
        tuple(_column(name, outcome.currency) for name in COLUMNS),
        tuple(_row(bit, outcome.currency) for bit in outcome.bits),
    )


_END_WORDS = {
    "low95": "from (95 in 100)",
    "low50": "from (half of all)",
    "median": "middle",
    "high50": "to (half of all)",
    "high95": "to (95 in 100)",
    "at_least": "at least (39 times in 40)",
    "change_at": "95 in 100 still cut at",
}


def _column(name: str, currency: str) -> Column:
    money = currency or "money"
    for start, words, unit in (
        ("life_parts_", "life", "parts"),
        ("next_life_parts_", "life of the next one", "parts"),
        ("cost_per_part_", "cost per part", money),
    ):
        if name.startswith(start):
            return Column(name, f"{words}, {_END_WORDS[name.removeprefix(start)]}, {unit}", float)
    headings = {
        "price": f"price, {money}",
        "parts_cut": "cut so far, parts",
        "horizon_parts": "nothing is promised beyond, parts",
        "chance_cheapest": "chance to be the cheapest, share of 1",
        "expected_extra_cost_per_part": f"expected extra cost of choosing it, {money} per part",
        "chance_cheapest_by_price_alone": "the same by the prices alone, share of 1",
        "why_not": "why there is no life",
    }
    kind = str if name in ("bit", "kind", "currency", "why_not") else float
    return Column(name, headings.get(name, name), kind)


def _row(bit: BitOutcome, currency: str) -> tuple[str | float | None, ...]:
    def ends(known: Range | None) -> list[float | None]:
        return [getattr(known, end) if known else None for end in _ENDS]

    known = bit.life is not None
    return (
        bit.bit,
        bit.price,
        bit.parts_cut,
        *ends(bit.life),
        bit.at_least if known else None,
        bit.horizon if known else None,
        bit.kind,
        *ends(bit.next_life),
        bit.change_at if bit.next_life else None,
        *ends(bit.cost),
        currency,
        bit.regret,
        bit.chance,
        bit.chance_beforehand,
        _why_not(bit),
    )


def _why_not(bit: BitOutcome) -> str:
    return why_no_life(bit.why_not) if bit.why_not else ""


_LEFT_OUT = ("wear_draws", "sudden_draws", "next_draws", "cost_draws", "evidence", "not_faced")  # of a bit


_SIMPLE = frozenset({str, int, float, bool, type(None)})


@cache
def _told(kind: type[Any]) -> tuple[str, ...]:
    """Names of what is told of a thing of some kind."""
    left_out = _LEFT_OUT if kind is BitOutcome else ()
    return tuple(field.name for field in fields(kind) if field.name not in left_out)


def _plain(thing: Any) -> Any:  # noqa: ANN401 - whatever a dataclass may hold
    if thing is None or isinstance(thing, str | int | float):
        return thing
    if is_dataclass(thing) and not isinstance(thing, type):
        told = {name: getattr(thing, name) for name in _told(type(thing))}
        if _SIMPLE.issuperset(map(type, told.values())):  # as of a record, and there are thousands
            return told
        return {name: _plain(value) for name, value in told.items()}
    if isinstance(thing, np.ndarray):
        return [float(f"{value:.6g}") for value in thing.tolist()]
    if isinstance(thing, dict):
        return {key: _plain(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [_plain(value) for value in thing]
    return thing
