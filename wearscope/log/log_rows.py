"""All rows that a wear log holds of a trial, as its history and as lines of CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import chain
from typing import overload

from wearscope.log.checksums import Row
from wearscope.log.csv_lines import Listed, csv_lines
from wearscope.log.inputs import NamedInputs, changed_between, inputs_in
from wearscope.log.kept_rows import BitRows
from wearscope.log.logged import Compared, LoggedRecord


@dataclass(frozen=True, eq=False)
class LogRows(Sequence[LoggedRecord]):
    """Rows of a trial in the order they were added; each is told of when it is asked for, for most never are.

    Attributes
    ----------
    trial : str
    bits : sequence of BitRows
    made : mapping
        Inspections by their ids, as the log has them.
    """

    trial: str
    bits: Sequence[BitRows]
    made: Mapping[int, Row]

    @cached_property
    def _inputs(self) -> Callable[[int], NamedInputs | None]:
        return cache(lambda row_id: inputs_in(self.made[row_id]))  # many numbers come of one inspection

    @cached_property
    def _places(self) -> list[tuple[int, int, int]]:
        """Id, bit and place in that bit of each row."""
        return sorted(
            (row_id, number, at) for number, of in enumerate(self.bits) for at, row_id in enumerate(of.ids)
        )

    def __len__(self) -> int:
        return sum(len(of.ids) for of in self.bits)

    @overload
    def __getitem__(self, at: int) -> LoggedRecord: ...
    @overload
    def __getitem__(self, at: slice) -> list[LoggedRecord]: ...
    def __getitem__(self, at: int | slice) -> LoggedRecord | list[LoggedRecord]:
        if isinstance(at, slice):
            return [self._logged(*place) for place in self._places[at]]
        return self._logged(*self._places[at])

    def __iter__(self) -> Iterator[LoggedRecord]:
        return (self._logged(*place) for place in self._places)

    def _logged(self, _row_id: int, number: int, at: int) -> LoggedRecord:
        of = self.bits[number]
        before = self._inputs(of.made_by[at])
        by = of.superseded_by[at]
        if by is None:
            return LoggedRecord(self.trial, of.records[at], None, "", before)
        later, after = self.made[by], self._inputs(by)
        changed = None if before is None or after is None else changed_between(before, after)
        return LoggedRecord(
            self.trial, of.records[at], later["inspected_at"], later["refusal"], before, changed, after
        )

    def lines(self) -> Iterator[str]:
        """Lines of CSV: the trial, the record, when it was superseded, and why that refused the photo.

        Yields
        ------
        str
        """
        head, ends = csv_lines([[self.trial, None]])[0].removesuffix("\n"), dict[int | None, str]()
        for by in set(chain.from_iterable(of.superseded_by for of in self.bits)):
            later = ("", "") if by is None else (self.made[by]["inspected_at"], self.made[by]["refusal"])
            ends[by] = csv_lines([[None, *later]])[0]
        for _, number, at in self._places:
            of = self.bits[number]
            yield head + of.lines[at][:-1] + ends[of.superseded_by[at]]


@dataclass(frozen=True)
class Held(Compared):
    """All that a log holds of a trial.

    Attributes
    ----------
    standing, fingerprint
        As of `Compared`.
    current : Listed
        As from `WearLog.current`, with what is expected.
    history : LogRows
        As from `WearLog.history`.
    """

    current: Listed
    history: LogRows
