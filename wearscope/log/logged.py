"""What the wear log holds of a photo and of a number, and how that stands to what they would rest on now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, TypedDict

from wearscope.log.inputs import NamedInputs, changed_between, fingerprint_of
from wearscope.log.records import Record

PhotoPlace = tuple[str, int, int, str]
"""Bit, flute, parts and view: what tells apart the photos of one trial."""


class Place(TypedDict, total=False):
    """Which rows are asked for; what is left out may be anything."""

    trial: str
    bit: str
    flute: int
    parts: int
    view: str


class NumberPlace(Place, total=False):
    """Which numbers are asked for; what is left out may be anything."""

    quantity: str
    zone: str


@dataclass(frozen=True)
class LoggedInspection:
    """That a photo was inspected, and what became of it as a whole.

    Attributes
    ----------
    trial, bit : str
    flute, parts : int
    view : str
    photo, photo_sha256 : str
    refusal : str
        Why the photo was refused as a whole; empty when it was measured.
    wearscope_version, inspected_at : str
    refusal_code : str
        The reason as codes with values; empty when it was measured, and in logs of wearscope 0.1.
    inputs : mapping or None
        What its numbers rest on, as from `Inputs.named`; None where that is not known, as in logs of wearscope 0.1.
    """

    trial: str
    bit: str
    flute: int
    parts: int
    view: str
    photo: str
    photo_sha256: str
    refusal: str
    wearscope_version: str
    inspected_at: str
    refusal_code: str = ""
    inputs: NamedInputs | None = None

    @property
    def fingerprint(self) -> str | None:
        """Of `inputs`; None where they are not known."""
        return None if self.inputs is None else fingerprint_of(self.inputs)


@dataclass(frozen=True)
class LoggedRecord:
    """A row of the log and until when it held.

    Attributes
    ----------
    trial : str
    record : Record
    superseded_at : str or None
        When a later inspection came to something else; None while the row holds.
    superseding_refusal : str
        Why that later inspection refused the photo; empty if it measured it.
    inputs : mapping or None
        What the number rests on, as from `Inputs.named`; None where that is not known.
    changed_inputs : tuple of str or None
        Names of the inputs that were others in the later inspection. Empty if none was; None while the row holds,
        and where the inputs of either are not known.
    later_inputs : mapping or None
        What that later inspection rests on; None as `changed_inputs` is.
    """

    trial: str
    record: Record
    superseded_at: str | None
    superseding_refusal: str
    inputs: NamedInputs | None = None
    changed_inputs: tuple[str, ...] | None = None
    later_inputs: NamedInputs | None = None


@dataclass(frozen=True)
class Standing:
    """How what the log holds of a photo stands to what its numbers would rest on now.

    Attributes
    ----------
    state : {"measured", "refused", "out of date", "missing"}
        The first two: inspected with just these inputs.
    changed : tuple of str or None
        Names of the inputs that are others now; None where the earlier ones are not known. Empty unless out of date.
    last : LoggedInspection or None
        The inspection that was compared; None if the photo was never inspected.
    """

    state: Literal["measured", "refused", "out of date", "missing"]
    changed: tuple[str, ...] | None
    last: LoggedInspection | None


@dataclass(frozen=True)
class Compared:
    """A log beside what the numbers of a trial would rest on now.

    Attributes
    ----------
    standing : dict
        As from `WearLog.standing`.
    fingerprint : str
        SHA-256 of the checksums of all its rows and of what is expected: another one as soon as anything is.
    """

    standing: dict[PhotoPlace, Standing]
    fingerprint: str


def fingerprints_of(expected: Mapping[PhotoPlace, NamedInputs]) -> dict[PhotoPlace, str]:
    """Fingerprints of what the numbers of photos would rest on.

    Parameters
    ----------
    expected : mapping
        As from `Inputs.named`.

    Returns
    -------
    dict
    """
    return {place: fingerprint_of(named) for place, named in expected.items()}


def standings(
    inspections: Iterable[LoggedInspection],
    expected: Mapping[PhotoPlace, NamedInputs],
    fingerprints: Mapping[PhotoPlace, str],
) -> dict[PhotoPlace, Standing]:
    """How each photo stands, by the last inspection that counts.

    Parameters
    ----------
    inspections : iterable of LoggedInspection
        Oldest first.
    expected : mapping
        For each photo what its numbers would rest on now, as from `Inputs.named`.
    fingerprints : mapping
        Of these.

    Returns
    -------
    dict
    """
    last: dict[PhotoPlace, LoggedInspection] = {}
    for made in inspections:
        place = (made.bit, made.flute, made.parts, made.view)
        if place not in last or made.inputs is not None or not made.refusal:
            last[place] = made
    return {
        place: _standing(last.get(place), inputs, fingerprints[place]) for place, inputs in expected.items()
    }


def _standing(last: LoggedInspection | None, expected: NamedInputs, fingerprint: str) -> Standing:
    if last is None:
        return Standing("missing", (), None)
    if last.inputs is None:
        return Standing("out of date", None, last)
    if last.fingerprint != fingerprint:
        return Standing("out of date", changed_between(last.inputs, expected), last)
    return Standing("refused" if last.refusal else "measured", (), last)
