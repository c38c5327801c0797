"""A whole trial: every photo measured, its rows logged as soon as they are there, its sheet drawn."""

from __future__ import annotations

from collections.abc import Callable, Generator, Hashable, Iterable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from wearscope.errors import PhotoRefused
from wearscope.files import checksum_of
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import read_photo
from wearscope.log.corrections import CorrectionLog
from wearscope.log.export import clear_parts, write_measurements
from wearscope.log.identity import IdentityLog
from wearscope.log.place import LogPlace
from wearscope.log.records import sharing_texts
from wearscope.log.wear_log import WearLog
from wearscope.log.where import log_place
from wearscope.pipeline.astray import astray_from, astray_lines, require_nothing_renamed
from wearscope.pipeline.calls import ByFlute, Call, Failure
from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.kept_judgements import keep_judgements, kept_judgements
from wearscope.pipeline.one_photo import Inspector, Measured, draw, measure, measure_alone, named
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.pipeline.pictures import Pictures, look_again, look_at, same_as_others
from wearscope.pipeline.pool import Jobs, crew_for, work_off
from wearscope.pipeline.results import (
    REFUSED_NAME,
    BatchResult,
    PhotoVerdict,
    log_result,
    require_writable,
    sheet_names,
    write_refusals,
)
from wearscope.pipeline.sources import memory_of_new_states, read_scales
from wearscope.pipeline.standing import current_rows, inputs_of, left_as_they_are
from wearscope.pipeline.time_order import in_time, judged_in_time
from wearscope.pipeline.views import Sheet
from wearscope.trial.correction import Correction
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial

Progress = Callable[[int, int, PhotoEntry], None]
"""Called after each photo with the number done, the number of all, and the photo."""

Judge = Callable[[Trial, PhotoEntry, Mapping[str, Scale]], Judgement]

MOST_WAITING = 16  # sheets not yet drawn; each holds some 10 MB of light until it is


def measure_trial(
    trial: Trial,
    out_dir: Path,
    *,
    jobs: Jobs = None,
    progress: Progress | None = None,
    inspector: Inspector | None = None,
    again: bool = False,
    anew: bool = False,
    budgets: bool = True,
) -> BatchResult:
    """Inspect the photos of a trial that are new or rest on something that has changed; write what was found.

    Each photo goes into the wear log as soon as it is measured, and its sheet is drawn while others are measured;
    an interruption costs only the numbers of photos that were under way. A photo that is refused, or on which the
    program fails, does not stop the others.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Where ``wear-log.sqlite`` and ``results/`` go; made if it is not there.
    jobs : int, Executor or Cluster, optional
        Number of processes, 1 for none but this one, by default one for each processor; or an executor or a
        cluster (`wearscope.pipeline.cluster.cluster_at`) that is running already, whose workers see the photos
        and `out_dir` under the same paths.
    progress : callable, optional
        Called with photos measured, photos in all, and the photo.
    inspector : callable, optional
        What measures one photo; by default `inspect_photo`, with the corrections in the wear log.
        It must be picklable if other processes are to call it.
    again : bool
        Whether to inspect every photo, changed or not.
    anew : bool
        Whether to go on where a trial, bit or flute has another name than in the wear log, and leave what stands
        there under the old one.
    budgets : bool
        Whether to keep what each uncertainty is made of; ten times the memory, where there are many photos.

    Returns
    -------
    BatchResult
        The same whatever `jobs` is.

    Raises
    ------
    WearscopeError
        `out_dir` cannot be written, or its wear log cannot be used, has another trial of this name, or holds its
        photos under another name. Where that can be known, nothing has been measured yet.
    KeyboardInterrupt
        Interrupted; the wear log and ``measurements.csv`` hold the photos that were measured.
    """
    folder = out_dir / "results"
    sheets = folder / "sheets"
    measurements, refused = folder / "measurements.csv", folder / REFUSED_NAME
    require_writable([sheets, folder, out_dir], [measurements, refused])
    for each in (sheets, folder):
        clear_parts(each)
    paths = {entry: sheets / name for entry, name in sheet_names(trial).items()}
    with (
        WearLog(log_place(out_dir)) as log,
        CorrectionLog(log.place) as by_hand,
        IdentityLog(log.place) as known,
    ):
        known.require(trial.name, trial.path)
        astray = astray_from(trial, log.place)
        if not anew:
            require_nothing_renamed(trial, log.place, astray)
        known.claim(trial.name, trial.path)
        corrections = by_hand.current(trial.name)
        pictures = look_again(trial, folder, keep=True)
        not_its_own = same_as_others(trial, pictures)
        inputs = inputs_of(trial, trial.photos, corrections, pictures.checksum, pictures.files_also)
        records = () if again else current_rows(log, trial, inputs)
        done = {} if again else left_as_they_are(log, trial, inputs, paths, records)
        done = {entry: result for entry, result in done.items() if entry not in not_its_own}
        n_left = len(done)

        def logged(result: PhotoResult) -> PhotoResult:
            return log_result(log, trial, result, inputs[result.entry])

        inspector = inspector or partial(
            inspect_photo,
            corrections=corrections,
            not_its_own=not_its_own,
            of_new_states=memory_of_new_states(),
        )
        work = _Work(trial, inspector, paths, logged, done, _refused_before(not_its_own, pictures), budgets)
        try:
            for entry in work.measured(jobs):
                if progress:
                    progress(len(done), len(trial.photos), entry)
        finally:
            if n_left < len(trial.photos):  # else nothing was logged since they were read
                records = current_rows(log, trial, inputs)
            photos = _in_time([done[entry] for entry in trial.photos if entry in done])
            write_measurements(measurements, records)
            write_refusals(refused, photos)
    lines = tuple(astray_lines(trial, log.place, astray))
    return BatchResult(photos, records, measurements, refused, log.place, n_left, lines)


