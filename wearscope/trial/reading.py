"""Reading a trial or study file: everything that is wrong with it, said at once, before any work starts."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from glob import escape
from json import dumps
from os.path import normpath
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import ValidationError

from wearscope.errors import TrialError
from wearscope.quantities.views import USUAL, VIEWS
from wearscope.trial.entry import Entry
from wearscope.trial.life import Life
from wearscope.trial.model import Bit, Cost, PhotoEntry, PhotoPattern, ScaleEntry, Trial
from wearscope.trial.study import RepeatPattern, RepeatPhoto, Study

Where = tuple[str | int, ...]
"""A place in the file: keys, and positions in lists of tables counted from 0."""

_EntryT = TypeVar("_EntryT", bound=Entry)
_PhotoT = TypeVar("_PhotoT", bound=PhotoEntry)

_LISTS = frozenset({"scale", "bit", "photo"})


@dataclass(frozen=True)
class _Form:
    """A kind of file: its name in words, its tables, which it must have, what a pattern tells, may photos lack."""

    kind: str
    tables: dict[str, type[Entry]]
    needed: tuple[str, ...]
    placeholders: tuple[str, ...]
    photos_to_come: bool = False

    @property
    def each_once(self) -> tuple[str, ...]:
        """Keys that no two photos have alike."""
        return ("bit", "flute", "parts", "view", *self.placeholders[4:])


_TRIAL = _Form(
    "trial",
    {
        "trial": Trial,
        "life": Life,
        "cost": Cost,
        "scale": ScaleEntry,
        "bit": Bit,
        "photo": PhotoEntry,
        "photos": PhotoPattern,
    },
    ("trial", "scale", "bit"),
    ("bit", "parts", "flute", "view"),
)
_STUDY = _Form(
    "study",
    {"study": Study, "photo": RepeatPhoto, "photos": RepeatPattern},
    ("study",),
    (*_TRIAL.placeholders, "taken_by", "repeat"),
)


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
    path, document, mistakes = _read(Path(path), replace(_TRIAL, photos_to_come=photos_to_come))
    trial = _trial(path, document, mistakes)
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
    path, document, mistakes = _read(Path(path), _STUDY)
    study = _study(path, document, mistakes)
    if mistakes.noted or study is None:
        raise TrialError(mistakes.in_order())
    return study


def _read(path: Path, form: _Form) -> tuple[Path, dict[str, Any], _Mistakes]:
    """Absolute path of the file, what it says, and where to note what is wrong with that."""
    try:
        path = _file(path, form)
        content = path.read_bytes()
    except OSError as error:
        raise TrialError([f"{path}: cannot be read ({error.strerror}); check its permissions"]) from error
    text = _text(path, content, form)
    places, wrong = _statements(text)
    if wrong:
        raise TrialError([f"{path}, line {line}: {what}" for line, what in wrong])
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise TrialError([f"{path}: not valid TOML: {error}; mend that line"]) from error
    return path.parent.resolve() / path.name, document, _Mistakes(path, places, form)


# --- From file to text to statements


def _file(path: Path, form: _Form) -> Path:
    if path.is_dir():
        inside = path / f"{form.kind}.toml"
        if not inside.is_file():
            says = f"the folder holds no {inside.name}; name the {form.kind} file itself"
            raise TrialError([f"{path}: {says}"])
        return inside
    if not path.exists():
        if not path.parent.is_dir():
            raise TrialError([f"{path}: there is no folder {path.parent}; check the path"])
        near = get_close_matches(path.name, [other.name for other in path.parent.glob("*.toml")], 1)
        raise TrialError([f"{path}: there is no such file; " + _did_you_mean(near, "check the path")])
    return path


def _text(path: Path, content: bytes, form: _Form) -> str:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        if b"\0" in content[:1024] and not content.startswith((b"\xff\xfe", b"\xfe\xff")):  # UTF-16 is text
            raise TrialError(
                [f"{path}: not text, so no {form.kind} file; name the {form.kind} file itself"]
            ) from error
        raise TrialError([f"{path}, line {line}: not text in UTF-8; save the file as UTF-8"]) from error
    if not text.strip():
        tables = " and ".join(map(_heading, form.needed))
        raise TrialError([f"{path}: the file is empty; write {tables} and photos into it"])
    return text.replace("\r\n", "\n")


def _statements(text: str) -> tuple[dict[Where, int], list[tuple[int, str]]]:
    """Line of every table and key, and what is wrong with the lines that are not TOML.

    A statement is as many lines as it takes for them to parse on their own, so that tomllib alone decides
    what is a string, an array or a comment.
    """
    lines = text.split("\n")
    places: dict[Where, int] = {}
    said: set[Where] = set()
    count: dict[Where, int] = {}
    wrong: list[tuple[int, str]] = []
    table: Where = ()
    start = 0
    while start < len(lines):
        number = start + 1
        try:
            statement, start = _statement(lines, start)
        except _NotTomlError as error:
            wrong.append((error.line, _syntax(lines[error.line - 1], error)))
            if not error.one_line:
                break  # where the next statement begins is anyone's guess
            start += 1
            continue
        header = lines[number - 1].lstrip()
        path = _first_path(statement)
        if not path:
            continue
        if header.startswith("[["):
            *parents, last = path
            path = (*_indexed(tuple(parents), count), last)
            count[path] = count.get(path, -1) + 1
            table = where = (*path, count[path])
        elif header.startswith("["):
            table = where = _indexed(path, count)
        else:
            where = (*table, *path)
        if where in said:
            wrong.append(
                (number, f"{_dotted(where)} is given twice (first on line {places[where]}); keep one")
            )
        said.add(where)
        for depth in range(1, len(where) + 1):
            places.setdefault(where[:depth], number)
    return places, wrong


class _NotTomlError(Exception):
    """A statement that is not TOML.

    Parameters
    ----------
    line : int
        Where, counted from 1.
    opened : int
        Line on which the statement begins.
    reason : str
        What tomllib says.
    """

    def __init__(self, line: int, opened: int, reason: str) -> None:
        super().__init__(reason)
        self.line = line
        self.opened = opened
        self.reason = reason
        self.one_line = line == opened and not reason.startswith("Unterminated")


def _statement(lines: list[str], start: int) -> tuple[dict[str, Any], int]:
    """Parse the statement that begins at index `start`; also gives the index at which the next one begins."""
    reason = ""
    for end in range(start + 1, len(lines) + 1):
        try:
            return tomllib.loads("\n".join(lines[start:end])), end
        except (ValueError, RecursionError) as error:
            reason = str(error)
            if not reason.endswith("(at end of document)"):
                within = re.search(r"\(at line (\d+)", reason)
                line = start + (int(within[1]) if within else 1)
                raise _NotTomlError(line, start + 1, reason.split(" (at ")[0]) from None
    raise _NotTomlError(start + 1, start + 1, reason.split(" (at ")[0])


_SYNTAX_CURES = (
    (r"[“”„‟‘’]", "use straight quotes"),
    (r"\\", "write / in file paths"),
    (r"=\s*[+-]?\d+,\d", "write decimals with a point"),
    (r"=\s*[+-]?0\d", "write numbers without leading zeros"),
    (r"^\s*[\w-]+\s*:", "write key = value"),
    (r"=\s*(#.*)?$", "give a value after the ="),
    (r"=\s*[^\W\d]", "put text in quotes"),
)


def _syntax(line: str, error: _NotTomlError) -> str:
    cure = next((cure for pattern, cure in _SYNTAX_CURES if re.search(pattern, line)), "write key = value")
    if error.line > error.opened:
        cure = f"close what line {error.opened} opens"
    elif error.reason.startswith(("Unterminated", "Illegal character")):
        cure = "close the quotes"
    return f"not TOML ({error.reason}): {line.strip()[:60]}; {cure}"


def _first_path(statement: dict[str, Any]) -> Where:
    """Keys down to the first thing that is not a table of one key."""
    path: Where = ()
    value: Any = statement
    while isinstance(value, dict) and len(value) == 1:
        key, value = next(iter(value.items()))
        path = (*path, key)
    return path


def _indexed(path: Where, count: dict[Where, int]) -> Where:
    """Path with the position of the latest table wherever a list of tables lies on it."""
    where: Where = ()
    for key in path:
        where = (*where, key)
        if where in count:
            where = (*where, count[where])
    return where


# --- Mistakes


def _dotted(where: Where) -> str:
    return ".".join(key for key in where if isinstance(key, str))


def _shown(value: object) -> str:
    """Value as it stands in TOML, near enough."""
    if isinstance(value, bool):
        return "true" if value else "false"
    shown = dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)
    return shown if len(shown) <= 80 else shown[:77] + "..."


def _did_you_mean(near: list[str], otherwise: str) -> str:
    return f'did you mean "{near[0]}"?' if near else otherwise


@dataclass(frozen=True)
class _Row:
    """A table of the file as it was read, and where it stands; `found` is the photo that a pattern found."""

    where: Where
    table: dict[str, Any]
    found: str = ""

    def text(self, key: str) -> str | None:
        value = self.table.get(key)
        return value if isinstance(value, str) else None

    def whole(self, key: str) -> int | None:
        value = self.table.get(key)
        return value if isinstance(value, int) and not isinstance(value, bool) else None


@dataclass
class _Mistakes:
    """What is wrong so far, each with its line (0: no line to name)."""

    path: Path
    places: dict[Where, int]
    form: _Form
    noted: list[tuple[int, str]] = field(default_factory=list)

    def line(self, where: Where) -> int:
        while where and where not in self.places:
            where = where[:-1]
        return self.places.get(where, 0)

    def note(self, where: Where, what: str) -> None:
        line = self.line(where)
        self.noted.append((line, f"{self.path}, line {line}: {what}" if line else f"{self.path}: {what}"))

    def in_row(self, row: _Row, key: str, what: str) -> None:
        """Note a mistake in `key` of `row` (in the row as a whole for "")."""
        if row.found:
            self.note(row.where, f"photos.pattern finds {row.found}, whose {key} {what}")
            return
        where = (*row.where, key) if key else row.where
        name = row.text("name") or row.text("file")
        of = f" ({name})" if name and row.where[0] in _LISTS and key not in ("name", "file") else ""
        self.note(where, f"{_dotted(where)}{of} {what}")

    def in_order(self) -> list[str]:
        return [what for _, what in sorted(self.noted, key=lambda noted: noted[0])]


# --- From tables to the trial


def _trial(path: Path, document: dict[str, Any], mistakes: _Mistakes) -> Trial | None:
    rows = {kind: _rows(document, kind, mistakes) for kind in mistakes.form.tables}
    _whole_tables(document, rows, mistakes)

    scales = [_scale(row, path.parent, mistakes) for row in rows["scale"]]
    bits = [
        _entry(Bit, row, mistakes, program_path=_program(row, path.parent, mistakes)) for row in rows["bit"]
    ]
    lives = [_entry(Life, row, mistakes) for row in rows["life"]]
    costs = [_entry(Cost, row, mistakes) for row in rows["cost"]]
    listed = rows["photo"]
    for pattern in rows["photos"]:
        listed = _found(pattern, path.parent, rows, mistakes)
    photos = [_photo(PhotoEntry, row, path.parent, rows, mistakes) for row in listed]

    _names_once(rows["scale"], mistakes)
    _names_once(rows["bit"], mistakes)
    _photos_once(listed, mistakes)
    _sides_marked(listed, mistakes)
    _all_photographed(rows["bit"], listed, mistakes)

    order = {bit.name: position for position, bit in enumerate(bits) if bit}
    trials = [
        _entry(
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
        )
        for row in rows["trial"]
    ]
    return trials[0] if trials else None


def _study(path: Path, document: dict[str, Any], mistakes: _Mistakes) -> Study | None:
    rows = {kind: _rows(document, kind, mistakes) for kind in mistakes.form.tables}
    _whole_tables(document, rows, mistakes)
    named = [_trial_of(row, path.parent, mistakes) for row in rows["study"]]
    trial = next((trial for trial in named if trial), None)
    photos: list[RepeatPhoto | None] = []
    if trial:  # which alone knows the bits and scales that the photos name
        rows |= {
            kind: [_Row((kind, at), entry.model_dump(exclude_none=True)) for at, entry in enumerate(entries)]
            for kind, entries in (("bit", trial.bits), ("scale", trial.scales), ("new", trial.photos))
        }
        listed = rows["photo"]
        for pattern in rows["photos"]:
            listed = _found(pattern, path.parent, rows, mistakes)
        photos = [_photo(RepeatPhoto, row, path.parent, rows, mistakes) for row in listed]
        nameless = {"taken_by": RepeatPhoto.model_fields["taken_by"].default}
        _photos_once([replace(row, table=nameless | row.table) for row in listed], mistakes)
        _files_once(listed, path.parent, mistakes)
        _sides_marked([*listed, *rows["new"]], mistakes)
    order = {bit.name: position for position, bit in enumerate(trial.bits)} if trial else {}
    studies = [
        _entry(
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
                        *(photo.flute, photo.parts, photo.view, _natural(photo.taken_by), photo.repeat),
                    ),
                )
            ),
        )
        for row in rows["study"]
    ]
    return studies[0] if studies else None


def _trial_of(row: _Row, folder: Path, mistakes: _Mistakes) -> Trial | None:
    """Trial that a study names; what is wrong with it is noted."""
    given = row.text("trial")
    path = _there(row, "trial", folder, mistakes) if given and given.strip() else None
    if path is None or _kind(path) != "file":
        return None
    try:
        return load_trial(path)
    except TrialError as error:
        mistakes.in_row(row, "trial", f"is {_shown(given)}, which is wrong itself; mend that file first")
        mistakes.noted += [(mistakes.line((*row.where, "trial")), what) for what in error.mistakes]
        return None


def _rows(document: dict[str, Any], kind: str, mistakes: _Mistakes) -> list[_Row]:
    """Tables of one kind, whether or not the person got the brackets right."""
    value = document.get(kind, [])
    heading = _heading(kind)
    if isinstance(value, dict):
        if kind in _LISTS:
            mistakes.note((kind,), f"[{kind}] stands in single brackets; write {heading}")
        return [_Row((kind,), value)]
    if not isinstance(value, list) or not all(isinstance(table, dict) for table in value):
        mistakes.note((kind,), f"{kind} is {_shown(value)}; write it as a table under {heading}")
        return []
    if value and kind not in _LISTS:
        mistakes.note((kind, 0), f"[[{kind}]] stands in double brackets; write {heading}, once")
    return [_Row((kind, position), table) for position, table in enumerate(value)]


def _heading(kind: str) -> str:
    return f"[[{kind}]]" if kind in _LISTS else f"[{kind}]"


def _whole_tables(document: dict[str, Any], rows: dict[str, list[_Row]], mistakes: _Mistakes) -> None:
    """Tables that are missing, unknown, or exclude each other."""
    meant = set(document)
    form = mistakes.form
    for key in document.keys() - form.tables.keys():
        near = get_close_matches(key, form.tables, 1)
        meant.update(near)
        otherwise = f"the tables are {', '.join(map(_heading, form.tables))}"
        cure = f"did you mean {_heading(near[0])}?" if near else _elsewhere(key, form, otherwise)
        if key in _TRIAL.tables:
            cure = "it belongs in the trial file"
        mistakes.note((key,), f"{key} is not a table of a {form.kind} file; {cure}")
    for kind in form.needed:
        if kind not in meant or document.get(kind) == []:
            mistakes.note((), f"there is no {_heading(kind)}; give {', '.join(_required(form.tables[kind]))}")
    if not form.photos_to_come and (not meant & {"photo", "photos"} or document.get("photo") == []):
        mistakes.note((), "there is no photo; give each a [[photo]] table, or all one [photos] table")
    if rows["photos"] and rows["photo"]:
        mistakes.note(rows["photos"][0].where, "[photos] stands beside [[photo]]; keep one of the two")


def _required(model: type[Entry]) -> list[str]:
    keys = [key for key in model.toml_keys() if model.model_fields[key].is_required()]
    return [*keys, "and either graticule with division_um or um_per_px with u_um_per_px"][
        : None if model is ScaleEntry else -1
    ]


def _homes(key: str, form: _Form) -> list[str]:
    return [_heading(kind) for kind, model in form.tables.items() if key in model.toml_keys()]


def _elsewhere(key: str, form: _Form, otherwise: str) -> str:
    homes = _homes(key, form)
    return f"it belongs in {' or '.join(homes)}" if homes else otherwise


def _entry(model: type[_EntryT], row: _Row, mistakes: _Mistakes, **beside: object) -> _EntryT | None:
    """Table as a checked entry; None, with the mistakes noted, if it cannot be one.

    `beside` are the fields that the table does not hold.
    """
    keys = model.toml_keys()
    heading = _heading(str(row.where[0]))
    meant = set(row.table) & set(keys)
    for key in row.table.keys() - set(keys):
        near = [] if _homes(key, mistakes.form) else get_close_matches(key, keys, 1)
        meant.update(near)
        cure = _elsewhere(key, mistakes.form, _did_you_mean(near, f"its keys are {', '.join(keys)}"))
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
                mistakes.in_row(row, key, f"is {_shown(row.table[key])}; {message or allowed}")
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


def _program(row: _Row, folder: Path, mistakes: _Mistakes) -> Path | None:
    return _there(row, "program", folder, mistakes) if row.text("program") else None


def _scale(row: _Row, folder: Path, mistakes: _Mistakes) -> ScaleEntry | None:
    graticule = row.text("graticule")
    path = _there(row, "graticule", folder, mistakes) if graticule else None
    return _entry(ScaleEntry, row, mistakes, graticule_path=path)


def _photo(
    model: type[_PhotoT], row: _Row, folder: Path, rows: dict[str, list[_Row]], mistakes: _Mistakes
) -> _PhotoT | None:
    _known(row, "bit", rows["bit"], mistakes)
    if not row.found:  # the scale of a pattern is the pattern's own mistake
        _known(row, "scale", rows["scale"], mistakes)
    flute = row.whole("flute")
    for bit in rows["bit"]:
        flutes = bit.whole("flutes")
        if bit.text("name") == row.text("bit") and flute and flutes and flute > flutes > 0:
            mistakes.in_row(
                row, "flute", f"is {flute}; bit {_shown(bit.text('name'))} has flutes 1 to {flutes}"
            )
    path = _there(row, "file", folder, mistakes) if row.text("file") else folder
    return _entry(model, row, mistakes, path=path)


def _known(row: _Row, kind: str, named: list[_Row], mistakes: _Mistakes) -> None:
    """Note a bit or scale that no entry has the name of."""
    name = row.text(kind)
    names = [other for entry in named if (other := entry.text("name"))]
    if name and name.strip() and name not in names:
        given = f"a {kind} named {', '.join(map(_shown, names))}" if names else f"a [[{kind}]] of that name"
        cure = _did_you_mean(_near_name(name, names), f"give {given}")
        mistakes.in_row(row, kind, f"is {_shown(name)}, the name of no [[{kind}]]; {cure}")


def _near_name(name: str, names: list[str]) -> list[str]:
    folded = [other for other in names if other.casefold().strip() == name.casefold().strip()]
    return folded[:1] or get_close_matches(name, names, 1)


def _there(row: _Row, key: str, folder: Path, mistakes: _Mistakes) -> Path:
    """Absolute path that `key` names; noted if no file is there."""
    given: str = row.table[key]
    path = Path(normpath(folder / given))
    if _kind(path) == "file":
        return path
    if _kind(path) == "folder":
        mistakes.in_row(row, key, f"is {_shown(given)}, which is a folder ({path}); name a file")
        return path
    if "\\" in given:
        cure = "write / between folders"
    elif not _kind(path.parent):
        cure = (
            f"there is no folder {path.parent}; paths count from the folder of the {mistakes.form.kind} file"
        )
    else:
        cure = _did_you_mean(_alike(path), "put it there or mend the path")
    mistakes.in_row(row, key, f"is {_shown(given)}, which is not there (looked for {path}); {cure}")
    return path


def _kind(path: Path) -> Literal["file", "folder", ""]:
    """Tell what lies there: "" for nothing, and for what no one may look at."""
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


# --- Checks across tables


def _names_once(rows: list[_Row], mistakes: _Mistakes) -> None:
    first: dict[str, _Row] = {}
    for row in rows:
        name = row.text("name")
        if name and first.setdefault(name, row) is not row:
            before = mistakes.line((*first[name].where, "name"))
            mistakes.in_row(row, "name", f"is {_shown(name)}, already the name on line {before}; rename one")


def _photos_once(rows: list[_Row], mistakes: _Mistakes) -> None:
    first: dict[tuple[object, ...], _Row] = {}
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
                f"{key} {_shown(value) if key in ('bit', 'taken_by') else value}"
                for key, value in place.items()
            )
            mistakes.in_row(row, "file", f"is a second one of {says} (the first: {first_one}); keep one")


def _files_once(rows: list[_Row], folder: Path, mistakes: _Mistakes) -> None:
    """Note every file that stands for a second photo: the same picture again is no repeat."""
    first: dict[str, _Row] = {}
    for row in rows:
        file = row.text("file")
        if file and first.setdefault(normpath(folder / file), row) is not row:
            before = mistakes.line((*first[normpath(folder / file)].where, "file"))
            says = f"is {_shown(file)}, already the file on line {before}; a repeat is a photo taken anew"
            mistakes.in_row(row, "file", says)


def _sides_marked(rows: list[_Row], mistakes: _Mistakes) -> None:
    """Note every `used_side` without a polyline, its own or the new-state photo's, whose end it names."""
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


