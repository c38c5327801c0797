"""The command note: other signs of wear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli.common import (
    OFF_BY,
    CommandLineError,
    JsonOption,
    LogOption,
    TrialArgument,
    complain,
    load,
    print_json,
    user,
)
from wearscope.cli.terminal import say

if TYPE_CHECKING:
    from wearscope.log.notes import Note
    from wearscope.log.place import LogPlace


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
        typer.Option(
            min=0.01,
            max=30,
            metavar="U",
            help=f"{OFF_BY}, in dB: from one recording of the same cut to the next.",
        ),
    ] = None,
    grade: Annotated[
        int | None, typer.Option(min=1, max=5, metavar="G", help="Cut quality, 5 (clean) to 1 (scrap).")
    ] = None,
    part_photo: Annotated[Path | None, typer.Option(metavar="JPG", help="Photo of a part.")] = None,
    um_per_px: Annotated[
        float | None, typer.Option(min=0.01, max=500, metavar="S", help="Scale of that photo, µm per pixel.")
    ] = None,
    u_um_per_px: Annotated[
        float | None, typer.Option(min=0, max=500, metavar="U", help=f"{OFF_BY}, in µm per pixel.")
    ] = None,
    along_feed: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y,X,Y", help="Both ends, in pixels, of a line along the feed across the marks."
        ),
    ] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else.")] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who; by default who is logged in.")] = None,
    out: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Note another sign of wear in the wear log, or list what is noted.

    Without anything to note, it lists the notes, of one bit or checkpoint if these are named. A later note of the
    same kind takes the place of the earlier one, which stays in the log as history; remarks add up.

    Where you can hear a router you need ear and eye protection, and extraction or a mask against dust.
    """
    loaded = load(trial)
    from wearscope.log.identity import IdentityLog
    from wearscope.log.wear_log import WearLog
    from wearscope.log.where import log_place
    from wearscope.pipeline.astray import astray_from, require_nothing_renamed
    from wearscope.process import other_signs as signs
    from wearscope.report.note_words import CAUTION, notes_of, off_checkpoint

    given = [sound_dba, recording, calibration, calibration_dba, grade, part_photo, remark]
    given += [um_per_px, u_um_per_px, along_feed, u_db]
    place = log_place((out or loaded.folder).absolute())
    with IdentityLog(place) as known:
        known.require(loaded.name, loaded.path)
    if all(thing is None or thing == [] for thing in given):
        _list_notes(place, loaded.name, bit, parts, as_json=as_json)
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
    at = signs.occasion(loaded, bit, parts, flute, user() if by is None else by)
    found: list[signs.Sign] = []
    if sound_dba is not None:
        found += signs.typed_level(sound_dba, signs.U_TYPED_DB if u_db is None else u_db)
    if recording:
        found += signs.recorded_level(
            at, recording, calibration=calibration, calibration_dba=calibration_dba, u_db=u_db
        )
    if grade is not None:
        found += signs.cut_grade(grade)
    if part_photo is not None:
        line = None if along_feed is None else _line(along_feed)
        found += signs.part_photo(
            at, part_photo, um_per_px=um_per_px, u_um_per_px=u_um_per_px, along_feed=line
        )
    if remark is not None:
        found += signs.remark(remark)
    notes = notes_of(at, found)
    require_nothing_renamed(loaded, place, astray_from(loaded, place))
    with WearLog(place) as log, IdentityLog(place) as known:
        known.claim(loaded.name, loaded.path)
        n_added = log.add_note(notes)
        _print_notes(notes, log.notes(trial=loaded.name), as_json=as_json)
    if not n_added:
        complain(["that is in the wear log already"])
    if at.parts not in at.checkpoints:
        complain([f"warning: {off_checkpoint(at)}"])
    if sound_dba is not None or recording:
        complain([CAUTION])


def _list_notes(place: LogPlace, trial: str, bit: str | None, parts: int | None, *, as_json: bool) -> None:
    """List the notes of a trial, or of one bit or checkpoint if these are named."""
    from wearscope.log.note_log import NotePlace
    from wearscope.log.wear_log import WearLog

    where = NotePlace(trial=trial)
    if bit is not None:
        where["bit"] = bit
    if parts is not None:
        where["parts"] = parts
    with WearLog(place) as log:
        _print_notes(log.notes(**where), log.notes(trial=trial), as_json=as_json)


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


def _print_notes(notes: Sequence[Note], all_notes: Sequence[Note], *, as_json: bool) -> None:
    from wearscope.process.other_signs import sound_changes
    from wearscope.report.note_words import change_text, note_line, place_line

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
        print_json({"notes": rows})
        return
    place = ""
    for one, change in zip(notes, found, strict=True):
        if place_line(one) != place:
            place = place_line(one)
            say(place)
        say(
            f"  {note_line(one)}{f'; {change_text(change)}' if change else ''} [{one.noted_by}, {one.noted_at[:10]}]"
        )
    if not notes:
        say("nothing is noted yet; see wearscope note --help")
