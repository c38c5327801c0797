"""The commands that tell what was measured: outcome, report, export."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli.common import (
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

if TYPE_CHECKING:
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
    decide(loaded, (out or loaded.folder).absolute(), over, as_json=as_json)


def decide(trial: Trial, folder: Path, over: str, *, as_json: bool) -> None:
    """Print and write the outcome of a trial."""
    from wearscope.economics.decision import outcome_of
    from wearscope.pipeline.reporting import measured
    from wearscope.process.fairness import fair_trial
    from wearscope.report.curves import write_curves
    from wearscope.report.decision_files import outcome_document, write_outcome
    from wearscope.report.decision_words import bit_sentences, trial_sentences, verdict_text
    from wearscope.report.fairness_words import fair_warnings

    complain(fair_warnings(fair_trial(trial)))
    found = outcome_of(trial, measured(trial, folder).records, over)  # type: ignore[arg-type]
    results = folder / "results"
    written = [*write_outcome(results, found), *write_curves(found, results)]
    if as_json:
        print_json(outcome_document(found))
        return
    typer.echo(verdict_text(found))
    for bit in found.bits:
        typer.echo(f"\nBit {bit.bit}")
        _print_wrapped(bit_sentences(bit, found))
    if sentences := trial_sentences(found):
        typer.echo("\nWhat to do")
        _print_wrapped(sentences)
    say_to_open(written)


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
    write_report(loaded, (out or loaded.folder).absolute(), over, interactive=not static, as_json=as_json)


def write_report(trial: Trial, folder: Path, over: str, *, interactive: bool, as_json: bool) -> None:
    """Write the report of a trial, and say where it is."""
    from wearscope.pipeline.reporting import publish_report

    page, pdf = publish_report(trial, folder, over, interactive=interactive)  # type: ignore[arg-type]
    if as_json:
        print_json({"trial": trial.name, "paths": {"html": str(page), "pdf": str(pdf)}})
    else:
        say_to_open([page, pdf])


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

    written = export_trial(loaded, (out or loaded.folder).absolute(), parquet=parquet)
    if as_json:
        print_json({"trial": loaded.name, "paths": [str(path) for path in written]})
    else:
        say_to_open(written)


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
        typer.echo(fill(sentence, width, initial_indent="  ", subsequent_indent="    "))
