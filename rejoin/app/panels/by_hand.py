"""Row 30, where the automatic join did not work: faces picked, three marks on each, or a fragment moved by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QVBoxLayout, QWidget

from rejoin.app.words import sentences
from rejoin.core.records import Project

if TYPE_CHECKING:
    from rejoin.app.panels.join import JoinPanel


class ByHand(QWidget):
    """Three ways, each followed by the same exact adjustment."""

    def __init__(self, panel: JoinPanel) -> None:
        super().__init__()
        self.bench, self.tools = panel.bench, panel.tools
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.mark_button = panel.button(
            "Mark three places on each", "Click the same three places, in the same order, on both fragments: the "
            "program lays them together.", lambda: self._take("mark"))  # fmt: skip
        self.mark_button.setCheckable(True)
        self.use_marks_button = panel.button("Join by the marks", "Bring the marks together, then into contact.",
                                             self.tools.join_by_marks)  # fmt: skip
        self.clear_marks_button = panel.button("Clear marks", "Start the marks again.", self.tools.clear_marks)
        self.marks_words = panel.text(name="faded")
        self.move_button = panel.button(
            "Move by hand", "Drag an arrow or an arc, or the fragment itself; Ctrl+drag turns it.",
            lambda: self._take("move"))  # fmt: skip
        self.move_button.setCheckable(True)
        self.settle_button = panel.button(
            "Bring into contact", "Fit the moved fragment exactly to the one next to it.", panel.settle)
        box.addWidget(panel.text("By the faces: in row 20 click one broken face on each fragment, select both there "
                                 "and say that they belong together.", "faded"))  # fmt: skip
        box.addWidget(panel.row(self.mark_button))
        box.addWidget(self.marks_words)
        box.addWidget(panel.row(self.use_marks_button, self.clear_marks_button))
        box.addWidget(panel.row(self.move_button, self.settle_button))
        box.addWidget(panel.text("Arrows shift, arcs turn. Dragging the fragment shifts it freely, Ctrl+drag turns it; "
                                 "faces need not be marked first.", "faded"))  # fmt: skip
        self.tools.marked.connect(lambda: self.show_project(self.bench.project))
        self.tools.tool_changed.connect(self._tool)

    def show_project(self, project: Project) -> None:
        counts = {f: len(m) for f, m in self.tools.marks.items() if m}
        words = ", ".join(f"{sentences.letter(f)}: {n}" for f, n in sorted(counts.items()))
        self.marks_words.setText(f"Marks on {words}" if words else "No marks yet")
        idle = not self.bench.jobs.busy
        ready = len(counts) == 2 and min(counts.values()) >= 3
        self.use_marks_button.setEnabled(idle and ready)
        self.clear_marks_button.setEnabled(bool(counts))
        self.settle_button.setEnabled(idle and any(p.placed_by == "person" for p in project.placements))
        for button in (self.mark_button, self.move_button):
            button.setEnabled(idle and len(project.fragments) >= 2)

    def _take(self, tool: str) -> None:
        self.tools.choose("look" if self.tools.tool == tool else tool)

    def _tool(self, tool: str) -> None:
        self.mark_button.setChecked(tool == "mark")
        self.move_button.setChecked(tool == "move")
