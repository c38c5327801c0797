"""The lines of a TOML file: where each table and key stands, and what is not TOML."""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from typing import Any

Where = tuple[str | int, ...]
"""A place in the file: keys, and positions in lists of tables counted from 0."""


MOST_EFFORT = 1_000_000
"""Characters parsed beyond those of the file: each line of a long statement has all before it parsed again."""


MOST_JOINED = 100
"""Points within one key. Each further one is a table within the others: of 100,000 the parser, and places, would take
more memory than there is."""

_QUOTED = re.compile(r"""\"[^"\n]*\"|'[^'\n]*'""")
_AROUND_A_KEY = re.compile(r"[\n=,\[\]{}#]")


def _most_joined(statement: str) -> int:
    """Most points between what can stand around a key; those within quotes do not count."""
    if statement.count(".") <= MOST_JOINED:
        return 0
    plain = _QUOTED.sub("q", statement).replace(" ", "").replace("\t", "")
    return max(key.count(".") for key in _AROUND_A_KEY.split(plain))


def dotted(where: Where) -> str:
    """Keys of a place joined by points, without the positions.

    Parameters
    ----------
    where : tuple

    Returns
    -------
    str
    """
    return ".".join(key for key in where if isinstance(key, str))


def statements(text: str) -> tuple[dict[Where, int], list[tuple[int, str]]]:
    """Line of every table and key, and what is wrong with the lines that are not TOML.

    A statement is as many lines as it takes for them to parse on their own, so that tomllib alone decides
    what is a string, an array or a comment.

    Parameters
    ----------
    text : str
        Content of the file.

    Returns
    -------
    places : dict
        Line by place, counted from 1.
    wrong : list of (int, str)
        Line, and what is wrong with it.
    """
    lines = text.split("\n")
    places: dict[Where, int] = {}
    said: set[Where] = set()
    count: dict[Where, int] = {}
    wrong: list[tuple[int, str]] = []
    table: Where = ()
    start, effort = 0, MOST_EFFORT + 2 * len(text)
    while start < len(lines):
        number = start + 1
        try:
            path, start, effort = _statement(lines, start, effort)
        except _NotTomlError as error:
            wrong.append((error.line, _syntax(lines[error.line - 1], error)))
            if not error.one_line:
                break  # where the next statement begins is anyone's guess
            start += 1
            continue
        header = lines[number - 1].lstrip()
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
                (number, f"{dotted(where)} is given twice (first on line {places[where]}); keep one")
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


def _statement(lines: list[str], start: int, effort: int) -> tuple[Where, int, int]:
    """First path of the statement that begins at index `start`; also where the next one does, and the effort left."""
    reason = ""
    for end in range(start + 1, len(lines) + 1):
        tried = "\n".join(lines[start:end])
        effort -= len(tried)
        if effort < 0:
            raise _NotTomlError(start + 1, start + 1, "Unterminated for too many lines")
        try:
            return _first_path(tried), end, effort
        except (ValueError, RecursionError) as error:
            reason = _reason(error)
            if not reason.endswith("(at end of document)"):
                within = re.search(r"\(at line (\d+)", reason)
                line = start + (int(within[1]) if within else 1)
                raise _NotTomlError(line, start + 1, reason.split(" (at ")[0]) from None
    raise _NotTomlError(start + 1, start + 1, reason.split(" (at ")[0])


def _reason(error: Exception) -> str:
    """What is wrong, in the parser's words where it speaks of the file and not of itself."""
    if isinstance(error, RecursionError):
        return "Brackets too deep within brackets"
    return "A number with too many digits" if "digits" in str(error) else str(error)


_SYNTAX_CURES = (
    (r"(\.[^.]*){100}", "leave out those that are not needed"),
    (r"\d{4000}", "give the number with fewer digits"),
    (r"[\[{]{3}|(\{.*){3}", "close each bracket, and leave out those that are not needed"),
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


@lru_cache(
    maxsize=4096
)  # most lines of a long file stand in it many times: headings, bits, flutes, checkpoints
def _first_path(statement: str) -> Where:
    """Keys down to the first thing that is not a table of one key; of a statement that is TOML."""
    if _most_joined(statement) > MOST_JOINED:
        raise ValueError(f"More than {MOST_JOINED} names joined by points")
    path: Where = ()
    value: Any = tomllib.loads(statement)
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
