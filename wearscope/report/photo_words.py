"""The main result of one photo in one sentence."""

from __future__ import annotations

from collections.abc import Sequence

from wearscope.log.records import Record
from wearscope.quantities.quantity import quantity_of
from wearscope.quantities.views import VIEWS
from wearscope.report.words import (
    capitalised,
    find_record,
    limit_text,
    note_text,
    nothing_seen,
    shortened,
    value_text,
)

_OF_AN_EDGE = {
    key
    for view in VIEWS.values()
    if view.shows_transition
    for key in view.quantities
    if not quantity_of(key).of_the_photo
}
_LONGEST_REASON = 140  # characters of a reason in the one sentence over a sheet


def main_sentence(records: Sequence[Record], parts: int) -> str:
    """Say the main result of one photo in one sentence.

    Parameters
    ----------
    records : sequence of Record
        All rows of the photo.
    parts : int
        Parts cut when it was taken.

    Returns
    -------
    str
    """
    tip = find_record(records, "edge_radius", "whole")
    if tip is not None:
        return _tip_sentence(tip, find_record(records, "wedge_angle", "whole"))
    if records and not any(row.quantity in _OF_AN_EDGE for row in records):
        return _plain_sentence(records)
    if parts == 0:
        radius = find_record(records, "edge_radius", "unused")
        known = radius is not None and radius.value is not None and radius.status != "refused"
        size = f", with an edge radius of {_hedged(radius)}" if radius and known else ""
        return f"This is the new edge that later photos are compared with{size}."
    recession = find_record(records, "edge_recession", "difference")
    clauses = [
        clause
        for clause in (
            _recession_clause(recession),
            _radius_clause(find_record(records, "edge_radius", "used")),
            _land_clause(find_record(records, "wear_land", "used")),
            _coating_clause(find_record(records, "coating_loss", "used")),
            _chips_clause(find_record(records, "chip_count", "used")),
        )
        if clause
    ]
    if not clauses:
        reason = f": {_reason(recession)}" if recession and recession.note else ""
        return f"The wear of this edge could not be measured{reason}."
    if recession is not None and recession.value is None:
        clauses.insert(0, "how far the edge has moved back could not be measured")
    sentence = clauses[0]
    for clause in clauses[1:]:
        sentence += f"; {clause}"
    return capitalised(sentence) + "."


def _plain_sentence(records: Sequence[Record]) -> str:
    """The numbers of a photo that shows no edge of a tool, one after the other."""
    told = [row for row in records if not quantity_of(row.quantity).of_the_photo]
    clauses = []
    for row in told:
        if row.value is None:
            what = "could not be measured"
        else:
            what = nothing_seen(row) if row.status == "below_detection" else _hedged(row)
        clauses.append(f"{quantity_of(row.quantity).label}: {what}")
    return capitalised("; ".join(clauses)) + "." if clauses else "Nothing of this photo could be measured."


def _reason(record: Record) -> str:
    return shortened(note_text(record), _LONGEST_REASON).rstrip(".")


def _hedged(record: Record) -> str:
    return value_text(record) + (" (doubtful)" if record.status == "doubtful" else "")


def _tip_sentence(radius: Record, angle: Record | None) -> str:
    if radius.value is None:
        return f"The radius of this edge could not be measured: {_reason(radius)}."
    size = limit_text(radius) if radius.status == "below_detection" else _hedged(radius)
    wedge = f", between faces at {_hedged(angle)}" if angle is not None and angle.value is not None else ""
    return f"In section the edge radius is {size}{wedge}."


def _recession_clause(record: Record | None) -> str:
    if record is None or record.value is None:
        return ""
    if record.status == "below_detection":
        limit = limit_text(record)
        return "no wear seen: the edge has moved back " + (limit or "less than the photo can show")
    return f"where it cut, the edge has moved back {_hedged(record)}"


def _radius_clause(record: Record | None) -> str:
    if record is None or record.value is None or record.status == "below_detection":
        return ""
    return f"its radius is now {_hedged(record)}"


def _land_clause(record: Record | None) -> str:
    if record is None or record.value is None or record.status == "below_detection":
        return ""
    return f"it has a wear land {_hedged(record)} wide"


def _chips_clause(record: Record | None) -> str:
    if record is None or not record.value:
        return ""
    count = round(record.value)
    return f"it has {count} chip{'' if count == 1 else 's'}" + (
        " at least" if record.status == "doubtful" else ""
    )


def _coating_clause(record: Record | None) -> str:
    if record is None or record.value is None:
        return ""
    if record.status == "below_detection":
        return "no coating loss seen"
    return f"{_hedged(record)} of the coating there is gone"
