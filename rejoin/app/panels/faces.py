"""20 Fracture faces: found, chosen by a click, painted and rubbed out."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QCheckBox,
    QDoubleSpinBox,
    QLabel,
    QListWidget,
    QListWidgetItem,
)

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel
from rejoin.app.parts.forms import Fold, Form
from rejoin.app.view.scene import Scene
from rejoin.app.words import joint_words, sentences
from rejoin.app.work import tasks
from rejoin.core import edits
from rejoin.core.meshes import triangle_crosses
from rejoin.core.records import Project
from rejoin.core.settings import FaceSettings
from rejoin.core.transforms import turn

HINTS = {
    "look": "Drag turns the view. Take a tool to change the faces.",
    "take": "Click a broken surface to take it out to its rim. Shift+click adds to the face, Alt+click takes away.",
    "paint": "Drag over a fragment to add to its face. Drag beside it to turn the view.",
    "rub": "Drag over a face to take triangles away from it.",
    "box": "Draw a rectangle: what is visible in it is added. With Alt it is taken away.",
    "outline": "Draw a line round a place: what is visible in it is added. With Alt it is taken away.",
}
TURNED_AWAY = 0.2
"""A face is hardly seen where the cosine between the way it looks and the way to the person is less."""
UP, ASIDE = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
LISTED = 3
"""Finds of the program that the list shows of each fragment unasked: they are ranked, the rest is rarely wanted."""


class FacesPanel(Panel):
    number, title, mode = 20, "Fracture faces", "faces"
    follows = ("Find fracture faces",)

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.find_button = self.button(
            "Find fracture faces", "Look on every fragment for the surfaces that the break made. Faces that you chose "
            "yourself are left alone.", bench.find_faces, main=True)  # fmt: skip
        self.list = QListWidget()
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.list.setMaximumHeight(110)
        self.list.setAccessibleName("Fracture faces")
        self.list.itemSelectionChanged.connect(self._selected)
        self.list.itemSelectionChanged.connect(self._turn_to)
        self.clear_button = self.button("Clear face", "This surface is no fracture face (Delete).", self.clear)
        self.pair_button = self.button(
            "These two belong together", "Select one face on each of two fragments, then join them by these faces.",
            self.pair)  # fmt: skip
        self.tool_buttons = {}
        self.group = QButtonGroup(self)
        self.group.setExclusive(True)
        for tool, text in (("look", "Look"), ("take", "Take"), ("paint", "Paint"), ("rub", "Rub out"),
                           ("box", "Rectangle"), ("outline", "Outline")):  # fmt: skip
            made = self.button(text, HINTS[tool], lambda tool=tool: tools.choose(tool))
            made.setCheckable(True)
            self.group.addButton(made)
            self.tool_buttons[tool] = made
        self.radius = QDoubleSpinBox(decimals=2, minimum=0.1, maximum=100.0, value=2.0)
        self.radius.setToolTip("How far the brush reaches around the pointer.")
        self.radius.valueChanged.connect(self._radius)
        self.hint = self.text(HINTS["look"], "faded")
        self.all_button = QCheckBox("Show all that was found")
        self.all_button.setToolTip("The join tries them all; the list shows the most likely of each fragment.")
        self.all_button.toggled.connect(lambda on: self.show_project(self.bench.project))
        tools.tool_changed.connect(self._tool)
        form = Form(FaceSettings)
        form.changed.connect(lambda settings: bench.settings.__setitem__("find_faces", settings))
        self.brush = self.row(QLabel("Brush radius"), self.radius)
        self.box.addWidget(self.row(self.find_button))
        self.box.addWidget(self.list)
        self.box.addWidget(self.all_button)
        self.box.addWidget(self.row(self.clear_button, self.pair_button))
        buttons = list(self.tool_buttons.values())
        self.box.addWidget(self.row(*buttons[:4]))
        self.box.addWidget(self.row(*buttons[4:]))
        self.box.addWidget(self.brush)
        self.box.addWidget(self.hint)
        self.box.addWidget(Fold("Settings", form))
        QShortcut(QKeySequence(Qt.Key.Key_Delete), self.list, self.clear, context=Qt.ShortcutContext.WidgetShortcut)
        self._tool("look")

    def words(self, project: Project) -> str:
        glued = joint_words.glued_sides(project) and not project.faces
        return "None: split along a glued seam" if glued else sentences.faces(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        broken = {n for n, fragment in enumerate(project.fragments) if fragment.scan.role == "fragment"}
        searched = bool(project.faces) and broken <= {face.fragment for face in project.faces}
        return searched or joint_words.glued_sides(project)

    def show_project(self, project: Project) -> None:
        self.list.clear()
        used = sentences.rows_in_joints(project)
        wanted = self._listed(project, used)
        for number in wanted:
            item = QListWidgetItem(sentences.face_line(project, number, self.bench.units, number in used))
            item.setData(Qt.ItemDataRole.UserRole, number)
            self.list.addItem(item)
        self.list.setVisible(bool(wanted))
        self.all_button.setVisible(self.all_button.isChecked() or len(wanted) < len(project.faces))
        self.find_button.setEnabled(bool(project.fragments))
        for button in self.tool_buttons.values():
            button.setEnabled(bool(project.fragments))
        unit = self.bench.units
        self.radius.blockSignals(True)
        self.radius.setSuffix(f" {unit.short}")
        self.radius.setDecimals(3 if unit.name == "inch" else 2)
        self.radius.setSingleStep(0.5 / unit.mm)
        self.radius.setRange(0.01, 100.0)
        self.radius.setValue(self.tools.radius_mm / unit.mm)
        self.radius.blockSignals(False)
        self._selected()

    def unfolded(self) -> None:
        self.tools.choose("take" if self.bench.project.fragments else "look")
        if self.bench.project.fragments:
            spacing = max(f.spacing_mm for f in self.bench.project.fragments)
            self.tools.radius_mm = 6.0 * spacing
            self.scene.picker.prepare(list(self.scene.shown().values()))
            self.show_project(self.bench.project)

    def _listed(self, project: Project, used: frozenset[int]) -> list[int]:
        """Numbers of the faces in the list: the person's, those in joints, and the likeliest of the others."""
        if self.all_button.isChecked():
            return list(range(len(project.faces)))
        seen: dict[int, int] = {}
        wanted = []
        for number, face in enumerate(project.faces):
            seen[face.fragment] = seen.get(face.fragment, 0) + 1
            if face.chosen_by == "person" or number in used or seen[face.fragment] <= LISTED:
                wanted.append(number)
        return wanted

    def chosen(self) -> list[int]:
        """Numbers of the selected faces."""
        numbers = [int(item.data(Qt.ItemDataRole.UserRole)) for item in self.list.selectedItems()]
        return [number for number in numbers if number < len(self.bench.project.faces)]

    def clear(self) -> None:
        rows = sorted(self.chosen(), reverse=True)
        if not rows:
            self.bench.said.emit("info", "No face is selected.", "Click on one in the list first.")
            return

        def cleared(project: Project) -> Project:
            for row in rows:
                project = edits.clear_face(project, row)
            return project

        self.bench.edit("Clear face", cleared)

    def pair(self) -> None:
        """Join by the two selected faces."""
        faces, rows = self.bench.project.faces, sorted(self.chosen())
        if len(rows) != 2 or faces[rows[0]].fragment == faces[rows[1]].fragment:
            self.bench.said.emit("info", "Two faces are needed, one on each of two fragments.",
                                 "Select both in the list of row 20, the second with Ctrl+click.")  # fmt: skip
            return
        self.bench.work("Join by faces", tasks.pair, face_a=rows[0], face_b=rows[1],
                        settings=dict(self.bench.settings))  # fmt: skip

    def _selected(self) -> None:
        rows, faces = self.chosen(), self.bench.project.faces
        self.clear_button.setEnabled(bool(rows))
        self.pair_button.setEnabled(len(rows) == 2 and faces[rows[0]].fragment != faces[rows[1]].fragment)
        self.scene.clear_tints()
        for row in rows:
            self.scene.tint(faces[row].fragment, f"chosen {row}", faces[row].triangles)

    def _turn_to(self) -> None:
        """Turn the view to a face that was selected alone and looks away from the person."""
        rows = self.chosen()
        if len(rows) != 1:
            return
        face = self.bench.project.faces[rows[0]]
        poses, mesh = self.scene.poses(), self.bench.project.fragments[face.fragment].mesh
        out = turn(poses[face.fragment], triangle_crosses(mesh)[face.triangles].sum(axis=0)[None])[0]
        out /= max(float(np.linalg.norm(out)), 1e-300)
        back = np.array(self.scene.view.renderer.GetActiveCamera().GetViewPlaneNormal())
        if float(out @ back) < TURNED_AWAY:
            slanted = out + 0.3 * (UP if abs(out[2]) < 0.9 else ASIDE)
            self.scene.look_from(tuple(slanted.tolist()), tuple((UP if abs(out[2]) < 0.9 else ASIDE).tolist()))

    def resize_brush(self, factor: float) -> None:
        """A larger or smaller brush, by key."""
        self.radius.setValue(self.radius.value() * factor)

    def _radius(self, value: float) -> None:
        self.tools.radius_mm = value * self.bench.units.mm

    def _tool(self, tool: str) -> None:
        if tool in self.tool_buttons:
            self.tool_buttons[tool].setChecked(True)
            self.hint.setText(HINTS[tool])
        self.brush.setVisible(tool in ("paint", "rub"))
