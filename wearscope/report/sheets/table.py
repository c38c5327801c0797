"""The numbers of a sheet, with their uncertainty, and the reasons where there are none."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from wearscope.log.records import Record
from wearscope.quantities.quantity import IN_ORDER, quantity_of
from wearscope.quantities.views import RELIEF
from wearscope.report import words
from wearscope.report.sheets.content import Content
from wearscope.report.sheets.page import Page
from wearscope.report.style import BODY, GREY, LEFT, RIGHT, RULE, SMALL, TITLE
from wearscope.report.trial_words import BROAD_WEDGE

_TABLE = tuple(each.key for each in IN_ORDER if RELIEF.holds(each.key) and not each.of_the_photo)
_CHIP_SIZES = ("chip_depth_max", "chip_length")
_ABOUT_PHOTO = ("edge_radius", "wedge_angle", "used_length", "sharpness", "registration_residual")
Column = tuple[str, bool, str]
"""Heading, whether its rows are those of the new-state photo, and their zone."""
_COLUMNS: tuple[Column, ...] = (
    ("when new", True, "unused"),
    ("unused", False, "unused"),
    ("used", False, "used"),
    ("used − unused", False, "difference"),
)


def draw_numbers(
    page: Page,
    y: float,
    c: Content,
    *,
    quantities: Sequence[str] = _TABLE,
    columns: Sequence[Column] = _COLUMNS,
) -> float:
    """Write the table, the reasons for what is refused or doubtful, and how it was measured.

    Parameters
    ----------
    page : Page
    y : float
        Where it begins.
    c : Content
    quantities : sequence of str
        Rows of the table.
    columns : sequence of (heading, new, zone)
        Columns of the table; those without any number are left out.

    Returns
    -------
    float
        Where it ends.
    """
    notes: list[str] = []
    rows = _table_rows(c, quantities, columns)
    filled = [k for k in range(len(columns)) if any(cells[k] is not None for _, cells in rows)]
    page.line([LEFT, RIGHT], [y, y], colour=RULE, width=2)
    if rows:
        y += 50
        label_width = 470
        step = (RIGHT - LEFT - label_width) / len(filled)
        page.text(LEFT, y, "Numbers", TITLE, bold=True)
        for n, k in enumerate(filled):
            page.text(LEFT + label_width + n * step, y, columns[k][0], SMALL, colour=GREY)
        y += 18
        for name, cells in rows:
            page.line([LEFT, RIGHT], [y, y], colour=RULE, width=1)
            page.text(LEFT, y + 37, name, BODY)
            deepest = 1
            for n, k in enumerate(filled):
                lines = _cell(page, cells[k], step - 14, notes)
                for m, (text, bold, size) in enumerate(lines):
                    page.text(LEFT + label_width + n * step, y + 37 + 35 * m, text, size, bold=bold)
                deepest = max(deepest, len(lines))
            y += 51 + 35 * (deepest - 1)
        page.line([LEFT, RIGHT], [y, y], colour=RULE, width=2)
    y = _draw_notes(page, y + 12, notes + _transition_note(c) + [f"• {remark}" for remark in c.remarks])
    return _footer(page, y, c, quantities)


def _table_rows(
    c: Content, quantities: Sequence[str], columns: Sequence[Column]
) -> list[tuple[str, list[Record | None]]]:
    chips = [r for r in (*c.records, *c.new_records) if r.quantity == "chip_count"]
    no_chips = bool(chips) and all(r.value == 0 for r in chips)
    rows = []
    for quantity in quantities:
        if quantity in _CHIP_SIZES and no_chips:
            continue
        words_of = quantity_of(quantity)
        cells = [
            words.find_record(c.new_records if new else c.records, quantity, zone) for _, new, zone in columns
        ]
        if any(cell is not None for cell in cells):
            rows.append((words_of.label + (f", {words_of.shown_unit}" if words_of.shown_unit else ""), cells))
    return rows


def _cell(page: Page, record: Record | None, width: float, notes: list[str]) -> list[tuple[str, bool, float]]:
    """Lines of one table cell; its reasons go to `notes` and are referred to by number."""
    if record is None:
        return []
    if record.value is None:
        return [(f"refused{_references(record, notes)}", False, SMALL)]
    if record.status == "below_detection":
        limit = words.limit_text(record, with_unit=False)
        lines = [(words.nothing_seen(record), True, SMALL)]
        return lines + ([(page.fit(limit, SMALL, width), False, SMALL)] if limit else [])
    text = words.value_text(record, with_unit=False)
    size = BODY if page.text_width(text, BODY, bold=True) <= width else SMALL
    head, _, tail = text.partition(" (")
    if page.text_width(text, size, bold=True) <= width or not tail:
        lines = [(text, True, size)]
    else:
        lines = [(head, True, size), (page.fit(f"({tail}", SMALL, width), False, SMALL)]
    if record.status == "doubtful":
        lines.append((f"doubtful{_references(record, notes)}", False, SMALL))
    return lines


def _references(record: Record, notes: list[str]) -> str:
    """Numbers of a row's reasons among the notes, which each reason joins once, however many rows it is of."""
    own = words.notes_of(record)
    notes += [note for note in dict.fromkeys(own) if note not in notes]
    return f" [{', '.join(str(notes.index(note) + 1) for note in own)}]" if own else ""


def _transition_note(c: Content) -> list[str]:
    record = words.find_record(c.records, "transition_x_px", "whole")
    if record is None or record.status in ("ok", "below_detection") or not record.note:
        return []
    return [f"• Depth-of-cut transition {record.status}: {words.note_text(record)}"]


def _draw_notes(page: Page, y: float, notes: list[str]) -> float:
    most = 10
    shown = notes if len(notes) <= most else notes[: most - 1]
    for number, note in enumerate(shown, start=1):
        mark = note if note.startswith("•") else f"[{number}] {note}"
        for line in page.wrap(mark, SMALL, RIGHT - LEFT, most=3):
            y += 38
            page.text(LEFT, y, line, SMALL)
        y += 6
    if len(shown) < len(notes):
        y += 38
        page.text(LEFT, y, f"and {len(notes) - len(shown)} more remarks in measurements.csv", SMALL)
    return y + 8 if notes else y


def _footer(page: Page, y: float, c: Content, shown: Sequence[str]) -> float:
    facts = []
    for quantity in _ABOUT_PHOTO:
        record = words.find_record(c.records, quantity, "whole")
        if record is not None and record.value is not None and quantity not in shown:
            facts.append(f"{quantity_of(quantity).label} {words.value_text(record)}")
    if any("broad-wedge" in record.method.split("+") for record in c.records):
        facts.append(BROAD_WEDGE)
    first = c.records[0] if c.records else None
    if first is not None:
        facts.append(f"photo {words.shortened(PurePath(first.photo).name, 44)}")
        scale = f" ({first.um_per_px:.4g} µm per pixel)" if first.um_per_px else ""
        facts.append(f"scale {first.scale}{scale}")
        facts.append(f"measured {first.measured_at[:10]} with wearscope {first.wearscope_version}")
    if not facts:
        return y + 48
    about = " · ".join(facts)
    text = f"On this sheet {words.INTERVAL_REMARK}. {about[:1].upper()}{about[1:]}"
    for line in page.wrap(text, SMALL, RIGHT - LEFT, most=6):
        y += 38
        page.text(LEFT, y, line, SMALL, colour=GREY)
    return y + 48
