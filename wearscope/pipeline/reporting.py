"""What people are shown of a measured trial: its outcome, the report, the tables for other programs."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from wearscope.economics.decision import outcome_of
from wearscope.economics.due import due_bits
from wearscope.economics.outcome import Outcome, Over
from wearscope.log.export import make_folder, write_bytes
from wearscope.log.records import set_aside
from wearscope.pipeline.kept_curves import solver
from wearscope.pipeline.kept_figures import keeper
from wearscope.pipeline.measured import Measured, last_measured, refusals_of
from wearscope.pipeline.processes import n_processors
from wearscope.pipeline.published import (
    Published,
    asked_for,
    current_sheets,
    note_published,
    pages_published,
    repeat_study_lines,
    what_is_said,
)
from wearscope.process.fairness import FairTrial, fair_trial
from wearscope.report.curves import write_curves
from wearscope.report.decision_files import outcome_table, write_outcome
from wearscope.report.html import bit_page, report_html, shown_on
from wearscope.report.labels import labels_pdf
from wearscope.report.pdf import report_pdf
from wearscope.report.report import PAGES_FOLDER, Report, report_of
from wearscope.report.spoken import spoken
from wearscope.report.standing_words import out_of_date_texts
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
from wearscope.version import __version__


def publish(
    trial: Trial,
    out_dir: Path,
    found: Measured,
    over: Over = "parts",
    *,
    fair: FairTrial | None = None,
    interactive: bool = True,
    parquet: bool = False,
    jobs: int | None = None,
) -> tuple[Outcome, Published]:
    """Write all that people are shown of a measured trial into ``results/``.

    The outcome and its curves, the report as HTML and PDF, the tables for other programs, the wall sheet and labels.

    Parameters
    ----------
    trial : Trial
    out_dir : Path
        Folder of the wear log and of ``results/``.
    found : Measured
    over : {"parts", "minutes", "metres"}
        What lives are told in.
    fair : FairTrial, optional
        Of the trial, where that was asked already.
    interactive : bool
        Whether the HTML file has curves that answer to the pointer.
    parquet : bool
        Whether to write Parquet files as well.
    jobs : int, optional
        Number of processors at work, by default all.

    Returns
    -------
    outcome : Outcome
    published : Published

    Raises
    ------
    WearscopeError
        The trial file does not say what the outcome needs, or a file cannot be read or written.
    """
    with set_aside():
        fair = fair or fair_trial(trial)
        return _published(trial, out_dir, found, fair, over, jobs, interactive=interactive, parquet=parquet)


def _published(
    trial: Trial,
    out_dir: Path,
    found: Measured,
    fair: FairTrial,
    over: Over,
    jobs: int | None,
    *,
    interactive: bool,
    parquet: bool,
) -> tuple[Outcome, Published]:
    results = out_dir / "results"
    solve = solver(trial, results, jobs)
    outcome = outcome_of(trial, found.records, over, solve=solve)
    in_parts = outcome if over == "parts" else outcome_of(trial, found.records, solve=solve)
    make_folder(results)
    sheets = current_sheets(trial, results, found)
    report = _report(trial, results, found, outcome, fair, sheets)
    before = {results / name: shows for name, shows in pages_published(results).items()}
    pages, labels = _write_pages(report, results, before), _write_labels(trial, results, before)
    paths = [
        *_write_report(report, results, n_processors(jobs), interactive=interactive),
        *pages,
        *_write_tables(trial, out_dir, found, in_parts, parquet=parquet),
        *labels,
        *write_outcome(results, outcome, due_bits(trial, outcome)),
        *write_curves(report.curves, results),
    ]
    said = asdict(spoken(trial, outcome)) | {
        "rows": [
            {"bit": one.bit, "life": bit.life, "cost": bit.cost, "using_up": bit.using_up}
            for one, bit in zip(outcome.bits, report.bits, strict=True)
        ],
        "measured": last_measured(found.records),
    }
    paths = list(dict.fromkeys(paths))
    shown = {
        path.relative_to(results).as_posix(): fingerprint for path, fingerprint in (pages | labels).items()
    }
    how = asked_for(over, interactive=interactive, parquet=parquet)
    note_published(results, trial, what_is_said(trial, out_dir, found, fair, sheets), said, paths, how, shown)
    return outcome, Published(said, tuple(paths), now=True)


def _report(
    trial: Trial,
    results: Path,
    found: Measured,
    outcome: Outcome,
    fair: FairTrial,
    sheets: Mapping[PhotoEntry, Path],
) -> Report:
    return report_of(
        trial,
        found.records,
        outcome,
        fair,
        found.notes,
        refusals=refusals_of(found, results),
        sheets=sheets,
        behind=[*found.astray, *found.behind],
        out_of_date=out_of_date_texts(found.standing),
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        repeat_study=repeat_study_lines(trial, results),
        keep=keeper(results),
    )


def _write_report(report: Report, results: Path, processors: int, *, interactive: bool) -> tuple[Path, ...]:
    page, pdf = results / "report.html", results / "report.pdf"
    write_bytes(page, report_html(report, interactive=interactive, processors=processors).encode())
    write_bytes(pdf, report_pdf(report))
    return page, pdf


def _write_pages(report: Report, results: Path, before: Mapping[Path, str]) -> dict[Path, str]:
    """Pages beside the report, and the fingerprint of what each shows; one that shows the same stays as it is."""
    folder = results / PAGES_FOLDER
    if report.pages:
        make_folder(folder)
    written = {}
    for page in report.pages:
        path = folder / page.name
        written[path] = shown_on(report, page)
        if before.get(path) != written[path]:
            write_bytes(path, bit_page(report, page).encode())
    for older in set(folder.glob("bit-*.html")).difference(written):  # of bits that are no more
        with suppress(OSError):
            older.unlink()
    return written


def _write_labels(trial: Trial, results: Path, before: Mapping[Path, str]) -> dict[Path, str]:
    """Labels, which no photo changes, and the fingerprint of what they show."""
    path = results / "labels.pdf"
    shown = sha256(repr((__version__, trial.name, trial.all_flutes())).encode()).hexdigest()
    if before.get(path) != shown:
        write_bytes(path, labels_pdf(trial))
    return {path: shown}


def export_trial(trial: Trial, out_dir: Path, found: Measured, *, parquet: bool = False) -> tuple[Path, ...]:
    """Write log and results as tables for other programs, the sheet to hang at the machine, and labels.

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
    results = out_dir / "results"
    make_folder(results)
    outcome = outcome_of(trial, found.records, solve=solver(trial, results))
    written = _write_tables(trial, out_dir, found, outcome, parquet=parquet)
    return (*written, *_write_labels(trial, results, {}))


def _write_tables(
    trial: Trial, out_dir: Path, found: Measured, outcome: Outcome, *, parquet: bool
) -> tuple[Path, ...]:
    if parquet:
        require_parquet()
    results = out_dir / "results"
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
