"""What photos were judged to be, kept for the next time, of those of which nothing has changed since."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, fields
from hashlib import sha256
from pathlib import Path
from typing import Any

from wearscope.errors import WearscopeError
from wearscope.files import PHOTO_BYTES, read_file
from wearscope.log.export import write_bytes
from wearscope.log.inputs import Inputs, fingerprint_of
from wearscope.pipeline.judgement import Judgement, OwnStep
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial

FILE_NAME = "judgements.json"
"""In ``results/``; whoever deletes it waits longer the next time."""

_TOLD = tuple(field.name for field in fields(Judgement) if field.name not in ("entry", "step"))


def kept_judgements(
    folder: Path, trial: Trial, inputs: Mapping[PhotoEntry, Inputs]
) -> dict[PhotoEntry, Judgement]:
    """Judgements that an earlier look left, of photos that rest on the same as then.

    Parameters
    ----------
    folder : Path
        The results folder.
    trial : Trial
    inputs : mapping
        What the photos rest on now, as from `inputs_of`.

    Returns
    -------
    dict
        Empty where there are none, or the file is damaged.
    """
    try:
        kept = json.loads(read_file(folder / FILE_NAME, PHOTO_BYTES))
        if kept["sha256"] != _sum(kept["judged"]):
            return {}
        judged: dict[str, Any] = kept["judged"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}
    return {
        entry: _judgement(entry, judged[key])
        for entry, each in inputs.items()
        if (key := _key(trial, entry, each)) in judged
    }


def keep_judgements(
    folder: Path, trial: Trial, inputs: Mapping[PhotoEntry, Inputs], judged: Iterable[Judgement]
) -> None:
    """Leave judgements for the next look, where a trial has been measured; refused photos are looked at again.

    Parameters
    ----------
    folder : Path
        The results folder; nothing is kept where there is none.
    trial : Trial
    inputs : mapping
        As in `kept_judgements`.
    judged : iterable of Judgement
        All that are known, each as it is by itself: what one photo says of another may change.
    """
    if not folder.is_dir():
        return
    told = {
        _key(trial, each.entry, inputs[each.entry]): {name: getattr(each, name) for name in _TOLD}
        | {"step": None if each.step is None else asdict(each.step)}
        for each in judged
        if each.verdict != "refused"
    }
    with suppress(WearscopeError, TypeError, ValueError):  # the next look does without
        content = json.dumps({"sha256": _sum(told), "judged": told}, allow_nan=False, default=float)
        write_bytes(folder / FILE_NAME, content.encode())


def _key(trial: Trial, entry: PhotoEntry, rests_on: Inputs) -> str:
    """All that a judgement depends on; files by their names too, for its remarks name them."""
    new = trial.new_state(entry)
    named = (
        fingerprint_of(rests_on),
        entry.bit,
        entry.flute,
        entry.parts,
        entry.view,
        entry.file,
        new and new.file,
    )
    return sha256(repr(named).encode()).hexdigest()


def _sum(judged: Mapping[str, Any]) -> str:
    return sha256(json.dumps(judged, sort_keys=True, default=float).encode()).hexdigest()


def _judgement(entry: PhotoEntry, told: Mapping[str, Any]) -> Judgement:
    of = {name: told[name] for name in _TOLD} | {"remarks": tuple(told["remarks"])}
    return Judgement(entry, **of, step=None if told["step"] is None else OwnStep(**told["step"]))
