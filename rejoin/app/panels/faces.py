"""20 Fracture faces: found, chosen by a click, painted and rubbed out."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QAbstractItemView, QButtonGroup, QDoubleSpinBox, QLabel, QListWidget, QListWidgetItem

from rejoin.app import sentences, tasks
from rejoin.app.bench import Bench
from rejoin.app.forms import Fold, Form
from rejoin.app.panels.base import Panel
from rejoin.app.scene import Scene
from rejoin.app.tools import Tools
from rejoin.core import edits
from rejoin.core.records import Project
from rejoin.core.settings import FaceSettings

HINTS = {
    "look": "Drag turns the view. Take a tool to change the faces.",
    "take": "Click a broken surface to take it out to its rim. Shift+click adds to the face, Alt+click takes away.",
    "paint": "Drag over a fragment to add to its face. Drag beside it to turn the view.",
    "rub": "Drag over a face to take triangles away from it.",
}


class FacesPanel(Panel):
    number, title, mode = 20, "Fracture faces", "faces"

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
        self.clear_button = self.button("Clear face", "This surface is no fracture face (Delete).", self.clear)
        self.pair_button = self.button(
            "These two belong together", "Select one face on each of two fragments, then join them by these faces.",
            self.pair)  # fmt: skip
        self.tool_buttons = {}
        self.group = QButtonGroup(self)
        self.group.setExclusive(True)
        for tool, text in (("look", "Look"), ("take", "Take"), ("paint", "Paint"), ("rub", "Rub out")):
            made = self.button(text, HINTS[tool], lambda tool=tool: tools.choose(tool))
            made.setCheckable(True)
            self.group.addButton(made)
            self.tool_buttons[tool] = made
        self.radius = QDoubleSpinBox(decimals=2, minimum=0.1, maximum=100.0, value=2.0)
        self.radius.setToolTip("How far the brush reaches around the pointer.")
        self.radius.valueChanged.connect(self._radius)
        self.hint = self.text(HINTS["look"], "faded")
        self.hint.setMinimumHeight(34)
        tools.tool_changed.connect(self._tool)
        form = Form(FaceSettings)
        form.changed.connect(lambda settings: bench.settings.__setitem__("find_faces", settings))
        self.brush = self.row(QLabel("Brush radius"), self.radius)
        self.box.addWidget(self.row(self.find_button))
        self.box.addWidget(self.list)
        self.box.addWidget(self.row(self.clear_button, self.pair_button))
        self.box.addWidget(self.row(*self.tool_buttons.values()))
        self.box.addWidget(self.brush)
        self.box.addWidget(self.hint)
        self.box.addWidget(Fold("Settings", form))
        QShortcut(QKeySequence(Qt.Key.Key_Delete), self.list, self.clear, context=Qt.ShortcutContext.WidgetShortcut)
        self._tool("look")

    def words(self, project: Project) -> str:
        return sentences.faces(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        return bool(project.faces) and {f.fragment for f in project.faces} == set(range(len(project.fragments)))

    def show_project(self, project: Project) -> None:
        self.list.clear()
        for face in project.faces:
            self.list.addItem(QListWidgetItem(sentences.face_line(project, face, self.bench.units)))
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
            self.scene.picker.prepare(f.mesh for f in self.bench.project.fragments)
            self.show_project(self.bench.project)

    def clear(self) -> None:
        rows = sorted((self.list.row(item) for item in self.list.selectedItems()), reverse=True)
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
        first, second = (self.list.row(item) for item in self.list.selectedItems()[:2])
        self.bench.work("Join by faces", tasks.pair, face_a=min(first, second), face_b=max(first, second))

    def _selected(self) -> None:
        rows = [self.list.row(item) for item in self.list.selectedItems()]
        faces = self.bench.project.faces
        rows = [row for row in rows if row < len(faces)]
        self.clear_button.setEnabled(bool(rows))
        self.pair_button.setEnabled(len(rows) == 2 and faces[rows[0]].fragment != faces[rows[1]].fragment)
        self.scene.clear_tints()
        for row in rows:
            self.scene.tint(faces[row].fragment, f"chosen {row}", faces[row].triangles)

    def _radius(self, value: float) -> None:
        self.tools.radius_mm = value * self.bench.units.mm

    def _tool(self, tool: str) -> None:
        if tool in self.tool_buttons:
            self.tool_buttons[tool].setChecked(True)
            self.hint.setText(HINTS[tool])
        self.brush.setVisible(tool in ("paint", "rub"))
