"""40 Gap: the coloured faces, their numbers, the limits of the colours, the cut."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QCheckBox, QComboBox, QDoubleSpinBox, QFormLayout, QSlider, QWidget

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel, book_button
from rejoin.app.parts.colour_bar import ColourBar
from rejoin.app.view.scene import Scene
from rejoin.app.words import joint_words, sentences
from rejoin.core.records import Project

NORMALS = {"front to back": (0.0, -1.0, 0.0), "side to side": (1.0, 0.0, 0.0), "level": (0.0, 0.0, 1.0)}
THROUGH = "through the joint"
BOTH_SEEN = 45
"""Where the slider "Apart" shows both faces of a joint, of 100."""


class GapPanel(Panel):
    number, title, mode = 40, "Gap", "gap"
    apart_wanted = Signal(int)

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.bar = ColourBar()
        self.numbers = self.text()
        self.limit, self.tolerance = self._length(), self._length()
        self.limit.setToolTip("Gaps and overlaps of this size and more get the full colour.")
        self.tolerance.setToolTip("Smaller gaps and overlaps stay plain grey: within the noise of the scan.")
        self.limit.valueChanged.connect(self._limits)
        self.tolerance.valueChanged.connect(self._limits)
        form_holder = QWidget()
        form = QFormLayout(form_holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.addRow("Full colour from", self.limit)
        form.addRow("Plain grey within", self.tolerance)
        self.cut = QCheckBox("Cut open")
        self.cut.setToolTip("Look inside: everything in front of a plane is taken away.")
        self.direction = QComboBox()
        self.direction.addItems([THROUGH, *NORMALS])
        self.direction.setToolTip("Which way the cutting plane stands.")
        self.place = QSlider(Qt.Orientation.Horizontal, minimum=0, maximum=100, value=50)
        self.place.setAccessibleName("Where the cut is")
        self.place.setToolTip("Move the cutting plane; Shift+drag in the view does the same.")
        self.section_words = self.text()
        self.tools.cut_dragged.connect(self._dragged)
        self.cut.toggled.connect(self._cut)
        self.direction.currentTextChanged.connect(self._cut)
        self.direction.activated.connect(lambda _: self.look_at_cut())
        self.cut.clicked.connect(lambda on: self.look_at_cut() if on else None)
        self.place.valueChanged.connect(self._cut)
        self.hint = self.text("Point at a face to read the gap there.", "faded")
        self.both = self.button("Draw apart, or together", "Draw the fragments from each other, to turn the view to "
                                "each face, or join them again. The slider “Apart” does the same.",
                                self.show_both)  # fmt: skip
        self.book_button = book_button()
        self.caution = self.text(sentences.CAUTION, "caution")
        self.box.addWidget(self.numbers)
        self.box.addWidget(self.row(self.both, self.book_button))
        self.box.addWidget(form_holder)
        self.box.addWidget(self.row(self.cut, self.direction))
        self.box.addWidget(self.place)
        self.box.addWidget(self.section_words)
        self.box.addWidget(self.hint)
        self.box.addWidget(self.caution)
        self._fits: tuple[object, ...] = ()
        self._looked_at: tuple[object, ...] | None = None
        self._cut()

    def words(self, project: Project) -> str:
        glued = joint_words.glued_sides(project)
        return "None: split along a glued seam" if glued else sentences.gaps(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        looked = self._looked_at or ()
        if joint_words.glued_sides(project):
            return True
        return bool(project.fits) and [id(fit) for fit in looked] == [id(fit) for fit in project.fits]

    def show_project(self, project: Project) -> None:
        units = self.bench.units
        if project.fits:
            self.numbers.setText("\n\n".join(joint_words.fit_lines(project, fit, units) for fit in project.fits))
        elif joint_words.glued_sides(project):
            self.numbers.setText(joint_words.GLUED)
        else:
            self.numbers.setText("Join the fragments first; then the gap between the faces is shown here.")
        shown = self.scene.colouring
        if project.fits and [id(fit) for fit in self._fits] != [id(fit) for fit in project.fits]:
            shown.gap_limit_mm, shown.gap_tolerance_mm = _usual_limits(project)
        self._fits = project.fits
        for spin, value in ((self.limit, shown.gap_limit_mm), (self.tolerance, shown.gap_tolerance_mm)):
            spin.blockSignals(True)
            spin.setDecimals(4 if units.name == "inch" else 3)
            spin.setSingleStep(0.05 / units.mm)
            spin.setSuffix(f" {units.short}")
            spin.setRange(0.0, 1000.0)
            spin.setValue(value / units.mm)
            spin.blockSignals(False)
        self.bar.set_range(shown.gap_limit_mm, shown.gap_tolerance_mm, units)
        for button in (self.both, self.book_button):
            button.setEnabled(bool(project.fits))

    def show_both(self) -> None:
        """Draw the fragments apart so that their faces are seen, or join them again."""
        self.apart_wanted.emit(0 if self.scene.apart > 0 else BOTH_SEEN)

    def beside(self) -> QWidget | None:
        return self.bar if self.bench.project.fits else None

    def set_busy(self, busy: bool) -> None:
        """All here is looking."""

    def look_at_cut(self) -> None:
        """Turn the view until it looks straight at the cut."""
        normal = self._normal()
        up = (0.0, 0.0, 1.0) if abs(normal[2]) < 0.9 else (0.0, 1.0, 0.0)
        self.scene.look_from(normal, up)

    def unfolded(self) -> None:
        super().unfolded()
        self._looked_at = self.bench.project.fits
        if self.cut.isChecked():
            self._cut()

    def _length(self) -> QDoubleSpinBox:
        spin = QDoubleSpinBox(minimum=0.0, maximum=1000.0, decimals=3)
        spin.setKeyboardTracking(False)
        return spin

    def _limits(self) -> None:
        units = self.bench.units
        limit = max(self.limit.value() * units.mm, 1e-4)
        shown = self.scene.colouring
        shown.gap_limit_mm = limit
        shown.gap_tolerance_mm = min(self.tolerance.value() * units.mm, 0.95 * limit)
        self.bar.set_range(limit, shown.gap_tolerance_mm, units)
        self.scene.refresh()

    def _cut(self) -> None:
        cutting = self.cut.isChecked()
        for widget in (self.direction, self.place):
            widget.setEnabled(cutting)
        self.tools.cutting = cutting
        self.scene.set_cut(self.place.value() / 100.0 if cutting else None, self._normal())
        gaps, units = self.scene.section.gaps_mm, self.bench.units
        self.section_words.setVisible(cutting)
        if not self.bench.project.fits:
            self.section_words.setText("Join the fragments to see the gap in section.")
        elif len(gaps):
            self.section_words.setText(
                f"In this section: {units.length(float(gaps.min()), True)} to {units.length(float(gaps.max()), True)}, "
                f"median {units.length(float(np.median(gaps)), True)}. The coloured lines show the gap "
                f"{self.scene.section.stretch:g} times as wide as it is.")  # fmt: skip
        else:
            self.section_words.setText("The plane meets no joint here. Move it.")

    def _dragged(self, share: float) -> None:
        self.place.setValue(int(round(self.place.value() + 100 * share)))

    def _normal(self) -> tuple[float, float, float]:
        """Of the cutting plane, towards the person; through the joint it holds the joint's own direction and up."""
        name = self.direction.currentText()
        if name != THROUGH:
            return NORMALS[name]
        across = self.scene.joint_direction()
        if across is None:
            return NORMALS["front to back"]
        up = np.eye(3)[2] if abs(across[2]) < 0.9 else np.eye(3)[1]
        normal = np.cross(across, up)
        normal /= np.linalg.norm(normal)
        normal *= -1.0 if normal[1] > 0 else 1.0
        return float(normal[0]), float(normal[1]), float(normal[2])


def _usual_limits(project: Project) -> tuple[float, float]:
    """Full colour at 98 % of the gaps, plain grey within twice the scans' own noise."""
    gaps = np.concatenate([np.concatenate([fit.gap_a_mm, fit.gap_b_mm]) for fit in project.fits])
    gaps = np.abs(gaps[np.isfinite(gaps)])
    noise = max(fragment.noise_mm for fragment in project.fragments)
    limit = float(np.percentile(gaps, 98)) if len(gaps) else 1.0
    limit = max(limit, 4.0 * noise, 1e-3)
    step = 10.0 ** np.floor(np.log10(limit))
    nice = float(np.ceil(limit / step * 2.0) / 2.0 * step)
    return nice, min(2.0 * noise, 0.5 * nice)
