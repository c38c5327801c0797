"""What came of a trial's photos, and what is kept of it: rows in the wear log, refusals, names of sheets."""

from __future__ import annotations

import csv
import re
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.log.cells import unquoted
from wearscope.log.export import write_table
from wearscope.log.inputs import Inputs
from wearscope.log.logged import LoggedInspection
from wearscope.log.place import LogPlace
from wearscope.log.records import Record
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.calls import unexpected
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial
from wearscope.version import __version__

REFUSED_NAME = "refused.csv"
_LONGEST_NAME = 180  # bytes of a bit's name in a file's name: file systems take 255 in all


@dataclass(frozen=True)
class BatchResult:
    """What came of a trial.

    Attributes
    ----------
    photos : tuple of PhotoResult
        In the order of the trial.
    records : tuple of Record
        The rows of ``measurements.csv``: what the wear log now holds of the trial's photos.
    measurements, refused : Path
    wear_log : LogPlace
        Files written.
    n_left : int
        Number of photos left as they were, for neither they nor what their numbers rest on have changed.
    astray : tuple of str
        What the wear log holds under names that the trial file does not have, with the cure, in lines.
    """

    photos: tuple[PhotoResult, ...]
    records: tuple[Record, ...]
    measurements: Path
    refused: Path
    wear_log: LogPlace
    n_left: int = 0
    astray: tuple[str, ...] = ()

    @property
    def refusals(self) -> tuple[PhotoResult, ...]:
        """Photos that were not measured."""
        return tuple(photo for photo in self.photos if photo.refusal)

    @property
    def undrawn(self) -> tuple[str, ...]:
        """Why sheets that ought to be there are not, a line for each."""
        return tuple(photo.undrawn for photo in self.photos if photo.undrawn)

    @property
    def sheets(self) -> tuple[Path, ...]:
        """Comparison sheets, drawn now or before."""
        return tuple(photo.sheet for photo in self.photos if photo.sheet)


@dataclass(frozen=True)
class PhotoVerdict:
    """Whether one photo is fit to be measured.

    Attributes
    ----------
    entry : PhotoEntry
    judgement : Judgement or None
        None if there is none, for the reason that `refusal` gives.
    refusal : str
        Why the photo cannot be measured, and the cure; empty if it can.
    """

    entry: PhotoEntry
    judgement: Judgement | None
    refusal: str


def sheet_names(trial: Trial) -> dict[PhotoEntry, str]:
    """File name of each photo's comparison sheet, safe on every system and no two alike.

    Such as ``Wren-flute1-0150parts.png``; the view is added where several show one flute and checkpoint.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    dict of PhotoEntry to str
    """
    bit_names = _file_names(bit.name for bit in trial.bits)
    digits = max([4, *(len(str(entry.parts)) for entry in trial.photos)])  # so that names rarely change
    views: dict[tuple[str, int, int], int] = {}
    for entry in trial.photos:
        place = (entry.bit, entry.flute, entry.parts)
        views[place] = views.get(place, 0) + 1
    names = {}
    for entry in trial.photos:
        view = f"-{entry.view}" if views[entry.bit, entry.flute, entry.parts] > 1 else ""
        names[entry] = f"{bit_names[entry.bit]}-flute{entry.flute}-{entry.parts:0{digits}}parts{view}.png"
    return names


def _file_names(names: Iterable[str]) -> dict[str, str]:
    """Part of a file name for each name; names that differ stay different, even where case does not count."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        base = re.sub(r"[^\w.+-]+", "_", name).strip("._")[:60]
        base = base.encode()[:_LONGEST_NAME].decode(errors="ignore") or "bit"
        candidate, number = base, 1
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{base}_{number}"
        taken.add(candidate.casefold())
        found[name] = candidate
    return found


def require_writable(folders: list[Path], files: list[Path]) -> None:
    """Make folders, and find out whether files can be replaced.

    Parameters
    ----------
    folders : list of Path
        The deepest first.
    files : list of Path

    Raises
    ------
    WearscopeError
        One of them cannot be written.
    """
    for folder in folders:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            # A name of its own: two runs at once, maybe of two machines with one number of process, look here too.
            with tempfile.NamedTemporaryFile(dir=folder, prefix=".wearscope."):
                pass
        except OSError as error:
            raise WearscopeError(
                f"{folder} cannot be written ({error.strerror})",
                "make it writable, or choose another folder with --out",
            ) from error
    for file in files:
        try:
            if file.exists():
                file.open("ab").close()
        except OSError as error:
            raise WearscopeError(
                f"{file} cannot be written ({error.strerror})", "close any program that has it open"
            ) from error


def log_result(log: WearLog, trial: Trial, result: PhotoResult, inputs: Inputs) -> PhotoResult:
    """Put a result into the log; a failure instead, if it is not one that can be logged.

    Parameters
    ----------
    log : WearLog
    trial : Trial
    result : PhotoResult
    inputs : Inputs
        What it rests on.

    Returns
    -------
    PhotoResult
        With a refusal if its numbers could not be logged.

    Notes
    -----
    Of a photo that could not be looked at (its file cannot be read, its process died) nothing is logged.
    """
    if not result.known or not result.photo_sha256:
        return result
    seen = replace(
        inputs, photo=replace(inputs.photo, photo_sha256=result.photo_sha256)
    )  # it may have changed
    made = LoggedInspection(
        trial=trial.name,
        bit=result.entry.bit,
        flute=result.entry.flute,
        parts=result.entry.parts,
        view=result.entry.view,
        photo=result.entry.file,
        photo_sha256=result.photo_sha256,
        refusal=result.refusal,
        wearscope_version=__version__,
        inspected_at=datetime.now(UTC).isoformat(timespec="seconds"),
        refusal_code=result.refusal_code,
        inputs=seen.named(),
    )
    try:
        log.append(made, result.records)
    except ValueError as error:
        line = unexpected(result.entry.file, "its measurements make no sense", error)
        log.append(replace(made, refusal=line, refusal_code="program-failed"), ())
        return replace(result, records=(), refusal=line, refusal_code="program-failed", sheet=None)
    return result


def photos_refused(folder: Path) -> dict[tuple[str, int, int, str], str]:
    """Why photos were refused when a trial was last measured, by bit, flute, parts and view.

    Parameters
    ----------
    folder : Path
        The results folder.

    Returns
    -------
    dict
        Empty if nothing was measured into this folder.

    Raises
    ------
    WearscopeError
        ``refused.csv`` cannot be read.
    """
    path = folder / REFUSED_NAME
    if not path.exists():
        return {}
    try:
        with path.open(newline="", encoding="utf-8") as file:
            return {
                (unquoted(row["bit"]), int(row["flute"]), int(row["parts"]), row["view"]): unquoted(
                    row["refusal"]
                )
                for row in csv.DictReader(file)
            }
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WearscopeError(
            f"{path} cannot be read, or is not as it was written", "delete it and run wearscope measure again"
        ) from error


def write_refusals(path: Path, photos: Iterable[PhotoResult]) -> None:
    """Write the table of refused photos.

    Parameters
    ----------
    path : Path
    photos : iterable of PhotoResult
        Those that were measured are left out.

    Raises
    ------
    WearscopeError
        The file cannot be written.
    """
    columns = ("bit", "flute", "parts", "view", "photo", "refusal")
    refused = [photo for photo in photos if photo.refusal]
    write_table(
        path,
        columns,
        [(p.entry.bit, p.entry.flute, p.entry.parts, p.entry.view, p.entry.file, p.refusal) for p in refused],
    )
