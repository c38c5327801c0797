"""The report of a trial: what its outcome, photos and log come to, for people, as one HTML file and as a PDF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from wearscope.economics.outcome import BitOutcome, Outcome
from wearscope.log.notes import Note
from wearscope.log.records import Record
from wearscope.process.fairness import BitConditions, FairTrial
from wearscope.process.other_signs import sound_changes
from wearscope.quantities.quantity import quantity_of
from wearscope.report.amounts import cost_text, life_text, next_life_text, percent
from wearscope.report.decision_words import bit_sentences, trial_sentences, verdict_text, why_no_life
from wearscope.report.due_words import due_bits, due_lines
from wearscope.report.fairness_words import danger_lines, fair_head, fair_lines, fair_warnings
from wearscope.report.note_words import change_text, note_line, place_line
from wearscope.report.photo_cards import PhotoCard, Place, photo_cards
from wearscope.report.repeat_words import SHARED_REMARK
from wearscope.report.report_words import METHOD
from wearscope.report.trial_words import cost_lines, edge_cut, facts, limit_lines, using_up_sum
from wearscope.trial import PhotoEntry, Trial
from wearscope.version import __version__

_UNKNOWN = "not known yet"


@dataclass(frozen=True)
class BitRow:
    """What the report says of one bit.

    Attributes
    ----------
    bit : str
    life, cost, chance : str
        In words.
    using_up, next_life, edge_cut : str
        What the cost comes from, to be followed with a pocket calculator: money, parts, and metres of each flute.
    sentences : tuple of str
    """

    bit: str
    life: str
    cost: str
    chance: str
    using_up: str
    next_life: str
    edge_cut: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Signs:
    """What was noted of one flute or bit at one checkpoint, in words.

    Attributes
    ----------
    place : str
        Which bit and flute, and when.
    lines : tuple of str
    """

    place: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Fairness:
    """Whether the bits worked under the same conditions, in words.

    Attributes
    ----------
    head : str
    warnings : tuple of str
        What must be known beside the verdict; empty for a fair trial.
    lines : tuple of str
        All that differs, doubts, and what the settings come to.
    """

    head: str
    warnings: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Report:
    """Everything that the report says, in words; ready for a page of any kind.

    Attributes
    ----------
    title : str
        The trial's name.
    verdict : str
        Which bit to stock.
    sentences : tuple of str
        What else there is to say of the trial as a whole, such as what to do next.
    outcome : Outcome
        For the pictures.
    facts : tuple of (str, str)
        Under what conditions the bits worked.
    limits : tuple of str
        When a bit is worn out.
    bits : tuple of BitRow
    photos : tuple of PhotoCard
    cost_notes : tuple of str
        What went into the cost.
    made : str
        Day and version.
    signs : tuple of Signs
    fairness : Fairness
    repeat_study : tuple of str
        What photos of the same flutes can tell apart, a line for each quantity; empty if that was not studied.
    behind : tuple of str
        What is out of date or missing, and so not in the verdict.
    due : tuple of str
        Which bits are to be changed now, before all else, with `CAUTIONS` beside it. Empty if none is.
    """

    title: str
    verdict: str
    sentences: tuple[str, ...]
    outcome: Outcome
    facts: tuple[tuple[str, str], ...]
    limits: tuple[str, ...]
    bits: tuple[BitRow, ...]
    photos: tuple[PhotoCard, ...]
    cost_notes: tuple[str, ...]
    made: str
    signs: tuple[Signs, ...]
    fairness: Fairness
    repeat_study: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    due: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """What must be known beside the verdict."""
        return (*self.behind, *self.fairness.warnings)

    @property
    def method(self) -> tuple[tuple[str, str], ...]:
        """How the numbers came about, and what photos of the same flute tell apart if that was studied."""
        if not self.repeat_study:
            return METHOD
        return (*METHOD[:2], ("Repeat study", " ".join((*self.repeat_study, SHARED_REMARK))), *METHOD[2:])

    @property
    def photos_head(self) -> str:
        """Say how many photos gave numbers, and how to read their quality."""
        n_measured = sum(photo.gave_numbers for photo in self.photos)
        return (
            f"{n_measured} of {len(self.photos)} photos gave numbers. The smaller the blur, the better the photo; "
            "the misfit tells how well the unused edge lies on that of the new-state photo."
        )


def report_of(
    trial: Trial,
    records: Sequence[Record],
    outcome: Outcome,
    fair: FairTrial,
    notes: Sequence[Note],
    *,
    refusals: Mapping[Place, str],
    sheets: Mapping[PhotoEntry, Path],
    made_at: str,
    out_of_date: Mapping[PhotoEntry, str] = MappingProxyType({}),
    behind: Sequence[str] = (),
    repeat_study: tuple[str, ...] = (),
) -> Report:
    """Gather what the report says.

    Parameters
    ----------
    trial : Trial
    records : sequence of Record
        The rows that hold now.
    outcome : Outcome
        Of these rows.
    fair : FairTrial
    notes : sequence of Note
        Those that hold now, in order.
    refusals : mapping
        Why a photo was refused when the trial was last measured.
    sheets : mapping
        Comparison sheet of each photo, where there is one.
    made_at : str
        UTC, ISO 8601.
    out_of_date : mapping
        Why the numbers of a photo do not hold any more; those that hold are not in it.
    behind : sequence of str
        What is out of date or missing, and what to do.
    repeat_study : tuple of str
        As in `Report`.

    Returns
    -------
    Report
    """
    photos = photo_cards(trial, records, refusals=refusals, sheets=sheets, out_of_date=out_of_date)
    return Report(
        trial.name,
        verdict_text(outcome),
        trial_sentences(outcome, due_bits(trial, outcome)),
        outcome,
        facts(trial),
        limit_lines(trial),
        tuple(_bit_row(bit, outcome, trial, fair.bit(bit.bit)) for bit in outcome.bits),
        photos,
        cost_lines(trial),
        f"{made_at[:10]}, wearscope {__version__}",
        _signs(notes),
        Fairness(fair_head(fair), fair_warnings(fair), (*danger_lines(fair), *fair_lines(fair))),
        repeat_study,
        tuple(behind),
        due_lines(trial, outcome),
    )


def _signs(notes: Sequence[Note]) -> tuple[Signs, ...]:
    changes = {id(change.note): f"; {change_text(change)}" for change in sound_changes(notes)}
    places: dict[str, list[str]] = {}
    for note in notes:
        who = f" [{', '.join(filter(None, [note.noted_by, note.noted_at[:10]]))}]"
        places.setdefault(place_line(note), []).append(f"{note_line(note)}{changes.get(id(note), '')}{who}")
    return tuple(Signs(place, tuple(lines)) for place, lines in places.items())


def _bit_row(bit: BitOutcome, outcome: Outcome, trial: Trial, conditions: BitConditions) -> BitRow:
    currency = outcome.currency
    of_trial = next(one for one in trial.bits if one.name == bit.bit)
    return BitRow(
        bit.bit,
        life_text(bit.life, bit.at_least, outcome.axis) if bit.life else _UNKNOWN,
        cost_text(bit, currency) if bit.cost else _UNKNOWN,
        "–" if bit.chance is None else percent(bit.chance),
        using_up_sum(of_trial, trial.cost, currency),
        next_life_text(bit, outcome.axis) if bit.next_life else _UNKNOWN,
        edge_cut(conditions),
        (*bit_sentences(bit, outcome), *([f"No life: {why_no_life(bit.why_not)}."] if bit.why_not else [])),
    )


# --- Pictures in words


def curves_alt(outcome: Outcome, only: Sequence[str] | None = None) -> str:
    """What the drawn wear curves show, in words.

    Parameters
    ----------
    outcome : Outcome
    only : sequence of str, optional
        Bits that are drawn; all where it is not said.

    Returns
    -------
    str
    """
    said = []
    for bit in outcome.bits:
        for curve in bit.curves if only is None or bit.bit in only else ():
            how = quantity_of(curve.quantity)
            worst = how.shown_factor * float(np.interp(bit.parts_cut, curve.parts, curve.worst.median))
            said.append(
                f"{bit.bit}: {how.label} of its worst flute {worst:.3g} {how.shown_unit} "
                f"after {bit.parts_cut:.0f} parts"
            )
    return f"Wear curves with their ranges, and the limits. {'; '.join(said)}."


def costs_alt(report: Report) -> str:
    """What the picture of the costs shows, in words.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
    """
    return f"Cost per part, 95 % ranges. {'; '.join(f'{bit.bit}: {bit.cost}' for bit in report.bits)}."
