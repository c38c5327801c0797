"""Photos found by the pattern of a ``[photos]`` table."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from glob import escape
from os.path import normpath
from pathlib import Path, PurePosixPath
from typing import Any

from wearscope.quantities.views import USUAL, VIEWS
from wearscope.texts import is_utf8
from wearscope.trial.mistakes import Mistakes, Row, shown
from wearscope.trial.spelling import composed, on_disk
from wearscope.trial.tables import by_name, check_known, entry_of

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_WHOLE = "[0-9]{1,9}"
_ANY = "[^/]+?"
_FORMS = {
    "bit": _ANY,
    "parts": _WHOLE,
    "flute": _WHOLE,
    "view": "|".join(VIEWS),
    "taken_by": _ANY,
    "repeat": _WHOLE,
}
"""What may stand for each placeholder."""


def photos_found(row: Row, folder: Path, rows: dict[str, list[Row]], mistakes: Mistakes) -> list[Row]:
    """Find the photos that the pattern of ``[photos]`` fits: a row for each, in natural order.

    What ``[[photo]]`` says of one of them, by its file or its place, changes it; others are added.

    Parameters
    ----------
    row : Row
        The table.
    folder : Path
        That paths count from.
    rows : dict of str to list of Row
        Tables by kind, as they stand in the file.
    mistakes : Mistakes
        Where what is wrong is noted.

    Returns
    -------
    list of Row
    """
    checked = entry_of(mistakes.form.tables["photos"], row, mistakes)
    check_known(row, "scale", by_name(rows["scale"]), mistakes)
    pattern = row.text("pattern")
    # Mistakes of the table itself are noted once, above; the stand-ins only keep them from each photo.
    shared: dict[str, Any] = {"view": USUAL.key, "scale": "-"}
    if checked:
        shared |= checked.model_dump(exclude={"pattern"}, exclude_unset=True)
    found = []
    if pattern and _pattern_holds(pattern, row, mistakes):
        found = _rows_found(pattern, row, folder, rows, shared, mistakes)
    return _with_own(found, rows["photo"], shared, folder, mistakes)


def pattern_base(pattern: str, folder: Path) -> tuple[Path, str]:
    """Folder in which the files of a pattern lie, and the rest of the pattern.

    Parameters
    ----------
    pattern : str
    folder : Path
        That paths count from.

    Returns
    -------
    base : Path
    below : str
    """
    parts = PurePosixPath(pattern).parts
    fixed = next((depth for depth, part in enumerate(parts) if "{" in part), len(parts) - 1)
    return on_disk(Path(normpath(folder.joinpath(*parts[:fixed])))), "/".join(parts[fixed:])


def pictures_below(base: Path) -> list[Path]:
    """Pictures in a folder and below it, those that wearscope made left out, in natural order.

    Parameters
    ----------
    base : Path

    Returns
    -------
    list of Path
    """
    found = [
        path
        for path in base.rglob("*")
        if path.suffix[1:].casefold() in ENDINGS
        and not any(part.startswith(".") or part == "results" for part in path.relative_to(base).parts)
        and path.is_file()
    ]
    return sorted(found, key=lambda path: (natural(path.as_posix()), path))


def stray_pictures(pattern: str, listed: Iterable[Path], folder: Path, text: str) -> list[str]:
    """Pictures where those of a pattern lie that nothing in the trial file means, not even a remark.

    Parameters
    ----------
    pattern : str
    listed : iterable of Path
        Files that the trial uses.
    folder : Path
        That paths count from.
    text : str
        Of the trial file: what a remark names was not overlooked.

    Returns
    -------
    list of str
        As the trial file would name them.
    """
    used = {_spelt(path) for path in listed}
    return [
        path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)
        for path in pictures_below(pattern_base(pattern, folder)[0])
        if _spelt(path) not in used and composed(path.name) not in text
    ]


def _rows_found(
    pattern: str,
    row: Row,
    folder: Path,
    rows: dict[str, list[Row]],
    shared: dict[str, Any],
    mistakes: Mistakes,
) -> list[Row]:
    """A row for each file that the pattern fits; files that ``[[photo]]`` names need not fit it."""
    base, below = pattern_base(pattern, folder)
    loose, stem_forms = _fitting(below, rows, mistakes)
    try:
        files = sorted(
            (
                path
                for path in base.glob(_glob(below))
                if _may_be_meant(path, below) and loose.fullmatch(_name(path, base))
            ),
            key=lambda path: (natural(path.as_posix()), path),
        )
    except OSError as error:
        says = (
            f"is {shown(pattern)}, and {error.filename} cannot be looked through ({error.strerror}); mend it"
        )
        mistakes.in_row(row, "pattern", says)
        return []
    if not files and not rows["photo"] and not mistakes.form.photos_to_come:
        mistakes.in_row(row, "pattern", f"is {shown(pattern)}, which fits no file in {base}; mend it")
    named = {_spelt(folder / file) for own in rows["photo"] if (file := own.text("file"))}
    found = []
    for path in files:
        file = str(path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path)
        fits = next(filter(None, (form.fullmatch(_name(path, base)) for form in stem_forms)), None)
        if not is_utf8(file):
            says = "is not in UTF-8; rename it or move it away"
            mistakes.in_row(Row((*row.where, "pattern"), {}, file), "name", says)
        elif fits is not None:
            read = {
                key: int(text) if _FORMS[key] == _WHOLE else text for key, text in fits.groupdict().items()
            }
            found.append(Row((*row.where, "pattern"), shared | read | {"file": file}, file))
        elif _spelt(path) not in named:
            whole = ", ".join(key for key in mistakes.form.placeholders if _FORMS[key] == _WHOLE)
            says = (
                f"does not fit {pattern} with {whole} as whole numbers; rename it, move it away, or say in a "
            )
            says += "[[photo]] what it shows"
            mistakes.in_row(Row((*row.where, "pattern"), {}, file), "name", says)
    return found


def _fitting(
    below: str, rows: dict[str, list[Row]], mistakes: Mistakes
) -> tuple[re.Pattern[str], tuple[re.Pattern[str], ...]]:
    """What a name must look like to be meant at all; and to fit, with the bits there are and with any other."""
    bits = [composed(name) for bit in rows["bit"] if (name := bit.text("name"))]
    forms = _FORMS | {"bit": "|".join(map(re.escape, sorted(bits, key=len, reverse=True))) or _ANY}
    loose = _regex(below, dict.fromkeys(mistakes.form.placeholders, "[^/]*"), alike=False)
    return loose, (_regex(below, forms), _regex(below, _FORMS))


def _with_own(
    found: list[Row], own: list[Row], shared: dict[str, Any], folder: Path, mistakes: Mistakes
) -> list[Row]:
    """Photos that were found, changed by what ``[[photo]]`` says of them, and those that it adds."""
    by_file = {_spelt(folder / str(row.table["file"])): row for row in found}
    changed: list[Row] = []
    gone: set[str] = set()
    for row in own:
        file = row.text("file")
        meant = by_file.get(_spelt(folder / file)) if file else _at_place(found, row.table, mistakes)
        table = (shared if meant is None else meant.table) | row.table
        changed.append(Row(row.where, table))
        if meant is not None:
            gone.add(meant.found)
        elif (other := _at_place(found, table, mistakes)) is not None:
            gone.add(other.found)  # another picture of the same place
    return [*(row for row in found if row.found not in gone), *changed]


def _at_place(found: list[Row], table: dict[str, Any], mistakes: Mistakes) -> Row | None:
    """The one found photo of the place that a table names; what it leaves out counts for nothing."""
    place = {key: table[key] for key in mistakes.form.each_once if key in table}
    if not {"bit", "flute", "parts"} <= place.keys():
        return None
    there = [row for row in found if all(row.table.get(key) == value for key, value in place.items())]
    return there[0] if len(there) == 1 else None


def _may_be_meant(path: Path, pattern: str) -> bool:
    """Whether a file is one that a pattern may mean: a picture, if the pattern ends as a picture does."""
    picture = path.suffix[1:].casefold() in ENDINGS or not _without_ending(pattern)[1]
    return picture and path.is_file() and path.name[0] != "."


def _name(path: Path, base: Path) -> str:
    return composed(path.relative_to(base).as_posix())


def _spelt(path: Path) -> str:
    return composed(normpath(path))


def _pattern_holds(pattern: str, row: Row, mistakes: Mistakes) -> bool:
    named = _PLACEHOLDER.findall(pattern)
    placeholders = mistakes.form.placeholders
    wrong = [f"has {{{name}}}" for name in named if name not in placeholders]
    spared = {"taken_by", "view"}
    wrong += [f"has no {{{name}}}" for name in placeholders if name not in {*named, *spared}]
    wrong += [
        f"has {{{name}}} although {name} is given"
        for name in ("view", "taken_by")
        if name in named and name in row.table
    ]
    if re.search("[{}]", _PLACEHOLDER.sub("", pattern)):
        wrong.append("has a brace without its partner")
    if "}{" in pattern:
        wrong.append("has two placeholders with nothing between them")
    if "\\" in pattern and not wrong:
        wrong.append("has \\ between folders, where / belongs")
    if wrong:
        says = f"is {shown(pattern)}, which {' and '.join(wrong)}"
        needed = ", ".join(f"{{{name}}}" for name in placeholders if name not in ("view", "taken_by"))
        form = f"give {needed}, {{view}} or the key view where it is not {USUAL.key}, and folders with /"
        mistakes.in_row(row, "pattern", f"{says}; {form}")
    return not wrong


def _pieces(pattern: str) -> Iterator[tuple[str, str]]:
    """Literal text and the placeholder after it ("" at the end)."""
    pieces = _PLACEHOLDER.split(pattern)
    return zip(pieces[::2], [*pieces[1::2], ""], strict=True)


def _glob(pattern: str) -> str:
    # Cameras write .JPG, and programs .jpeg; a photo must not go missing for that, nor for a decomposed accent.
    def literal(text: str) -> str:
        return "".join(
            "*" if not c.isascii() else f"[{c.lower()}{c.upper()}]" if c.isalpha() else escape(c)
            for c in text
        )

    stem, ending = _without_ending(pattern)
    fits = "".join(literal(text) + ("*" if name else "") for text, name in _pieces(stem))
    return re.sub(r"\*+", "*", fits) + (".*" if ending else "")  # two mean folders, and only by themselves


ENDINGS = ("jpg", "jpeg", "jpe", "jfif", "png", "tif", "tiff", "bmp", "webp", "heic", "heif")
"""How the names of pictures usually end. A pattern that ends in one of them fits all of them."""


def _without_ending(pattern: str) -> tuple[str, bool]:
    """Pattern without the usual ending of a picture's name, and whether it had one."""
    stem, point, ending = pattern.rpartition(".")
    usual = bool(point) and ending.casefold() in ENDINGS
    return (stem, True) if usual else (pattern, False)


def _regex(pattern: str, forms: dict[str, str], *, alike: bool = True) -> re.Pattern[str]:
    """What a name must look like; `alike` where a placeholder that comes twice must say the same twice."""
    regex, seen = "", set()
    stem, ending = _without_ending(composed(pattern))
    for text, name in _pieces(stem):
        regex += f"(?i:{re.escape(text)})"
        if name and not alike:
            regex += forms[name]
        elif name:
            regex += f"(?P={name})" if name in seen else f"(?P<{name}>{forms[name]})"
        seen.add(name)
    return re.compile(regex + (rf"(?i:\.(?:{'|'.join(ENDINGS)}))" if ending else ""))


def natural(text: str) -> list[tuple[int, str]]:
    """Sort key by which numbers in a text count as numbers.

    Parameters
    ----------
    text : str

    Returns
    -------
    list of (int, str)
    """
    return [
        (int(part), "") if part.isdecimal() else (0, part.casefold()) for part in re.split(r"(\d+)", text)
    ]
