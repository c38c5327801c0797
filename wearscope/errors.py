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
        super().__init__(what, cure)  # as they are, so that another process can hand the error back
        self.what = what
        self.cure = cure

    def __str__(self) -> str:
        return f"{self.what}; {self.cure}"


class PhotoRefused(WearscopeError):  # noqa: N818 - a refusal is a result to act on
    """A photo, or a graticule photo, that cannot carry a measurement.

    Parameters
    ----------
    what : str
        What is wrong, naming the file.
    cure : str
        What the person can do about it.
    code : str
        The reason for programs: lower-case words joined by hyphens.
    """

    def __init__(self, what: str, cure: str, code: str = "refused") -> None:
        super().__init__(what, cure)
        self.code = code


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
        super().__init__("the trial file is wrong", "mend the lines named")
        self.args = (mistakes,)
        self.mistakes = tuple(mistakes)

    def __str__(self) -> str:
        return "\n".join(self.mistakes)
