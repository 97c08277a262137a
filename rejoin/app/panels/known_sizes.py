"""Row 30: sizes across the joint that are known from elsewhere; the adjustment observes them like any contact."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtWidgets import QListWidget, QVBoxLayout, QWidget

from rejoin.app import dialogs, sentences, tasks
from rejoin.app.picking import Hit
from rejoin.core import edits
from rejoin.core.records import Project, StatedSize
from rejoin.core.transforms import apply

if TYPE_CHECKING:
    from rejoin.app.panels.join import JoinPanel


class KnownSizes(QWidget):
    """A list of stated sizes; two clicks in the view begin a new one."""

    def __init__(self, panel: JoinPanel) -> None:
        super().__init__()
        self.bench, self.tools = panel.bench, panel.tools
        self.ask = dialogs.ask_size
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.pick_button = panel.button(
            "Pick two points…", "Click a point on one fragment and one on another, then type what the drawing or the "
            "caliper says between them.", self._pick)  # fmt: skip
        self.pick_button.setCheckable(True)
        self.drop_button = panel.button("Forget size", "Take the selected size out and settle the joint without it.",
                                        self.drop)  # fmt: skip
        self.list = QListWidget()
        self.list.setMaximumHeight(70)
        self.list.setAccessibleName("Stated sizes")
        box.addWidget(panel.text("It helps where the faces alone leave open how close the fragments stand, or let "
                                 "them slip.", "faded"))  # fmt: skip
        box.addWidget(panel.row(self.pick_button, self.drop_button))
        box.addWidget(self.list)
        self.tools.sized.connect(self._sized)
        self.tools.tool_changed.connect(lambda tool: self.pick_button.setChecked(tool == "size"))

    def show_project(self, project: Project) -> None:
        idle = not self.bench.jobs.busy
        self.list.clear()
        self.list.addItems([sentences.stated_line(size, self.bench.units) for size in project.stated])
        self.list.setVisible(bool(project.stated))
        self.drop_button.setVisible(bool(project.stated))
        self.pick_button.setEnabled(idle and len(project.fragments) >= 2)

    def _pick(self) -> None:
        self.tools.choose("look" if self.tools.tool == "size" else "size")

    def drop(self) -> None:
        """Forget the selected size, or the only one."""
        count = len(self.bench.project.stated)
        row = self.list.currentRow() if self.list.currentRow() >= 0 else 0 if count == 1 else -1
        if row < 0:
            self.bench.said.emit("info", "No size is selected.", "Click on one in the list first.")
            return
        self._do("Forget a size", lambda p: edits.drop_size(p, row))

    def _sized(self, first: Hit, second: Hit) -> None:
        project, units = self.bench.project, self.bench.units
        between = None
        placed = [p.part_from_scan for p in project.placements]
        if len(placed) > max(first.fragment, second.fragment):
            a, b = placed[first.fragment], placed[second.fragment]
            if a is not None and b is not None:
                between = float(np.linalg.norm(apply(a, first.point[None]) - apply(b, second.point[None])))
        answer = self.ask(self, units, between)
        if answer is not None:
            size = StatedSize(first.fragment, first.point, second.fragment, second.point, *answer)
            self._do("State a size", lambda p: edits.state_size(p, size))

    def _do(self, title: str, edit) -> None:  # type: ignore[no-untyped-def]
        if self.bench.project.joints:
            self.bench.work(title, tasks.settle, edit, settings=dict(self.bench.settings))
        else:
            self.bench.edit(title, edit)