def _in_time(photos: Sequence[PhotoResult]) -> tuple[PhotoResult, ...]:
    """Results whose rows are doubtful where they contradict each other in time."""
    rows = iter(in_time([row for photo in photos for row in photo.records]))
    return tuple(replace(photo, records=tuple(next(rows) for _ in photo.records)) for photo in photos)


@dataclass
class _Work:
    """What is to be done for a trial: photos to measure first, and between them the sheets of those measured.

    What is in `done` from the beginning is left as it is; what is in `refused` is not looked at.
    """

    trial: Trial
    inspector: Inspector
    sheets: Mapping[PhotoEntry, Path]
    log: Callable[[PhotoResult], PhotoResult]
    done: dict[PhotoEntry, PhotoResult]
    refused: Mapping[PhotoEntry, PhotoResult]
    budgets: bool = True
    _to_measure: ByFlute[Measured] = field(default_factory=lambda: ByFlute(()))
    _to_draw: list[tuple[Sheet, PhotoEntry | None]] = field(default_factory=list)

    def measured(self, jobs: Jobs) -> Generator[PhotoEntry, None, None]:
        """Do all of it; each photo as soon as its numbers are logged."""
        for entry, result in self.refused.items():
            self._kept(entry, result)
            yield entry
        to_do = [entry for entry in self.trial.photos if entry not in self.done]
        if not to_do:
            return
        scales, refused_scales = read_scales(self.trial)
        no_scale = _without_scale(to_do, refused_scales)
        for entry, result in no_scale.items():
            self._kept(entry, result)
            yield entry
        entries = [entry for entry in to_do if entry not in no_scale]
        entries.sort(
            key=lambda entry: entry.parts > 0
        )  # new-state photos first: later ones are laid over them
        self._to_measure = ByFlute(
            Call(
                entry,
                partial(measure, self.inspector, self.trial, entry, scales, budgets=self.budgets),
                flute=_flute(entry),
            )
            for entry in entries
        )
        shared = (self.inspector, self.trial, scales)
        with crew_for(jobs, len(entries), shared) as crew, closing(work_off(crew, self._next)) as answers:
            for call, answer in answers:
                if call.what == "draw":
                    self._drawn(call.entry, answer)
                else:
                    self._logged(call.entry, answer)
                    yield call.entry

    def _next(self, wanted: Sequence[Hashable]) -> Call[Measured] | Call[str] | None:
        """Measure, unless there is more to draw than there is room for."""
        if self._to_measure and len(self._to_draw) < MOST_WAITING:
            return self._to_measure.next(wanted)
        for at, (sheet, new) in enumerate(self._to_draw):
            if new is None or new in self.done:
                del self._to_draw[at]
                if new is not None:
                    sheet = replace(sheet, new_records=self.done[new].records)
                return Call(sheet.entry, partial(draw, sheet), "draw")
        return self._to_measure.next(wanted)

    def _logged(self, entry: PhotoEntry, answer: Measured | Failure) -> None:
        measured = Measured(_failed(entry, answer), None) if isinstance(answer, Failure) else answer
        result = self._kept(entry, measured.result)
        if result.records and measured.drawing is not None:
            remarks = measured.remarks
            path = self.sheets[entry]
            sheet = Sheet(path, self.trial.name, entry, measured.drawing, result.records, (), remarks)
            self._to_draw.append((sheet, self.trial.new_state(entry)))

    def _kept(self, entry: PhotoEntry, result: PhotoResult) -> PhotoResult:
        """Log a result; a sheet of an earlier run does not outlive it. What another process sent shares its texts."""
        result = replace(result, entry=entry, records=tuple(map(sharing_texts, result.records)))
        result = self.done[entry] = self.log(result)
        if result.known:
            with suppress(OSError):  # open in another program, where that keeps it: it is too old to be shown
                self.sheets[entry].unlink(missing_ok=True)
        return result

    def _drawn(self, entry: PhotoEntry, answer: str | Failure) -> None:
        """Keep the sheet, or the warning that there is none: the numbers stand without the picture."""
        result = self.done[entry]
        warning = answer.line if isinstance(answer, Failure) else answer
        self.done[entry] = (
            replace(result, undrawn=warning) if warning else replace(result, sheet=self.sheets[entry])
        )


