"""A whole trial: every photo inspected, by many processes or a cluster, and the results written."""

from __future__ import annotations

import csv
import multiprocessing
import os
import re
import signal
import traceback
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from hashlib import file_digest
from pathlib import Path
from typing import TypeVar

import cv2

from wearscope import __version__
from wearscope.errors import PhotoRefused, WearscopeError
from wearscope.imaging.calibration.scale import Scale
from wearscope.imaging.photo import read_photo
from wearscope.log.corrections import CorrectionLog
from wearscope.log.export import write_measurements, write_table
from wearscope.log.records import Record
from wearscope.log.wear_log import LOG_NAME, LoggedInspection, WearLog
from wearscope.metrology.uncertainty import Budget
from wearscope.pipeline.inspect import inspect_photo, judge_photo
from wearscope.pipeline.inspection import Inspection, Judgement
from wearscope.pipeline.sources import read_scales
from wearscope.quantities.quantity import Zone
from wearscope.report.sheets.comparison import draw_sheet
from wearscope.report.sheets.section import draw_section_sheet
from wearscope.trial import PhotoEntry, Trial

Progress = Callable[[int, int, PhotoEntry], None]
"""Called after each photo with the number done, the number of all, and the photo."""

Inspector = Callable[[Trial, PhotoEntry, Mapping[str, Scale]], Inspection]
Judge = Callable[[Trial, PhotoEntry, Mapping[str, Scale]], Judgement]

REFUSED_NAME = "refused.csv"
_AnswerT = TypeVar("_AnswerT")


@dataclass(frozen=True)
class PhotoResult:
    """What came of one photo.

    Attributes
    ----------
    entry : PhotoEntry
    photo_sha256 : str
        Empty if the file cannot be read, or was not.
    records : tuple of Record
        Rows with status ``refused`` included.
    refusal : str
        Why the photo as a whole was not measured, and the cure; empty if it was.
    warnings : tuple of str
        One line each.
    sheet : Path or None
        Its comparison sheet.
    known : bool
        False if the work was cut off before anything was known about the photo.
    budgets : mapping
        As in `Inspection`; they are not kept in the wear log.
    """

    entry: PhotoEntry
    photo_sha256: str = ""
    records: tuple[Record, ...] = ()
    refusal: str = ""
    warnings: tuple[str, ...] = ()
    sheet: Path | None = None
    known: bool = True
    budgets: Mapping[tuple[str, Zone], Budget] = field(default_factory=dict)


@dataclass(frozen=True)
class BatchResult:
    """What came of a trial.

    Attributes
    ----------
    photos : tuple of PhotoResult
        In the order of the trial.
    records : tuple of Record
        The rows of ``measurements.csv``: what the wear log now holds of the trial's photos.
    measurements, refused, wear_log : Path
        Files written.
    """

    photos: tuple[PhotoResult, ...]
    records: tuple[Record, ...]
    measurements: Path
    refused: Path
    wear_log: Path

    @property
    def refusals(self) -> tuple[PhotoResult, ...]:
        """Photos that were not measured."""
        return tuple(photo for photo in self.photos if photo.refusal)

    @property
    def sheets(self) -> tuple[Path, ...]:
        """Comparison sheets drawn."""
        return tuple(photo.sheet for photo in self.photos if photo.sheet)


@dataclass(frozen=True)
class PhotoVerdict:
    """Whether one photo is fit to be measured.

    Attributes
    ----------
    entry : PhotoEntry
    judgement : Judgement or None
        None if there is none, for the reason that `refusal` gives.
    refusal : str
        Why the photo cannot be measured, and the cure; empty if it can.
    """

    entry: PhotoEntry
    judgement: Judgement | None
    refusal: str


