"""All trials below a folder: what each came to, as far as its report says what its wear log holds now."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.files import read_file
from wearscope.log.identity import IdentityLog
from wearscope.log.place import LOG_NAME
from wearscope.log.where import log_place
from wearscope.pipeline.measured import last_measured, measure_command, measured, stands
from wearscope.pipeline.published import PUBLISHED_NAME, still_published, trial_published, what_is_said
from wearscope.report.history_curves import TriedCurve, curves_of
from wearscope.report.history_words import History, TriedBit
from wearscope.trial import Trial, load_trial

USUAL_NAME = "trial.toml"
RESULT_BYTES = 200_000_000  # most that an outcome.json may hold: ten times what a hundred bits take; chosen


@dataclass(frozen=True)
class FoundTrials:
    """Trials in a folder and below it.

    Attributes
    ----------
    measured : tuple of (Path, Path)
        Trial file, and the folder that holds its wear log and ``results/``: its own, or one named with ``--out``.
    lost : tuple of Path
        Folders with a wear log whose trial file is not where it was.
    not_measured : tuple of Path
        Trial files of which there is no wear log in the folder.
    """

    measured: tuple[tuple[Path, Path], ...]
    lost: tuple[Path, ...]
    not_measured: tuple[Path, ...]


def trials_below(folder: Path) -> FoundTrials:
    """Trials in a folder and below it, and what was measured of them.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    FoundTrials

    Raises
    ------
    WearscopeError
        None was measured.
    """
    there = {log.parent for log in folder.rglob(LOG_NAME)}
    there |= {noted.parent.parent for noted in folder.rglob(f"results/{PUBLISHED_NAME}")}
    measured_ones: list[tuple[Path, Path]] = []
    lost = []
    for each in sorted(there):
        files = _trial_files(each)
        measured_ones += [(file, each) for file in files]
        lost += [] if files else [each]
    if not measured_ones:
        raise WearscopeError(
            f"{folder}: no trial was measured in it or below",
            "name the folder that holds the trials, and measure them first",
        )
    known = {file.resolve() for file, _ in measured_ones}
    others = (file for file in sorted(folder.rglob(USUAL_NAME)) if file.resolve() not in known)
    return FoundTrials(tuple(measured_ones), tuple(lost), tuple(others))


def _trial_files(out_dir: Path) -> list[Path]:
    """Trial files of what lies in a folder of results: the one beside it, or those that its wear log knows."""
    beside = out_dir / trial_published(out_dir / "results")
    if beside.is_file():
        return [beside]
    try:
        with IdentityLog(log_place(out_dir)) as log:
            return log.files()
    except WearscopeError:
        return []


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
    there = trials_below(folder)
    left_out += [
        f"{each}: the trial file of its wear log is not where it was; put it back, "
        f"or measure it again with --out {each}"
        for each in there.lost
    ]
    for path, out_dir in there.measured:
        try:
            trial = load_trial(path)
            told = _told(trial, out_dir)
        except WearscopeError as problem:
            left_out += [f"{path}: {line.removeprefix(f'{path}: ')}" for line in str(problem).splitlines()]
            continue
        if told is None:
            command = measure_command(trial, out_dir)
            left_out.append(f"{path}: its report does not say what is measured now; run {command}")
            continue
        of_year, verdict = told
        if year is None or any(one.last_measured.startswith(f"{year:04d}-") for one in of_year):
            bits += of_year
            verdicts.append((trial.name, verdict))
    bits.sort(key=lambda one: (one.kind.casefold(), one.last_measured, one.trial, one.bit))
    not_seen = tuple(
        f"{path}: not measured here; if its wear log was put elsewhere with --out, name a folder that holds both"
        for path in there.not_measured
    )
    return History(tuple(bits), tuple(verdicts), tuple(left_out), not_seen)


def _told(trial: Trial, out_dir: Path) -> tuple[list[TriedBit], str] | None:
    """What the report of a trial says; None where it does not say what the wear log holds now."""
    published = still_published(out_dir / "results", what_is_said(trial, out_dir, stands(trial, out_dir)))
    if published is None or "rows" not in published.said:
        return None
    days = published.said.get("measured")
    if days is None:
        days = last_measured(measured(trial, out_dir).records)
    curves = _curves(out_dir / "results")
    bits = []
    for row in published.said["rows"]:
        bit = trial.bit(row["bit"])
        cut = max((photo.parts for photo in trial.photos_of(bit.name)), default=0)
        own = bit.workpiece or trial.workpiece or ""
        about = (days.get(bit.name, ""), cut, row["life"], row["cost"], row["using_up"])
        bits.append(TriedBit(bit.make, bit.name, trial.name, own, *about, curves.get(bit.name, ())))
    return bits, published.said["verdict"]


def _curves(results: Path) -> dict[str, tuple[TriedCurve, ...]]:
    """Wear curves of each bit, out of the file that the report was published with; nothing where there is none."""
    try:
        document = json.loads(read_file(results / "outcome.json", RESULT_BYTES))
        return {bit["bit"]: curves_of(bit) for bit in document["bits"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
