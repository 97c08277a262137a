"""Widths of the tolerance grades of ISO 286-1, filled in where limits can be typed."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QFormLayout, QVBoxLayout, QWidget

from rejoin.app.panels.base import Panel
from rejoin.app.parts.typed import length_mm, restated, typed_line, with_unit
from rejoin.app.words.sentences import Units
from rejoin.core.errors import RejoinError

GRADES = range(1, 19)


class GradePart(QWidget):
    """A nominal size, one grade or two, a deviation where it is wanted, and a button that fills the limits in.

    Attributes
    ----------
    filled : Signal(float, float, tuple)
        Nominal size and deviation in mm, and the chosen grades.
    """

    filled = Signal(float, float, object)

    def __init__(self, panel: Panel, grades: tuple[str, ...], deviation: bool) -> None:
        super().__init__()
        self.bench = panel.bench
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        holder = QWidget()
        form = QFormLayout(holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        self.nominal = typed_line("The nominal size, up to 500 mm.", "25")
        form.addRow("Nominal size", self.nominal)
        self.grades: list[QComboBox] = []
        for label in grades:
            combo = QComboBox()
            combo.addItem("–", 0)
            for grade in GRADES:
                combo.addItem(f"IT{grade}", grade)
            combo.setToolTip("The tolerance grade; the width of its zone follows from the size.")
            combo.setAccessibleName(label)
            self.grades.append(combo)
            form.addRow(label, combo)
        self.deviation = typed_line("How far the nearer limit is from the nominal size: 0 for H and h, else as the "
                                     "table of the standard says.", "0")  # fmt: skip
        if deviation:
            form.addRow("Deviation", self.deviation)
        self.button = panel.button("Fill in the limits", "Put the limits that follow into the fields above.", self.fill)
        box.addWidget(holder)
        box.addWidget(panel.row(self.button))
        self._form, self._units = form, self.bench.units
        self.set_units(self._units)

    def set_units(self, units: Units) -> None:
        """Show the lengths, and name their unit, as the reader has it."""
        for line in (self.nominal, self.deviation):
            restated(line, self._units, units)
        with_unit(self._form, {self.nominal: "Nominal size", self.deviation: "Deviation"}, units.short)
        self._units = units

    def fill(self) -> None:
        """Say what was chosen, or what is missing."""
        chosen = tuple(int(combo.currentData()) for combo in self.grades if combo.currentData())
        try:
            size = length_mm(self.nominal.text(), self.bench.units)
            deviation = length_mm(self.deviation.text(), self.bench.units) or 0.0
        except RejoinError as error:
            self.bench.say(error)
            return
        if size is None or not chosen:
            self.bench.said.emit("info", "A grade needs a nominal size.", "Type the size and choose a grade.")
            return
        self.filled.emit(size, deviation, chosen)