def measure_trial(
    trial: Trial,
    out_dir: Path,
    *,
    jobs: int | Executor | None = None,
    progress: Progress | None = None,
    inspector: Inspector | None = None,
) -> BatchResult:
    """Inspect every photo of a trial and write what was found.

    Each photo goes into the wear log as soon as it is done, so an interruption costs only those that were
    under way. A photo that is refused, or on which the program fails, does not stop the others.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Where ``wear-log.sqlite`` and ``results/`` go; made if it is not there.
    jobs : int or Executor, optional
        Number of processes, 1 for none but this one, by default one for each processor; or an executor
        that is running already, such as a Dask client's ``get_executor(pure=False)``, whose workers see
        the photos and `out_dir` under the same paths.
    progress : callable, optional
        Called with photos done, photos in all, and the photo.
    inspector : callable, optional
        What measures one photo; by default `inspect_photo`, with the corrections in the wear log.
        It must be picklable if other processes are to call it.

    Returns
    -------
    BatchResult
        The same whatever `jobs` is.

    Raises
    ------
    WearscopeError
        `out_dir` cannot be written, or its wear log cannot be used. Where that can be known, no photo has
        been read yet.
    KeyboardInterrupt
        Interrupted; the wear log and ``measurements.csv`` hold the photos that were finished.
    """
    folder = out_dir / "results"
    sheets = folder / "sheets"
    measurements, refused = folder / "measurements.csv", folder / REFUSED_NAME
    require_writable([sheets, folder, out_dir], [measurements, refused])
    sheet_of = {entry: sheets / name for entry, name in sheet_names(trial).items()}
    done: dict[PhotoEntry, PhotoResult] = {}
    with WearLog(out_dir / LOG_NAME) as log, CorrectionLog(out_dir / LOG_NAME) as by_hand:
        inspector = inspector or partial(inspect_photo, corrections=by_hand.current(trial.name))
        try:
            with closing(_measured(trial, sheet_of, jobs, inspector)) as results:
                for entry, result in ((r.entry, log_result(log, trial, r)) for r in results):
                    if result.records and result.sheet is None:
                        sheet_of[entry].unlink(missing_ok=True)  # of an earlier run, and now out of date
                    done[entry] = result
                    if progress:
                        progress(len(done), len(trial.photos), entry)
        finally:
            photos = tuple(done[entry] for entry in trial.photos if entry in done)
            records = current_rows(log, trial)
            write_measurements(measurements, records)
            _write_refusals(refused, photos)
    return BatchResult(photos, records, measurements, refused, out_dir / LOG_NAME)


def judge_trial(
    trial: Trial,
    *,
    jobs: int | Executor | None = None,
    progress: Progress | None = None,
    judge: Judge = judge_photo,
) -> tuple[PhotoVerdict, ...]:
    """Judge every photo of a trial; nothing is measured or written.

    Parameters
    ----------
    trial : Trial
    jobs : int or Executor, optional
        As in `measure_trial`.
    progress : callable, optional
        As in `measure_trial`.
    judge : callable, optional
        What judges one photo; must be picklable if other processes are to call it.

    Returns
    -------
    tuple of PhotoVerdict
        In the order of the trial.
    """
    scales, refused_scales = read_scales(trial)
    no_scale = _without_scale(trial.photos, refused_scales)
    done = {entry: PhotoVerdict(entry, None, line) for entry, line in no_scale.items()}
    calls = {entry: partial(judge, trial, entry, scales) for entry in trial.photos if entry not in no_scale}
    with _executor(jobs, len(calls)) as executor, closing(_answers(calls, executor)) as answers:
        for entry, answer in answers:
            done[entry] = _verdict(entry, answer)
            if progress:
                progress(len(done), len(trial.photos), entry)
    return tuple(done[entry] for entry in trial.photos)


def inspect_beside(
    trial: Trial,
    entries: Sequence[PhotoEntry],
    *,
    jobs: int | Executor | None = None,
    inspector: Inspector = inspect_photo,
) -> Generator[PhotoResult, None, None]:
    """Inspect further photos of a trial's flutes; nothing is drawn, logged or written.

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
    for entry, line in no_scale.items():
        yield PhotoResult(entry, sha256_of(entry.path), refusal=line)
    calls = {
        entry: partial(_measure, inspector, trial, entry, scales, None, ())
        for entry in entries
        if entry not in no_scale
    }
    with _executor(jobs, len(calls)) as executor, closing(_answers(calls, executor)) as answers:
        for entry, answer in answers:
            yield _failed(entry, answer) if isinstance(answer, _Failure) else answer


def sheet_names(trial: Trial) -> dict[PhotoEntry, str]:
    """File name of each photo's comparison sheet, safe on every system and no two alike.

    Such as ``Wren-flute1-0150parts.png``; the view is added where several show one flute and checkpoint.
    """
    bit_names = _file_names(bit.name for bit in trial.bits)
    digits = max([4, *(len(str(entry.parts)) for entry in trial.photos)])  # so that names rarely change
    views: dict[tuple[str, int, int], int] = {}
    for entry in trial.photos:
        place = (entry.bit, entry.flute, entry.parts)
        views[place] = views.get(place, 0) + 1
    names = {}
    for entry in trial.photos:
        view = f"-{entry.view}" if views[entry.bit, entry.flute, entry.parts] > 1 else ""
        names[entry] = f"{bit_names[entry.bit]}-flute{entry.flute}-{entry.parts:0{digits}}parts{view}.png"
    return names


def _file_names(names: Iterator[str]) -> dict[str, str]:
    """Part of a file name for each name; names that differ stay different, even where case does not count."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        base = re.sub(r"[^\w.+-]+", "_", name).strip("._")[:60] or "bit"
        candidate, number = base, 1
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{base}_{number}"
        taken.add(candidate.casefold())
        found[name] = candidate
    return found


