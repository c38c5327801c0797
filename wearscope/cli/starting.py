"""The command that makes a trial file of a camera's folder: start."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope.cli.common import OK, CommandLineError, progress_of, shown
from wearscope.cli.terminal import say

if TYPE_CHECKING:
    from wearscope.start.answers import Answers, Question
    from wearscope.start.plan import Plan, Shown


def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder with the camera's pictures.")],
    answers: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Take the answers from a file, in place of asking in the terminal."
        ),
    ] = None,
    rename: Annotated[
        bool,
        typer.Option("--rename", help="Also give the pictures names that tell what they show, after a yes."),
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Say yes to what is planned beforehand.")] = False,
    undo_rename: Annotated[
        bool, typer.Option("--undo-rename", help="Give the pictures back the names that they had.")
    ] = False,
) -> None:
    """Look at a folder of pictures, ask what they do not tell, and write the trial file.

    Nothing is changed in the pictures, and none is renamed without --rename.
    """
    from wearscope.report import start_words
    from wearscope.start import renaming
    from wearscope.start.answers import (
        Answers,
        questions,
        read_answers,
        require_answered,
        require_one_for_each,
    )
    from wearscope.start.plan import shown_by
    from wearscope.start.scaling import ring_of_folder, scale_of_folder
    from wearscope.start.seen import look, pictures_in
    from wearscope.start.writing import require_no_trial, write_trial

    if undo_rename:
        _say_undone(renaming.undo_renaming(folder))
        return
    paths = pictures_in(folder)
    target = require_no_trial(folder)
    asking = answers is None
    if asking and not _has_terminal():
        raise CommandLineError(
            "there is no terminal to ask in",
            "write the answers into a file and give --answers FILE; see README.md",
        )
    given = Answers() if answers is None else read_answers(answers)
    where = "the answers" if answers is None else shown(answers)
    with progress_of("Looking") as progress:
        seen = look(folder, paths, progress)
    found = shown_by(seen, given)
    asked = questions(
        graticule=found.graticule is not None, pin=found.pin is not None, named=found.named is not None
    )
    if asking:
        say(start_words.shown_line(found), err=True)
        given = _ask(asked, found, folder)
    require_answered(given, asked, where)
    require_one_for_each(given, _bits(found, given), where)
    scale, question = scale_of_folder(found.graticule, given)
    if question:
        say(f"wearscope: warning: {question}", err=True)
    plan = _plan(found, given, scale, asking=asking)
    say(f"{folder}:\n" + "\n".join(start_words.plan_lines(plan)))
    say(f"  {start_words.scale_line(scale.um_per_px, _width_px(plan))}")
    if asking and not yes and not _yes(f"Write {shown(target)}?", default=True):
        raise typer.Exit(OK)
    if rename:
        plan = _rename(folder, plan, yes=yes, asking=asking)
    ring = ring_of_folder(found.pin, given, scale)
    name = given.name or folder.absolute().name
    write_trial(target, start_words.trial_text(plan, given, name, ring, date.today().isoformat()))
    say(f"Written: {shown(target)}. Next: wearscope measure {shown(target)}", err=True)


def _has_terminal() -> bool:
    return sys.stdin.isatty()


def _bits(found: Shown, given: Answers) -> tuple[str, ...]:
    if given.bits or found.named is None:
        return given.bits
    return tuple(dict.fromkeys(place.bit for place in found.named.places))


def _ask(asked: tuple[Question, ...], found: Shown, folder: Path) -> Answers:
    """Ask in the terminal; each question until its answer will do."""
    from wearscope.report.start_words import QUESTIONS
    from wearscope.start.answers import PER_BIT, Answers

    said: dict[str, Any] = {}
    for question in asked:
        key = question.key
        if key not in PER_BIT:
            default = folder.absolute().name if key == "name" else ""
            said[key] = _answer(key, QUESTIONS[key], needed=question.needed, default=default)
            continue
        bits = _bits(found, Answers.model_validate({"bits": said["bits"]}) if "bits" in said else Answers())
        each: list[Any] = []
        for bit in bits:
            default = str(each[-1]) if each and question.needed else ""
            text = (
                QUESTIONS[key].format(bit=bit) if not each else QUESTIONS[key].format(bit=bit).splitlines()[0]
            )
            each.append(_answer(key, text, needed=question.needed, default=default))
        said[key] = each if any(one is not None for one in each) else None
    return Answers.model_validate({key: value for key, value in said.items() if value is not None})


def _answer(key: str, text: str, *, needed: bool, default: str = "") -> Any:  # noqa: ANN401 - as the key says
    from wearscope.start.answers import typed

    while True:
        answer = typer.prompt(
            text, default=default, show_default=bool(default), prompt_suffix="\n> ", err=True
        ).strip()
        if not answer and not needed:
            return None
        try:
            return typed(key, answer)
        except ValueError as problem:
            say(f"  {problem}", err=True)


def _plan(found: Shown, given: Answers, scale: Any, *, asking: bool) -> Plan:  # noqa: ANN401 - imported late
    from wearscope.report.start_words import QUESTIONS
    from wearscope.start.plan import OrderOpenError, propose
    from wearscope.start.scaling import of_photos
    from wearscope.start.series import ORDERS, marks_of

    def match(pictures: Any) -> Any:  # noqa: ANN401 - imported late
        return marks_of(pictures, of_photos(scale))

    try:
        return propose(found, given, match)
    except OrderOpenError:
        if not asking:
            raise
    number = typer.prompt(QUESTIONS["order"], type=typer.IntRange(1, len(ORDERS)), err=True)  # type: ignore[attr-defined]
    return propose(found, given.model_copy(update={"order": ORDERS[number - 1]}), match)


def _width_px(plan: Plan) -> int:
    from PIL import Image

    with Image.open(plan.role("flute")[0].seen.path) as picture:
        return picture.width


def _yes(question: str, *, default: bool = False) -> bool:
    return bool(typer.confirm(question, default=default, err=True))


def _rename(folder: Path, plan: Plan, *, yes: bool, asking: bool) -> Plan:
    """Show the new names, and rename after a yes."""
    from wearscope.report.start_words import renaming_lines
    from wearscope.start import renaming

    planned = renaming.renaming_of(folder, plan)
    if not planned.pairs:
        return plan
    say("New names:\n" + "\n".join(renaming_lines(planned.pairs)))
    if not yes and not (asking and _yes(f"Rename these {len(planned.pairs)} pictures?")):
        say("Nothing was renamed; --yes says yes beforehand.", err=True)
        return plan
    undo = renaming.rename(planned)
    say(f"Renamed; {shown(undo)} keeps the old names: wearscope start {folder} --undo-rename", err=True)
    return renaming.renamed_plan(plan, planned)


def _say_undone(done: Any) -> None:  # noqa: ANN401 - imported late
    from wearscope.report.start_words import renaming_lines

    say("\n".join(renaming_lines(done.pairs)))
    say(
        "The old names are back. A trial file that names the new ones has to be written again: move it away and "
        "run wearscope start.",
        err=True,
    )
