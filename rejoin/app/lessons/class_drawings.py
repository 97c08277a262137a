"""Small drawings for class mode, one an operation, in whichever palette the window has."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from rejoin.app.parts import colours
from rejoin.app.parts.colours import Palette
from rejoin.app.parts.overrides import called_by_qt

WIDE, HIGH, LINE = 250.0, 104.0, 16.0
"""Size of a drawing, and the height of a line of text in it."""

Points = Sequence[tuple[float, float]]
CRACK: Points = ((0, 0), (5, 8), (-3, 15), (6, 23), (1, 31), (7, 38), (0, 46))
"""A break from top to bottom, 46 high."""


class Drawing(QWidget):
    """One operation's drawing; it grows with the size of the text."""

    def __init__(self, number: int, words: str, palette_of: Callable[[], Palette]) -> None:
        super().__init__()
        self.number, self.palette_of = number, palette_of
        self.setAccessibleName(words)
        self.setToolTip(words)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        unit = self.fontMetrics().height() / LINE
        return QSize(round(WIDE * unit), round(HIGH * unit))

    def minimumSizeHint(self) -> QSize:
        return self.sizeHint()

    @called_by_qt
    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        unit = self.height() / HIGH
        painter.translate((self.width() - WIDE * unit) / 2.0, 0.0)
        painter.scale(unit, unit)
        font = painter.font()
        font.setPixelSize(12)
        painter.setFont(font)
        DRAWINGS[self.number](Sketch(painter, self.palette_of()))
        painter.end()


class Sketch:
    """A painter with the few strokes that the drawings need."""

    def __init__(self, painter: QPainter, palette: Palette) -> None:
        self.painter, self.palette = painter, palette
        self.metal, self.other = QColor(colours.FRAGMENTS[0]), QColor(colours.FRAGMENTS[1])

    def area(self, points: Points, fill: QColor | str | None, edge: str | None = None, width: float = 1.2) -> None:
        self.painter.setPen(QPen(QColor(edge or self.palette.ink), width))
        self.painter.setBrush(QColor(fill) if fill is not None else Qt.BrushStyle.NoBrush)
        self.painter.drawPolygon(QPolygonF([QPointF(*p) for p in points]))

    def line(self, points: Points, colour: str = "", width: float = 1.4, dashed: bool = False) -> None:
        pen = QPen(QColor(colour or self.palette.ink), width)
        if dashed:
            pen.setStyle(Qt.PenStyle.DashLine)
        self.painter.setPen(pen)
        self.painter.drawPolyline(QPolygonF([QPointF(*p) for p in points]))

    def dots(self, points: Points, colour: str, size: float = 1.8) -> None:
        self.painter.setPen(Qt.PenStyle.NoPen)
        self.painter.setBrush(QColor(colour))
        for x, y in points:
            self.painter.drawEllipse(QPointF(x, y), size, size)

    def ring(self, x: float, y: float, radius: float, fill: str | QColor | None = None) -> None:
        self.painter.setPen(QPen(QColor(self.palette.ink), 1.2))
        self.painter.setBrush(QColor(fill) if fill is not None else Qt.BrushStyle.NoBrush)
        self.painter.drawEllipse(QPointF(x, y), radius, radius)

    def arrow(self, start: tuple[float, float], end: tuple[float, float], colour: str = "") -> None:
        """A level or upright arrow."""
        colour = colour or self.palette.accent
        self.line((start, end), colour, 2.0)
        (x, y), (dx, dy) = end, (end[0] - start[0], end[1] - start[1])
        size = max(abs(dx), abs(dy))
        ux, uy = 6.0 * dx / size, 6.0 * dy / size
        self.line(((x - ux + 0.6 * uy, y - uy + 0.6 * ux), (x, y), (x - ux - 0.6 * uy, y - uy - 0.6 * ux)), colour, 2.0)

    def words(self, x: float, y: float, text: str, colour: str = "", middle: bool = True) -> None:
        """Text whose base line is at y; centred on x, or from x on."""
        self.painter.setPen(QColor(colour or self.palette.ink))
        flag = Qt.AlignmentFlag.AlignHCenter if middle else Qt.AlignmentFlag.AlignLeft
        box = QRectF(x - 125.0 if middle else x, y - 14.0, 250.0, 18.0)
        self.painter.drawText(box, flag | Qt.AlignmentFlag.AlignVCenter, text)


def crack(x: float, y: float, high: float = 46.0, deep: float = 1.0) -> list[tuple[float, float]]:
    """The break's line, from its top at (x, y)."""
    return [(x + deep * dx, y + dy * high / 46.0) for dx, dy in CRACK]


def left_piece(x: float, y: float, to: float) -> list[tuple[float, float]]:
    """A bar from x to the break at ``to``."""
    return [(x, y), *crack(to, y), (x, y + 46.0)]


def right_piece(at: float, y: float, to: float) -> list[tuple[float, float]]:
    return [*crack(at, y), (to, y + 46.0), (to, y)]


