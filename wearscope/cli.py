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
    from wearscope.log.notes import Note
    from wearscope.outcome.fairness import FairTrial
    from wearscope.repeat import RepeatedQuantity, StudyResult
    from wearscope.trial import PhotoEntry, Study, Trial
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
OutOption = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR", help="Where results/ and the wear log are; by default beside the trial file."
    ),
]
OverOption = Annotated[
    str, typer.Option("--over", metavar="WHAT", help="Tell lives in parts, minutes or metres.")
]
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
    """Copy the sample trial into a folder, measure it there and write its report.

    One of its photos is out of focus, to show a refusal: that alone does not make the demo fail.
    """
    from wearscope.samples import copy_sample_trial

    trial_file = copy_sample_trial(folder)
    typer.echo(f"The sample trial is {_shown(trial_file)}; measuring it takes a minute.", err=True)
    _measure(trial_file, None, None, as_json=False, quiet=False)
    typer.echo("")
    loaded = _load(trial_file)
    _outcome(loaded, loaded.folder, "parts", as_json=False)
    typer.echo("The report, for the screen and for paper.", err=True)
    _report(loaded, loaded.folder, "parts", interactive=True, as_json=False)


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
    budget: Annotated[
        bool, typer.Option("--budget", help="Also print what each number's uncertainty is made of.")
    ] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Measure every photo of a trial.

    Writes the folder results/ and adds to the wear log. Measuring again adds nothing twice, and what an
    earlier run found stays in the log.
    """
    result = _measure(trial, out, jobs, as_json=as_json, quiet=quiet, budget=budget)
    raise typer.Exit(REFUSED if result.refusals else OK)


def _measure(
    trial: Path | None,
    out: Path | None,
    jobs: int | None,
    *,
    as_json: bool,
    quiet: bool,
    budget: bool = False,
) -> BatchResult:
    loaded = _load(trial)
    from wearscope.batch import measure_trial

    with _progress("Measuring", quiet) as progress:
        result = measure_trial(loaded, (out or loaded.folder).absolute(), jobs=jobs, progress=progress)
    if as_json:
        _print_json(_measured_document(loaded, result, budget=budget))
    elif not quiet:
        _print_summary(result)
        if budget:
            _print_budgets(result)
    if not quiet:
        _complain(f"warning: {line}" for photo in result.photos for line in photo.warnings)
    _complain(photo.refusal for photo in result.refusals)
    if not quiet:
        _say_what_to_open(result)
    return result


@app.command()
def check(trial: TrialArgument = None, jobs: JobsOption = None, as_json: JsonOption = False) -> None:
    """Judge a trial and its photos without measuring.

    First whether the trial is fair: what differs between the bits that must not.
    """
    loaded = _load(trial)
    from wearscope.batch import judge_trial
    from wearscope.outcome.fairness import fair_trial

    fair = fair_trial(loaded)
    _complain(fair.dangers)
    if not as_json:
        _print_fairness(fair)
    with _progress("Looking", quiet=False) as progress:
        verdicts = judge_trial(loaded, jobs=jobs, progress=progress)
    if as_json:
        photos = [_verdict_document(verdict) for verdict in verdicts]
        _print_json({"trial": loaded.name, "fairness": _fairness_document(fair), "photos": photos})
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
    _outcome(loaded, (out or loaded.folder).absolute(), over, as_json=as_json)


def _outcome(trial: Trial, folder: Path, over: str, *, as_json: bool) -> None:
    from wearscope.outcome.decision import outcome_of
    from wearscope.outcome.files import outcome_document, write_outcome
    from wearscope.publish import measured
    from wearscope.sheets.curves import write_curves

    found = outcome_of(trial, measured(trial, folder).records, over)  # type: ignore[arg-type]
    results = folder / "results"
    written = [*write_outcome(results, found), *write_curves(found, results)]
    if as_json:
        _print_json(outcome_document(found))
        return
    typer.echo(found.verdict)
    for bit in found.bits:
        typer.echo(f"\nBit {bit.bit}")
        _print_wrapped(bit.sentences)
    if found.sentences:
        typer.echo("\nWhat to do")
        _print_wrapped(found.sentences)
    _say_to_open(written)


@app.command()
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
    _report(loaded, (out or loaded.folder).absolute(), over, interactive=not static, as_json=as_json)


def _report(trial: Trial, folder: Path, over: str, *, interactive: bool, as_json: bool) -> None:
    from wearscope.publish import publish_report

    page, pdf = publish_report(trial, folder, over, interactive=interactive)  # type: ignore[arg-type]
    if as_json:
        _print_json({"trial": trial.name, "paths": {"html": str(page), "pdf": str(pdf)}})
    else:
        _say_to_open([page, pdf])


@app.command()
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
    loaded = _load(trial)
    from wearscope.publish import export_trial

    written = export_trial(loaded, (out or loaded.folder).absolute(), parquet=parquet)
    if as_json:
        _print_json({"trial": loaded.name, "paths": [str(path) for path in written]})
    else:
        _say_to_open(written)


def _load_for(trial: Path | None, over: str) -> Trial:
    """Load a trial whose lives are to be told in parts, minutes or metres."""
    from typing import get_args

    from wearscope.outcome.decision import Over, axis_of

    if over not in get_args(Over):
        raise CommandLineError(f"--over is {over}", f"give {', '.join(get_args(Over))}")
    loaded = _load(trial)
    axis_of(loaded, over)  # type: ignore[arg-type]
    return loaded


def _say_to_open(paths: Iterable[Path]) -> None:
    typer.echo("To open:", err=True)
    for path in paths:
        typer.echo(f"  {_shown(path)}", err=True)


def _print_wrapped(sentences: Iterable[str]) -> None:
    from shutil import get_terminal_size
    from textwrap import fill

    width = min(get_terminal_size().columns, 110)
    for sentence in sentences:
        typer.echo(fill(sentence, width, initial_indent="  ", subsequent_indent="    "))


@app.command()
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

    Measures every photo of the study and writes results/repeat-study.csv; the wear log is left alone.
    """
    from wearscope.sheets.words import QUANTITIES
    from wearscope.trial import load_study

    if quantity is not None and quantity not in QUANTITIES:
        raise CommandLineError(f"--quantity is {quantity}", f"give one of {', '.join(QUANTITIES)}")
    loaded = load_study(study)
    from wearscope.repeat import measure_study

    with _progress("Measuring", quiet=False) as progress:
        result = measure_study(
            loaded, (out or loaded.folder).absolute(), quantity=quantity, jobs=jobs, progress=progress
        )
    if as_json:
        _print_json(_study_document(loaded, result))
    else:
        _print_study(loaded, result)
    _complain(photo.refusal for photo in result.refusals)
    _complain(result.unanswered)
    if not result.quantities:
        _complain(["no quantity has enough values to study; give each flute two photos or more"])
    typer.echo(f"Every value: {_shown(result.table)}", err=True)
    raise typer.Exit(REFUSED if result.refusals or not result.quantities else OK)


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
def note(
    trial: TrialArgument = None,
    bit: Annotated[str | None, typer.Option(metavar="B", help="Name of the bit.")] = None,
    parts: Annotated[
        int | None, typer.Option(min=0, metavar="N", help="Parts cut; 0 is the new bit.")
    ] = None,
    flute: Annotated[int, typer.Option(min=0, metavar="F", help="Flute; 0 for the whole bit.")] = 0,
    sound_dba: Annotated[
        float | None, typer.Option(min=0, max=160, metavar="L", help="Level read off a sound meter, dB(A).")
    ] = None,
    recording: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="WAV", help="Recording of the cut; several of one cut tell how well it repeats."
        ),
    ] = None,
    calibration: Annotated[
        Path | None,
        typer.Option(metavar="WAV", help="Recording of a known level, same microphone and gain."),
    ] = None,
    calibration_dba: Annotated[
        float | None, typer.Option(min=0, max=160, metavar="L", help="That known level, dB(A).")
    ] = None,
    u_db: Annotated[
        float | None,
        typer.Option(min=0.01, max=30, metavar="U", help="Standard uncertainty of how a level repeats, dB."),
    ] = None,
    grade: Annotated[
        int | None, typer.Option(min=1, max=5, metavar="G", help="Cut quality, 5 (clean) to 1 (scrap).")
    ] = None,
    part_photo: Annotated[Path | None, typer.Option(metavar="JPG", help="Photo of a part.")] = None,
    um_per_px: Annotated[
        float | None, typer.Option(min=0.01, max=500, metavar="S", help="Scale of that photo, µm per pixel.")
    ] = None,
    u_um_per_px: Annotated[
        float | None, typer.Option(min=0, max=500, metavar="U", help="Its standard uncertainty.")
    ] = None,
    along_feed: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y,X,Y", help="Both ends, in pixels, of a line along the feed across the marks."
        ),
    ] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else.")] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who; by default who is logged in.")] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where the wear log is; by default beside the trial file."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Note another sign of wear in the wear log, or list what is noted.

    Without anything to note, it lists the notes, of one bit or checkpoint if these are named. A later note of the
    same kind takes the place of the earlier one, which stays in the log as history.

    Where you can hear a router you need ear and eye protection, and extraction or a mask against dust.
    """
    loaded = _load(trial)
    from wearscope.log.wear_log import LOG_NAME, NotePlace, WearLog
    from wearscope.outcome import signs

    given = [sound_dba, recording, calibration, calibration_dba, grade, part_photo, remark]
    given += [um_per_px, u_um_per_px, along_feed, u_db]
    log_path = (out or loaded.folder).absolute() / LOG_NAME
    if all(thing is None or thing == [] for thing in given):
        place = NotePlace(trial=loaded.name)
        if bit is not None:
            place["bit"] = bit
        if parts is not None:
            place["parts"] = parts
        with WearLog(log_path) as log:
            _print_notes(log.notes(**place), log.notes(trial=loaded.name), as_json=as_json)
        return
    if bit is None or parts is None:
        raise CommandLineError("a note needs its place", "give --bit NAME and --parts NUMBER")
    _require_together(sound_dba, recording, calibration, calibration_dba, part_photo, um_per_px, along_feed)
    if grade is not None and by is None:
        raise CommandLineError("--grade says nothing without who graded", "give --by NAME")
    if sound_dba is None and not recording and grade is None and part_photo is None and remark is None:
        raise CommandLineError(
            "there is nothing to note", "give a level, a recording, a grade, a photo or a remark"
        )
    at = signs.occasion(loaded, bit, parts, flute, _login() if by is None else by)
    notes = []
    if sound_dba is not None:
        notes += signs.typed_level(at, sound_dba, signs.U_TYPED_DB if u_db is None else u_db)
    if recording:
        notes += signs.recorded_level(
            at, recording, calibration=calibration, calibration_dba=calibration_dba, u_db=u_db
        )
    if grade is not None:
        notes += signs.cut_grade(at, grade)
    if part_photo is not None:
        line = None if along_feed is None else _line(along_feed)
        notes += signs.part_photo(
            at, part_photo, um_per_px=um_per_px, u_um_per_px=u_um_per_px, along_feed=line
        )
    if remark is not None:
        notes += signs.remark(at, remark)
    with WearLog(log_path) as log:
        n_added = log.add_note(notes)
        _print_notes(notes, log.notes(trial=loaded.name), as_json=as_json)
    if not n_added:
        _complain(["that is in the wear log already"])
    if at.off_checkpoint:
        _complain([f"warning: {at.off_checkpoint}"])
    if sound_dba is not None or recording:
        _complain([signs.CAUTION])


def _require_together(
    sound_dba: float | None,
    recording: list[Path] | None,
    calibration: Path | None,
    calibration_dba: float | None,
    part_photo: Path | None,
    um_per_px: float | None,
    along_feed: str | None,
) -> None:
    if sound_dba is not None and recording:
        raise CommandLineError("--sound-dba and --recording both give the level", "give one of them")
    if (calibration is None) != (calibration_dba is None) or (calibration and not recording):
        raise CommandLineError(
            "a calibration is a recording of a known level, for a recording of the cut",
            "give --calibration, --calibration-dba and --recording together",
        )
    if (um_per_px is None) != (along_feed is None) or (along_feed is not None and part_photo is None):
        raise CommandLineError(
            "the pitch of marks needs the photo, its scale and the direction of feed",
            "give --part-photo, --um-per-px and --along-feed together",
        )


def _line(text: str) -> tuple[tuple[float, float], tuple[float, float]]:
    try:
        x0, y0, x1, y1 = (float(number) for number in text.split(","))
    except ValueError:
        raise CommandLineError(
            f'--along-feed is "{text}"', "give column,row,column,row in pixels, such as 100,480,1500,470"
        ) from None
    return (x0, y0), (x1, y1)


def _login() -> str:
    from getpass import getuser

    try:
        return getuser()
    except (OSError, KeyError, ImportError):
        return ""


@app.command()
def light(
    photo: Annotated[
        Path, typer.Argument(metavar="PHOTO", help="A photo of a round pin lying across the view.")
    ],
    pin_diameter_mm: Annotated[
        float, typer.Option("--pin-diameter-mm", metavar="D", help="Diameter of the pin, in mm.")
    ],
    um_per_px: Annotated[
        float | None, typer.Option("--um-per-px", metavar="X", help="The scale, if it is known.")
    ] = None,
    u_um_per_px: Annotated[
        float | None, typer.Option("--u-um-per-px", metavar="U", help="Its standard uncertainty.")
    ] = None,
    graticule: Annotated[
        Path | None,
        typer.Option("--graticule", metavar="G", help="Or a photo of a graticule at the same zoom."),
    ] = None,
    division_um: Annotated[
        float | None, typer.Option("--division-um", metavar="D", help="Distance of its lines, in µm.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure the ring angle, for the trial file, on a photo of a round pin in the same light."""
    for name, value in (
        ("--pin-diameter-mm", pin_diameter_mm),
        ("--um-per-px", um_per_px),
        ("--u-um-per-px", u_um_per_px),
        ("--division-um", division_um),
    ):
        if value is not None and not 0 < value < float("inf"):
            raise CommandLineError(f"{name} is {value:g}", "give a length above 0")
    for pair, given in (
        ("--um-per-px and --u-um-per-px", (um_per_px, u_um_per_px)),
        ("--graticule and --division-um", (graticule, division_um)),
    ):
        if sum(one is None for one in given) == 1:
            raise CommandLineError(f"{pair} go together", "give both or neither")
    if um_per_px is not None and graticule is not None:
        raise CommandLineError("the scale is given twice", "give --um-per-px or --graticule")
    for path in filter(None, (photo, graticule)):
        if not path.is_file():
            raise CommandLineError(f"there is no file {path}", "check the path")
    from wearscope.imaging.photo import read_photo
    from wearscope.imaging.pin import ring_angle_from_pin
    from wearscope.imaging.scale import scale_from_graticule

    keys = ("ring_angle_deg", "u_ring_angle_deg", "diameter_px", "u_diameter_px", "status", "note")
    try:
        scale = None if um_per_px is None or u_um_per_px is None else (um_per_px, u_um_per_px)
        if graticule is not None and division_um is not None:
            ruled = scale_from_graticule(read_photo(graticule).linear(), division_um, file=str(graticule))
            scale = ruled.um_per_px, ruled.u_um_per_px
        found = ring_angle_from_pin(
            read_photo(photo).linear(), pin_diameter_mm, um_per_px=scale, file=str(photo)
        )
        document = asdict(found)
    except PhotoRefused as error:
        document = dict.fromkeys(keys, None) | {"status": "refused", "note": str(error)}
    if as_json:
        _print_json(document)
    elif document["status"] != "refused":
        typer.echo(f"ring_angle_deg = {document['ring_angle_deg']:.1f}")
        typer.echo(f"u_ring_angle_deg = {document['u_ring_angle_deg']:.1f}")
        typer.echo(f"# {document['status']}: {document['note']}")
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
    "fpdf2",
    "plotly",
    "XlsxWriter",
    "pyarrow",
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


