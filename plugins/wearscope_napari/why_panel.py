"""Why a photo is refused or doubtful, in full, beside it."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLabel

from wearscope.pipeline.inspection import Inspection
from wearscope.quantities.quantity import quantity_of
from wearscope.report import words
from wearscope_napari.state import BenchState, Showing
from wearscope_napari.window_words import in_window


class WhyPanel(QLabel):
    """Text that is only there where something is to be said.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self.setWordWrap(True)
        self.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.setVisible(False)
        state.showing.connect(self._show)
        for gone in (state.awaited, state.withdrawn, state.opened):
            gone.connect(self._clear)

    def _show(self, showing: Showing) -> None:
        text = why_text(showing.measured.inspection)
        self.setText(text)
        self.setVisible(bool(text))

    def _clear(self) -> None:
        self.clear()
        self.setVisible(False)


def why_text(found: Inspection) -> str:
    """Refusal of a photo, or each doubt with the main numbers that it holds for; "" where all is well."""
    if found.refusal:
        return f"Refused: {in_window(found.refusal)}"
    rows: dict[str, list[str]] = {}
    for row in found.records:
        if row.status == "doubtful" and quantity_of(row.quantity).main:
            rows.setdefault(words.note_text(row), []).append(words.row_name(row))
    lines = [f"Doubtful: {', '.join(names)}. {in_window(note)}" for note, names in rows.items()]
    return "\n".join([*lines, *map(in_window, found.warnings)])
