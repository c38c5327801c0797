"""Numbers of one flute that contradict each other in time: wear does not heal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import chain, combinations

import numpy as np

from wearscope.log.records import Record
from wearscope.metrology.findings import detection_limit
from wearscope.pipeline.judgement import Judgement
from wearscope.quantities.quantity import LIMITS, quantity_of
from wearscope.quantities.reasons import Reason, codes_text, reason
from wearscope.report.reason_words import note_of, words_of
from wearscope.trial.entries import PhotoEntry

# Combined standard uncertainties by which wear must have become less: by chance 1 in 740, one way. What two photos
# share (scale, wedge, light) is counted as if they did not, so that it is rarer still
HEALED = 3.0

STEP = "step_in_the_edge_line"
"""What stands for a quantity where photos have only been judged."""

_Photo = tuple[str, int, int, str]


def in_time(records: Sequence[Record]) -> tuple[Record, ...]:
    """Rows of a trial, doubtful where a later photo of a flute shows less wear than an earlier one.

    Parameters
    ----------
    records : sequence of Record
        Of any number of bits and flutes.

    Returns
    -------
    tuple of Record
        In the same order. All numbers of wear of both photos are doubtful, whichever it is that stands at the wrong
        place; each first says why.
    """
    why: dict[_Photo, Reason] = {}
    for rows in _followed(records):
        for earlier, later in combinations(sorted(rows, key=lambda row: row.parts), 2):
            if earlier.parts < later.parts and _healed(earlier, later):
                what = (later.quantity, later.unit, earlier.value or 0.0, later.value or 0.0)
                why.setdefault(_photo(later), _less(earlier.parts, *what))
                why.setdefault(_photo(earlier), _more(later.parts, *what))
    return tuple(_doubted(row, why[_photo(row)]) if _photo(row) in why else row for row in records)


def _followed(records: Iterable[Record]) -> list[list[Record]]:
    """Rows of each quantity that can only grow, flute by flute; of a new edge what it begins with."""
    found: dict[tuple[str, int, str, str], list[Record]] = {}
    for row in records:
        limit = LIMITS.get(row.quantity)
        begins = row.parts == 0 and row.zone == "unused"
        usable = row.status in ("ok", "below_detection") and row.value is not None and row.std_uncertainty
        if limit is not None and not limit.sudden and usable and (row.zone in limit.zones or begins):
            found.setdefault((row.bit, row.flute, row.view, row.quantity), []).append(row)
    return list(found.values())


def _healed(earlier: Record, later: Record) -> bool:
    """Whether there is less wear later, by more than chance and than what either photo can show at all."""
    less = (earlier.value or 0.0) - (later.value or 0.0)
    if less <= 0.0:  # as of most pairs, of which there may be a million
        return False
    u = float(np.hypot(earlier.std_uncertainty or 0.0, later.std_uncertainty or 0.0))
    least = max(row.detection_limit or 0.0 for row in (earlier, later))
    return less > max(HEALED * u, least)


def _less(parts: int, quantity: str, unit: str, before: float, now: float) -> Reason:
    """Of the later photo: the earlier one, after so many parts, shows more."""
    return reason("less-wear-than-before", parts=parts, quantity=quantity, unit=unit, before=before, now=now)


def _more(parts: int, quantity: str, unit: str, before: float, now: float) -> Reason:
    """Of the earlier photo: the later one, after so many parts, shows less."""
    return reason("more-wear-than-later", parts=parts, quantity=quantity, unit=unit, before=before, now=now)


def _photo(row: Record) -> _Photo:
    return row.bit, row.flute, row.parts, row.view


def _doubted(row: Record, why: Reason) -> Record:
    if row.value is None or quantity_of(row.quantity).of_the_photo:
        return row
    return replace(
        row,
        status="doubtful",
        note="; ".join(filter(None, [note_of([why]), row.note])),
        reasons="; ".join(filter(None, [codes_text([why]), row.reasons])),
    )


def judged_in_time(judged: Mapping[PhotoEntry, Judgement]) -> dict[PhotoEntry, Judgement]:
    """Judgements of a trial's photos, doubtful where a later photo steps back less than an earlier one.

    Parameters
    ----------
    judged : mapping

    Returns
    -------
    dict
        In the same order. Photos that show no step are left alone: they may show another place of the flute.
    """
    found = dict(judged)
    flutes: dict[tuple[str, int, str], list[PhotoEntry]] = {}
    for entry in sorted(
        (entry for entry, each in judged.items() if each.step), key=lambda entry: entry.parts
    ):
        flutes.setdefault((entry.bit, entry.flute, entry.view), []).append(entry)
    for earlier, later in chain.from_iterable(combinations(of, 2) for of in flutes.values()):
        before, now = judged[earlier].step, judged[later].step
        if before is None or now is None or earlier.parts == later.parts:
            continue
        u_um = float(np.hypot(before.u_step_um, now.u_step_um))
        if before.step_um - now.step_um > max(HEALED * u_um, detection_limit(now.u_step_um)):
            what = (STEP, "um", before.step_um, now.step_um)
            for entry, why in ((earlier, _more(later.parts, *what)), (later, _less(earlier.parts, *what))):
                remarks = (words_of(why), *found[entry].remarks)
                found[entry] = replace(found[entry], verdict="doubtful", remarks=remarks)
    return found
