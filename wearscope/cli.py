"""The command line: parse, call, print.

Data goes to standard output, everything else to standard error. Exit codes: 0 every photo was measured;
1 at least one was refused or failed as a whole; 2 the command line or the trial file is wrong;
130 interrupted.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope import __version__
from wearscope.errors import PhotoRefused, WearscopeError

if TYPE_CHECKING:  # the rest of wearscope takes seconds to import: each command imports what it calls
    from rich.console import Console

    from wearscope.batch import BatchResult, PhotoVerdict, Progress
    from wearscope.trial import PhotoEntry, Trial
    from wearscope.wear.records import Record

OK, REFUSED, WRONG, INTERRUPTED = 0, 1, 2, 130

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

TrialArgument = Annotated[
    Path | None,
    typer.Argument(metavar="TRIAL", help="The trial file, or the folder that holds it as trial.toml."),
]
JobsOption = Annotated[
    int | None,
    typer.Option(min=1, metavar="N", help="Number of processes; by default one for each processor."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document in place of the table.")]
QuietOption = Annotated[
    bool, typer.Option("--quiet", "-q", help="Say nothing but which photos are refused, and why.")
]


class CommandLineError(WearscopeError):
    """Something that cannot be done as asked."""

    exit_code = WRONG


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        By default those of the process.

    Returns
    -------
    int
        The exit code.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without µ shows a question mark
    try:
        code = app(arguments, prog_name="wearscope", standalone_mode=False) or OK
    except _UsageError as error:
        _complain([f"{_usage_message(error)}; see wearscope --help"])
        return WRONG
    except WearscopeError as error:
        _complain(str(error).splitlines())
        return error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    if code == INTERRUPTED:
        _complain(["interrupted; what was finished is kept"])
    return int(code)


_UsageError: type[Exception] = typer.BadParameter.__mro__[1]  # typer gives it no name of its own


def _usage_message(error: Exception) -> str:
    message: str = error.format_message()  # type: ignore[attr-defined]
    return message.rstrip(".")


def _complain(lines: Iterable[str]) -> None:
    for line in lines:
        typer.echo(f"wearscope: {line}", err=True)


# --- Commands -------------------------------------------------------------------------------------------


@app.callback(invoke_without_command=True)
def _wearscope(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Measure the wear of router-bit flutes, in microns, on microscope photographs.

    To see what it does, without a photo of your own: wearscope demo
    """
    if version:
        typer.echo(f"wearscope {__version__}")
        raise typer.Exit(OK)
    if context.invoked_subcommand is None:
        typer.echo(context.get_help(), err=True)
        raise typer.Exit(WRONG)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new folder.")] = Path("wearscope-demo"),
) -> None:
    """Copy the sample trial into a folder and measure it there.

    One of its photos is out of focus, to show a refusal: that alone does not make the demo fail.
    """
    from wearscope.samples import copy_sample_trial

    trial_file = copy_sample_trial(folder)
    typer.echo(f"The sample trial is {_shown(trial_file)}; measuring it takes a minute.", err=True)
    _measure(trial_file, None, None, as_json=False, quiet=False)


