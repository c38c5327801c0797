"""What is wrong between the tables of a file: names, places and files given twice, bits without a photo."""

from __future__ import annotations

from os.path import normpath
from pathlib import Path

from wearscope.trial.mistakes import Mistakes, Row, shown
from wearscope.trial.tables import near_name


def names_once(rows: list[Row], mistakes: Mistakes) -> None:
    """Note every name that is given twice.

    Parameters
    ----------
    rows : list of Row
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    first: dict[str, Row] = {}
    for row in rows:
        name = row.text("name")
        if name and first.setdefault(name, row) is not row:
            before = mistakes.line((*first[name].where, "name"))
            mistakes.in_row(row, "name", f"is {shown(name)}, already the name on line {before}; rename one")


_ALIKE = ("price", "flutes", "diameter_mm", "coating", "regrinds", "regrind_price", "resale")
"""What the bits of one kind share: a buyer gets the next one by its name alone."""


def kinds_alike(rows: list[Row], mistakes: Mistakes) -> None:
    """Note every bit that is not like the first one of its kind.

    Parameters
    ----------
    rows : list of Row
        The bits.
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    first: dict[str, Row] = {}
    for row in rows:
        kind = row.text("kind") or row.text("name")
        if not kind:
            continue
        before = first.setdefault(kind, row)
        if before is row:
            continue
        for key in _ALIKE:
            value, other = row.table.get(key), before.table.get(key)
            if value != other:
                says = f"is {value}, but of the same kind, {shown(kind)}, there is one with {other}"
                says += f" (line {mistakes.line(before.where)}); make them the same, or give them kinds of their own"
                mistakes.in_row(row, key, says)


def photos_once(rows: list[Row], mistakes: Mistakes) -> None:
    """Note every second photo of one place.

    Parameters
    ----------
    rows : list of Row
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    first: dict[tuple[object, ...], Row] = {}
    for row in rows:
        place = {
            key: row.whole(key) if row.text(key) is None else row.text(key) for key in mistakes.form.each_once
        }
        if None in place.values():
            continue
        before = first.setdefault(tuple(place.values()), row)
        if before is not row:
            first_one = before.found or f"line {mistakes.line(before.where)}"
            says = ", ".join(
                f"{key} {shown(value) if key in ('bit', 'taken_by') else value}"
                for key, value in place.items()
            )
            mistakes.in_row(row, "file", f"is a second one of {says} (the first: {first_one}); keep one")


def files_once(rows: list[Row], folder: Path, mistakes: Mistakes, cure: str, scales: list[Row]) -> None:
    """Note every file that stands for a photo of another place too, or for that of a graticule.

    Parameters
    ----------
    rows : list of Row
    folder : Path
        That paths count from.
    mistakes : Mistakes
        Where what is wrong is noted.
    cure : str
        What to do about the second one.
    scales : list of Row
        With the photos of their graticules.
    """
    graticules = {normpath(folder / file): row for row in reversed(scales) if (file := row.text("graticule"))}
    first: dict[str, Row] = {}
    for row in rows:
        file = row.text("file")
        if not file:
            continue
        path = normpath(folder / file)
        if path in graticules:
            line = mistakes.line((*graticules[path].where, "graticule"))
            says = f"is {shown(file)}, the graticule on line {line}; name the photo of the flute"
            mistakes.in_row(row, "file", says)
        before = first.setdefault(path, row)
        if any(row.table.get(key) != before.table.get(key) for key in mistakes.form.each_once):
            where = before.found or f"line {mistakes.line((*before.where, 'file'))}"
            mistakes.in_row(row, "file", f"is {shown(file)}, already the file on {where}; {cure}")


def sides_marked(rows: list[Row], mistakes: Mistakes) -> None:
    """Note every `used_side` without a polyline, its own or the new-state photo's, whose end it names.

    Parameters
    ----------
    rows : list of Row
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    marked = {
        (row.text("bit"), row.whole("flute"), row.text("view"))
        for row in rows
        if "edge_near" in row.table and row.whole("parts") == 0
    }
    for row in rows:
        flute = (row.text("bit"), row.whole("flute"), row.text("view"))
        if "used_side" in row.table and "edge_near" not in row.table and flute not in marked:
            says = "is the end of an edge_near that is not given; give it here or on the new-state photo"
            mistakes.in_row(row, "used_side", says)


def all_photographed(bits: list[Row], photos: list[Row], mistakes: Mistakes) -> None:
    """Note every bit without a photo.

    Parameters
    ----------
    bits, photos : list of Row
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    if mistakes.form.photos_to_come:
        return
    names = [name for bit in bits if (name := bit.text("name"))]
    shown = {name for photo in photos if (name := photo.text("bit"))}
    shown |= {near for name in shown - set(names) for near in near_name(name, names)}
    for bit in bits:
        if photos and bit.text("name") and bit.text("name") not in shown:
            mistakes.in_row(bit, "", "has no photo; give one, or take the bit out of the trial")
