"""A trial that is open, and what people say of its photos: saved, taken back, made again. Knows no Qt."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from wearscope.errors import TrialError
from wearscope.log.corrections import ChangedMeanwhileError, CorrectionLog, changes, logged
from wearscope.trial import PhotoEntry, Trial
from wearscope.trial.correction import NOTHING, Correction
from wearscope_napari.open_trial import OpenTrial


@dataclass(frozen=True)
class Step:
    """A correction that can be taken back."""

    entry: PhotoEntry
    photo_sha256: str
    before: Correction
    after: Correction


class CorrectedTrial(OpenTrial):
    """A trial, its wear log, and the corrections of one person.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Where ``wear-log.sqlite`` and ``results/`` are.
    who : str
        Who corrects.
    """

    def __init__(self, trial: Trial, out_dir: Path, who: str) -> None:
        super().__init__(trial, out_dir)
        self.who = who
        self._done: list[Step] = []
        self._undone: list[Step] = []
        self._seen: dict[str, tuple[Correction, int]] = {}

    def correct(self, entry: PhotoEntry, photo_sha256: str, **said: Any) -> None:
        """Save what a person says of a photo that was shown; it is on the disk when this returns.

        Parameters
        ----------
        entry : PhotoEntry
        photo_sha256 : str
            Of the picture that was shown.
        **said
            Fields of `Correction`; the others stay as they are.

        Raises
        ------
        ChangedMeanwhileError
            Someone else has corrected the same photo since it was measured.
        LogError
            The wear log cannot be written.
        """
        self._ready_to_save()
        before, seen = self._seen.get(photo_sha256, (NOTHING, 0))
        step = Step(entry, photo_sha256, before, replace(before, **said))
        if self._append(step, seen):
            self._done.append(step)
            self._undone.clear()

    def undo(self, shown: tuple[PhotoEntry, str] | None = None) -> PhotoEntry | None:
        """Take back the last correction of this session, else the last that stands of the photo shown; its photo."""
        if not self._done and shown is not None and shown[1]:
            entry, sha256 = shown
            with CorrectionLog(self.log_place) as by_hand:
                last = by_hand.last_step(self.trial.name, sha256)
            if last is not None:
                self._done.append(Step(entry, sha256, *last))
        return self._turn_back(self._done, self._undone)

    def redo(self) -> PhotoEntry | None:
        """Make again what was taken back last."""
        return self._turn_back(self._undone, self._done)

    @property
    def undoable(self) -> bool:
        """Whether there is a correction to take back."""
        return bool(self._done)

    @property
    def redoable(self) -> bool:
        """Whether there is a correction to make again."""
        return bool(self._undone)

    def _turn_back(self, steps: list[Step], onto: list[Step]) -> PhotoEntry | None:
        if not steps:
            return None
        self._ready_to_save()
        step = steps[-1]
        kinds = changes(step.before, step.after)
        with CorrectionLog(self.log_place) as by_hand:
            rows = by_hand.history(self.trial.name, step.photo_sha256)
            holds = by_hand.current(self.trial.name).get(step.photo_sha256, NOTHING)
        if kinds.keys() & changes(holds, step.after).keys():
            steps.pop()
            raise ChangedMeanwhileError.by(rows[-1].by)
        # only what this step changed goes back: someone else may have said other things since
        target = replace(holds, **{kind: getattr(step.before, kind) for kind in kinds})
        self._append(replace(step, before=holds, after=target), len(rows))
        onto.append(replace(step, before=step.after, after=step.before))
        steps.pop()
        return step.entry

    def _ready_to_save(self) -> None:
        """Know the trial by its present name; what a person says is kept even if its file is wrong for now."""
        with suppress(TrialError):
            self.refresh()
        self.admit()

    def _append(self, step: Step, seen: int) -> bool:
        changed = changes(step.before, step.after)
        names = ("bit", "flute", "parts", "view")
        place = {"trial": self.trial.name} | {name: getattr(step.entry, name) for name in names}
        with CorrectionLog(self.log_place) as by_hand:
            by_hand.append(logged(place, step.photo_sha256, changed, self.who), seen=seen)
        self._seen[step.photo_sha256] = (step.after, seen + len(changed))
        return bool(changed)
