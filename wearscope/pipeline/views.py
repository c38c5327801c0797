"""The registry of views: how a photo of each is measured, how it is judged, and which sheet shows it.

To add a view, name it in `wearscope.quantities.quantity`, write its way, and give it an entry here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from wearscope.log.records import Record
from wearscope.pipeline.face_judge import judge_face
from wearscope.pipeline.face_view import inspect_face
from wearscope.pipeline.inspection import Drawing, EdgeDrawing, Inspection, SectionDrawing
from wearscope.pipeline.judgement import Judgement
from wearscope.pipeline.part_view import PartDrawing, inspect_part, judge_part
from wearscope.pipeline.section_view import inspect_section, judge_section
from wearscope.pipeline.sources import Sources
from wearscope.quantities.views import VIEWS, View
from wearscope.trial.entries import PhotoEntry
from wearscope.trial.model import Trial


@dataclass(frozen=True, eq=False)
class Sheet:
    """A comparison sheet to draw.

    Attributes
    ----------
    path : Path
        Of the picture.
    trial_name : str
    entry : PhotoEntry
    drawing : Drawing
    records : tuple of Record
        Rows of this photo.
    new_records : tuple of Record
        Rows of the new-state photo.
    remarks : tuple of str
    """

    path: Path
    trial_name: str
    entry: PhotoEntry
    drawing: Drawing
    records: tuple[Record, ...]
    new_records: tuple[Record, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Way:
    """The way of a view's photos.

    Attributes
    ----------
    view : View
    inspect : callable
        From a photo to its findings.
    judge : callable
        From a photo to whether it can carry a measurement.
    draw : callable
        Draws its sheet.
    """

    view: View
    inspect: Callable[[Trial, PhotoEntry, Sources], Inspection]
    judge: Callable[[Trial, PhotoEntry, Sources], Judgement]
    draw: Callable[[Sheet], None]


def way_of(entry: PhotoEntry) -> Way:
    """The way of a photo.

    Parameters
    ----------
    entry : PhotoEntry

    Returns
    -------
    Way
    """
    return WAYS[entry.view]


def _draw_edge(sheet: Sheet) -> None:
    from wearscope.report.sheets.comparison import draw_sheet  # whoever only measures needs no matplotlib

    assert isinstance(sheet.drawing, EdgeDrawing)
    draw_sheet(
        sheet.path,
        trial_name=sheet.trial_name,
        bit=sheet.entry.bit,
        flute=sheet.entry.flute,
        parts=sheet.entry.parts,
        view=sheet.entry.view,
        records=sheet.records,
        now=sheet.drawing.now,
        new=sheet.drawing.new,
        new_records=sheet.new_records,
        remarks=sheet.remarks,
    )


def _draw_section(sheet: Sheet) -> None:
    from wearscope.report.sheets.section import draw_section_sheet

    assert isinstance(sheet.drawing, SectionDrawing)
    draw_section_sheet(
        sheet.path,
        trial_name=sheet.trial_name,
        bit=sheet.entry.bit,
        flute=sheet.entry.flute,
        parts=sheet.entry.parts,
        records=sheet.records,
        now=sheet.drawing.now,
        new=sheet.drawing.new,
        new_records=sheet.new_records,
        remarks=sheet.remarks,
    )


def _draw_part(sheet: Sheet) -> None:
    from wearscope.report.sheets.part import PartContent, draw_part_sheet

    assert isinstance(sheet.drawing, PartDrawing)
    content = PartContent(
        sheet.trial_name,
        sheet.entry.bit,
        sheet.entry.flute,
        sheet.entry.parts,
        sheet.entry.view,
        sheet.records,
        sheet.drawing.strip,
        sheet.drawing.seen,
        sheet.new_records,
        sheet.remarks,
    )
    draw_part_sheet(sheet.path, content)


WAYS: dict[str, Way] = {
    way.view.key: way
    for way in (
        Way(VIEWS["relief"], inspect_face, judge_face, _draw_edge),
        Way(VIEWS["rake"], inspect_face, judge_face, _draw_edge),
        Way(VIEWS["profile"], inspect_section, judge_section, _draw_section),
        Way(VIEWS["part"], inspect_part, judge_part, _draw_part),
    )
}
"""Every view's way by the view's key."""
