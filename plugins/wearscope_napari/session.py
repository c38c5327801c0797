"""A trial on the bench: which photo needs an eye first, what was said of each, and measuring it. Knows no Qt."""

from __future__ import annotations

import getpass
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from time import perf_counter
from typing import Literal

from wearscope.errors import LogError, PhotoRefused, WearscopeError
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import Photo, read_photo
from wearscope.live.guide import Guide
from wearscope.live.judging_guide import JudgingGuide
from wearscope.log.corrections import (
    CorrectionLog,
    LoggedCorrection,
    standing,
)
from wearscope.log.identity import IdentityLog
from wearscope.log.inputs import Inputs
from wearscope.log.logged import PhotoPlace
from wearscope.log.records import Record
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.face_new import locate_new
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.inspection import Inspection
from wearscope.pipeline.one_photo import named
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.pipeline.pictures import Likenesses, Pictures, likenesses_in, look_at, same_as_others
from wearscope.pipeline.results import BatchResult, log_result, photos_refused
from wearscope.pipeline.run import Progress, measure_trial
from wearscope.pipeline.sources import Memory, Sources, scale_of
from wearscope.pipeline.standing import current_rows, inputs_of, place_of, standing_of
from wearscope.pipeline.time_order import in_time
from wearscope.quantities.quantity import quantity_of
from wearscope.quantities.views import VIEWS
from wearscope.report.standing_words import out_of_date_texts
from wearscope.trial import PhotoEntry, Trial
from wearscope.trial.correction import NOTHING, Correction
from wearscope_napari.corrected_trial import CorrectedTrial
from wearscope_napari.looked_at import LookedAt
from wearscope_napari.on_disk import TRIES, UnsettledError

Version = tuple[int, int] | None
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
    corrected : bool
        Whether a person has said something of it that holds.
    """

    entry: PhotoEntry
    state: State
    why: str = ""
    corrected: bool = False


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
    rests_on : mapping
        SHA-256 of each file that its numbers rest on, the trial file included.
    news : tuple of str
        What was read anew for it, for it had changed on the disk.
    """

    inspection: Inspection
    photo: Photo | None
    um_per_px: float | None
    said: Correction
    history: tuple[LoggedCorrection, ...]
    seconds: float = 0.0
    not_kept: str = ""
    rests_on: Mapping[Path, str] = field(default_factory=dict)
    news: tuple[str, ...] = ()

    @property
    def undoable(self) -> bool:
        """Whether a correction of it stands that can be taken back."""
        return bool(standing(self.history))


