"""The report of a trial: what its outcome, photos and log come to, for people, as one HTML file and as a PDF."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wearscope import __version__
from wearscope.economics.decision import BitOutcome, Outcome
from wearscope.economics.readings import limits_of
from wearscope.log.notes import Note
from wearscope.log.records import Record, gave_numbers
from wearscope.metrology.findings import COVERAGE_95
from wearscope.process.fairness import FairTrial
from wearscope.process.other_signs import note_line, place_line, sound_changes
from wearscope.quantities.quantity import quantity_of
from wearscope.report.decision_words import (
    cost_text,
    fair_head,
    fair_lines,
    fair_warnings,
    life_text,
    percent,
)
from wearscope.report.repeat_words import SHARED_REMARK
from wearscope.report.report_words import METHOD
from wearscope.report.words import (
    VIEW_WORDS,
    finding,
    headline,
    main_sentence,
    note_text,
    parts_text,
    rounded,
    row_name,
)
from wearscope.trial import Bit, PhotoEntry, Trial

_UNKNOWN = "not known yet"

Place = tuple[str, int, int, str]
"""Bit, flute, parts and view."""


@dataclass(frozen=True)
class Number:
    """A number of a photo as it is shown, and where it comes from.

    Attributes
    ----------
    name, finding : str
        What it is, and its value with the interval or what stands in its place.
    status : str
        As in ``measurements.csv``.
    origin : str
        Method, version of the program and day of the measurement; why there is a remark.
    """

    name: str
    finding: str
    status: str
    origin: str


@dataclass(frozen=True)
class PhotoCard:
    """What the report shows of one photo of the trial.

    Attributes
    ----------
    number : int
        From 1, in the order of the trial.
    heading, sentence : str
        Which flute and checkpoint, the view unless it is that of the relief face, and the main result.
    bit : str
    flute, parts : int
    when : str
        Checkpoint in words.
    photo, sha256 : str
        File as written in the trial file, and the checksum of what was measured; empty if nothing was.
    scale, version, measured_at : str
        Empty if nothing was measured.
    blur, misfit : str
        Of the photo, in words.
    verdict : str
        Begins with "measured", "refused" or "not measured".
    remarks : tuple of str
        Why it is refused, and whether the file is still the one that was measured.
    numbers : tuple of Number
    sheet : Path or None
    is_last : bool
        Whether it is of the last checkpoint of its flute and view.
    gave_numbers : bool
        Whether any of its numbers tells of wear and is not refused.
    """

    number: int
    heading: str
    sentence: str
    bit: str
    flute: int
    parts: int
    when: str
    photo: str
    sha256: str
    scale: str
    version: str
    measured_at: str
    blur: str
    misfit: str
    verdict: str
    remarks: tuple[str, ...]
    numbers: tuple[Number, ...]
    sheet: Path | None
    is_last: bool
    gave_numbers: bool


@dataclass(frozen=True)
class BitRow:
    """What the report says of one bit.

    Attributes
    ----------
    bit : str
    life, cost, chance, price, using_up : str
        In words.
    sentences : tuple of str
    """

    bit: str
    life: str
    cost: str
    chance: str
    price: str
    using_up: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Signs:
    """What was noted of one flute or bit at one checkpoint, in words."""

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
    """

    title: str
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
    sha256_now: Mapping[PhotoEntry, str],
    made_at: str,
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
    sha256_now : mapping
        Checksum that each photo's file has now; empty where there is no such file.
    made_at : str
        UTC, ISO 8601.
    repeat_study : tuple of str
        As in `Report`.

    Returns
    -------
    Report
    """
    rows: dict[Place, list[Record]] = {}
    for record in records:
        rows.setdefault((record.bit, record.flute, record.parts, record.view), []).append(record)
    last: dict[tuple[str, int, str], int] = {}
    for entry in trial.photos:
        seen = (entry.bit, entry.flute, entry.view)
        last[seen] = max(last.get(seen, 0), entry.parts)
    photos = tuple(
        _photo_card(
            number,
            entry,
            rows.get(_place(entry), []),
            refusals.get(_place(entry), ""),
            sheets.get(entry),
            sha256_now.get(entry, ""),
            is_last=entry.parts == last[entry.bit, entry.flute, entry.view],
        )
        for number, entry in enumerate(trial.photos, 1)
    )
    return Report(
        trial.name,
        outcome,
        _facts(trial),
        tuple(_limits(trial)),
        tuple(_bit_row(bit, outcome) for bit in outcome.bits),
        photos,
        tuple(_cost_notes(trial)),
        f"{made_at[:10]}, wearscope {__version__}",
        _signs(notes),
        Fairness(fair_head(fair), fair_warnings(fair), (*fair.dangers, *fair_lines(fair))),
        repeat_study,
    )


def _place(entry: PhotoEntry) -> Place:
    return entry.bit, entry.flute, entry.parts, entry.view


def _photo_card(
    number: int,
    entry: PhotoEntry,
    rows: Sequence[Record],
    refusal: str,
    sheet: Path | None,
    sha256_now: str,
    *,
    is_last: bool,
) -> PhotoCard:
    sha256 = rows[0].photo_sha256 if rows else ""
    remarks = [refusal] if refusal else []
    if rows and refusal:
        remarks.append("The numbers here are those of an earlier measurement.")
    if rows and not sha256_now:
        remarks.append("The file is no longer where the trial file says.")
    elif rows and sha256_now != sha256:
        remarks.append("The file has changed since it was measured; run wearscope measure.")
    if not rows and not refusal:
        remarks.append("Not measured yet; run wearscope measure.")
    view = "" if entry.view == "relief" else f", {VIEW_WORDS[entry.view]}"
    n_doubtful = sum(row.status == "doubtful" for row in rows)
    measured = f"measured, {n_doubtful} of {len(rows)} numbers doubtful" if n_doubtful else "measured"
    if not gave_numbers(rows):
        measured = "measured, but no number of wear; read the notes"
    scales = {f"{row.scale} ({row.um_per_px:.5g} µm per pixel)" for row in rows if row.um_per_px}
    return PhotoCard(
        number=number,
        heading=headline(entry.bit, entry.flute, entry.parts) + view,
        sentence=main_sentence(rows, entry.parts) if rows else "No numbers.",
        bit=entry.bit,
        flute=entry.flute,
        parts=entry.parts,
        when=parts_text(entry.parts),
        photo=entry.file,
        sha256=sha256,
        scale=_listed(scales),
        version=_listed(row.wearscope_version for row in rows),
        measured_at=_listed(row.measured_at[:10] for row in rows),
        blur=_first(rows, "sharpness"),
        misfit=_first(rows, "registration_residual"),
        verdict=(measured if rows else "not measured") if not refusal else "refused",
        remarks=tuple(remarks),
        numbers=tuple(_number(row) for row in rows),
        sheet=sheet,
        is_last=is_last,
        gave_numbers=gave_numbers(rows),
    )


def _listed(texts: Iterable[str]) -> str:
    return ", ".join(sorted(set(texts)))


def _first(rows: Sequence[Record], quantity: str) -> str:
    return next((finding(row) for row in rows if row.quantity == quantity), "–")


def _number(row: Record) -> Number:
    said = finding(row, longest=1000)
    note = note_text(row)
    notes = [note] if note not in said else []
    origin = [
        *notes,
        row.method.replace("+", ", "),
        f"wearscope {row.wearscope_version}",
        row.measured_at[:10],
    ]
    return Number(row_name(row), said, row.status, " · ".join(filter(None, origin)))


def _signs(notes: Sequence[Note]) -> tuple[Signs, ...]:
    changes = {id(change.note): f"; {change}" for change in sound_changes(notes)}
    places: dict[str, list[str]] = {}
    for note in notes:
        who = f" [{', '.join(filter(None, [note.noted_by, note.noted_at[:10]]))}]"
        places.setdefault(place_line(note), []).append(f"{note_line(note)}{changes.get(id(note), '')}{who}")
    return tuple(Signs(place, tuple(lines)) for place, lines in places.items())


def _bit_row(bit: BitOutcome, outcome: Outcome) -> BitRow:
    currency = outcome.currency
    lives = f", over {bit.use.lives} lives" if bit.use.lives > 1 else ""
    return BitRow(
        bit.bit,
        life_text(bit.life, bit.at_least, outcome.axis) if bit.life else _UNKNOWN,
        cost_text(bit, currency) if bit.cost else _UNKNOWN,
        "–" if bit.chance is None else percent(bit.chance),
        _money(currency, bit.price),
        f"{_money(currency, bit.use.money)}{lives}",
        (*bit.sentences, *([f"No life: {bit.why_not}."] if bit.why_not else [])),
    )


def _money(currency: str, amount: float) -> str:
    return f"{amount:.2f} {currency}".rstrip()


def _facts(trial: Trial) -> tuple[tuple[str, str], ...]:
    facts = [
        ("Workpiece", trial.workpiece),
        ("Depth of cut", f"{trial.depth_of_cut_mm:g} mm"),
        ("Spindle speed", f"{trial.spindle_rpm:g} rpm"),
        ("Feed", f"{trial.feed_mm_per_min:g} mm/min"),
    ]
    if trial.minutes_per_part is not None:
        facts.append(("Cutting time", f"{trial.minutes_per_part:g} min per part"))
    if trial.cut_length_m_per_part is not None:
        facts.append(("Cutting length", f"{trial.cut_length_m_per_part:g} m per part"))
    if trial.program is not None:
        facts.append(("Program", trial.program))
    facts += [(f"Bit {bit.name}", ", ".join(_of_bit(bit))) for bit in trial.bits]
    return tuple(facts)


def _of_bit(bit: Bit) -> Iterable[str]:
    yield f"{bit.flutes} flute{'s' * (bit.flutes > 1)}"
    yield f"{bit.diameter_mm:g} mm"
    yield f"wedge angle {bit.wedge_angle_deg:g}°"
    yield f"coated with {bit.coating}" if bit.coated else "uncoated"
    own = (
        (bit.workpiece, "in {}"),
        (bit.depth_of_cut_mm, "{:g} mm deep"),
        (bit.spindle_rpm, "at {:g} rpm"),
        (bit.feed_mm_per_min, "at {:g} mm/min"),
        (bit.program, "program {}"),
        (bit.max_rpm, "maker's maximum {:g} rpm"),
    )
    yield from (text.format(value) for value, text in own if value is not None)


def _limits(trial: Trial) -> Iterable[str]:
    limits = {limit.quantity: limit for bit in trial.bits for limit in limits_of(trial.life, bit)}
    for limit in limits.values():
        how = quantity_of(limit.quantity)
        value, u = how.shown_factor * limit.value, how.shown_factor * limit.u
        sure = f" ± {rounded(COVERAGE_95 * u, COVERAGE_95 * u)[0]}" if u else ""
        yield f"{how.label} of {value:g}{sure} {how.shown_unit}"


def _cost_notes(trial: Trial) -> Iterable[str]:
    cost, currency = trial.cost, trial.currency or ""
    yield "Using a bit up costs its price, regrinds and changes, less what it fetches."
    if cost.rate_per_hour and cost.change_over_minutes:
        yield (
            f"A change of the bit stops the machine for {cost.change_over_minutes:g} minutes at "
            f"{_money(currency, cost.rate_per_hour)} an hour."
        )
    else:
        yield "Time lost by changing bits is not counted: the trial file has no [cost]."
    for bit in trial.bits:
        if bit.regrinds:
            yield f"{bit.name} is reground {bit.regrinds} times, for {_money(currency, bit.regrind_price)} each."
        if bit.resale:
            yield f"{bit.name} fetches {_money(currency, bit.resale)} when worn out."
    if not any(bit.price for bit in trial.bits):
        yield "No bit has a price, so that cost says nothing: give price in each [[bit]]."
    if not currency:
        yield "The trial file names no currency."


# --- Pictures in words


def curves_alt(report: Report) -> str:
    """Say in words what the drawn wear curves show."""
    said = []
    for bit in report.outcome.bits:
        for curve in bit.curves:
            how = quantity_of(curve.quantity)
            worst = how.shown_factor * float(np.interp(bit.parts_cut, curve.parts, curve.worst.median))
            said.append(
                f"{bit.bit}: {how.label} of its worst flute {worst:.3g} {how.shown_unit} "
                f"after {bit.parts_cut:.0f} parts"
            )
    return f"Wear curves with their ranges, and the limits. {'; '.join(said)}."


def costs_alt(report: Report) -> str:
    """Say in words what the picture of the costs shows."""
    return f"Cost per part, 95 % ranges. {'; '.join(f'{bit.bit}: {bit.cost}' for bit in report.bits)}."
