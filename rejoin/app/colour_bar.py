"""The colour bar of the gap map, with signed numbers."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetrics, QImage, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from rejoin.app import colours
from rejoin.app.sentences import Units


class ColourBar(QWidget):
    """Stands beside the view: open at the top, overlapping at the bottom."""

    def __init__(self) -> None:
        super().__init__()
        self._limit, self._tolerance, self._units = 0.5, 0.0, Units()
        self._ink, self._card = QColor(colours.PAPER.ink), QColor(colours.PAPER.card)
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Colour bar of the gap")

    def set_range(self, limit_mm: float, tolerance_mm: float, units: Units) -> None:
        self._limit, self._tolerance, self._units = limit_mm, tolerance_mm, units
        self.setAccessibleDescription("Colours from " + " to ".join(self.labels()[::4]) + " " + units.short)
        self.setToolTip("Blue is an open gap (+), brown-red an overlap (−), grey is touching. "
                        "Violet-grey: nothing lies opposite.")  # fmt: skip
        self.updateGeometry()
        self.update()

    def set_palette(self, palette: colours.Palette) -> None:
        self._ink, self._card = QColor(palette.ink), QColor(palette.card)
        self.update()

    def labels(self) -> list[str]:
        """The numbers on the bar, from the top."""
        return [self._units.number(self._limit * share, signed=True) for share in (1.0, 0.5, 0.0, -0.5, -1.0)]

    def sizeHint(self) -> QSize:
        metrics = QFontMetrics(self.font())
        words = [*self.labels(), "overlap −", "nothing", "opposite"]
        return QSize(max(metrics.horizontalAdvance(word) for word in words) + 52, 300)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        self.paint(painter)
        painter.end()

    def paint(self, painter: QPainter) -> None:
        """Draw the bar, here or into a picture."""
        painter.setFont(self.font())
        painter.fillRect(self.rect(), self._card)
        metrics = QFontMetrics(self.font())
        line = metrics.height()
        top, bottom = 3 * line, self.height() - 5 * line
        count = max(int(bottom - top), 2)
        values = np.linspace(self._limit, -self._limit, count)
        band = np.repeat(colours.gap_colours(values, self._limit, self._tolerance)[:, None], 20, axis=1)
        image = QImage(np.ascontiguousarray(band).tobytes(), 20, count, 60, QImage.Format.Format_RGB888)
        painter.drawImage(QRectF(10, top, 20, count), image)
        painter.setPen(self._ink)
        painter.drawRect(QRectF(10, top, 20, count))
        full = self.width() - 12
        painter.drawText(QRectF(6, 2, full, line), Qt.AlignmentFlag.AlignLeft, "gap +")
        painter.drawText(QRectF(6, 2 + line, full, line), Qt.AlignmentFlag.AlignLeft, self._units.name)
        painter.drawText(QRectF(6, bottom + 0.6 * line, full, line), Qt.AlignmentFlag.AlignLeft, "overlap −")
        for share, label in zip((0.0, 0.25, 0.5, 0.75, 1.0), self.labels(), strict=True):
            y = top + share * count
            painter.drawLine(30, int(y), 34, int(y))
            painter.drawText(QRectF(38, y - line / 2, self.width() - 40, line), Qt.AlignmentFlag.AlignVCenter, label)
        box = QRectF(10, bottom + 2.2 * line, 20, line)
        painter.fillRect(box, QColor(colours.UNMATCHED))
        painter.drawRect(box)
        painter.drawText(QRectF(38, box.top(), self.width() - 40, line), Qt.AlignmentFlag.AlignVCenter, "nothing")
        box.translate(28, line)
        painter.drawText(QRectF(38, box.top(), full, line), Qt.AlignmentFlag.AlignVCenter, "opposite")