def _all_photographed(bits: list[_Row], photos: list[_Row], mistakes: _Mistakes) -> None:
    if mistakes.form.photos_to_come:
        return
    names = [name for bit in bits if (name := bit.text("name"))]
    shown = {name for photo in photos if (name := photo.text("bit"))}
    shown |= {near for name in shown - set(names) for near in _near_name(name, names)}
    for bit in bits:
        if photos and bit.text("name") and bit.text("name") not in shown:
            mistakes.in_row(bit, "", "has no photo; give one, or take the bit out of the trial")


# --- Photos found by a pattern

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_WHOLE = "[0-9]{1,9}"
_ANY = "[^/]+?"


def _found(row: _Row, folder: Path, rows: dict[str, list[_Row]], mistakes: _Mistakes) -> list[_Row]:
    """Find the photos that the pattern of ``[photos]`` fits: a row for each, in natural order."""
    checked = _entry(mistakes.form.tables["photos"], row, mistakes)
    _known(row, "scale", rows["scale"], mistakes)
    pattern = row.text("pattern")
    if not pattern or not _pattern_holds(pattern, row, mistakes):
        return []

    parts = Path(pattern).parts
    fixed = next(depth for depth, part in enumerate(parts) if "{" in part)
    base, below = Path(normpath(folder.joinpath(*parts[:fixed]))), "/".join(parts[fixed:])
    files = sorted(
        (path for path in base.glob(_glob(below)) if path.is_file() and path.name[0] != "."),
        key=lambda path: (_natural(path.as_posix()), path),
    )
    if not files and not mistakes.form.photos_to_come:
        mistakes.in_row(row, "pattern", f"is {_shown(pattern)}, which fits no file in {base}; mend it")
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
        if fits is None:
            whole = ", ".join(key for key in mistakes.form.placeholders if forms[key] == _WHOLE)
            says = f"does not fit {pattern} with {whole} as whole numbers; rename it or move it away"
            mistakes.in_row(_Row((*row.where, "pattern"), {}, file), "name", says)
            continue
        read = {key: int(text) if forms[key] == _WHOLE else text for key, text in fits.groupdict().items()}
        found.append(_Row((*row.where, "pattern"), shared | read | {"file": file}, file))
    return found


