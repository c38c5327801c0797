"""Photos found by the pattern of a ``[photos]`` table."""

from __future__ import annotations

import re
from collections.abc import Iterator
from glob import escape
from os.path import normpath
from pathlib import Path
from typing import Any

from wearscope.quantities.views import USUAL, VIEWS
from wearscope.texts import is_utf8
from wearscope.trial.mistakes import Mistakes, Row, shown
from wearscope.trial.tables import check_known, entry_of

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_WHOLE = "[0-9]{1,9}"
_ANY = "[^/]+?"


def photos_found(row: Row, folder: Path, rows: dict[str, list[Row]], mistakes: Mistakes) -> list[Row]:
    """Find the photos that the pattern of ``[photos]`` fits: a row for each, in natural order.

    Parameters
    ----------
    row : Row
        The table.
    folder : Path
        That paths count from.
    rows : dict of str to list of Row
        Tables by kind.
    mistakes : Mistakes
        Where what is wrong is noted.

    Returns
    -------
    list of Row
    """
    checked = entry_of(mistakes.form.tables["photos"], row, mistakes)
    check_known(row, "scale", rows["scale"], mistakes)
    pattern = row.text("pattern")
    if not pattern or not _pattern_holds(pattern, row, mistakes):
        return []

    parts = Path(pattern).parts
    fixed = next(depth for depth, part in enumerate(parts) if "{" in part)
    base, below = Path(normpath(folder.joinpath(*parts[:fixed]))), "/".join(parts[fixed:])
    files = sorted(
        (path for path in base.glob(_glob(below)) if _may_be_meant(path, below)),
        key=lambda path: (natural(path.as_posix()), path),
    )
    if not files and not mistakes.form.photos_to_come:
        mistakes.in_row(row, "pattern", f"is {shown(pattern)}, which fits no file in {base}; mend it")
    bits = [name for bit in rows["bit"] if (name := bit.text("name"))]
    forms = {
        "bit": "|".join(map(re.escape, sorted(bits, key=len, reverse=True))) or _ANY,
        "parts": _WHOLE,
        "flute": _WHOLE,
        "view": "|".join(VIEWS),
        "taken_by": _ANY,
        "repeat": _WHOLE,
    }
    exact, any_bit = (_regex(below, form) for form in (forms, forms | {"bit": _ANY}))
    # Mistakes of the table itself are noted once, above; the stand-ins only keep them from each photo.
    shared: dict[str, Any] = {"view": USUAL.key, "scale": "-"}
    if checked:
        shared |= checked.model_dump(exclude={"pattern"}, exclude_unset=True)
    found = []
    for path in files:
        file = str(path.relative_to(folder) if path.is_relative_to(folder) else path)
        name = path.relative_to(base).as_posix()
        fits = exact.fullmatch(name) or any_bit.fullmatch(name)
        if not is_utf8(file):
            says = "is not in UTF-8; rename it or move it away"
            mistakes.in_row(Row((*row.where, "pattern"), {}, file), "name", says)
            continue
        if fits is None:
            whole = ", ".join(key for key in mistakes.form.placeholders if forms[key] == _WHOLE)
            says = f"does not fit {pattern} with {whole} as whole numbers; rename it or move it away"
            mistakes.in_row(Row((*row.where, "pattern"), {}, file), "name", says)
            continue
        read = {key: int(text) if forms[key] == _WHOLE else text for key, text in fits.groupdict().items()}
        found.append(Row((*row.where, "pattern"), shared | read | {"file": file}, file))
    return found


def _may_be_meant(path: Path, pattern: str) -> bool:
    """Whether a file is one that a pattern may mean: a picture, if the pattern ends as a picture does."""
    picture = path.suffix[1:].casefold() in ENDINGS or not _without_ending(pattern)[1]
    return picture and path.is_file() and path.name[0] != "."


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
    # Cameras write .JPG, and programs .jpeg; a photo must not go missing for that.
    def literal(text: str) -> str:
        return "".join(f"[{c.lower()}{c.upper()}]" if c.isalpha() else escape(c) for c in text)

    stem, ending = _without_ending(pattern)
    return "".join(literal(text) + ("*" if name else "") for text, name in _pieces(stem)) + (
        ".*" if ending else ""
    )


ENDINGS = ("jpg", "jpeg", "jpe", "jfif", "png", "tif", "tiff", "bmp", "webp")
"""How the names of pictures usually end. A pattern that ends in one of them fits all of them."""


def _without_ending(pattern: str) -> tuple[str, bool]:
    """Pattern without the usual ending of a picture's name, and whether it had one."""
    stem, point, ending = pattern.rpartition(".")
    usual = bool(point) and ending.casefold() in ENDINGS
    return (stem, True) if usual else (pattern, False)


def _regex(pattern: str, forms: dict[str, str]) -> re.Pattern[str]:
    regex, seen = "", set()
    stem, ending = _without_ending(pattern)
    for text, name in _pieces(stem):
        regex += f"(?i:{re.escape(text)})"
        if name:
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
