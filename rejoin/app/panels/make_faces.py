"""Row 70: faces picked on the whole, and what is done to each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QComboBox, QLineEdit, QVBoxLayout, QWidget

from rejoin.app.mouse.pointing import Pointing
from rejoin.app.parts.fitted import FittedList
from rejoin.app.view.picking import Hit
from rejoin.app.words import make_words
from rejoin.app.work.making_tasks import USED
from rejoin.core import edits
from rejoin.core.records import FloatArray, MakePick, Project
from rejoin.core.settings import UNITS

if TYPE_CHECKING:
    from rejoin.app.panels.make import MakePanel

OFFERED = {
    "print": ("restore",), "pattern": ("stock", "solid", "core", "draft", "restore"),
    "machining": ("stock", "solid", "restore"), "cradle": ("window",),
}  # fmt: skip


class FacesPart(QWidget):
    """What is done, how much of it, and a click on the face."""

    def __init__(self, panel: MakePanel) -> None:
        super().__init__()
        self.panel, self.bench, self.purpose = panel, panel.bench, "print"
        self.pointing = Pointing(panel.tools, "face to make")
        self.pointing.picked.connect(self._picked)
        self.pointing.changed.connect(self._hint)
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.what = QComboBox()
        self.what.setToolTip("What is done to the face.")
        self.what.setAccessibleName("What is done to the face")
        self.what.currentIndexChanged.connect(lambda _: self._chosen())
        self.amount = QLineEdit()
        self.amount.setFixedWidth(90)
        self.pick_button = panel.button("Pick…", "Click on the face in the view; it is taken to its edges.", self.begin)
        self.pick_button.setCheckable(True)
        self.drop_button = panel.button("Remove", "Take the selected face out of the list.", self.remove)
        self.hint = panel.text(name="faded")
        self.list = FittedList(6)
        self.list.setAccessibleName("Picked faces")
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        box.addWidget(panel.row(self.what))
        box.addWidget(panel.row(self.amount, self.pick_button))
        box.addWidget(self.hint)
        box.addWidget(self.list)
        box.addWidget(panel.row(self.drop_button))
        self.set_purpose("print")

    def set_purpose(self, purpose: str) -> None:
        """Offer what makes sense for it."""
        self.purpose = purpose
        self.what.blockSignals(True)
        self.what.clear()
        for name in OFFERED[purpose]:
            self.what.addItem(make_words.FACES[name], name)
        self.what.blockSignals(False)
        self._chosen()

    def show_project(self, project: Project) -> None:
        row = self.list.currentRow()
        self.list.clear()
        units = self.bench.units
        self.list.addItems([make_words.face_line(pick, n, pick.what in USED[self.purpose], units)
                            for n, pick in enumerate(project.picks, 1)])  # fmt: skip
        self.list.setCurrentRow(min(row, len(project.picks) - 1))
        self.list.fit()
        self.drop_button.setVisible(bool(project.picks))
        self.pick_button.setEnabled(project.whole is not None and not self.bench.jobs.busy)
        self._hint()

    def places(self) -> list[tuple[str, FloatArray]]:
        """Number and point of each face that counts, for the view."""
        return [(str(n), pick.point_mm) for n, pick in enumerate(self.bench.project.picks, 1)
                if pick.what in USED[self.purpose]]  # fmt: skip

    def begin(self) -> None:
        """Begin to pick, or give it up."""
        if self.pointing.active:
            self.pointing.stop()
        elif self._number() is None:
            self.pick_button.setChecked(False)
        else:
            self.panel.show_before()
            self.pointing.begin(1)

    def remove(self) -> None:
        """Take the selected face out, or the only one."""
        picks, row = self.bench.project.picks, self.list.currentRow()
        row = 0 if row < 0 and len(picks) == 1 else row
        if not 0 <= row < len(picks):
            self.bench.said.emit("info", "No face is selected.", "Click on one in the list first.")
            return
        self.bench.edit("Remove a face", lambda p: edits.with_picks(p, p.picks[:row] + p.picks[row + 1 :]))

    def _picked(self, hits: tuple[Hit, ...]) -> None:
        number = self._number()
        if number is None or hits[0].fragment >= 0:
            return
        what = str(self.what.currentData())
        name = f"face {len(self.bench.project.picks) + 1}"
        pick = MakePick(what, np.array(hits[0].point), number, name)
        title = f"Pick a face: {make_words.FACES[what].lower()}"
        self.bench.edit(title, lambda p: edits.with_picks(p, (*p.picks, pick)))

    def _number(self) -> float | None:
        """What was typed, in mm or degrees; None where it is no number, which is then said."""
        from rejoin.core.dimensions.readings import parse_number

        what, text = str(self.what.currentData()), self.amount.text().strip()
        unit = make_words.AMOUNTS.get(what)
        if unit is None:
            return 0.0
        try:
            number, its, fraction = parse_number(text)
            if unit == "deg":
                return number
            return number * UNITS[its or ("inch" if fraction else self.bench.units.name)]
        except (ValueError, KeyError):
            self.bench.said.emit("trouble", f"{text!r} is no {'angle' if unit == 'deg' else 'length'}.",
                                 "Type a number such as 3, 1.5 or 1/8 in.")  # fmt: skip
            return None

    def _chosen(self) -> None:
        self.pointing.stop()
        what = str(self.what.currentData())
        unit, usual = make_words.AMOUNTS.get(what), make_words.USUAL.get(what, 0.0)
        self.amount.setVisible(unit is not None)
        if unit is not None:
            inch = unit == "mm" and self.bench.units.name == "inch"
            shown = f"{usual / 25.4:.3f}" if inch else f"{usual:g}"
            self.amount.setText(f"{shown}°" if unit == "deg" else f"{shown} {self.bench.units.short}")
        self.amount.setToolTip({
            "stock": "How much is added to the face, along its own normal; a bore shrinks by it on each side.",
            "core": "Stock on each side of the bore; the core is smaller by it.",
            "draft": "Degrees of draft, added from the parting plane.",
            "restore": "How far the face is moved outwards; below zero, inwards.",
        }.get(what, ""))  # fmt: skip
        self._hint()

    def _hint(self) -> None:
        self.pick_button.setChecked(self.pointing.active)
        if self.pointing.active:
            self.hint.setText("Click on the face, or in the bore; then on the next, if there is one.")
        elif self.purpose == "cradle":
            self.hint.setText("Without picked places the openings are made along the crack.")
        else:
            self.hint.setText("Say how much, then pick the face in the view.")