class Session(CorrectedTrial):
    """A trial that a person works on, always as its files are now.

    Its methods may be called from one background thread; `queue`, `undoable`, `redoable`, `refresh`, `entry_now`,
    `differ`, `picture` from another meanwhile.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Where ``wear-log.sqlite`` and ``results/`` are.
    who : str, optional
        Who corrects; by default who is logged in.
    """

    def __init__(self, trial: Trial, out_dir: Path, who: str | None = None) -> None:
        super().__init__(trial, out_dir, getpass.getuser() if who is None else who)
        self._states: dict[PhotoPlace, PhotoState] = {}
        self._memory = Memory()
        self._looked_at = LookedAt()
        self._likenesses: Likenesses | None = None
        self._pictures: tuple[Trial, dict[Path, Version], Pictures] | None = None

    # --- Which photo needs an eye first

    def read_states(self) -> None:
        """Find out how each photo stands: what of the wear log still holds, and what was refused."""
        self.refresh()
        self.admit()
        trial, refusals = self.trial, {}
        with suppress(WearscopeError):  # a spoilt list; the log knows of all but those that could not be read
            refusals = photos_refused(self.out_dir / "results")
        with WearLog(self.log_place) as log, CorrectionLog(self.log_place) as by_hand:
            corrections, also = by_hand.current(trial.name), self.pictures().files_also
            inputs = inputs_of(trial, trial.photos, corrections, self.disk.checksums.of, also)
            standing = standing_of(log, trial, inputs)
            rows = in_time(current_rows(log, trial, inputs))
        by_place: dict[PhotoPlace, list[Record]] = {}
        for row in rows:
            by_place.setdefault((row.bit, row.flute, row.parts, row.view), []).append(row)
        why = out_of_date_texts(standing)
        for entry, stands in standing.items():
            place = place_of(entry)
            refusal = stands.last.refusal if stands.state == "refused" and stands.last is not None else ""
            if stands.state == "missing":
                refusal = refusals.get(place, "")
            known = state_of(entry, by_place.get(place, []), refusal)
            said = corrections.get(self.disk.checksums.of(entry.path), NOTHING)
            self._states[place] = replace(known, why=why.get(entry, known.why), corrected=not said.empty)

    def queue(self) -> list[PhotoState]:
        """The photos, those first that need an eye; else in the order of the trial."""
        states = []
        for entry in self.trial.photos:
            known = self._states.get(place_of(entry), PhotoState(entry, "to measure"))
            states.append(replace(known, entry=entry))
        return sorted(states, key=lambda state: ORDER.index(state.state))

    # --- Measuring

    def scales(self) -> Mapping[str, Scale]:
        """The trial's scales, by the graticules as they are now."""
        return self.disk.scales()[0]

    def pictures(self) -> Pictures:
        """The trial's pictures as they are now; looked at again only where a file has changed."""
        trial = self.trial
        versions = _versions(trial)
        if self._pictures is None or self._pictures[0] is not trial or self._pictures[1] != versions:
            self._pictures = trial, versions, look_at(trial, self.likenesses())
        return self._pictures[2]

    def likenesses(self) -> Likenesses:
        """What the trial's pictures look like, as far as that has been found out."""
        if self._likenesses is None:
            self._likenesses = replace(likenesses_in(self.out_dir / "results"), by_version={})
        return self._likenesses

    def measure(self, entry: PhotoEntry) -> Measured:
        """Measure one photo by what its files and the wear log say now, and log its numbers.

        Raises
        ------
        TrialError
            The trial file is wrong now; nothing is written.
        OtherTrialError, AstrayError
            As of `admit`.
        NotListedError
            The trial does not list the photo any more.
        """
        news: dict[str, None] = {}
        for _ in range(TRIES):
            news |= dict.fromkeys(self.refresh())
            entry = self.entry_now(entry)
            self.admit()
            scales, of_scales = self.disk.scales()
            with CorrectionLog(self.log_place) as by_hand:
                said_so_far = by_hand.history(
                    self.trial.name
                )  # first: what comes after it counts as not seen
                corrections = by_hand.current(self.trial.name)
            inputs = self._inputs(entry, corrections)
            files = self._files(entry, inputs)
            if of_photos := self.disk.photos_changed(files):
                self._memory = Memory()
            news |= dict.fromkeys((*of_scales, *of_photos))
            start = perf_counter()
            found = self._inspect(entry, inputs, scales, corrections)
            seconds = perf_counter() - start
            if self._holds(found, inputs, corrections):
                break
            self._memory = Memory()
        else:
            raise UnsettledError.of(f"what {entry.file} rests on")
        files |= self.trial_file | {one.path: self.disk.checksums.of(one.path) for one in self._flute(entry)}
        sha256, said = found.photo_sha256, corrections.get(found.photo_sha256, NOTHING)
        history = tuple(row for row in said_so_far if row.photo_sha256 == sha256)
        result, not_kept = self._keep(found, inputs)
        found = replace(found, records=self._in_time(entry, found.records))
        state = state_of(entry, found.records, result.refusal)
        self._states[place_of(entry)] = replace(state, corrected=not said.empty)
        self._seen[sha256] = (said, len(history))
        photo, um_per_px = _photo_of(found, scales, said)
        return Measured(found, photo, um_per_px, said, history, seconds, not_kept, files, tuple(news))

    def read_ahead(self, entry: PhotoEntry) -> None:
        """Inspect a photo before it is asked for; nothing is written, and `measure` does so if all is as it was."""
        with suppress(WearscopeError):
            self.refresh()
            entry = self.entry_now(entry)
            scales, _ = self.disk.scales()
            with CorrectionLog(self.log_place) as by_hand:
                corrections = by_hand.current(self.trial.name)
            inputs = self._inputs(entry, corrections)
            if not self.disk.photos_changed(self._files(entry, inputs)):
                self._inspect(entry, inputs, scales, corrections)

    def picture(self, entry: PhotoEntry) -> Photo:
        """A photo as it is to be seen, before it is measured.

        Raises
        ------
        PhotoRefused
            It cannot be read.
        """
        sha256 = self.disk.checksums.of(entry.path)
        return self._looked_at.photo(entry, place_of(entry), sha256) or read_photo(entry.path)

    def guide(self, entry: PhotoEntry) -> Guide | JudgingGuide:
        """What leads to a good picture for an entry that the trial does not list yet; from any thread."""
        trial = self.trial
        if not VIEWS[entry.view].shows_transition:
            return JudgingGuide(trial, entry, self.scales())
        with CorrectionLog(self.log_place) as by_hand:
            sources = Sources(self.scales(), by_hand.current(trial.name), Memory())
        new_entry, new = trial.new_state(entry), None
        if new_entry is not None and VIEWS[entry.view].holds("edge_recession"):
            with suppress(PhotoRefused):
                new = locate_new(trial, new_entry, sources)
        return Guide(entry, sources.scales, new)

    def _inspect(
        self,
        entry: PhotoEntry,
        inputs: Inputs,
        scales: Mapping[str, Scale],
        corrections: Mapping[str, Correction],
    ) -> Inspection:
        """What a photo gives; found out once while all that it rests on stays as it is."""
        trial, place = self.trial, place_of(entry)
        found = self._looked_at.found(place, trial, inputs)
        if found is None or found.entry != entry:
            not_its_own = same_as_others(trial, self.pictures())
            found = inspect_photo(trial, entry, scales, corrections, self._memory, not_its_own)
            if found.photo_sha256 and self._holds(found, inputs, corrections):
                self._looked_at.keep(place, trial, inputs, found)
        return found

    def _holds(self, found: Inspection, inputs: Inputs, corrections: Mapping[str, Correction]) -> bool:
        """Whether what a photo rests on is still as it was before it was inspected."""
        return (
            found.photo_sha256 in ("", inputs.photo.photo_sha256)
            and self.disk.is_as_read()
            and self._inputs(found.entry, corrections) == inputs
        )

    def _inputs(self, entry: PhotoEntry, corrections: Mapping[str, Correction]) -> Inputs:
        also = self.pictures().files_also
        return inputs_of(self.trial, [entry], corrections, self.disk.checksums.of, also)[entry]

    def _in_time(self, entry: PhotoEntry, records: Sequence[Record]) -> tuple[Record, ...]:
        """Rows of a photo, doubtful where they contradict those of other checkpoints."""
        others = [row for row in self.earlier(entry) if row.parts != entry.parts] if records else []
        return in_time([*records, *others])[: len(records)]

    def _files(self, entry: PhotoEntry, inputs: Inputs) -> dict[Path, str]:
        """Photos and graticules that the numbers of a photo rest on, as they were when they were looked at."""
        found = {}
        new = self.trial.new_state(entry)
        for one, known in ((entry, inputs.photo), (new, inputs.new_state)):
            if one is None or known is None:
                continue
            found[one.path] = known.photo_sha256
            graticule = None if one.um_per_px is not None else self.trial.scale(one.scale).graticule_path
            if graticule is not None:
                found[graticule] = known.graticule_sha256
        return found

    def _keep(self, found: Inspection, inputs: Inputs) -> tuple[PhotoResult, str]:
        """Log what was found, a refusal too; what cannot be logged is said."""
        entry = found.entry
        refusal = named(entry, found.refusal) if found.refusal else ""
        result = PhotoResult(
            entry,
            found.photo_sha256,
            found.records,
            refusal,
            found.warnings,
            refusal_code=found.refusal_code,
        )
        try:
            with WearLog(self.log_place) as log, IdentityLog(self.log_place) as known:
                known.claim(self.trial.name, self.trial.path)
                return log_result(log, self.trial, result, inputs), ""
        except LogError as problem:
            return result, str(problem)

    def measure_all(self, progress: Progress, jobs: int | None = None) -> BatchResult:
        """Measure every photo, as ``wearscope measure`` does; an exception from `progress` ends it early."""
        self.refresh()
        try:
            return measure_trial(self.trial, self.out_dir, jobs=jobs, progress=progress)
        finally:
            self.read_states()

    def resting_on(self, entry: PhotoEntry) -> list[PhotoEntry]:
        """Photos whose numbers rest on this one too: the later ones of a flute on its new-state photo."""
        place, found = place_of(entry), []
        for photo in self.trial.photos:
            new = self.trial.new_state(photo)
            if new is not None and place_of(new) == place != place_of(photo):
                found.append(photo)
        return found

    def corrections_made(self) -> int:
        """How many rows of corrections the wear log holds of the trial."""
        with CorrectionLog(self.log_place) as by_hand:
            return len(by_hand.history(self.trial.name))

    def corrected_after(self, rows: int) -> list[PhotoEntry]:
        """Photos corrected since there were so many rows, and those whose numbers rest on them."""
        with CorrectionLog(self.log_place) as by_hand:
            late = by_hand.history(self.trial.name)[rows:]
        places = {(row.bit, row.flute, row.parts, row.view) for row in late}
        corrected = [entry for entry in self.trial.photos if place_of(entry) in places]
        resting = [photo for entry in corrected for photo in self.resting_on(entry)]
        return list(dict.fromkeys([*corrected, *resting]))

    def earlier(self, entry: PhotoEntry) -> list[Record]:
        """Rows of all checkpoints of a flute that hold now, this one included."""
        photos = self._flute(entry)
        with WearLog(self.log_place) as log, CorrectionLog(self.log_place) as by_hand:
            corrections = by_hand.current(self.trial.name)
            also = self.pictures().files_also
            inputs = inputs_of(self.trial, photos, corrections, self.disk.checksums.of, also)
            return list(current_rows(log, self.trial, inputs))

    def _flute(self, entry: PhotoEntry) -> list[PhotoEntry]:
        flute = (entry.bit, entry.flute, entry.view)
        return [one for one in self.trial.photos if (one.bit, one.flute, one.view) == flute]


