"""Row 60: the selected dimension, what the caliper reads for it, the limits of the drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QFormLayout, QLineEdit, QVBoxLayout, QWidget

from rejoin.app.panels.grades import GradePart
from rejoin.app.panels.lines import lines_into
from rejoin.app.parts.forms import Fold
from rejoin.app.parts.typed import typed_line, with_unit
from rejoin.app.words import size_words
from rejoin.app.words.in_units import in_units
from rejoin.core.errors import RejoinError
from rejoin.core.records import DimensionCheck, Reading
from rejoin.core.settings import UNITS

if TYPE_CHECKING:
    from rejoin.app.panels.dimensions import DimensionsPanel

LABELS = {
    "value": "Caliper reads", "limit": "good to ±", "low": "Drawing: from", "high": "up to", "mating": "Goes with",
    "mating_limit": "which is good to ±", "fit_low": "Clearance: from", "fit_high": "clearance up to",
}  # fmt: skip
FIELDS = tuple(LABELS)
OF_FITS = ("mating", "mating_limit", "fit_low", "fit_high")


class ReadingPart(QWidget):
    """Name, reading, limit of the instrument and limits of the drawing, with the verdicts beneath."""

    def __init__(self, panel: DimensionsPanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        self.verdicts = QWidget()
        QVBoxLayout(self.verdicts).setContentsMargins(0, 0, 0, 0)
        self.name = self._line("How this dimension is called.", "")
        self.fields = {
            "value": self._line("What the caliper reads on the real part: 84.1, 84,1, 3 5/16 or 3.25 in.",
                                "such as 84.1"),
            "limit": self._line("How far the instrument may be off, plus or minus: it stands on it, or in its papers.",
                                "such as 0.05"),
            "low": self._line("The smallest size that the drawing allows.", "none"),
            "high": self._line("The largest size that the drawing allows.", "none"),
            "mating": self._line("The size of the pin that goes into this bore, or of the bore it goes into.", "none"),
            "mating_limit": self._line("How far that size may be off, plus or minus.", "none"),
            "fit_low": self._line("The smallest clearance that is allowed; below zero it is an interference.", "none"),
            "fit_high": self._line("The largest clearance that is allowed.", "none"),
        }  # fmt: skip
        form_holder = QWidget()
        form = QFormLayout(form_holder)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        form.addRow("Name", self.name)
        for field, words in LABELS.items():
            form.addRow(words, self.fields[field])
        self._form = form
        self.grade = GradePart(panel, ("Grade",), deviation=True)
        self.grade.filled.connect(self._graded)
        self.grade_fold = Fold("Limits by ISO 286 grade", self.grade)
        self.enter_button = panel.button("Enter", "Take what was typed and compare (Return does the same).", self.enter)
        self.remove_button = panel.button("Remove", "Take this dimension out.", panel.remove)
        box.addWidget(self.verdicts)
        box.addWidget(form_holder)
        box.addWidget(self.grade_fold)
        box.addWidget(panel.row(self.enter_button, self.remove_button))
        self._shown: Reading | None = None

    def show_one(self, reading: Reading | None, check: DimensionCheck | None) -> None:
        """Show a dimension, or nothing."""
        self.setVisible(reading is not None)
        if reading is None:
            self._shown = None
            return
        units = self.bench.units
        lines_into(self.verdicts, self.panel, size_words.check_lines(reading, check, units))
        self.verdicts.setToolTip("" if check is None else in_units(check.sentence, units).replace("+-", "±"))
        labels = {line: LABELS[field] for field, line in self.fields.items()}
        with_unit(self._form, labels, size_words.unit_shown(reading.kind, units))
        self.grade.set_units(units)
        written = reading.kind not in (*size_words.DEGREES, size_words.WEIGHT)
        if reading is not self._shown or written:
            self.name.setText(reading.name)
            for field, line in self.fields.items():
                line.setText(size_words.typed(reading.kind, getattr(reading, field), units))
        self._shown = reading
        for field in OF_FITS:
            self._form.setRowVisible(self.fields[field], reading.kind in ("bore", "shaft"))
        self.grade_fold.setVisible(reading.kind not in (*size_words.DEGREES, size_words.WEIGHT))
        for widget in (self.name, *self.fields.values(), self.enter_button, self.remove_button):
            widget.setEnabled(not self.bench.jobs.busy)

    def enter(self) -> None:
        """Take what was typed."""
        reading = self._shown
        if reading is None:
            return
        try:
            values, unit = self._typed(reading.kind)
        except ValueError as error:
            self.bench.said.emit("trouble", f"{str(error)[:1].upper()}{str(error)[1:]}.",
                                 "Type a number such as 84.1, 84,1 or 3 5/16, with or without mm or in.")  # fmt: skip
            return
        now = {field: getattr(reading, field) for field in FIELDS}
        if values["value"] is not None and values["limit"] is None:
            self.bench.said.emit("info", "How far the instrument may be off was not said.",
                                 "A workshop caliper is usually good to ± 0.03 to 0.05 mm.")  # fmt: skip
        name = self.name.text().strip() or reading.name
        if values != now or name != reading.name:
            self.panel.change("Type a reading", **values, unit=unit, name=name)

    def _graded(self, size_mm: float, deviation_mm: float, grades: tuple[int, ...]) -> None:
        """Put the limits of a grade into the fields: below the size for a shaft, else above it."""
        from rejoin.core.dimensions.mating import limits_of_grade

        reading = self._shown
        if reading is None:
            return
        try:
            limits = limits_of_grade(size_mm, grades[0], deviation_mm, reading.kind != "shaft")
        except RejoinError as error:
            self.bench.say(error)
            return
        for field, value in zip(("low", "high"), limits, strict=True):
            self.fields[field].setText(size_words.typed(reading.kind, value, self.bench.units))
        self.enter()

    def _typed(self, kind: str) -> tuple[dict[str, float | None], str]:
        """The numbers in mm, degrees or grams, and the unit in which the reading was written."""
        from rejoin.core.dimensions.readings import GRAMS, parse_number

        usual = size_words.unit_of(kind, self.bench.units)
        known = {"deg": 1.0} if kind in size_words.DEGREES else GRAMS if kind == size_words.WEIGHT else UNITS
        values: dict[str, float | None] = {}
        unit = usual
        for field, line in self.fields.items():
            text = line.text().strip()
            values[field] = None
            if text:
                number, own, fraction = parse_number(text.removeprefix("±"))
                its = own or ("inch" if fraction else usual)
                if its not in known:
                    raise ValueError(f"{its!r} is no unit for this")
                values[field] = self._kept(kind, field, text, number * known[its])
                unit = its if field == "value" else unit
        _checked(values)
        return values, unit

    def _kept(self, kind: str, field: str, text: str, value: float) -> float:
        """What was there before, where the field only shows it with fewer digits."""
        before = getattr(self._shown, field)
        return before if before is not None and text == size_words.typed(kind, before, self.bench.units) else value

    def _line(self, why: str, example: str) -> QLineEdit:
        line = typed_line(why, example)
        line.returnPressed.connect(self.enter)
        return line


def _checked(values: dict[str, float | None]) -> None:
    sizes = ("value", "limit", "mating", "mating_limit")
    if any(values[field] is not None and values[field] <= 0 for field in sizes):  # type: ignore[operator]
        raise ValueError("a size and its limit are above zero")
    for low, high in ((values["low"], values["high"]), (values["fit_low"], values["fit_high"])):
        if low is not None and high is not None and low > high:
            raise ValueError("the lower limit is above the upper one")
