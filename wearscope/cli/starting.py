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
    from collections.abc import Sequence

    from wearscope.start.answers import Answers, Question
    from wearscope.start.plan import Plan, Shown, UnevenError
    from wearscope.start.seen import Seen


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
    from wearscope.report.reason_words import words_of
    from wearscope.start import renaming
    from wearscope.start.answers import (
        Answers,
        questions,
        read_answers,
        require_answered,
        require_one_for_each,
    )
    from wearscope.start.scaling import ring_of_folder, scale_of_folder
    from wearscope.start.seen import look, others_in, pictures_in
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
    if others := start_words.others_line(others_in(folder, paths)):
        say(others, err=True)
    found, given = _shown_by(seen, given, asking=asking)
    zooms = found.zooms.graticules
    asked = questions(graticule=bool(zooms), pin=found.pin is not None, named=found.named is not None)
    if asking:
        say(start_words.shown_line(found), err=True)
        given = _ask(asked, found, folder, given)
    require_answered(given, asked, where)
    require_one_for_each(given, _bits(found, given), where, n_zooms=len(zooms))
    scales = []
    for at, graticule in enumerate(zooms or (None,)):
        scale, question = scale_of_folder(graticule, given, at)
        scales.append(scale)
        if question:
            say(f"wearscope: warning: {words_of(question)}", err=True)
    plan, given = _plan(seen, found, given, scales, asking=asking)
    say(f"{folder}:\n" + "\n".join(start_words.plan_lines(plan)))
    for at, scale in enumerate(scales):
        width_px = _width_px(plan, at)
        if width_px is not None:
            say(f"  {start_words.scale_line(scale.um_per_px, width_px, at if len(scales) > 1 else None)}")
    if asking and not yes and not _yes(f"Write {shown(target)}?", default=True):
        raise typer.Exit(OK)
    if rename:
        plan = _rename(folder, plan, yes=yes, asking=asking)
    ring = ring_of_folder(found.pin, given, scales[found.zooms.of(found.pin.file) if found.pin else 0])
    name = given.name or folder.absolute().name
    write_trial(target, start_words.trial_text(plan, given, name, ring, date.today().isoformat()))
    say(f"Written: {shown(target)}. Next: wearscope measure {shown(target)}", err=True)


def _has_terminal() -> bool:
    return sys.stdin.isatty()


def _bits(found: Shown, given: Answers) -> tuple[str, ...]:
    if given.bits or found.named is None:
        return given.bits
    return tuple(dict.fromkeys(place.bit for place in found.named.places))


def _shown_by(seen: Sequence[Seen], given: Answers, *, asking: bool) -> tuple[Shown, Answers]:
    """Sort out what the pictures show; where graticules at several zooms leave it open, ask."""
    from wearscope.report.start_words import QUESTIONS
    from wearscope.start.plan import shown_by
    from wearscope.start.zooms import ZoomOpenError

    try:
        return shown_by(seen, given), given
    except ZoomOpenError:
        if not asking:
            raise
    side = _answer("graticule_taken", QUESTIONS["graticule_taken"], needed=True)
    given = given.model_copy(update={"graticule_taken": side})
    return shown_by(seen, given), given


def _ask(asked: tuple[Question, ...], found: Shown, folder: Path, given: Answers) -> Answers:
    """Ask in the terminal; each question until its answer will do."""
    from wearscope.report.start_words import QUESTIONS
    from wearscope.start.answers import PER_BIT, Answers

    said: dict[str, Any] = {key: value for key, value in given.model_dump().items() if value}
    for question in asked:
        key = question.key
        if key == "division_um":
            said[key] = _ask_divisions(found)
        elif key in PER_BIT:
            bits = _bits(
                found, Answers.model_validate({"bits": said["bits"]}) if "bits" in said else Answers()
            )
            said[key] = _ask_of_each(key, bits, needed=question.needed)
        else:
            default = folder.absolute().name if key == "name" else ""
            said[key] = _answer(key, QUESTIONS[key], needed=question.needed, default=default)
    return Answers.model_validate({key: value for key, value in said.items() if value is not None})