def judge_trial(
    trial: Trial,
    *,
    jobs: Jobs = None,
    progress: Progress | None = None,
    judge: Judge | None = None,
    log: LogPlace | None = None,
) -> tuple[PhotoVerdict, ...]:
    """Judge every photo of a trial as it would be measured; nothing is measured.

    Photos are looked at once: where a trial has results, what was judged is kept there, and holds for as long as
    the photo and all that it rests on stay as they are.

    Parameters
    ----------
    trial : Trial
    jobs : int, Executor or Cluster, optional
        As in `measure_trial`.
    progress : callable, optional
        As in `measure_trial`.
    judge : callable, optional
        What judges one photo; must be picklable if other processes are to call it. By default `judge_photo`, with the
        corrections in the wear log.
    log : LogPlace, optional
        Wear log with what people have said of photos, if it exists.

    Returns
    -------
    tuple of PhotoVerdict
        In the order of the trial.
    """
    results = None if log is None or judge is not None else log.folder / "results"
    pictures = look_at(trial) if results is None else look_again(trial, results, keep=results.is_dir())
    not_its_own = same_as_others(trial, pictures)
    corrections = _said(trial, log)
    if judge is None:
        judge = partial(
            judge_photo,
            corrections=corrections,
            not_its_own=not_its_own,
            of_new_states=memory_of_new_states(),
        )
    refused = _refused_before(not_its_own, pictures)
    scales, refused_scales = read_scales(trial)
    refused = _without_scale(trial.photos, refused_scales) | refused
    done = {entry: PhotoVerdict(entry, None, result.refusal) for entry, result in refused.items()}
    left = [entry for entry in trial.photos if entry not in refused]
    inputs = inputs_of(trial, left, corrections, pictures.checksum, pictures.files_also) if results else {}
    known = kept_judgements(results, trial, inputs) if results else {}
    done |= {entry: PhotoVerdict(entry, each, "") for entry, each in known.items()}
    to_do = [entry for entry in left if entry not in known]
    calls = ByFlute(Call(entry, partial(judge, trial, entry, scales), flute=_flute(entry)) for entry in to_do)
    shared = (judge, trial, scales)
    try:
        with crew_for(jobs, len(to_do), shared) as crew, closing(work_off(crew, calls.next)) as answers:
            for call, answer in answers:
                done[call.entry] = _verdict(call.entry, answer)
                if progress:
                    progress(len(done), len(trial.photos), call.entry)
    finally:
        if results and to_do:
            own = (each.judgement for each in done.values() if each.judgement)
            keep_judgements(results, trial, inputs, own)
    judged = judged_in_time({entry: each.judgement for entry, each in done.items() if each.judgement})
    done |= {entry: replace(done[entry], judgement=each) for entry, each in judged.items()}
    return tuple(done[entry] for entry in trial.photos)


