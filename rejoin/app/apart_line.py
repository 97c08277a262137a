"""The line below the view: the slider from joined to on the bench, and what lies under the pointer."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSlider, QWidget

from rejoin.app.parts.overrides import called_by_qt

SLIDER, POINTED, BETWEEN = (70, 220), 40, 18
"""Pixels: the slider at least and at most, what is pointed at at least, the space before it."""


class ApartLine(QWidget):
    """Its words give way where they have no room, so that large letters make no window wider than the screen."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("strip")
        self.slider = QSlider(Qt.Orientation.Horizontal, minimum=0, maximum=100, value=100)
        self.slider.setToolTip("Apart: move the fragments from joined (left) to lying on the bench (right).")
        self.slider.setAccessibleName("Apart")
        self.slider.setMinimumWidth(SLIDER[0])
        self.slider.setMaximumWidth(SLIDER[1])
        self.pointed = QLabel()
        self.pointed.setMinimumWidth(POINTED)
        self.title, self.left, self.right = QLabel("Apart"), QLabel("joined"), QLabel("on the bench")
        self.title.setObjectName("opTitle")
        self._line = line = QHBoxLayout(self)
        line.setContentsMargins(12, 5, 12, 5)
        for widget in (self.title, self.left, self.slider, self.right):
            line.addWidget(widget, 4 if widget is self.slider else 0)
        line.addSpacing(BETWEEN)
        line.addWidget(self.pointed, 1)
        for words in (self.title, self.left, self.right):
            words.setMinimumWidth(1)  # asks for all its words, and takes less

    @called_by_qt
    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._give_way()

    def point(self, words: str) -> None:
        """Tell what lies under the pointer."""
        self.pointed.setText(words)
        self._give_way()

    def _give_way(self) -> None:
        """Show what is pointed at; beside it the slider's ends where both have room, and its name where that has."""
        gap = self._line.spacing()
        margins, pointed = self._line.contentsMargins(), max(POINTED, self.pointed.sizeHint().width())
        left = self.width() - margins.left() - margins.right() - SLIDER[0] - pointed - BETWEEN - 2 * gap
        for together in ((self.left, self.right), (self.title,)):
            left -= sum(words.sizeHint().width() + gap for words in together)
            for words in together:
                words.setVisible(left >= 0)
        self._line.setStretchFactor(self.slider, 0 if self.left.isHidden() else 4)
