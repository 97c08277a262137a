"""Row 30: other ways in which two fragments might go together, stepped through with their evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QVBoxLayout, QWidget

from rejoin.app.words import joint_words
from rejoin.app.work import tasks
from rejoin.core import edits
from rejoin.core.records import Joint, Project

if TYPE_CHECKING:
    from rejoin.app.panels.join import JoinPanel


class OtherWays(QWidget):
    """Steps through candidates; the view shows each, nothing is changed until one is used."""

    def __init__(self, panel: JoinPanel) -> None:
        super().__init__()
        self.panel, self.bench, self.scene = panel, panel.bench, panel.scene
        self.ways: tuple[Joint, ...] = ()
        self.at = 0
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        self.look_button = panel.button(
            "Look for other ways", "List every way in which these two fragments touch, best first, to step through "
            "them.", self.look)  # fmt: skip
        self.back_button = panel.button("◀", "Show the way before.", lambda: self.step(-1))
        self.on_button = panel.button("▶", "Show the next way.", lambda: self.step(1))
        self.count = panel.text()
        self.count.setWordWrap(False)
        self.words = panel.text(name="faded")
        self.use_button = panel.button("Use this way", "Pin it and solve the rest again around it.", self.use)
        box.addWidget(panel.row(self.look_button))
        self.steps = panel.row(self.back_button, self.count, self.on_button, self.use_button)
        box.addWidget(self.steps)
        box.addWidget(self.words)
        self.bench.ways_found.connect(self._found)

    def show_project(self, project: Project) -> None:
        if self.ways and self.bench.ways_of is not project:
            self.ways = ()
        two = self._pair(project)
        self.look_button.setVisible(two is not None and not self.ways)
        self.look_button.setEnabled(not self.bench.jobs.busy)
        self._show_words()

    def look(self) -> None:
        """Search for all ways of the selected joint's fragments, or of the first two."""
        two = self._pair(self.bench.project)
        if two is None:
            self.bench.said.emit("info", "Two fragments are needed.", "Open the scan of another one first.")
            return
        self.bench.look_for_ways(*two)

    def step(self, by: int) -> None:
        """Show the next way, or the one before."""
        if self.ways:
            self.at = (self.at + by) % len(self.ways)
            self._show()

    def use(self) -> None:
        """Pin the way that is shown."""
        if self.ways:
            way = self.ways[self.at]
            two = len(self.bench.project.fragments) == 2
            self.bench.work("Use this way", tasks.settle if two else tasks.join, lambda p: edits.use_candidate(p, way),
                            settings=dict(self.bench.settings))  # fmt: skip

    def _found(self, ways: tuple[Joint, ...]) -> None:
        self.ways, self.at = ways, 0
        self.show_project(self.bench.project)
        self._show()

    def _show(self) -> None:
        way = self.ways[self.at]
        self.scene.hand_pose(way.b, self.scene.poses()[way.a] @ way.a_from_b)
        self.scene.fit()
        self._show_words()

    def _show_words(self) -> None:
        for widget in (self.steps, self.words):
            widget.setVisible(bool(self.ways))
        for button in (self.back_button, self.on_button, self.use_button):
            button.setEnabled(not self.bench.jobs.busy)
        if self.ways:
            self.count.setText(f"Way {self.at + 1} of {len(self.ways)}")
            evidence = joint_words.joint_evidence(self.ways[self.at], self.bench.units)
            self.words.setText(evidence if len(self.ways) > 1 else f"{evidence}\nNo other way was found.")

    def _pair(self, project: Project) -> tuple[int, int] | None:
        row = self.panel.chosen()
        if row is not None:
            joint = project.joints[row]
            return min(joint.a, joint.b), max(joint.a, joint.b)
        return (0, 1) if len(project.fragments) >= 2 else None
