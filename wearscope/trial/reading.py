"""Reading a trial or study file: everything that is wrong with it, said at once, before any work starts."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from wearscope.errors import TrialError
from wearscope.files import TRIAL_BYTES, TooLargeError, instead_of_a_file, read_file
from wearscope.texts import is_utf8
from wearscope.trial.checks import (
    all_photographed,
    files_once,
    kinds_alike,
    names_once,
    photos_once,
    sides_marked,
)
from wearscope.trial.cost import Cost
from wearscope.trial.entries import Bit, PhotoEntry, ScaleEntry
from wearscope.trial.forms import STUDY, TRIAL, Form, heading_of
from wearscope.trial.life import Life
from wearscope.trial.mistakes import Mistakes, Row, did_you_mean, shown
from wearscope.trial.model import Trial
from wearscope.trial.pattern import natural, photos_found, stray_pictures
from wearscope.trial.spelling import composed, on_disk
from wearscope.trial.statements import statements
from wearscope.trial.study import RepeatPhoto, Study
from wearscope.trial.tables import (
    by_name,
    check_known,
    check_tables,
    entry_of,
    file_there,
    kind_of,
    rows_of,
    with_only_scale,
)

_PhotoT = TypeVar("_PhotoT", bound=PhotoEntry)


def load_trial(path: Path, *, photos_to_come: bool = False) -> Trial:
    """Read and check a trial file; no photo is opened.

    Parameters
    ----------
    path : Path
        The trial file, or a folder that holds it as ``trial.toml``.
    photos_to_come : bool
        The photos are being taken: there may be none yet, of a bit or at all.

    Returns
    -------
    Trial

    Raises
    ------
    TrialError
        If anything is wrong with it: all mistakes at once, in the order of the file, one line each.
    """
    path, document, mistakes, text = _read(Path(path), replace(TRIAL, photos_to_come=photos_to_come))
    trial = _trial(path, document, mistakes, text)
    if mistakes.noted or trial is None:
        raise TrialError(mistakes.in_order())
    return trial


def load_study(path: Path) -> Study:
    """Read and check the file of a repeat study, and the trial file that it names; no photo is opened.

    Parameters
    ----------
    path : Path
        The study file, or a folder that holds it as ``study.toml``.

    Returns
    -------
    Study

    Raises
    ------
    TrialError
        If anything is wrong with one of the two: all mistakes at once, one line each.
    """
    path, document, mistakes, _ = _read(Path(path), STUDY)
    study = _study(path, document, mistakes)
    if mistakes.noted or study is None:
        raise TrialError(mistakes.in_order())
    return study


def _read(path: Path, form: Form) -> tuple[Path, dict[str, Any], Mistakes, str]:
    """Absolute path of the file, what it says, where to note what is wrong with that, and its text."""
    if not is_utf8(str(path.absolute())):
        raise TrialError([f"{path}: its path is not UTF-8; give file and folders names in plain letters"])
    try:
        path = _file(path, form)
        content = read_file(path, TRIAL_BYTES)
    except OSError as error:
        large = isinstance(error, TooLargeError)
        cure = f"name the {form.kind} file itself" if large else "check path and permissions"
        raise TrialError([f"{path}: cannot be read ({error.strerror}); {cure}"]) from error
    text = _text(path, content, form)
    places, wrong = statements(text)
    if wrong:
        raise TrialError([f"{path}, line {line}: {what}" for line, what in wrong])
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise TrialError([f"{path}: not valid TOML: {error}; mend that line"]) from error
    return path.parent.resolve() / path.name, document, Mistakes(path, places, form), text


# --- From file to text


def _file(path: Path, form: Form) -> Path:
    if path.is_dir():
        inside = path / f"{form.kind}.toml"
        if not inside.is_file():
            says = f"the folder holds no {inside.name}; name the {form.kind} file itself"
            raise TrialError([f"{path}: {says}"])
        return inside
    if found := instead_of_a_file(path):
        raise TrialError([f"{path}: is {found}; name the {form.kind} file itself"])
    if not path.exists():
        if not path.parent.is_dir():
            raise TrialError([f"{path}: there is no folder {path.parent}; check the path"])
        near = get_close_matches(path.name, [other.name for other in path.parent.glob("*.toml")], 1)
        raise TrialError([f"{path}: there is no such file; " + did_you_mean(near, "check the path")])
    return path


def _text(path: Path, content: bytes, form: Form) -> str:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        if b"\0" in content[:1024] and not content.startswith((b"\xff\xfe", b"\xfe\xff")):  # UTF-16 is text
            raise TrialError(
                [f"{path}: not text, so no {form.kind} file; name the {form.kind} file itself"]
            ) from error
        raise TrialError([f"{path}, line {line}: not text in UTF-8; save the file as UTF-8"]) from error
    if text.count("\0") > len(text) // 4:  # every other one: UTF-16 without its mark, or UTF-32
        raise TrialError([f"{path}, line 1: not text in UTF-8; save the file as UTF-8"])
    if "\r" in text and "\n" not in text:
        says = "its lines end as those of a very old Mac; save the file with line ends of today (LF)"
        raise TrialError([f"{path}: {says}"])
    if not text.strip():
        tables = " and ".join(map(heading_of, form.needed))
        raise TrialError([f"{path}: the file is empty; write {tables} and photos into it"])
    return composed(text.replace("\r\n", "\n"))


# --- From tables to the trial


def _trial(path: Path, document: dict[str, Any], mistakes: Mistakes, text: str) -> Trial | None:
    rows = {kind: rows_of(document, kind, mistakes) for kind in mistakes.form.tables}
    check_tables(document, mistakes)

    scales = [_scale(row, path.parent, mistakes) for row in rows["scale"]]
    bits = [
        entry_of(Bit, row, mistakes, program_path=_program(row, path.parent, mistakes)) for row in rows["bit"]
    ]
    lives = [entry_of(Life, row, mistakes) for row in rows["life"]]
    costs = [entry_of(Cost, row, mistakes) for row in rows["cost"]]
    listed = _listed(rows, path.parent, mistakes)
    named = _named(rows)
    photos = [_photo(PhotoEntry, row, path.parent, named, mistakes) for row in listed]

    names_once(rows["scale"], mistakes)
    names_once(rows["bit"], mistakes)
    kinds_alike(rows["bit"], mistakes)
    photos_once(listed, mistakes)
    files_once(listed, path.parent, mistakes, "one picture shows one flute at one checkpoint", rows["scale"])
    sides_marked(listed, mistakes)
    all_photographed(rows["bit"], listed, mistakes)

    order = {bit.name: position for position, bit in enumerate(bits) if bit}
    trials = [
        entry_of(
            Trial,
            row,
            mistakes,
            path=path,
            program_path=_program(row, path.parent, mistakes),
            life=next((life for life in lives if life), Life()),
            cost=next((cost for cost in costs if cost), Cost()),
            scales=tuple(scale for scale in scales if scale),
            bits=tuple(bit for bit in bits if bit),
            photos=tuple(
                sorted(
                    (photo for photo in photos if photo),
                    key=lambda photo: (order.get(photo.bit, -1), photo.flute, photo.parts, photo.view),
                )
            ),
            headings=(
                ("", mistakes.line(row.where)),
                *(
                    (bit.name, mistakes.line(of.where))
                    for bit, of in zip(bits, rows["bit"], strict=True)
                    if bit
                ),
            ),
            lines=tuple(
                (photo.file, mistakes.line((*row.where, "file")))
                for photo, row in zip(photos, listed, strict=True)
                if photo and not row.found
            ),
            strays=tuple(_strays(rows, photos, path.parent.resolve(), text)),
        )
        for row in rows["trial"]
    ]
    return trials[0] if trials else None


def _study(path: Path, document: dict[str, Any], mistakes: Mistakes) -> Study | None:
    rows = {kind: rows_of(document, kind, mistakes) for kind in mistakes.form.tables}
    check_tables(document, mistakes)
    named = [_trial_of(row, path.parent, mistakes) for row in rows["study"]]
    trial = next((trial for trial in named if trial), None)
    photos: list[RepeatPhoto | None] = []
    if trial:  # which alone knows the bits and scales that the photos name
        rows |= {
            kind: [Row((kind, at), entry.model_dump(exclude_none=True)) for at, entry in enumerate(entries)]
            for kind, entries in (("bit", trial.bits), ("scale", trial.scales), ("new", trial.photos))
        }
        listed = _listed(rows, path.parent, mistakes)
        named_rows = _named(rows)
        photos = [_photo(RepeatPhoto, row, path.parent, named_rows, mistakes) for row in listed]
        nameless = {"taken_by": RepeatPhoto.model_fields["taken_by"].default}
        photos_once([replace(row, table=nameless | row.table) for row in listed], mistakes)
        files_once(listed, path.parent, mistakes, "a repeat is a photo taken anew", [])
        sides_marked([*listed, *rows["new"]], mistakes)
    order = {bit.name: position for position, bit in enumerate(trial.bits)} if trial else {}
    studies = [
        entry_of(
            Study,
            row,
            mistakes,
            path=path,
            of=trial or Trial.model_construct(),  # what stands in for it goes no further than its mistakes
            photos=tuple(
                sorted(
                    (photo for photo in photos if photo),
                    key=lambda photo: (
                        order.get(photo.bit, -1),
                        *(photo.flute, photo.parts, photo.view, natural(photo.taken_by), photo.repeat),
                    ),
                )
            ),
        )
        for row in rows["study"]
    ]
    return studies[0] if studies else None


def _listed(rows: dict[str, list[Row]], folder: Path, mistakes: Mistakes) -> list[Row]:
    """A row for each photo: found by the pattern, as ``[[photo]]`` changes them, or listed alone."""
    patterns = with_only_scale(rows["photos"], rows["scale"])
    listed = photos_found(patterns[0], folder, rows, mistakes) if patterns else rows["photo"]
    return with_only_scale(listed, rows["scale"])


def _strays(
    rows: dict[str, list[Row]], photos: Sequence[PhotoEntry | None], folder: Path, text: str
) -> Iterator[str]:
    """Pictures beside those of the pattern that the trial file does not name."""
    used = [photo.path for photo in photos if photo]
    used += [on_disk(folder / file) for row in rows["scale"] if (file := row.text("graticule"))]
    for row in rows["photos"]:
        pattern = row.text("pattern")
        if pattern and "{" in pattern:
            yield from stray_pictures(pattern, used, folder, text)


def _trial_of(row: Row, folder: Path, mistakes: Mistakes) -> Trial | None:
    """Trial that a study names; what is wrong with it is noted."""
    given = row.text("trial")
    path = file_there(row, "trial", folder, mistakes) if given and given.strip() else None
    if path is None or kind_of(path) != "file":
        return None
    try:
        return load_trial(path)
    except TrialError as error:
        mistakes.in_row(row, "trial", f"is {shown(given)}, which is wrong itself; mend that file first")
        mistakes.noted += [(mistakes.line((*row.where, "trial")), what) for what in error.mistakes]
        return None


def _program(row: Row, folder: Path, mistakes: Mistakes) -> Path | None:
    return file_there(row, "program", folder, mistakes) if row.text("program") else None


def _scale(row: Row, folder: Path, mistakes: Mistakes) -> ScaleEntry | None:
    graticule = row.text("graticule")
    path = file_there(row, "graticule", folder, mistakes) if graticule else None
    return entry_of(ScaleEntry, row, mistakes, graticule_path=path)


def _named(rows: dict[str, list[Row]]) -> dict[str, dict[str, list[Row]]]:
    """Bits and scales by their names, in the order of the file: thousands of photos ask for them."""
    return {kind: by_name(rows[kind]) for kind in ("bit", "scale")}


def _photo(
    model: type[_PhotoT],
    row: Row,
    folder: Path,
    named: dict[str, dict[str, list[Row]]],
    mistakes: Mistakes,
) -> _PhotoT | None:
    check_known(row, "bit", named["bit"], mistakes)
    if not row.found:  # the scale of a pattern is the pattern's own mistake
        check_known(row, "scale", named["scale"], mistakes)
    flute = row.whole("flute")
    for bit in named["bit"].get(row.text("bit") or "", ()):
        flutes = bit.whole("flutes")
        if flute and flutes and flute > flutes > 0:
            mistakes.in_row(
                row, "flute", f"is {flute}; bit {shown(bit.text('name'))} has flutes 1 to {flutes}"
            )
    path = file_there(row, "file", folder, mistakes) if row.text("file") else folder
    return entry_of(model, row, mistakes, path=path)
