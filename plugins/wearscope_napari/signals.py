"""What the parts of the bench tell each other, and what of it needs no trial."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from qtpy.QtCore import QObject, Signal

from wearscope.live.filing import Place
from wearscope_napari.window_words import in_window


@dataclass(frozen=True)
class Over:
    """How the new-state photo is laid over the one that is shown.

    Attributes
    ----------
    wanted, blinking : bool
    share : float
        Part of its width that is drawn when it does not blink.
    """

    wanted: bool = False
    blinking: bool = False
    share: float = 0.5


@dataclass(frozen=True)
class Became:
    """What became of a picture that came.

    Attributes
    ----------
    picture : Path
    line : str
        For the person.
    done_with : bool
        It is in its place in the trial, or was judged no good. What could not be filed is not: it must be kept.
    filed : bool
    """

    picture: Path
    line: str
    done_with: bool
    filed: bool = False


class BenchSignals(QObject):
    """Signals of the bench.

    Parameters
    ----------
    parent : QObject
    """

    opened = Signal()  # a trial was opened
    listed = Signal()  # the order of its photos is another one
    marked = Signal()  # how they stand is another one
    chosen = Signal()  # `entry` is another photo
    awaited = Signal()  # another photo than the one shown is being measured
    pictured = Signal(object)  # that photo itself, as it is drawn, before it is measured
    showing = Signal(object)  # a `Showing`
    withdrawn = Signal()  # what was shown does not hold any more, and nothing takes its place
    reread = Signal()  # the trial file is another one now
    steps_changed = Signal()  # what can be taken back, made again, drawn
    tool_wanted = Signal(str, str)  # part and mode of the layer that is to be drawn on
    laid_over = Signal()  # `over` is another one
    spoken = Signal(str)  # a line for the person
    frame_seen = Signal(object, object)  # a `Look` at a camera's frame; the `Ghost` of the new-state photo
    camera_gone = Signal()  # no frame is to be seen any more
    placed = Signal()  # `place`, of the next picture, is another one
    picture_came = Signal(object)  # path of a picture to be judged and filed
    judged = Signal(object)  # a `Became`

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self.over = Over()
        self.place: Place | None = None  # of the next picture

    def put(self, place: Place | None) -> None:
        """Say what the next picture will show."""
        if place != self.place:
            self.place = place
            self.placed.emit()

    def lay_over(self, over: Over) -> None:
        """Lay the new-state photo over the one shown, or take it away."""
        self.over = over
        self.laid_over.emit()

    def say(self, line: str) -> None:
        """Say something to the person."""
        self.spoken.emit(in_window(line))
