"""What still holds of a trial's numbers and what does not, in plain words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wearscope.log.inputs import NEW_STATE
from wearscope.log.logged import Standing
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial

MOST_NAMED = 8  # photos named in one line

_INPUT_WORDS = {
    "photo_sha256": "the photo itself",
    "scale": "which scale holds for it",
    "graticule_sha256": "the photo of the graticule",
    "corrections": "what was corrected by hand",
    "same_picture_as": "whether another place of the trial holds the same picture",
    "estimator": "the version of wearscope",
    NEW_STATE: "whether there is a new-state photo",
}


PUBLISHED_BEFORE = "Nothing that the report says has changed, so it was left as it was."


def input_text(name: str) -> str:
    """Say what a number rests on; what the trial file has a key for is called by that key.

    Parameters
    ----------
    name : str
        As from `changed_between`.

    Returns
    -------
    str
    """
    own = _own(name)
    said = _INPUT_WORDS.get(own, own)
    return said if own == name else f"{said} (of its new-state photo)"


def changed_text(changed: Sequence[str] | None) -> str:
    """Say what has changed since a photo was measured.

    Parameters
    ----------
    changed : sequence of str or None
        Names of inputs; None where it is not known what the numbers rested on.

    Returns
    -------
    str
    """
    if changed is None:
        return "an earlier wearscope measured, which did not note what the numbers rest on"
    return f"changed since: {', '.join(map(input_text, told_once(changed)))}"


def told_once(changed: Sequence[str]) -> list[str]:
    """Names of inputs without those of the new-state photo that are the photo's own too.

    Parameters
    ----------
    changed : sequence of str
        As from `changed_between`.

    Returns
    -------
    list of str
    """
    return [name for name in changed if _own(name) == name or _own(name) not in changed]


def _own(name: str) -> str:
    return name.removeprefix(f"{NEW_STATE}.")


def standing_lines(standing: Mapping[PhotoEntry, Standing], command: str) -> list[str]:
    """Say which photos are out of date or missing, why, and what to do; a line for each reason.

    Parameters
    ----------
    standing : mapping
        How the wear log stands to each photo of a trial.
    command : str
        What measures them.

    Returns
    -------
    list of str
        Empty if all holds.
    """
    why: dict[str, list[str]] = {}
    for entry, each in standing.items():
        if each.state == "out of date":
            why.setdefault(f"out of date ({changed_text(each.changed)})", []).append(entry.file)
        elif each.state == "missing":
            why.setdefault("not measured yet", []).append(entry.file)
    return [f"{reason}: {_files(files)}; run {command}" for reason, files in why.items()]


def _files(files: Sequence[str]) -> str:
    if len(files) <= MOST_NAMED + 1:
        return ", ".join(files)
    return f"{', '.join(files[:MOST_NAMED])} and {len(files) - MOST_NAMED} more"


def stray_lines(trial: Trial) -> list[str]:
    """Say which pictures beside those of the trial belong to nothing.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    list of str
        Empty if there is none.
    """
    if not trial.strays:
        return []
    return [
        f"{_files(trial.strays)}: not in the trial, for the pattern of [photos] does not fit; rename it, list it in "
        f"a [[photo]], or name it in a remark of {trial.path.name} to leave it out"
    ]


def out_of_date_texts(standing: Mapping[PhotoEntry, Standing]) -> dict[PhotoEntry, str]:
    """Say of each photo that is out of date why its numbers do not hold.

    Parameters
    ----------
    standing : mapping
        As in `standing_lines`.

    Returns
    -------
    dict
    """
    return {
        entry: f"Out of date, {changed_text(each.changed)}; run wearscope measure."
        for entry, each in standing.items()
        if each.state == "out of date"
    }


def left_text(n_left: int, n_photos: int) -> str:
    """Say how many photos were left as they were.

    Parameters
    ----------
    n_left, n_photos : int

    Returns
    -------
    str
    """
    which = f"All {n_photos}" if n_left == n_photos else f"{n_left} of {n_photos}"
    return f"{which} photos rest on nothing that has changed and were left as they were; --again measures them too."
