"""A new picture of a flute: judged, and filed under its flute and checkpoint."""

from __future__ import annotations

import json
import os
import re
import shutil
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from wearscope.errors import PhotoRefused, TrialError, WearscopeError
from wearscope.files import PHOTO_BYTES, TRIAL_BYTES, checksum_of, read_file
from wearscope.imaging.calibration.scale import Scale
from wearscope.log.export import write_bytes
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.pictures import Likenesses, look_at, same_as_others
from wearscope.pipeline.sources import Memory, Sources
from wearscope.pipeline.views import way_of
from wearscope.quantities.quantity import ViewKey
from wearscope.quantities.views import suffix
from wearscope.trial import PhotoEntry, Trial, load_trial
from wearscope.trial.correction import Correction

PICTURES = (".jpg", ".jpeg", ".png", ".bmp", ".webp", ".tif", ".tiff")
REPLACED = "replaced"
"""Folder beside the trial file for pictures whose place a newer one has taken."""

OTHER_FLUTE = frozenset({"other-flute", "other-colour"})
"""Refusals of a photo that does not fit its new-state photo."""

KINDS = (
    (b"\xff\xd8\xff", (".jpg", ".jpeg")),
    (b"\x89PNG", (".png",)),
    (b"BM", (".bmp",)),
    (b"RIFF", (".webp",)),
    (b"II", (".tif", ".tiff")),
    (b"MM", (".tif", ".tiff")),
)
"""First bytes of each kind of picture, and how its name ends."""


@dataclass(frozen=True)
class Place:
    """What a picture shows.

    Attributes
    ----------
    bit : str
    flute : int
    parts : int
    view : str
    scale : str
        These as in the trial file.
    """

    bit: str
    flute: int
    parts: int
    view: ViewKey
    scale: str


@dataclass(frozen=True)
class Verdict:
    """What is to be said of a new picture.

    Attributes
    ----------
    fit : bool
        Whether it can be measured.
    lines : tuple of str
        What is wrong or could be better; the first one is the reason if it is not fit.
    """

    fit: bool
    lines: tuple[str, ...]


def pictures_in(folder: Path) -> dict[Path, tuple[int, int]]:
    """Pictures in a folder, with size and time of change, by which one that is still being written is known.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    dict
    """
    found = {}
    with os.scandir(folder) as entries:
        for one in entries:
            if one.is_file() and Path(one.name).suffix.casefold() in PICTURES and one.name[0] != ".":
                seen = one.stat()
                found[Path(one.path)] = (seen.st_size, seen.st_mtime_ns)
    return found


def entry_for(picture: Path, place: Place) -> PhotoEntry:
    """The entry that the picture would have in the trial.

    Parameters
    ----------
    picture : Path
    place : Place

    Returns
    -------
    PhotoEntry
    """
    return PhotoEntry(
        bit=place.bit,
        flute=place.flute,
        parts=place.parts,
        view=place.view,
        file=picture.name,
        scale=place.scale,
        path=picture,
    )


def next_place(trial: Trial, place: Place) -> Place:
    """Where the picture after one at `place` most likely belongs.

    The flute without a photo at this checkpoint, bit by bit; when all have one, the first of the next checkpoint.

    Parameters
    ----------
    trial : Trial
    place : Place

    Returns
    -------
    Place
        The same one where nothing says what comes next.
    """
    flutes = trial.all_flutes()
    taken = {
        (one.bit, one.flute) for one in trial.photos if (one.parts, one.view) == (place.parts, place.view)
    }
    here = (place.bit, place.flute)
    at = flutes.index(here) if here in flutes else -1
    for bit, flute in flutes[at + 1 :] + flutes[: at + 1]:
        if (bit, flute) not in taken and (bit, flute) != here:
            return replace(place, bit=bit, flute=flute)
    parts = sorted({one.parts for one in trial.photos} | {place.parts})
    later = [one for one in parts if one > place.parts]
    following = later[0] if later else 2 * parts[-1] - parts[-2] if len(parts) > 1 else place.parts
    if following == place.parts or not flutes:
        return place  # nothing says how many parts are cut between two checkpoints
    bit, flute = flutes[0]
    return replace(place, bit=bit, flute=flute, parts=following)


