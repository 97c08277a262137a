"""Row 10: scans of one piece that were opened one by one: chosen, marked where that is needed, made one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QCheckBox, QVBoxLayout, QWidget

from rejoin.app.words import sentences
from rejoin.app.work import tasks
from rejoin.core.records import FloatArray, Project

if TYPE_CHECKING:
    from rejoin.app.panels.scans import ScansPanel

FEWEST = 3


class OnePiecePart(QWidget):
    """A tick for each scan of the piece, the same places marked on two of them, and the button that makes them one."""

    def __init__(self, panel: ScansPanel) -> None:
        super().__init__()
        self.bench, self.tools = panel.bench, panel.tools
        self.ticks: list[QCheckBox] = []
        self._of: tuple[object, ...] = ()
        self._ticks = QVBoxLayout()
        self.mark_button = panel.button("Mark the same places", "Where the program cannot tell how two of them go "
                                        "together: click the same three places, in the same order, on both.",
                                        self._mark)  # fmt: skip
        self.mark_button.setCheckable(True)
        self.clear_button = panel.button("Clear marks", "Start the marks again.", self.tools.clear_marks)
        self.marks_words = panel.text(name="faded")
        self.make_button = panel.button("Make them one piece", "Lay the ticked scans on each other and make one scan "
                                        "of them.", self.make)  # fmt: skip
        self.words = panel.text(name="faded")
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        box.addWidget(panel.text("For a piece scanned from several sides whose scans were opened one by one. Tick "
                                 "them. Marks are needed only where the program found no way, or more than one, to lay "
                                 "them on each other: on two of them, which then go together as marked.",
                                 "faded"))  # fmt: skip
        box.addLayout(self._ticks)
        box.addWidget(panel.row(self.mark_button, self.clear_button))
        box.addWidget(self.marks_words)
        box.addWidget(panel.row(self.make_button))
        box.addWidget(self.words)
        self.tools.marked.connect(self._marked)
        self.tools.tool_changed.connect(lambda tool: self.mark_button.setChecked(tool == "mark"))

    def show_project(self, project: Project) -> None:
        if self._of != project.scans:
            self._list(project)
        self._tell()

    def make(self) -> None:
        """Let the worker lay the ticked scans on each other."""
        self.tools.choose("look")
        marked = sorted(self._marks())
        if len(marked) == 2 and not self._even():
            self.bench.said.emit("info", "The marks are not of the same number, or fewer than three.",
                                 "Mark the same three places on both scans, or clear the marks.")  # fmt: skip
            return
        places = tuple((number, tuple(map(tuple, self._marks()[number]))) for number in marked)
        self.bench.work("Make one piece", tasks.make_one, which=self._which(), marks=places,
                        settings=self.bench.settings.get("clean"))  # fmt: skip

    def _list(self, project: Project) -> None:
        """A tick for each scan; those that are still there keep theirs."""
        ticked = {id(scan) for tick, scan in zip(self.ticks, self._of, strict=True) if tick.isChecked()}
        for tick in self.ticks:
            self._ticks.removeWidget(tick)
            tick.deleteLater()
        self.ticks, self._of = [], project.scans
        for number, scan in enumerate(project.scans):
            tick = QCheckBox(f"{sentences.letter(number)} · {scan.name}")
            tick.setToolTip(f"{sentences.letter(number)} is one of this piece's scans.")
            tick.setChecked(id(scan) in ticked)
            tick.toggled.connect(self._tell)
            self._ticks.addWidget(tick, alignment=Qt.AlignmentFlag.AlignLeft)
            self.ticks.append(tick)

    def _which(self) -> tuple[int, ...]:
        return tuple(number for number, tick in enumerate(self.ticks) if tick.isChecked())

    def _marks(self) -> dict[int, list[FloatArray]]:
        return {number: points for number, points in self.tools.marks.items() if points}

    def _even(self) -> bool:
        counts = {len(points) for points in self._marks().values()}
        return len(counts) == 1 and min(counts) >= FEWEST

    def _marked(self) -> None:
        if self.tools.tool == "mark" and self.isVisible():
            for number in self._marks():
                if number < len(self.ticks):
                    self.ticks[number].setChecked(True)
        self._tell()

    def _tell(self) -> None:
        idle, marks, which = not self.bench.jobs.busy, self._marks(), self._which()
        words = ", ".join(f"{sentences.letter(number)}: {len(points)}" for number, points in sorted(marks.items()))
        self.marks_words.setText(f"Marks on {words}" if words else "No marks yet")
        self.mark_button.setEnabled(idle and len(self.ticks) >= 2)
        self.clear_button.setEnabled(bool(marks))
        lacking = ""
        if len(which) < 2:
            lacking = "Tick two scans or more."
        elif len(marks) > 2:
            lacking = "Mark two scans only; the others find their places by them."
        elif marks and len(marks) < 2:
            lacking = "Mark the same places on a second scan too, or clear the marks."
        elif not set(marks) <= set(which):
            lacking = "There are marks on a scan that is not ticked."
        self.words.setText(lacking)
        self.words.setVisible(bool(lacking))
        self.make_button.setEnabled(idle and not lacking)

    def _mark(self) -> None:
        self.tools.choose("look" if self.tools.tool == "mark" else "mark")