# --- One photo, wherever it is worked on ----------------------------------------------------------------


def _measured(
    trial: Trial, sheet_of: Mapping[PhotoEntry, Path], jobs: int | Executor | None, inspector: Inspector
) -> Generator[PhotoResult, None, None]:
    """Yield the result of each photo as it comes; new-state photos first, for later sheets quote them."""
    scales, refused_scales = read_scales(trial)
    no_scale = _without_scale(trial.photos, refused_scales)
    for entry, line in no_scale.items():
        yield PhotoResult(entry, sha256_of(entry.path), refusal=line)
    entries = [entry for entry in trial.photos if entry not in no_scale]
    new_rows: dict[PhotoEntry | None, tuple[Record, ...]] = {}
    with _executor(jobs, len(entries)) as executor:
        for are_new in (True, False):
            calls = {
                entry: partial(
                    _measure,
                    inspector,
                    trial,
                    entry,
                    scales,
                    sheet_of[entry],
                    new_rows.get(trial.new_state(entry), ()),
                )
                for entry in entries
                if (entry.parts == 0) is are_new
            }
            with closing(_answers(calls, executor)) as answers:
                for entry, answer in answers:
                    result = _failed(entry, answer) if isinstance(answer, _Failure) else answer
                    new_rows[entry] = result.records
                    yield result


def _without_scale(entries: Iterable[PhotoEntry], refused_scales: Mapping[str, str]) -> dict[PhotoEntry, str]:
    """Photos whose only scale was refused, each with the line that says so."""
    return {
        entry: f'{entry.file} has no scale, for "{entry.scale}" is refused: {refused_scales[entry.scale]}'
        for entry in entries
        if entry.um_per_px is None and entry.scale in refused_scales and not _has_own_scale(entry.path)
    }


def _has_own_scale(path: Path) -> bool:
    try:
        return read_photo(path).embedded_um_per_px is not None
    except PhotoRefused:
        return False


def _measure(
    inspector: Inspector,
    trial: Trial,
    entry: PhotoEntry,
    scales: Mapping[str, Scale],
    sheet: Path | None,
    new_records: tuple[Record, ...],
) -> PhotoResult:
    """Inspect a photo and draw its sheet, if it gets one: only numbers and words travel between processes."""
    found = inspector(trial, entry, scales)
    drawn, warnings = None, [_named(entry, line) for line in found.warnings]
    if sheet is not None and (found.now or found.section) is not None and not found.refusal:
        try:
            _draw(sheet, trial, found, new_records)
            drawn = sheet
        except OSError as error:  # the numbers stand without the picture
            why = error.strerror or error
            cure = "make room there, or choose another folder with --out"
            warnings.append(f"{entry.file}: its comparison sheet cannot be written ({why}); {cure}")
        except Exception as error:
            warnings.append(_unexpected(entry.file, "its comparison sheet could not be drawn", error))
    sha256 = found.records[0].photo_sha256 if found.records else sha256_of(entry.path)
    refusal = _named(entry, found.refusal) if found.refusal else ""
    return PhotoResult(entry, sha256, found.records, refusal, tuple(warnings), drawn, budgets=found.budgets)


