"""70 Make: a trial print, a pattern, a model for the mill or a cradle; the fixed order shown, before and after."""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QButtonGroup, QCheckBox, QComboBox, QLabel, QRadioButton, QScrollArea, QWidget

from rejoin.app.bench import ask_files
from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel
from rejoin.app.panels.lines import line_box, lines_into
from rejoin.app.panels.make_faces import FacesPart
from rejoin.app.panels.make_trial import TrialPart
from rejoin.app.panels.parting import PartingPart
from rejoin.app.parts.dialogs import WHOLES
from rejoin.app.parts.forms import Fold
from rejoin.app.parts.typed import prepare
from rejoin.app.parts.wishes import WishForm
from rejoin.app.view.made_view import MadeView, legend
from rejoin.app.view.scene import Scene
from rejoin.app.words import make_words
from rejoin.app.words.in_units import in_units
from rejoin.app.words.make_words import AFTER, BEFORE, BOTH
from rejoin.app.work import making_tasks
from rejoin.core.errors import RejoinError
from rejoin.core.records import MadePart, Project
from rejoin.core.settings import MakeSettings, as_pairs

GROUPS = {
    "casting": ("print", "pattern"), "faces": ("print", "pattern", "machining", "cradle"),
    "parting": ("print", "pattern", "cradle"), "printer": ("print", "pattern", "cradle"), "cores": ("pattern",),
    "cradle": ("cradle",),
}  # fmt: skip
"""Which forms belong to which purpose."""


