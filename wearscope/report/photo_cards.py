"""What the report says of each photo of a trial."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path

from wearscope.log.records import Record, gave_numbers
from wearscope.quantities.views import USUAL
from wearscope.report.photo_words import main_sentence
from wearscope.report.words import (
    VIEW_WORDS,
    finding,
    headline,
    note_text,
    parts_text,
    row_name,
)
from wearscope.trial import PhotoEntry, Trial

Place = tuple[str, int, int, str]
"""Bit, flute, parts and view."""

_WHOLE_NOTE = 1000  # characters of a reason in the table of numbers: in practice all


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
    heading : str
        Which flute and checkpoint, and the view unless it is that of the relief face.
    bit : str
    flute, parts : int
    when : str
        Checkpoint in words.
    photo, sha256 : str
        File as written in the trial file, and the checksum of what was measured; empty if nothing was.
    scale, version, measured_at : str
        Empty if nothing was measured.
    verdict : str
        Whether it was measured, in words.
    is_measured : bool
        Whether it was, and not refused since.
    remarks : tuple of str
        Why it is refused, and whether the file is still the one that was measured.
    rows : tuple of Record
        Its numbers, which are put into words where they are shown: of thousands of photos most never are.
    sheet : Path or None
    is_last : bool
        Whether it is of the last checkpoint of its flute and view.
    gave_numbers : bool
        Whether any of its numbers tells of wear and is not refused.
    """

    number: int
    heading: str
    bit: str
    flute: int
    parts: int
    when: str
    photo: str
    sha256: str
    scale: str
    version: str
    measured_at: str
    verdict: str
    is_measured: bool
    remarks: tuple[str, ...]
    rows: tuple[Record, ...] = field(repr=False)
    sheet: Path | None
    is_last: bool
    gave_numbers: bool

    @cached_property
    def sentence(self) -> str:
        """The main result."""
        return main_sentence(self.rows, self.parts) if self.rows else "No numbers."

    @property
    def numbers(self) -> tuple[Number, ...]:
        """All numbers, in words; they are asked for once, and of thousands of photos too many to be held."""
        return tuple(map(_number, self.rows))

    @property
    def blur(self) -> str:
        """Of the photo, in words."""
        return _first(self.rows, "sharpness")

    @property
    def misfit(self) -> str:
        """How well the unused edge lies on that of the new-state photo, in words."""
        return _first(self.rows, "registration_residual")


def photo_cards(
    trial: Trial,
    records: Sequence[Record],
    *,
    refusals: Mapping[Place, str],
    sheets: Mapping[PhotoEntry, Path],
    out_of_date: Mapping[PhotoEntry, str],
) -> tuple[PhotoCard, ...]:
    """What there is to say of each photo that a trial lists.

    Parameters
    ----------
    trial : Trial
    records : sequence of Record
        The rows that hold now.
    refusals : mapping
        Why a photo was refused when the trial was last measured.
    sheets : mapping
        Comparison sheet of each photo, where there is one.
    out_of_date : mapping
        Why the numbers of a photo do not hold any more; those that hold are not in it.

    Returns
    -------
    tuple of PhotoCard
        In the order of the trial.
    """
    rows: dict[Place, list[Record]] = {}
    for record in records:
        rows.setdefault((record.bit, record.flute, record.parts, record.view), []).append(record)
    last: dict[tuple[str, int, str], int] = {}
    for entry in trial.photos:
        seen = (entry.bit, entry.flute, entry.view)
        last[seen] = max(last.get(seen, 0), entry.parts)
    return tuple(
        _photo_card(
            number,
            entry,
            rows.get(_place(entry), []),
            refusals.get(_place(entry), ""),
            sheets.get(entry),
            out_of_date.get(entry, ""),
            is_last=entry.parts == last[entry.bit, entry.flute, entry.view],
        )
        for number, entry in enumerate(trial.photos, 1)
    )


def _place(entry: PhotoEntry) -> Place:
    return entry.bit, entry.flute, entry.parts, entry.view


def _photo_card(
    number: int,
    entry: PhotoEntry,
    rows: Sequence[Record],
    refusal: str,
    sheet: Path | None,
    out_of_date: str,
    *,
    is_last: bool,
) -> PhotoCard:
    sha256 = rows[0].photo_sha256 if rows else ""
    remarks = [refusal] if refusal else []
    if rows and refusal:
        remarks.append("The numbers here are those of an earlier measurement.")
    if out_of_date:
        remarks.append(out_of_date)
    elif not rows and not refusal:
        remarks.append("Not measured yet; run wearscope measure.")
    view = "" if entry.view == USUAL.key else f", {VIEW_WORDS[entry.view]}"
    n_doubtful = sum(row.status == "doubtful" for row in rows)
    measured = f"measured, {n_doubtful} of {len(rows)} numbers doubtful" if n_doubtful else "measured"
    if not gave_numbers(rows):
        measured = "measured, but no number of wear; read the notes"
    scales = {f"{row.scale} ({row.um_per_px:.5g} µm per pixel)" for row in rows if row.um_per_px}
    return PhotoCard(
        number=number,
        heading=headline(entry.bit, entry.flute, entry.parts) + view,
        bit=entry.bit,
        flute=entry.flute,
        parts=entry.parts,
        when=parts_text(entry.parts),
        photo=entry.file,
        sha256=sha256,
        scale=_listed(scales),
        version=_listed(row.wearscope_version for row in rows),
        measured_at=_listed(row.measured_at[:10] for row in rows),
        verdict="refused"
        if refusal
        else measured
        if rows
        else "out of date"
        if out_of_date
        else "not measured",
        is_measured=bool(rows) and not refusal,
        remarks=tuple(remarks),
        rows=tuple(rows),
        sheet=sheet,
        is_last=is_last,
        gave_numbers=gave_numbers(rows),
    )


def _listed(texts: Iterable[str]) -> str:
    return ", ".join(sorted(set(texts)))


def _first(rows: Sequence[Record], quantity: str) -> str:
    return next((finding(row) for row in rows if row.quantity == quantity), "–")


def _number(row: Record) -> Number:
    said = finding(row, longest=_WHOLE_NOTE)
    note = note_text(row)
    notes = [note] if note not in said else []
    made = _made_by(row.method, row.wearscope_version, row.measured_at[:10])
    return Number(row_name(row), said, row.status, " · ".join([*notes, made]))


@lru_cache(maxsize=1000)
def _made_by(method: str, version: str, day: str) -> str:
    """The end of most origins: of thousands of numbers the same."""
    return " · ".join(filter(None, [method.replace("+", ", "), f"wearscope {version}", day]))
