"""What people are shown of a measured trial: its outcome, the report, the tables for other programs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from wearscope.economics.decision import outcome_of
from wearscope.economics.outcome import Outcome, Over
from wearscope.errors import WearscopeError
from wearscope.files import TRIAL_BYTES, read_file
from wearscope.log.corrections import CorrectionLog
from wearscope.log.export import make_folder, write_bytes
from wearscope.log.identity import IdentityLog
from wearscope.log.notes import LoggedNote, Note
from wearscope.log.records import Record
from wearscope.log.wear_log import LoggedRecord, PhotoPlace, Standing, WearLog
from wearscope.log.where import log_place
from wearscope.pipeline.astray import astray_from, astray_lines, require_nothing_renamed
from wearscope.pipeline.pictures import look_again
from wearscope.pipeline.results import REFUSED_NAME, photos_refused, sheet_names
from wearscope.pipeline.standing import current_rows, inputs_of, place_of, sheet_holds, standing_of
from wearscope.process.fairness import fair_trial
from wearscope.report.decision_files import outcome_table
from wearscope.report.html import report_html
from wearscope.report.pdf import report_pdf
from wearscope.report.report import Report, report_of
from wearscope.report.standing_words import out_of_date_texts, standing_lines
from wearscope.report.tables import (
    by_photo_table,
    export_tables,
    log_table,
    measurements_table,
    notes_table,
    require_parquet,
)
from wearscope.report.wall_sheet import wall_sheet_pdf
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


def publish_report(
    trial: Trial, out_dir: Path, found: Measured, over: Over = "parts", *, interactive: bool = True
) -> tuple[Path, Path]:
    """Write the report of a measured trial into ``results/``, as HTML and PDF.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log and of ``results/``.
    found : Measured
    over : {"parts", "minutes", "metres"}
        What lives are told in.
    interactive : bool
        Whether the HTML file has curves that answer to the pointer.

    Returns
    -------
    tuple of Path
        The HTML file and the PDF.

    Raises
    ------
    WearscopeError
        A file cannot be read or written.
    """
    report = _report(trial, out_dir, found, outcome_of(trial, found.records, over))
    make_folder(out_dir / "results")
    page, pdf = out_dir / "results" / "report.html", out_dir / "results" / "report.pdf"
    write_bytes(page, report_html(report, interactive=interactive).encode())
    write_bytes(pdf, report_pdf(report))
    return page, pdf


def _report(trial: Trial, out_dir: Path, found: Measured, outcome: Outcome) -> Report:
    results = out_dir / "results"
    sheets = {entry: results / "sheets" / name for entry, name in sheet_names(trial).items()}
    return report_of(
        trial,
        found.records,
        outcome,
        fair_trial(trial),
        found.notes,
        refusals=_refusals(found, results),
        sheets={entry: path for entry, path in sheets.items() if _shows_current(path, found.standing[entry])},
        behind=[*found.astray, *found.behind],
        out_of_date=out_of_date_texts(found.standing),
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        repeat_study=_repeat_study(trial, results),
    )


def _refusals(found: Measured, results: Path) -> dict[PhotoPlace, str]:
    """Why photos are refused; of those that could not be looked at, and so are not logged, the last run knows."""
    last_run = photos_refused(results)
    refusals = {}
    for entry, each in found.standing.items():
        place = place_of(entry)
        if each.state == "refused" and each.last is not None:
            refusals[place] = each.last.refusal
        elif each.state == "missing" and place in last_run:
            refusals[place] = last_run[place]
    return refusals


def _shows_current(sheet: Path, standing: Standing) -> bool:
    return standing.state == "measured" and sheet_holds(sheet, standing.last)


def _repeat_study(trial: Trial, results: Path) -> tuple[str, ...]:
    """What a repeat study of the trial's flutes found, a line for each quantity; empty if none lies here."""
    try:
        found = json.loads(read_file(results / "repeat-study.json", TRIAL_BYTES))
        return tuple(one["in_short"] for one in found["quantities"]) if found["trial"] == trial.name else ()
    except (OSError, ValueError, KeyError, TypeError):
        return ()


def export_trial(trial: Trial, out_dir: Path, found: Measured, *, parquet: bool = False) -> tuple[Path, ...]:
    """Write log and results as tables for other programs, and the sheet to hang at the machine.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log and of ``results/``.
    found : Measured
    parquet : bool
        Whether to write Parquet files as well.

    Returns
    -------
    tuple of Path
        The files written, in ``results/``.

    Raises
    ------
    WearscopeError
        A file cannot be written, or what writes Parquet is not installed.
    """
    if parquet:
        require_parquet()
    outcome = outcome_of(trial, found.records)
    results = out_dir / "results"
    make_folder(results)
    tables = (
        by_photo_table(found.records),
        outcome_table(outcome),
        measurements_table(found.records),
        log_table(found.history),
        notes_table(found.note_history),
    )
    written = export_tables(results, tables, parquet=parquet)
    wall_sheet = results / "wall-sheet.pdf"
    write_bytes(wall_sheet, wall_sheet_pdf(trial, outcome, datetime.now(UTC).date().isoformat()))
    return (*written, wall_sheet)
