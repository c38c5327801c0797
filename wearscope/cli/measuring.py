"""The commands that measure: demo, measure, check, repeat."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli import documents, tables
from wearscope.cli.common import (
    OK,
    REFUSED,
    ClusterOption,
    CommandLineError,
    JobsOption,
    JsonOption,
    QuietOption,
    TrialArgument,
    at_work,
    complain,
    get_ready,
    load,
    print_json,
    progress_bar,
    shown,
)
from wearscope.cli.deciding import print_spoken, publish_changed, warn_unfair
from wearscope.cli.terminal import say

if TYPE_CHECKING:
    from wearscope.pipeline.published import Published
    from wearscope.pipeline.results import BatchResult


def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new folder.")] = Path("wearscope-demo"),
) -> None:
    """Copy the sample trial into a folder, measure it there and write its report.

    One of its photos is out of focus, to show a refusal: that alone does not make the demo fail.
    """
    from wearscope.samples import copy_sample_trial

    trial_file = copy_sample_trial(folder)
    say(f"The sample trial is {shown(trial_file)}; measuring it takes a minute.", err=True)
    _measure(trial_file, None, None, None, as_json=False, quiet=False)


def measure(
    trial: TrialArgument = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Where results/ and the wear log go; by default beside the trial file."
        ),
    ] = None,
    log: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Keep the wear log in a PostgreSQL database, postgresql+psycopg://USER@HOST/DATABASE, from now on.",
        ),
    ] = None,
    jobs: JobsOption = None,
    cluster: ClusterOption = None,
    budget: Annotated[
        bool,
        typer.Option(
            "--budget",
            help="Also print what makes the ± of each number, largest first; measures every photo.",
        ),
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Measure every photo, whether anything has changed or not.")
    ] = False,
    anew: Annotated[
        bool,
        typer.Option(
            "--anew", help="Go on where a bit has another name than in the wear log; leave its rows there."
        ),
    ] = False,
    no_report: Annotated[
        bool, typer.Option("--no-report", help="Measure only: no verdict, report, tables or wall sheet.")
    ] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """From photos to the report: measure what is new or rests on what has changed, and say which bit to stock.

    Writes the folder results/ and adds to the wear log. What an earlier run found stays there as history. The
    report, its tables and the wall sheet are made anew when what they say has changed.
    """
    if log is not None:
        from wearscope.log.where import use_address

        use_address((out or load(trial).folder).absolute(), log)
    result = _measure(
        trial,
        out,
        jobs,
        cluster,
        as_json=as_json,
        quiet=quiet,
        budget=budget,
        again=again,
        anew=anew,
        with_report=not no_report,
    )
    raise typer.Exit(REFUSED if result.refusals or result.undrawn else OK)


def _measure(
    trial: Path | None,
    out: Path | None,
    jobs: int | None,
    cluster: str | None,
    *,
    as_json: bool,
    quiet: bool,
    budget: bool = False,
    again: bool = False,
    anew: bool = False,
    with_report: bool = True,
) -> BatchResult:
    loaded = load(trial)
    folder = (out or loaded.folder).absolute()
    again |= budget  # the wear log keeps no budgets
    get_ready(loaded, None if again else folder / "results" / "measurements.csv", jobs, cluster)
    from wearscope.pipeline.run import measure_trial
    from wearscope.report.standing_words import stray_lines
    from wearscope.report.time_words import time_lines

    with at_work(jobs, cluster, loaded) as workers, progress_bar("Measuring", quiet) as progress:
        result = measure_trial(
            loaded,
            folder,
            jobs=workers,
            progress=progress,
            again=again,
            anew=anew,
            budgets=budget,
        )
    if not (as_json or quiet):
        tables.print_summary(result)
        if budget:
            tables.print_budgets(result)
    if not quiet:
        complain(f"warning: {line}" for line in stray_lines(loaded))
        complain(f"warning: {line}" for photo in result.photos for line in photo.warnings)
        complain(f"warning: {line}" for line in time_lines(result.records))
    complain(result.astray)
    complain(photo.refusal for photo in result.refusals)
    complain(result.undrawn)
    published = publish_changed(loaded, folder, jobs, quiet=quiet) if with_report else None
    if as_json:
        print_json(documents.measured_document(loaded, result, published, budget=budget))
    if not quiet:
        if published is not None:
            warn_unfair(loaded)
            if not as_json:
                say("")
                print_spoken(published.said)
        _say_what_to_open(result, published)
    return result


def check(
    trial: TrialArgument = None,
    jobs: JobsOption = None,
    cluster: ClusterOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a trial and its photos without measuring.

    First whether the trial is fair: what differs between the bits that must not.
    """
    loaded = load(trial)
    get_ready(loaded, loaded.folder / "results" / "judgements.json", jobs, cluster)
    from wearscope.log.where import log_place
    from wearscope.pipeline.run import judge_trial
    from wearscope.pipeline.sources import read_scales
    from wearscope.process.fairness import fair_trial
    from wearscope.report.fairness_words import danger_lines
    from wearscope.report.reason_words import note_of
    from wearscope.report.standing_words import stray_lines

    complain(f"warning: {line}" for line in stray_lines(loaded))
    fair = fair_trial(loaded)
    complain(danger_lines(fair))
    if not as_json:
        tables.print_fairness(fair)
    with at_work(jobs, cluster, loaded) as workers, progress_bar("Looking", quiet=False) as progress:
        verdicts = judge_trial(loaded, jobs=workers, progress=progress, log=log_place(loaded.folder))
    if as_json:
        photos = [documents.verdict_document(verdict) for verdict in verdicts]
        print_json({"trial": loaded.name, "fairness": documents.fairness_document(fair), "photos": photos})
    else:
        tables.print_verdicts(verdicts)
        for verdict in verdicts:
            if verdict.judgement and not verdict.refusal:
                for remark in verdict.judgement.remarks:
                    say(f"{verdict.entry.file}: {remark}")
        for scale in read_scales(loaded)[0].values():
            say(f'scale "{scale.name}": {note_of(scale.remarks)}')
    refusals = [verdict.refusal for verdict in verdicts if verdict.refusal]
    complain(refusals)
    raise typer.Exit(REFUSED if refusals else OK)


