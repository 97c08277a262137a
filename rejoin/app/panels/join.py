"""30 Join: one button, the evidence in words, and the ways to join by hand."""

from __future__ import annotations

from PySide6.QtWidgets import QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from rejoin.app import sentences, tasks
from rejoin.app.bench import Bench
from rejoin.app.forms import Fold, Form
from rejoin.app.panels.base import Panel
from rejoin.app.scene import Scene
from rejoin.app.tools import Tools
from rejoin.core import edits
from rejoin.core.records import Project
from rejoin.core.settings import AlignSettings, MatchSettings


class JoinPanel(Panel):
    number, title, mode = 30, "Join", "join"

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.join_button = self.button(
            "Join", "Find which faces belong together, bring them into contact and measure the gaps. Faces are looked "
            "for first where none are known.", bench.join, main=True)  # fmt: skip
        self.placed = self.text()
        self.list = QListWidget()
        self.list.setAccessibleName("Joints")
        self.list.currentRowChanged.connect(lambda row: self._selected())
        self.evidence = self.text(name="faded")
        self.pin_button = self.button("Pin", "This joint is right: keep it, whatever the numbers say.",
                                      lambda: self._decide("Pin joint", edits.pin_joint, tasks.settle))  # fmt: skip
        self.reject_button = self.button("Reject", "This joint is wrong: look for another.",
                                         lambda: self._decide("Reject joint", edits.reject_joint, tasks.join)
                                         )  # fmt: skip
        self.free_button = self.button("Let the numbers decide", "Take the pin or the rejection back.",
                                       lambda: self._decide("Free joint", edits.free_joint, tasks.join))  # fmt: skip
        self.box.addWidget(self.row(self.join_button))
        self.box.addWidget(self.placed)
        self.box.addWidget(self.list)
        self.box.addWidget(self.evidence)
        self.box.addWidget(self.row(self.pin_button, self.reject_button, self.free_button))
        self.hand = Fold("Join by hand", self._hand())
        self.box.addWidget(self.hand)
        self.box.addWidget(Fold("Settings", self._forms()))

    def words(self, project: Project) -> str:
        return sentences.joining(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        return sentences.placed_count(project) >= 2 and bool(project.fits)

    def show_project(self, project: Project) -> None:
        units = self.bench.units
        row = max(self.list.currentRow(), 0)
        self.list.blockSignals(True)
        self.list.clear()
        for joint in project.joints:
            title = sentences.joint_title(project, joint)
            item = QListWidgetItem(f"{title}   {sentences.joint_state(joint)}")
            item.setToolTip(joint.evidence.reason)
            self.list.addItem(item)
        if project.joints:
            self.list.setCurrentRow(min(row, len(project.joints) - 1))
        self.list.blockSignals(False)
        self.list.setVisible(bool(project.joints))
        line = self.list.sizeHintForRow(0) if project.joints else 0
        self.list.setFixedHeight(min(len(project.joints), 5) * line + 2 * self.list.frameWidth() + 4)
        lines = [sentences.placement_line(i, p, units) for i, p in enumerate(project.placements)]
        self.placed.setText("\n".join(lines))
        self.placed.setVisible(bool(lines))
        enough = len(project.fragments) >= 2
        for button in (self.join_button, self.mark_button, self.move_button):
            button.setEnabled(enough)
        self._selected()
        self._hand_state()

    def unfolded(self) -> None:
        self.tools.choose("look")

    def _decide(self, title: str, edit, task) -> None:  # type: ignore[no-untyped-def]
        row = self.list.currentRow()
        if row >= 0:
            self.bench.work(title, task, lambda p: edit(p, row), settings=dict(self.bench.settings))

    def _selected(self) -> None:
        row, joints = self.list.currentRow(), self.bench.project.joints
        joint = joints[row] if 0 <= row < len(joints) else None
        self.evidence.setText(sentences.joint_evidence(joint, self.bench.units) if joint else "")
        self.evidence.setVisible(joint is not None)
        self.pin_button.setVisible(joint is not None and joint.state != "pinned")
        self.reject_button.setVisible(joint is not None and joint.state != "rejected")
        self.free_button.setVisible(joint is not None and joint.state != "found")

    # by hand

    def _hand(self) -> QWidget:
        holder = QWidget()
        box = QVBoxLayout(holder)
        box.setContentsMargins(12, 0, 0, 0)
        self.mark_button = self.button(
            "Mark three places on each", "Click the same three places, in the same order, on both fragments.",
            lambda: self._take("mark"))  # fmt: skip
        self.mark_button.setCheckable(True)
        self.use_marks_button = self.button("Join by the marks", "Bring the marks together, then into contact.",
                                            self.tools.join_by_marks)  # fmt: skip
        self.clear_marks_button = self.button("Clear marks", "Start the marks again.", self.tools.clear_marks)
        self.marks_words = self.text(name="faded")
        self.move_button = self.button(
            "Move by hand", "Drag a fragment to shift it, Ctrl+drag to turn it.", lambda: self._take("move"))
        self.move_button.setCheckable(True)
        self.settle_button = self.button(
            "Bring into contact", "Fit the moved fragment exactly to the one next to it.", self.settle)
        box.addWidget(self.row(self.mark_button))
        box.addWidget(self.marks_words)
        box.addWidget(self.row(self.use_marks_button, self.clear_marks_button))
        box.addWidget(self.row(self.move_button, self.settle_button))
        box.addWidget(self.text("Drag shifts a fragment, Ctrl+drag turns it. Faces need not be marked first.", "faded"))
        self.tools.marked.connect(self._hand_state)
        self.tools.tool_changed.connect(self._tool)
        return holder

    def _take(self, tool: str) -> None:
        self.tools.choose("look" if self.tools.tool == tool else tool)

    def _tool(self, tool: str) -> None:
        self.mark_button.setChecked(tool == "mark")
        self.move_button.setChecked(tool == "move")
        if tool in ("mark", "move"):  # also taken from the menu
            self.hand.button.setChecked(True)

    def settle(self) -> None:
        """Bring what was moved last into contact."""
        moved = [i for i, p in enumerate(self.bench.project.placements) if p.placed_by == "person"]
        if moved:
            self.bench.work("Bring into contact", tasks.settle, lambda p: edits.join_as_placed(p, moved[-1]))

    def _hand_state(self) -> None:
        counts = {f: len(m) for f, m in self.tools.marks.items() if m}
        words = ", ".join(f"{sentences.letter(f)}: {n}" for f, n in sorted(counts.items()))
        self.marks_words.setText(f"Marks on {words}" if words else "No marks yet")
        ready = len(counts) == 2 and min(counts.values()) >= 3
        self.use_marks_button.setEnabled(ready)
        self.clear_marks_button.setEnabled(bool(counts))
        self.settle_button.setEnabled(any(p.placed_by == "person" for p in self.bench.project.placements))

    def _forms(self) -> QWidget:
        holder = QWidget()
        box = QVBoxLayout(holder)
        box.setContentsMargins(12, 0, 0, 0)
        for name, kind in (("match", MatchSettings), ("align", AlignSettings)):
            form = Form(kind)
            form.changed.connect(lambda settings, name=name: self.bench.settings.__setitem__(name, settings))
            box.addWidget(form)
        return holder