class MakePanel(Panel):
    number, title, mode = 70, "Make", "make"
    follows = ("Make", "Next revision")

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.shown = MadeView(scene)
        self._made_with: WeakKeyDictionary[MadePart, MakeSettings] = WeakKeyDictionary()
        self.purpose = QComboBox()
        for name, words in make_words.PURPOSES.items():
            self.purpose.addItem(words, name)
        self.purpose.setToolTip("What the part becomes next.")
        self.purpose.setAccessibleName("What is made")
        self.purpose.currentIndexChanged.connect(lambda _: self._purpose())
        self.about = self.text(name="faded")
        given = {"metal": make_words.metals(), "convention": make_words.CONVENTIONS}
        self.casting = WishForm(MakeSettings, make_words.CASTING, given)
        self.double = WishForm(MakeSettings, make_words.DOUBLE, {"pattern_metal": make_words.metals()}, margin=12)
        self.printer = WishForm(MakeSettings, make_words.PRINTER, margin=12)
        self.cores = WishForm(MakeSettings, make_words.CORES, margin=12)
        self.cradle = WishForm(MakeSettings, make_words.CRADLE)
        self.faces, self.parting, self.trial = FacesPart(self), PartingPart(self), TrialPart(self)
        self.make_button = self.button("Make", "Do the steps below in their fixed order; the whole stays as it is.",
                                       self.make, main=True)  # fmt: skip
        self.save_button = self.button("Save it…", "Write 3MF, STL, PLY or OBJ with a companion file of all steps and "
                                       "factors; each is read back and checked.", self.save)  # fmt: skip
        self.heading = self.text(name="opTitle")
        self.steps, self.results, self.cautions = line_box(), line_box(), line_box()
        self.legend = QLabel(legend())
        self.draft_map = QCheckBox("Draft map")
        self.draft_map.setChecked(True)
        self.draft_map.setToolTip("How each surface leaves the sand when the pattern is drawn.")
        self.draft_map.toggled.connect(self._look)
        self.ways = self._ways()
        self._groups: dict[str, QWidget] = {}
        self._place()
        self._purpose()

    def _place(self) -> None:
        bar = self.button("Save test bar…", "A bar to print and measure along x, y and z; what it comes out as goes "
                          "into the field above.", self.save_bar)  # fmt: skip
        self.printer.layout().addRow(bar)  # type: ignore[attr-defined]
        self.double_fold = Fold("Double contraction", self.double)
        self._groups = {
            "casting": self.casting, "faces": Fold("Picked faces", self.faces),
            "parting": Fold("Parting plane, split, dowels", self.parting),
            "printer": Fold("Printer", self.printer), "cores": Fold("Cores and core boxes", self.cores),
            "cradle": self.cradle,
        }  # fmt: skip
        self.box.addWidget(self.purpose)
        self.box.addWidget(self.about)
        for name in ("casting", "cradle"):
            self.box.addWidget(self._groups[name])
        self.box.addWidget(self.double_fold)
        for name in ("faces", "parting", "cores", "printer"):
            self.box.addWidget(self._groups[name])
        self.box.addWidget(self.row(self.make_button, self.save_button))
        self.box.addWidget(self.heading)
        self.box.addWidget(self.steps)
        self.box.addWidget(self.ways)
        self.box.addWidget(self.draft_map)
        self.box.addWidget(self.legend)
        self.box.addWidget(self.results)
        self.trial_fold = Fold("After the trial: the next revision", self.trial)
        self.box.addWidget(self.trial_fold)
        self.box.addWidget(self.cautions)

    # what the job card asks

    def go_on(self, title: str) -> str:
        return "“Save it…” in row 70 writes it to a file." if title in self.follows else ""

    def words(self, project: Project) -> str:
        return make_words.state(project)

    def is_done(self, project: Project) -> bool:
        return bool(project.made)

    def show_project(self, project: Project) -> None:
        units = self.bench.units
        for form in (self.casting, self.double, self.printer, self.cores, self.cradle):
            try:
                form.set_units(units)
            except RejoinError:
                continue  # what is typed there is no number; it is said when it is used
        part = self.part()
        self.parting.show_project(project)
        if part is not None and part is not self.shown.part:
            self._way_buttons[AFTER].setChecked(True)
            QTimer.singleShot(50, self, self._reveal)
            self._recall(project, part)
        self.shown.part = part
        self.faces.show_project(project)
        self.trial.show_project(project)
        lines_into(self.steps, self, make_words.step_lines(part, units))
        title = "" if part is None else in_units(part.title, units)
        self.heading.setText(title[:1].upper() + title[1:])
        self.heading.setVisible(part is not None)
        lines_into(self.results, self, [] if part is None else make_words.result_lines(project, part, units))
        lines_into(self.cautions, self, [] if part is None else [("caution", words) for words in part.cautions])
        self.ways.setVisible(part is not None)
        self.trial_fold.setVisible(part is not None and self.chosen_purpose() == "print")
        self.make_button.setEnabled(project.whole is not None)
        self.save_button.setEnabled(part is not None)
        self._look()

    def chosen_purpose(self) -> str:
        return str(self.purpose.currentData())

    def part(self) -> MadePart | None:
        """What was made for the chosen purpose."""
        wanted = self.chosen_purpose()
        return next((one for one in self.bench.project.made if one.purpose == wanted), None)

    def settings(self) -> MakeSettings:
        """What the forms ask for.

        Raises
        ------
        WrongUse
            Where a field holds no number, or one out of its range.
        """
        purpose = self.chosen_purpose()
        values: dict[str, Any] = {"purpose": purpose}
        for name, form in (("casting", self.casting), ("printer", self.printer), ("cores", self.cores),
                           ("cradle", self.cradle)):  # fmt: skip
            values |= form.values() if purpose in GROUPS[name] and not form.isHidden() else {}
        values |= self.double.values() if purpose == "pattern" else {}
        values |= self.parting.values() if purpose in GROUPS["parting"] else {}
        if purpose == "print":
            for name in make_words.CASTING:
                values.pop(name, None)
        if purpose == "cradle":
            values = {k: v for k, v in values.items() if k not in make_words.PRINTER and k != "split"}
        return MakeSettings(**values)

    # doing

    def make(self) -> None:
        """Make it, as one step."""
        try:
            settings = self.settings()
        except RejoinError as error:
            self.bench.say(error)
            return
        part, wishes = self.part(), {}
        if part is not None and part.revision > "A":  # made anew, a later revision keeps what its trials brought
            try:
                asked = making_tasks.asked_of(self.bench.project, part)
                wishes = {"revision": asked.revision, "correction": asked.correction}
            except RejoinError:
                wishes = {}
        self.bench.work("Make", making_tasks.make, settings=settings, **wishes)

    def save(self) -> None:
        from rejoin.core.making.told import file_name

        part = self.part()
        if part is None:
            self.bench.said.emit("info", "There is nothing to save yet.", "Make it in row 70 first.")
            return
        source = ask_files.job_name(self.bench)
        self.save_as("Save what was made", file_name(source, part.title, ".3mf"), WHOLES, making_tasks.write_made,
                     purpose=part.purpose, source=source, unit=self.bench.units.name,
                     settings=self._made_with.get(part))  # fmt: skip

    def save_bar(self) -> None:
        try:
            length = self.printer.values()["bar_length_mm"]
        except RejoinError as error:
            self.bench.say(error)
            return
        name = f"test bar, {self.bench.units.length(length)}.3mf"
        self.save_as("Save the test bar", name, WHOLES, making_tasks.write_bar, length_mm=length,
                     unit=self.bench.units.name)  # fmt: skip

    def show_before(self) -> None:
        """Show the whole as it is, to pick on."""
        self._way_buttons[BEFORE].setChecked(True)

    def unfolded(self) -> None:
        super().unfolded()
        prepare()
        self._look()

    def _recall(self, project: Project, part: MadePart) -> None:
        """Show the figures that a part was made with: it may come from a file, or from an undo."""
        settings = self._made_with.get(part) or making_tasks.settings_of(project, part)
        if settings is not None:
            self._made_with[part] = settings
            made = dict(as_pairs(settings))
            for form in (self.casting, self.double, self.printer, self.cores, self.cradle):
                form.show_values(made)
            self.parting.recall(made)

    def _reveal(self) -> None:
        """Bring what the steps did into sight."""
        above = self.parentWidget()
        while above is not None and not isinstance(above, QScrollArea):
            above = above.parentWidget()
        if above is not None and self.isVisible():
            above.ensureWidgetVisible(self.ways, 0, 160)

    def _purpose(self) -> None:
        purpose = self.chosen_purpose()
        self.about.setText(make_words.ABOUT[purpose])
        for name, widget in self._groups.items():
            widget.setVisible(purpose in GROUPS[name] and not (name == "casting" and purpose == "print")
                              and not (name == "printer" and purpose == "cradle"))  # fmt: skip
        self.double_fold.setVisible(purpose == "pattern")
        self.faces.set_purpose(purpose)
        self.parting.set_purpose(purpose)
        self.show_project(self.bench.project)

    def _ways(self) -> QWidget:
        self._way_buttons = {}
        group = QButtonGroup(self)
        for way, words, why in make_words.WAYS:
            button = QRadioButton(words)
            button.setToolTip(why)
            button.toggled.connect(lambda on: self._look() if on else None)
            button.clicked.connect(lambda _: self.scene.fit())
            group.addButton(button)
            self._way_buttons[way] = button
        self._way_buttons[AFTER].setChecked(True)
        return self.row(*self._way_buttons.values())

    def _look(self) -> None:
        if not hasattr(self, "legend"):
            return
        self.shown.way = next((way for way, button in self._way_buttons.items() if button.isChecked()), AFTER)
        self.shown.draft_map = self.draft_map.isChecked()
        part = self.shown.part
        mapped = part is not None and part.draft_deg is not None and self.shown.way in (AFTER, BOTH)
        self.draft_map.setVisible(mapped)
        self.legend.setVisible(mapped and self.draft_map.isChecked())
        plane = self.parting.plane()
        self.shown.parting = None if plane is None or self._groups["parting"].isHidden() else np.array(plane)
        self.shown.places = self.faces.places()
        self.shown.show()
