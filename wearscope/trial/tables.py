"""From the tables of a file to checked entries."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from difflib import get_close_matches
from os.path import normpath
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import ValidationError

from wearscope.files import instead_of_a_file
from wearscope.quantities.views import USUAL
from wearscope.trial.entries import ScaleEntry
from wearscope.trial.entry import Entry
from wearscope.trial.forms import LISTS, TRIAL, Form, heading_of
from wearscope.trial.mistakes import Mistakes, Row, did_you_mean, shown
from wearscope.trial.spelling import on_disk

EntryT = TypeVar("EntryT", bound=Entry)


def rows_of(document: dict[str, Any], kind: str, mistakes: Mistakes) -> list[Row]:
    """Tables of one kind, whether or not the person got the brackets right.

    Parameters
    ----------
    document : dict
        What the file says.
    kind : str
        Name of the table.
    mistakes : Mistakes
        Where what is wrong is noted.

    Returns
    -------
    list of Row
    """
    value = document.get(kind, [])
    heading = heading_of(kind)
    if isinstance(value, dict):
        if kind in LISTS:
            mistakes.note((kind,), f"[{kind}] stands in single brackets; write {heading}")
        return [Row((kind,), value)]
    if not isinstance(value, list) or not all(isinstance(table, dict) for table in value):
        mistakes.note((kind,), f"{kind} is {shown(value)}; write it as a table under {heading}")
        return []
    if value and kind not in LISTS:
        mistakes.note((kind, 0), f"[[{kind}]] stands in double brackets; write {heading}, once")
    return [Row((kind, position), table) for position, table in enumerate(value)]


def check_tables(document: dict[str, Any], mistakes: Mistakes) -> None:
    """Note tables that are missing or unknown.

    Parameters
    ----------
    document : dict
        What the file says.
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    meant = set(document)
    form = mistakes.form
    for key in document.keys() - form.tables.keys():
        near = get_close_matches(key, form.tables, 1)
        meant.update(near)
        otherwise = f"the tables are {', '.join(map(heading_of, form.tables))}"
        cure = f"did you mean {heading_of(near[0])}?" if near else _elsewhere(key, form, otherwise)
        if key in TRIAL.tables:
            cure = "it belongs in the trial file"
        mistakes.note((key,), f"{key} is not a table of a {form.kind} file; {cure}")
    for kind in form.needed:
        if kind not in meant or document.get(kind) == []:
            mistakes.note(
                (), f"there is no {heading_of(kind)}; give {', '.join(_required(form.tables[kind]))}"
            )
    if not form.photos_to_come and (not meant & {"photo", "photos"} or document.get("photo") == []):
        mistakes.note((), "there is no photo; give each a [[photo]] table, or all one [photos] table")


def _required(model: type[Entry]) -> list[str]:
    keys = [key for key in model.toml_keys() if model.model_fields[key].is_required()]
    return [*keys, "and either graticule with division_um or um_per_px with u_um_per_px"][
        : None if model is ScaleEntry else -1
    ]


def _homes(key: str, form: Form) -> list[str]:
    return [heading_of(kind) for kind, model in form.tables.items() if key in model.toml_keys()]


def _elsewhere(key: str, form: Form, otherwise: str) -> str:
    homes = _homes(key, form)
    return f"it belongs in {' or '.join(homes)}" if homes else otherwise


def entry_of(model: type[EntryT], row: Row, mistakes: Mistakes, **beside: object) -> EntryT | None:
    """Table as a checked entry; None, with the mistakes noted, if it cannot be one.

    Parameters
    ----------
    model : type
        Kind of entry.
    row : Row
    mistakes : Mistakes
        Where what is wrong is noted.
    **beside : object
        Fields that the table does not hold.

    Returns
    -------
    Entry or None
    """
    keys = model.toml_keys()
    heading = heading_of(str(row.where[0]))
    meant = set(row.table) & set(keys)
    for key in row.table.keys() - set(keys):
        near = [] if _homes(key, mistakes.form) else get_close_matches(key, keys, 1)
        meant.update(near)
        cure = _elsewhere(key, mistakes.form, did_you_mean(near, f"its keys are {', '.join(keys)}"))
        mistakes.in_row(row, key, f"is not a key of {heading}; {cure}")
    clashes = model.clashes(meant)
    for clash in clashes:
        mistakes.in_row(row, "", clash)
    try:
        return model.model_validate({key: row.table[key] for key in keys if key in row.table} | beside)
    except ValidationError as refusal:
        for key, kind, message in _problems(refusal):
            allowed = f"give {model.model_fields[key].description}" if key else ""
            if kind == "missing":
                if key not in meant:
                    mistakes.in_row(row, key, f"is missing; {allowed}")
            elif not key:
                if not clashes:
                    mistakes.in_row(row, "", message)
            else:
                mistakes.in_row(row, key, f"is {shown(row.table[key])}; {message or allowed}")
    return None


