"""What the commands share: exit codes, options, messages, the way to a trial."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope.cli.terminal import console_for, say
from wearscope.errors import WearscopeError
from wearscope.files import instead_of_a_file
from wearscope.texts import visible

if TYPE_CHECKING:  # the rest of wearscope takes seconds to import: each command imports what it calls
    from wearscope.pipeline.pool import Jobs
    from wearscope.pipeline.run import Progress
    from wearscope.trial import PhotoEntry, Trial

OK, REFUSED, WRONG, INTERRUPTED = 0, 1, 2, 130

TrialArgument = Annotated[
    Path | None,
    typer.Argument(metavar="TRIAL", help="The trial file, or the folder that holds it as trial.toml."),
]
JobsOption = Annotated[
    int | None,
    typer.Option(min=1, metavar="N", help="Photos measured at once; by default one for each processor."),
]
ClusterOption = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS",
        help="Have several computers do the work: a Dask cluster that runs and sees the photos under the same paths.",
    ),
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print all of it for another program (JSON) in place of the table.")
]
OutOption = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR", help="Where results/ and the wear log are; by default beside the trial file."
    ),
]
LogOption = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Where the wear log is; by default beside the trial file."),
]
OverOption = Annotated[
    str,
    typer.Option("--over", metavar="WHAT", help="Tell lives in parts, minutes of cutting or metres of cut."),
]
QuietOption = Annotated[
    bool, typer.Option("--quiet", "-q", help="Say nothing but which photos are refused, and why.")
]


OFF_BY = "Half of its ±: the truth lies within twice this 95 times in 100"
"""How an option asks for a standard uncertainty."""


class CommandLineError(WearscopeError):
    """Something that cannot be done as asked."""

    exit_code = WRONG


def complain(lines: Iterable[str]) -> None:
    """Say lines on standard error, each with the program's name before it.

    Parameters
    ----------
    lines : iterable of str
    """
    for line in lines:
        say(f"wearscope: {line}", err=True)


def require_file(path: Path) -> None:
    """See that a file is there.

    Parameters
    ----------
    path : Path

    Raises
    ------
    CommandLineError
        Something else is, or nothing.
    """
    if found := instead_of_a_file(path):
        raise CommandLineError(f"{path} is {found}", "name a file")
    if not path.is_file():
        raise CommandLineError(f"there is no file {path}", "check the path")


def load(trial: Path | None, *, photos_to_come: bool = False) -> Trial:
    """Load the trial that the command line names, which may have no photos yet where that is said.

    Parameters
    ----------
    trial : Path or None
    photos_to_come : bool

    Returns
    -------
    Trial

    Raises
    ------
    CommandLineError
        No trial is named.
    TrialError
        The trial file is wrong.
    """
    if trial is None:
        here = "wearscope measure trial.toml" if Path("trial.toml").is_file() else "wearscope demo makes one"
        raise CommandLineError(
            "no trial is named", f"name the trial file, or the folder that holds it as trial.toml ({here})"
        )
    from wearscope.trial import load_trial

    return load_trial(trial, photos_to_come=photos_to_come)


def get_ready(trial: Trial, written: Path | None, jobs: int | None, cluster: str | None) -> None:
    """Have processes get ready while this one still imports what it needs itself, if they are likely to have work.

    Parameters
    ----------
    trial : Trial
    written : Path or None
        File that an earlier run wrote at its end: photos that lie there unchanged since then are likely known. None
        where each is looked at again.
    jobs : int or None
        Number of processes.
    cluster : str or None
        Address of a scheduler.
    """
    from wearscope.pipeline.processes import beginning, n_processors

    if cluster is not None or n_processors(jobs) == 1:
        return
    since, new = 0.0, 0
    if written is not None:
        with suppress(OSError):
            since = written.stat().st_ctime
    for entry in trial.photos:
        with suppress(OSError):
            new += entry.path.stat().st_ctime > since  # of a copy, when it was made, whatever its date
        if new > 1:  # one alone is measured by this process
            beginning()
            return


@contextmanager
def at_work(jobs: int | None, cluster: str | None, trial: Trial) -> Iterator[Jobs]:
    """Whoever is to do the work: processes here, or a cluster.

    Parameters
    ----------
    jobs : int or None
        Number of processes.
    cluster : str or None
        Address of a scheduler.
    trial : Trial

    Yields
    ------
    Jobs

    Raises
    ------
    CommandLineError
        Both are named.
    ClusterError
        The cluster cannot be used.
    """
    if cluster is None:
        yield jobs
        return
    if jobs is not None:
        raise CommandLineError("--jobs and --cluster exclude each other", "leave one of them out")
    from wearscope.pipeline.cluster import cluster_at

    with cluster_at(cluster, trial.path) as found:
        yield found


def print_json(document: dict[str, Any]) -> None:
    """Print a document in place of tables.

    Parameters
    ----------
    document : dict
    """
    say(json.dumps(document, indent=2, allow_nan=False))


@contextmanager
def progress_bar(what: str, quiet: bool) -> Iterator[Progress | None]:
    """Progress bar on standard error, where that is a terminal.

    Parameters
    ----------
    what : str
        What is going on.
    quiet : bool

    Yields
    ------
    Progress or None
        What to tell of each photo that is done; None where no bar is shown.
    """
    if quiet:
        yield None
        return
    with progress_of(what) as say:
        if say is None:
            yield None
            return

        def show(done: int, total: int, entry: PhotoEntry) -> None:
            say(done, total, entry.file)

        yield show


@contextmanager
def progress_of(what: str) -> Iterator[Callable[[int, int, str], None] | None]:
    """Progress bar over files on standard error, where that is a terminal.

    Parameters
    ----------
    what : str
        What is going on.

    Yields
    ------
    callable or None
        What to tell of each file that is done: the number done, the number of all, its name; None where no bar is
        shown.
    """
    console = console_for(stderr=True)
    if not console.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn(what),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.fields[file]}", markup=False),
    )
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=None, file="")

        def show(done: int, total: int, file: str) -> None:
            bar.update(task, completed=done, total=total, file=visible(file))

        yield show


def shown(path: Path) -> str:
    """Path as short as it can be said from here.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
    """
    here = Path.cwd()
    return str(path.relative_to(here)) if path.is_relative_to(here) else str(path)


def say_to_open(paths: Iterable[Path]) -> None:
    """Say on standard error which files were written; those that the report leads to need not be named.

    Parameters
    ----------
    paths : iterable of Path
    """
    from wearscope.report.report import PAGES_FOLDER

    say("To open:", err=True)
    for path in paths:
        if path.parent.name != PAGES_FOLDER:
            say(f"  {shown(path)}", err=True)


def say_moved(old: str, new: str) -> None:
    """Say on standard error that a command has another name now.

    Parameters
    ----------
    old, new : str
    """
    complain([f"{old} is now part of wearscope {new}; the old name goes away with version 0.5"])


def user() -> str:
    """Who is logged in.

    Returns
    -------
    str
        Empty where nobody can tell.
    """
    from getpass import getuser

    try:
        return getuser()
    except (OSError, KeyError, ImportError):
        return ""
