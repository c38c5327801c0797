"""The outcome of a trial as files for other programs."""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np

from wearscope.errors import WearscopeError
from wearscope.log.export import write_bytes, write_table
from wearscope.outcome.decision import BitOutcome, Outcome
from wearscope.outcome.life import Range

_ENDS = tuple(field.name for field in fields(Range))
COLUMNS = (
    "bit",
    "price",
    "parts_cut",
    *(f"life_parts_{end}" for end in _ENDS),
    "life_parts_at_least",
    "horizon_parts",
    *(f"cost_per_part_{end}" for end in _ENDS),
    "currency",
    "chance_cheapest",
    "chance_cheapest_by_horizon",
    "why_not",
)
"""Columns of ``outcome.csv``, in order; an end of a range beyond the horizon is an empty cell."""


def outcome_document(outcome: Outcome) -> dict[str, Any]:
    """Outcome as plain lists, texts and numbers; the draws are left out, their ranges are there.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    dict
        Fit for JSON.
    """
    document = _plain(asdict(outcome))
    for bit in document["bits"]:
        del bit["life_draws"], bit["cost_draws"]
    return dict(document)


def write_outcome(folder: Path, outcome: Outcome) -> tuple[Path, Path]:
    """Write ``outcome.json`` and ``outcome.csv``.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    outcome : Outcome

    Returns
    -------
    tuple of Path
        Both files.

    Raises
    ------
    WearscopeError
        A file cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WearscopeError(
            f"{folder} cannot be made ({error.strerror})", "choose another folder with --out"
        ) from error
    as_json, as_csv = folder / "outcome.json", folder / "outcome.csv"
    text = json.dumps(outcome_document(outcome), indent=1, ensure_ascii=False, allow_nan=False)
    write_bytes(as_json, (text + "\n").encode())
    write_table(as_csv, COLUMNS, [_row(bit, outcome.currency) for bit in outcome.bits])
    return as_json, as_csv


def _row(bit: BitOutcome, currency: str) -> list[str | float | None]:
    def ends(known: Range | None) -> list[float | None]:
        return [getattr(known, end) if known else None for end in _ENDS]

    known = bit.life is not None
    return [
        bit.bit,
        bit.price,
        bit.parts_cut,
        *ends(bit.life),
        bit.at_least if known else None,
        bit.horizon if known else None,
        *ends(bit.cost),
        currency,
        bit.chance,
        bit.chance_by_horizon,
        bit.why_not,
    ]


def _plain(thing: Any) -> Any:  # noqa: ANN401 - whatever a dataclass may hold
    if isinstance(thing, np.ndarray):
        return [float(f"{value:.6g}") for value in thing]
    if isinstance(thing, dict):
        return {key: _plain(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [_plain(value) for value in thing]
    return thing
