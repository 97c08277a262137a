"""Row 60: the fit-up of each joint, as a welder needs it before the fracture faces are ground away."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QCheckBox, QComboBox, QVBoxLayout, QWidget

from rejoin.app.panels.lines import line_box, lines_into
from rejoin.app.words import joint_words, size_words
from rejoin.core.records import Project

if TYPE_CHECKING:
    from rejoin.app.panels.dimensions import DimensionsPanel


class FitUpPart(QWidget):
    """One joint after the other, with its gauge marks in the view and its cautions."""

    def __init__(self, panel: DimensionsPanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.work_button = panel.button(
            "Work out the fit-up", "Step, angle and gap along each crack, gauge marks and the way the pieces go in.",
            panel.check_again)  # fmt: skip
        self.joint = QComboBox()
        self.joint.setAccessibleName("Joint")
        self.joint.setToolTip("The joint that is told of.")
        self.joint.currentIndexChanged.connect(lambda _: self._show_one())
        self.marks = QCheckBox("Show the gauge marks")
        self.marks.setToolTip("Where to punch marks across the crack; the same number, the same pair.")
        self.marks.toggled.connect(self._marks)
        self.lines, self.cautions = line_box(), line_box()
        self.waits = panel.text("Join the fragments first.", "faded")
        for widget in (self.waits, panel.row(self.work_button), self.joint, self.lines, self.marks, self.cautions):
            box.addWidget(widget)

    def show_project(self, project: Project) -> None:
        now = max(self.joint.currentIndex(), 0)
        self.joint.blockSignals(True)
        self.joint.clear()
        for one in project.fit_ups:
            self.joint.addItem(f"Joint {joint_words.joint_title(project, project.joints[one.joint])}")
        self.joint.setCurrentIndex(min(now, len(project.fit_ups) - 1))
        self.joint.blockSignals(False)
        found = bool(project.fit_ups)
        glued = joint_words.glued_sides(project)
        self.waits.setText("Split along a glued seam: there is no joint." if glued else "Join the fragments first.")
        self.waits.setVisible(not project.fits)
        self.work_button.parentWidget().setVisible(bool(project.fits) and not found)
        self.joint.setVisible(len(project.fit_ups) > 1)
        for widget in (self.marks, self.lines, self.cautions):
            widget.setVisible(found)
        self._show_one()

    def _show_one(self) -> None:
        project, number = self.bench.project, self.joint.currentIndex()
        if not 0 <= number < len(project.fit_ups):
            self.panel.lines.fit_up = -1
            return
        one = project.fit_ups[number]
        self.marks.setVisible(len(one.marks_a_mm) > 0)
        lines_into(self.lines, self.panel, size_words.fit_up_lines(project, one, self.bench.units))
        lines_into(self.cautions, self.panel, [("caution", words) for words in one.cautions])
        self._marks(self.marks.isChecked())

    def _marks(self, on: bool) -> None:
        self.panel.lines.fit_up = self.joint.currentIndex() if on else -1
        self.panel.lines.show()
