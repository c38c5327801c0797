"""While photos are taken: watch the folder that the microscope's program saves into, judge and file each new one."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QComboBox, QFileDialog, QFormLayout, QLabel, QPushButton, QSpinBox, QWidget

from wearscope.live.filing import Place, pictures_in
from wearscope.live.taking import Taken, take
from wearscope.log.corrections import CorrectionLog
from wearscope.quantities.views import VIEWS
from wearscope.trial import Trial
from wearscope_napari.signals import Became
from wearscope_napari.state import BenchState
from wearscope_napari.window_words import in_window

LOOK_EVERY_MS = 700


class Capture(QWidget):
    """The flute and checkpoint that the person is on, and what came of the last picture.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self.state = state
        state.opened.connect(self.show_trial)
        state.reread.connect(self.show_trial)
        self.folder: Path | None = None
        self._known: dict[Path, tuple[int, int]] = {}
        self._growing: dict[Path, tuple[int, int]] = {}
        self.bit, self.view, self.scale = QComboBox(), QComboBox(), QComboBox()
        for view in VIEWS.values():
            self.view.addItem(view.label, view.key)
        self.flute, self.parts = QSpinBox(), QSpinBox()
        self.flute.setRange(1, 100)
        self.parts.setRange(0, 1_000_000_000)
        self.bit.currentTextChanged.connect(self._flutes)
        self.watch = QPushButton("Watch a folder …")
        self.watch.setToolTip("the folder that the microscope's own program saves into")
        self.watch.clicked.connect(self._toggle)
        self.verdict = QLabel("A new picture there is judged at once and filed under this flute.")
        self.verdict.setWordWrap(True)
        form = QFormLayout(self)
        for label, widget in (
            ("bit", self.bit),
            ("flute", self.flute),
            ("parts cut", self.parts),
            ("view", self.view),
            ("scale", self.scale),
        ):
            form.addRow(label, widget)
        form.addRow(self.watch)
        form.addRow(self.verdict)
        for changed in (
            self.bit.currentTextChanged,
            self.flute.valueChanged,
            self.parts.valueChanged,
            self.view.currentIndexChanged,
            self.scale.currentTextChanged,
        ):
            changed.connect(lambda _: self.state.put(self.place))
        state.picture_came.connect(self._take)
        self._timer = QTimer(self)
        self._timer.setInterval(LOOK_EVERY_MS)
        self._timer.timeout.connect(self.located)

    @property
    def place(self) -> Place:
        """What the next picture shows."""
        return Place(
            self.bit.currentText(),
            self.flute.value(),
            self.parts.value(),
            self.view.currentData(),
            self.scale.currentText(),
        )

    def show_trial(self) -> None:
        """Offer the bits and scales of the trial that is open."""
        trial = self._trial()
        if trial is None:
            return
        for combo, names in (
            (self.bit, [b.name for b in trial.bits]),
            (self.scale, [s.name for s in trial.scales]),
        ):
            before = combo.currentText()
            combo.clear()
            combo.addItems(names)
            combo.setCurrentText(before)
        self.state.put(self.place)

    def go_to(self, place: Place) -> None:
        """Say that the next picture shows another place."""
        self.bit.setCurrentText(place.bit)
        self.flute.setValue(place.flute)
        self.parts.setValue(place.parts)

    def start(self, folder: Path) -> None:
        """Watch a folder; what is in it already is left alone."""
        self.folder = folder
        self._known, self._growing = pictures_in(folder), {}
        self._timer.start()
        self.watch.setText(f"Stop watching {folder.name}")
        self.verdict.setText(f"Watching {folder}")

    def finish(self) -> None:
        """Watch no longer."""
        self._timer.stop()
        self.folder = None
        self.watch.setText("Watch a folder …")

    def located(self) -> None:
        """See whether a picture has come and is written to its end."""
        if self.folder is None:
            return
        try:
            now = pictures_in(self.folder)
        except OSError as error:
            self.verdict.setText(f"{self.folder} cannot be read ({error.strerror}); choose it again")
            self.finish()
            return
        for picture, seen in sorted(now.items(), key=lambda one: (one[1][1], one[0])):  # as they were taken
            if self._known.get(picture) == seen:
                continue
            if (
                self._growing.get(picture) == seen and seen[0] > 0
            ):  # the same as at the last look: it is whole
                self._known[picture] = seen
                self._take(picture)
            else:
                self._growing[picture] = seen

    def _take(self, picture: Path) -> None:
        session, place = self.state.session, self.place
        if session is None:
            self._tell(Became(picture, "open a trial first; then take the picture again", done_with=False))
            return
        self.verdict.setText(f"{picture.name}: looking at it …")

        def job() -> Taken:
            session.refresh()  # a picture that came just before may have gone into it
            trial = session.trial
            with CorrectionLog(session.log_place) as by_hand:
                corrections = by_hand.current(trial.name)
            return take(trial, picture, place, session.scales(), corrections, session.likenesses())

        def kept(why: str) -> None:  # not the picture's fault
            self._tell(Became(picture, f"{picture} is not filed. {why}", done_with=False))

        self.state.work.do(job, lambda taken: self._taken(picture, place, taken), otherwise=kept)

    def _taken(self, picture: Path, place: Place, result: Taken) -> None:
        said = "; ".join(result.verdict.lines)
        if result.photo is None or self.state.session is None:
            self._tell(Became(picture, f"{picture.name}: take it again. {said}", done_with=True))
            return
        self.state.reload()
        self.state.choose(result.photo)
        if self.place == place:  # the person has not gone on meanwhile
            self.go_to(result.following)
        line = f"{picture.name}: filed as {result.photo.file}. {said}"
        self._tell(Became(picture, line, done_with=True, filed=True))

    def _tell(self, became: Became) -> None:
        self.verdict.setText(in_window(became.line))
        self.state.judged.emit(became)

    def _toggle(self) -> None:
        if self.folder is not None:
            self.finish()
            return
        trial = self._trial()
        start = "" if trial is None else str(trial.folder)
        what = "The folder that the microscope's program saves into"
        chosen = QFileDialog.getExistingDirectory(self, what, start)
        if chosen:
            self.start(Path(chosen))

    def _flutes(self, name: str) -> None:
        trial = self._trial()
        flutes = {bit.name: bit.flutes for bit in trial.bits if bit.flutes is not None} if trial else {}
        self.flute.setMaximum(flutes.get(name, 100))

    def _trial(self) -> Trial | None:
        return self.state.session.trial if self.state.session else None
