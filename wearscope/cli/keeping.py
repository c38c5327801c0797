"""The commands that look after the wear log: past, astray, carry; and over all logs: history."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli import documents, tables
from wearscope.cli.common import (
    OK,
    REFUSED,
    CommandLineError,
    JsonOption,
    LogOption,
    TrialArgument,
    complain,
    load,
    print_json,
    say_to_open,
    user,
)
from wearscope.cli.terminal import say

if TYPE_CHECKING:
    from wearscope.log.identity import IdentityLog, Move, Whose
    from wearscope.log.logged import NumberPlace
    from wearscope.trial import Trial


def past(
    trial: TrialArgument = None,
    bit: Annotated[str | None, typer.Option(metavar="B", help="Name of the bit.")] = None,
    flute: Annotated[int | None, typer.Option(min=1, metavar="F", help="Flute.")] = None,
    parts: Annotated[int | None, typer.Option(min=0, metavar="N", help="Parts cut; 0 is new.")] = None,
    view: Annotated[str | None, typer.Option(metavar="V", help="relief, rake or profile.")] = None,
    quantity: Annotated[
        str | None, typer.Option(metavar="NAME", help="As in measurements.csv, such as edge_radius.")
    ] = None,
    zone: Annotated[str | None, typer.Option(metavar="Z", help="used, unused, difference or whole.")] = None,
    out: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tell what became of a number: every value it ever had, what each rested on, and what replaced it.

    Names the inputs that changed, and who corrected by hand. What is not narrowed down is told of all: name the bit
    at least.
    """
    loaded = load(trial)
    from wearscope.log.where import log_place
    from wearscope.pipeline.measured import measure_command
    from wearscope.pipeline.past import past_of
    from wearscope.report.past_words import past_lines

    folder = (out or loaded.folder).absolute()
    where = _asked(bit, flute, parts, view, quantity, zone)
    found = past_of(loaded, log_place(folder), where)
    command = measure_command(loaded, folder)
    if not found.numbers and not found.refusals:
        _require_known(loaded, where)
        raise CommandLineError(
            f"nothing was ever logged of {_named(where)}", f"run {command}, or ask wearscope astray"
        )
    if as_json:
        print_json(documents.past_document(loaded, found))
        return
    for line in past_lines(found, loaded, command):
        say(line)


def _asked(
    bit: str | None,
    flute: int | None,
    parts: int | None,
    view: str | None,
    quantity: str | None,
    zone: str | None,
) -> NumberPlace:
    """Which numbers are asked for."""
    from typing import get_args

    from wearscope.quantities.quantity import QUANTITIES, Zone
    from wearscope.quantities.views import VIEWS

    if bit is None:
        raise CommandLineError("no bit is named", "give --bit NAME")
    for option, given, known in (
        ("--quantity", quantity, tuple(QUANTITIES)),
        ("--zone", zone, get_args(Zone)),
        ("--view", view, tuple(VIEWS)),
    ):
        if given is not None and given not in known:
            raise CommandLineError(f"{option} is {given}", f"give one of {', '.join(known)}")
    asked = {"bit": bit, "flute": flute, "parts": parts, "view": view, "quantity": quantity, "zone": zone}
    return {name: value for name, value in asked.items() if value is not None}  # type: ignore[return-value]


def _require_known(trial: Trial, where: NumberPlace) -> None:
    names = [known.name for known in trial.bits]
    if where["bit"] not in names:
        raise CommandLineError(
            f'neither {trial.path.name} nor the wear log has a bit "{where["bit"]}"',
            f"its bits are {', '.join(names)}",
        )


def _named(where: NumberPlace) -> str:
    return ", ".join(f"{name} {value}" for name, value in where.items())


def astray(trial: TrialArgument = None, out: LogOption = None, as_json: JsonOption = False) -> None:
    """List what the wear log holds under names that the trial file does not have, and how to move it.

    Lists also what was moved, and how to take that back.
    """
    loaded = load(trial, photos_to_come=True)
    from wearscope.log.identity import IdentityLog
    from wearscope.log.where import log_place
    from wearscope.pipeline.astray import astray_from
    from wearscope.report.astray_words import astray_line, back_command, move_text

    folder = (out or loaded.folder).absolute()
    with IdentityLog(log_place(folder)) as identity:
        identity.require(loaded.name, loaded.path)
        moves = _moves_of(loaded, identity)
    found = astray_from(loaded, log_place(folder))
    if as_json:
        print_json(documents.astray_document(loaded, folder, found, moves))
        return
    for one in found:
        say(astray_line(one, loaded, folder))
    for made in moves:
        say(f"{move_text(made)}; to take that back, run {back_command(loaded, folder, made)}")
    if not found:
        say("nothing has lost its place")


def _moves_of(trial: Trial, identity: IdentityLog) -> list[Move]:
    """Moves that stand and concern a trial; others in the same log are not its business."""
    return [made for made in identity.moves() if trial.name in (made.old.trial, made.new.trial)]


