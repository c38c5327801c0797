"""From the file of a part program to its words: letters with numbers, line by line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import isfinite
from pathlib import Path

from wearscope.errors import WearscopeError

Words = list[tuple[str, float]]
"""The words of a line, in order."""

_WORD = re.compile(r"([A-Z])\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*")
_ASKED = re.compile(r"(\$[$IGNX#]?|\?)")
"""Lines by which a sender asks a control for its settings and its state, or unlocks it: nothing moves."""
_MACRO = re.compile(r"[#=\[\]]|\b(IF|WHILE|GOTO|DO|END|CALL|SUB|RETURN)\b")


class ProgramRefused(WearscopeError):  # noqa: N818 - a refusal is a result to act on
    """A part program whose cutting length cannot be told for certain."""


def numbered_words(path: Path, content: bytes) -> Iterator[tuple[int, Words]]:
    """Line number and words of each line that has any, up to the second % sign.

    Parameters
    ----------
    path : Path
        For messages.
    content : bytes
        Of the program's file.

    Yields
    ------
    number : int
        From 1.
    words : list of (str, float)
        Letters and their numbers, in order.

    Raises
    ------
    ProgramRefused
        It is no text, or holds what is no word of G-code.
    """
    if b"\x00" in content:
        raise ProgramRefused(f"{path} is no text", "name a program in G-code")
    percents = 0
    for number, line in enumerate(content.decode("utf-8-sig", errors="replace").splitlines(), 1):
        text = _without_comments(path, number, line).strip().upper()
        if text.startswith("%"):
            percents += 1
            if percents == 2:
                return
            text = text[1:].strip()
        if text and not _ASKED.fullmatch(text):
            yield number, _words(path, number, text)


def _without_comments(path: Path, number: int, line: str) -> str:
    line = text = _before_semicolon(line)
    while "(" in text and text != (text := re.sub(r"\([^()]*\)", " ", text)):
        pass
    # to some controls a comment ends at the first bracket: then what follows must be nothing that they would do
    outside = re.sub(r"\([^)]*\)", " ", line).replace(")", " ")
    if "(" in text or ")" in text or (outside.split() != text.split() and _may_be_words(outside)):
        raise refused(path, number, "a comment that is not closed, or one inside another", "mend the comment")
    return text


def _may_be_words(text: str) -> bool:
    return re.fullmatch(rf"({_WORD.pattern}|\s|/|%)*", text.upper()) is not None


def _before_semicolon(line: str) -> str:
    """Line up to the first semicolon outside brackets."""
    depth = 0
    for place, sign in enumerate(line):
        depth += (sign == "(") - (sign == ")")
        if sign == ";" and depth == 0:
            return line[:place]
    return line


def _words(path: Path, number: int, text: str) -> Words:
    if text.startswith("/"):
        raise refused(path, number, "/, which the control may skip", "take the line out, or the / away")
    if macro := _MACRO.search(text):
        raise refused(path, number, f"{macro[0]} (variables and macros)", "give the program with its numbers")
    words, place = [], 0
    while place < len(text):
        word = _WORD.match(text, place)
        if word is None:
            shown = text[place : place + 20]
            raise refused(path, number, f'"{shown}", which is no word of G-code', "mend the line")
        value = float(word[2])
        if not isfinite(value):
            raise refused(path, number, f"{word[1]} with a number out of all bounds", "mend the line")
        words.append((word[1], value))
        place = word.end()
    return words


def refused(path: Path, number: int, what: str, cure: str) -> ProgramRefused:
    """Refusal of a program by its line.

    Parameters
    ----------
    path : Path
    number : int
        Of the line, from 1.
    what : str
        What the line has.
    cure : str

    Returns
    -------
    ProgramRefused
    """
    return ProgramRefused(f"{path}, line {number}: has {what}", cure)