def _pattern_holds(pattern: str, row: _Row, mistakes: _Mistakes) -> bool:
    named = _PLACEHOLDER.findall(pattern)
    placeholders = mistakes.form.placeholders
    wrong = [f"has {{{name}}}" for name in named if name not in placeholders]
    spared = {"taken_by", *({"view"} & row.table.keys())}
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
        says = f"is {_shown(pattern)}, which {' and '.join(wrong)}"
        needed = ", ".join(f"{{{name}}}" for name in placeholders if name not in ("view", "taken_by"))
        form = f"give {needed} and either {{view}} or the key view, and folders with /"
        mistakes.in_row(row, "pattern", f"{says}; {form}")
    return not wrong


def _pieces(pattern: str) -> Iterator[tuple[str, str]]:
    """Literal text and the placeholder after it ("" at the end)."""
    pieces = _PLACEHOLDER.split(pattern)
    return zip(pieces[::2], [*pieces[1::2], ""], strict=True)


def _glob(pattern: str) -> str:
    # Cameras write .JPG; a photo must not go missing for that.
    def literal(text: str) -> str:
        return "".join(f"[{c.lower()}{c.upper()}]" if c.isalpha() else escape(c) for c in text)

    return "".join(literal(text) + ("*" if name else "") for text, name in _pieces(pattern))


def _regex(pattern: str, forms: dict[str, str]) -> re.Pattern[str]:
    regex, seen = "", set()
    for text, name in _pieces(pattern):
        regex += f"(?i:{re.escape(text)})"
        if name:
            regex += f"(?P={name})" if name in seen else f"(?P<{name}>{forms[name]})"
        seen.add(name)
    return re.compile(regex)


def _natural(text: str) -> list[tuple[int, str]]:
    return [
        (int(part), "") if part.isdecimal() else (0, part.casefold()) for part in re.split(r"(\d+)", text)
    ]
