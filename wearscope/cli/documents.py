"""What the commands print with --json, as dictionaries."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from wearscope.log.astray import Astray
    from wearscope.log.identity import Move
    from wearscope.log.past import Past, PastRow
    from wearscope.metrology.repeated import RepeatedQuantity
    from wearscope.pipeline.published import Published
    from wearscope.pipeline.repeat_study import StudyResult
    from wearscope.pipeline.results import BatchResult, PhotoVerdict
    from wearscope.process.fairness import FairTrial
    from wearscope.trial import PhotoEntry, Study, Trial

_ROW = ("bit", "flute", "parts", "view", "quantity", "zone")


def measured_document(
    trial: Trial, result: BatchResult, published: Published | None, *, budget: bool
) -> dict[str, Any]:
    """What a run measured, refused and wrote.

    Parameters
    ----------
    trial : Trial
    result : BatchResult
    published : Published or None
        None where there is no report.
    budget : bool
        Whether each row says what its uncertainty consists of.

    Returns
    -------
    dict
        Fit for JSON.
    """
    from wearscope.report.time_words import time_lines

    rows = [asdict(record) for record in result.records]
    if budget:
        budgets = _budget_documents(result)
        rows = [row | {"budget": budgets.get(tuple(row[key] for key in _ROW), [])} for row in rows]
    return {
        "trial": trial.name,
        "rows": rows,
        "refused": [_entry_document(photo.entry) | {"refusal": photo.refusal} for photo in result.refusals],
        "undrawn": list(result.undrawn),
        "out_of_order": time_lines(result.records),
        "left_as_they_were": result.n_left,
        "astray": list(result.astray),
        "verdict": published.said["verdict"] if published else None,
        "paths": {
            "published": [str(path) for path in published.paths] if published else [],
            "measurements": str(result.measurements),
            "refused": str(result.refused),
            "wear_log": str(result.wear_log),
            "sheets": [str(sheet) for sheet in result.sheets],
        },
    }


def _budget_documents(result: BatchResult) -> dict[tuple[object, ...], list[dict[str, Any]]]:
    """Budget of each row of this run."""
    from wearscope.report import budget_words as budgets

    return {
        (photo.entry.bit, photo.entry.flute, photo.entry.parts, photo.entry.view, *row): [
            asdict(line) for line in budgets.lines(budget)
        ]
        for photo in result.photos
        for row, budget in photo.budgets.items()
    }


def verdict_document(verdict: PhotoVerdict) -> dict[str, Any]:
    """Whether one photo can carry a measurement.

    Parameters
    ----------
    verdict : PhotoVerdict

    Returns
    -------
    dict
        Fit for JSON.
    """
    judged = verdict.judgement
    return _entry_document(verdict.entry) | {
        "verdict": "refused" if verdict.refusal or not judged else judged.verdict,
        "refusal": verdict.refusal,
        "remarks": list(judged.remarks) if judged else [],
        "sharpness_um": judged.sharpness_um if judged else None,
        "clipped_share": judged.clipped_share if judged else None,
        "contrast": judged.contrast if judged else None,
        "background": judged.background if judged else None,
    }


def fairness_document(fair: FairTrial) -> dict[str, Any]:
    """Whether a trial is fair, and what differs.

    Parameters
    ----------
    fair : FairTrial

    Returns
    -------
    dict
        Fit for JSON.
    """
    from wearscope.report.fairness_words import CONDITIONS, danger_lines, doubt_lines, program_remark

    bits = [
        asdict(bit)
        | {
            "program_remarks": [program_remark(remark) for remark in bit.program_remarks],
            "cut_length_m_per_flute": bit.cut_length_m_per_flute,
            "cut_minutes_per_flute": bit.cut_minutes_per_flute,
            "cuts_per_flute": bit.cuts_per_flute,
        }
        for bit in fair.bits
    ]

    def told(condition: str) -> dict[str, Any]:
        what, value = CONDITIONS[condition]
        return {"what": what, "values": {bit.bit: value(bit) for bit in fair.bits}}

    return {
        "fair": fair.fair,
        "unfair": [told(condition) for condition in fair.unfair],
        "differs": [told(condition) for condition in fair.differs],
        "dangers": list(danger_lines(fair)),
        "doubts": list(doubt_lines(fair)),
        "bits": bits,
    }


def study_document(study: Study, result: StudyResult) -> dict[str, Any]:
    """What a repeat study found of each quantity.

    Parameters
    ----------
    study : Study
    result : StudyResult

    Returns
    -------
    dict
        Fit for JSON.
    """
    from wearscope.metrology.repeatability import percent_of_tolerance, smallest_difference
    from wearscope.report.repeat_words import in_short, verdict

    def quantity_document(studied: RepeatedQuantity) -> dict[str, Any]:
        anova = studied.anova
        document = asdict(studied)
        document["values"] = [
            [[None if value != value else value for value in cell] for cell in row]
            for row in studied.values.tolist()
        ]
        document["smallest_difference"] = {
            "two_bits": asdict(smallest_difference(studied.spread_of_bits)),
            "one_person": asdict(smallest_difference(anova.one_person)),
            "different_people": asdict(smallest_difference(anova.combined)) if anova.n_people > 1 else None,
        }
        tolerance = study.tolerance_um if studied.unit == "um" else None
        document["percent_of_tolerance"] = (
            asdict(percent_of_tolerance(anova.combined, tolerance)) if tolerance else None
        )
        return document | {"in_short": in_short(studied), "verdict": verdict(studied, study.tolerance_um)}

    return {
        "trial": study.of.name,
        "quantities": [quantity_document(studied) for studied in result.quantities],
        "unanswered": list(result.unanswered),
        "refused": [
            _entry_document(entry)
            | {"taken_by": entry.taken_by, "repeat": entry.repeat, "refusal": photo.refusal}
            for entry, photo in zip(study.photos, result.photos, strict=True)
            if photo.refusal
        ],
        "paths": {"table": str(result.table)},
    }


def _entry_document(entry: PhotoEntry) -> dict[str, Any]:
    return {
        "bit": entry.bit,
        "flute": entry.flute,
        "parts": entry.parts,
        "view": entry.view,
        "photo": entry.file,
    }


def past_document(trial: Trial, past: Past) -> dict[str, Any]:
    """What became of numbers.

    Parameters
    ----------
    trial : Trial
    past : Past

    Returns
    -------
    dict
        Fit for JSON.
    """
    return {
        "trial": trial.name,
        "numbers": [
            dict(zip(_ROW, key, strict=True)) | {"values": [_past_value(row) for row in rows]}
            for key, rows in past.numbers.items()
        ],
        "refusals": [asdict(made) for made in past.refusals],
        "moves": [asdict(made) for made in past.moves],
    }


def _past_value(row: PastRow) -> dict[str, Any]:
    changed = None
    if row.changed is not None:
        before, after = row.rests_on or {}, row.later or {}
        changed = {name: [before.get(name), after.get(name)] for name in row.changed}
    return {
        "row": asdict(row.logged.record),
        "fate": row.fate,
        "replaced_at": row.logged.superseded_at,
        "replaced_by_refusal": row.logged.superseding_refusal,
        "rests_on": row.rests_on,
        "changed": changed,
        "by_hand": [asdict(said) for said in row.by_hand],
    }


def astray_document(
    trial: Trial, folder: Path, found: Iterable[Astray], moves: Iterable[Move]
) -> dict[str, Any]:
    """What has lost its place in the wear log, what it is called now, and what was moved.

    Parameters
    ----------
    trial : Trial
    folder : Path
        Of the wear log.
    found : iterable of Astray
    moves : iterable of Move

    Returns
    -------
    dict
        Fit for JSON.
    """
    from wearscope.report.astray_words import astray_line

    return {
        "trial": trial.name,
        "astray": [
            {
                "whose": asdict(one.whose),
                "now": None if one.now is None else asdict(one.now),
                "same_photos": one.same_photos,
                "free": one.free,
                "places": [
                    {
                        "flute": place.whose.flute,
                        "parts": place.parts,
                        "view": place.view,
                        "holds": place.holds,
                    }
                    for place in one.places
                ],
                "said": astray_line(one, trial, folder),
            }
            for one in found
        ],
        "moves": [asdict(made) for made in moves],
    }
