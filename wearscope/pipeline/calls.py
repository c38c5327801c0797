"""Calls to be made for photos, what comes in place of an answer, and that no failure of one stops the others."""

from __future__ import annotations

import signal
import threading
import traceback
from collections import deque
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Generic, Literal, Protocol, TypeVar

import cv2

from wearscope.trial.entries import PhotoEntry

AnswerT = TypeVar("AnswerT")

PHOTO_S = 300.0
"""Time that one photo may take; a hundred times what a large one does on a slow computer. Chosen, no source."""


@dataclass(frozen=True)
class Failure:
    """What comes in place of an answer.

    Attributes
    ----------
    line : str
        What went wrong, in one line.
    known : bool
        False if the work was cut off before anything was known.
    code : str
        Kind of the failure.
    """

    line: str
    known: bool
    code: str


@dataclass(frozen=True, eq=False)
class Call(Generic[AnswerT]):
    """A call to make.

    Attributes
    ----------
    entry : PhotoEntry
        Photo that it is about.
    make : callable
        Must be picklable if other processes are to call it.
    what : {"measure", "draw"}
        What it is for.
    flute : hashable
        What it has in common with other calls, so that whoever made one of them has the next half made; None for
        nothing.
    """

    entry: PhotoEntry
    make: Callable[[], AnswerT]
    what: Literal["measure", "draw"] = "measure"
    flute: Hashable = None


class Crew(Protocol):
    """Whoever makes calls."""

    @property
    def has_room(self) -> bool:
        """Whether one more call may be begun."""

    @property
    def is_busy(self) -> bool:
        """Whether calls are under way."""

    @property
    def wanted(self) -> Sequence[Hashable]:
        """Flutes of which somebody has made the last call and nobody waits to make the next one."""

    def begin(self, call: Call[Any]) -> None:
        """Begin a call.

        Parameters
        ----------
        call : Call
        """

    def finished(self) -> Iterator[tuple[Call[Any], Any]]:
        """Wait for calls that are under way, and give the answers that are there.

        Yields
        ------
        call : Call
        answer : object or Failure
        """


class ByFlute(Generic[AnswerT]):
    """Calls to be begun, so that those of one flute are made by the same workers as far as that delays nothing.

    Parameters
    ----------
    calls : iterable of Call
    """

    def __init__(self, calls: Iterable[Call[AnswerT]]) -> None:
        self._begun: dict[Hashable, deque[Call[AnswerT]]] = {}
        self._new: dict[Hashable, deque[Call[AnswerT]]] = {}
        for call in calls:
            self._new.setdefault(call.flute, deque()).append(call)

    def __bool__(self) -> bool:
        return bool(self._new or self._begun)

    def next(self, wanted: Sequence[Hashable] = ()) -> Call[AnswerT] | None:
        """The call to begin now.

        Parameters
        ----------
        wanted : sequence of hashable
            As of `Crew`.

        Returns
        -------
        Call or None
            Of a wanted flute, else the first of another one, else of the flute that has most left. None at the end.
        """
        flute = next((each for each in wanted if each in self._begun), None)
        if flute is None and self._new:
            flute = next(iter(self._new))
            self._begun[flute] = self._new.pop(flute)
        elif flute is None:
            if not self._begun:
                return None
            flute = max(self._begun, key=lambda each: len(self._begun[each]))
        call = self._begun[flute].popleft()
        if not self._begun[flute]:
            del self._begun[flute]
        return call


def guarded(file: str, make: Callable[[], AnswerT]) -> AnswerT | Failure:
    """Make a call, and let no failure on one photo stop the others.

    Parameters
    ----------
    file : str
        Photo that it is about.
    make : callable

    Returns
    -------
    object or Failure
    """
    try:
        return make()
    except MemoryError:
        return _too_large(file)
    except TookTooLongError:
        return Failure(too_long(file), known=False, code="took-too-long")
    except Exception as error:
        if isinstance(error, cv2.error) and error.code == cv2.Error.StsNoMem:
            return _too_large(file)
        line = unexpected(file, "the program failed on it", error)
        return Failure(line, known=True, code="program-failed")


def _too_large(file: str) -> Failure:
    line = (
        f"{file}: takes more memory than there is for one photo; run again with fewer --jobs, "
        "or cut out the part with the flute, without resizing it"
    )
    return Failure(line, known=False, code="too-much-memory")


def too_long(file: str) -> str:
    """Line on a photo that was given up.

    Parameters
    ----------
    file : str

    Returns
    -------
    str
    """
    cure = "save it anew as PNG, or take it again; if that does not help, please report this with the photo"
    return f"{file}: was given up after {PHOTO_S / 60:g} minutes; {cure}"


class TookTooLongError(Exception):
    """A call in this process was still going on when its time was over."""


@contextmanager
def given_up_after(seconds: float) -> Iterator[None]:
    """Break off what takes too long, as far as this process can: in its main thread, between two steps of Python.

    Parameters
    ----------
    seconds : float

    Yields
    ------
    None
    """
    if not hasattr(signal, "setitimer") or threading.current_thread() is not threading.main_thread():
        yield
        return

    def break_off(_number: int, _frame: FrameType | None) -> None:
        raise TookTooLongError

    before = signal.signal(signal.SIGALRM, break_off)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def unexpected(file: str, what: str, error: Exception) -> str:
    """Line on a failure of the program, with the place in the code that a report needs.

    Parameters
    ----------
    file : str
        Photo that it failed on.
    what : str
        What came of it.
    error : Exception

    Returns
    -------
    str
    """
    frames = traceback.extract_tb(error.__traceback__)
    place = f" in {Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else ""
    said = " ".join(str(error).split())
    return f"{file}: {what} ({type(error).__name__}{place}: {said}); please report this with the photo"