@app.command()
def measure(
    trial: TrialArgument = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Where results/ and the wear log go; by default beside the trial file."
        ),
    ] = None,
    jobs: JobsOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Measure every photo of a trial.

    Writes the folder results/ and adds to the wear log. Measuring again adds nothing twice, and what an
    earlier run found stays in the log.
    """
    result = _measure(trial, out, jobs, as_json=as_json, quiet=quiet)
    raise typer.Exit(REFUSED if result.refusals else OK)


def _measure(
    trial: Path | None, out: Path | None, jobs: int | None, *, as_json: bool, quiet: bool
) -> BatchResult:
    loaded = _load(trial)
    from wearscope.batch import measure_trial

    with _progress("Measuring", quiet) as progress:
        result = measure_trial(loaded, (out or loaded.folder).absolute(), jobs=jobs, progress=progress)
    if as_json:
        _print_json(_measured_document(loaded, result))
    elif not quiet:
        _print_summary(result)
    if not quiet:
        _complain(f"warning: {line}" for photo in result.photos for line in photo.warnings)
    _complain(photo.refusal for photo in result.refusals)
    if not quiet:
        _say_what_to_open(result)
    return result


@app.command()
def check(trial: TrialArgument = None, jobs: JobsOption = None, as_json: JsonOption = False) -> None:
    """Judge a trial and its photos without measuring."""
    loaded = _load(trial)
    from wearscope.batch import judge_trial

    with _progress("Looking", quiet=False) as progress:
        verdicts = judge_trial(loaded, jobs=jobs, progress=progress)
    if as_json:
        _print_json({"trial": loaded.name, "photos": [_verdict_document(verdict) for verdict in verdicts]})
    else:
        _print_verdicts(verdicts)
        for verdict in verdicts:
            if verdict.judgement and not verdict.refusal:
                for remark in verdict.judgement.remarks:
                    typer.echo(f"{verdict.entry.file}: {remark}")
    refusals = [verdict.refusal for verdict in verdicts if verdict.refusal]
    _complain(refusals)
    raise typer.Exit(REFUSED if refusals else OK)


@app.command()
def view(
    trial: TrialArgument = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where the wear log is; by default beside the trial file."),
    ] = None,
) -> None:
    """Look at the photos of a trial, and correct by hand what the program got wrong."""
    from importlib.util import find_spec

    if not find_spec("napari") or not any(map(find_spec, ("PyQt6", "PySide6", "PyQt5", "PySide2"))):
        raise CommandLineError(
            "the viewer is not installed",
            "install it, in the folder of wearscope: .venv/bin/pip install -c requirements-tested.txt -e '.[viewer]'",
        )
    loaded = _load(trial)
    from wearscope_napari.app import view as open_viewer

    open_viewer(loaded.path, out)


@app.command()
def scale(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="A photo of a graticule.")],
    division_um: Annotated[
        float, typer.Option("--division-um", metavar="D", help="Distance of its neighbouring lines, in µm.")
    ],
    as_json: JsonOption = False,
) -> None:
    """Measure µm per pixel on a photo of a graticule."""
    if not photo.is_file():
        raise CommandLineError(f"there is no file {photo}", "check the path")
    if not 0 < division_um < float("inf"):
        raise CommandLineError(f"--division-um is {division_um:g}", "give the graticule's division in µm")
    from wearscope.imaging.photo import read_photo
    from wearscope.imaging.scale import scale_from_graticule

    keys = ("um_per_px_x", "u_um_per_px_x", "um_per_px_y", "u_um_per_px_y", "status", "note")
    try:
        found = asdict(scale_from_graticule(read_photo(photo).linear(), division_um, file=str(photo)))
        document = {key: found[key] for key in keys}
    except PhotoRefused as error:
        document = dict.fromkeys(keys, None) | {"status": "refused", "note": str(error)}
    if as_json:
        _print_json(document)
    elif document["status"] != "refused":
        for axis, what in (("x", "column"), ("y", "row")):
            value, std = document[f"um_per_px_{axis}"], document[f"u_um_per_px_{axis}"]
            typer.echo(f"{value:.7g} µm per pixel from {what} to {what}, standard uncertainty {std:.2g}")
        typer.echo(f"{document['status']}: {document['note']}")
    if document["status"] == "refused":
        _complain([document["note"]])
        raise typer.Exit(REFUSED)


@app.command()
def info() -> None:
    """Print the versions that a bug report needs."""
    import platform
    import sqlite3
    from importlib.metadata import PackageNotFoundError, version

    typer.echo(f"wearscope {__version__}")
    typer.echo(f"python {platform.python_version()}, {platform.platform()}")
    typer.echo(f"sqlite {sqlite3.sqlite_version}")
    for name in _LIBRARIES:
        try:
            typer.echo(f"{name} {version(name)}")
        except PackageNotFoundError:
            typer.echo(f"{name} not installed")


_LIBRARIES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "scikit-image",
    "tifffile",
    "pydantic",
    "SQLAlchemy",
    "pandas",
    "matplotlib",
    "jinja2",
    "typer",
    "rich",
    "napari",
    "PyQt6",
    "distributed",
    "psycopg",
)


def _load(trial: Path | None) -> Trial:
    if trial is None:
        here = "wearscope measure trial.toml" if Path("trial.toml").is_file() else "wearscope demo makes one"
        raise CommandLineError(
            "no trial is named", f"name the trial file, or the folder that holds it as trial.toml ({here})"
        )
    from wearscope.trial import load_trial

    return load_trial(trial)


# --- Documents ------------------------------------------------------------------------------------------


def _print_json(document: dict[str, Any]) -> None:
    typer.echo(json.dumps(document, indent=2, allow_nan=False))


def _measured_document(trial: Trial, result: BatchResult) -> dict[str, Any]:
    return {
        "trial": trial.name,
        "rows": [asdict(record) for record in result.records],
        "refused": [_entry_document(photo.entry) | {"refusal": photo.refusal} for photo in result.refusals],
        "paths": {
            "measurements": str(result.measurements),
            "refused": str(result.refused),
            "wear_log": str(result.wear_log),
            "sheets": [str(sheet) for sheet in result.sheets],
        },
    }


def _verdict_document(verdict: PhotoVerdict) -> dict[str, Any]:
    judged = verdict.judgement
    return _entry_document(verdict.entry) | {
        "verdict": "refused" if verdict.refusal or not judged else judged.verdict,
        "refusal": verdict.refusal,
        "remarks": list(judged.remarks) if judged else [],
        "sharpness_um": judged.sharpness_um if judged else None,
        "clipped_share": judged.clipped_share if judged else None,
        "contrast": judged.contrast if judged else None,
        "background": judged.background if judged else None,
    }


def _entry_document(entry: PhotoEntry) -> dict[str, Any]:
    return {
        "bit": entry.bit,
        "flute": entry.flute,
        "parts": entry.parts,
        "view": entry.view,
        "photo": entry.file,
    }


# --- Tables ---------------------------------------------------------------------------------------------

_SUMMARY = (
    ("Recession,\nµm", (("edge_recession", "difference"),)),
    ("Edge radius,\nused, µm", (("edge_radius", "used"), ("edge_radius", "whole"))),
    ("Coating loss,\nused, %", (("coating_loss", "used"),)),
)


def _print_summary(result: BatchResult) -> None:
    found: dict[tuple[object, ...], Record] = {
        (row.bit, row.flute, row.parts, row.view, row.quantity, row.zone): row for row in result.records
    }
    rows = []
    for photo in result.photos:
        entry = photo.entry
        place = (entry.bit, entry.flute, entry.parts, entry.view)
        cells = ["–", "–", "–", "refused"]
        if not photo.refusal:
            numbers = [[found[place + n] for n in choice if place + n in found] for _, choice in _SUMMARY]
            sharpness = found.get((*place, "sharpness", "whole"))
            cells = [*(_cell(records[0]) if records else "–" for records in numbers), _blur(sharpness)]
        rows.append((entry, cells))
    _print_by_bit([*(heading for heading, _ in _SUMMARY), "Photo:\nblur, µm"], rows)
    typer.echo("± is the 95 % interval; – is not measured on such a photo.")


def _cell(record: Record) -> str:
    """Show a number with its interval, and under it the status in a word unless all is well."""
    from wearscope.sheets import words

    if record.value is None:
        return "refused"
    if record.status == "below_detection":
        return f"{words.nothing_seen(record)}\n{words.limit_text(record, with_unit=False)}".rstrip()
    text = words.value_text(record, with_unit=False)
    return text if record.status == "ok" else f"{text}\n{record.status}"


def _blur(record: Record | None) -> str:
    if record is None or record.value is None:
        return "unknown"
    return f"{record.value:.2g}" if record.status == "ok" else f"{record.value:.2g}\n{record.status}"


def _print_verdicts(verdicts: Sequence[PhotoVerdict]) -> None:
    rows = []
    for verdict in verdicts:
        judged = verdict.judgement
        cells = ["refused", "–", "–", "–", "–"]
        if judged:
            cells = [
                "refused" if verdict.refusal else judged.verdict,
                "–" if judged.sharpness_um is None else f"{judged.sharpness_um:.2g}",
                "–" if judged.clipped_share is None else f"{judged.clipped_share:.1%}",
                "–" if judged.contrast is None else f"{judged.contrast:.2f}",
                judged.background or "–",
            ]
        rows.append((verdict.entry, cells))
    _print_by_bit(["Verdict", "Blur, µm", "Burnt out", "Contrast", "Background"], rows)


def _print_by_bit(headings: Sequence[str], rows: Sequence[tuple[PhotoEntry, Sequence[str]]]) -> None:
    """Print a table for each bit, one row for each photo."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    console = _console(stderr=False)
    for bit, of_bit in groupby(rows, lambda row: row[0].bit):
        table = Table(
            title=Text(f"Bit {bit}"),
            title_justify="left",
            title_style="bold",
            box=box.SIMPLE_HEAD,
            pad_edge=False,
        )
        table.add_column("Flute", min_width=7)
        table.add_column("Parts", min_width=5)
        for heading in headings:
            table.add_column(heading, min_width=9)
        for entry, cells in of_bit:
            flute = str(entry.flute) if entry.view == "relief" else f"{entry.flute} {entry.view}"
            table.add_row(flute, str(entry.parts) if entry.parts else "new", *cells)
        console.print(table)


