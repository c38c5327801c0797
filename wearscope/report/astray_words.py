"""Rows that have lost their place by a renaming, and the command that moves them, in plain words."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from wearscope.log.astray import Astray
from wearscope.log.identity import Move, Whose
from wearscope.report.words import capitalised, joined
from wearscope.trial.model import Trial

ANOTHER = "NAME"
"""Stands in a command for the name that nobody but the person knows."""


def astray_line(lost: Astray, trial: Trial, log_folder: Path) -> str:
    """Say what has lost its place, and what can be done about it.

    Parameters
    ----------
    lost : Astray
    trial : Trial
        As its file is now.
    log_folder : Path

    Returns
    -------
    str
        What it is, a semicolon, and the cure.
    """
    name = capitalised(_short(lost.whose))
    if lost.known:
        return (
            f"{trial.path.name} does not list {_held(lost)} of {_short(lost.whose)} any more; "
            "they stay in the wear log as history"
        )
    if lost.now is None:
        move = carry_command(trial, log_folder, lost.whose, None)
        return (
            f"{name} is in the wear log ({_held(lost)}) but not in {trial.path.name}; if it has another name now, "
            f"run {move} with that name, else it stays as history"
        )
    new, move = _short(lost.now), carry_command(trial, log_folder, lost.whose, lost.now)
    if not lost.free:
        aside = carry_command(trial, log_folder, lost.now, _aside(lost.now))
        return (
            f"{name} of the wear log seems to be {new} now, under which numbers or notes stand already, so "
            f"{_held(lost)} are out of sight; to bring them back and put those aside, run {aside} and then {move}"
        )
    if lost.same_photos:
        return (
            f"{name} of the wear log is {new} now, for the photos are the same, so {_held(lost)} are out of sight; "
            f"run {move}"
        )
    return (
        f"{name} is in the wear log ({_held(lost)}) but not in {trial.path.name}; if it is {new} now, "
        f"run {move}, else it stays as history"
    )


def _aside(whose: Whose) -> Whose:
    """A name to put newer rows under; a flute is put where no flute is."""
    if whose.flute is not None:
        return Whose(whose.trial, whose.bit, 100 + whose.flute)
    if whose.bit is not None:
        return Whose(whose.trial, f"{whose.bit}, put aside")
    return Whose(f"{whose.trial}, put aside")


def carry_command(trial: Trial, log_folder: Path, old: Whose, new: Whose | None) -> str:
    """Command that gives rows another name.

    Parameters
    ----------
    trial : Trial
    log_folder : Path
    old : Whose
    new : Whose or None
        None leaves it to the person.

    Returns
    -------
    str
    """
    words = ["wearscope", "carry", str(trial.path)]
    if old.bit is None:
        words += ["--trial", old.trial]
        if new is not None and new.trial != trial.name:
            words += ["--to", new.trial]
    else:
        words += ["--bit", old.bit]
        if old.flute is None:
            words += ["--to", ANOTHER if new is None else str(new.bit)]
        else:
            words += ["--flute", str(old.flute), "--to", ANOTHER if new is None else str(new.flute)]
    return shlex.join([*words, *_out(trial, log_folder)])


def back_command(trial: Trial, log_folder: Path, made: Move) -> str:
    """Command that takes a move back.

    Parameters
    ----------
    trial : Trial
    log_folder : Path
    made : Move

    Returns
    -------
    str
    """
    return shlex.join(
        ["wearscope", "carry", str(trial.path), "--take-back", str(made.move_id), *_out(trial, log_folder)]
    )


def _out(trial: Trial, log_folder: Path) -> list[str]:
    return [] if log_folder == trial.folder else ["--out", str(log_folder)]


def move_text(made: Move) -> str:
    """Say who moved what, and when.

    Parameters
    ----------
    made : Move

    Returns
    -------
    str
    """
    when = made.at[:16].replace("T", " ")
    return f"{_short(made.old)} became {_short(made.new)}, by {made.by or 'someone'} on {when}"


def moved_text(made: Move) -> str:
    """Say what was just moved.

    Parameters
    ----------
    made : Move

    Returns
    -------
    str
    """
    return f"all that the wear log holds of {_short(made.old)} now stands under {_short(made.new)}"


def _short(whose: Whose) -> str:
    if whose.bit is None:
        return f'the trial "{whose.trial}"'
    return f"bit {whose.bit}" if whose.flute is None else f"flute {whose.flute} of bit {whose.bit}"


def _held(lost: Astray) -> str:
    """What it holds, such as "the numbers of 4 photos and 2 notes"."""
    said: Sequence[str] = [
        text
        for n, text in (
            (lost.count("numbers"), f"the numbers of {_many(lost.count('numbers'), 'photo')}"),
            (lost.count("notes"), f"what is noted at {_many(lost.count('notes'), 'place')}"),
            (lost.count("corrections"), f"the corrections of {_many(lost.count('corrections'), 'photo')}"),
        )
        if n
    ]
    return joined(said) if said else "nothing"


def _many(n: int, what: str) -> str:
    return f"{n} {what}{'s' if n > 1 else ''}"
