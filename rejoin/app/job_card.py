"""The job card: the shop's route sheet for this part, one operation a row, its controls unfolding under it."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QCoreApplication, QEvent, QObject, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QFrame,
    QGridLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from rejoin.app.panels.base import Panel
from rejoin.app.parts.dress import Holder, dress_anew
from rejoin.app.parts.overrides import called_by_qt
from rejoin.app.parts.wrapped import Wrapped
from rejoin.app.words.sentences import Units, counted
from rejoin.core.records import Project

NEXT, DONE = "◀ next", "✓ done"
CLAIMS = 4
"""Rounds in which rows may ask for more room, until none does."""


class Elided(QLabel):
    """One line that is cut with dots where it is too long; the whole text is its tooltip."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.setObjectName(name)
        self._words = ""
        self.setMinimumWidth(40)

    def say(self, words: str) -> None:
        self._words = words
        self._fit()

    def words(self) -> str:
        return self._words

    @called_by_qt
    def resizeEvent(self, event: QResizeEvent) -> None:
        self._fit()

    def _fit(self) -> None:
        shown = self.fontMetrics().elidedText(self._words, Qt.TextElideMode.ElideRight, self.width())
        self.setText(shown)
        self.setToolTip(self._words if shown != self._words else "")


class RowHead(QPushButton):
    """The line of an operation: number, name, mark, state."""

    def __init__(self, number: int, title: str) -> None:
        super().__init__()
        self.setObjectName("rowHead")
        self.setCheckable(True)
        grid = QGridLayout(self)
        grid.setContentsMargins(10, 7, 12, 7)
        grid.setHorizontalSpacing(12)
        grid.setVerticalSpacing(1)
        self.number_label = self._label(str(number), "opNumber")
        self.title_label = self._label(title, "opTitle")
        self.mark_label = self._label("", "nextMark")
        self.state_label = Wrapped()
        self.state_label.setObjectName("faded")
        self.state_label.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        grid.addWidget(self.number_label, 0, 0, 2, 1, Qt.AlignmentFlag.AlignTop)
        grid.addWidget(self.title_label, 0, 1)
        grid.addWidget(self.mark_label, 0, 2, Qt.AlignmentFlag.AlignRight)
        grid.addWidget(self.state_label, 1, 1, 1, 2)
        grid.setColumnStretch(1, 1)
        self._name = f"{number} {title}"

    def show_state(self, words: str, mark: str) -> None:
        if (words, mark) == (self.state_label.text(), self.mark_label.text()):
            return
        self.state_label.setText(words)
        self.mark_label.setText(mark)
        self.mark_label.setObjectName("doneMark" if mark == DONE else "nextMark")
        self.setProperty("next", "true" if mark == NEXT else "false")
        for widget in (self, self.mark_label):
            dress_anew(widget)
        self.setAccessibleName(f"{self._name}: {words} {mark.strip('◀✓ ')}".strip())
        self.updateGeometry()

    def sizeHint(self) -> QSize:
        return self.layout().sizeHint()

    def minimumSizeHint(self) -> QSize:
        return self.layout().minimumSize()

    def _label(self, text: str, name: str) -> QLabel:
        label = QLabel(text)
        label.setObjectName(name)
        label.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        return label