def judge(
    trial: Trial,
    picture: Path,
    place: Place,
    scales: Mapping[str, Scale],
    corrections: Mapping[str, Correction] | None = None,
    known: Likenesses | None = None,
) -> Verdict:
    """Whether a picture can be measured: its own, sharp, lit, on a scale, the edge in view, and the right flute.

    Parameters
    ----------
    trial : Trial
    picture : Path
    place : Place
    scales : mapping
        Scale by name.
    corrections : mapping, optional
        Those of the trial's photos, by the photo's sha256: the new-state photo may owe its edge or scale to them.
    known : Likenesses, optional
        What the trial's pictures look like, as far as that has been found out.

    Returns
    -------
    Verdict
    """
    entry = entry_for(picture, place)
    others = tuple(photo for photo in trial.photos if not shows(photo, place))
    with_it = trial.model_copy(update={"photos": (*others, entry)})
    not_its_own = same_as_others(with_it, look_at(with_it, known)).get(entry)
    if not_its_own is not None:
        return Verdict(False, (str(not_its_own),))
    if any(checksum_of(old.path) == checksum_of(picture) for old in trial.photos if shows(old, place)):
        return Verdict(False, (f"{picture.name} is filed there already; take another one",))
    memory = Memory()  # what the one finds out the others need not
    # lays it over the new-state photo: is it this flute?
    found = inspect_photo(trial, entry, scales, corrections, memory)
    if found.refusal:
        return Verdict(False, (found.refusal,))
    try:
        judged = way_of(entry).judge(trial, entry, Sources(scales, corrections or {}, memory))
    except PhotoRefused as problem:
        return Verdict(False, (str(problem),))
    if judged.verdict == "refused":
        return Verdict(False, judged.remarks)
    for later in _resting_on(with_it, entry):  # or else the photos of this flute do not fit it
        against = inspect_photo(with_it, later, scales, corrections, memory)
        if against.refusal_code in OTHER_FLUTE:
            other = f"{picture.name} does not show the flute of {later.file}, which is filed as later"
            return Verdict(False, (f"{other}; choose the flute and checkpoint that it shows",))
    absent = [row.note for row in found.records if row.quantity == "used_length" and row.status == "refused"]
    return Verdict(True, (*absent, *found.warnings, *judged.remarks))


def _resting_on(trial: Trial, entry: PhotoEntry) -> list[PhotoEntry]:
    """The first later photos that would be compared with a new-state photo, as far as they are there."""
    later = [
        one for one in trial.photos if one != entry and trial.new_state(one) == entry and one.path.exists()
    ]
    return sorted(later, key=lambda one: one.parts)[:2]


