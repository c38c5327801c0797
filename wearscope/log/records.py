"""The row that every measurement ends in: one number, its uncertainty, and how it was made."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from operator import attrgetter
from sys import intern
from typing import Any

from wearscope.quantities.quantity import Status, Zone, quantity_of


@dataclass(frozen=True)
class Record:
    """One row of ``measurements.csv`` and of the wear log; the fields are its columns, in order.

    A refused record has no value, no uncertainty and no interval. The last three fields are not in rows of
    version 0.1.

    Attributes
    ----------
    bit : str
    flute : int
        1 for the first.
    parts : int
        Parts that the bit had cut.
    view : str
    quantity : str
        As in `wearscope.quantities.quantity`.
    zone : {"used", "unused", "difference", "whole"}
    value : float or None
        In `unit`; so are uncertainty, interval and detection limit.
    unit : str
        Plain ASCII, such as "um".
    std_uncertainty : float or None
    low95, high95 : float or None
        Ends of the 95 % interval.
    status : {"ok", "below_detection", "doubtful", "refused"}
    note : str
        In words what `reasons` says in codes, and what is to be said of the scale.
    method : str
        Lower-case words joined by ``+``, with ``hand`` last where a person has marked anything.
    photo, photo_sha256 : str
        Name and checksum of the file.
    scale : str
        Name of the scale.
    um_per_px : float or None
        The scale.
    wearscope_version : str
    measured_at : str
        UTC, as ISO 8601 writes it.
    detection_limit : float or None
        None where nothing can go undetected.
    dof : float or None
        Degrees of freedom of the uncertainty, None for infinitely many.
    reasons : str
        Codes, as `wearscope.quantities.reasons` writes them.
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


@contextmanager
def none_collected() -> Iterator[None]:
    """While many rows are made that all are kept, look for no garbage among them: it takes a third of the time.

    Yields
    ------
    None
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


@contextmanager
def set_aside() -> Iterator[None]:
    """While there are many rows already, look for garbage only among what is made from now on.

    Yields
    ------
    None
    """
    if gc.get_freeze_count():  # whoever has set things aside takes them back
        yield
        return
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def gave_numbers(records: Iterable[Record]) -> bool:
    """Whether the rows of a photo hold a number of wear; of a new-state photo, any number.

    Parameters
    ----------
    records : iterable of Record
        Of one photo.

    Returns
    -------
    bool
    """
    return any(
        row.value is not None and (not quantity_of(row.quantity).of_the_photo or row.parts == 0)
        for row in records
    )


_cells = attrgetter(*(field.name for field in fields(Record)))


def record_of(cells: Iterable[Any]) -> Record:
    """A record whose texts are those of all others: a trial may have a hundred thousand, most texts alike.

    Parameters
    ----------
    cells : iterable
        In the order of its fields.

    Returns
    -------
    Record
    """
    shared: list[Any] = [intern(cell) if type(cell) is str else cell for cell in cells]
    return Record(*shared)


def sharing_texts(record: Record) -> Record:
    """The same record as from `record_of`.

    Parameters
    ----------
    record : Record

    Returns
    -------
    Record
    """
    return record_of(_cells(record))
