"""A trial on the bench: which photo needs an eye first, what was said of each, and measuring it. Knows no Qt."""

from __future__ import annotations

import csv
import getpass
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from time import perf_counter
from typing import Any, Literal

from wearscope.errors import LogError, PhotoRefused
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import Photo, read_photo
from wearscope.log.corrections import (
    ChangedMeanwhileError,
    CorrectionLog,
    LoggedCorrection,
    changes,
    logged,
    standing,
)
from wearscope.log.records import Record
from wearscope.log.wear_log import LOG_NAME, WearLog
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.pictures import Likenesses, Pictures, likenesses_in, look_at, same_as_others
from wearscope.pipeline.results import BatchResult, PhotoResult, log_result, sha256_of
from wearscope.pipeline.run import Progress, measure_trial
from wearscope.pipeline.sources import Memory, read_scales, scale_of
from wearscope.pipeline.standing import inputs_of
from wearscope.pipeline.time_order import in_time
from wearscope.trial import PhotoEntry, Trial
from wearscope.trial.correction import NOTHING, Correction

State = Literal["refused", "doubtful", "to measure", "done"]
ORDER: tuple[State, ...] = ("refused", "doubtful", "to measure", "done")
"""What needs an eye comes first."""


@dataclass(frozen=True)
class PhotoState:
    """How a photo stands.

    Attributes
    ----------
    entry : PhotoEntry
    state : State
    why : str
        The reason, if it is refused or doubtful.
    """

    entry: PhotoEntry
    state: State
    why: str = ""


@dataclass(frozen=True)
class Measured:
    """What the person is shown of one photo.

    Attributes
    ----------
    inspection : Inspection
    photo : Photo or None
        None if the file cannot be read.
    um_per_px : float or None
        None if the photo has no scale.
    said : Correction
        What holds for it.
    history : tuple of LoggedCorrection
        All that was ever said of it.
    seconds : float
        That measuring took.
    not_kept : str
        Why the wear log could not take its numbers; "" if it did.
    """

    inspection: Inspection
    photo: Photo | None
    um_per_px: float | None
    said: Correction
    history: tuple[LoggedCorrection, ...]
    seconds: float = 0.0
    not_kept: str = ""

    @property
    def undoable(self) -> bool:
        """Whether a correction of it stands that can be taken back."""
        return bool(standing(self.history))


@dataclass(frozen=True)
class Step:
    """A correction that can be taken back."""

    entry: PhotoEntry
    photo_sha256: str
    before: Correction
    after: Correction


