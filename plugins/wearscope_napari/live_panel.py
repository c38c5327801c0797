"""The live picture: what is still wrong with it, and taking it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QCheckBox, QDoubleSpinBox, QGridLayout, QLabel, QLineEdit, QWidget

from wearscope.errors import WearscopeError
from wearscope.live.calibrating import Calibrated, NotKeptError, keep_graticule, keep_pin
from wearscope.live.filing import Place, entry_for, pictures_in
from wearscope.live.guide import Guide, Look
from wearscope.live.judging_guide import JudgingGuide
from wearscope.live.source import Frame, FrameSource, address_of
from wearscope.live.taking import TAKEN, Patience, keep_frame
from wearscope.live.words import advice, camera_words, meters
from wearscope.trial import PhotoEntry
from wearscope_napari.session import Session
from wearscope_napari.signals import Became
from wearscope_napari.state import BenchState
from wearscope_napari.widgets import button, length_field
from wearscope_napari.window_words import in_window
from wearscope_napari.work import Work

LOOK_EVERY_MS = 25


class LivePanel(QWidget):
    """Starts and stops a camera, says what is wrong with its picture, takes it by itself or when told.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self.state = state
        self.source: FrameSource | None = None
        self._open: list[FrameSource] = []  # closed with the window, which does not ask its parts
        self.destroyed.connect(partial(_close_all, self._open))
        self.guide: Guide | JudgingGuide | None = None
        self.looking = Work(self)
        self.looking.failed.connect(self._failed)
        self._patience = Patience()
        self._number, self._busy, self._judging = 0, False, False
        self._look: Look | None = None
        self._picture: Path | None = None  # that is being judged
        self._lay_out()
        self._timer = QTimer(self)
        self._timer.setInterval(LOOK_EVERY_MS)
        self._timer.timeout.connect(self._next)
        state.placed.connect(self._guide_anew)
        state.reread.connect(self._guide_anew)
        state.opened.connect(self._guide_anew)
        state.judged.connect(self._judged)
        state.opened.connect(self._left_over)

    def _lay_out(self) -> None:
        self.address = QLineEdit()
        self.address.setPlaceholderText("number, http:// address, or a video")
        self.address.setToolTip("of the camera: its number (they count from 0), its address, or a video file")
        self.switch = button("Start", self._toggle, "show the camera's picture")
        self.by_itself = QCheckBox("take it when it is good")
        self.by_itself.setChecked(True)
        self.shoot = button(
            "Take", self.take_now, "take the picture as it is (Alt+T); it is judged all the same"
        )
        self.meter = QLabel("")
        self.way = QLabel("")  # what is wrong with the frame: another line with each
        self.last = QLabel("")  # what became of the last picture taken: stays until the next is taken
        for text in (self.meter, self.way, self.last):
            text.setWordWrap(True)
        self.pitch = length_field("pitch of the graticule, from line to line")
        self.pin = QDoubleSpinBox()
        self.pin.setRange(0.0, 50.0)
        self.pin.setDecimals(3)
        self.pin.setSuffix(" mm")
        self.pin.setSpecialValueText("give mm")
        self.pin.setToolTip("diameter of the pin")
        rows: list[list[QWidget]] = [
            [self.address, self.switch],
            [self.by_itself, self.shoot],
            [self.pitch, button("Take graticule", self.take_graticule, "first of all: it gives the scale")],
            [
                self.pin,
                button("Take pin", self.take_pin, "then a round pin of this diameter: it gives the light"),
            ],
        ]
        grid = QGridLayout(self)
        grid.setVerticalSpacing(3)
        for n, row in enumerate(rows):
            for column, widget in enumerate(row):
                grid.addWidget(widget, n, column)
        for n, text in enumerate((self.meter, self.way, self.last), start=len(rows)):
            grid.addWidget(text, n, 0, 1, 2)

    # --- The camera

    def start(self, address: str) -> None:
        """Show a camera's picture."""
        self.finish_camera()
        self.source = FrameSource(address_of(address))
        self._open[:] = [self.source]
        self.switch.setText("Stop")
        self._guide_anew()
        self._timer.start()

    def finish_camera(self) -> None:
        """Show it no longer."""
        self._timer.stop()
        if self.source is not None:
            self.source.close(wait_s=0.0)  # its thread ends by itself
            self.state.camera_gone.emit()
        self.source, self._number, self._look = None, 0, None
        self.switch.setText("Start")
        self.way.setText("")
        self.meter.setText("")

    def finish(self) -> None:
        """Let go of everything."""
        with suppress(RuntimeError, LookupError):  # with the window, Qt's own parts are gone
            self.finish_camera()
        if self.source is not None:
            self.source.close()
        self.looking.close()
        if self.guide is not None:
            self.guide.close()

    def _toggle(self) -> None:
        if self.source is not None:
            self.finish_camera()
        elif self.address.text().strip():
            self.start(self.address.text())

    def _guide_anew(self) -> None:
        """Know what the next picture will show, and where its new-state photo was taken."""
        session, place = self.state.session, self.state.place
        self._patience = Patience()
        if self.guide is not None:
            self.guide.close()
        self.guide = None
        if self.source is None or session is None or place is None or not (place.bit and place.scale):
            return
        entry = entry_for(Path("live.png"), place)
        self.looking.do(partial(session.guide, entry), partial(self._have_guide, entry), name="guide")

    def _have_guide(self, entry: PhotoEntry, guide: Guide | JudgingGuide) -> None:
        place = self.state.place
        if place is None or (place.bit, place.flute, place.parts) != (entry.bit, entry.flute, entry.parts):
            guide.close()
            return
        self.guide = guide
        self._next()  # a short video may be over by now

    # --- Frame by frame

    def _next(self) -> None:
        """Look at the newest frame, unless one is being looked at."""
        source = self.source
        if source is None:
            return
        if source.state != "running" or source.stale:
            self.way.setText(camera_words(source))
            if source.over:
                self._timer.stop()
                self.switch.setText("Start")
        frame = source.newest(self._number)
        if frame is None or self._busy or self.guide is None:
            return
        self._number, self._busy = frame.number, True
        guide = self.guide
        self.looking.do(partial(_looked, guide, frame), partial(self._looked, guide))

    def _looked(self, guide: Guide | JudgingGuide, look: Look | WearscopeError) -> None:
        self._busy = False
        if self.source is None or guide is not self.guide:
            return
        lines = [in_window(str(look))] if isinstance(look, WearscopeError) else advice(look)
        if not self.source.over:  # else it says why there are no more
            self.way.setText("\n".join(lines) if lines else "hold still …")
        if isinstance(look, WearscopeError):
            return
        self._look = look
        self.state.frame_seen.emit(look, guide.ghost)
        self.meter.setText(meters(look).replace("um", "µm"))
        ready = self._patience.ready(look)
        if self._judging:
            return
        if ready and self.by_itself.isChecked():
            self._take(look)

    def _failed(self, line: str) -> None:
        """Something went wrong beside: say it, and go on with the next frame."""
        self._busy = self._judging = False
        self.last.setText(in_window(line))

    # --- Taking

    def take_now(self) -> None:
        """Take the newest frame, whatever is said of it; it is judged before it is filed."""
        if self._look is not None and not self._judging:
            self._take(self._look)

    def _take(self, look: Look) -> None:
        if self.state.session is None:
            return
        self._judging, self._taken_of, self._picture = True, look, None
        self.last.setText("taken; looking at it …")
        self.looking.do(partial(_kept, look.frame, self.state.session.out_dir), self._written)

    def _written(self, picture: Path | WearscopeError) -> None:
        """The picture lies on the disk, or nowhere."""
        if isinstance(picture, Path):
            self._picture = picture
            self.state.picture_came.emit(picture)
            return
        self._judging = False
        self._patience.not_good(self._taken_of)
        self.last.setText(in_window(str(picture)))

    def _judged(self, became: Became) -> None:
        if not self._judging or became.picture != self._picture:  # one from a folder that is watched
            return
        self._judging = False
        if became.done_with:
            self._picture.unlink(missing_ok=True)
        if not became.filed:
            self._patience.not_good(self._taken_of)
        self.last.setText(in_window(became.line))

    # --- Graticule and pin

    def take_graticule(self) -> None:
        """Take the newest frame as the picture of a graticule."""
        if not self.pitch.value():
            self.pitch.setFocus()
            self.state.say("give the pitch of the graticule in µm first")
            return
        pitch_um = self.pitch.value()
        self._calibrate(
            lambda session, place, path: keep_graticule(session.trial, path, place.scale, pitch_um)
        )

    def take_pin(self) -> None:
        """Take the newest frame as the picture of a pin."""
        if not self.pin.value():
            self.pin.setFocus()
            self.state.say("give the diameter of the pin in mm first")
            return
        diameter_mm = self.pin.value()
        self._calibrate(
            lambda session, place, path: keep_pin(
                session.trial, path, diameter_mm, session.scales().get(place.scale)
            )
        )

    def _calibrate(self, keep: Callable[[Session, Place, Path], Calibrated]) -> None:
        session, place = self.state.session, self.state.place
        frame: Frame | None = None if self.source is None else self.source.newest()
        if session is None or place is None or frame is None:
            self.state.say("open a trial and start the camera first")
            return

        def job() -> str:
            picture = _kept(frame, session.out_dir)
            if isinstance(picture, WearscopeError):
                return str(picture)
            try:
                line = keep(session, place, picture).line
            except NotKeptError as problem:
                return str(problem)  # it says where the picture stays
            except WearscopeError as problem:
                line = f"take it again: {problem}"
            picture.unlink(missing_ok=True)
            return line

        self.looking.do(job, self._calibrated)

    def _calibrated(self, line: str) -> None:
        self.state.say(line)
        self._guide_anew()  # by the new scale

    def _left_over(self) -> None:
        """Say which pictures an earlier sitting has taken and could not file."""
        session = self.state.session
        assert session is not None
        self.last.setText("")
        with suppress(OSError):
            if left := pictures_in(session.out_dir / TAKEN):
                self.last.setText(f"{len(left)} pictures were taken and not filed: {session.out_dir / TAKEN}")


def _looked(guide: Guide | JudgingGuide, frame: Frame) -> Look | WearscopeError:
    try:
        return guide.look(frame)
    except WearscopeError as problem:
        return problem


def _kept(frame: Frame, out_dir: Path) -> Path | WearscopeError:
    try:
        return keep_frame(frame, out_dir)
    except WearscopeError as problem:
        return problem


def _close_all(sources: list[FrameSource]) -> None:
    for source in sources:
        source.close()
