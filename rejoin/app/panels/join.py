"""30 Join: one button, the evidence in words, and what to do where it did not work."""

from __future__ import annotations

from PySide6.QtWidgets import QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel, book_button
from rejoin.app.panels.by_hand import ByHand
from rejoin.app.panels.known_sizes import KnownSizes
from rejoin.app.panels.other_ways import OtherWays
from rejoin.app.parts.forms import Fold, Form
from rejoin.app.view.scene import Scene
from rejoin.app.words import joint_words, sentences
from rejoin.app.words.in_units import in_units
from rejoin.app.work import tasks
from rejoin.core import edits
from rejoin.core.records import Project
from rejoin.core.settings import AlignSettings, MatchSettings


class JoinPanel(Panel):
    number, title, mode = 30, "Join", "join"
    follows = ("Join", "Join by marks", "Join by faces", "Bring into contact", "Pin joint", "Reject joint",
               "Free joint", "Use this way", "State a size", "Lay together")  # fmt: skip

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
        self.pin_button = self.button("Pin", "This joint is right: keep it and solve the rest again around it.",
                                      lambda: self._decide("Pin joint", edits.pin_joint))  # fmt: skip
        self.reject_button = self.button("Reject", "This joint is wrong: solve again without it.",
                                         lambda: self._decide("Reject joint", edits.reject_joint))  # fmt: skip
        self.free_button = self.button("Let the numbers decide", "Take the pin or the rejection back.",
                                       lambda: self._decide("Free joint", edits.free_joint))  # fmt: skip
        self.book_button = book_button()
        self.ways = OtherWays(self)
        self.by_hand = ByHand(self)
        self.sizes = KnownSizes(self)
        self.hand = Fold("It did not work?", self.by_hand)
        self.known = Fold("Sizes known from elsewhere", self.sizes)
        self.box.addWidget(self.row(self.join_button))
        self.box.addWidget(self.placed)
        self.box.addWidget(self.list)
        self.box.addWidget(self.evidence)
        self.box.addWidget(self.row(self.pin_button, self.reject_button, self.free_button))
        self.box.addWidget(self.row(self.book_button))
        self.box.addWidget(self.ways)
        self.box.addWidget(self.hand)
        self.box.addWidget(self.known)
        self.box.addWidget(Fold("Settings", self._forms()))
        tools.tool_changed.connect(self._tool)

    def fell_short(self, title: str) -> tuple[str, str] | None:
        if title != "Join" or sentences.placed_count(self.bench.project) > 1:
            return None
        return ("The fragments could not be joined.",
                "Row 30 says why; choose the broken faces in row 20, or join by hand.")  # fmt: skip

    def go_on(self, title: str) -> str:
        return joint_words.look_at_joints(self.bench.project) if title in self.follows else ""

    def words(self, project: Project) -> str:
        return joint_words.joining(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        return sentences.placed_count(project) >= 2 and bool(project.fits) or joint_words.glued_sides(project)

    def show_project(self, project: Project) -> None:
        units = self.bench.units
        first = joint_words.first_doubtful(project)  # what is to be looked at
        row = self.list.currentRow() if self.list.count() else first
        self.list.blockSignals(True)
        self.list.clear()
        for number, joint in enumerate(project.joints):
            title = joint_words.joint_title(project, joint)
            item = QListWidgetItem(f"{title}   {joint_words.joint_state(joint, joint_words.fit_of(project, number))}")
            item.setToolTip(joint.evidence.reason)
            self.list.addItem(item)
        if project.joints:
            self.list.setCurrentRow(min(row, len(project.joints) - 1))
        self.list.blockSignals(False)
        self.list.setVisible(bool(project.joints))
        line = self.list.sizeHintForRow(0) if project.joints else 0
        self.list.setFixedHeight(min(len(project.joints), 5) * line + 2 * self.list.frameWidth() + 4)
        hint = joint_words.only_chosen(project)
        lines = [joint_words.GLUED] if joint_words.glued_sides(project) else [
            in_units(joint_words.placement_line(i, p, units, not hint), units) for i, p in enumerate(project.placements)
        ]
        lines += [hint] if hint else []
        self.placed.setText("\n".join(lines))
        self.placed.setVisible(bool(lines))
        self.join_button.setEnabled(len(project.fragments) >= 2)
        self._selected()
        for part in (self.ways, self.by_hand, self.sizes):
            part.show_project(project)

    def chosen(self) -> int | None:
        """Number of the selected joint."""
        row = self.list.currentRow()
        return row if 0 <= row < len(self.bench.project.joints) else None

    def settle(self) -> None:
        """Bring what was moved last into contact."""
        moved = [i for i, p in enumerate(self.bench.project.placements) if p.placed_by == "person"]
        if not moved:
            self.bench.said.emit("info", "Nothing was moved by hand.", "Take “Move by hand” and drag a fragment first.")
            return
        self.bench.work("Bring into contact", tasks.settle_as_placed, fragment=moved[-1],
                        settings=dict(self.bench.settings))  # fmt: skip

    def decide(self, what: str) -> None:
        """Pin, reject or free the selected joint, from the menu."""
        if self.chosen() is None:
            self.bench.said.emit("info", "No joint is selected.", "Click on a joint in row 30 first.")
            return
        {"pin": self.pin_button, "reject": self.reject_button, "free": self.free_button}[what].click()

    def _decide(self, title: str, edit) -> None:  # type: ignore[no-untyped-def]
        row = self.chosen()
        if row is not None:
            two = len(self.bench.project.fragments) == 2 and edit is edits.pin_joint
            task = tasks.settle if two else tasks.join  # with more, the rest is searched again around it
            self.bench.work(title, task, lambda p: edit(p, row), settings=dict(self.bench.settings))

    def _selected(self) -> None:
        row, project = self.chosen(), self.bench.project
        joint = project.joints[row] if row is not None else None
        fit = joint_words.fit_of(project, row) if row is not None else None
        self.evidence.setText(joint_words.joint_evidence(joint, self.bench.units, fit) if joint else "")
        self.evidence.setVisible(joint is not None)
        self.book_button.setVisible(joint is not None)
        self.pin_button.setVisible(joint is not None and joint.state != "pinned")
        self.reject_button.setVisible(joint is not None and joint.state != "rejected")
        self.free_button.setVisible(joint is not None and joint.state != "found")

    def _tool(self, tool: str) -> None:
        fold = {"mark": self.hand, "move": self.hand, "size": self.known}.get(tool)
        if fold is not None:  # also taken from the menu
            fold.button.setChecked(True)

    def _forms(self) -> QWidget:
        holder = QWidget()
        box = QVBoxLayout(holder)
        box.setContentsMargins(12, 0, 0, 0)
        for name, kind in (("match", MatchSettings), ("align", AlignSettings)):
            form = Form(kind)
            form.changed.connect(lambda settings, name=name: self.bench.settings.__setitem__(name, settings))
            box.addWidget(form)
        return holder
