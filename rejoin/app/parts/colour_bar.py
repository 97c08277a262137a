"""The colour bar of a map, with signed numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetrics, QImage, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from rejoin.app.parts import colours
from rejoin.app.parts.overrides import called_by_qt
from rejoin.app.words.sentences import Units


@dataclass(frozen=True)
class BarWords:
    """What a bar says: above, below, beside the colour of what was not measured (two lines), when pointed at."""

    name: str
    above: str
    below: str
    nothing: tuple[str, str]
    tip: str


GAP = BarWords("gap", "gap +", "overlap −", ("nothing", "opposite"), "Blue is an open gap (+), brown-red an overlap "
               "(−), grey is touching. Violet-grey: nothing lies opposite.")  # fmt: skip


class ColourBar(QWidget):
    """Stands beside the view: open at the top, overlapping at the bottom."""

    def __init__(self, words: BarWords = GAP) -> None:
        super().__init__()
        self.words = words
        self._limit, self._tolerance, self._units, self._middle = 0.5, 0.0, Units(), 0.0
        self._ink, self._card = QColor(colours.PAPER.ink), QColor(colours.PAPER.card)
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(f"Colour bar of the {words.name}")

    def set_range(self, limit_mm: float, tolerance_mm: float, units: Units, middle_mm: float = 0.0) -> None:
        """Full colour at ``limit_mm`` from the middle, plain grey within ``tolerance_mm``."""
        self._limit, self._tolerance, self._units, self._middle = limit_mm, tolerance_mm, units, middle_mm
        self.setAccessibleDescription("Colours from " + " to ".join(self.labels()[::4]) + " " + units.short)
        self.setToolTip(self.words.tip)
        self.updateGeometry()
        self.update()

    def set_palette(self, palette: colours.Palette) -> None:
        self._ink, self._card = QColor(palette.ink), QColor(palette.card)
        self.update()

    def labels(self) -> list[str]:
        """The numbers on the bar, from the top."""
        return [self._units.number(self._middle + self._limit * share, signed=True)
                for share in (1.0, 0.5, 0.0, -0.5, -1.0)]  # fmt: skip

    def sizeHint(self) -> QSize:
        metrics = QFontMetrics(self.font())
        beside = max(metrics.horizontalAdvance(word) for word in (*self.labels(), *self.words.nothing)) + 52
        heads = [metrics.horizontalAdvance(word) + 16 for word in (self.words.above, self.words.below)]
        return QSize(max(beside, *heads), 300)

    @called_by_qt
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
        painter.drawText(QRectF(6, 2, full, line), Qt.AlignmentFlag.AlignLeft, self.words.above)
        painter.drawText(QRectF(6, 2 + line, full, line), Qt.AlignmentFlag.AlignLeft, self._units.name)
        painter.drawText(QRectF(6, bottom + 0.6 * line, full, line), Qt.AlignmentFlag.AlignLeft, self.words.below)
        for share, label in zip((0.0, 0.25, 0.5, 0.75, 1.0), self.labels(), strict=True):
            y = top + share * count
            painter.drawLine(30, int(y), 34, int(y))
            painter.drawText(QRectF(38, y - line / 2, self.width() - 40, line), Qt.AlignmentFlag.AlignVCenter, label)
        box = QRectF(10, bottom + 2.2 * line, 20, line)
        painter.fillRect(box, QColor(colours.UNMATCHED))
        painter.drawRect(box)
        for word in self.words.nothing:
            painter.drawText(QRectF(38, box.top(), self.width() - 40, line), Qt.AlignmentFlag.AlignVCenter, word)
            box.translate(0, line)