@dataclass
class Session:
    """A trial that a person works on.

    Its methods may be called from one background thread; only `queue`, `undoable`, `redoable` from another meanwhile.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Where ``wear-log.sqlite`` and ``results/`` are.
    who : str
        Who corrects.
    """

    trial: Trial
    out_dir: Path
    who: str = field(default_factory=getpass.getuser)
    _states: dict[PhotoEntry, PhotoState] = field(default_factory=dict)
    _done: list[Step] = field(default_factory=list)
    _undone: list[Step] = field(default_factory=list)
    _memory: Memory = field(default_factory=Memory)
    _seen: dict[str, tuple[Correction, int]] = field(default_factory=dict)
    _scales: dict[str, Scale] | None = None
    _checksums: dict[Path, tuple[tuple[int, int], str]] = field(default_factory=dict)
    _likenesses: Likenesses | None = None

    @property
    def log_path(self) -> Path:
        """The wear log."""
        return self.out_dir / LOG_NAME

    # --- Which photo needs an eye first

    def read_states(self) -> None:
        """Find out how each photo stands, from the wear log and from what the last run refused."""
        refusals = _refusals(self.out_dir / "results" / "refused.csv")
        with WearLog(self.log_path) as log:
            rows = in_time(log.current(trial=self.trial.name))
        by_place: dict[tuple[Any, ...], list[Record]] = {}
        for row in rows:
            by_place.setdefault((row.bit, row.flute, row.parts, row.view), []).append(row)
        for entry in self.trial.photos:
            records = by_place.get(_place(entry), [])
            if records and records[0].photo_sha256 != self._sha256(entry.path):
                records = []  # the picture is another one now
            self._states[entry] = state_of(
                entry, records, refusals.get(entry.file, "") if not records else ""
            )

    def _sha256(self, path: Path) -> str:
        """Checksum of a file; read again only if it has changed, for there may be hundreds on a slow share."""
        try:
            seen = path.stat()
        except OSError:
            return ""
        version = seen.st_mtime_ns, seen.st_size
        if path not in self._checksums or self._checksums[path][0] != version:
            self._checksums[path] = version, sha256_of(path)
        return self._checksums[path][1]

    def queue(self) -> list[PhotoState]:
        """The photos, those first that need an eye; else in the order of the trial."""
        states = [self._states.get(entry, PhotoState(entry, "to measure")) for entry in self.trial.photos]
        return sorted(states, key=lambda state: ORDER.index(state.state))

    # --- Measuring

    def scales(self) -> Mapping[str, Scale]:
        """The trial's scales, read once."""
        if self._scales is None:
            self._scales, _ = read_scales(self.trial)
        return self._scales

    def pictures(self) -> Pictures:
        """The trial's pictures as they are now; only files that have changed are read again."""
        return look_at(self.trial, self.likenesses())

    def likenesses(self) -> Likenesses:
        """What the trial's pictures look like, as far as that has been found out."""
        if self._likenesses is None:
            self._likenesses = replace(likenesses_in(self.out_dir / "results"), by_version=self._checksums)
        return self._likenesses

    def measure(self, entry: PhotoEntry) -> Measured:
        """Measure one photo with what holds for it now, and log its numbers."""
        scales = self.scales()
        with CorrectionLog(self.log_path) as by_hand:
            said_so_far = by_hand.history(self.trial.name)  # first: what comes after it counts as not seen
            corrections = by_hand.current(self.trial.name)
        start = perf_counter()
        pictures = self.pictures()
        inputs = inputs_of(self.trial, [entry], corrections, pictures.checksum, pictures.files_also)[entry]
        not_its_own = same_as_others(self.trial, pictures)
        found = inspect_photo(self.trial, entry, scales, corrections, self._memory, not_its_own)
        seconds = perf_counter() - start
        sha256 = found.photo_sha256
        history = tuple(row for row in said_so_far if row.photo_sha256 == sha256)
        result, not_kept = PhotoResult(entry, sha256, found.records, found.refusal, found.warnings), ""
        if found.records:
            try:
                with WearLog(self.log_path) as log:
                    result = log_result(log, self.trial, result, inputs)
            except LogError as problem:
                not_kept = str(problem)
        found = replace(found, records=self._in_time(entry, found.records))
        self._states[entry] = state_of(entry, found.records, result.refusal)
        self._seen[sha256] = (corrections.get(sha256, NOTHING), len(history))
        said = corrections.get(sha256, NOTHING)
        photo, um_per_px = None, None
        try:
            photo = found.on_photo.located.photo if found.on_photo else read_photo(entry.path)
            scale = scale_of(entry, scales, said, photo).um_per_px
            um_per_px = found.on_photo.located.photo_um_per_px if found.on_photo else scale
        except PhotoRefused:
            pass  # the inspection says so too
        return Measured(found, photo, um_per_px, said, history, seconds, not_kept)

    def _in_time(self, entry: PhotoEntry, records: Sequence[Record]) -> tuple[Record, ...]:
        """Rows of a photo, doubtful where they contradict those of other checkpoints."""
        others = [row for row in self.earlier(entry) if row.parts != entry.parts] if records else []
        return in_time([*records, *others])[: len(records)]

    def measure_all(self, progress: Progress, jobs: int | None = None) -> BatchResult:
        """Measure every photo, as ``wearscope measure`` does; an exception from `progress` ends it early."""
        try:
            return measure_trial(self.trial, self.out_dir, jobs=jobs, progress=progress)
        finally:
            self.read_states()

    def resting_on(self, entry: PhotoEntry) -> list[PhotoEntry]:
        """Photos whose numbers rest on this one too: the later ones of a flute on its new-state photo."""
        return [
            photo for photo in self.trial.photos if photo != entry and self.trial.new_state(photo) == entry
        ]

    def corrections_made(self) -> int:
        """How many rows of corrections the wear log holds of the trial."""
        with CorrectionLog(self.log_path) as by_hand:
            return len(by_hand.history(self.trial.name))

    def corrected_after(self, rows: int) -> list[PhotoEntry]:
        """Photos corrected since there were so many rows, and those whose numbers rest on them."""
        with CorrectionLog(self.log_path) as by_hand:
            late = by_hand.history(self.trial.name)[rows:]
        places = {(row.bit, row.flute, row.parts, row.view) for row in late}
        corrected = [entry for entry in self.trial.photos if _place(entry) in places]
        resting = [photo for entry in corrected for photo in self.resting_on(entry)]
        return list(dict.fromkeys([*corrected, *resting]))

    def earlier(self, entry: PhotoEntry) -> list[Record]:
        """Current rows of all checkpoints of a flute, this one included."""
        with WearLog(self.log_path) as log:
            return log.current(trial=self.trial.name, bit=entry.bit, flute=entry.flute, view=entry.view)

    # --- Corrections

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
        before, seen = self._seen.get(photo_sha256, (NOTHING, 0))
        step = Step(entry, photo_sha256, before, replace(before, **said))
        if self._append(step, seen):
            self._done.append(step)
            self._undone.clear()

    def undo(self, shown: Measured | None = None) -> PhotoEntry | None:
        """Take back the last correction of this session, else the last that stands of the photo shown; its photo."""
        if not self._done and shown is not None and shown.inspection.photo_sha256:
            entry, sha256 = shown.inspection.entry, shown.inspection.photo_sha256
            with CorrectionLog(self.log_path) as by_hand:
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
        step = steps[-1]
        kinds = changes(step.before, step.after)
        with CorrectionLog(self.log_path) as by_hand:
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

    def _append(self, step: Step, seen: int) -> bool:
        changed = changes(step.before, step.after)
        names = ("bit", "flute", "parts", "view")
        place = {"trial": self.trial.name} | {name: getattr(step.entry, name) for name in names}
        with CorrectionLog(self.log_path) as by_hand:
            by_hand.append(logged(place, step.photo_sha256, changed, self.who), seen=seen)
        self._seen[step.photo_sha256] = (step.after, seen + len(changed))
        return bool(changed)


def state_of(entry: PhotoEntry, records: Sequence[Record], refusal: str) -> PhotoState:
    """How a photo stands with these numbers, or refused as a whole."""
    if refusal:
        return PhotoState(entry, "refused", refusal)
    if not records:
        return PhotoState(entry, "to measure")
    for row in records:
        if row.status == "doubtful":
            return PhotoState(entry, "doubtful", row.note)
    return PhotoState(entry, "done")


def _place(entry: PhotoEntry) -> tuple[Any, ...]:
    return entry.bit, entry.flute, entry.parts, entry.view


def _refusals(path: Path) -> Mapping[str, str]:
    """What the last run refused, by file as the trial names it."""
    try:
        with path.open(newline="", encoding="utf-8") as file:
            return {row["photo"]: row["refusal"] for row in csv.DictReader(file)}
    except (OSError, KeyError):
        return {}
