"""What contradicts itself in time, flute by flute, with the photos named."""

from __future__ import annotations

from collections.abc import Sequence

from wearscope.log.records import Record
from wearscope.quantities.reasons import Reason, reasons_in
from wearscope.report.reason_words import words_of

IN_TIME = ("new-state-shows-wear", "less-wear-than-before", "edge-stands-out")
"""Codes of what cannot be, if each photo stands at its place."""


def time_lines(records: Sequence[Record]) -> list[str]:
    """Say which photos of a trial cannot stand in the order in which they do.

    Parameters
    ----------
    records : sequence of Record

    Returns
    -------
    list of str
        A line for each photo; empty if the order may be right.
    """
    files = {(row.bit, row.flute, row.parts, row.view): row.photo for row in records}
    said: dict[str, str] = {}
    for row in records:
        for why in reasons_in(row.reasons):
            if why.code in IN_TIME and row.photo not in said and (why.code != IN_TIME[0] or row.parts == 0):
                other = files.get((row.bit, row.flute, _parts(why), row.view), "")
                named = f", against {other}" if other and other != row.photo else ""
                place = f"{row.bit}, flute {row.flute}, {row.parts} parts"
                said[row.photo] = f"{row.photo} ({place}{named}): {words_of(why)}"
    return list(said.values())


def _parts(why: Reason) -> int:
    """Parts of the other photo that a reason names; of the new state if none."""
    return int(dict(why.values).get("parts", 0))
