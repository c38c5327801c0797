"""What can go wrong, said so that the person can put it right."""

from __future__ import annotations

from collections.abc import Sequence


class WearscopeError(Exception):
    """A problem with what was handed in: one line that names the thing and the cure.

    Parameters
    ----------
    what : str
        What is wrong, naming the file or the key.
    cure : str
        What the person can do about it.
    """

    exit_code = 1

    def __init__(self, what: str, cure: str) -> None:
        super().__init__(f"{what}; {cure}")
        self.what = what
        self.cure = cure


class PhotoRefused(WearscopeError):  # noqa: N818 - a refusal is a result to act on
    """A photo, or a graticule photo, that cannot carry a measurement."""


class LogError(WearscopeError):
    """A wear log that cannot be read or written."""


class TrialError(WearscopeError):
    """Everything wrong with a trial file, all mistakes at once.

    Parameters
    ----------
    mistakes : sequence of str
        One line each, naming the file and the line or key, with the cure.
    """

    exit_code = 2

    def __init__(self, mistakes: Sequence[str]) -> None:
        Exception.__init__(self, "\n".join(mistakes))
        self.what = "the trial file is wrong"
        self.cure = "mend the lines named"
        self.mistakes = tuple(mistakes)
