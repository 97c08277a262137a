"""10 Scans: the fragments, what was repaired on them, show and hide, rename and remove."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QInputDialog, QMenu, QTreeWidget, QTreeWidgetItem

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel
from rejoin.app.panels.one_piece import OnePiecePart
from rejoin.app.panels.papers import PapersPart
from rejoin.app.panels.seam import SeamPart
from rejoin.app.panels.shelf import Shelf
from rejoin.app.parts.forms import Fold
from rejoin.app.parts.whole_lines import WholeLines
from rejoin.app.view.fault_marks import FaultMarks
from rejoin.app.view.scene import Scene
from rejoin.app.words import joint_words, sentences
from rejoin.app.words.in_units import in_units
from rejoin.app.work.display import display_of
from rejoin.core import edits
from rejoin.core.errors import RejoinError
from rejoin.core.records import Project, Repair

REPAIR = int(Qt.ItemDataRole.UserRole) + 1
TAKEN_BACK = ("specks", "inside out")
"""Repairs that a surface can do without."""


ROLES = (
    ("A piece of this part", "fragment", False),
    ("A reference: a whole part of the same pattern", "reference", False),
    ("A reference of the opposite hand", "reference", True),
    ("A mating part", "mating", False),
)
"""What a scan may be of: words, role, mirrored."""


class ScansPanel(Panel):
    number, title, mode = 10, "Scans", "scans"
    follows = ("Open scans", "Take repairs back", "Repair again", "State the unit", "Look the scans over",
               "Say what it is", "Split along the seam", "Make one piece")  # fmt: skip
    open_wanted = Signal()
    sample_wanted = Signal(str)

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.open_button = self.button(
            "Open scans…", "Add the scans of the fragments; you can also drop files on the window.",
            self.open_wanted.emit, main=True,
        )  # fmt: skip
        self.samples_button = self.button("Samples", "Try the program on a part that comes with it.", lambda: None)
        self.samples_menu = QMenu(self)
        self.samples_menu.aboutToShow.connect(self.fill_samples)
        self.samples_button.setMenu(self.samples_menu)
        self.table = QTreeWidget(columnCount=2, headerHidden=False, rootIsDecorated=True)
        self.table.setHeaderLabels(["Fragment", "Size"])
        self.table.headerItem().setToolTip(0, "Take a tick away to hide that fragment in the view.")
        self.table.header().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.table.header().setSectionResizeMode(1, QHeaderView.ResizeMode.ResizeToContents)
        self.table.header().setStretchLastSection(False)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setMinimumHeight(210)
        self.table.setAccessibleName("Fragments")
        self._lines, self.fault_marks = WholeLines(self.table), FaultMarks(scene)
        self.table.itemChanged.connect(self._ticked)
        self.rename_button = self.button("Rename…", "Give the fragment a name that you know it by (F2).", self.rename)
        self.remove_button = self.button("Remove", "Take the fragment out of the job (Delete).", self.remove)
        self.box.addWidget(self.row(self.open_button, self.samples_button))
        self.shelf = Shelf(self, self.sample_wanted.emit)
        self.box.addWidget(self.shelf)
        self.box.addWidget(self.table)
        self.unit_button = self.button("Unit…", "Say again in which unit this scan's file is.", self.unit)
        self.about = self.row(self.rename_button, self.remove_button, self.unit_button)
        self.box.addWidget(self.about)
        self.judge_button = self.button("Good enough?", "Look the scans over: what is missing, smoothed or double, and "
                                        "what to scan again.", self.bench.judge)  # fmt: skip
        self.role_button = self.button("What is it?", "Say whether this scan is a piece, a whole part of the same "
                                       "pattern, or what the part fits to.", lambda: None)  # fmt: skip
        self.role_menu = QMenu(self)
        for words, role, mirrored in ROLES:
            action = self.role_menu.addAction(words)
            action.triggered.connect(lambda checked=False, role=role, mirrored=mirrored: self.role(role, mirrored))
        self.role_button.setMenu(self.role_menu)
        self.more = self.row(self.judge_button, self.role_button)
        self.box.addWidget(self.more)
        self.pieces, self.seam, self.papers = OnePiecePart(self), SeamPart(self), PapersPart(self)
        self.pieces_fold = Fold("Several scans of one piece", self.pieces)
        self.seam_fold = Fold("It was glued before", self.seam)
        self.papers_fold = Fold("Papers of the part", self.papers)
        self.box.addWidget(self.pieces_fold)
        self.box.addWidget(self.seam_fold)
        self.box.addWidget(self.papers_fold)
        for key, act in ((Qt.Key.Key_F2, self.rename), (Qt.Key.Key_Delete, self.remove)):
            QShortcut(QKeySequence(key), self.table, act, context=Qt.ShortcutContext.WidgetShortcut)

    def words(self, project: Project) -> str:
        return sentences.scans(project, self.bench.units)

    def is_done(self, project: Project) -> bool:
        return len(project.fragments) >= 2

    def go_on(self, title: str) -> str:
        if title == "Look the scans over":
            return sentences.to_be_scanned_again(self.bench.project)
        if title == "Open scans":
            return self.bench.opening.strip()
        return joint_words.glue_words(self.bench.project, self.bench.units) if title == "Split along the seam" else ""

    def fill_samples(self) -> None:
        """List the samples in the menu."""
        from rejoin.core.samples import sample_names

        self.samples_menu.clear()
        try:
            names = sample_names()
        except RejoinError as error:
            self.bench.say(error)
            names = ()
        for name in names:
            action = self.samples_menu.addAction(sentences.sample_title(name))
            action.triggered.connect(lambda checked=False, name=name: self.sample_wanted.emit(name))

    def show_project(self, project: Project) -> None:
        chosen = self.chosen()
        self.shelf.setVisible(not project.scans)
        self.table.setVisible(bool(project.scans))
        self.about.setVisible(bool(project.scans))
        self.more.setVisible(bool(project.scans))
        self.pieces_fold.setVisible(len(project.scans) >= 2)
        self.seam_fold.setVisible(bool(project.scans))
        self.papers_fold.setVisible(bool(project.scans) or bool(project.attachments))
        self.pieces.show_project(project)
        self.seam.show_project(project)
        self.papers.show_project(project)
        self.fault_marks.tell(project, self.bench.units)
        self.table.blockSignals(True)
        self.table.clear()
        units = self.bench.units
        for number, fragment in enumerate(project.fragments):
            name = f"{sentences.letter(number)} · {fragment.scan.name}"
            item = QTreeWidgetItem([name, units.box(np.ptp(display_of(fragment.mesh).box, axis=0))])
            item.setCheckState(0, Qt.CheckState.Unchecked if number in self.scene.hidden else Qt.CheckState.Checked)
            item.setData(0, Qt.ItemDataRole.UserRole, number)
            item.setToolTip(0, ", ".join(fragment.scan.files))
            self.table.addTopLevelItem(item)
            for line in self._details(number, project):
                self._child(item, line)
            for repair in fragment.repairs:
                self._repair(item, number, repair)
            item.setExpanded(True)
            if number == chosen:
                self.table.setCurrentItem(item)
        self.table.blockSignals(False)
        for button in (self.rename_button, self.remove_button, self.unit_button, self.judge_button, self.role_button):
            button.setEnabled(bool(project.fragments))

    def chosen(self) -> int | None:
        """The fragment that is selected in the table."""
        item = self.table.currentItem()
        if item is None:
            return None
        top = item.parent() or item
        number = top.data(0, Qt.ItemDataRole.UserRole)
        return None if number is None else int(number)

    def rename(self) -> None:
        number = self.need_choice()
        if number is None:
            return
        old = self.bench.project.scans[number].name
        name, agreed = QInputDialog.getText(self, "Rename", "Name of the fragment:", text=old)
        if agreed and name != old:
            self.bench.edit("Rename", lambda p: edits.rename(p, number, name))

    def remove(self) -> None:
        number = self.need_choice()
        if number is not None:
            self.bench.edit(f"Remove {sentences.letter(number)}", lambda p: edits.remove_fragment(p, number))

    def role(self, role: str, mirrored: bool) -> None:
        """Say what the selected scan is of."""
        number = self.need_choice()
        if number is not None:
            self.bench.set_role(number, role, mirrored)

    def open_seam(self) -> None:
        """Unfold the seam, ready to be marked."""
        self.seam_fold.button.setChecked(True)
        self.seam.begin()

    def open_papers(self) -> None:
        """Unfold the papers, also before any scan is there."""
        self.papers_fold.setVisible(True)
        self.papers_fold.button.setChecked(True)
        self.papers.text.setFocus()

    def need_choice(self) -> int | None:
        """The selected fragment; where there is none, that is said. A single one needs no selecting."""
        if len(self.bench.project.fragments) == 1:
            return 0
        number = self.chosen()
        if number is None and self.bench.project.fragments:
            self.bench.said.emit("info", "No fragment is selected.", "Click on one in the list first.")
        return number

    def _details(self, number: int, project: Project) -> list[str]:
        fragment, units = project.fragments[number], self.bench.units
        holes = sentences.counted(len(fragment.holes), "hole") if fragment.holes else "no holes"
        points = f"{len(fragment.mesh.vertices):,}".replace(",", " ")
        lines = [
            f"{points} points, {units.length(fragment.spacing_mm)} apart",
            f"noise {units.length(fragment.noise_mm)}, {holes}",
        ]
        return lines + [line for line in sentences.fragment_notes(fragment, units).split("\n") if line]

    def _child(self, item: QTreeWidgetItem, line: str) -> QTreeWidgetItem:
        line = in_units(line, self.bench.units)  # core writes in millimetres
        child = QTreeWidgetItem([line])
        child.setFlags(Qt.ItemFlag.ItemIsEnabled)
        child.setToolTip(0, line)
        item.addChild(child)
        child.setFirstColumnSpanned(True)
        return child

    def _repair(self, item: QTreeWidgetItem, number: int, repair: Repair) -> None:
        """One repair; those that a surface can do without have a tick that takes them back."""
        if repair.kind == "holes":
            return
        child = self._child(item, sentences.sentence(repair.sentence))
        kind = repair.kind.removesuffix(" left")
        if kind == "reduced":
            return
        if kind not in TAKEN_BACK:
            child.setToolTip(0, f"{child.text(0)} Without this the scan would be no surface: it cannot be taken back.")
            return
        done = not repair.kind.endswith(" left") and "left so" not in repair.sentence
        child.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsUserCheckable | Qt.ItemFlag.ItemIsSelectable)
        child.setCheckState(0, Qt.CheckState.Checked if done else Qt.CheckState.Unchecked)
        child.setData(0, REPAIR, (number, kind))
        child.setToolTip(0, f"{child.text(0)} Take the tick away to take this repair back.")

    def _ticked(self, item: QTreeWidgetItem) -> None:
        repair = item.data(0, REPAIR)
        if repair is not None:
            self._repaired(int(repair[0]))
            return
        number = item.data(0, Qt.ItemDataRole.UserRole)
        if number is not None:
            self.scene.set_hidden(int(number), item.checkState(0) != Qt.CheckState.Checked)

    def _repaired(self, number: int) -> None:
        """Clean the scan again, without the repairs whose ticks are gone."""
        without = set()
        item = self.table.topLevelItem(number)
        for row in range(item.childCount()):
            repair = item.child(row).data(0, REPAIR)
            if repair is not None and item.child(row).checkState(0) != Qt.CheckState.Checked:
                without.add(str(repair[1]))
        if not self.bench.clean_again(number, tuple(sorted(without))):
            self.show_project(self.bench.project)

    def unit(self) -> None:
        number = self.need_choice()
        if number is not None:
            self.bench.restate_unit(number)