def carry(
    trial: TrialArgument = None,
    old_trial: Annotated[
        str | None, typer.Option("--trial", metavar="NAME", help="Former name of the trial.")
    ] = None,
    bit: Annotated[str | None, typer.Option(metavar="B", help="Former name of the bit.")] = None,
    flute: Annotated[
        int | None, typer.Option(min=1, metavar="F", help="Former number of the flute; its --bit is needed.")
    ] = None,
    to: Annotated[
        str | None,
        typer.Option(metavar="NEW", help="New name; of a trial by default the one in the trial file."),
    ] = None,
    take_back: Annotated[
        int | None,
        typer.Option(metavar="N", help="Take back an earlier move, by the number that astray tells."),
    ] = None,
    adopt: Annotated[
        bool,
        typer.Option("--adopt", help="Say that this file is the trial of its name in the wear log."),
    ] = False,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who; by default who is logged in.")] = None,
    out: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Have all that the wear log holds of a trial, bit or flute follow when it is given another name.

    Numbers, their history, notes and corrections go together, or not at all. Nothing is mixed with what stands under
    the new name already: that is refused.
    """
    loaded = load(trial, photos_to_come=True)
    from wearscope.log.identity import IdentityLog
    from wearscope.log.where import log_place
    from wearscope.report.astray_words import back_command, moved_text

    folder = (out or loaded.folder).absolute()
    named = any(given is not None for given in (old_trial, bit, flute, to))
    if named + (take_back is not None) + adopt != 1:
        raise CommandLineError(
            "it is not clear what is to be done",
            "give --trial NAME, or --bit NAME --to NEW, or --take-back N, or --adopt",
        )
    with IdentityLog(log_place(folder)) as identity:
        if adopt:
            identity.claim(loaded.name, loaded.path, adopt=True)
            say(f"{loaded.path} is the trial {loaded.name} of the wear log from now on", err=True)
            return
        identity.require(loaded.name, loaded.path)
        if take_back is not None and take_back not in {one.move_id for one in _moves_of(loaded, identity)}:
            raise CommandLineError(
                f"there is no move {take_back} of {loaded.name} to take back",
                "ask wearscope astray which there are",
            )
        who = user() if by is None else by
        made = (
            identity.take_back(take_back, who)
            if take_back is not None
            else identity.move(*_renaming(loaded, old_trial, bit, flute, to), who)
        )
    if as_json:
        print_json({"moved": asdict(made)})
        return
    say(moved_text(made))
    if made.takes_back is None:
        complain([f"to take that back, run {back_command(loaded, folder, made)}"])


def _renaming(
    trial: Trial, old_trial: str | None, bit: str | None, flute: int | None, to: str | None
) -> tuple[Whose, Whose]:
    """The old and the new name of what is to be moved."""
    from wearscope.log.identity import Whose

    if old_trial is not None:
        if bit is not None or flute is not None:
            raise CommandLineError("--trial moves a whole trial", "move its bits and flutes apart")
        return Whose(old_trial), Whose(trial.name if to is None else to)
    if bit is None:
        raise CommandLineError("no bit is named", "give --bit with its former name")
    if to is None:
        raise CommandLineError("the new name is missing", "give --to NEW")
    if flute is None:
        return Whose(trial.name, bit), Whose(trial.name, to)
    if not to.isdecimal() or int(to) < 1:
        raise CommandLineError(f"--to is {to}", "give the new number of the flute, 1 or more")
    return Whose(trial.name, bit, flute), Whose(trial.name, bit, int(to))


def history(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder that holds the trials.")],
    year: Annotated[
        int | None,
        typer.Option(min=2000, max=9999, metavar="YEAR", help="Only trials measured in that year."),
    ] = None,
    pdf: Annotated[Path | None, typer.Option("--pdf", metavar="FILE", help="Print it as PDF too.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List all that was tried below a folder: kinds, lives, costs, what was learnt.

    Those of one kind stand beside each other, whatever trial they are of; with --pdf their wear is drawn in one
    figure. A trial whose report does not say what is measured now is named, and left out; so is one of which nothing
    was measured below the folder. What was measured with --out is found if that folder is below too.
    """
    from datetime import date

    from wearscope.log.export import write_bytes
    from wearscope.pipeline.history import history_of
    from wearscope.report.history_words import history_pdf, several_trials

    found = history_of(folder, year)
    if as_json:
        print_json(asdict(found))
    else:
        tables.print_history(found)
        for line in several_trials(found.bits):
            say(line)
        for trial, verdict in found.verdicts:
            say(f"\n{trial}\n  {verdict}")
        if found.not_seen:
            say("\nNot told here")
            for line in found.not_seen:
                say(f"  {line}")
    complain(found.left_out)
    if pdf is not None:
        title = f"{folder.absolute().name}: bits tried" + (f" in {year}" if year else "")
        write_bytes(pdf, history_pdf(found, title, date.today().isoformat()))
        say_to_open([pdf])
    raise typer.Exit(REFUSED if found.left_out else OK)
