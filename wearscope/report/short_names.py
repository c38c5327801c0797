"""Names too long to be said again and again: short in what is told, in full where the conditions are listed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from wearscope.report.words import shortened

LONGEST = 60  # characters of a name in a sentence, two thirds of a line in print; chosen

_T = TypeVar("_T")


def short_names(names: Iterable[str]) -> dict[str, str]:
    """Short forms of the names that are long, each unlike every other name.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    dict
        By the full name, the longest first; names that are short enough are left out.

    Examples
    --------
    >>> short_names(["Wren", "W" * 70])["W" * 70] == "W" * 59 + "…"
    True
    """
    every = list(names)
    taken = {name for name in every if len(name) <= LONGEST}
    short: dict[str, str] = {}
    for name in sorted(every, key=len, reverse=True):
        if len(name) <= LONGEST or name in short:
            continue
        said, number = shortened(name, LONGEST), 1
        while said in taken:
            number += 1
            said = f"{shortened(name, LONGEST - 4)} ({number})"
        taken.add(said)
        short[name] = said
    return short


def with_short_names(value: _T, short: Mapping[str, str], leave: Iterable[str] = ()) -> _T:
    """Put short names in place of full ones, in texts and in all that holds texts.

    Parameters
    ----------
    value : object
        A text, a tuple or list, or a dataclass; anything else stays as it is.
    short : mapping
        As of `short_names`.
    leave : iterable of str
        Names of fields that keep the full names.

    Returns
    -------
    object
        Of the same kind.
    """
    done: _T = _put(value, short, frozenset(leave)) if short else value
    return done


def _put(value: Any, short: Mapping[str, str], leave: frozenset[str]) -> Any:  # noqa: ANN401 - texts and what holds them
    if isinstance(value, str):
        for name, said in short.items():
            value = value.replace(name, said)
        return value
    if isinstance(value, tuple | list):
        return type(value)(_put(each, short, leave) for each in value)
    if is_dataclass(value) and not isinstance(value, type):
        changed = {
            each.name: _put(getattr(value, each.name), short, leave)
            for each in fields(value)
            if each.init and each.name not in leave
        }
        return replace(value, **changed)
    return value
