"""One photo measured and its sheet drawn, wherever that is done.

No photo travels between processes, only numbers, words and what is drawn. Nothing here knows of the wear log, so that
workers need not load what a database takes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from wearscope.files import checksum_of
from wearscope.imaging.calibration.scale import Scale
from wearscope.pipeline.calls import unexpected
from wearscope.pipeline.inspection import Drawing, Inspection
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.pipeline.views import Sheet, way_of
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial

Inspector = Callable[[Trial, PhotoEntry, Mapping[str, Scale]], Inspection]
"""What measures one photo."""


def named(entry: PhotoEntry, line: str) -> str:
    """Have a line name the photo as the trial file does: the bare file name may be that of many.

    Parameters
    ----------
    entry : PhotoEntry
    line : str

    Returns
    -------
    str
    """
    if entry.file in line or str(entry.path) in line:
        return line
    return f"{entry.file}: {line.removeprefix(f'{entry.path.name}: ')}"


@dataclass(frozen=True, eq=False)
class Measured:
    """What comes of measuring one photo.

    Attributes
    ----------
    result : PhotoResult
    drawing : Drawing or None
        For its sheet; None for a photo that was refused.
    remarks : tuple of str
        To be said on the sheet.
    """

    result: PhotoResult
    drawing: Drawing | None
    remarks: tuple[str, ...] = ()


def measure(
    inspector: Inspector,
    trial: Trial,
    entry: PhotoEntry,
    scales: Mapping[str, Scale],
    *,
    budgets: bool = True,
) -> Measured:
    """Measure a photo.

    Parameters
    ----------
    inspector : callable
    trial : Trial
    entry : PhotoEntry
    scales : mapping
        Scale by name.
    budgets : bool
        Whether to keep what each uncertainty is made of.

    Returns
    -------
    Measured
    """
    found = inspector(trial, entry, scales)
    sha256 = found.records[0].photo_sha256 if found.records else checksum_of(entry.path)
    result = PhotoResult(
        entry,
        sha256,
        found.records,
        named(entry, found.refusal) if found.refusal else "",
        tuple(named(entry, line) for line in found.warnings),
        budgets=found.budgets if budgets else {},
        refusal_code=found.refusal_code,
    )
    return Measured(result, None if found.refusal else found.drawing, found.warnings)


def measure_alone(
    inspector: Inspector, trial: Trial, entry: PhotoEntry, scales: Mapping[str, Scale]
) -> PhotoResult:
    """Measure a photo of which nothing is drawn.

    Parameters
    ----------
    inspector : callable
    trial : Trial
    entry : PhotoEntry
    scales : mapping
        Scale by name.

    Returns
    -------
    PhotoResult
    """
    return measure(inspector, trial, entry, scales).result


def draw(sheet: Sheet) -> str:
    """Draw a sheet.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    str
        A warning where that fails, else "".
    """
    try:
        way_of(sheet.entry).draw(sheet)
    except OSError as error:
        why = error.strerror or error
        cure = "make room there, or choose another folder with --out"
        return f"{sheet.entry.file}: its comparison sheet cannot be written ({why}); {cure}"
    except Exception as error:
        return unexpected(sheet.entry.file, "its comparison sheet could not be drawn", error)
    return ""
