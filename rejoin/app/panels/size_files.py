"""Row 60: the table of picks and readings, the drawing sheet, the whole squared up: read from files and written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QLocale
from PySide6.QtWidgets import QVBoxLayout, QWidget

from rejoin.app.bench.ask_files import job_name
from rejoin.app.parts.dialogs import WHOLES
from rejoin.app.work import sizing_tasks

if TYPE_CHECKING:
    from rejoin.app.panels.dimensions import DimensionsPanel

TABLES = {"Table of readings (*.csv)": ".csv"}
SHEETS = {"Sheet to print (*.pdf)": ".pdf", "Drawing (*.dxf)": ".dxf"}


class SizeFilesPart(QWidget):
    """A button for each file."""

    def __init__(self, panel: DimensionsPanel) -> None:
        super().__init__()
        self.panel, self.bench = panel, panel.bench
        box = QVBoxLayout(self)
        box.setContentsMargins(12, 0, 0, 0)
        self.open_button = panel.button("Open readings…", "Take picks and readings from a table.", self.open_table)
        self.save_button = panel.button("Save readings…", "Write picks and readings as a table.", self.save_table)
        self.sheet_button = panel.button("Drawing sheet…", "Sections at 1:1, hole table from the datums, set-up faces; "
                                         "as PDF or DXF.", self.save_sheet)  # fmt: skip
        self.squared_button = panel.button("Squared up…", "Save the whole turned so that it stands on its own datums.",
                                           self.save_squared)  # fmt: skip
        for button in (self.open_button, self.save_button, self.sheet_button, self.squared_button):
            box.addWidget(panel.row(button))

    def open_table(self) -> None:
        """Take picks and readings from a table."""
        panel = self.panel
        path = panel.ask_open(panel, self.bench, "Open a table of readings", "Tables (*.csv *.txt);;All files (*)")
        if path:
            self.bench.work("Open readings", sizing_tasks.open_table, path=path, settings=panel.settings())

    def save_table(self) -> None:
        """Write picks and readings as a table."""
        name, comma = f"{job_name(self.bench)}, readings.csv", QLocale().decimalPoint() == ","
        self.panel.save_as("Save the readings", name, TABLES, sizing_tasks.write_table, comma=comma)

    def save_sheet(self) -> None:
        """Write the drawing sheet."""
        job = job_name(self.bench)
        self.panel.save_as("Save the sheet", f"{job}, sheet.pdf", SHEETS, sizing_tasks.write_sheet, name=job)

    def save_squared(self) -> None:
        """Write the whole as it stands on its own datums."""
        name, unit = f"{job_name(self.bench)}, squared up.3mf", self.bench.units.name
        self.panel.save_as("Save squared up", name, WHOLES, sizing_tasks.write_squared, unit=unit)
