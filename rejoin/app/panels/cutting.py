"""Row 60: a section through the whole at any plane, its outline dimensioned, on paper; a mating part drawn with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtWidgets import QComboBox, QPushButton, QVBoxLayout, QWidget

from rejoin.app.bench import ask_files
from rejoin.app.mouse.pointing import Pointing
from rejoin.app.panels.parting import facing
from rejoin.app.panels.size_files import SHEETS
from rejoin.app.parts.dialogs import SCANS
from rejoin.app.view.picking import Hit
from rejoin.app.work import sizing_tasks
from rejoin.core.records import FloatArray, Mesh, Project

if TYPE_CHECKING:
    from rejoin.app.panels.dimensions import DimensionsPanel

WAYS = (("Across x", "x"), ("Across y", "y"), ("Across z", "z"), ("Along the picked face", "face"))


def mating_name(project: Project) -> str:
    """Name of the scan that row 10 gave the role of a mating part; nothing without one."""
    return next((scan.name for scan in project.scans if scan.role == "mating"), "")


class CuttingPart(QWidget):
    """Which way the plane stands, a point that it goes through (else the middle), a mating part, and the sheet."""

    def __init__(self, panel: DimensionsPanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        self.point: FloatArray | None = None
        self.normal: FloatArray | None = None
        self.mating, self.own = "", ""
        self._of: Mesh | None = None
        self.pointing = Pointing(panel.tools, "section")
        self.pointing.picked.connect(self._picked)
        self.pointing.changed.connect(lambda: self.pick_button.setChecked(self.pointing.active))
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.way = QComboBox()
        for words, name in WAYS:
            self.way.addItem(words, name)
        self.way.setToolTip("The direction that the cutting plane stands across.")
        self.way.setAccessibleName("Way of the section")
        self.pick_button: QPushButton = panel.button(
            "Through a point…", "Click on the part where the plane is to go through; else it goes through the middle.",
            self.begin)  # fmt: skip
        self.pick_button.setCheckable(True)
        self.mating_button = panel.button(
            "With a mating part…", "A scan of the part it fits with, in position: it is drawn in the section, and the "
            "clearance is told on the sheet.", self.choose_mating)  # fmt: skip
        self.save_button = panel.button("Save section…", "Draw the section at 1:1 with its dimensions, as PDF or DXF.",
                                        self.save)  # fmt: skip
        self.where = panel.text(name="faded")
        for widget in (self.way, self.pick_button, self.where, self.mating_button, self.save_button):
            box.addWidget(widget if widget is self.where else panel.row(widget))

    def show_project(self, project: Project) -> None:
        mesh = None if project.whole is None else project.whole.mesh
        if mesh is not self._of:
            self._of, self.point, self.normal, self.mating = mesh, None, None, ""
        self.own = mating_name(project)
        free = mesh is not None and not self.bench.jobs.busy
        for button in (self.pick_button, self.mating_button, self.save_button):
            button.setEnabled(free)
        self._tell()

    def begin(self) -> None:
        """Begin to pick, or give it up."""
        if self.pointing.active:
            self.pointing.stop()
            return
        self.panel.on.setCurrentIndex(0)
        self.pointing.begin(1)

    def choose_mating(self) -> None:
        self.mating = self.panel.ask_open(self, self.bench, "Scan of the mating part", SCANS)
        self._tell()

    def plane(self) -> tuple[FloatArray, FloatArray] | None:
        """Point and direction in the part's frame; None without a whole, or where no face was picked yet."""
        if self._of is None:
            return None
        way = str(self.way.currentData())
        normal = self.normal if way == "face" else np.eye(3)["xyz".index(way)]
        middle = 0.5 * (self._of.vertices.min(axis=0) + self._of.vertices.max(axis=0))
        return None if normal is None else (middle if self.point is None else self.point, normal)

    def save(self) -> None:
        """Ask for a file and let the worker draw."""
        plane = self.plane()
        if plane is None:
            self.bench.said.emit("info", "The face that the section lies along was not picked yet.",
                                 "Pick it first, or choose across x, y or z.")  # fmt: skip
            return
        job = ask_files.job_name(self.bench)
        point, normal = (tuple(float(one) for one in row) for row in plane)
        self.panel.save_as("Save the section", f"{job}, section.pdf", SHEETS, sizing_tasks.write_section, name=job,
                           point_mm=point, normal=normal, mating=self.mating, unit=self.bench.units.name)  # fmt: skip

    def _picked(self, hits: tuple[Hit, ...]) -> None:
        self.pointing.stop()
        if self._of is None or hits[0].fragment >= 0:
            return
        self.point = np.array(hits[0].point)
        self.normal = facing(self._of, self.point, hits[0].triangle)
        self._tell()

    def _tell(self) -> None:
        told = "Through the middle of the part" if self.point is None else "Through the picked point"
        other = self.mating.replace(chr(92), "/").rsplit("/", 1)[-1] or self.own
        self.where.setText(f"{told}, with {other}." if other else f"{told}.")