def _console(*, stderr: bool) -> Console:
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, markup=False, emoji=False)


# --- What a person sees meanwhile and after -------------------------------------------------------------


@contextmanager
def _progress(what: str, quiet: bool) -> Iterator[Progress | None]:
    """Progress bar on standard error, where that is a terminal."""
    console = _console(stderr=True)
    if quiet or not console.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn(what),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.fields[file]}"),
    )
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=None, file="")

        def show(done: int, total: int, entry: PhotoEntry) -> None:
            bar.update(task, completed=done, total=total, file=entry.file)

        yield show


def _say_what_to_open(result: BatchResult) -> None:
    n_measured = len(result.photos) - len(result.refusals)
    lines = [f"{n_measured} of {len(result.photos)} photos measured. To open:"]
    if result.sheets:
        lines.append(f"  {_shown(result.sheets[0].parent)}  pictures: used beside unused, new beside now")
    lines.append(f"  {_shown(result.measurements)}  every number")
    if result.refusals:
        lines.append(f"  {_shown(result.refused)}  photos to take again, and why")
    for line in lines:
        typer.echo(line, err=True)


def _shown(path: Path) -> str:
    """Path as short as it can be said from here."""
    here = Path.cwd()
    return str(path.relative_to(here)) if path.is_relative_to(here) else str(path)