def inspect_beside(
    trial: Trial,
    entries: Sequence[PhotoEntry],
    *,
    jobs: Jobs = None,
    inspector: Inspector | None = None,
) -> Generator[PhotoResult, None, None]:
    """Inspect photos of a trial's flutes; nothing is drawn, logged or written.

    Parameters
    ----------
    trial : Trial
        What is known of the bits, the scales and the new state.
    entries : sequence of PhotoEntry
        Need not be photos of the trial.
    jobs, inspector
        As in `measure_trial`.

    Yields
    ------
    PhotoResult
        As they come, in any order; without a sheet.
    """
    scales, refused_scales = read_scales(trial)
    no_scale = _without_scale(entries, refused_scales)
    yield from no_scale.values()
    inspector = inspector or partial(inspect_photo, of_new_states=memory_of_new_states())
    to_do = [entry for entry in entries if entry not in no_scale]
    calls = ByFlute(
        Call(entry, partial(measure_alone, inspector, trial, entry, scales), flute=_flute(entry))
        for entry in to_do
    )
    shared = (inspector, trial, scales)
    with (
        crew_for(jobs, len(to_do), shared) as crew,
        closing(work_off(crew, calls.next)) as answers,
    ):
        for call, answer in answers:
            yield _failed(call.entry, answer) if isinstance(answer, Failure) else answer


def _flute(entry: PhotoEntry) -> tuple[str, int, str]:
    """What photos of one new state have in common."""
    return entry.bit, entry.flute, entry.view


# --- Before a photo is worked on


def _said(trial: Trial, log: LogPlace | None) -> dict[str, Correction]:
    """What people have said of the photos of a trial, by the photo's sha256."""
    if log is None or not log.exists():
        return {}
    with CorrectionLog(log) as by_hand:
        return by_hand.current(trial.name)


def _refused_before(
    not_its_own: Mapping[PhotoEntry, PhotoRefused], pictures: Pictures
) -> dict[PhotoEntry, PhotoResult]:
    """Refuse the photos that are the same picture as others."""
    return {
        entry: PhotoResult(
            entry, pictures.checksum(entry.path), refusal=str(problem), refusal_code=problem.code
        )
        for entry, problem in not_its_own.items()
    }


def _without_scale(
    entries: Iterable[PhotoEntry], refused_scales: Mapping[str, str]
) -> dict[PhotoEntry, PhotoResult]:
    """Refuse the photos whose only scale was refused, each with the line that says so."""
    return {
        entry: PhotoResult(
            entry,
            checksum_of(entry.path),
            refusal=f'{entry.file} has no scale, for "{entry.scale}" is refused: {refused_scales[entry.scale]}',
            refusal_code="scale-refused",
        )
        for entry in entries
        if entry.um_per_px is None and entry.scale in refused_scales and not _has_own_scale(entry.path)
    }


def _has_own_scale(path: Path) -> bool:
    try:
        return read_photo(path).embedded_um_per_px is not None
    except PhotoRefused:
        return False


# --- Where there is no number


def _failed(entry: PhotoEntry, failure: Failure) -> PhotoResult:
    sha256 = checksum_of(entry.path) if failure.known else ""
    return PhotoResult(entry, sha256, refusal=failure.line, known=failure.known, refusal_code=failure.code)


def _verdict(entry: PhotoEntry, answer: Judgement | Failure) -> PhotoVerdict:
    if isinstance(answer, Failure):
        return PhotoVerdict(entry, None, answer.line)
    refusal = named(entry, " ".join(answer.remarks)) if answer.verdict == "refused" else ""
    return PhotoVerdict(entry, answer, refusal)
