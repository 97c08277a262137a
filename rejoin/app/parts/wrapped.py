"""Words over as many lines as they need."""

from __future__ import annotations

from PySide6.QtCore import QSize, QTimer
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QLabel

from rejoin.app.parts.overrides import called_by_qt


class Wrapped(QLabel):
    """A label that no layout gives fewer lines than it needs.

    Layouts inside a scroll area forget heights that change while they are at
    work, so the height is claimed a moment later.
    """

    def __init__(self, words: str = "") -> None:
        self._needed = 0
        super().__init__(words)
        self.setWordWrap(True)
        self._later = QTimer(self, singleShot=True, interval=0)
        self._later.timeout.connect(self.claim)

    def setText(self, words: str) -> None:
        super().setText(words)
        self._later.start()

    @called_by_qt
    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._later.start()

    def minimumSizeHint(self) -> QSize:
        hint = super().minimumSizeHint()
        return QSize(hint.width(), max(hint.height(), self._needed))

    def claim_later(self) -> None:
        """After a change of the font; told by whoever changes it, for a look at every event would cost too much."""
        self._later.start()

    def claim(self) -> None:
        """Ask for the height that the words need at this width."""
        needed = max(self.heightForWidth(self.width()), 0) if self.wordWrap() else 0
        if needed != self._needed:
            self._needed = needed
            self.updateGeometry()
