"""The 3-D widget: its mouse and keys turned into a few signals, everything ready-made that surprises switched off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QPointF, Qt, QTimer, Signal
from PySide6.QtGui import QDragEnterEvent, QDropEvent, QKeyEvent, QMouseEvent
from PySide6.QtWidgets import QWidget
from pyvistaqt import QtInteractor

from rejoin.core.records import FloatArray

CLICK_PX = 4
REST_MS = 60


class View(QtInteractor):
    """A view that tells clicks from turns of the camera.

    A press and release on one spot is `clicked`; a press that ``grabs``
    accepts begins a stroke instead of turning the view; a pointer that rests
    is `rested`. Positions are VTK display coordinates (device pixels, y up).
    """

    clicked = Signal(float, float, object)
    rested = Signal(float, float, object)
    stroke = Signal(str, float, float, object)
    left = Signal()

    def __init__(self, parent: QWidget | None = None, multi_samples: int = 0) -> None:
        super().__init__(parent, multi_samples=multi_samples, auto_update=False)
        self.setAcceptDrops(False)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Three-dimensional view of the fragments")
        self.grabs: Callable[[float, float, QMouseEvent], bool] | None = None
        self._pressed: QPointF | None = None
        self._stroking = False
        self._last = (0.0, 0.0, Qt.KeyboardModifier.NoModifier)
        self._rest = QTimer(self, singleShot=True, interval=REST_MS)
        self._rest.timeout.connect(lambda: self.rested.emit(*self._last))

    def display(self, position: QPointF) -> tuple[float, float]:
        """Display coordinates of a widget position."""
        ratio = self.devicePixelRatioF()
        return position.x() * ratio, (self.height() - position.y()) * ratio - 1.0

    def ray(self, x: float, y: float) -> tuple[FloatArray, FloatArray]:
        """The near and far end (3,) of the line of sight at a display position."""
        ends = []
        for depth in (0.0, 1.0):
            self.renderer.SetDisplayPoint(x, y, depth)
            self.renderer.DisplayToWorld()
            point = np.array(self.renderer.GetWorldPoint())
            ends.append(point[:3] / point[3])
        return ends[0], ends[1]

    def widget_position(self, world: FloatArray) -> QPointF:
        """Where a world point (3,) appears in the widget."""
        self.renderer.SetWorldPoint(*world, 1.0)
        self.renderer.WorldToDisplay()
        x, y, _ = self.renderer.GetDisplayPoint()
        ratio = self.devicePixelRatioF()
        return QPointF(x / ratio, self.height() - (y + 1.0) / ratio)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        event.ignore()

    def dropEvent(self, event: QDropEvent) -> None:
        event.ignore()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        event.ignore()

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        event.ignore()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.setFocus()
        self._rest.stop()
        if event.button() == Qt.MouseButton.LeftButton:
            self._pressed = event.position()
            x, y = self.display(event.position())
            if self.grabs is not None and self.grabs(x, y, event):
                self._stroking = True
                self.stroke.emit("start", x, y, event.modifiers())
                return
            if event.modifiers() & (Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.AltModifier):
                return
        super().mousePressEvent(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x, y = self.display(event.position())
        if self._stroking:
            self.stroke.emit("move", x, y, event.modifiers())
            return
        if event.buttons() == Qt.MouseButton.NoButton:
            self._last = (x, y, event.modifiers())
            self._rest.start()
        super().mouseMoveEvent(event)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        x, y = self.display(event.position())
        if self._stroking:
            self._stroking = False
            self.stroke.emit("end", x, y, event.modifiers())
            return
        super().mouseReleaseEvent(event)
        start, self._pressed = self._pressed, None
        if event.button() == Qt.MouseButton.LeftButton and start is not None:
            if (event.position() - start).manhattanLength() <= CLICK_PX:
                self.clicked.emit(x, y, event.modifiers())

    def leaveEvent(self, event: object) -> None:
        self._rest.stop()
        self.left.emit()
        super().leaveEvent(event)