def file_picture(trial: Trial, picture: Path, place: Place) -> Trial:
    """Copy a picture to its place in the trial; one that is there already goes to the folder `REPLACED`.

    Parameters
    ----------
    trial : Trial
    picture : Path
    place : Place

    Returns
    -------
    Trial
        Read again, with the photo in it.

    Raises
    ------
    WearscopeError
        It cannot be copied, or the trial file cannot take it; then both are as before.
    """
    try:
        content, before = read_file(picture, PHOTO_BYTES), read_file(trial.path, TRIAL_BYTES)
    except OSError as error:
        raise WearscopeError(f"{picture.name} cannot be filed ({error})", "take it again") from error
    pattern = tomllib.loads(before.decode("utf-8-sig")).get("photos", {}).get("pattern")
    old = next((photo for photo in trial.photos if shows(photo, place)), None)
    target = (
        old.path
        if old is not None
        else trial.folder / (_by_pattern(pattern, place) if pattern else _name(place, picture))
    )
    if not target.resolve().is_relative_to(trial.folder.resolve()):
        raise WearscopeError(
            f"{target} lies outside the folder of the trial, where nothing is written", "mend the trial file"
        )
    endings = next((ends for first, ends in KINDS if content.startswith(first)), ())
    if endings and target.suffix.casefold() not in endings:
        if old is not None:
            raise WearscopeError(
                f"{old.file} is to be replaced by {picture.name}, a picture of another kind ({endings[0]})",
                f"have the pictures saved as {target.suffix}, or take {old.file} out of the trial first",
            )
        target, pattern = (
            target.with_suffix(endings[0]),
            None,
        )  # a name by the pattern would say what it is not
    if old is None and target.exists():
        raise WearscopeError(
            f"{target} is there but not in the trial", "move it away, then take the picture again"
        )
    aside = _aside(trial, target) if target.exists() else None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if aside is not None:
            aside.parent.mkdir(exist_ok=True)
            shutil.copy2(target, aside)
        write_bytes(target, content)
        if old is None and not pattern:
            write_bytes(
                trial.path, before + _table(target.relative_to(trial.folder).as_posix(), place).encode()
            )
        return load_trial(trial.path, photos_to_come=True)
    except (OSError, WearscopeError) as error:
        if aside is not None and aside.exists():
            shutil.copy2(aside, target)
            aside.unlink()
        elif aside is None:
            with suppress(OSError):
                target.unlink(missing_ok=True)
        if trial.path.read_bytes() != before:
            write_bytes(trial.path, before)
        if isinstance(error, TrialError):
            cure = "mend that; the trial is as before"
        else:
            cure = f"let {trial.folder} be written to, or make room on its disk; the trial is as before"
        raise WearscopeError(f"{picture.name} cannot be filed ({reason_of(error)})", cure) from error


def set_aside(trial: Trial, target: Path) -> None:
    """Copy a file whose place a newer one takes into the folder `REPLACED`, if it is there.

    Parameters
    ----------
    trial : Trial
    target : Path

    Raises
    ------
    WearscopeError
        It cannot be copied.
    """
    if not target.exists():
        return
    aside = _aside(trial, target)
    try:
        aside.parent.mkdir(exist_ok=True)
        shutil.copy2(target, aside)
    except OSError as error:
        raise WearscopeError(
            f"{target} cannot be kept ({error})", "make room, then take the picture again"
        ) from error


def shows(photo: PhotoEntry, place: Place) -> bool:
    """Whether a photo of the trial stands at a place.

    Parameters
    ----------
    photo : PhotoEntry
    place : Place

    Returns
    -------
    bool
    """
    return (photo.bit, photo.flute, photo.parts, photo.view) == (
        place.bit,
        place.flute,
        place.parts,
        place.view,
    )


def _by_pattern(pattern: str, place: Place) -> str:
    values = {"bit": place.bit, "flute": str(place.flute), "parts": str(place.parts), "view": place.view}
    return re.sub(r"\{(\w+)\}", lambda match: values[match[1]], pattern)


def file_name(text: str) -> str:
    """A name of the trial as part of a file's name.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Empty if nothing of it can stand there.

    Examples
    --------
    >>> file_name("bench 60x"), file_name("../a")
    ('bench_60x', 'a')
    """
    return re.sub(r"[^\w.+-]+", "_", text).strip("._")


def reason_of(error: Exception) -> str:
    """Why something could not be written, in few words.

    Parameters
    ----------
    error : Exception

    Returns
    -------
    str
    """
    if isinstance(error, WearscopeError):
        return str(error).partition("; ")[0]  # without a cure of its own
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def _name(place: Place, picture: Path) -> str:
    bit = file_name(place.bit) or "bit"
    view = suffix(place.view, "-")
    return f"photos/{bit}-{place.parts:03}-{place.flute}{view}{picture.suffix.casefold()}"


def _aside(trial: Trial, target: Path) -> Path:
    return trial.folder / REPLACED / f"{datetime.now():%Y%m%d-%H%M%S-%f}-{target.name}"


def _table(file: str, place: Place) -> str:
    def text(value: str) -> str:
        return json.dumps(value, ensure_ascii=False)  # a JSON string is a TOML string

    return (
        f"\n[[photo]]\nbit = {text(place.bit)}\nflute = {place.flute}\nparts = {place.parts}\n"
        f"view = {text(place.view)}\nfile = {text(file)}\nscale = {text(place.scale)}\n"
    )
