"""Corrections by hand in the wear log: each a row with who and when; none is ever changed or taken away."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from typing import Any, Self

from pydantic import TypeAdapter
from sqlalchemy import ColumnElement

from wearscope.errors import LogError, WearscopeError
from wearscope.log import database
from wearscope.log.checksums import add_rows, rows_of
from wearscope.log.schema import correction
from wearscope.trial.correction import KINDS, Correction

_CHECKED = TypeAdapter(Correction)


@dataclass(frozen=True)
class LoggedCorrection:
    """One thing that a person said of a photo.

    Attributes
    ----------
    trial, bit : str
    flute, parts : int
    view : str
    photo_sha256 : str
        Of the picture it was said of: a photo taken again starts without corrections.
    kind : str
        Field of `Correction`.
    value : str or None
        Its new value, as JSON; None takes back what was said before.
    by, at : str
        Who and when (UTC).
    """

    trial: str
    bit: str
    flute: int
    parts: int
    view: str
    photo_sha256: str
    kind: str
    value: str | None
    by: str
    at: str


_NAMES = tuple(field.name for field in fields(LoggedCorrection))


class ChangedMeanwhileError(WearscopeError):
    """Someone else has corrected the same photo since it was looked at."""

    @classmethod
    def by(cls, name: str) -> Self:
        """Said of who did it.

        Parameters
        ----------
        name : str

        Returns
        -------
        ChangedMeanwhileError
        """
        return cls(f"{name} has corrected this photo meanwhile", "look at it again, then correct it")


class CorrectionLog(database.OpenLog):
    """The corrections in a wear log.

    Several programs may add to it at once: each row is one transaction.

    Parameters
    ----------
    place : LogPlace or Path
        The wear log. The first correction makes it if there is none.

    Raises
    ------
    LogError
        On entering, and from every method: as of `WearLog`.
    """

    def append(self, rows: list[LoggedCorrection], *, seen: int | None = None) -> None:
        """Add rows about one photo, all or none; they are on the disk when this returns.

        Parameters
        ----------
        rows : list of LoggedCorrection
        seen : int, optional
            How many rows of the photo's history the person has seen.

        Raises
        ------
        ChangedMeanwhileError
            There are more than that: someone else has corrected the same photo.
        """
        if not rows:
            return
        with self._writing() as connection:
            known = rows_of(connection, correction, *_of(rows[0].trial, rows[0].photo_sha256))
            if seen is not None and len(known) > seen:
                raise ChangedMeanwhileError.by(known[-1]["by"])
            add_rows(connection, correction, [asdict(row) for row in rows])

    def history(self, trial: str, photo_sha256: str | None = None) -> list[LoggedCorrection]:
        """All that was ever said of a trial's photos, or of one of them, in the order it was said.

        Parameters
        ----------
        trial : str
        photo_sha256 : str, optional
            Of the one photo that is asked for.

        Returns
        -------
        list of LoggedCorrection
            Those taken back included; empty where there is no log.
        """
        with self._reading() as connection:
            if connection is None:
                return []
            rows = rows_of(connection, correction, *_of(trial, photo_sha256))
        return [LoggedCorrection(*(row[name] for name in _NAMES)) for row in rows]

    def current(self, trial: str) -> dict[str, Correction]:
        """What holds for each photo of a trial that anything was said of, by the photo's sha256.

        Parameters
        ----------
        trial : str

        Returns
        -------
        dict of str to Correction
            Photos of which nothing holds any more are left out.
        """
        said: dict[str, dict[str, str | None]] = {}
        for row in self.history(trial):
            said.setdefault(row.photo_sha256, {})[row.kind] = row.value
        found = {sha256: self._correction(values) for sha256, values in said.items()}
        return {sha256: what for sha256, what in found.items() if not what.empty}

    def last_step(self, trial: str, photo_sha256: str) -> tuple[Correction, Correction] | None:
        """What held of a photo before the last correction that was not taken back, and what holds with it.

        Parameters
        ----------
        trial : str
        photo_sha256 : str

        Returns
        -------
        tuple of (Correction, Correction) or None
            None where nothing is left to take back.
        """
        rows = self.history(trial, photo_sha256)
        steps = standing(rows)
        if not steps:
            return None
        holds = {row.kind: row.value for row in rows}
        kind, before = steps[-1]
        return self._correction(holds | {kind: before}), self._correction(holds)

    def said_by(self, rows: Iterable[LoggedCorrection]) -> Correction:
        """What rows of one photo say together; of a kind the last one holds.

        Parameters
        ----------
        rows : iterable of LoggedCorrection

        Returns
        -------
        Correction
        """
        return self._correction({row.kind: row.value for row in rows})

    def _correction(self, values: Mapping[str, str | None]) -> Correction:
        given = {kind: value for kind, value in values.items() if value is not None}
        if unknown := given.keys() - set(KINDS):
            raise LogError(
                f"{self.place} holds corrections of a kind unknown to this version ({', '.join(sorted(unknown))})",
                "update wearscope",
            )
        try:
            return _CHECKED.validate_python({kind: json.loads(value) for kind, value in given.items()})
        except (ValueError, WearscopeError) as error:
            raise LogError(
                f"{self.place} holds a correction that cannot be read", "restore the log from a copy"
            ) from error


def _of(trial: str, photo_sha256: str | None) -> list[ColumnElement[bool]]:
    of_trial = correction.c.trial == trial
    return [of_trial] if photo_sha256 is None else [of_trial, correction.c.photo_sha256 == photo_sha256]


def changes(before: Correction, after: Correction) -> dict[str, str | None]:
    """What has to be logged to get from one correction to another: values as JSON by kind, None for taken back.

    Parameters
    ----------
    before, after : Correction

    Returns
    -------
    dict of str to (str or None)
        Kinds that do not change are left out.
    """
    old, new, none = (_CHECKED.dump_python(what, mode="json") for what in (before, after, Correction()))
    return {
        kind: None if new[kind] == none[kind] else json.dumps(new[kind])
        for kind in KINDS
        if new[kind] != old[kind]
    }


def standing(rows: Sequence[LoggedCorrection]) -> list[tuple[str, str | None]]:
    """Corrections of one photo that were not taken back, oldest first: kind, and its value before.

    A row that says again what held before the last one of its kind takes that one back.

    Parameters
    ----------
    rows : sequence of LoggedCorrection
        Of one photo, in the order they were made.

    Returns
    -------
    list of (str, str or None)
        The value before is JSON, and None where nothing was said before.
    """
    steps: list[tuple[str, str | None]] = []
    holds: dict[str, str | None] = {}
    for row in rows:
        last = next((n for n in reversed(range(len(steps))) if steps[n][0] == row.kind), None)
        if last is not None and steps[last][1] == row.value:
            del steps[last]
        else:
            steps.append((row.kind, holds.get(row.kind)))
        holds[row.kind] = row.value
    return steps


def now_text() -> str:
    """The time as it is logged.

    Returns
    -------
    str
        UTC, to the second, as ISO 8601 writes it.
    """
    return datetime.now(UTC).isoformat(timespec="seconds")


def logged(
    place: Mapping[str, Any], photo_sha256: str, changed: Mapping[str, str | None], by: str
) -> list[LoggedCorrection]:
    """Rows for the log.

    Parameters
    ----------
    place : mapping
        `trial`, `bit`, `flute`, `parts` and `view` of the photo.
    photo_sha256 : str
    changed : mapping
        As from `changes`.
    by : str
        Who says so.

    Returns
    -------
    list of LoggedCorrection
        One for each kind, all of the same time.
    """
    at = now_text()
    return [
        LoggedCorrection(**place, photo_sha256=photo_sha256, kind=kind, value=value, by=by, at=at)
        for kind, value in changed.items()
    ]
