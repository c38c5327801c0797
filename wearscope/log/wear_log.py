"""The wear log: every number ever measured and every note, with what was known at the time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from functools import cache
from hashlib import sha256
from math import isfinite
from operator import itemgetter
from typing import Any, Unpack, cast

from sqlalchemy import ColumnElement, Connection, Table

from wearscope.log.checksums import (
    DamagedRowError,
    Row,
    add_rows,
    change_rows,
    checksums_in,
    each_row,
    put_rows,
    rows_of,
)
from wearscope.log.csv_lines import KnownLines, Listed
from wearscope.log.inputs import NamedInputs, changed_between, inputs_in, inputs_text
from wearscope.log.kept_rows import BitRows, rows_by_bit
from wearscope.log.log_rows import Held, LogRows
from wearscope.log.logged import (
    Compared,
    LoggedInspection,
    LoggedRecord,
    NumberPlace,
    PhotoPlace,
    Place,
    Standing,
    fingerprints_of,
    standings,
)
from wearscope.log.note_log import NoteLog
from wearscope.log.order import in_order
from wearscope.log.records import Record, none_collected, record_of
from wearscope.log.schema import PLACE, RECORD_TYPES, inspection, measurement

Number = tuple[str, str]
"""Quantity and zone: what tells apart the rows of one photo."""


class WearLog(NoteLog):
    """Measurements in one database, to which rows are added and from which none is ever taken away.

    A row is *current* until a later inspection of the same flute, checkpoint and view comes to something
    else, or rests on other inputs; then it is history. Measuring again with the same result adds nothing.

    Entering the context checks the log that is there, so that a wrong or damaged one is known before any work; the
    first `append` makes it if there is none, or brings one of an earlier version up to date.

    Parameters
    ----------
    place : LogPlace or Path

    Raises
    ------
    LogError
        On entering, and from every method: it is not a wear log, is damaged, is that of a newer wearscope, or
        cannot be read or written.
    """

    def append(self, made: LoggedInspection, records: Iterable[Record]) -> int:
        """Add what came of one photo, whole or not at all.

        `records` are all that the inspection found: current rows of the same trial, bit, flute, parts and
        view that are not among them become history. Two rows are the same if they rest on the same inputs and agree
        in all but ``wearscope_version`` and ``measured_at``.

        A photo refused as a whole has no records. It makes the rows of an earlier inspection history only if it is
        known to rest on other inputs than they do: what was measured still holds if nothing but the luck changed.

        Parameters
        ----------
        made : LoggedInspection
        records : iterable of Record
            Of the bit, flute, parts and view of `made`, at most one for each quantity and zone.

        Returns
        -------
        int
            Number of rows added.

        Raises
        ------
        ValueError
            A record of another photo or of a refused one, two for one number, or a value that is not finite.
        """
        fresh = _by_number(made, records)
        if made.refusal and fresh:
            raise ValueError(f"{made.photo} was refused, but has records")
        with self._writing() as connection:
            stored = _current_rows(connection, made)
            same = _unchanged(made, fresh, stored, _made(connection, _place(made))) if stored else set()
            stale = [row for number, row in stored.items() if number not in same]
            added = [row for number, row in fresh.items() if number not in same]
            if not stale and not added and _verdict_stands(connection, made):
                return 0
            (inspection_id,) = add_rows(connection, inspection, [_inspection_row(made)])
            change_rows(connection, measurement, stale, {"superseded_by": inspection_id})
            _insert(connection, made.trial, added, inspection_id)
        return len(added)

    def current(
        self, *, expected: Mapping[PhotoPlace, str] | None = None, **place: Unpack[Place]
    ) -> list[Record]:
        """Rows that hold now, in natural order.

        Parameters
        ----------
        expected : mapping, optional
            Fingerprint of what the numbers of each photo of the trial would rest on now. Rows that rest on anything
            else, or stand at a place not named, count as history.
        **place
            Of the rows asked for; with `expected`, the trial must be among it.

        Returns
        -------
        list of Record

        Raises
        ------
        ValueError
            `expected` without a trial.
        """
        if expected is not None and "trial" not in place:
            raise ValueError("fingerprints are expected of one trial; say of which")
        with self._reading(long="bit" not in place) as connection:
            if connection is None:
                return []
            where = _matches(measurement, place)
            made = _Made() if expected is None else _made(connection, place)
            found = [
                _record(row)
                for row in each_row(connection, measurement, *where, measurement.c.superseded_by.is_(None))
                if expected is None
                or (
                    (wanted := expected.get(_photo_place(row))) is not None
                    and made[row["inspection_id"]]["fingerprint"] == wanted
                )
            ]
        return in_order(found)

    def history(self, **where: Unpack[NumberPlace]) -> list[LoggedRecord]:
        """All rows ever added, those that hold now included, in the order they were added.

        Parameters
        ----------
        **where
            Of the rows asked for. With all of it: every value that one number ever had.

        Returns
        -------
        list of LoggedRecord
        """
        with self._reading(long="bit" not in where) as connection:
            if connection is None:
                return []
            place = cast(Place, {name: wanted for name, wanted in where.items() if name in PLACE})
            made = _made(connection, place)
            inputs = cache(lambda row_id: inputs_in(made[row_id]))  # many numbers come of one inspection
            rows = rows_of(connection, measurement, *_matches(measurement, where))
            return [_logged(row, made, inputs) for row in rows]

    def holds(
        self, trial: str, expected: Mapping[PhotoPlace, NamedInputs], before: Compared | None = None
    ) -> Held:
        """All that the log holds of a trial, each row read once, in one transaction.

        Parameters
        ----------
        trial : str
        expected : mapping
            For each photo of the trial what its numbers would rest on now, as from `Inputs.named`.
        before : Compared, optional
            As `stands` has found it just now: where the log still holds the same, nothing is compared again.

        Returns
        -------
        Held
        """
        fingerprints = fingerprints_of(expected)
        made, summed, rows = self._rows(trial)
        compared = _compared(summed, made, expected, fingerprints, before)
        return Held(*compared, _holding(rows, made, fingerprints), LogRows(trial, rows, made))

    def holding(self, trial: str, expected: Mapping[PhotoPlace, str]) -> Listed:
        """As from `current` with fingerprints, and the lines of the rows as CSV.

        Parameters
        ----------
        trial : str
        expected : mapping
            As of `current`.

        Returns
        -------
        Listed
        """
        made, _, rows = self._rows(trial)
        return _holding(rows, made, expected)

    def _rows(self, trial: str) -> tuple[_Made, list[str], list[BitRows]]:
        """Inspections, and rows with their checksums, of a whole trial."""
        with self._reading(long=True) as connection, none_collected():
            if connection is None:
                return _Made(), [], []
            made = _made(connection, {"trial": trial})
            summed, rows = rows_by_bit(connection, trial, self.place.folder / "results")
            for of_bit in rows:
                for row_id in {*of_bit.made_by, *of_bit.superseded_by}:
                    if row_id is not None:
                        made[row_id]  # it is where the numbers are, or the log is damaged
            return made, summed, rows

    def stands(self, trial: str, expected: Mapping[PhotoPlace, NamedInputs]) -> Compared:
        """As from `holds`, without its rows: of them nothing but the checksums is read.

        Parameters
        ----------
        trial : str
        expected : mapping
            As of `holds`.

        Returns
        -------
        Compared
        """
        fingerprints = fingerprints_of(expected)
        summed, made = [], _Made()
        with self._reading() as connection:
            if connection is not None:
                made = _made(connection, {"trial": trial})
                summed = checksums_in(connection, measurement, measurement.c.trial == trial)
        return Compared(*_compared(summed, made, expected, fingerprints))

    def inspections(self, **place: Unpack[Place]) -> list[LoggedInspection]:
        """Inspections that added or superseded a row or changed the verdict on a photo, oldest first.

        Parameters
        ----------
        **place
            Of the photos asked for.

        Returns
        -------
        list of LoggedInspection
        """
        with self._reading() as connection:
            if connection is None:
                return []
            rows = rows_of(connection, inspection, *_matches(inspection, place))
        return [_inspection(row) for row in rows]

    def standing(self, trial: str, expected: Mapping[PhotoPlace, NamedInputs]) -> dict[PhotoPlace, Standing]:
        """How the log stands to what the numbers of a trial's photos would rest on now.

        Parameters
        ----------
        trial : str
        expected : mapping
            For each photo of the trial what its numbers would rest on, as from `Inputs.named`.

        Returns
        -------
        dict
            For each photo in `expected`, in that order.

        Notes
        -----
        A refusal of which the inputs are not known (the file could not be read, say) is passed over, as by `append`.
        """
        return standings(self.inspections(trial=trial), expected, fingerprints_of(expected))


def _compared(
    summed: Iterable[str],
    made: _Made,
    expected: Mapping[PhotoPlace, NamedInputs],
    fingerprints: Mapping[PhotoPlace, str],
    before: Compared | None = None,
) -> tuple[dict[PhotoPlace, Standing], str]:
    """Standing of each photo, and fingerprint, given the checksums of all rows of numbers."""
    whole = sha256("".join((*summed, *(row["checksum"] for row in made.values()))).encode())
    for place, wanted in fingerprints.items():
        whole.update(repr((place, wanted)).encode())
    if before is not None and before.fingerprint == whole.hexdigest():
        return before.standing, before.fingerprint
    found = standings((_inspection(row) for row in made.values()), expected, fingerprints)
    return found, whole.hexdigest()


def _matches(table: Table, place: Place | NumberPlace) -> list[ColumnElement[bool]]:
    return [table.c[name] == wanted for name, wanted in place.items()]


def _place(made: LoggedInspection) -> Place:
    return {"trial": made.trial, "bit": made.bit, "flute": made.flute, "parts": made.parts, "view": made.view}


def _photo_place(row: Row) -> PhotoPlace:
    return row["bit"], row["flute"], row["parts"], row["view"]


def _current_rows(connection: Connection, made: LoggedInspection) -> dict[Number, Row]:
    here = _matches(measurement, _place(made))
    rows = rows_of(connection, measurement, *here, measurement.c.superseded_by.is_(None))
    return {(row["quantity"], row["zone"]): row for row in rows}


def _holding(rows: Iterable[BitRows], made: _Made, expected: Mapping[PhotoPlace, str]) -> Listed:
    """Rows that hold, in natural order."""
    found: list[Record] = []
    lines: list[str] = []
    for of in rows:
        for record, line, by, later in zip(of.records, of.lines, of.made_by, of.superseded_by, strict=True):
            if later is None:
                wanted = expected.get((record.bit, record.flute, record.parts, record.view))
                if wanted is not None and made[by]["fingerprint"] == wanted:
                    found.append(record)
                    lines.append(line)
    return Listed.with_lines(in_order(found), KnownLines(found, lines))


class _Made(dict[int, Row]):
    """Inspections by their id."""

    def __missing__(self, row_id: int) -> Row:
        raise DamagedRowError(f"inspection {row_id} is not where the numbers that came of it are")


def _made(connection: Connection, place: Place) -> _Made:
    return _Made({row["id"]: row for row in rows_of(connection, inspection, *_matches(inspection, place))})


def _unchanged(
    made: LoggedInspection, fresh: Mapping[Number, Record], stored: Mapping[Number, Row], earlier: _Made
) -> set[Number]:
    """Numbers whose current rows hold after an inspection too."""
    now = made.fingerprint
    before = {number: earlier[row["inspection_id"]]["fingerprint"] for number, row in stored.items()}
    if made.refusal:
        return {number for number in stored if None in (before[number], now) or before[number] == now}
    return {
        number
        for number, row in fresh.items()
        if number in stored and before[number] == now and _same(row, _record(stored[number]))
    }


def _verdict_stands(connection: Connection, made: LoggedInspection) -> bool:
    """Whether the last inspection said the same of the same photo, on the same grounds."""
    last = rows_of(connection, inspection, *_matches(inspection, _place(made)), newest=True)
    names = ("photo_sha256", "refusal", "refusal_code", "fingerprint")
    return bool(last) and all(last[0][name] == getattr(made, name) for name in names)


def _insert(connection: Connection, trial: str, records: Sequence[Record], inspection_id: int) -> None:
    new = {"trial": trial, "inspection_id": inspection_id}
    put_rows(
        connection, measurement, [new | {n: getattr(record, n) for n in RECORD_TYPES} for record in records]
    )


_MADE_NAMES = tuple(field.name for field in fields(LoggedInspection) if field.name != "inputs")


def _inspection_row(made: LoggedInspection) -> Row:
    inputs = None if made.inputs is None else inputs_text(made.inputs)
    plain = {name: getattr(made, name) for name in _MADE_NAMES}
    return plain | {"fingerprint": made.fingerprint, "inputs": inputs}


def _inspection(row: Row) -> LoggedInspection:
    return LoggedInspection(**{name: row[name] for name in _MADE_NAMES}, inputs=inputs_in(row))


def _logged(row: Row, made: _Made, inputs: Callable[[int], NamedInputs | None]) -> LoggedRecord:
    before = inputs(row["inspection_id"])
    if row["superseded_by"] is None:
        return LoggedRecord(row["trial"], _record(row), None, "", before)
    later, after = made[row["superseded_by"]], inputs(row["superseded_by"])
    changed = None if before is None or after is None else changed_between(before, after)
    return LoggedRecord(
        row["trial"], _record(row), later["inspected_at"], later["refusal"], before, changed, after
    )


def _record(row: Row) -> Record:
    return record_of(_cells(row))


_cells = itemgetter(*RECORD_TYPES)


def _same(one: Record, other: Record) -> bool:
    return one == replace(other, wearscope_version=one.wearscope_version, measured_at=one.measured_at)


def _by_number(made: LoggedInspection, records: Iterable[Record]) -> dict[Number, Record]:
    rows: dict[Number, Record] = {}
    for record in map(_plain, records):
        number = (record.quantity, record.zone)
        if any(getattr(record, name) != getattr(made, name) for name in PLACE if name != "trial"):
            raise ValueError(f"a record of {record.photo} was handed in with those of {made.photo}")
        if number in rows:
            raise ValueError(f"two records of {made.photo} for {record.quantity}, {record.zone}")
        rows[number] = record
    return rows


def _plain(record: Record) -> Record:
    """Give the record Python's own numbers, which a database takes; ValueError if one is not finite."""
    plain: dict[str, Any] = {}
    for name, hint in RECORD_TYPES.items():
        value = getattr(record, name)
        if hint is int:
            plain[name] = int(value)
        elif hint == float | None and value is not None:
            if not isfinite(value):
                raise ValueError(f"{record.quantity} of {record.photo} has {name} = {value}")
            plain[name] = float(value)
    return replace(record, **plain)