def _versions(trial: Trial) -> dict[Path, Version]:
    """Time of change and size of each picture of a trial; None for one that is not there."""
    paths = [entry.path for entry in trial.photos]
    paths += [scale.graticule_path for scale in trial.scales if scale.graticule_path]
    found: dict[Path, Version] = {}
    for path in paths:
        found[path] = None
        with suppress(OSError):
            seen = path.stat()
            found[path] = seen.st_mtime_ns, seen.st_size
    return found


def state_of(entry: PhotoEntry, records: Sequence[Record], refusal: str) -> PhotoState:
    """How a photo stands with these numbers, or refused as a whole."""
    if refusal:
        return PhotoState(entry, "refused", refusal)
    if not records:
        return PhotoState(entry, "to measure")
    doubtful = [row for row in records if row.status == "doubtful"]
    for row in doubtful:
        if quantity_of(row.quantity).main:
            return PhotoState(entry, "doubtful", row.note)
    return PhotoState(entry, "done", doubtful[0].note if doubtful else "")


def _photo_of(
    found: Inspection, scales: Mapping[str, Scale], said: Correction
) -> tuple[Photo | None, float | None]:
    """The photo to show, and its µm per pixel; None for what there is not."""
    if found.on_photo:
        return found.on_photo.located.photo, found.on_photo.located.photo_um_per_px
    photo = None
    try:
        photo = read_photo(found.entry.path)
        return photo, scale_of(found.entry, scales, said, photo).um_per_px
    except PhotoRefused:
        return photo, None  # the inspection says so too
