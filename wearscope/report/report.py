"""The report of a trial: what its outcome, photos and log come to, for people, as one HTML file and as a PDF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from types import MappingProxyType

import numpy as np

from wearscope.economics.due import due_bits
from wearscope.economics.outcome import BitOutcome, Outcome
from wearscope.log.csv_lines import KnownLines, Listed
from wearscope.log.notes import Note
from wearscope.log.records import Record
from wearscope.process.fairness import BitConditions, FairTrial
from wearscope.process.other_signs import sound_changes
from wearscope.quantities.quantity import quantity_of
from wearscope.report.amounts import cost_text, life_text, next_life_text, percent
from wearscope.report.cost_bars import draw_costs
from wearscope.report.curves import (
    Keep,
    Pictures,
    draw_curves,
    drawn_anew,
    kept_curves,
    pictures,
    shown_bits,
)
from wearscope.report.decision_words import bit_sentences, trial_sentences, verdict_text, why_no_life
from wearscope.report.due_words import due_lines
from wearscope.report.fairness_words import danger_lines, fair_head, fair_lines, fair_warnings
from wearscope.report.note_words import change_text, note_line, place_line
from wearscope.report.photo_cards import PhotoCard, Place, photo_cards
from wearscope.report.repeat_words import SHARED_REMARK
from wearscope.report.report_words import METHOD
from wearscope.report.short_names import short_names, with_short_names
from wearscope.report.trial_words import cost_lines, edge_cut, facts, limit_lines, using_up_sum
from wearscope.trial import PhotoEntry, Trial
from wearscope.version import __version__

_UNKNOWN = "not known yet"

MOST_ON_ONE_PAGE = 200
"""Photos: with their sheets some 25 MB, which a browser opens at once. Chosen, no source."""
PAGES_FOLDER = "report-photos"
"""Folder of the pages beside the report."""


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
class BitPage:
    """Photos of one bit, on a page of their own where there are too many for one.

    Attributes
    ----------
    name : str
        Of the file.
    bit : str
    photos : tuple of PhotoCard
    """

    name: str
    bit: str
    photos: tuple[PhotoCard, ...]

    @property
    def said(self) -> str:
        """Which photos these are, and how many gave numbers."""
        n_measured = sum(photo.gave_numbers for photo in self.photos)
        photos = "photo" if len(self.photos) == 1 else "photos"
        return f"{len(self.photos)} {photos} of {self.bit}, {n_measured} with numbers"


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
    lines : KnownLines
        Lines of CSV of the photos' rows, as far as they are known.
    keep : callable
        Whoever keeps files of figures.
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
    lines: KnownLines = field(default_factory=KnownLines, repr=False, compare=False)
    keep: Keep = field(default=drawn_anew, repr=False, compare=False)

    @cached_property
    def curves(self) -> Pictures | None:
        """The wear curves of all bits, drawn once for page, PDF and files; None if no bit has one."""
        return kept_curves(self.outcome, self.keep, lambda: pictures(lambda: draw_curves(self.outcome)))

    @cached_property
    def costs(self) -> Pictures | None:
        """What a part costs with each bit, drawn once; None if no bit has a cost."""
        return pictures(lambda: draw_costs(self.outcome))

    @cached_property
    def pages(self) -> tuple[BitPage, ...]:
        """A page for each bit, where the photos are too many for one; else none."""
        if len(self.photos) <= MOST_ON_ONE_PAGE:
            return ()
        of: dict[str, list[PhotoCard]] = {bit.bit: [] for bit in self.bits}
        for photo in self.photos:
            of[photo.bit].append(photo)
        return tuple(
            BitPage(f"bit-{number:03}.html", bit, tuple(photos))
            for number, (bit, photos) in enumerate(of.items(), start=1)
        )

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
    keep: Keep = drawn_anew,
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
    keep : callable
        The same.

    Returns
    -------
    Report
    """
    photos = photo_cards(trial, records, refusals=refusals, sheets=sheets, out_of_date=out_of_date)
    report = Report(
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
        records.lines if isinstance(records, Listed) else KnownLines(),
        keep,
    )
    # the conditions tell each name in full; files and pictures go by it
    return with_short_names(
        report, short_names(bit.name for bit in trial.bits), ("facts", "photo", "outcome")
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


def only_some(outcome: Outcome) -> str:
    """Which bits the pictures show, to go on behind a caption; empty where they show all.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    str
    """
    n_shown, n_all = len(shown_bits(outcome)), sum(bool(bit.curves) for bit in outcome.bits)
    if n_shown == n_all:
        return ""
    return f" Of {n_all} bits the {n_shown} that cost least are drawn; the tables tell of all."


def costs_alt(report: Report) -> str:
    """What the picture of the costs shows, in words.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
    """
    costs = "; ".join(f"{bit.bit}: {bit.cost}" for bit in report.bits)
    return f"Cost per part, ranges that hold 95 times in 100. {costs}."
