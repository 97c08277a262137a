"""Row 60: features that no scan could measure well, put into the whole by number."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QComboBox, QFormLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from rejoin.app.mouse.pointing import Pointing
from rejoin.app.panels.lines import line_box, lines_into
from rejoin.app.view.picking import Hit
from rejoin.app.words.in_units import in_units
from rejoin.app.work import sizing_tasks
from rejoin.core.records import Project
from rejoin.core.settings import UNITS

if TYPE_CHECKING:
    from rejoin.app.panels.dimensions import DimensionsPanel

KINDS = (("Bore, to a diameter", "bore"), ("Boss or pin, to a diameter", "boss"), ("Face, moved outwards", "plane"))


class ByNumberPart(QWidget):
    """A kind, a size, and a click on the feature."""

    def __init__(self, panel: DimensionsPanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        self.pointing = Pointing(panel.tools, "by number")
        self.pointing.picked.connect(self._picked)
        self.pointing.changed.connect(lambda: self.pick_button.setChecked(self.pointing.active))
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.kind = QComboBox()
        for words, name in KINDS:
            self.kind.addItem(words, name)
        self.kind.setToolTip("What is put in.")
        self.size, self.depth, self.note = QLineEdit(), QLineEdit(), QLineEdit()
        for line, why, example in (
            (self.size, "The nominal diameter, or how far the face is moved out of the material.", "25.4, or 1 in"),
            (self.depth, "Depth of the bore from its open end; empty leaves it as it is.", "as it is"),
            (self.note, "Told on every output, such as the thread to be cut.", "none"),
        ):  # fmt: skip
            line.setToolTip(why)
            line.setPlaceholderText(example)
            line.setMinimumWidth(60)
        holder = QWidget()
        form = QFormLayout(holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        for label, widget in (("What", self.kind), ("Size", self.size), ("Depth", self.depth), ("Note", self.note)):
            form.addRow(label, widget)
        self.pick_button: QPushButton = panel.button(
            "Pick it…", "Click on the worn feature of the whole; the number above replaces what was scanned there.",
            self.begin)  # fmt: skip
        self.pick_button.setCheckable(True)
        self.done = line_box()
        box.addWidget(panel.text("For what is worn or could not be scanned. It is marked “by number” on every output.",
                                 "faded"))  # fmt: skip
        box.addWidget(holder)
        box.addWidget(panel.row(self.pick_button))
        box.addWidget(self.done)

    def show_project(self, project: Project) -> None:
        self.pick_button.setEnabled(project.whole is not None and not self.bench.jobs.busy)
        features = () if project.whole is None else project.whole.by_number
        lines_into(self.done, self.panel, [("", f"· {in_units(one.sentence, self.bench.units)}") for one in features])

    def begin(self) -> None:
        """Begin to pick, or give it up."""
        if self.pointing.active:
            self.pointing.stop()
            return
        if self._sizes() is None:
            self.pick_button.setChecked(False)
            return
        self.panel.on.setCurrentIndex(0)
        self.pointing.begin(1)

    def _picked(self, hits: tuple[Hit, ...]) -> None:
        self.pointing.stop()
        sizes = self._sizes()
        if sizes is not None and hits[0].fragment < 0:
            point = tuple(float(one) for one in hits[0].point)
            self.bench.work("Put in by number", sizing_tasks.restore, kind=self.kind.currentData(), pick_mm=point,
                            size_mm=sizes[0], depth_mm=sizes[1], note=self.note.text().strip())  # fmt: skip

    def _sizes(self) -> tuple[float, float | None] | None:
        """Size and depth in mm; None where no number was typed, which is then said."""
        from rejoin.core.dimensions.readings import parse_number

        values: list[float | None] = []
        for line in (self.size, self.depth):
            text = line.text().strip()
            if not text:
                values.append(None)
                continue
            try:
                number, unit, fraction = parse_number(text)
                values.append(number * UNITS[unit or ("inch" if fraction else self.bench.units.name)])
            except (ValueError, KeyError):
                self.bench.said.emit("trouble", f"{text!r} is no length.", "Type a number such as 25.4 or 1 in.")
                return None
        if values[0] is None:
            self.bench.said.emit("info", "The size was not typed yet.", "Type it first, then pick the feature.")
            return None
        return values[0], values[1]
