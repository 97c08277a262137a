"""Row 30: sizes across the joint that are known from elsewhere; the adjustment observes them like any contact."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtWidgets import QComboBox, QListWidget, QVBoxLayout, QWidget

from rejoin.app.parts import dialogs
from rejoin.app.view.picking import Hit
from rejoin.app.words import sentences
from rejoin.app.work import sizing_tasks, tasks
from rejoin.core import edits
from rejoin.core.records import Project, StatedSize
from rejoin.core.transforms import apply

if TYPE_CHECKING:
    from rejoin.app.panels.join import JoinPanel

BETWEEN = (("Between two points", "points"), ("Between the centres of two bores", "centres"))
CENTRES = "bore centres"


class KnownSizes(QWidget):
    """A list of stated sizes; two clicks in the view begin a new one."""

    def __init__(self, panel: JoinPanel) -> None:
        super().__init__()
        self.bench, self.tools = panel.bench, panel.tools
        self.ask = dialogs.ask_size
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.between = QComboBox()
        self.between.setAccessibleName("What the size is between")
        for words, kind in BETWEEN:
            self.between.addItem(words, kind)
        self.between.setToolTip("A caliper is mostly read from bore to bore: choose centres for that. A click on a "
                                "bore's wall is no point of its centre.")  # fmt: skip
        self.between.currentIndexChanged.connect(lambda _: self._kind())
        self.pick_button = panel.button(
            "Pick both ends…", "Click on one fragment and on another, then type what the drawing or the caliper says "
            "between them.", self._pick)  # fmt: skip
        self.pick_button.setCheckable(True)
        self.drop_button = panel.button("Forget size", "Take the selected size out and settle the joint without it.",
                                        self.drop)  # fmt: skip
        self.hint = panel.text(name="faded")
        self.list = QListWidget()
        self.list.setMaximumHeight(70)
        self.list.setAccessibleName("Stated sizes")
        box.addWidget(panel.text("It helps where the faces alone leave open how close the fragments stand, or let "
                                 "them slip.", "faded"))  # fmt: skip
        box.addWidget(self.between)
        box.addWidget(panel.row(self.pick_button, self.drop_button))
        box.addWidget(self.hint)
        box.addWidget(self.list)
        self.tools.sized.connect(self._sized)
        self.tools.marked.connect(self._tell)
        self.tools.tool_changed.connect(lambda tool: self._tell())
        self.bench.answered.connect(self._answered)
        self._tell()

    def show_project(self, project: Project) -> None:
        idle = not self.bench.jobs.busy
        self.list.clear()
        self.list.addItems([sentences.stated_line(size, self.bench.units) for size in project.stated])
        self.list.setVisible(bool(project.stated))
        self.drop_button.setVisible(bool(project.stated))
        self.pick_button.setEnabled(idle and len(project.fragments) >= 2)

    @property
    def of_centres(self) -> bool:
        return self.between.currentData() == "centres"

    def drop(self) -> None:
        """Forget the selected size, or the only one."""
        count = len(self.bench.project.stated)
        row = self.list.currentRow() if self.list.currentRow() >= 0 else 0 if count == 1 else -1
        if row < 0:
            self.bench.said.emit("info", "No size is selected.", "Click on one in the list first.")
            return
        self._do("Forget a size", lambda p: edits.drop_size(p, row))

    def _pick(self) -> None:
        if self.tools.tool == "size":
            self.tools.choose("look")
        elif self.of_centres and sentences.placed_count(self.bench.project) < 2:
            self.pick_button.setChecked(False)
            self.bench.said.emit("info", "Centres can be taken once the fragments are joined.",
                                 "Join them first, or state the distance between two points.")  # fmt: skip
        else:
            self.tools.choose("size")

    def _kind(self) -> None:
        if self.tools.tool == "size":  # what was picked for the other kind is no end of this
            self.tools.choose("look")
        self._tell()

    def _tell(self) -> None:
        """What is to be clicked next."""
        picking, ends = self.tools.tool == "size", self.tools.ends
        self.pick_button.setChecked(picking)
        self.hint.setVisible(picking)
        where = "inside the bore" if self.of_centres else "on the point"
        if ends:
            letter = sentences.letter(ends[0].fragment)
            self.hint.setText(f"Now click {where} on another fragment. Another click on {letter} picks its end anew.")
        else:
            self.hint.setText(f"Click {where} on the first fragment.")

    def _sized(self, first: Hit, second: Hit) -> None:
        if self.of_centres:
            ends = tuple((float(x), float(y), float(z)) for x, y, z in (first.point, second.point))
            self.bench.ask("Find the centres", sizing_tasks.bore_centres, CENTRES,
                           on=(first.fragment, second.fragment), picks_mm=ends)  # fmt: skip
            return
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

    def _answered(self, what: str, found: object) -> None:
        if what != CENTRES or not isinstance(found, StatedSize):
            return
        units = self.bench.units
        told = f"The scans tell the centres to ± {units.length(found.limit_mm)}, which is counted in."
        answer = self.ask(self, units, found.value_mm, "the two centres", told)
        if answer is not None:
            value, limit = answer
            # a limit is of a rectangle, the scans' share of a normal distribution: both as variances, and back
            limit = float(np.hypot(limit, np.sqrt(3.0) * found.limit_mm / 2.0))
            size = replace(found, value_mm=value, limit_mm=limit)
            self._do("State a size", lambda p: edits.state_size(p, size))

    def _do(self, title: str, edit) -> None:  # type: ignore[no-untyped-def]
        if self.bench.project.joints:
            self.bench.work(title, tasks.settle, edit, settings=dict(self.bench.settings))
        else:
            self.bench.edit(title, edit)
