"""What became of numbers: every value they ever had, what each rested on, and what took its place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import cast

from wearscope.log.corrections import CorrectionLog, LoggedCorrection
from wearscope.log.identity import IdentityLog, Move
from wearscope.log.inputs import NamedInputs, changed_between
from wearscope.log.logged import LoggedRecord, NumberPlace, PhotoPlace, Place
from wearscope.log.order import in_order
from wearscope.log.past import Fate, NumberKey, Past, PastRow
from wearscope.log.place import LogPlace
from wearscope.log.records import Record
from wearscope.log.wear_log import WearLog
from wearscope.pipeline.standing import correction_fingerprint, inputs_of, place_of
from wearscope.trial.model import Trial


def past_of(trial: Trial, place: LogPlace, where: NumberPlace) -> Past:
    """Everything that was ever logged of numbers of a trial.

    Parameters
    ----------
    trial : Trial
    place : LogPlace
    where : NumberPlace
        Which numbers; the trial is that of `trial`.

    Returns
    -------
    Past
        In the usual order of numbers.

    Raises
    ------
    LogError
        As of `WearLog`; or the log is another trial's.
    """
    photos = cast(Place, {key: value for key, value in where.items() if key not in ("quantity", "zone")})
    with WearLog(place) as log, CorrectionLog(place) as by_hand, IdentityLog(place) as identity:
        identity.require(trial.name, trial.path)
        history = log.history(**(where | {"trial": trial.name}))
        made = log.inspections(**(photos | {"trial": trial.name}))
        said = _by_photo(by_hand.history(trial.name))
        holds = by_hand.current(trial.name)
        moves = tuple(one for one in identity.moves() if _concerns(one, trial.name, photos))
    asked = {_photo_place(row.record) for row in history}
    entries = [entry for entry in trial.photos if place_of(entry) in asked]
    now = {place_of(entry): each.named() for entry, each in inputs_of(trial, entries, holds).items()}
    rows: dict[NumberKey, list[PastRow]] = {}
    for one in history:
        key = (*_photo_place(one.record), one.record.quantity, one.record.zone)
        rows_said = _said_by_then(by_hand, said.get(one.record.photo_sha256, ()), one.inputs)
        rows.setdefault(key, []).append(_past_row(one, now.get(_photo_place(one.record)), rows_said))
    newest = in_order(each[-1].logged.record for each in rows.values())
    keys = [(*_photo_place(record), record.quantity, record.zone) for record in newest]
    return Past({key: tuple(rows[key]) for key in keys}, tuple(one for one in made if one.refusal), moves)


def _photo_place(record: Record) -> PhotoPlace:
    return record.bit, record.flute, record.parts, record.view


def _concerns(made: Move, trial: str, photos: Place) -> bool:
    return made.new.trial == trial and all(
        made.new.columns[name] == photos[name]
        for name in ("bit", "flute")
        if name in made.new.columns and name in photos
    )


def _past_row(one: LoggedRecord, now: NamedInputs | None, by_hand: tuple[LoggedCorrection, ...]) -> PastRow:
    if one.superseded_at is not None:
        return PastRow(one, "replaced", one.changed_inputs, one.inputs, one.later_inputs, by_hand)
    if now is None:
        return PastRow(one, "astray", None, one.inputs, None, by_hand)
    changed = None if one.inputs is None else changed_between(one.inputs, now)
    fate: Fate = "holds" if changed == () else "out of date"
    return PastRow(one, fate, changed, one.inputs, now, by_hand)


def _by_photo(history: Iterable[LoggedCorrection]) -> dict[str, list[LoggedCorrection]]:
    found: dict[str, list[LoggedCorrection]] = {}
    for row in history:
        found.setdefault(row.photo_sha256, []).append(row)
    return found


def _said_by_then(
    log: CorrectionLog, said: Sequence[LoggedCorrection], inputs: NamedInputs | None
) -> tuple[LoggedCorrection, ...]:
    """What of a photo's corrections a number rests on: those up to where they come to its fingerprint."""
    wanted = "" if inputs is None else inputs.get("corrections", "")
    if not wanted:
        return ()
    holds: dict[str, LoggedCorrection] = {}
    for row in said:
        holds[row.kind] = row
        standing = tuple(one for one in holds.values() if one.value is not None)
        if correction_fingerprint(log.said_by(standing)) == wanted:
            return standing
    return ()