def _problems(refusal: ValidationError) -> Iterator[tuple[str, str, str]]:
    """Key ("" for the table as a whole), kind and own message ("" if none), once for each key."""
    seen = set()
    for error in refusal.errors(include_url=False, include_input=False):
        key = str(error["loc"][0]) if error["loc"] else ""
        own = str(error["ctx"]["error"]) if error["type"] == "value_error" else ""
        if key not in seen:
            seen.add(key)
            yield key, error["type"], own


def by_name(entries: list[Row]) -> dict[str, list[Row]]:
    """Tables by the name that they give.

    Parameters
    ----------
    entries : list of Row

    Returns
    -------
    dict
        In the order of the file; without those that give none.
    """
    found: dict[str, list[Row]] = {}
    for entry in entries:
        if name := entry.text("name"):
            found.setdefault(name, []).append(entry)
    return found


def check_known(row: Row, kind: str, named: Mapping[str, object], mistakes: Mistakes) -> None:
    """Note a bit or scale that no entry has the name of.

    Parameters
    ----------
    row : Row
        The table that names it.
    kind : str
        Key that does.
    named : mapping
        Whose keys are the names that there are, as from `by_name`.
    mistakes : Mistakes
        Where what is wrong is noted.
    """
    name = row.text(kind)
    if name and name.strip() and name not in named:
        names = list(named)
        given = f"a {kind} named {', '.join(map(shown, names))}" if names else f"a [[{kind}]] of that name"
        cure = did_you_mean(near_name(name, names), f"give {given}")
        mistakes.in_row(row, kind, f"is {shown(name)}, the name of no [[{kind}]]; {cure}")


def with_only_scale(rows: list[Row], scales: list[Row]) -> list[Row]:
    """Photos, or their pattern, with the one scale of a trial where they name none, and the usual view.

    Parameters
    ----------
    rows, scales : list of Row

    Returns
    -------
    list of Row
    """
    usual: dict[str, Any] = {"view": USUAL.key} if rows and rows[0].where[0] == "photo" else {}
    if len(scales) == 1 and (name := scales[0].text("name")):
        usual["scale"] = name
    return [replace(row, table=usual | row.table) for row in rows]


def near_name(name: str, names: list[str]) -> list[str]:
    """The one name that another is most likely meant to be.

    Parameters
    ----------
    name : str
    names : list of str

    Returns
    -------
    list of str
        Empty if none is near.
    """
    folded = [other for other in names if other.casefold().strip() == name.casefold().strip()]
    return folded[:1] or get_close_matches(name, names, 1)


def file_there(row: Row, key: str, folder: Path, mistakes: Mistakes) -> Path:
    """Absolute path that a key names; noted if no file is there.

    Parameters
    ----------
    row : Row
    key : str
    folder : Path
        That paths count from.
    mistakes : Mistakes
        Where what is wrong is noted.

    Returns
    -------
    Path
    """
    given: str = row.table[key]
    path = on_disk(Path(normpath(folder / given)))
    if kind_of(path) == "file":
        return path
    if found := instead_of_a_file(path):
        mistakes.in_row(row, key, f"is {shown(given)}, which is {found} ({path}); name a file")
        return path
    if "\\" in given:
        cure = "write / between folders"
    elif not kind_of(path.parent):
        cure = (
            f"there is no folder {path.parent}; paths count from the folder of the {mistakes.form.kind} file"
        )
    else:
        cure = did_you_mean(_alike(path), "put it there or mend the path")
    mistakes.in_row(row, key, f"is {shown(given)}, which is not there (looked for {path}); {cure}")
    return path


def kind_of(path: Path) -> Literal["file", "folder", ""]:
    """Tell what lies at a path.

    Parameters
    ----------
    path : Path

    Returns
    -------
    {"file", "folder", ""}
        "" for nothing, and for what no one may look at.
    """
    try:
        return "folder" if path.is_dir() else "file" if path.is_file() else ""
    except (OSError, ValueError):
        return ""


def _alike(path: Path) -> list[str]:
    """Files beside `path` whose names differ from its own by case or suffix only."""
    try:
        return sorted(
            other.name for other in path.parent.iterdir() if other.stem.casefold() == path.stem.casefold()
        )
    except OSError:
        return []
