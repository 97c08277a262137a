"""The misfit of an alignment, round by round, as a curve beside the view."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from rejoin.app.parts.colours import Palette
from rejoin.app.parts.overrides import called_by_qt
from rejoin.app.words.sentences import Units
from rejoin.core.records import Replay


class Curve(QWidget):
    """Misfit over rounds, on a scale of tens; a click shows that round.

    Attributes
    ----------
    chosen : Signal(int)
    """

    chosen = Signal(int)

    def __init__(self, palette_of: Callable[[], Palette]) -> None:
        super().__init__()
        self.palette_of, self.units = palette_of, Units()
        self.replay: Replay | None = None
        self.at = 0.0
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Curve of the misfit")
        self.setToolTip("Half of the faces lie nearer to each other than this, round by round. Click to show a round.")

    def show_replay(self, replay: Replay, units: Units) -> None:
        self.replay, self.units, self.at = replay, units, 0.0
        self.updateGeometry()
        self.update()

    def set_at(self, at: float) -> None:
        """Mark a round, or a place between two."""
        self.at = at
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(15 * self.fontMetrics().height(), 300)

    def limits(self) -> tuple[float, float]:
        """Lowest and highest power of ten shown, in the reader's unit."""
        assert self.replay is not None
        values = [r.misfit_mm for r in self.replay.rounds if np.isfinite(r.misfit_mm) and r.misfit_mm > 0]
        values += [self.replay.noise_mm]
        tens = np.log10(np.array(values) / self.units.mm)
        return float(np.floor(tens.min())), float(np.ceil(tens.max() + 1e-9))

    def frame(self) -> QRectF:
        line = self.fontMetrics().height()
        left = self.fontMetrics().horizontalAdvance("0.0001") + 10
        return QRectF(left, 4.2 * line, self.width() - left - 14, max(self.height() - 8.4 * line, 20.0))

    def place(self, at: float, misfit_mm: float) -> QPointF:
        """Where a round and its misfit lie in the widget."""
        assert self.replay is not None
        frame, (low, high) = self.frame(), self.limits()
        share = (np.log10(max(misfit_mm / self.units.mm, 10.0**low)) - low) / max(high - low, 1e-9)
        return QPointF(frame.left() + frame.width() * at / max(len(self.replay.rounds) - 1, 1),
                       frame.bottom() - frame.height() * min(float(share), 1.0))  # fmt: skip

    @called_by_qt
    def mousePressEvent(self, event: QMouseEvent) -> None:
        if self.replay is None:
            return
        frame = self.frame()
        share = (event.position().x() - frame.left()) / max(frame.width(), 1.0)
        last = len(self.replay.rounds) - 1
        self.chosen.emit(int(np.clip(round(share * last), 0, last)))

    @called_by_qt
    def paintEvent(self, event: QPaintEvent) -> None:
        painter, palette = QPainter(self), self.palette_of()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(palette.card))
        if self.replay is not None:
            self._axes(painter, palette)
            self._line(painter, palette)
        painter.end()

    def _axes(self, painter: QPainter, palette: Palette) -> None:
        assert self.replay is not None
        frame, (low, high), line = self.frame(), self.limits(), self.fontMetrics().height()
        painter.setPen(QColor(palette.ink))
        top = QRectF(8, 0.4 * line, self.width() - 12, 3.4 * line)
        flags = Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextWordWrap
        painter.drawText(top, flags, f"Half of the faces lie nearer than, {self.units.short}")
        for ten in range(int(low), int(high) + 1):
            y = self.place(0, 10.0**ten * self.units.mm).y()
            painter.setPen(QPen(QColor(palette.rule), 1))
            painter.drawLine(QPointF(frame.left(), y), QPointF(frame.right(), y))
            painter.setPen(QColor(palette.ink))
            box = QRectF(0, y - line / 2, frame.left() - 5, line)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, f"{10.0**ten:g}")
        noise = self.place(0, self.replay.noise_mm).y()
        painter.setPen(QPen(QColor(palette.good), 1.5, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(frame.left(), noise), QPointF(frame.right(), noise))
        below = QRectF(8, frame.bottom() + 0.3 * line, self.width() - 12, line)
        painter.setPen(QColor(palette.ink))
        painter.drawText(below, Qt.AlignmentFlag.AlignRight, f"round {len(self.replay.rounds)}")
        painter.drawText(QRectF(frame.left(), below.top(), frame.width(), line), Qt.AlignmentFlag.AlignLeft, "1")
        painter.setPen(QColor(palette.good))
        painter.drawText(QRectF(8, below.top() + 1.4 * line, self.width() - 12, 2.2 * line), flags,
                         "- - noise of both scans together")  # fmt: skip

    def _line(self, painter: QPainter, palette: Palette) -> None:
        assert self.replay is not None
        rounds = self.replay.rounds
        points = [self.place(n, r.misfit_mm) for n, r in enumerate(rounds) if np.isfinite(r.misfit_mm)]
        painter.setPen(QPen(QColor(palette.accent), 2))
        painter.drawPolyline(QPolygonF(points))
        painter.setBrush(QColor(palette.accent))
        for point in points:
            painter.drawEllipse(point, 2.5, 2.5)
        number = int(round(self.at))
        frame, x = self.frame(), self.place(self.at, 1.0).x()
        painter.setPen(QPen(QColor(palette.mark), 1.5))
        painter.drawLine(QPointF(x, frame.top()), QPointF(x, frame.bottom()))
        if np.isfinite(rounds[number].misfit_mm):
            painter.setBrush(QColor(palette.mark))
            painter.drawEllipse(self.place(number, rounds[number].misfit_mm), 5, 5)
