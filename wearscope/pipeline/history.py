"""All trials below a folder: what each came to, as far as its report says what its wear log holds now."""

from __future__ import annotations

from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.log.wear_log import LOG_NAME
from wearscope.pipeline.measured import measure_command, measured
from wearscope.pipeline.published import PUBLISHED_NAME, still_published, trial_published, what_is_said
from wearscope.report.history_words import History, TriedBit
from wearscope.trial import Trial, load_trial


def trials_below(folder: Path) -> list[Path]:
    """Trial files beside what was measured of them, in a folder and below it.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of Path

    Raises
    ------
    WearscopeError
        There is none.
    """
    there = {log.parent for log in folder.rglob(LOG_NAME)}
    there |= {noted.parent.parent for noted in folder.rglob(f"results/{PUBLISHED_NAME}")}
    found = [each / trial_published(each / "results") for each in sorted(there)]
    found = [trial for trial in found if trial.is_file()]
    if not found:
        raise WearscopeError(
            f"{folder}: no trial was measured in it or below",
            "name the folder that holds the trials, and measure them first",
        )
    return found


def history_of(folder: Path, year: int | None = None) -> History:
    """What all trials below a folder came to.

    Parameters
    ----------
    folder : Path
    year : int, optional
        Of the last measurement; by default all.

    Returns
    -------
    History

    Raises
    ------
    WearscopeError
        There is no trial.
    """
    bits: list[TriedBit] = []
    verdicts: list[tuple[str, str]] = []
    left_out: list[str] = []
    for path in trials_below(folder):
        try:
            trial = load_trial(path)
            told = _told(trial)
        except WearscopeError as problem:
            left_out += [f"{path}: {line.removeprefix(f'{path}: ')}" for line in str(problem).splitlines()]
            continue
        if told is None:
            command = measure_command(trial, trial.folder)
            left_out.append(f"{path}: its report does not say what is measured now; run {command}")
            continue
        of_year, verdict = told
        if year is None or any(one.last_measured.startswith(f"{year:04d}-") for one in of_year):
            bits += of_year
            verdicts.append((trial.name, verdict))
    bits.sort(key=lambda one: (one.kind.casefold(), one.last_measured, one.trial, one.bit))
    return History(tuple(bits), tuple(verdicts), tuple(left_out))


def _told(trial: Trial) -> tuple[list[TriedBit], str] | None:
    """What the report of a trial says; None where it does not say what the wear log holds now."""
    found = measured(trial, trial.folder)
    published = still_published(trial.folder / "results", what_is_said(trial, trial.folder, found))
    if published is None or "rows" not in published.said:
        return None
    days: dict[str, str] = {}
    for record in found.records:
        days[record.bit] = max(days.get(record.bit, ""), record.measured_at[:10])
    bits = []
    for row in published.said["rows"]:
        bit = trial.bit(row["bit"])
        cut = max((photo.parts for photo in trial.photos if photo.bit == bit.name), default=0)
        own = bit.workpiece or trial.workpiece or ""
        about = (days.get(bit.name, ""), cut, row["life"], row["cost"], row["using_up"])
        bits.append(TriedBit(bit.make, bit.name, trial.name, own, *about))
    return bits, published.said["verdict"]
