"""Row 50: a piece that is lost, restored from the part itself or from a reference scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QComboBox, QFormLayout, QVBoxLayout, QWidget

from rejoin.app.work import tasks
from rejoin.core.records import Project
from rejoin.core.settings import RestoreSettings

if TYPE_CHECKING:
    from rejoin.app.panels.whole import WholePanel

SOURCES = (
    ("The part's own mirror image", "mirror"),
    ("The part itself, turned", "turn"),
    ("The reference scan of row 10", "reference"),
)
WAYS = ("the best", "second", "third", "fourth")


class LostPiecePart(QWidget):
    """A source, which of its ways, and a button."""

    def __init__(self, panel: WholePanel) -> None:
        super().__init__()
        self.bench = panel.bench
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.source, self.way = QComboBox(), QComboBox()
        for words, name in SOURCES:
            self.source.addItem(words, name)
        self.source.setToolTip("Where the lost piece is taken from.")
        self.way.addItems(WAYS)
        self.way.setToolTip("A source may lie on the part in several ways; where the best is wrong, try the next.")
        self.button = panel.button(
            "Restore the piece", "Lay the source on the part and add what is lost; it is marked as not measured.",
            self.begin)  # fmt: skip
        holder = QWidget()
        form = QFormLayout(holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        form.addRow("From", self.source)
        form.addRow("Way", self.way)
        box.addWidget(panel.text("Where a piece could not be found. What is added was not measured: look at it, and at "
                                 "how well the source fits.", "faded"))  # fmt: skip
        box.addWidget(holder)
        box.addWidget(panel.row(self.button))

    def show_project(self, project: Project) -> None:
        whole = project.whole
        self.button.setEnabled(whole is not None and whole.closed and not self.bench.jobs.busy)

    def begin(self) -> None:
        """Let the worker restore the piece."""
        asked = RestoreSettings(source=self.source.currentData(), choice=self.way.currentIndex() + 1)
        self.bench.work("Restore the piece", tasks.restore_lost_piece, settings=asked)
