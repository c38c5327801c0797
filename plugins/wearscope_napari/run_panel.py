"""Measuring every photo of the trial, with progress and a way to stop."""

from __future__ import annotations

from threading import Event

from qtpy.QtCore import QObject, Signal
from qtpy.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QWidget

from wearscope.errors import WearscopeError
from wearscope.trial import PhotoEntry
from wearscope_napari.session import Session
from wearscope_napari.state import BenchState
from wearscope_napari.widgets import button
from wearscope_napari.work import Work


class RunPanel(QWidget):
    """Buttons to measure all and to stop, and how far it is.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self.state = state
        self.measuring = False
        self._stop = Event()
        self._work = Work(self)  # not napari's, which asks of its own whether to close, and names a function
        self.all = button("Measure all", self.measure_all, "every photo of the trial, in the background")
        self.stop = button("Stop", self.end, "end after the photos under way; what is done is kept")
        self.stop.setEnabled(False)
        self.progress = QProgressBar()
        self.progress.setVisible(False)
        self.busy = QLabel("measuring …")
        self.busy.setVisible(False)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        for widget in (self.all, self.stop, self.progress, self.busy):
            row.addWidget(widget)
        state.work.idle.connect(lambda idle: self.busy.setVisible(not idle))
        state.steps_changed.connect(self._enable)

    def end(self) -> None:
        """Stop after the photos under way."""
        self._stop.set()

    def close_down(self) -> None:
        """Stop, and come back when the photos under way are done."""
        self.end()
        self._work.close()

    def measure_all(self) -> None:
        """Measure every photo of the trial in the background."""
        session = self.state.session
        if session is None or self.measuring:
            return
        self._stop.clear()
        self.measuring = True
        self._enable()
        self.progress.setRange(0, len(session.trial.photos))
        self.progress.setValue(0)
        self.progress.setVisible(True)
        told = _Told(self)
        told.done.connect(self.progress.setValue)

        def progress(done: int, _of: int, _entry: PhotoEntry) -> None:
            told.done.emit(done)
            if self._stop.is_set():
                raise _StoppedError

        def run() -> tuple[str, list[PhotoEntry]]:
            try:
                rows = session.corrections_made()
                try:
                    result = session.measure_all(progress)
                    refused = len(result.refusals)
                    line = (
                        f"{len(result.photos) - refused} measured, {refused} refused; {result.measurements}"
                    )
                except _StoppedError:
                    line = "stopped; what was finished is kept"
                # a run works with the corrections that held when it began
                return line, session.corrected_after(rows)
            except WearscopeError as problem:
                return str(problem), []
            except Exception as error:  # the person must see that it failed, whatever it was
                return f"the program failed ({error}); please report this", []

        self._work.do(run, lambda done: self._over(session, *done))

    def _over(self, session: Session, line: str, late: list[PhotoEntry]) -> None:
        self.measuring = False
        self.progress.setVisible(False)
        self._enable()
        self.state.run_over(session, line, late)

    def _enable(self) -> None:
        self.all.setEnabled(self.state.session is not None and not self.measuring)
        self.stop.setEnabled(self.measuring)


class _Told(QObject):
    """Carries the number of photos done to the GUI thread."""

    done = Signal(int)


class _StoppedError(Exception):
    """The person has stopped it."""