def _draw(sheet: Path, trial: Trial, found: Inspection, new_records: tuple[Record, ...]) -> None:
    entry = found.entry
    if found.section is not None:
        draw_section_sheet(
            sheet,
            trial_name=trial.name,
            bit=entry.bit,
            flute=entry.flute,
            parts=entry.parts,
            records=found.records,
            now=found.section,
            new=found.new_section,
            new_records=new_records,
            remarks=found.warnings,
        )
    elif found.now is not None:
        draw_sheet(
            sheet,
            trial_name=trial.name,
            bit=entry.bit,
            flute=entry.flute,
            parts=entry.parts,
            view=entry.view,
            records=found.records,
            now=found.now,
            new=found.new,
            new_records=new_records,
            remarks=found.warnings,
        )


def _named(entry: PhotoEntry, line: str) -> str:
    """Have the line name the photo as the trial file does: the bare file name may be that of many."""
    if entry.file in line or str(entry.path) in line:
        return line
    return f"{entry.file}: {line.removeprefix(f'{entry.path.name}: ')}"


def sha256_of(path: Path) -> str:
    """Checksum of a file's content, in hexadecimal; empty if it cannot be read."""
    try:
        with path.open("rb") as file:
            return file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def _unexpected(file: str, what: str, error: Exception) -> str:
    """Line on a failure of the program, with the place in the code that a report needs."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" in {Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else ""
    said = " ".join(str(error).split())
    return f"{file}: {what} ({type(error).__name__}{place}: {said}); please report this with the photo"


# --- Many photos ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Failure:
    """What is sent in place of an answer; `known` as in `PhotoResult`."""

    line: str
    known: bool


def _failed(entry: PhotoEntry, failure: _Failure) -> PhotoResult:
    sha256 = sha256_of(entry.path) if failure.known else ""
    return PhotoResult(entry, sha256, refusal=failure.line, known=failure.known)


def _verdict(entry: PhotoEntry, answer: Judgement | _Failure) -> PhotoVerdict:
    if isinstance(answer, _Failure):
        return PhotoVerdict(entry, None, answer.line)
    refusal = _named(entry, " ".join(answer.remarks)) if answer.verdict == "refused" else ""
    return PhotoVerdict(entry, answer, refusal)


def _answers(
    calls: Mapping[PhotoEntry, Callable[[], _AnswerT]], executor: Executor | None
) -> Generator[tuple[PhotoEntry, _AnswerT | _Failure], None, None]:
    """Answer for each photo as soon as it is there; without an executor, one after the other."""
    if executor is None:
        for entry, call in calls.items():
            yield entry, _guarded(entry.file, call)
        return
    with _interrupts_held():  # until the workers that this starts can die of them
        futures = {_submit(executor, entry.file, call): entry for entry, call in calls.items()}
    try:
        for future in as_completed(futures):
            yield futures[future], _answer(future, futures[future].file)
    finally:
        if not isinstance(executor, _OwnWorkers):
            for future in futures:
                future.cancel()


def _submit(executor: Executor, file: str, call: Callable[[], _AnswerT]) -> Future[_AnswerT | _Failure]:
    try:
        return executor.submit(_guarded, file, call)
    except BrokenExecutor as error:  # its workers died over an earlier photo
        future: Future[_AnswerT | _Failure] = Future()
        future.set_exception(error)
        return future


def _guarded(file: str, call: Callable[[], _AnswerT]) -> _AnswerT | _Failure:
    """Call it, and let no failure on one photo stop the others."""
    try:
        return call()
    except Exception as error:
        return _Failure(_unexpected(file, "the program failed on it", error), known=True)


def _answer(future: Future[_AnswerT | _Failure], file: str) -> _AnswerT | _Failure:
    try:
        return future.result()
    except BrokenExecutor:
        why = "a worker process died, most likely for want of memory; run again with fewer --jobs"
    except Exception as error:
        said = " ".join(str(error).split())[:150]
        why = f"its worker gave no answer ({type(error).__name__}: {said}); look at the workers and run again"
    return _Failure(f"{file} was not measured: {why}", known=False)


@contextmanager
def _executor(jobs: int | Executor | None, n_photos: int) -> Iterator[Executor | None]:
    """Executor to use; None for this process alone."""
    if isinstance(jobs, Executor):
        yield jobs
        return
    n_workers = min(_n_processors() if jobs is None else jobs, n_photos)
    if n_workers <= 1:
        yield None
        return
    executor = _OwnWorkers(n_workers)
    try:
        yield executor
    finally:
        executor.shutdown(cancel_futures=True)


class _OwnWorkers(ProcessPoolExecutor):
    """Processes of this run alone, which end with it.

    What they have not begun is dropped by `shutdown`: when workers die while single futures are being
    cancelled, as Ctrl-C would have it, the pool's own thread fails with an exception.
    """

    def __init__(self, n_workers: int) -> None:
        spawn = multiprocessing.get_context("spawn")  # a fork copies locks that other threads may be holding
        super().__init__(n_workers, mp_context=spawn, initializer=_start_worker)


def _start_worker() -> None:
    cv2.setNumThreads(1)  # the processes share the processors already
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C ends a worker without a traceback of its own
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back for the moment; processes started meanwhile hold it until they let go."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _n_processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


# --- What is kept ---------------------------------------------------------------------------------------


def require_writable(folders: list[Path], files: list[Path]) -> None:
    """Make the folders, the deepest first, and find out whether the files can be replaced."""
    for folder in folders:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            probe = folder / f".wearscope.{os.getpid()}"
            probe.touch()
            probe.unlink()
        except OSError as error:
            raise WearscopeError(
                f"{folder} cannot be written ({error.strerror})",
                "make it writable, or choose another folder with --out",
            ) from error
    for file in files:
        try:
            if file.exists():
                file.open("ab").close()
        except OSError as error:
            raise WearscopeError(
                f"{file} cannot be written ({error.strerror})", "close any program that has it open"
            ) from error


def log_result(log: WearLog, trial: Trial, result: PhotoResult) -> PhotoResult:
    """Put a result into the log; a failure instead, if it is not one that can be logged.

    Parameters
    ----------
    log : WearLog
    trial : Trial
    result : PhotoResult

    Returns
    -------
    PhotoResult
        With a refusal if its numbers could not be logged.

    Notes
    -----
    A refused photo leaves the log as it is: what an earlier, better photo gave is not lost by it.
    """
    if result.refusal or not result.known:
        return result
    made = LoggedInspection(
        trial=trial.name,
        bit=result.entry.bit,
        flute=result.entry.flute,
        parts=result.entry.parts,
        view=result.entry.view,
        photo=result.entry.file,
        photo_sha256=result.photo_sha256,
        refusal=result.refusal,
        wearscope_version=__version__,
        inspected_at=datetime.now(UTC).isoformat(timespec="seconds"),
    )
    try:
        log.append(made, result.records)
    except ValueError as error:
        line = _unexpected(result.entry.file, "its measurements make no sense", error)
        log.append(replace(made, refusal=line), ())
        return replace(result, records=(), refusal=line, sheet=None)
    return result


def current_rows(log: WearLog, trial: Trial) -> tuple[Record, ...]:
    """Rows that the wear log holds now of the photos that a trial lists."""
    listed = {(entry.bit, entry.flute, entry.parts, entry.view) for entry in trial.photos}
    rows = log.current(trial=trial.name)
    return tuple(row for row in rows if (row.bit, row.flute, row.parts, row.view) in listed)


def photos_refused(folder: Path) -> dict[tuple[str, int, int, str], str]:
    """Why photos were refused when a trial was last measured, by bit, flute, parts and view.

    Parameters
    ----------
    folder : Path
        The results folder.

    Returns
    -------
    dict
        Empty if nothing was measured into this folder.

    Raises
    ------
    WearscopeError
        ``refused.csv`` cannot be read.
    """
    path = folder / REFUSED_NAME
    if not path.exists():
        return {}
    try:
        with path.open(newline="", encoding="utf-8") as file:
            return {
                (row["bit"], int(row["flute"]), int(row["parts"]), row["view"]): row["refusal"]
                for row in csv.DictReader(file)
            }
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WearscopeError(
            f"{path} cannot be read, or is not as it was written", "delete it and run wearscope measure again"
        ) from error


def _write_refusals(path: Path, photos: tuple[PhotoResult, ...]) -> None:
    columns = ("bit", "flute", "parts", "view", "photo", "refusal")
    refused = [photo for photo in photos if photo.refusal]
    write_table(
        path,
        columns,
        ((p.entry.bit, p.entry.flute, p.entry.parts, p.entry.view, p.entry.file, p.refusal) for p in refused),
    )