class JobCard(QScrollArea):
    """The sheet at the left of the window.

    Attributes
    ----------
    opened : Signal(int)
        Index of the row that was unfolded.
    """

    opened = Signal(int)

    def __init__(self, panels: Sequence[Panel]) -> None:
        super().__init__()
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setWidgetResizable(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOn)
        self.panels = list(panels)
        self.heads: list[RowHead] = []
        self._claiming = self._reveals = False
        self._later = QTimer(self, singleShot=True, interval=0)
        self._later.timeout.connect(self._claim)
        sheet = Holder()
        box = QVBoxLayout(sheet)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(self._head())
        for index, panel in enumerate(self.panels):
            box.addWidget(self._row(index, panel))
        box.addStretch(1)
        self.setWidget(sheet)
        self.open_row = 0
        self.unfold(0)

    def unfold(self, index: int) -> None:
        """Open one row and fold the others."""
        self.open_row = index
        for head in self.heads:
            head.parentWidget().setMinimumHeight(0)
        self._reveals = True
        self._later.start()
        for number, (head, panel) in enumerate(zip(self.heads, self.panels, strict=True)):
            head.setChecked(number == index)
            panel.setVisible(number == index)
        self.panels[index].unfolded()
        self.opened.emit(index)

    def show_project(self, project: Project, name: str, units: Units) -> None:
        """Write every row's state and mark what comes next."""
        self.part_label.say(f"Part  {name}")
        self.count_label.setText(f"{counted(len(project.scans), 'fragment')} · {units.short}")
        marked = False
        for head, panel in zip(self.heads, self.panels, strict=True):
            done = panel.is_done(project)
            mark = DONE if done else "" if marked else NEXT
            marked = marked or not done
            head.show_state(panel.words(project), mark)

    def next_row(self) -> int | None:
        """Index of the row marked as next."""
        marks = [head.mark_label.text() for head in self.heads]
        return marks.index(NEXT) if NEXT in marks else None

    @called_by_qt
    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if watched is self.widget():
            return super().eventFilter(watched, event)
        if event.type() in (QEvent.Type.LayoutRequest, QEvent.Type.Resize, QEvent.Type.Show) and not self._claiming:
            self._later.start()
        return False

    def _claim(self) -> None:
        """Give every row the height that its words need at this width: nested layouts remember stale heights."""
        self._claiming = True  # what is asked for here must not ask for it again, or the card is laid out for ever
        for number in range(CLAIMS):
            grown = self._claimed()
            QCoreApplication.sendPostedEvents(None, QEvent.Type.LayoutRequest.value)
            if number and not grown:  # what was asked for meanwhile is in it too
                break
        self._claiming = False
        if self._reveals:
            self._reveals = False
            self._reveal()

    def _reveal(self) -> None:
        """Scroll until the open row is in sight, its head in any case."""
        row = self.heads[self.open_row].parentWidget()
        bar = self.verticalScrollBar()
        top, bottom = row.y(), row.y() + row.height()
        high = self.viewport().height()
        if self.open_row:
            bar.setValue(min(max(bar.value(), bottom - high), top))
            return
        bar.setValue(0)  # the head of the card belongs to the first row
        used = self.window().focusWidget()
        if used is not None and row.isAncestorOf(used):
            self.ensureWidgetVisible(used)

    def _claimed(self) -> bool:
        """One round of `_claim`; whether any height changed."""
        grown = False
        rows = [head.parentWidget() for head in self.heads]
        for widget in (*self.heads, *self.panels, *rows):
            if widget.isVisible():
                for words in widget.findChildren(Wrapped):
                    if words.isVisible():
                        words.claim()
                layout = widget.layout()
                layout.invalidate()
                needed = layout.totalHeightForWidth(widget.width()) if layout.hasHeightForWidth() else -1
                needed = needed if needed >= 0 else layout.totalMinimumSize().height()
                if needed != widget.minimumHeight():
                    widget.setMinimumHeight(needed)
                    grown = True
        return grown

    def fit_width(self) -> None:
        """Be as wide as the widest panel needs, so that nothing is cut."""
        bar = self.verticalScrollBar().sizeHint().width()
        widest = max(panel.minimumSizeHint().width() for panel in self.panels)
        wanted = max(widest, 36 * self.fontMetrics().averageCharWidth() + 60)
        self.setMinimumWidth(wanted + bar + 4)
        self.setMaximumWidth(int(1.35 * wanted) + bar)

    def _head(self) -> QWidget:
        head = QFrame()
        head.setObjectName("cardHead")
        grid = QGridLayout(head)
        grid.setContentsMargins(14, 10, 14, 8)
        title = QLabel("JOB CARD")
        title.setObjectName("cardTitle")
        self.part_label = Elided("opTitle")
        self.count_label = QLabel()
        self.count_label.setObjectName("faded")
        grid.addWidget(title, 0, 0)
        grid.addWidget(self.count_label, 0, 1, Qt.AlignmentFlag.AlignRight)
        grid.addWidget(self.part_label, 1, 0, 1, 2)
        columns = QLabel("OP.    WORK")
        columns.setObjectName("columns")
        states = QLabel("STATE")
        states.setObjectName("columns")
        grid.addWidget(columns, 2, 0)
        grid.addWidget(states, 2, 1, Qt.AlignmentFlag.AlignRight)
        return head

    def _row(self, index: int, panel: Panel) -> QWidget:
        row = Holder(line_below=True)
        box = QVBoxLayout(row)
        box.setContentsMargins(0, 0, 0, 1)
        box.setSpacing(0)
        head = RowHead(panel.number, panel.title)
        head.clicked.connect(lambda checked=False, index=index: self.unfold(index))
        self.heads.append(head)
        box.addWidget(head)
        box.addWidget(panel)
        for watched in (head, panel, row):
            watched.installEventFilter(self)
        return row
