"""Row 10: a part that was glued before it was scanned: its seam is marked, and the scan is split along it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtWidgets import QPushButton, QVBoxLayout, QWidget

from rejoin.app.mouse.pointing import Pointing
from rejoin.app.parts import dialogs
from rejoin.app.view.front import Words
from rejoin.app.view.picking import Hit
from rejoin.app.words import sentences
from rejoin.app.words.sentences import Units
from rejoin.app.work import mending_tasks
from rejoin.core.records import FloatArray, Project
from rejoin.core.transforms import apply

if TYPE_CHECKING:
    from rejoin.app.panels.scans import ScansPanel

FEWEST = 3
GROUP = "seam"
KINDS = {"PLY (*.ply)": ".ply", "STL (*.stl)": ".stl", "OBJ (*.obj)": ".obj"}
"""A 3MF file holds closed parts only; a side is open at the seam."""


class SeamPart(QWidget):
    """Marks on the seam, a size across it where the surfaces cannot tell, and the button that splits."""

    def __init__(self, panel: ScansPanel) -> None:
        super().__init__()
        self.panel, self.bench, self.scene = panel, panel.bench, panel.scene
        self.ask_size: Callable[[QWidget, Units, float | None], tuple[float, float] | None] = dialogs.ask_size
        self.fragment = -1
        self.marks: list[FloatArray] = []
        self.across: tuple[FloatArray, FloatArray, float, float] | None = None
        self.marking, self.sizing = Pointing(panel.tools, "seam marks"), Pointing(panel.tools, "size across the seam")
        self.marking.picked.connect(self._marked)
        self.sizing.picked.connect(self._sized)
        for pointing in (self.marking, self.sizing):
            pointing.changed.connect(self._tell)
        self.scene.moved.connect(self._show)
        self.mark_button = self._toggle("Mark the seam…", "Click on the seam, all round the part; the closer the "
                                        "marks, the truer the cut.", self.begin)  # fmt: skip
        self.clear_button = panel.button("Clear marks", "Take all marks on the seam away.", self.clear)
        self.size_button = self._toggle("Size across…", "A size across the seam that the part had before it broke: "
                                        "click on both its ends. It is needed where the surfaces cannot tell how thick "
                                        "the glue is.", self.begin_size)  # fmt: skip
        self.split_button = panel.button("Split along the seam", "Make two fragments of this scan; the second is moved "
                                         "to where it belongs without the glue.", self.split)  # fmt: skip
        self.save_button = panel.button("Save this fragment…", "Write the selected fragment to a mesh file of its own.",
                                        self.save)  # fmt: skip
        self.words = panel.text()
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        box.addWidget(panel.text("For a part that was glued together before it was scanned. Mark the glued seam "
                                 "all round; the scan is split along it, and what the glue did is told.",
                                 "faded"))  # fmt: skip
        box.addWidget(panel.row(self.mark_button, self.clear_button))
        box.addWidget(self.words)
        box.addWidget(panel.row(self.size_button))
        box.addWidget(panel.row(self.split_button))
        box.addWidget(panel.row(self.save_button))

    def show_project(self, project: Project) -> None:
        if self.fragment >= 0 and (self.fragment >= len(project.fragments)
                                   or project.fragments[self.fragment] is not self._of):  # fmt: skip
            self.clear()
        self._tell()

    def begin(self) -> None:
        """Begin to mark, or stop."""
        self.marking.stop() if self.marking.active else self.marking.begin(1)

    def begin_size(self) -> None:
        """Begin to pick both ends of a size, or give it up."""
        self.sizing.stop() if self.sizing.active else self.sizing.begin(2)

    def clear(self) -> None:
        """Forget the marks and the size."""
        self.fragment, self.marks, self.across = -1, [], None
        self._show()
        self._tell()

    def split(self) -> None:
        """Let the worker split the marked scan."""
        self.marking.stop()
        if len(self.marks) < FEWEST:
            self.bench.said.emit("info", "The seam is not marked yet.", "Mark it all round: three places at least.")
            return
        known = None
        if self.across is not None:
            first, second, size, limit = self.across
            known = _point(first), _point(second), size, limit
        self.bench.work("Split along the seam", mending_tasks.split_glued, number=self.fragment, known=known,
                        marks_mm=tuple(_point(mark) for mark in self.marks),
                        settings=self.bench.settings.get("clean"))  # fmt: skip

    def save(self) -> None:
        """Write the selected fragment to a file."""
        number = self.panel.need_choice()
        if number is None:
            return
        name = f"{self.bench.project.scans[number].name}.ply"
        self.panel.save_as("Save the fragment", name, KINDS, mending_tasks.write_fragment, number=number,
                           unit=self.bench.units.name)  # fmt: skip

    def _marked(self, hits: tuple[Hit, ...]) -> None:
        hit = hits[0]
        if self.fragment >= 0 and hit.fragment != self.fragment:
            letter = sentences.letter(self.fragment)
            self.bench.said.emit("info", f"The seam is being marked on {letter}.", "Clear its marks to mark another.")
        elif hit.fragment >= 0:
            self._take(hit.fragment)
            self.marks.append(hit.point)
        self.marking.begin(1)  # a seam takes many marks
        self._show()
        self._tell()

    def _sized(self, hits: tuple[Hit, ...]) -> None:
        self.sizing.stop()
        first, second = hits
        if first.fragment != second.fragment or (self.fragment >= 0 and first.fragment != self.fragment):
            self.bench.said.emit("info", "Both ends must lie on the glued part.", "Pick them again.")
            return
        typed = self.ask_size(self, self.bench.units, float(np.linalg.norm(second.point - first.point)))
        if typed is not None:
            self._take(first.fragment)
            self.across = first.point, second.point, *typed
        self._tell()

    def _take(self, fragment: int) -> None:
        self.fragment, self._of = fragment, self.bench.project.fragments[fragment]

    def _tell(self) -> None:
        idle, project = not self.bench.jobs.busy, self.bench.project
        self.mark_button.setChecked(self.marking.active)
        self.size_button.setChecked(self.sizing.active)
        words = f"{sentences.counted(len(self.marks), 'mark')} on the seam" if self.marks else "No marks yet"
        if self.across is not None:
            words += f"; {self.bench.units.length(self.across[2])} across it"
        if self.sizing.active:
            words = f"Click on the {'second' if self.sizing.hits else 'first'} end of the size."
        self.words.setText(f"{words.rstrip('.')}.")
        for button in (self.mark_button, self.size_button, self.save_button):
            button.setEnabled(idle and bool(project.fragments))
        self.clear_button.setEnabled(idle and self.fragment >= 0)
        self.split_button.setEnabled(idle and len(self.marks) >= FEWEST)

    def _show(self) -> None:
        front, palette = self.scene.front, self.scene.palette
        poses = self.scene.poses() if self.scene.mode == "scans" and self.marks else {}
        if self.fragment in poses:
            places = apply(poses[self.fragment], np.array(self.marks))
            front.show(GROUP, words=[Words(str(n), place, palette.on_accent, palette.accent)
                                     for n, place in enumerate(places, 1)])  # fmt: skip
        elif front.shows(GROUP):
            front.show(GROUP)
        else:
            return
        self.scene.view.update()

    def _toggle(self, text: str, why: str, action: Callable[[], object]) -> QPushButton:
        made: QPushButton = self.panel.button(text, why, action)
        made.setCheckable(True)
        return made


def _point(place: FloatArray) -> tuple[float, float, float]:
    return float(place[0]), float(place[1]), float(place[2])
