"""What the wear log says of a trial, held against its files as they are now."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.log.astray import Astray
from wearscope.log.corrections import CorrectionLog
from wearscope.log.csv_lines import Listed
from wearscope.log.identity import IdentityLog
from wearscope.log.inputs import Inputs, NamedInputs
from wearscope.log.log_rows import LogRows
from wearscope.log.logged import Compared, PhotoPlace, Standing
from wearscope.log.notes import LoggedNote, Note
from wearscope.log.records import Record, none_collected
from wearscope.log.wear_log import WearLog
from wearscope.log.where import log_place
from wearscope.pipeline.astray import astray_from, astray_lines, require_nothing_renamed
from wearscope.pipeline.pictures import look_again
from wearscope.pipeline.results import REFUSED_NAME, photos_refused
from wearscope.pipeline.standing import inputs_of, place_of
from wearscope.pipeline.time_order import in_time
from wearscope.report.standing_words import standing_lines
from wearscope.trial import PhotoEntry, Trial


@dataclass(frozen=True)
class Looked:
    """A trial and its files as they were found, which a command looks at once.

    Attributes
    ----------
    inputs : mapping
        What the numbers of each photo would rest on now.
    named : mapping
        The same inputs as the log has them, by where the numbers stand.
    astray : tuple of Astray
        What of the wear log has lost its place.
    held : Compared or None
        What the wear log was found to hold then, where that was asked.
    """

    inputs: Mapping[PhotoEntry, Inputs]
    named: Mapping[PhotoPlace, NamedInputs]
    astray: tuple[Astray, ...]
    held: Compared | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Stands:
    """How the wear log stands to a trial as its files are now, without the numbers.

    Attributes
    ----------
    notes : tuple of Note
        Those that hold now.
    note_history : tuple of LoggedNote
    standing : mapping
        How the wear log stands to each photo that the trial lists.
    command : str
        What measures all that is out of date or missing.
    astray : tuple of str
        What the wear log holds under names that the trial file does not have, with the cure, in lines.
    fingerprint : str
        Of all rows of the trial that the log holds, and of what they would rest on now.
    looked : Looked
        How trial and files were found to be.
    """

    notes: tuple[Note, ...]
    note_history: tuple[LoggedNote, ...]
    standing: Mapping[PhotoEntry, Standing]
    command: str
    astray: tuple[str, ...]
    fingerprint: str
    looked: Looked = field(repr=False)

    @property
    def behind(self) -> list[str]:
        """What is out of date or missing, why, and what to do, in lines; empty if all holds."""
        return standing_lines(self.standing, self.command)


@dataclass(frozen=True)
class Measured(Stands):
    """What the wear log says of a trial.

    Attributes
    ----------
    notes, note_history, standing, command, astray, fingerprint, looked
        As of `Stands`.
    records : Listed
        The rows that hold now, of the photos that the trial lists.
    history : LogRows
        All rows ever, in the order they were added.
    """

    records: Listed
    history: LogRows


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


@none_collected()
def measured(trial: Trial, out_dir: Path, looked: Looked | None = None) -> Measured:
    """Read what the wear log says of a trial.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log.
    looked : Looked, optional
        How trial and files were found to be just now, by `stands`; else they are looked at.

    Returns
    -------
    Measured

    Raises
    ------
    WearscopeError
        The log cannot be read, is another trial's, or holds no number of the trial that still holds.
    """
    with _looked_at(trial, out_dir, looked) as (log, seen):
        held = log.holds(trial.name, seen.named, seen.held)
        standing = _stands(trial, out_dir, log, seen, held)
        records = Listed.with_lines(in_time(held.current), held.current.lines)
        found = Measured(**vars(standing), records=records, history=held.history)
    if found.records:
        return found
    require_nothing_renamed(trial, log.place, seen.astray)
    command = found.command
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


@none_collected()
def stands(trial: Trial, out_dir: Path) -> Stands:
    """How the wear log stands to a trial, by the checksums of its rows alone: no number is read, nor looked through.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log.

    Returns
    -------
    Stands

    Raises
    ------
    WearscopeError
        The log cannot be read, or is another trial's.
    """
    with _looked_at(trial, out_dir) as (log, seen):
        held = log.stands(trial.name, seen.named)
        return _stands(trial, out_dir, log, replace(seen, held=held), held)


@contextmanager
def _looked_at(trial: Trial, out_dir: Path, looked: Looked | None = None) -> Iterator[tuple[WearLog, Looked]]:
    """The wear log, what of it went astray, and what the numbers of each photo would rest on now."""
    if looked is not None:
        with WearLog(log_place(out_dir)) as log:
            yield log, looked
        return
    with (
        WearLog(log_place(out_dir)) as log,
        CorrectionLog(log.place) as by_hand,
        IdentityLog(log.place) as known,
    ):
        known.require(trial.name, trial.path)
        astray = tuple(astray_from(trial, log.place))
        pictures = look_again(trial, out_dir / "results", keep=False)
        said = by_hand.current(trial.name)
        inputs = inputs_of(trial, trial.photos, said, pictures.checksum, pictures.files_also)
        named = {place_of(entry): each.named() for entry, each in inputs.items()}
        yield log, Looked(inputs, named, astray)


def _stands(trial: Trial, out_dir: Path, log: WearLog, looked: Looked, held: Compared) -> Stands:
    return Stands(
        tuple(log.notes(trial=trial.name)),
        tuple(log.note_history(trial=trial.name)),
        {entry: held.standing[place_of(entry)] for entry in looked.inputs},
        measure_command(trial, out_dir),
        tuple(astray_lines(trial, log.place, looked.astray)),
        held.fingerprint,
        looked,
    )


def last_measured(records: Iterable[Record]) -> dict[str, str]:
    """Day of the last measurement of each bit.

    Parameters
    ----------
    records : iterable of Record

    Returns
    -------
    dict
        ISO 8601, by the name of the bit.
    """
    days: dict[str, str] = {}
    for record in records:
        days[record.bit] = max(days.get(record.bit, ""), record.measured_at[:10])
    return days


def refusals_of(found: Stands, results: Path) -> dict[PhotoPlace, str]:
    """Why photos are refused; of those that could not be looked at, and so are not logged, the last run knows.

    Parameters
    ----------
    found : Stands
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
