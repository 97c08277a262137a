"""50 Whole: fuse, check in words, save for printing or drawing."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QCheckBox, QLabel, QVBoxLayout, QWidget

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel
from rejoin.app.panels.lost_piece import LostPiecePart
from rejoin.app.parts import colours
from rejoin.app.parts.forms import Fold, Form
from rejoin.app.view.scene import Scene
from rejoin.app.words import joint_words, sentences
from rejoin.app.words.in_units import in_units
from rejoin.core.cautions import CAUTIONS, STRENGTH
from rejoin.core.records import Project
from rejoin.core.settings import FuseSettings


class WholePanel(Panel):
    number, title, mode = 50, "Whole", "whole"
    follows = ("Fuse", "Restore the piece")
    save_wanted = Signal()

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.fuse_button = self.button(
            "Fuse", "Make one closed surface of the joined fragments.", bench.fuse, main=True)
        self.save_button = self.button(
            "Save the whole…", "Write a PLY, STL, OBJ or 3MF file of the whole.", self.save_wanted.emit)
        self.checks = QWidget()
        QVBoxLayout(self.checks).setContentsMargins(0, 0, 0, 0)
        self.notes = self.text(name="faded")
        self.tint = QCheckBox("Tint crack and fillings")
        self.tint.setChecked(True)
        self.tint.setToolTip("What was made at the crack and what no scan measured, in colours of their own.")
        self.tint.toggled.connect(self._tint)
        self.legend = QLabel(
            f'<span style="color:{colours.SEAM}">■</span> witness line, made at the crack<br>'
            f'<span style="color:{colours.FILLED}">■</span> filled, no scan measured it'
        )
        self.caution = self.text(STRENGTH, "caution")
        more = self.text("\n\n".join(text for text in CAUTIONS if text != STRENGTH), "caution")
        self.form = Form(FuseSettings)
        self.form.changed.connect(lambda settings: bench.settings.__setitem__("fuse", settings))
        self.box.addWidget(self.row(self.fuse_button, self.save_button))
        self.box.addWidget(self.checks)
        self.box.addWidget(self.notes)
        self.box.addWidget(self.tint)
        self.box.addWidget(self.legend)
        self.box.addWidget(self.caution)
        self.lost = LostPiecePart(self)
        self.box.addWidget(Fold("A piece is lost", self.lost))
        self.box.addWidget(Fold("Before the part goes back to work", more))
        self.box.addWidget(Fold("Settings", self.form))

    def go_on(self, title: str) -> str:
        if title not in self.follows or self.bench.project.whole is None:
            return ""
        wanting = "" if self.bench.project.whole.closed else "The whole is not closed: row 50 says why. "
        return f"{wanting}“Save the whole…” in row 50 writes it to a file."

    def words(self, project: Project) -> str:
        return sentences.whole(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        return project.whole is not None

    def show_project(self, project: Project) -> None:
        layout = self.checks.layout()
        while layout.count():
            layout.takeAt(0).widget().deleteLater()
        if project.whole is not None:
            for passed, words in sentences.whole_checks(project.whole, self.bench.units):
                sign, look = {True: ("✓", "good"), False: ("✗", "bad"), None: ("·", "")}[passed]
                layout.addWidget(self.text(f"{sign}  {words}", look))
        said = (*project.whole.notes, joint_words.left_out(project)) if project.whole else ()
        notes = "\n".join(in_units(note, self.bench.units) for note in said if note)
        self.notes.setText(notes)
        self.notes.setVisible(bool(notes))
        for widget in (self.tint, self.legend, self.checks):
            widget.setVisible(project.whole is not None)
        self.fuse_button.setEnabled(sentences.placed_count(project) >= 2)
        self.save_button.setEnabled(project.whole is not None)
        self.lost.show_project(project)
        self.form.set_units(self.bench.units)

    def _tint(self, on: bool) -> None:
        self.scene.colouring.tint_whole = on
        self.scene.refresh()
