"""Row 70: the plane at which a pattern, a print or a cradle parts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from PySide6.QtWidgets import QComboBox, QPushButton, QVBoxLayout, QWidget

from rejoin.app.mouse.pointing import Pointing
from rejoin.app.parts.wishes import WishForm
from rejoin.app.view.picking import Hit
from rejoin.app.words import make_words
from rejoin.core.records import FloatArray, Mesh, Project
from rejoin.core.settings import MakeSettings

if TYPE_CHECKING:
    from rejoin.app.panels.make import MakePanel

PULLS = (("No plane", ""), ("Pull along x", "x"), ("Pull along y", "y"), ("Pull along z", "z"),
         ("Pull along the picked face's normal", "face"))  # fmt: skip


AROUND = 0.04
"""How far around a click the face is looked at, as a share of the part's size."""


def facing(mesh: Mesh, point: FloatArray, triangle: int) -> FloatArray:
    """The way a face looks around a point: unit normal of the plane through it, without what stands steeply to it."""
    corners = mesh.vertices[mesh.triangles]
    centres = corners.mean(axis=1)
    size = float(np.ptp(mesh.vertices, axis=0).max())
    near = np.flatnonzero(np.linalg.norm(centres - point, axis=1) < AROUND * size)
    near = np.union1d(near, [triangle])
    crosses = np.cross(corners[near, 1] - corners[near, 0], corners[near, 2] - corners[near, 0])
    normal = crosses[np.searchsorted(near, triangle)]
    for _ in range(5):
        normal = normal / max(float(np.linalg.norm(normal)), 1e-12)
        lengths = np.maximum(np.linalg.norm(crosses, axis=1), 1e-12)
        normal = crosses[(crosses @ normal) / lengths > 0.7].sum(axis=0)
    return np.asarray(normal / max(float(np.linalg.norm(normal)), 1e-12))


class PartingPart(QWidget):
    """The pull, a point that the plane goes through (else the middle), the split and its dowels."""

    def __init__(self, panel: MakePanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        self.point: FloatArray | None = None
        self.normal: FloatArray | None = None
        self._of: object = None
        self.pointing = Pointing(panel.tools, "parting")
        self.pointing.picked.connect(self._picked)
        self.pointing.changed.connect(lambda: self.pick_button.setChecked(self.pointing.active))
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.pull = QComboBox()
        for words, name in PULLS:
            self.pull.addItem(words, name)
        self.pull.setMinimumContentsLength(14)
        self.pull.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.pull.setToolTip("The way the pattern is drawn out of the sand; the plane stands across it.")
        self.pull.setAccessibleName("Pull")
        self.pull.currentIndexChanged.connect(lambda _: panel._look())
        self.pick_button: QPushButton = panel.button(
            "Through a point…", "Click on the part where the plane is to go through; else it goes through the middle.",
            self.begin)  # fmt: skip
        self.pick_button.setCheckable(True)
        self.where = panel.text(name="faded")
        self.form = WishForm(MakeSettings, make_words.PARTING)
        for widget in (self.pull, panel.row(self.pick_button), self.where, self.form):
            box.addWidget(widget)

    def set_purpose(self, purpose: str) -> None:
        """A cradle is always split, at the widest place unless told otherwise."""
        self.pull.setItemText(0, "Across the shortest side" if purpose == "cradle" else "No plane")

    def show_project(self, project: Project) -> None:
        mesh = None if project.whole is None else project.whole.mesh
        if mesh is not self._of:
            self._of, self.point, self.normal = mesh, None, None
        self.form.set_units(self.bench.units)
        self.pick_button.setEnabled(mesh is not None and not self.bench.jobs.busy)
        self.where.setText("Through the middle of the part." if self.point is None else "Through the picked point.")

    def plane(self) -> tuple[FloatArray, FloatArray] | None:
        """Point and direction in the frame of the whole; None where there is no plane."""
        pull, whole = str(self.pull.currentData()), self.bench.project.whole
        if not pull or whole is None:
            return None
        vertices = whole.mesh.vertices
        middle = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
        if pull == "face":
            if self.normal is None:
                return None
            normal = self.normal
        else:
            normal = np.eye(3)["xyz".index(pull)]
        return (middle if self.point is None else self.point), normal

    def values(self) -> dict[str, Any]:
        """As the settings want them."""
        plane = self.plane()
        return {**self.form.values(), "parting": None if plane is None else self._row(plane)}

    def recall(self, made: dict[str, Any]) -> None:
        """Show the plane and the split that something was made with."""
        self.form.show_values(made)
        row, plane = made.get("parting"), self.plane()
        if row and (plane is None or row != self._row(plane)):
            numbers = np.array([float(one) for one in str(row).split(",")])
            self.point, self.normal = numbers[:3], numbers[3:]
            self.pull.setCurrentIndex(self.pull.findData("face"))

    @staticmethod
    def _row(plane: tuple[FloatArray, FloatArray]) -> str:
        return ",".join(repr(float(one)) for part in plane for one in part)

    def begin(self) -> None:
        """Begin to pick, or give it up."""
        if self.pointing.active:
            self.pointing.stop()
        else:
            self.panel.show_before()
            self.pointing.begin(1)

    def _picked(self, hits: tuple[Hit, ...]) -> None:
        self.pointing.stop()
        whole = self.bench.project.whole
        if whole is None or hits[0].fragment >= 0:
            return
        self.point = np.array(hits[0].point)
        self.normal = facing(whole.mesh, self.point, hits[0].triangle)
        if not self.pull.currentData():
            self.pull.setCurrentIndex(self.pull.findData("z"))
        self.show_project(self.bench.project)
        self.panel._look()
