"""What the bench works on: the trial, the photo that is shown, and what its panels tell each other by signals."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from qtpy.QtCore import QObject, QTimer

from wearscope.errors import PhotoRefused, TrialError, WearscopeError
from wearscope.log.identity import OtherTrialError
from wearscope.log.records import Record
from wearscope.pipeline.astray import AstrayError
from wearscope.trial import PhotoEntry, Trial, load_trial
from wearscope_napari import layers as drawing
from wearscope_napari.on_disk import NotListedError, UnsettledError
from wearscope_napari.session import Measured, Session
from wearscope_napari.signals import BenchSignals
from wearscope_napari.work import Work

WAIT_MS = 40
LOOK_EVERY_MS = 1000
"""How often the files of what is shown are looked at; chosen: sooner than a person comes back from the editor."""


@dataclass(frozen=True, eq=False)
class Showing:
    """A photo as it is to be shown.

    Attributes
    ----------
    measured : Measured
    of_flute : list of Record
        Rows of all checkpoints of its flute.
    drawn : list of Drawn
        The photo and what is drawn on it; empty where it cannot be read.
    another : bool
        Whether another photo, or another picture of the same name, was shown before.
    rescaled : bool
        Whether its scale is another one now.
    """

    measured: Measured
    of_flute: list[Record]
    drawn: list[drawing.Drawn]
    another: bool = True
    rescaled: bool = False


class BenchState(BenchSignals):
    """Trial and photo on the bench. All panels know it, and none knows another.

    Parameters
    ----------
    parent : QObject
    """

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self.session: Session | None = None
        self.shown: Measured | None = None
        self.entry: PhotoEntry | None = None  # the photo chosen
        self.who = ""
        self.distance_um = self.pitch_um = 0.0  # of two points; from line to line of a graticule
        self.in_hand: Callable[[], bool] = lambda: False  # set by the owner of the layers
        self.work = Work(self)
        self.work.failed.connect(self.tell)
        self.work.idle.connect(lambda idle: self.read_ahead() if idle else None)
        self.reading = Work(self)  # pictures alone, which do not wait for the measuring
        self.next_entry: Callable[[], PhotoEntry | None] = lambda: None  # set by the list
        self._ahead: PhotoEntry | None = None  # to be inspected when there is nothing else to do
        self._asked = 0  # results of earlier askings are out of date
        self._news = ""  # what became of the last correction: stays said until the next one
        self._listed: Trial | None = None  # the trial as the panels know it
        self._looking = QTimer(self)
        self._looking.setInterval(LOOK_EVERY_MS)
        self._looking.timeout.connect(self.look)

    # --- Trial and photos

    def open_trial(self, path: Path, out_dir: Path | None = None) -> bool:
        """Open a trial, which may have no photos yet; what is wrong with it is said and False given.

        How its photos stand is found out in the background, and the first that needs an eye is shown then.
        """
        try:
            trial = load_trial(path, photos_to_come=True)
        except WearscopeError as problem:
            self.say(str(problem))
            return False
        session = Session(trial, (out_dir or trial.folder).absolute())
        self.session, self.shown, self.entry, self._news = session, None, None, ""
        self._listed = trial
        self._asked += 1
        self._looking.start()
        session.who = self.who or session.who
        self.pitch_um = next((scale.division_um for scale in trial.scales if scale.division_um), 0.0)
        self.say(f"{len(trial.photos)} photos. Wear log: {session.log_place}")
        self.opened.emit()
        self.listed.emit()
        self.work.do(session.read_states, lambda _: self._states_read(session), name="states")
        return True

    def _states_read(self, session: Session) -> None:
        if session is not self.session:
            return
        self.listed.emit()
        if self.entry is None and (queue := session.queue()):
            self.choose(queue[0].entry)

    def reload(self) -> None:
        """Read the trial file again, as after a photo was filed; what can be taken back stays so."""
        session = self.session
        assert session is not None
        try:
            session.refresh()
        except WearscopeError as problem:
            self.say(str(problem))
            return
        self._relist()
        self.listed.emit()
        self.work.do(session.read_states, lambda _: self.marked.emit(), name="states")

    def _relist(self) -> None:
        """Have the panels know the trial as it was last read."""
        session = self.session
        assert session is not None
        if session.trial is self._listed:
            return
        self._listed = session.trial
        if self.entry is not None:
            try:
                self.entry = session.entry_now(self.entry)
            except WearscopeError:
                self.entry = None
        self.reread.emit()
        self.listed.emit()
        self.work.do(session.read_states, lambda _: self.marked.emit(), name="states")

    def look(self) -> None:
        """See whether the files of what is shown have changed on the disk; if so, measure anew by them."""
        session, shown = self.session, self.shown
        if session is None or self.in_hand():
            return
        asked, files = self._asked, session.trial_file if shown is None else shown.rests_on
        self.work.glance(partial(session.differ, files), partial(self._looked, asked))

    def _looked(self, asked: int, changed: bool) -> None:
        self.read_ahead()  # if it has not come to it yet
        if not changed or asked != self._asked:
            return
        if self.entry is None:
            self.reload()
        else:
            self.awaited.emit()  # what is seen does not hold any more
            self._news = ""
            self.measure(self.entry)

    def choose(self, entry: PhotoEntry) -> None:
        """Have a photo of the trial measured and shown, even if it is the one shown already."""
        if self.session is None:
            return
        try:
            entry = self.session.entry_now(entry)
        except WearscopeError as problem:
            self.say(str(problem))
            return
        self.entry, self._news = entry, ""
        self.chosen.emit()
        self.measure(entry)

    def sign(self, who: str) -> None:
        """Take the name of the person who corrects from now on."""
        self.who = who.strip()
        if self.session is not None and self.who:
            self.session.who = self.who

    # --- Measuring

    def measure(self, entry: PhotoEntry) -> None:
        """Measure a photo in the background and show it, unless another one is asked for meanwhile."""
        session = self.session
        assert session is not None
        self._asked += 1
        if self.shown is None or self.shown.inspection.entry != entry:
            self.awaited.emit()
            self.reading.do(
                partial(_picture, session, entry), partial(self._have, self._asked), name="picture"
            )

        def job() -> Showing | WearscopeError:
            try:
                shown = session.measure(entry)
            except (TrialError, OtherTrialError, AstrayError, NotListedError, UnsettledError) as problem:
                return problem
            drawn = drawing.all_layers(shown.inspection, shown.said, shown.photo)
            return Showing(shown, session.earlier(entry), drawn)

        self.work.do(job, partial(self._show, self._asked), name="measure")

    def _have(self, asked: int, photo: drawing.Drawn | None) -> None:
        """Show the picture of the photo that is being measured, with nothing on it yet."""
        seen = None if self.shown is None else self.shown.inspection.entry
        if photo is None or asked != self._asked or seen == self.entry or self.in_hand():
            return
        self.shown = None  # what is drawn from now on is not on the photo before
        self.pictured.emit(photo)
        self.steps_changed.emit()

    def read_ahead(self) -> None:
        """Inspect the photo that most likely comes next, while the person looks at this one."""
        session, entry = self.session, self._ahead
        if (
            session is not None
            and entry is not None
            and self.work.glance(partial(session.read_ahead, entry), lambda _: None)
        ):
            self._ahead = None

    def measure_unseen(self, entries: Iterable[PhotoEntry]) -> None:
        """Bring the wear log up to date with photos that are not shown."""
        session = self.session
        assert session is not None
        for entry in entries:
            self.work.do(
                partial(session.measure, entry), lambda _: self.marked.emit(), name=f"unseen {entry.file}"
            )

    def run_over(self, session: Session, line: str, late: list[PhotoEntry]) -> None:
        """Say how a run over the whole trial ended, and measure what was corrected meanwhile."""
        self.tell(line)
        if session is not self.session:
            return
        self.listed.emit()
        self.measure_unseen(late)
        if self.entry is not None:
            self.measure(self.entry)

    def _show(self, asked: int, result: Showing | WearscopeError) -> None:
        if asked != self._asked:
            return
        self._relist()
        if isinstance(result, WearscopeError):
            self._withdraw(str(result))
            return
        before, shown = self.shown, result.measured
        found = shown.inspection
        another = before is None or (
            (before.inspection.entry, before.inspection.photo_sha256) != (found.entry, found.photo_sha256)
        )
        if not another and self.in_hand():
            QTimer.singleShot(WAIT_MS, partial(self._show, asked, result))
            return
        rescaled = before is not None and before.um_per_px != shown.um_per_px
        self.shown = shown
        self.showing.emit(Showing(shown, result.of_flute, result.drawn, another, rescaled))
        self.marked.emit()
        self.tell(self._news)
        self.steps_changed.emit()
        if another:
            self._ahead = self.next_entry()
            self.read_ahead()

    def _withdraw(self, why: str) -> None:
        """Show nothing, for nothing holds, and say why."""
        self.shown = None
        self.withdrawn.emit()
        self.steps_changed.emit()
        self.say(f"{why}\nNo number is shown or written until that is put right.")

    # --- Corrections

    def correct(self, of: Measured | None = None, **said: Any) -> None:
        """Save what the person says of a photo, by default of the one shown, and measure it again."""
        session, shown = self.session, of or self.shown
        if session is None or shown is None or not shown.inspection.photo_sha256:
            return
        entry, sha256 = shown.inspection.entry, shown.inspection.photo_sha256
        self._news = ""
        self.work.do(partial(session.correct, entry, sha256, **said), lambda _: self._said("saved"))
        if entry == self.entry:
            self.measure(entry)
        else:  # the person has gone on meanwhile
            self.measure_unseen([entry])
        self.measure_unseen(session.resting_on(entry))

    def undo(self) -> None:
        """Take back the last correction of this session, else the last one ever made of this photo."""
        found = None if self.shown is None else self.shown.inspection
        shown = None if found is None else (found.entry, found.photo_sha256)
        self._step(lambda session: session.undo(shown), "taken back")

    def redo(self) -> None:
        """Make the correction taken back last again."""
        self._step(lambda session: session.redo(), "made again")

    def _step(self, turn: Callable[[Session], PhotoEntry | None], word: str) -> None:
        session = self.session
        if session is None:
            return
        self._news = ""

        def then(entry: PhotoEntry | None) -> None:
            if entry is None:
                self.tell("there is nothing to take back or make again")
                return
            if entry != self.entry:
                self.choose(entry)
            self._said(word)
            self.measure_unseen(session.resting_on(entry))

        self.work.do(lambda: turn(session), then)
        if self.entry is not None:  # also if it failed, for someone else has said something then
            self.measure(self.entry)

    # --- Words

    def tell(self, news: str) -> None:
        """Say what became of the last thing done, and how the photo shown stands."""
        self._news = news
        lines = [news]
        if self.shown is not None:
            found, said = self.shown.inspection, not self.shown.said.empty
            by = f"; corrected by {self.shown.history[-1].by}" if said else ""
            came = "refused" if found.refusal else f"measured in {self.shown.seconds:.2f} s"
            lines += [
                *self.shown.news,
                self.shown.not_kept,
                f"{found.entry.file}: {came}{by}",
            ]  # why: WhyPanel
        if self.session is not None:
            lines += self.session.remarks
        self.say("\n".join(filter(None, lines)))

    def _said(self, word: str) -> None:
        assert self.session is not None
        self.steps_changed.emit()
        self.tell(f"{word} {datetime.now():%H:%M:%S}, by {self.session.who}")

    # --- Closing

    def close(self) -> None:
        """Save what is to be saved; take on no more."""
        self._asked += 1
        self._looking.stop()
        self.reading.close()
        self.work.close()


def _picture(session: Session, entry: PhotoEntry) -> drawing.Drawn | None:
    try:
        photo = session.picture(entry)
        return drawing.photo_layer(photo.pixels, photo.full_scale)
    except PhotoRefused:
        return None  # measuring it says why