def repeat(
    study: Annotated[
        Path,
        typer.Argument(metavar="STUDY", help="The study file, or the folder that holds it as study.toml."),
    ],
    quantity: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="The one to study, such as edge_recession; by default all that tell of wear."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where results/ goes; by default beside the study file."),
    ] = None,
    jobs: JobsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find out how well photos of the same flutes agree, and what they can tell apart.

    Measures every photo of the study and writes results/repeat-study.csv, and results/repeat-study.json, which the
    report of the trial beside it tells; the wear log is left alone.
    """
    from wearscope.quantities.quantity import QUANTITIES
    from wearscope.trial import load_study

    if quantity is not None and quantity not in QUANTITIES:
        raise CommandLineError(f"--quantity is {quantity}", f"give one of {', '.join(QUANTITIES)}")
    loaded = load_study(study)
    from wearscope.log.export import write_json
    from wearscope.pipeline.repeat_study import measure_study

    with progress_bar("Measuring", quiet=False) as progress:
        result = measure_study(
            loaded, (out or loaded.folder).absolute(), quantity=quantity, jobs=jobs, progress=progress
        )
    document = documents.study_document(loaded, result)
    write_json(result.table.with_suffix(".json"), document)
    if as_json:
        print_json(document)
    else:
        tables.print_study(loaded, result)
    complain(photo.refusal for photo in result.refusals)
    complain(result.unanswered)
    if not result.quantities:
        complain(["no quantity has enough values to study; give each flute two photos or more"])
    say(f"Every value: {shown(result.table)}", err=True)
    raise typer.Exit(REFUSED if result.refusals or not result.quantities else OK)


def _say_what_to_open(result: BatchResult, published: Published | None) -> None:
    from wearscope.log.records import gave_numbers
    from wearscope.report import standing_words

    if published is not None and not published.now:
        say(standing_words.PUBLISHED_BEFORE, err=True)
    if result.n_left:
        say(standing_words.left_text(result.n_left, len(result.photos)), err=True)
    n_measured = sum(gave_numbers(photo.records) for photo in result.photos if not photo.refusal)
    n_silent = len(result.photos) - len(result.refusals) - n_measured
    silent = (
        f"; {n_silent} more gave no number of wear, and the notes of their rows say why" if n_silent else ""
    )
    lines = [f"{n_measured} of {len(result.photos)} photos measured{silent}. To open:"]
    if published is not None:
        names = {path.name: path for path in published.paths}
        lines.append(f"  {shown(names['report.html'])}  the report, from the verdict on; report.pdf to print")
        lines.append(f"  {shown(names['wall-sheet.pdf'])}  to hang at the machine; labels.pdf for the flutes")
    if result.sheets:
        lines.append(f"  {shown(result.sheets[0].parent)}  pictures: used beside unused, new beside now")
    lines.append(f"  {shown(result.measurements)}  every number")
    if result.refusals:
        lines.append(f"  {shown(result.refused)}  photos to take again, and why")
    for line in lines:
        say(line, err=True)