def _scans(s: Sketch) -> None:
    s.area(left_piece(20, 34, 104), s.metal)
    along = [20.0 + 9.3 * k for k in range(9)]
    s.dots([*((x, 34.0) for x in along), *crack(104, 34)[1:-1], *((x, 80.0) for x in along)], s.palette.mark)
    s.area(((142, 12), (170, 12), (170, 26), (142, 26)), s.palette.raised)
    s.line(((148, 26), (106, 44)), s.palette.accent, 1.2, dashed=True)
    s.line(((156, 26), (108, 72)), s.palette.accent, 1.2, dashed=True)
    s.words(210, 24, "scanner")
    s.words(62, 98, "points of the surface", s.palette.mark)
    s.area(((150, 58), (176, 48), (172, 78)), None, s.palette.ink)
    s.dots(((150, 58), (176, 48), (172, 78)), s.palette.mark, 2.4)
    s.words(212, 70, "triangle")


def _faces(s: Sketch) -> None:
    s.area(left_piece(26, 28, 122), s.metal)
    s.line(crack(122, 28), colours.FACE, 4.0)
    s.dots(((122, 28), (122, 74)), s.palette.mark, 3.4)
    s.words(196, 55, "fracture face")
    s.line(((134, 51), (150, 51)), s.palette.ink, 1.0)
    s.words(166, 25, "rim", s.palette.mark)
    s.line(((128, 26), (148, 21)), s.palette.mark, 1.0)
    s.words(74, 20, "original surface")
    s.words(125, 97, "rough: torn      smooth: cast, machined")


def _join(s: Sketch) -> None:
    s.area(left_piece(14, 30, 100), s.metal)
    s.area(right_piece(140, 30, 236), s.other)
    for start, end in zip(crack(100, 30)[1:-1], crack(140, 30)[1:-1], strict=True):
        s.line((start, end), s.palette.mark, 1.3)
    s.arrow((212, 53), (176, 53), "#173d4d")
    s.words(125, 20, "pairs that lie opposite", s.palette.mark)
    s.words(125, 97, "pair, move, pair again")


def _gap(s: Sketch) -> None:
    s.area(left_piece(14, 28, 118), s.metal)
    shifted = [(x + 0.16 * (y - 42.0), y) for x, y in crack(124, 28)]
    s.area([*shifted, (236, 74), (236, 28)], s.other)
    s.line(((119, 75), (128, 75)), "#3d74b8", 4.0)
    s.line(((119, 27), (124, 27)), "#8a4a2a", 4.0)
    s.words(182, 20, "overlap −", s.palette.mark)
    s.words(182, 97, "gap +", s.palette.accent)
    s.line(((126, 78), (160, 90)), s.palette.accent, 1.0)
    s.line(((124, 25), (150, 17)), s.palette.mark, 1.0)


def _whole(s: Sketch) -> None:
    s.area(((14, 28), (236, 28), (236, 74), (14, 74)), s.metal)
    s.line(crack(124, 28), colours.SEAM, 4.0)
    s.area(((116, 28), (138, 28), (129, 39)), colours.FILLED)
    s.words(74, 97, "seam", s.palette.ink)
    s.line(((92, 92), (122, 72)), s.palette.ink, 1.0)
    s.words(190, 20, "chip, filled")
    s.line(((150, 17), (132, 30)), s.palette.ink, 1.0)


def _dimensions(s: Sketch) -> None:
    s.area(((40, 44), (210, 44), (210, 84), (40, 84)), s.metal)
    s.line(crack(124, 44, 40.0), colours.SEAM, 2.0)
    for x in (78, 172):
        s.ring(x, 64, 11, s.palette.card)
        s.line(((x, 64), (x, 22)), s.palette.ink, 1.0)
    s.arrow((125, 26), (79, 26))
    s.arrow((125, 26), (171, 26))
    s.words(125, 20, "reading across the joint")
    s.words(125, 101, "bore to bore, by caliper")


def _make(s: Sketch) -> None:
    s.area(((56, 36), (194, 36), (194, 72), (56, 72)), s.metal)
    s.ring(88, 54, 10, s.palette.card)
    s.ring(162, 54, 10, s.palette.card)
    s.area(((42, 26), (208, 26), (214, 82), (36, 82)), None, s.palette.accent, 1.8)
    s.line(((56, 33), (194, 33)), s.palette.mark, 3.0)
    s.words(125, 20, "pattern: larger, with draft", s.palette.accent)
    s.words(125, 97, "stock to machine", s.palette.mark)
    s.line(((190, 92), (202, 70), (190, 36)), s.palette.mark, 1.0)


DRAWINGS: dict[int, Callable[[Sketch], None]] = {
    10: _scans, 20: _faces, 30: _join, 40: _gap, 50: _whole, 60: _dimensions, 70: _make,
}  # fmt: skip
