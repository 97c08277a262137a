"""The window's look, put on part by part: one sheet for all would be a stall, for every widget is polished anew."""

from __future__ import annotations

from collections.abc import Iterator

from PySide6.QtCore import QChildEvent, QObject, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPalette
from PySide6.QtWidgets import QApplication, QFrame, QScrollArea, QSplitter, QSplitterHandle, QWidget

from rejoin.app.parts.colours import PAPER, Palette
from rejoin.app.parts.look import qt_palette, style_sheet
from rejoin.app.parts.overrides import called_by_qt
from rejoin.app.parts.turns import Act, Turns


class Holder(QFrame):
    """Holds parts that each wear a sheet of their own, and wears none itself."""

    def __init__(self, line_below: bool = False) -> None:
        super().__init__()
        self.dress: Dress | None = None
        self._line_below = line_below

    @called_by_qt
    def childEvent(self, event: QChildEvent) -> None:
        super().childEvent(event)
        if event.polished() and self.dress is not None:  # a child that is being deleted may not be touched
            child = event.child()
            if isinstance(child, QWidget):
                self.dress.put_on(child)

    @called_by_qt
    def paintEvent(self, event: QPaintEvent) -> None:
        palette = self.dress.palette if self.dress is not None else PAPER
        painter = QPainter(self)
        painter.fillRect(event.rect(), QColor(palette.card))
        if self._line_below:
            painter.fillRect(0, self.height() - 1, self.width(), 1, QColor(palette.rule))
        painter.end()


class Splitter(QSplitter):
    """Two parts side by side with a plain bar between them."""

    def colour(self, palette: Palette) -> None:
        """Colour the bars; they are drawn by the style of the whole, which wears no sheet."""
        for number in range(self.count()):
            bar, own = self.handle(number), self.palette()
            own.setColor(QPalette.ColorRole.Window, QColor(palette.rule))
            bar.setAutoFillBackground(True)
            bar.setPalette(own)


class Dress(QObject):
    """What a window and all within it wear.

    Attributes
    ----------
    palette : Palette
    """

    def __init__(self, window: QWidget) -> None:
        super().__init__(window)
        self.palette = PAPER
        self._window, self._sheet = window, style_sheet(PAPER)
        self._turns = Turns(self)

    def wear(self, palette: Palette, at_once: bool = True, then: Act = lambda: None) -> None:
        """Put on a palette, or the same anew after a change of the font.

        All at once, or one part a turn with nothing drawn until all wear it; ``then`` is done before that.
        """
        self.palette, self._sheet = palette, style_sheet(palette)
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        app.setPalette(qt_palette(palette))
        if not at_once:
            self._window.setUpdatesEnabled(False)
        parts = list(self._parts(self._window))
        self._turns.begin([*(lambda part=part: part.setStyleSheet(self._sheet) for part in parts), then, self._show])
        if at_once:
            self._turns.finish()

    def put_on(self, part: QWidget) -> None:
        """Let a part that has just come wear what all wear."""
        if not isinstance(part, (Holder, Splitter)) and not _holds(part) and part.styleSheet() != self._sheet:
            part.setStyleSheet(self._sheet)

    def _show(self) -> None:
        if not self._window.updatesEnabled():
            self._window.setUpdatesEnabled(True)

    def _parts(self, within: QWidget) -> Iterator[QWidget]:
        for child in within.findChildren(QWidget, options=Qt.FindChildOption.FindDirectChildrenOnly):
            if isinstance(child, Holder):
                child.dress = self
                yield from self._parts(child)
            elif isinstance(child, Splitter):
                child.colour(self.palette)
                yield from self._parts(child)
            elif isinstance(child, QScrollArea) and _holds(child):
                yield child.verticalScrollBar()
                child.widget().dress = self
                yield from self._parts(child.widget())
            elif not isinstance(child, QSplitterHandle):
                yield child


def dress_anew(widget: QWidget) -> None:
    """Let the sheets be heard again, after the widget's name or a property has changed.

    Not through `QWidget.style`: styles come and go below, and a wrapper of what once lay at the same address may come
    back for one.
    """
    widget.setStyleSheet(widget.styleSheet() or "/* none of its own */")


def _holds(part: QWidget) -> bool:
    """Whether it is an area that scrolls a holder."""
    return isinstance(part, QScrollArea) and isinstance(part.widget(), Holder)