def _measured_document(trial: Trial, result: BatchResult, *, budget: bool) -> dict[str, Any]:
    rows = [asdict(record) for record in result.records]
    if budget:
        budgets = _budget_documents(result)
        rows = [
            row | budgets.get(tuple(row[key] for key in _ROW), {"dof": None, "budget": []}) for row in rows
        ]
    return {
        "trial": trial.name,
        "rows": rows,
        "refused": [_entry_document(photo.entry) | {"refusal": photo.refusal} for photo in result.refusals],
        "paths": {
            "measurements": str(result.measurements),
            "refused": str(result.refused),
            "wear_log": str(result.wear_log),
            "sheets": [str(sheet) for sheet in result.sheets],
        },
    }


_ROW = ("bit", "flute", "parts", "view", "quantity", "zone")


def _budget_documents(result: BatchResult) -> dict[tuple[object, ...], dict[str, Any]]:
    """Effective degrees of freedom (null: infinitely many) and budget of each row of this run."""
    from math import isfinite

    from wearscope.sheets import budgets

    return {
        (photo.entry.bit, photo.entry.flute, photo.entry.parts, photo.entry.view, *row): {
            "dof": budget.dof if isfinite(budget.dof) else None,
            "budget": [asdict(line) for line in budgets.lines(budget)],
        }
        for photo in result.photos
        for row, budget in photo.budgets.items()
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


def _fairness_document(fair: FairTrial) -> dict[str, Any]:
    bits = [
        asdict(bit)
        | {
            "cut_length_m_per_flute": bit.cut_length_m_per_flute,
            "cut_minutes_per_flute": bit.cut_minutes_per_flute,
            "cuts_per_flute": bit.cuts_per_flute,
        }
        for bit in fair.bits
    ]
    unfair, differs = (
        [{"what": one.what, "values": dict(one.values)} for one in several]
        for several in (fair.unfair, fair.differs)
    )
    return {
        "fair": fair.fair,
        "unfair": unfair,
        "differs": differs,
        "dangers": list(fair.dangers),
        "doubts": list(fair.doubts),
        "bits": bits,
    }


def _study_document(study: Study, result: StudyResult) -> dict[str, Any]:
    from wearscope.outcome.repeatability import percent_of_tolerance, smallest_difference
    from wearscope.sheets.repeat_words import verdict

    def quantity_document(studied: RepeatedQuantity) -> dict[str, Any]:
        anova = studied.anova
        document = asdict(studied)
        document["values"] = [
            [[None if value != value else value for value in cell] for cell in row]
            for row in studied.values.tolist()
        ]
        document["smallest_difference"] = {
            "two_bits": asdict(smallest_difference(studied.spread_of_bits)),
            "one_person": asdict(smallest_difference(anova.one_person)),
            "different_people": asdict(smallest_difference(anova.combined)) if anova.n_people > 1 else None,
        }
        tolerance = study.tolerance_um if studied.unit == "um" else None
        document["percent_of_tolerance"] = (
            asdict(percent_of_tolerance(anova.combined, tolerance)) if tolerance else None
        )
        return document | {"verdict": verdict(studied, study.tolerance_um)}

    return {
        "trial": study.of.name,
        "quantities": [quantity_document(studied) for studied in result.quantities],
        "unanswered": list(result.unanswered),
        "refused": [
            _entry_document(entry)
            | {"taken_by": entry.taken_by, "repeat": entry.repeat, "refusal": photo.refusal}
            for entry, photo in zip(study.photos, result.photos, strict=True)
            if photo.refusal
        ],
        "paths": {"table": str(result.table)},
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


def _print_budgets(result: BatchResult) -> None:
    """Print a table for each number that this run made: what its uncertainty consists of."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from wearscope.sheets import budgets, words

    console = _console(stderr=False)
    for photo in result.photos:
        for record in photo.records:
            budget = photo.budgets.get((record.quantity, record.zone))
            if budget is None or record.value is None or record.std_uncertainty is None:
                continue
            how = words.quantity_words(record.quantity)
            low, high = budget.interval()
            shown = (record.value, budget.u, (high - low) / 2.0)
            value, u, expanded = words.rounded(*(how.factor * number for number in shown))
            title = f"{words.headline(record.bit, record.flute, record.parts)}: {words.row_name(record)}"
            said = f"{value} ± {expanded} {how.unit}, standard uncertainty {u} {how.unit}"
            table = Table(
                title=Text(f"{title}\n{said}"),
                title_justify="left",
                title_style="bold",
                box=box.SIMPLE_HEAD,
                pad_edge=False,
            )
            table.add_column("Input", min_width=38)
            table.add_column("its u", justify="right", min_width=9)
            table.add_column(f"gives, {how.unit}", justify="right", min_width=9)
            table.add_column("share", justify="right", min_width=6)
            for line in budgets.lines(budget):
                own = "–" if line.u is None else f"{line.u:.2g} {line.u_unit}"
                gives = words.rounded(line.contribution * how.factor, budget.u * how.factor)[0]
                table.add_row(line.name, own, gives, f"{line.share:.0%}")
            console.print(table)
            typer.echo(f"To improve next: {budgets.what_to_improve(budget)}\n")


def _print_fairness(fair: FairTrial) -> None:
    from textwrap import fill

    from wearscope.outcome.words import fair_head, fair_lines

    typer.echo(fair_head(fair))
    for line in fair_lines(fair):
        typer.echo(fill(line, 80, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False))
    typer.echo("")


def _print_notes(notes: Sequence[Note], all_notes: Sequence[Note], *, as_json: bool) -> None:
    from wearscope.outcome.signs import note_line, place_line, sound_changes

    changes = {
        (change.note.bit, change.note.flute, change.note.parts, change.note.quantity): change
        for change in sound_changes(all_notes)
    }
    found = [changes.get((one.bit, one.flute, one.parts, one.quantity)) for one in notes]
    if as_json:
        keys = ("change_db", "u_db", "limit_db")
        rows = [
            asdict(one) | {"against_new": {key: getattr(change, key) for key in keys} if change else None}
            for one, change in zip(notes, found, strict=True)
        ]
        _print_json({"notes": rows})
        return
    place = ""
    for one, change in zip(notes, found, strict=True):
        if place_line(one) != place:
            place = place_line(one)
            typer.echo(place)
        typer.echo(
            f"  {note_line(one)}{f'; {change}' if change else ''} [{one.noted_by}, {one.noted_at[:10]}]"
        )
    if not notes:
        typer.echo("nothing is noted yet; see wearscope note --help")


def _print_study(study: Study, result: StudyResult) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from wearscope.sheets import repeat_words, words

    console = _console(stderr=False)
    for studied in result.quantities:
        unit = words.quantity_words(studied.quantity).unit
        table = Table(
            title=Text(repeat_words.heading(studied)),
            title_justify="left",
            title_style="bold",
            box=box.SIMPLE_HEAD,
            pad_edge=False,
        )
        table.add_column("What differs")
        for column in (f"Standard\ndeviation, {unit}", "95 % interval", "Share of\nall, %"):
            table.add_column(column, justify="right")
        for row in repeat_words.spread_rows(studied):
            table.add_row(*row)
        console.print(table)
        for line in repeat_words.verdict(studied, study.tolerance_um):
            typer.echo(f"- {line}")
        typer.echo()
    if result.quantities:
        typer.echo(repeat_words.SHARED_REMARK)


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
