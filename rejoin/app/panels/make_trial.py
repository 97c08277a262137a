"""Row 70: what the trial print showed goes into the next revision, once, and is taken back by one undo."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QComboBox, QFormLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from rejoin.app.mouse.pointing import Pointing
from rejoin.app.parts.fitted import FittedList
from rejoin.app.view.picking import Hit
from rejoin.app.work import making_tasks
from rejoin.core.errors import RejoinError
from rejoin.core.records import MakePick, Project
from rejoin.core.settings import UNITS

if TYPE_CHECKING:
    from rejoin.app.panels.make import MakePanel


class TrialPart(QWidget):
    """Notes on picked faces and measured sizes of the print, then the next revision."""

    def __init__(self, panel: MakePanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        self.notes: list[MakePick] = []
        self._of: object = None
        self.pointing = Pointing(panel.tools, "trial")
        self.pointing.picked.connect(self._picked)
        self.pointing.changed.connect(lambda: self.pick_button.setChecked(self.pointing.active))
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.sign = QComboBox()
        self.sign.addItem("tight by", -1.0)
        self.sign.addItem("loose by", 1.0)
        self.sign.setToolTip("Tight: material goes away there. Loose: material is added.")
        self.sign.setAccessibleName("Tight or loose")
        self.amount = QLineEdit()
        self.amount.setPlaceholderText("0.3")
        self.amount.setFixedWidth(70)
        self.amount.setToolTip("By how much, along the face's own normal.")
        self.pick_button: QPushButton = panel.button("Where…", "Click on the face that was tight or loose.", self.begin)
        self.pick_button.setCheckable(True)
        self.list = FittedList(5)
        self.list.setAccessibleName("Notes of the trial")
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.clear_button = panel.button("Forget notes", "Begin the notes of this trial anew.", self.clear)
        holder = QWidget()
        form = QFormLayout(holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        self.measured: dict[str, tuple[QLineEdit, QLineEdit]] = {}
        for axis in "xyz":
            meant, printed = QLineEdit(), QLineEdit()
            for line, words in ((meant, "meant"), (printed, "printed")):
                line.setPlaceholderText(words)
                line.setFixedWidth(80)
                line.setToolTip(f"A size along {axis} as it was {words}; leave both empty where none was measured.")
                line.setAccessibleName(f"Size along {axis}, {words}")
            self.measured[axis] = meant, printed
            form.addRow(f"Along {axis}", panel.row(meant, printed))
        self.next_button = panel.button("Make the next revision", "Apply these notes once; the difference is listed.",
                                        self.make_next, main=True)  # fmt: skip
        box.addWidget(panel.text("Where was the print tight or loose?", "faded"))
        box.addWidget(panel.row(self.sign, self.amount, self.pick_button))
        box.addWidget(self.list)
        box.addWidget(panel.row(self.clear_button))
        box.addWidget(panel.text("Sizes measured on the print:", "faded"))
        box.addWidget(holder)
        box.addWidget(panel.row(self.next_button))

    def show_project(self, project: Project) -> None:
        made = self.panel.part()
        if made is not self._of:  # notes belong to the print that was tried
            self._of = made
            self.notes = []
            for pair in self.measured.values():
                for line in pair:
                    line.clear()
        self._list()

    def begin(self) -> None:
        """Begin to pick, or give it up."""
        if self.pointing.active:
            self.pointing.stop()
        elif self._length(self.amount.text()) is None:
            self.pick_button.setChecked(False)
        else:
            self.panel.show_before()
            self.pointing.begin(1)

    def clear(self) -> None:
        self.notes = []
        self._list()

    def make_next(self) -> None:
        """Make the revision that follows on these notes."""
        part = self.panel.part()
        if part is None or self.bench.project.made[-1] is not part:
            self.bench.said.emit("info", "The trial print is not what was made last.", "Make it again first.")
            return
        try:
            factors = self._factors()
            settings = making_tasks.asked_of(self.bench.project, part).settings
        except RejoinError as error:
            self.bench.say(error)
            return
        except ValueError as error:
            self.bench.said.emit("trouble", str(error), "Give both sizes of that line, the meant and the printed one.")
            return
        self.bench.work("Next revision", making_tasks.next_revision, settings=settings, notes=tuple(self.notes),
                        measured=factors)  # fmt: skip

    def _picked(self, hits: tuple[Hit, ...]) -> None:
        self.pointing.stop()
        length = self._length(self.amount.text())
        if length is not None and hits[0].fragment < 0:
            sign = float(self.sign.currentData())
            word = "tight" if sign < 0 else "loose"
            note = f"{self.bench.units.length(length)} {word} at the trial"
            name = f"face {len(self.notes) + 1}"
            self.notes.append(MakePick("fit", np.array(hits[0].point), sign * length, name, note))
            self._list()

    def _list(self) -> None:
        self.list.clear()
        self.list.addItems([f"{note.name}: {note.note}" for note in self.notes])
        self.list.fit()
        self.clear_button.setVisible(bool(self.notes))
        busy, whole = self.bench.jobs.busy, self.bench.project.whole
        self.pick_button.setEnabled(whole is not None and not busy)
        self.next_button.setEnabled(self.panel.part() is not None and not busy)

    def _factors(self) -> making_tasks.Factors:
        factors = []
        for axis, (meant, printed) in self.measured.items():
            if not meant.text().strip() and not printed.text().strip():
                factors.append(1.0)
                continue
            wanted, found = self._length(meant.text(), False), self._length(printed.text(), False)
            if not wanted or not found or not 0.9 < wanted / found < 1.1:
                raise ValueError(f"The sizes along {axis} are not those of one print.")
            factors.append(wanted / found)
        return factors[0], factors[1], factors[2]

    def _length(self, text: str, aloud: bool = True) -> float | None:
        """What was typed, mm; None where it is no length above zero."""
        from rejoin.core.dimensions.readings import parse_number

        try:
            number, unit, fraction = parse_number(text)
            length = number * UNITS[unit or ("inch" if fraction else self.bench.units.name)]
        except (ValueError, KeyError):
            length = 0.0
        if length > 0:
            return length
        if aloud:
            self.bench.said.emit("info", "By how much was not said.", "Type it first, such as 0.3, then pick the face.")
        return None
