"""The command line: parse, call, print.

Data goes to standard output, everything else to standard error. Exit codes: 0 every photo was measured;
1 at least one was refused or failed as a whole; 2 the command line or the trial file is wrong;
130 interrupted, and as other programs say it where a signal ended it (143 for SIGTERM).
"""

from __future__ import annotations

import atexit
import gc
import logging
import os
import re
import signal
import sys
import threading
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from types import FrameType
from typing import Annotated, Any

import typer

from wearscope.cli import (
    calibrating,
    deciding,
    filming,
    keeping,
    looking,
    measuring,
    noting,
    starting,
    upkeep,
)
from wearscope.cli.common import INTERRUPTED, OK, REFUSED, WRONG, CommandLineError, complain
from wearscope.cli.terminal import say
from wearscope.errors import WearscopeError
from wearscope.texts import is_utf8
from wearscope.version import __version__

RARELY = 50_000, 20, 20
"""Objects after which the newest are looked through for garbage, and how often that before older ones are."""

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


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
    if arguments is None:  # what libraries have to say is for developers, who ask for it
        os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
        if not sys.warnoptions:
            warnings.simplefilter("ignore")
            # of where fonts are kept without a home, and of letters that are not in them
            for library in ("matplotlib", "fpdf"):
                logging.getLogger(library).setLevel(logging.ERROR)
        # ten thousand photos make millions of objects that stay; to look through all of them for garbage again and
        # again took a third of the time
        gc.set_threshold(*RARELY)
        atexit.register(gc.freeze)  # nor is there garbage to look for where the process ends: a second more
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without µ shows a question mark
    try:
        _require_text(sys.argv[1:] if arguments is None else arguments)
        with _ended_as_by_ctrl_c() as ended_by:
            code = _commands()(arguments, prog_name="wearscope", standalone_mode=False) or OK
    except _UsageError as error:
        complain(
            [
                f"{_usage_message(error, sys.argv[1:] if arguments is None else arguments)}; see wearscope --help"
            ]
        )
        return WRONG
    except WearscopeError as error:
        complain(str(error).splitlines())
        return error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    except OSError as error:
        if error.filename is None:
            complain([f"the output cannot be written ({error.strerror}); make room, or send it elsewhere"])
        else:  # a file that came or went between two looks at it, or that nobody thought of
            cure = "check path and permissions, and run again"
            complain([f"{error.filename}: cannot be used ({error.strerror}); {cure}"])
        return REFUSED
    if code == INTERRUPTED:
        complain(["interrupted; what was finished is kept"])
        return 128 + ended_by[0] if ended_by else INTERRUPTED
    return int(code)


@cache
def _commands() -> Any:  # noqa: ANN401 - typer gives its type no name of its own
    """All commands with their options: reading them out of the functions takes longer than most commands do."""
    return typer.main.get_command(app)


@contextmanager
def _ended_as_by_ctrl_c() -> Iterator[list[int]]:
    """Have the signals that end a program leave its files as Ctrl-C does; those that came are in the list."""
    came: list[int] = []

    def end(number: int, _frame: FrameType | None) -> None:
        came.append(number)
        raise KeyboardInterrupt

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:  # nohup has it ignored
                before[number] = signal.signal(number, end)
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _require_text(arguments: Sequence[str]) -> None:
    """Refuse what is no text: it would end in the middle of the wear log, which holds names and remarks as UTF-8."""
    for argument in arguments:
        if not is_utf8(argument):
            raise CommandLineError(
                f'the command line holds what is not UTF-8: "{argument}"',
                "type it again, or give that file a name in plain letters",
            )


_UsageError: type[Exception] = typer.BadParameter.__mro__[1]  # typer gives it no name of its own


def _usage_message(error: Exception, arguments: Sequence[str]) -> str:
    if isinstance(error, typer.BadParameter) and (comma := _with_comma(error, arguments)):
        error.message = (
            f"{comma} is not read as a number; write decimals with a point: {comma.replace(',', '.')}"
        )
    message: str = error.format_message()  # type: ignore[attr-defined]
    for kind, cure in (("number", "give a number"), ("integer", "give a whole number")):
        message = re.sub(rf"Input should be a valid {kind}\b.*", cure, message)
    return message.rstrip(".")


def _with_comma(error: typer.BadParameter, arguments: Sequence[str]) -> str | None:
    """Value with a decimal comma that was given to the option that is complained of, if it is that."""
    for option in error.param.opts if error.param and "number" in error.message else ():
        for said, after in zip(arguments, (*arguments[1:], ""), strict=True):
            name, _, joined = said.partition("=")
            value = joined or after if name == option else ""
            if re.fullmatch(r"[+-]?\d*,\d+", value):
                return value
    return None


@app.callback(invoke_without_command=True)
def _wearscope(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Measure the wear of router-bit flutes, in microns, on microscope photographs.

    To see what it does, without a photo of your own: wearscope demo
    """
    if version:
        say(f"wearscope {__version__}")
        raise typer.Exit(OK)
    if context.invoked_subcommand is None:
        say(context.get_help(), err=True)
        raise typer.Exit(WRONG)


for _command in (
    measuring.demo,
    starting.start,
    measuring.measure,
    measuring.check,
    looking.view,
    filming.frames,
    deciding.report,
    measuring.repeat,
    calibrating.calibrate,
    noting.note,
    keeping.past,
    keeping.astray,
    keeping.carry,
    keeping.history,
    looking.info,
):  # as the help lists them
    app.command()(_command)
app.add_typer(upkeep.app, name="log")

for _old in (deciding.outcome, deciding.export, calibrating.scale, calibrating.light):  # until 0.5
    app.command(hidden=True)(_old)