def _ask_divisions(found: Shown) -> list[float]:
    """Ask how far the lines are apart, of each graticule where there are several; mostly it is one slide."""
    from wearscope.report.start_words import QUESTIONS

    each: list[float] = []
    for graticule in found.zooms.graticules:
        text = QUESTIONS["division_um"] if not each else f"The same of {graticule.file}?"
        each.append(_answer("division_um", text, needed=True, default="" if not each else f"{each[-1]:g}"))
    return each


def _ask_of_each(key: str, bits: Sequence[str], *, needed: bool) -> list[Any] | None:
    """Ask what each bit has; None where nothing is said of any."""
    from wearscope.report.start_words import QUESTIONS

    each: list[Any] = []
    for bit in bits:
        default = str(each[-1]) if each and needed else ""
        text = QUESTIONS[key].format(bit=bit)
        each.append(_answer(key, text if not each else text.splitlines()[0], needed=needed, default=default))
    return each if any(one is not None for one in each) else None


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


def _plan(
    seen: Sequence[Seen],
    found: Shown,
    given: Answers,
    scales: Any,  # noqa: ANN401 - imported late
    *,
    asking: bool,
) -> tuple[Plan, Answers]:
    """Propose which picture is what; ask further where the pictures do not come out even."""
    from wearscope.report.start_words import QUESTIONS
    from wearscope.start.plan import MarksError, OrderOpenError, UnevenError, propose, shown_by
    from wearscope.start.scaling import of_photos
    from wearscope.start.series import ORDERS, marks_of

    def match(pictures: Any) -> Any:  # noqa: ANN401 - imported late
        return marks_of(pictures, [of_photos(scales[found.zooms.of(one.file)]) for one in pictures])

    while True:
        try:
            return propose(found, given, match), given
        except (UnevenError, OrderOpenError) as problem:
            if not asking:
                raise
            more = _ask_what_differs(problem, given) if isinstance(problem, UnevenError) else None
            if more is not None:
                given = more
                found = shown_by(seen, given)
                continue
            if isinstance(problem, UnevenError) and not isinstance(problem, MarksError):
                raise
        number = typer.prompt(QUESTIONS["order"], type=typer.IntRange(1, len(ORDERS)), err=True)  # type: ignore[attr-defined]
        given = given.model_copy(update={"order": ORDERS[number - 1]})


def _ask_what_differs(problem: UnevenError, given: Answers) -> Answers | None:
    """Ask in what bits differ: flutes first, then checkpoints, then single pictures; None where nothing is left."""
    from wearscope.report.start_words import QUESTIONS

    say(f"\n{problem.what}.", err=True)
    said: dict[str, Any] = {}
    if not given.flutes:
        said["flutes"] = tuple(_ask_of_each("flutes", given.bits, needed=True) or ())
    elif not given.parts_of and problem.short != 0 and len(given.bits) > 1:
        usual = " ".join(map(str, given.parts))
        each = {
            bit: tuple(_answer("parts", QUESTIONS["parts_of"].format(bit=bit), needed=True, default=usual))
            for bit in given.bits
        }
        said["parts_of"] = each if set(each.values()) != {given.parts} else {}
        if not said["parts_of"]:
            return _ask_for_single_ones(problem, given)
    else:
        return _ask_for_single_ones(problem, given)
    return given.model_copy(update=said)


def _ask_for_single_ones(problem: UnevenError, given: Answers) -> Answers | None:
    from wearscope.report.start_words import QUESTIONS

    key = "missing" if (problem.short or 0) > 0 else "leave_out"
    if (problem.short or 0) == 0 or getattr(given, key):
        return None
    said = _answer(key, QUESTIONS[key], needed=False)
    return given.model_copy(update={key: tuple(said)}) if said else None


def _width_px(plan: Plan, zoom: int) -> int | None:
    """Width of a flute's picture at a zoom; None where there is none."""
    from PIL import Image

    at_zoom = next((one for one in plan.role("flute") if one.zoom == zoom), None)
    if at_zoom is None:
        return None
    with Image.open(at_zoom.seen.path) as picture:
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
