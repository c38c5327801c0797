"""What a script of a shop's own needs: measure a trial or one photo of it, and decide between its bits."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import overload

from wearscope.economics.decision import outcome_of
from wearscope.economics.outcome import Outcome, Over
from wearscope.log.corrections import CorrectionLog
from wearscope.log.records import Record
from wearscope.log.where import log_place
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.measured import measured
from wearscope.pipeline.photo_result import PhotoResult
from wearscope.pipeline.pictures import look_again, same_as_others
from wearscope.pipeline.pool import Jobs
from wearscope.pipeline.results import BatchResult
from wearscope.pipeline.run import inspect_beside, measure_trial
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial


@overload
def measure(
    trial: Trial,
    photo: None = None,
    *,
    out_dir: Path | None = None,
    jobs: Jobs = None,
    again: bool = False,
) -> BatchResult: ...


@overload
def measure(trial: Trial, photo: PhotoEntry, *, out_dir: Path | None = None) -> PhotoResult: ...


def measure(
    trial: Trial,
    photo: PhotoEntry | None = None,
    *,
    out_dir: Path | None = None,
    jobs: Jobs = None,
    again: bool = False,
) -> BatchResult | PhotoResult:
    """Measure a whole trial, as ``wearscope measure`` does, or one photo of it, of which nothing is kept.

    Parameters
    ----------
    trial : Trial
    photo : PhotoEntry, optional
        One of ``trial.photos``.
    out_dir : Path, optional
        Where the wear log and ``results/`` are; by default beside the trial file. What people have corrected by hand
        is read from there too.
    jobs : int, Executor or Cluster, optional
        Who works on a whole trial, as in `wearscope.pipeline.run.measure_trial`; by default one process for each
        processor. A script that leaves it so must keep its own work under ``if __name__ == "__main__":``, for the
        processes read the script again.
    again : bool
        Whether to measure every photo of a trial, changed or not.

    Returns
    -------
    BatchResult or PhotoResult
        A photo that cannot be measured is in it with its refusal; it is no exception.

    Raises
    ------
    WearscopeError
        The folder cannot be written, or its wear log cannot be used.
    """
    folder = (out_dir or trial.folder).absolute()
    if photo is None:
        return measure_trial(trial, folder, jobs=jobs, again=again)
    corrections = None
    if (log := log_place(folder)).exists():
        with CorrectionLog(log) as by_hand:
            corrections = by_hand.current(trial.name)
    not_its_own = same_as_others(trial, look_again(trial, folder / "results", keep=False))
    inspector = partial(inspect_photo, corrections=corrections, not_its_own=not_its_own)
    (result,) = inspect_beside(trial, [photo], jobs=1, inspector=inspector)
    return result


def decide(
    trial: Trial,
    records: Sequence[Record] | None = None,
    *,
    out_dir: Path | None = None,
    over: Over = "parts",
) -> Outcome:
    """Decide between the bits of a trial, as ``wearscope report`` does.

    Parameters
    ----------
    trial : Trial
    records : sequence of Record, optional
        What was measured; by default what the wear log holds and still holds true.
    out_dir : Path, optional
        Where the wear log is; by default beside the trial file.
    over : {"parts", "minutes", "metres"}
        What lives are told in.

    Returns
    -------
    Outcome

    Raises
    ------
    WearscopeError
        No number holds, the log cannot be read, or `over` needs what the trial file does not say.
    """
    if records is None:
        records = measured(trial, (out_dir or trial.folder).absolute()).records
    return outcome_of(trial, records, over)
