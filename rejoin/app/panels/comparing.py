"""Row 60: the clearance with a mating part, and the mended part's new scan against the whole, as maps in the view."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtWidgets import QFormLayout, QLineEdit, QVBoxLayout, QWidget

from rejoin.app.bench import ask_files
from rejoin.app.panels.cutting import mating_name
from rejoin.app.panels.grades import GradePart
from rejoin.app.panels.lines import line_box, lines_into
from rejoin.app.parts.dialogs import SCANS
from rejoin.app.parts.forms import Fold
from rejoin.app.parts.typed import length_mm, restated, typed_line, with_unit
from rejoin.app.view.surface_map import MapView
from rejoin.app.words.in_units import in_units
from rejoin.app.words.sentences import Units
from rejoin.app.words.size_words import typed
from rejoin.app.work import mending_tasks
from rejoin.core.errors import RejoinError
from rejoin.core.records import FloatArray, Project, SurfaceMap

if TYPE_CHECKING:
    from rejoin.app.panels.dimensions import DimensionsPanel

TABLES = {"Table of points (*.csv)": ".csv"}
FEW = 0.05
"""Share of the surfaces that face each other that may lie beyond a limit: 90 % of them are told."""


class ComparingPart(QWidget):
    """A scan is chosen, the worker compares it with the whole, the map is shown and told in numbers."""

    kind, title, question, about, why = "", "", "", "", ""

    def __init__(self, panel: DimensionsPanel, maps: MapView) -> None:
        super().__init__()
        self.panel, self.bench, self.maps = panel, panel.bench, maps
        self.box = QVBoxLayout(self)
        self.box.setContentsMargins(12, 0, 0, 0)
        self.about_words = panel.text(self.about, "faded")
        self.choose_button = panel.button(self.question, self.why, self.choose)
        self.told = line_box()
        self.save_button = panel.button("Save the points…", "Write every measured point and its distance as a table.",
                                        self.save)  # fmt: skip
        self.hide_button = panel.button("Take the map away", "Show the whole as it is again.", lambda: maps.take(None))
        self.after = panel.row(self.save_button, self.hide_button)
        self.box.addWidget(self.about_words)
        self.box.addWidget(panel.row(self.choose_button))
        self.box.addWidget(self.told)
        self.box.addWidget(self.after)
        self.fold = Fold(self.title, self)
        maps.changed.connect(self._tell)
        self.bench.answered.connect(self._answered)
        self._tell()

    def show_project(self, project: Project) -> None:
        scans = project.scans
        self.unit = scans[0].unit if scans else self.bench.units.name
        words = f"{self.about} A file that does not state its unit is taken to be in {self.unit}, as the scans."
        self.about_words.setText(words if scans else self.about)
        self.choose_button.setEnabled(project.whole is not None and not self.bench.jobs.busy)
        self._tell()

    def shown(self) -> SurfaceMap | None:
        """The map of this part, where it is the one shown."""
        found = self.maps.map
        return found if found is not None and found.kind == self.kind else None

    def open(self) -> None:
        """Unfold this part and ask for the scan."""
        self.fold.button.setChecked(True)
        self.choose()

    def choose(self) -> None:
        """Ask for the scan and let the worker compare."""
        if self.bench.project.whole is None:
            self.bench.said.emit("info", "There is no whole to compare with.", "Fuse the fragments in row 50 first.")
            return
        path = self.panel.ask_open(self, self.bench, self.question.rstrip("…"), SCANS)
        if path:
            self.begin(path)

    def begin(self, path: str) -> None:
        raise NotImplementedError

    def lines(self, found: SurfaceMap, units: Units) -> list[tuple[str, str]]:
        """What is said of a map: (look, words)."""
        return [("", in_units(found.sentence.replace("+-", "±"), units))]

    def save(self) -> None:
        """Write the map as a table."""
        found = self.shown()
        if found is None:
            return
        name = f"{ask_files.job_name(self.bench)}, {self.kind}.csv"
        self.panel.save_as("Save the points", name, TABLES, mending_tasks.write_map, points=found.mesh.vertices,
                           away_mm=found.away_mm)  # fmt: skip

    def _answered(self, what: str, found: object) -> None:
        if what == self.kind and isinstance(found, SurfaceMap):
            self.panel.on.setCurrentIndex(0)
            self.maps.take(found)
            self.bench.said.emit("info", found.sentence.replace("+-", "±"), "")

    def _tell(self) -> None:
        found = self.shown()
        lines = [] if found is None else [("opTitle", found.name), *self.lines(found, self.bench.units)]
        lines_into(self.told, self.panel, lines)
        self.after.setVisible(found is not None)


class MatingPart(ComparingPart):
    """The clearance with another part that was scanned in position, with limits typed or by grade."""

    kind, title, question = "clearance", "Clearance with a mating part", "Scan of the mating part…"
    about = "How the part goes together with another one. Its scan must be in position: placed to the whole as at work."
    why = "Choose the scan of what the part fits to; the clearance is shown in colours on the whole."

    def __init__(self, panel: DimensionsPanel, maps: MapView) -> None:
        super().__init__(panel, maps)
        self.reach = typed_line("Surfaces farther apart than this do not belong to the fit.", "5 spacings")
        self.low = typed_line("The smallest clearance that is allowed; below zero it is an interference.", "none")
        self.high = typed_line("The largest clearance that is allowed.", "none")
        holder = QWidget()
        form = QFormLayout(holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        self._labels = {self.low: "Clearance: from", self.high: "up to", self.reach: "Looked for within"}
        for line, words in self._labels.items():
            form.addRow(words, line)
        for line in (self.low, self.high):
            line.editingFinished.connect(self._limits)
        self.grade = GradePart(panel, ("Grade of the bore", "Grade of the shaft"), deviation=False)
        self.grade.filled.connect(self._graded)
        self.grade_fold = Fold("Limits by ISO 286 grades", self.grade)
        self.own_button = panel.button("", "Measure against the scan that row 10 calls a mating part.",
                                       lambda: self.begin(""))  # fmt: skip
        self.own_row = panel.row(self.own_button)
        self.box.insertWidget(1, holder)
        self.box.insertWidget(2, self.grade_fold)
        self.box.insertWidget(3, self.own_row)
        self._form, self._units = form, self.bench.units

    def show_project(self, project: Project) -> None:
        units = self.bench.units
        if units != self._units:
            for line, value in ((self.low, self.maps.low_mm), (self.high, self.maps.high_mm)):
                line.setText(typed("points", value, units))
            restated(self.reach, self._units, units)
            self._units = units
        with_unit(self._form, self._labels, units.short)
        self.grade.set_units(units)
        super().show_project(project)
        name = mating_name(project)
        self.own_row.setVisible(bool(name))
        self.own_button.setText(f"With {name}")
        self.own_button.setEnabled(self.choose_button.isEnabled())

    def open(self) -> None:
        """Unfold this part and measure against the mating part of row 10; without one ask for its scan."""
        self.fold.button.setChecked(True)
        if mating_name(self.bench.project) and self.bench.project.whole is not None:
            self.begin("")
        else:
            self.choose()

    def begin(self, path: str) -> None:
        reach = self._typed(self.reach)
        if reach is not None:
            self.bench.ask("Measure the clearance", mending_tasks.clearance, self.kind, path=path, unit=self.unit,
                           reach_mm=reach or None)  # fmt: skip

    def lines(self, found: SurfaceMap, units: Units) -> list[tuple[str, str]]:
        low, high = self.maps.low_mm, self.maps.high_mm
        met = found.away_mm[np.isfinite(found.away_mm)]
        lines = super().lines(found, units)
        if low is not None:
            lines.append(self._against(low - met, found.noise_mm, f"tighter than {units.length(low)}", units))
        if high is not None:
            lines.append(self._against(met - high, found.noise_mm, f"looser than {units.length(high)}", units))
        if found.worst_at_mm is not None and (low is None or met.min() < low):
            lines.append(("faded", f"Tightest: {units.length(float(met.min()), signed=True)}."))
        return lines

    def _against(self, beyond: FloatArray, u95_mm: float, what: str, units: Units) -> tuple[str, str]:
        """What share lies beyond a limit; good or bad only where the bound leaves no doubt of it."""
        surely, perhaps = (float((beyond > least).mean()) > FEW for least in (u95_mm, -u95_mm))
        open_ = "" if surely or not perhaps else f" Not proven: each number is ± {units.length(u95_mm)}."
        look = "bad" if surely else "" if perhaps else "good"
        return look, f"{float((beyond > 0.0).mean()):.0%} of it is {what}.{open_}"

    def _limits(self) -> None:
        try:
            low, high = (length_mm(line.text(), self.bench.units) for line in (self.low, self.high))
        except RejoinError as error:
            self.bench.say(error)
            return
        if low is not None and high is not None and low > high:
            self.bench.said.emit("trouble", "The lower limit is above the upper one.", "Change them over.")
            return
        if (low, high) != (self.maps.low_mm, self.maps.high_mm):
            self.maps.set_limits(low, high)

    def _graded(self, size_mm: float, deviation_mm: float, grades: tuple[int, ...]) -> None:
        from rejoin.core.dimensions.tables import grade_width_mm

        low = self._typed(self.low)
        if low is None:
            return
        try:
            high = low + sum(grade_width_mm(grade, size_mm) for grade in grades)
        except RejoinError as error:
            self.bench.say(error)
            return
        for line, value in ((self.low, low), (self.high, high)):
            line.setText(typed("points", value, self.bench.units) or "0")
        self._limits()

    def _typed(self, line: QLineEdit) -> float | None:
        """The length in mm, 0 where nothing was typed; None where it is none, which is then said."""
        try:
            return length_mm(line.text(), self.bench.units) or 0.0
        except RejoinError as error:
            self.bench.say(error)
            return None


class MendedPart(ComparingPart):
    """A new scan of the mended part, laid on the whole."""

    kind, title, question = "distortion", "After the repair", "New scan of the mended part…"
    about = "What welding or brazing did to the part: a new scan of it is laid on the whole."
    why = "Choose the scan that was made after the repair; how far it is off is shown in colours."

    def begin(self, path: str) -> None:
        self.bench.ask("Compare the mended part", mending_tasks.distortion, self.kind, path=path, unit=self.unit)

    def lines(self, found: SurfaceMap, units: Units) -> list[tuple[str, str]]:
        lines = super().lines(found, units)
        if found.worst_at_mm is not None:
            where = in_units(f"Farthest off at ({', '.join(f'{one:.1f}' for one in found.worst_at_mm)}) mm.", units)
            lines.append(("faded", where))
        return lines
