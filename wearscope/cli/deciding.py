"""The commands that tell what was measured: outcome, report, export."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope.cli.common import (
    OK,
    REFUSED,
    CommandLineError,
    JsonOption,
    OutOption,
    OverOption,
    TrialArgument,
    complain,
    load,
    print_json,
    say_to_open,
)
from wearscope.cli.terminal import say

if TYPE_CHECKING:
    from wearscope.pipeline.reporting import Measured
    from wearscope.trial import Trial


def outcome(
    trial: TrialArgument = None,
    out: OutOption = None,
    over: OverOption = "parts",
    as_json: JsonOption = False,
) -> None:
    """Say how long each bit lasts, what a part costs, and which bit is the cheapest.

    Works on what measure has written into the wear log. Writes results/outcome.json, results/outcome.csv and
    the wear curves.
    """
    loaded = _load_for(trial, over)
    raise typer.Exit(decide(loaded, (out or loaded.folder).absolute(), over, as_json=as_json))


def decide(trial: Trial, folder: Path, over: str, *, as_json: bool) -> int:
    """Print and write the outcome of a trial; the exit code says whether all photos are in it as they are now."""
    from wearscope.economics.decision import outcome_of
    from wearscope.process.fairness import fair_trial
    from wearscope.report.curves import write_curves
    from wearscope.report.decision_files import outcome_document, write_outcome
    from wearscope.report.decision_words import bit_sentences, trial_sentences, verdict_text
    from wearscope.report.due_words import due_bits, due_notice
    from wearscope.report.fairness_words import fair_warnings

    measured = _measured(trial, folder)
    complain(fair_warnings(fair_trial(trial)))
    found = outcome_of(trial, measured.records, over)  # type: ignore[arg-type]
    due = due_bits(trial, found)
    results = folder / "results"
    written = [*write_outcome(results, found, due), *write_curves(found, results)]
    if as_json:
        complain(due_notice(trial, found))
        print_json(outcome_document(found, due) | _standing_document(measured))
        return _exit_code(measured)
    for line in due_notice(trial, found):
        _print_wrapped([line])
    say(verdict_text(found))
    for bit in found.bits:
        say(f"\nBit {bit.bit}")
        _print_wrapped(bit_sentences(bit, found))
    if sentences := trial_sentences(found, due):
        say("\nWhat to do")
        _print_wrapped(sentences)
    say_to_open(written)
    return _exit_code(measured)


def report(
    trial: TrialArgument = None,
    out: OutOption = None,
    over: OverOption = "parts",
    static: Annotated[
        bool,
        typer.Option("--static", help="Leave out the curves to point at, which are 5 MB of the HTML file."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write the report to show and to keep: verdict, sheets, curves, cost, fairness, photos, method.

    Works on what measure has written. Writes results/report.html, one file that needs no network, and
    results/report.pdf.
    """
    loaded = _load_for(trial, over)
    folder = (out or loaded.folder).absolute()
    raise typer.Exit(write_report(loaded, folder, over, interactive=not static, as_json=as_json))


def write_report(trial: Trial, folder: Path, over: str, *, interactive: bool, as_json: bool) -> int:
    """Write the report of a trial, and say where it is; the exit code is as in `decide`."""
    from wearscope.pipeline.reporting import publish_report

    found = _measured(trial, folder)
    page, pdf = publish_report(trial, folder, found, over, interactive=interactive)  # type: ignore[arg-type]
    if as_json:
        paths = {"html": str(page), "pdf": str(pdf)}
        print_json({"trial": trial.name, **_standing_document(found), "paths": paths})
    else:
        say_to_open([page, pdf])
    return _exit_code(found)


def export(
    trial: TrialArgument = None,
    out: OutOption = None,
    parquet: Annotated[
        bool, typer.Option("--parquet", help="Write Parquet files too; needs pyarrow.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write log and results as tables, and a wear-log sheet to print and hang at the machine.

    Works on what measure has written. Writes CSV files, results/tables.xlsx and results/wall-sheet.pdf.
    """
    loaded = load(trial)
    from wearscope.pipeline.reporting import export_trial

    folder = (out or loaded.folder).absolute()
    found = _measured(loaded, folder)
    written = export_trial(loaded, folder, found, parquet=parquet)
    if as_json:
        paths = [str(path) for path in written]
        print_json({"trial": loaded.name, **_standing_document(found), "paths": paths})
    else:
        say_to_open(written)
    raise typer.Exit(_exit_code(found))


def _measured(trial: Trial, folder: Path) -> Measured:
    """What the wear log says of a trial; what does not hold any more, or has lost its place, is told first."""
    from wearscope.pipeline.reporting import measured

    found = measured(trial, folder)
    complain((*found.astray, *found.behind))
    return found


def _standing_document(found: Measured) -> dict[str, Any]:
    return {"behind": found.behind, "astray": list(found.astray)}


def _exit_code(found: Measured) -> int:
    return REFUSED if found.behind else OK


def _load_for(trial: Path | None, over: str) -> Trial:
    """Load a trial whose lives are to be told in parts, minutes or metres."""
    from typing import get_args

    from wearscope.economics.decision import axis_of
    from wearscope.economics.outcome import Over

    if over not in get_args(Over):
        raise CommandLineError(f"--over is {over}", f"give {', '.join(get_args(Over))}")
    loaded = load(trial)
    axis_of(loaded, over)  # type: ignore[arg-type]
    return loaded


def _print_wrapped(sentences: Iterable[str]) -> None:
    from shutil import get_terminal_size
    from textwrap import fill

    width = min(get_terminal_size().columns, 110)
    for sentence in sentences:
        say(fill(sentence, width, initial_indent="  ", subsequent_indent="    "))
