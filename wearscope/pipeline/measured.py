"""What the wear log says of a trial, held against its files as they are now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.log.corrections import CorrectionLog
from wearscope.log.identity import IdentityLog
from wearscope.log.notes import LoggedNote, Note
from wearscope.log.records import Record
from wearscope.log.wear_log import LoggedRecord, PhotoPlace, Standing, WearLog
from wearscope.log.where import log_place
from wearscope.pipeline.astray import astray_from, astray_lines, require_nothing_renamed
from wearscope.pipeline.pictures import look_again
from wearscope.pipeline.results import REFUSED_NAME, photos_refused
from wearscope.pipeline.standing import current_rows, inputs_of, place_of, standing_of
from wearscope.report.standing_words import standing_lines
from wearscope.trial import PhotoEntry, Trial


@dataclass(frozen=True)
class Measured:
    """What the wear log says of a trial.

    Attributes
    ----------
    records : tuple of Record
        The rows that hold now, of the photos that the trial lists.
    history : tuple of LoggedRecord
        All rows ever, in the order they were added.
    notes : tuple of Note
        Those that hold now.
    note_history : tuple of LoggedNote
    standing : mapping
        How the wear log stands to each photo that the trial lists.
    command : str
        What measures all that is out of date or missing.
    astray : tuple of str
        What the wear log holds under names that the trial file does not have, with the cure, in lines.
    """

    records: tuple[Record, ...]
    history: tuple[LoggedRecord, ...]
    notes: tuple[Note, ...]
    note_history: tuple[LoggedNote, ...]
    standing: Mapping[PhotoEntry, Standing]
    command: str
    astray: tuple[str, ...] = ()

    @property
    def behind(self) -> list[str]:
        """What is out of date or missing, why, and what to do, in lines; empty if all holds."""
        return standing_lines(self.standing, self.command)


class NothingHoldsError(WearscopeError):
    """The wear log holds no number of a trial that still holds.

    Parameters
    ----------
    what, cure : str
    before : sequence of str
        Lines to say first.
    """

    def __init__(self, what: str, cure: str, before: Sequence[str] = ()) -> None:
        super().__init__(what, cure)
        self.args = (what, cure, before)
        self.before = tuple(before)

    def __str__(self) -> str:
        return "\n".join((*self.before, super().__str__()))


def measure_command(trial: Trial, out_dir: Path) -> str:
    """What measures a trial into a folder.

    Parameters
    ----------
    trial : Trial
    out_dir : Path

    Returns
    -------
    str
    """
    elsewhere = "" if out_dir == trial.folder else f" --out {out_dir}"
    return f"wearscope measure {trial.path}{elsewhere}"


def measured(trial: Trial, out_dir: Path) -> Measured:
    """Read what the wear log says of a trial.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log.

    Returns
    -------
    Measured

    Raises
    ------
    WearscopeError
        The log cannot be read, is another trial's, or holds no number of the trial that still holds.
    """
    command = measure_command(trial, out_dir)
    with (
        WearLog(log_place(out_dir)) as log,
        CorrectionLog(log.place) as by_hand,
        IdentityLog(log.place) as known,
    ):
        known.require(trial.name, trial.path)
        astray = astray_from(trial, log.place)
        pictures = look_again(trial, out_dir / "results", keep=False)
        said = by_hand.current(trial.name)
        inputs = inputs_of(trial, trial.photos, said, pictures.checksum, pictures.files_also)
        found = Measured(
            current_rows(log, trial, inputs),
            tuple(log.history(trial=trial.name)),
            tuple(log.notes(trial=trial.name)),
            tuple(log.note_history(trial=trial.name)),
            standing_of(log, trial, inputs),
            command,
            tuple(astray_lines(trial, log.place, astray)),
        )
    if found.records:
        return found
    require_nothing_renamed(trial, log.place, astray)
    if any(each.state == "out of date" for each in found.standing.values()):
        raise NothingHoldsError(
            f"no number of {trial.name} holds any more", f"run {command}", (*found.astray, *found.behind)
        )
    if photos_refused(out_dir / "results"):
        raise NothingHoldsError(
            f"no photo of {trial.name} could be measured",
            f"do what {out_dir / 'results' / REFUSED_NAME} says of each, then run {command}",
        )
    raise NothingHoldsError(f"{log.place} holds no measurement of {trial.name}", f"run {command}")


def refusals_of(found: Measured, results: Path) -> dict[PhotoPlace, str]:
    """Why photos are refused; of those that could not be looked at, and so are not logged, the last run knows.

    Parameters
    ----------
    found : Measured
    results : Path
        The results folder.

    Returns
    -------
    dict
        By bit, flute, parts and view.
    """
    last_run = photos_refused(results)
    refusals = {}
    for entry, each in found.standing.items():
        place = place_of(entry)
        if each.state == "refused" and each.last is not None:
            refusals[place] = each.last.refusal
        elif each.state == "missing" and place in last_run:
            refusals[place] = last_run[place]
    return refusals
