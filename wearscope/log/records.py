"""The row that every measurement ends in: one number, its uncertainty, and how it was made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wearscope.quantities.quantity import Status, Zone, quantity_of


@dataclass(frozen=True)
class Record:
    """One row of ``measurements.csv`` and of the wear log; the fields are its columns, in order.

    A refused record has no value, no uncertainty and no interval. Lengths are in the unit that `unit` names; so is
    `detection_limit`, None where nothing can go undetected. `dof` is None for infinitely many degrees of freedom.
    `reasons` says in codes, as `wearscope.quantities.reasons` writes them, what `note` says in words. The last three
    are not in rows of version 0.1.
    """

    bit: str
    flute: int
    parts: int
    view: str
    quantity: str
    zone: Zone
    value: float | None
    unit: str
    std_uncertainty: float | None
    low95: float | None
    high95: float | None
    status: Status
    note: str
    method: str
    photo: str
    photo_sha256: str
    scale: str
    um_per_px: float | None
    wearscope_version: str
    measured_at: str
    detection_limit: float | None = None
    dof: float | None = None
    reasons: str = ""


def gave_numbers(records: Iterable[Record]) -> bool:
    """Whether the rows of a photo hold a number of wear; of a new-state photo, any number."""
    return any(
        row.value is not None and (not quantity_of(row.quantity).of_the_photo or row.parts == 0)
        for row in records
    )
