"""Lists that are as high as their rows, at any size of text."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QTimer
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QListWidget, QTreeWidget

from rejoin.app.parts.overrides import called_by_qt


class FittedList(QListWidget):
    """A list that shows up to ``most`` rows without scrolling, and nothing where it is empty."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self._most = most

    def fit(self) -> None:
        """Take the height of the rows."""
        _fit(self, self.count(), self._most, 0)

    @called_by_qt
    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        _fit_later(self, event)

    @called_by_qt
    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if self.wordWrap() and event.size().width() != event.oldSize().width():
            QTimer.singleShot(0, self, self.fit)  # words wrap anew


class FittedTable(QTreeWidget):
    """A table that shows up to ``most`` rows without scrolling, and nothing where it is empty."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self._most = most

    def fit(self) -> None:
        """Take the height of the rows."""
        _fit(self, self.topLevelItemCount(), self._most, self.header().sizeHint().height())

    @called_by_qt
    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        _fit_later(self, event)


def dimension_table() -> FittedTable:
    """The table of row 60, without rows."""
    table = FittedTable(7)
    table.setColumnCount(4)
    table.setHeaderLabels(["Dimension", "Scan", "Caliper", ""])
    table.setRootIsDecorated(False)
    table.setAccessibleName("Dimensions")
    table.header().setStretchLastSection(False)
    table.header().setMinimumSectionSize(20)
    table.header().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
    for column in (1, 2, 3):
        table.header().setSectionResizeMode(column, QHeaderView.ResizeMode.ResizeToContents)
    return table


def _fit(view: QAbstractItemView, count: int, most: int, head: int) -> None:
    view.setVisible(count > 0)
    line = view.fontMetrics().height()
    view.doItemsLayout()
    model, root = view.model(), view.rootIndex()
    laid = [view.visualRect(model.index(row, 0, root)).height() for row in range(min(count, most))]  # wrapped words too
    rows = sum(max(high, view.sizeHintForRow(row), line) for row, high in enumerate(laid))
    view.setFixedHeight(head + rows + 2 * view.frameWidth() + 4)


def _fit_later(view: FittedList | FittedTable, event: QEvent) -> None:
    """The rows learn of a new font a moment later."""
    if event.type() in (QEvent.Type.FontChange, QEvent.Type.StyleChange) and hasattr(view, "_most"):
        QTimer.singleShot(0, view, view.fit)
