"""The numbers of a photo: each with its interval, status and reason, and what it was at earlier checkpoints."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QAbstractItemView,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from wearscope.log.order import in_order
from wearscope.log.records import Record
from wearscope.pipeline.inspection import Inspection
from wearscope.quantities.quantity import quantity_of
from wearscope.quantities.views import USUAL
from wearscope.report import words
from wearscope.report.style import ORANGE, VERMILION
from wearscope.trial import PhotoEntry
from wearscope_napari.plot import Plot
from wearscope_napari.theme import Theme
from wearscope_napari.window_words import in_window

FIRST = ("edge_recession", "edge_radius", "coating_loss")
"""Stand first; the curve of the first of these that the photo has is shown until a row is chosen."""


class Numbers(QWidget):
    """Table of the numbers of one photo, the reason for the row chosen, and its curve over the parts cut."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title = QLabel()
        self.table = QTableWidget(0, 3)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.verticalHeader().setVisible(False)
        self.table.verticalHeader().setDefaultSectionSize(22)
        self.table.itemSelectionChanged.connect(self._chosen)
        self.reason = QLabel(words.INTERVAL_REMARK)
        self.reason.setWordWrap(True)
        self.reason.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.curve = Plot((3.4, 1.7), self._draw)
        self.figure = self.curve.figure
        self.curve.setMinimumWidth(190)
        beside, column = QHBoxLayout(self), QVBoxLayout()
        beside.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.title)
        column.addWidget(self.table, 1)
        column.addWidget(self.reason)
        beside.addLayout(column, 4)
        beside.addWidget(self.curve, 1)
        self.setMinimumSize(480, 150)
        self._rows: list[Record] = []
        self._of_flute: list[Record] = []

    def show_photo(self, found: Inspection, of_flute: Sequence[Record]) -> None:
        """Show what one photo gave.

        Parameters
        ----------
        found : Inspection
        of_flute : sequence of Record
            Current rows of all checkpoints of the same flute and view.
        """
        before = self._row()
        entry = found.entry
        self.title.setText(photo_text(entry))
        earlier = sorted({row.parts for row in of_flute if row.parts < entry.parts})
        known = {(row.parts, row.quantity, row.zone): row for row in of_flute}
        self._rows, self._of_flute = sorted(in_order(found.records), key=_rank), list(of_flute)
        self.table.blockSignals(True)
        self.table.setRowCount(len(self._rows))
        self.table.setColumnCount(3 + len(earlier))
        headings = ["quantity", words.parts_text(entry.parts), "status", *map(words.parts_text, earlier)]
        self.table.setHorizontalHeaderLabels(headings)
        for n, row in enumerate(self._rows):
            cells = [words.row_name(row), _cell(row), row.status.replace("_", " ")]
            cells += [_cell(known.get((parts, row.quantity, row.zone))) for parts in earlier]
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setToolTip(in_window(words.note_text(row)))
                self.table.setItem(n, column, item)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.table.blockSignals(False)
        again = [n for n, row in enumerate(self._rows) if before and _number(row) == _number(before)]
        first = [n for name in FIRST for n, row in enumerate(self._rows) if row.quantity == name]
        if again or first:
            self.table.selectRow((again or first)[0])
        self._chosen()

    def set_theme(self, theme: Theme) -> None:
        """Draw in the colours of the window from now on."""
        self.curve.set_theme(theme)

    def clear(self) -> None:
        """Show no number."""
        self._rows, self._of_flute = [], []
        self.table.setRowCount(0)
        self.title.setText("")
        self.reason.setText("")
        self.curve.renew()

    def _row(self) -> Record | None:
        at = self.table.currentRow()
        return self._rows[at] if 0 <= at < len(self._rows) else None

    def _chosen(self) -> None:
        row = self._row()
        self.curve.renew()
        if row is None:
            self.reason.clear()
            return
        said = f"{words.row_name(row)}: {words.finding(row, longest=400)}"
        self.reason.setText(f"{in_window(said)} ({words.INTERVAL_REMARK})")
        self.reason.setToolTip(f"method: {row.method}")

    def _draw(self, figure: Figure, theme: Theme) -> None:
        """Value over parts cut; doubtful ones hollow, those not told from nothing marked by their upper bound."""
        chosen = self._row()
        if chosen is None:
            return
        factor = quantity_of(chosen.quantity).shown_factor
        rows = [r for r in self._of_flute if _number(r) == _number(chosen) and r.value is not None]
        axes = figure.subplots()
        for row in rows:
            assert row.value is not None
            half = 1.96 * (row.std_uncertainty or 0.0) * factor
            now = row.parts == chosen.parts
            axes.errorbar(
                [row.parts],
                [row.value * factor],
                yerr=[half],
                fmt="o" if row.status != "below_detection" else "v",
                color=theme.line(VERMILION) if now else theme.ink,
                markerfacecolor=theme.paper if row.status != "ok" else None,
                capsize=3,
            )
        line = sorted((r.parts, r.value * factor) for r in rows if r.value is not None)
        axes.plot([x for x, _ in line], [y for _, y in line], color=theme.line(ORANGE), linewidth=1, zorder=0)
        axes.set_xlabel("parts cut", fontsize=8)
        unit = quantity_of(chosen.quantity).shown_unit
        axes.set_ylabel(f"{quantity_of(chosen.quantity).label}\n{unit}".strip(), fontsize=8)
        axes.tick_params(labelsize=8)


def photo_text(entry: PhotoEntry) -> str:
    """What a photo shows, in words."""
    view = "" if entry.view == USUAL.key else f", {words.VIEW_WORDS[entry.view]}"
    return f"{entry.bit}, flute {entry.flute}, {words.parts_text(entry.parts)}{view}"


def _rank(row: Record) -> int:
    return FIRST.index(row.quantity) if row.quantity in FIRST else len(FIRST)


def _number(row: Record) -> tuple[str, str]:
    return row.quantity, row.zone


def _cell(row: Record | None) -> str:
    if row is None:
        return "–"
    if row.value is None:
        return "refused"
    if row.status == "below_detection":
        return f"{words.nothing_seen(row)} ({words.limit_text(row)})"
    return words.value_text(row)
