"""The command that tells what was measured: report; and the names of its parts before 0.4, outcome and export."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
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
    say_moved,
    say_to_open,
)
from wearscope.cli.terminal import say
from wearscope.errors import TrialError

if TYPE_CHECKING:
    from wearscope.pipeline.measured import Looked, Measured, Stands
    from wearscope.pipeline.published import Published
    from wearscope.process.fairness import FairTrial
    from wearscope.trial import Trial

ParquetOption = Annotated[bool, typer.Option("--parquet", help="Write Parquet files too; needs pyarrow.")]


def report(
    trial: TrialArgument = None,
    out: OutOption = None,
    over: OverOption = "parts",
    static: Annotated[
        bool,
        typer.Option("--static", help="Leave out the curves to point at, which are 5 MB of the HTML file."),
    ] = False,
    parquet: ParquetOption = False,
    as_json: JsonOption = False,
) -> None:
    """Say which bit to stock, and write report, tables and wall sheet; measure does so by itself.

    Works on what measure has written into the wear log. Writes into results/: the report (report.html, one file
    that needs no network, and report.pdf), outcome and wear curves, tables for other programs, and the wear-log
    sheet to hang at the machine. Where nothing of what they say has changed, they stay as they are.
    """
    from wearscope.pipeline.measured import stands
    from wearscope.pipeline.published import asked_for, still_published, what_is_said
    from wearscope.process.fairness import fair_trial
    from wearscope.report.standing_words import PUBLISHED_BEFORE

    loaded = _load_for(trial, over)
    folder = (out or loaded.folder).absolute()
    looked, fair = None, fair_trial(loaded)
    if not as_json:
        how = asked_for(over, interactive=not static, parquet=parquet)  # type: ignore[arg-type]
        now = stands(loaded, folder)
        before = still_published(folder / "results", what_is_said(loaded, folder, now, fair), how)
        if before is not None:
            complain((*now.astray, *now.behind))
            warn_unfair(loaded, fair)
            print_spoken(before.said)
            say(PUBLISHED_BEFORE, err=True)
            say_to_open(before.paths)
            raise typer.Exit(_exit_code(now))
        looked = now.looked
    from wearscope.pipeline.reporting import publish  # with all that draws: half a second

    found = _measured(loaded, folder, looked)
    warn_unfair(loaded, fair)
    decided, published = publish(
        loaded,
        folder,
        found,
        over,  # type: ignore[arg-type]
        fair=fair,
        interactive=not static,
        parquet=parquet,
    )
    if as_json:
        from wearscope.economics.due import due_bits
        from wearscope.report.decision_files import outcome_document

        complain(published.said["due"])
        page, pdf, *others = map(str, published.paths)
        paths = {"html": page, "pdf": pdf, "others": others}
        document = outcome_document(decided, due_bits(loaded, decided)) | _standing_document(found)
        print_json(document | {"trial": loaded.name, "paths": paths})
    else:
        print_spoken(published.said)
        say_to_open(published.paths)
    raise typer.Exit(_exit_code(found))


def publish_changed(trial: Trial, folder: Path, jobs: int | None, *, quiet: bool) -> Published | None:
    """Publish what measuring has changed; None where there is nothing to say yet, which is told."""
    from wearscope.pipeline.measured import NothingHoldsError, measured, stands
    from wearscope.pipeline.published import still_published, what_is_said
    from wearscope.process.fairness import fair_trial

    now = stands(trial, folder)
    fair = fair_trial(trial)
    before = still_published(folder / "results", what_is_said(trial, folder, now, fair))
    if before is not None:
        return before
    try:
        found = measured(trial, folder, now.looked)
    except NothingHoldsError:
        return None  # no photo was measured, and each has said why
    from wearscope.pipeline.reporting import publish

    try:
        return publish(trial, folder, found, fair=fair, jobs=jobs)[1]
    except TrialError as unsaid:
        if not quiet:
            complain(f"no verdict and no report yet: {line}" for line in unsaid.mistakes)
        return None


def warn_unfair(trial: Trial, fair: FairTrial | None = None) -> None:
    """Say what must be known beside a verdict."""
    from wearscope.process.fairness import fair_trial
    from wearscope.report.fairness_words import fair_warnings

    complain(fair_warnings(fair or fair_trial(trial)))


def print_spoken(said: Mapping[str, Any]) -> None:
    """Print the outcome of a trial, as `Spoken` has it: what is due first."""
    for line in said["due"]:
        _print_wrapped([line])
    say(said["verdict"])
    for bit, sentences in said["bits"]:
        say(f"\nBit {bit}")
        _print_wrapped(sentences)
    if said["to_do"]:
        say("\nWhat to do")
        _print_wrapped(said["to_do"])


def outcome(
    trial: TrialArgument = None,
    out: OutOption = None,
    over: OverOption = "parts",
    as_json: JsonOption = False,
) -> None:
    """Say how long each bit lasts, what a part costs, and which bit is the cheapest; now part of report."""
    from wearscope.economics.decision import outcome_of
    from wearscope.economics.due import due_bits
    from wearscope.pipeline.kept_curves import solver
    from wearscope.pipeline.kept_figures import keeper
    from wearscope.report.curves import draw_curves, kept_curves, pictures, write_curves
    from wearscope.report.decision_files import outcome_document, write_outcome
    from wearscope.report.spoken import spoken

    say_moved("outcome", "report")
    loaded = _load_for(trial, over)
    folder = (out or loaded.folder).absolute()
    found = _measured(loaded, folder)
    warn_unfair(loaded)
    decided = outcome_of(loaded, found.records, over, solve=solver(loaded, folder / "results"))  # type: ignore[arg-type]
    due = due_bits(loaded, decided)
    keep = keeper(folder / "results")
    drawn = kept_curves(decided, keep, lambda: pictures(lambda: draw_curves(decided)))
    written = [
        *write_outcome(folder / "results", decided, due),
        *write_curves(drawn, folder / "results"),
    ]
    said = asdict(spoken(loaded, decided))
    if as_json:
        complain(said["due"])
        print_json(outcome_document(decided, due) | _standing_document(found))
    else:
        print_spoken(said)
        say_to_open(written)
    raise typer.Exit(_exit_code(found))


def export(
    trial: TrialArgument = None,
    out: OutOption = None,
    parquet: ParquetOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write tables and the wear-log sheet to hang at the machine; now part of report."""
    from wearscope.pipeline.reporting import export_trial

    say_moved("export", "report")
    loaded = load(trial)
    folder = (out or loaded.folder).absolute()
    found = _measured(loaded, folder)
    written = export_trial(loaded, folder, found, parquet=parquet)
    if as_json:
        paths = [str(path) for path in written]
        print_json({"trial": loaded.name, **_standing_document(found), "paths": paths})
    else:
        say_to_open(written)
    raise typer.Exit(_exit_code(found))


def _measured(trial: Trial, folder: Path, looked: Looked | None = None) -> Measured:
    """What the wear log says of a trial; what does not hold any more, or has lost its place, is told first."""
    from wearscope.pipeline.measured import measured

    found = measured(trial, folder, looked)
    complain((*found.astray, *found.behind))
    return found


def _standing_document(found: Measured) -> dict[str, Any]:
    return {"behind": found.behind, "astray": list(found.astray)}


def _exit_code(found: Stands) -> int:
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
