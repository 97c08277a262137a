"""Lines of a list under their heading that are read whole: wrapped to the width there is, not cut with dots."""

from __future__ import annotations

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QRect, QSize, Qt
from PySide6.QtWidgets import QStyle, QStyledItemDelegate, QStyleOptionViewItem, QTreeWidget

from rejoin.app.parts.overrides import called_by_qt


class WholeLines(QStyledItemDelegate):
    """Gives every line under a heading the height that its words need.

    Qt reckons a line that spans the columns by the width of the first alone.
    """

    def __init__(self, table: QTreeWidget) -> None:
        super().__init__(table)
        self._table = table
        table.setWordWrap(True)
        table.setItemDelegate(self)
        table.header().sectionResized.connect(lambda *_: table.scheduleDelayedItemsLayout())

    @called_by_qt
    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex) -> QSize:
        hint = super().sizeHint(option, index)
        if index.column() or not index.parent().isValid():
            return hint
        style, metrics = self._table.style(), self._table.fontMetrics()
        wide = self._table.viewport().width() - 2 * self._table.indentation()
        wide -= 2 * (style.pixelMetric(QStyle.PixelMetric.PM_FocusFrameHMargin) + 1)
        if index.data(Qt.ItemDataRole.CheckStateRole) is not None:
            wide -= max(style.pixelMetric(QStyle.PixelMetric.PM_IndicatorWidth), metrics.height()) + 6
        words = str(index.data(Qt.ItemDataRole.DisplayRole))
        room = metrics.boundingRect(QRect(0, 0, max(wide, 1), 10_000), int(Qt.TextFlag.TextWordWrap.value), words)
        one = metrics.boundingRect(QRect(0, 0, 10_000, 10_000), int(Qt.TextFlag.TextSingleLine.value), "x").height()
        lines = max(round(room.height() / one), 1)
        least = super().sizeHint(option, index.model().index(0, 0)).height() if lines == 1 else 0
        return QSize(hint.width(), max(least, lines * one))
