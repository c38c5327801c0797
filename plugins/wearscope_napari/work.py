"""Work off the GUI thread: one background thread, so that a session and its wear log see one thing at a time."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any

from qtpy.QtCore import QObject, Signal

from wearscope.errors import WearscopeError


class Work(QObject):
    """Runs jobs in the order given and hands their results to the GUI thread.

    Of jobs that share a name only the newest is run, if the others have not begun: while a person drags, only the
    last position matters. Jobs without a name (saving) are always run.
    """

    finished = Signal(object, object)  # callback, result
    failed = Signal(str)
    idle = Signal(bool)
    glanced = Signal(object, object)  # callback, result; None for neither

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="wearscope")
        self._newest: dict[str, int] = {}
        self._waiting = 0
        self._dropping = self._closing = self._glancing = False
        self.finished.connect(self._deliver)
        self.failed.connect(lambda _line: self._count(-1))
        self.glanced.connect(self._seen)

    def do(
        self,
        job: Callable[[], Any],
        then: Callable[[Any], None],
        name: str = "",
        otherwise: Callable[[str], None] | None = None,
    ) -> None:
        """Run `job` in the background, then `then` with its result on the GUI thread.

        If it fails, `otherwise` is given the line that says why; without that, `failed` tells it.
        """
        if self._closing:
            return
        number = self._newest[name] = self._newest.get(name, 0) + 1
        self._count(1)
        self._pool.submit(self._run, job, then, otherwise, name, number)

    def glance(self, look: Callable[[], Any], then: Callable[[Any], None]) -> bool:
        """Have a short look in the background; it does not count as work. False if there is something to be done."""
        if self._closing or self._waiting or self._glancing:
            return False
        self._glancing = True
        self._pool.submit(self._glance, look, then)
        return True

    def _glance(self, look: Callable[[], Any], then: Callable[[Any], None]) -> None:
        try:
            self._tell(self.glanced, then, look())
        except Exception:  # what goes wrong is said by the work itself, when it comes to it
            self._tell(self.glanced, None, None)

    def _seen(self, then: Callable[[Any], None] | None, result: Any) -> None:
        self._glancing = False
        if then is not None and not self._closing:
            then(result)

    def flush(self) -> None:
        """Come back when all that was to be saved is saved; the rest is dropped."""
        if self._closing:
            return
        self._dropping = True
        self._pool.submit(lambda: None).result()
        self._dropping = False

    def close(self) -> None:
        """Do as `flush` does, and take on no more."""
        self.flush()
        self._closing = True
        self._pool.shutdown()

    def _run(
        self,
        job: Callable[[], Any],
        then: Callable[[Any], None],
        otherwise: Callable[[str], None] | None,
        name: str,
        number: int,
    ) -> None:
        if name and (self._dropping or number < self._newest[name]):
            self._tell(self.finished, None, None)
            return
        try:
            result = job()
        except Exception as error:  # the person must see that it failed, whatever it was
            line = f"the program failed ({type(error).__name__}: {error}); please report this"
            line = str(error) if isinstance(error, WearscopeError) else line
            if otherwise is None:
                self._tell(self.failed, line)
            else:
                self._tell(self.finished, otherwise, line)
        else:
            self._tell(self.finished, then, result)

    def _tell(self, signal: Any, *what: Any) -> None:
        with suppress(RuntimeError):  # the window is gone
            signal.emit(*what)

    def _deliver(self, then: Callable[[Any], None] | None, result: Any) -> None:
        self._count(-1)
        if then is not None and not self._closing:
            then(result)

    def _count(self, change: int) -> None:
        self._waiting += change
        self.idle.emit(self._waiting == 0)
