"""How the new-state photo is laid over the one shown."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QCheckBox, QHBoxLayout, QSlider, QWidget

from wearscope_napari.signals import Over
from wearscope_napari.state import BenchState


class ComparePanel(QWidget):
    """Swipe or blink.

    Parameters
    ----------
    state : BenchState
    """

    def __init__(self, state: BenchState) -> None:
        super().__init__()
        self.state = state
        row = QHBoxLayout(self)
        self.over = QCheckBox("swipe")
        self.over.toggled.connect(self._tell)
        self.blink = QCheckBox("blink")
        self.blink.toggled.connect(self._tell)
        self.swipe = QSlider(Qt.Orientation.Horizontal)
        self.swipe.setRange(0, 100)
        self.swipe.setValue(50)
        self.swipe.setToolTip("how far the new-state photo is drawn over this one")
        self.swipe.valueChanged.connect(self._swiped)
        for widget in (self.over, self.blink, self.swipe):
            row.addWidget(widget)

    def _swiped(self, share: int) -> None:
        if self.over.isChecked() and not self.blink.isChecked():
            self._tell(share)

    def _tell(self, _changed: object) -> None:
        blinking = self.blink.isChecked()
        self.state.lay_over(Over(self.over.isChecked() or blinking, blinking, self.swipe.value() / 100))
