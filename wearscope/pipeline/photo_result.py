"""What came of one photo: numbers and words, apart from all that finds them out.

What only reads a wear log holds results of photos too, and is spared the second that all of measuring takes to load.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from wearscope.log.records import Record
from wearscope.metrology.uncertainty import Budget
from wearscope.quantities.quantity import Zone
from wearscope.trial.entries import PhotoEntry


@dataclass(frozen=True)
class PhotoResult:
    """What came of one photo.

    Attributes
    ----------
    entry : PhotoEntry
    photo_sha256 : str
        Empty if the file cannot be read, or was not.
    records : tuple of Record
        Rows with status ``refused`` included.
    refusal : str
        Why the photo as a whole was not measured, and the cure; empty if it was.
    warnings : tuple of str
        One line each.
    sheet : Path or None
        Its comparison sheet.
    known : bool
        False if the work was cut off before anything was known about the photo.
    undrawn : str
        Why its comparison sheet is not there although it ought to be, and the cure; else empty.
    budgets : mapping
        As in `Inspection`; they are not kept in the wear log.
    refusal_code : str
        Kind of the refusal; empty if it was measured.
    """

    entry: PhotoEntry
    photo_sha256: str = ""
    records: tuple[Record, ...] = ()
    refusal: str = ""
    warnings: tuple[str, ...] = ()
    sheet: Path | None = None
    known: bool = True
    undrawn: str = ""
    budgets: Mapping[tuple[str, Zone], Budget] = field(default_factory=dict)
    refusal_code: str = ""
