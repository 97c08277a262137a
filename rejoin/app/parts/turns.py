"""Work split into turns of the event loop: what a person does meanwhile is answered between two of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from PySide6.QtCore import QObject, QTimer

TURN_MS = 1
"""With 0 it would still be the same turn: events posted meanwhile are taken before any other."""

Act = Callable[[], object]


def later(owner: QObject, act: Act) -> None:
    """Do it in the next turn, if ``owner`` still lives then."""
    QTimer.singleShot(TURN_MS, owner, act)


class Turns(QObject):
    """Acts done one a turn."""

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._left: list[Act] = []
        self._timer = QTimer(self, interval=TURN_MS)
        self._timer.timeout.connect(self._one)

    def begin(self, acts: Iterable[Act]) -> None:
        """Do these, in place of what is left of others."""
        self._left = list(acts)
        self._timer.start()

    def finish(self) -> None:
        """Do all that is left at once."""
        while self._left:
            self._one()

    def _one(self) -> None:
        if self._left:
            self._left.pop(0)()
        if not self._left:
            self._timer.stop()
