"""The photos of the trial, those first that need an eye."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QColor, QIcon, QPixmap
from qtpy.QtWidgets import QListWidget, QListWidgetItem

from wearscope.trial import PhotoEntry
from wearscope_napari.numbers import photo_text
from wearscope_napari.session import PhotoState
from wearscope_napari.state import BenchState
from wearscope_napari.window_words import in_window

STATE_COLOURS = {"refused": "#E4572E", "doubtful": "#E69F00", "to measure": "#B8BEC6", "done": "#3FA66B"}

BY_HAND = "✎ by hand"
"""Behind a photo of which a person has said something."""


class PhotoList(QListWidget):
    """List from which a photo is chosen.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self._state = state
        self.setToolTip("what needs an eye comes first; Page Down and Page Up go through it")
        self.setMinimumHeight(56)
        self.currentItemChanged.connect(self._picked)
        state.listed.connect(self.list_photos)
        state.marked.connect(self._mark)
        state.chosen.connect(self._follow)
        state.next_entry = self.after

    def list_photos(self) -> None:
        """List the photos afresh, those first that need an eye."""
        if self._state.session is None:
            return
        self.blockSignals(True)
        self.clear()
        for photo in self._state.session.queue():
            item = QListWidgetItem()
            item.setData(Qt.ItemDataRole.UserRole, photo.entry)
            _mark(item, photo)
            self.addItem(item)
        self.blockSignals(False)
        self._follow()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Content with little: it gets all the room that the pages below leave, and never takes it from them."""
        return QSize(super().sizeHint().width(), self.minimumHeight())

    def resizeEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """Keep the photo chosen in sight when texts below take room from the list."""
        super().resizeEvent(event)
        if (item := self.currentItem()) is not None:
            self.scrollToItem(item)

    def next_photo(self) -> None:
        """Go to the next photo of the list."""
        self._go(1)

    def photo_before(self) -> None:
        """Go to the photo before."""
        self._go(-1)

    def after(self) -> PhotoEntry | None:
        """The photo after the one chosen, if there is one."""
        item = self.item(self.currentRow() + 1)
        return None if item is None else _entry(item)

    def _go(self, step: int) -> None:
        if self.count():
            self.setCurrentRow(int(np.clip(self.currentRow() + step, 0, self.count() - 1)))

    def _picked(self, item: QListWidgetItem | None, _before: object) -> None:
        if item is not None:
            self._state.choose(_entry(item))

    def _follow(self) -> None:
        """Show which photo is chosen."""
        self.blockSignals(True)
        for row in range(self.count()):
            if _entry(self.item(row)) == self._state.entry:
                self.setCurrentRow(row)
        self.blockSignals(False)

    def _mark(self) -> None:
        """Show how the photos stand now, each where it is: the list must not move under the person's hand."""
        assert self._state.session is not None
        photos = {photo.entry: photo for photo in self._state.session.queue()}
        for row in range(self.count()):
            if photo := photos.get(_entry(self.item(row))):
                _mark(self.item(row), photo)


def _entry(item: QListWidgetItem) -> PhotoEntry:
    entry: PhotoEntry = item.data(Qt.ItemDataRole.UserRole)
    return entry


def _mark(item: QListWidgetItem, photo: PhotoState) -> None:
    by_hand = f"  {BY_HAND}" if photo.corrected else ""
    item.setText(f"{photo.state}:  {photo_text(photo.entry)}{by_hand}")
    item.setToolTip(in_window(photo.why) or photo.entry.file)
    swatch = QPixmap(12, 12)
    swatch.fill(QColor(STATE_COLOURS[photo.state]))
    item.setIcon(QIcon(swatch))  # the words keep the colour of the theme, which can be read
