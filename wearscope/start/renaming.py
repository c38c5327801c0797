"""Giving a folder's pictures names that tell what they show, and taking that back."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from wearscope.errors import WearscopeError
from wearscope.files import checksum_of
from wearscope.log.cells import unquoted
from wearscope.log.export import write_table
from wearscope.start.errors import StartError
from wearscope.start.names import names_tell
from wearscope.start.plan import Plan, Planned

UNDO_NAME = "renamed.csv"
"""The list, in the folder of the pictures, by which renaming is undone."""

COLUMNS = ("was", "is", "sha256")


@dataclass(frozen=True)
class Renaming:
    """New names for pictures of one folder.

    Attributes
    ----------
    folder : Path
    pairs : tuple of (str, str)
        The name now, and then; both from the folder on, with ``/``.
    """

    folder: Path
    pairs: tuple[tuple[str, str], ...]


def renaming_of(folder: Path, plan: Plan) -> Renaming:
    """Names that tell what each picture of a plan shows; each stays in the folder where it lies.

    Parameters
    ----------
    folder : Path
    plan : Plan

    Returns
    -------
    Renaming

    Raises
    ------
    StartError
        A name is taken, or two bits' names are alike in a file's name.
    """
    bits = {bit: re.sub(r"[^\w.+]+", "_", bit).strip("._")[:60] or "bit" for bit in plan.bits}
    if len({each.casefold() for each in bits.values()}) < len(bits):
        raise StartError("two bits would have one name in names of files", "call them more differently")
    digits = max(4, *(len(str(parts)) for parts in plan.parts))
    pairs = []
    for one in plan.pictures:
        if one.role == "left out":
            continue
        was = PurePosixPath(one.seen.file)
        stem: str = one.role
        if one.role == "graticule" and len(plan.role("graticule")) > 1:
            stem = f"graticule-{one.zoom + 1}"
        if one.place is not None:
            stem = f"{bits[one.place.bit]}-{one.place.parts:0{digits}}-{one.place.flute}"
        pairs.append((one.seen.file, str(was.with_name(f"{stem}{was.suffix.lower()}"))))
    changed = tuple(pair for pair in pairs if pair[0] != pair[1])
    taken = {path.relative_to(folder).as_posix().casefold() for path in folder.rglob("*")}
    for old, new in changed:
        if new.casefold() in taken and new.casefold() != old.casefold():
            raise StartError(f"{old} would become {new}, and there is one", "move that file away first")
    return Renaming(folder, changed)


def rename(renaming: Renaming) -> Path:
    """Rename pictures; the list by which that is undone is written first.

    Parameters
    ----------
    renaming : Renaming

    Returns
    -------
    Path
        The list.

    Raises
    ------
    WearscopeError
        There is a list of an earlier renaming, or a picture cannot be renamed; then none is.
    """
    folder = renaming.folder
    undo = folder / UNDO_NAME
    if undo.exists():
        raise StartError(
            f"{undo} is the list of an earlier renaming", "undo that with --undo-rename, or move it away"
        )
    sums = [checksum_of(folder / was) for was, _ in renaming.pairs]
    write_table(undo, COLUMNS, [(*pair, each) for pair, each in zip(renaming.pairs, sums, strict=True)])
    try:
        _move(folder, renaming.pairs)
    except WearscopeError:
        undo.unlink()
        raise
    return undo


def undo_renaming(folder: Path) -> Renaming:
    """Give pictures back the names that they had; a picture that has changed since keeps its name.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Renaming
        What was done.

    Raises
    ------
    WearscopeError
        There is no list, or a picture is gone, has changed, or its old name is taken; then nothing is renamed.
    """
    undo = folder / UNDO_NAME
    try:
        with undo.open(newline="", encoding="utf-8") as file:
            rows = [
                (unquoted(row["was"]), unquoted(row["is"]), row["sha256"]) for row in csv.DictReader(file)
            ]
    except FileNotFoundError:
        raise StartError(f"{undo}: there is no list of a renaming", "nothing was renamed here") from None
    except (OSError, ValueError, KeyError) as error:
        raise StartError(f"{undo} cannot be read ({error})", "rename the pictures by hand") from error
    for was, now, checksum in rows:
        if not all((folder / name).resolve().is_relative_to(folder.resolve()) for name in (was, now)):
            raise StartError(f"{undo} names files outside its folder", "rename the pictures by hand")
        if checksum_of(folder / now) != checksum:
            raise StartError(f"{now}, once {was}, is gone or has changed", "put it back, then undo again")
        if (folder / was).exists() and was.casefold() != now.casefold():
            raise StartError(f"{now} was {was}, and there is one again", "move that file away first")
    back = tuple((now, was) for was, now, _ in rows)
    _move(folder, back)
    undo.unlink()
    return Renaming(folder, back)


def _move(folder: Path, pairs: Sequence[tuple[str, str]]) -> None:
    """Rename all, or none."""
    done: list[tuple[str, str]] = []
    try:
        for was, now in pairs:
            (folder / was).rename(folder / now)
            done.append((was, now))
    except OSError as error:
        for was, now in reversed(done):
            (folder / now).rename(folder / was)
        raise WearscopeError(
            f"{folder / pairs[len(done)][0]} cannot be renamed ({error.strerror}), so none was",
            "close any program that has it open, and check that the folder is writable",
        ) from error


def renamed_plan(plan: Plan, renaming: Renaming) -> Plan:
    """The same plan after its pictures were renamed.

    Parameters
    ----------
    plan : Plan
    renaming : Renaming

    Returns
    -------
    Plan
    """
    names = dict(renaming.pairs)

    def moved(one: Planned) -> Planned:
        file = names.get(one.seen.file, one.seen.file)
        return replace(one, seen=replace(one.seen, file=file, path=renaming.folder / file))

    pictures = tuple(moved(one) for one in plan.pictures)
    flutes = [one for one in pictures if one.role == "flute"]
    named = names_tell([one.seen.file for one in flutes])
    tells = named is not None and named.places == tuple(one.place for one in flutes)
    one_zoom = plan.zooms_told_by == "one"
    return replace(plan, pictures=pictures, pattern=named.pattern if named and tells and one_zoom else "")
