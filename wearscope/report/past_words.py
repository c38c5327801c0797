"""What became of a number, in plain words: its values, what each rested on, who said what, what replaced it."""

from __future__ import annotations

from collections.abc import Iterator

from wearscope.log.inputs import NEW_STATE, NamedInputs, changed_between
from wearscope.log.logged import LoggedInspection
from wearscope.log.past import NumberKey, Past, PastRow
from wearscope.log.records import Record
from wearscope.quantities.views import suffix
from wearscope.report import words
from wearscope.report.astray_words import move_text
from wearscope.report.standing_words import changed_text, input_text, told_once
from wearscope.trial.model import Trial

SHORT_SUM = 8  # digits of a checksum that are shown; chosen: enough to tell the photos of a trial apart

_KIND_WORDS = {
    "edge": "the edge line",
    "transition_px": "the transition",
    "used_towards_px": "which side is used",
    "ignored_px": "what is left out",
    "scale": "the scale",
}
_NOT_TOLD = frozenset({"corrections"})  # told by who said what
_SUMS = {"photo_sha256": "photo", "graticule_sha256": "graticule"}


def past_lines(past: Past, trial: Trial, command: str) -> Iterator[str]:
    """Tell what became of numbers.

    Parameters
    ----------
    past : Past
    trial : Trial
    command : str
        What measures the trial.

    Yields
    ------
    str
    """
    for made in past.moves:
        yield move_text(made)
    for key, rows in past.numbers.items():
        yield number_text(key)
        for row in rows:
            yield from (f"  {line}" for line in _row_lines(row, trial, command))
    for refusal in past.refusals:
        yield refusal_text(refusal)


def number_text(key: NumberKey) -> str:
    """Name a number, such as "Bit Wren, flute 1, after 150 parts: edge radius, used".

    Parameters
    ----------
    key : tuple
        Bit, flute, parts, view, quantity and zone.

    Returns
    -------
    str
    """
    bit, flute, parts, view, quantity, zone = key
    place = f"{words.headline(bit, flute, parts)}{suffix(view, ', ')}"
    return f"{place}: {words.name_in_zone(quantity, zone)}"  # type: ignore[arg-type]


def refusal_text(made: LoggedInspection) -> str:
    """Say that a photo was refused as a whole.

    Parameters
    ----------
    made : LoggedInspection

    Returns
    -------
    str
    """
    return (
        f"{words.headline(made.bit, made.flute, made.parts)}: {made.photo} was refused on "
        f"{_when(made.inspected_at)}: {made.refusal}"
    )


def _row_lines(row: PastRow, trial: Trial, command: str) -> Iterator[str]:
    record = row.logged.record
    yield f"{_when(record.measured_at)}  {_value(record)}, {record.status.replace('_', ' ')}"
    if record.note:
        yield f"    {words.note_text(record)}"
    yield f"    rests on: {rests_on_text(record, row.rests_on)}"
    for said in row.by_hand:
        yield f"    by hand: {_KIND_WORDS.get(said.kind, said.kind)}, by {said.by or 'someone'} on {_when(said.at)}"
    yield f"    {_fate(row, trial, command)}"


def _value(record: Record) -> str:
    if record.value is None:
        return "no value"
    return words.value_text(record)


def rests_on_text(record: Record, inputs: NamedInputs | None) -> str:
    """Say what a number rests on.

    Parameters
    ----------
    record : Record
    inputs : mapping or None
        As from `Inputs.named`; None where it is not known.

    Returns
    -------
    str
    """
    if inputs is None:
        photo = f"{record.photo} ({record.photo_sha256[:SHORT_SUM]}), scale {record.scale}"
        return f"{photo}; an earlier wearscope measured, which did not note the rest"
    own = {name: value for name, value in inputs.items() if not name.startswith(f"{NEW_STATE}.")}
    said = [
        _input(name, own[name], record.photo) for name in changed_between({}, own) if name not in _NOT_TOLD
    ]
    return "; ".join([*said, *_new_state(inputs)])


def _new_state(inputs: NamedInputs) -> list[str]:
    """The new-state photo, and what is otherwise for it."""
    new = {
        name.removeprefix(f"{NEW_STATE}."): value
        for name, value in inputs.items()
        if name.startswith(f"{NEW_STATE}.")
    }
    if not new:
        return []
    other = [name for name in changed_between({}, new) if new[name] != inputs.get(name)]
    return [f"new-state {_input(name, new[name])}" for name in other if name not in _NOT_TOLD]


def _input(name: str, value: object, photo: str = "") -> str:
    if name in _SUMS:
        what = photo if photo and name == "photo_sha256" else _SUMS[name]
        return f"{what} ({str(value)[:SHORT_SUM]})"
    if name == "scale":
        return f"scale {value}"
    return f"wearscope {value}" if name == "estimator" else f"{name} = {_plain(value)}"


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _fate(row: PastRow, trial: Trial, command: str) -> str:
    if row.fate == "holds":
        return "holds now"
    if row.fate == "astray":
        return f"{trial.path.name} does not list its photo under this name; see wearscope astray"
    changed = _changed(row)
    if row.fate == "out of date":
        return f"out of date ({changed}); run {command}"
    refused = row.logged.superseding_refusal
    when = _when(row.logged.superseded_at or "")
    return f"replaced on {when}{f', when the photo was refused ({refused})' if refused else ''}; {changed}"


def _changed(row: PastRow) -> str:
    if not row.changed:
        return changed_text(None) if row.changed is None else "nothing that it rests on had changed"
    return f"changed since: {', '.join(_change(name, row) for name in told_once(row.changed))}"


def _change(name: str, row: PastRow) -> str:
    """An input that changed, with both of its values where these tell anyone anything."""
    own = name.removeprefix(f"{NEW_STATE}.")
    if own in (*_SUMS, *_NOT_TOLD, NEW_STATE):
        return input_text(name)
    before, after = ((of or {}).get(name) for of in (row.rests_on, row.later))
    values = " to ".join("not stated" if value is None else _plain(value) for value in (before, after))
    return f"{input_text(name)} ({values})"


def _when(at: str) -> str:
    return at[:16].replace("T", " ")
