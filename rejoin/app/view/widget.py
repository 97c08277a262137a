"""The 3-D widget: its mouse and keys turned into a few signals, everything ready-made that surprises switched off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QPointF, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QDragEnterEvent,
    QDropEvent,
    QEnterEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget
from pyvistaqt import QtInteractor
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkCommonCore import vtkFloatArray

from rejoin.app.parts.overrides import called_by_qt
from rejoin.core.records import FloatArray

CLICK_PX = 4
REST_MS = 60


class Band(QWidget):
    """The line drawn round what is to be taken; it lies over the view and lets the mouse through."""

    def __init__(self, view: QWidget) -> None:
        super().__init__(view)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.line: list[QPointF] = []
        self.ink = QColor("#000000")
        self.hide()

    def draw(self, line: list[QPointF]) -> None:
        """Show a closed line through widget positions; none takes it away."""
        self.line = line
        self.setGeometry(self.parentWidget().rect())
        self.setVisible(bool(line))
        self.update()

    @called_by_qt
    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(self.ink, 2.0, Qt.PenStyle.DashLine))
        fill = QColor(self.ink)
        fill.setAlpha(28)
        painter.setBrush(fill)
        painter.drawPolygon(self.line)
        painter.end()


class View(QtInteractor):
    """A view that tells clicks from turns of the camera.

    A press and release on one spot is `clicked`; a press that ``grabs``
    accepts begins a stroke instead of turning the view; a pointer that rests
    is `rested`; a drag of the camera is `turned`. Positions are VTK display coordinates (device pixels, y up).
    """

    clicked = Signal(float, float, object)
    rested = Signal(float, float, object)
    stroke = Signal(str, float, float, object)
    left = Signal()
    turned = Signal()
    resizing = Signal()

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
        self.band = Band(self)
        self._depths: FloatArray | None = None

    def drawn_size(self) -> tuple[int, int]:
        """Width and height in display pixels, also before the first frame."""
        wide, high = self.ren_win.GetSize()
        ratio = self.devicePixelRatioF()
        return wide or max(int(self.width() * ratio), 1), high or max(int(self.height() * ratio), 1)

    def depths(self) -> FloatArray:
        """How far off (h, w) what is drawn lies at each display pixel, 0 near to 1 nothing, rows from below."""
        # kept only for this one frame: the renderer would keep a closed window alive
        observer = self.renderer.AddObserver("EndEvent", self._drawn)
        self.grabFramebuffer()
        self.renderer.RemoveObserver(observer)
        assert self._depths is not None
        return self._depths

    def _drawn(self, *_: object) -> None:
        """Read the depths now: the layer of letters, drawn next, clears them."""
        wide, high = self.ren_win.GetSize()
        buffer = vtkFloatArray()
        self.ren_win.GetZbufferData(0, 0, wide - 1, high - 1, buffer)
        self._depths = vtk_to_numpy(buffer).reshape(high, wide).copy()

    def project(self, points: FloatArray) -> FloatArray:
        """Display x, y and depth (k, 3) of world points (k, 3)."""
        wide, high = self.drawn_size()
        camera = self.renderer.GetActiveCamera()
        held = camera.GetCompositeProjectionTransformMatrix(wide / high, 0.0, 1.0)
        matrix = np.array([[held.GetElement(row, column) for column in range(4)] for row in range(4)])
        shown = points @ matrix[:3, :3].T + matrix[:3, 3]
        scale = points @ matrix[3, :3] + matrix[3, 3]
        shown /= scale[:, None]
        return np.stack([(shown[:, 0] + 1) * wide / 2, (shown[:, 1] + 1) * high / 2, shown[:, 2]], axis=1)

    def display(self, position: QPointF) -> tuple[float, float]:
        """Display coordinates of a widget position."""
        ratio = self.devicePixelRatioF()
        return position.x() * ratio, (self.height() - position.y()) * ratio - 1.0

    def widget_at(self, x: float, y: float) -> QPointF:
        """The widget position of display coordinates."""
        ratio = self.devicePixelRatioF()
        return QPointF(x / ratio, self.height() - (y + 1.0) / ratio)

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

    # what the ready-made widget does when Qt calls, guarded like our own

    @called_by_qt
    def initializeGL(self) -> None:
        super().initializeGL()

    @called_by_qt
    def resizeGL(self, w: int, h: int) -> None:
        self.resizing.emit()
        super().resizeGL(w, h)

    @called_by_qt
    def paintGL(self) -> None:
        super().paintGL()

    @called_by_qt
    def wheelEvent(self, event: QWheelEvent) -> None:
        super().wheelEvent(event)

    @called_by_qt
    def enterEvent(self, event: QEnterEvent) -> None:
        super().enterEvent(event)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        event.ignore()

    def dropEvent(self, event: QDropEvent) -> None:
        event.ignore()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        event.ignore()

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        event.ignore()

    @called_by_qt
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

    @called_by_qt
    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x, y = self.display(event.position())
        if self._stroking:
            self.stroke.emit("move", x, y, event.modifiers())
            return
        if event.buttons() == Qt.MouseButton.NoButton:
            self._last = (x, y, event.modifiers())
            self._rest.start()
        elif self._pressed is not None and (event.position() - self._pressed).manhattanLength() > CLICK_PX:
            self.turned.emit()
        super().mouseMoveEvent(event)

    @called_by_qt
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

    @called_by_qt
    def leaveEvent(self, event: object) -> None:
        self._rest.stop()
        self.left.emit()
        super().leaveEvent(event)
