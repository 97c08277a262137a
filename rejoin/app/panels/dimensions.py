"""60 Dimensions: pick sizes in the view, type what the caliper reads, see whether they agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QTreeWidgetItem, QVBoxLayout, QWidget

from rejoin.app.bench.bench import Bench
from rejoin.app.mouse.pointing import Pointing
from rejoin.app.mouse.tools import Tools
from rejoin.app.panels.base import Panel
from rejoin.app.panels.by_number import ByNumberPart
from rejoin.app.panels.comparing import MatingPart, MendedPart
from rejoin.app.panels.cutting import CuttingPart
from rejoin.app.panels.fit_up import FitUpPart
from rejoin.app.panels.reading import ReadingPart
from rejoin.app.panels.size_files import SizeFilesPart
from rejoin.app.parts.fitted import dimension_table
from rejoin.app.parts.forms import Fold
from rejoin.app.parts.typed import prepare
from rejoin.app.parts.wishes import WishForm
from rejoin.app.view.dimension_lines import DimensionLines
from rejoin.app.view.picking import Hit
from rejoin.app.view.scene import Scene
from rejoin.app.view.surface_map import MapView
from rejoin.app.words import size_words
from rejoin.app.work import sizing_tasks
from rejoin.core import edits
from rejoin.core.errors import RejoinError
from rejoin.core.records import DimensionCheck, Project, Reading
from rejoin.core.settings import DimensionSettings

LABELS = {
    "metal": "Metal of the part", "part_temperature_c": "Part's temperature, °C",
    "instrument_temperature_c": "Instrument's, °C", "pick_reach": "Reach of a pick",
}  # fmt: skip


PICK = "Pick a dimension"


class DimensionsPanel(Panel):
    number, title, mode = 60, "Dimensions", "dimensions"
    beside_changed = Signal()
    follows = (PICK, "Open readings")

    def __init__(self, bench: Bench, scene: Scene, tools: Tools) -> None:
        super().__init__(bench, scene, tools)
        self.lines, self._count = DimensionLines(scene), 0
        self.pointing = Pointing(tools, "dimension")
        self.pointing.picked.connect(self._picked)
        self.pointing.changed.connect(self._hint)
        self.kind = QComboBox()
        for name, words in size_words.KINDS.items():
            self.kind.addItem(words, name)
        self.kind.setToolTip("What is to be measured.")
        self.kind.setAccessibleName("What is to be measured")
        self.kind.currentIndexChanged.connect(lambda _: self.pointing.stop())
        self.pick_button = self.button(
            "Measure…", "Click on the part in the view; the face or bore around the click is found by itself.",
            self.begin, main=True)  # fmt: skip
        self.pick_button.setCheckable(True)
        self.on = QComboBox()
        self.on.addItems(["on the whole", "on the fragments"])
        self.on.setToolTip("Whether to pick on the fused whole or on the fragments as they were scanned.")
        self.on.setAccessibleName("Picked on")
        self.on.currentIndexChanged.connect(self._on)
        self.hint = self.text(name="faded")
        self.table = dimension_table()
        self.table.currentItemChanged.connect(lambda now, before: self._selected())
        self.reading = ReadingPart(self)
        self.scales = QWidget()
        QVBoxLayout(self.scales).setContentsMargins(0, 0, 0, 0)
        self.files = SizeFilesPart(self)
        self.fit_up, self.by_number, self.cutting = FitUpPart(self), ByNumberPart(self), CuttingPart(self)
        self.form = WishForm(DimensionSettings, LABELS, margin=12)
        self.form.changed.connect(self._wished)
        self.box.addWidget(self.row(self.kind))
        self.box.addWidget(self.row(self.on, self.pick_button))
        self.box.addWidget(self.hint)
        self.box.addWidget(self.table)
        self.box.addWidget(self.reading)
        self.box.addWidget(self.scales)
        self.box.addWidget(Fold("Readings, drawing sheet", self.files))
        self.box.addWidget(Fold("Section through the whole", self.cutting))
        self.maps = MapView(scene)
        self.maps.changed.connect(self.beside_changed)
        self.maps.pointed.connect(tools.pointed)
        self.mating, self.mended = MatingPart(self, self.maps), MendedPart(self, self.maps)
        self.box.addWidget(self.mating.fold)
        self.box.addWidget(Fold("Fit-up before welding", self.fit_up))
        self.box.addWidget(self.mended.fold)
        self.box.addWidget(Fold("Put in by number", self.by_number))
        self.box.addWidget(Fold("Settings", self.form))
        self._hint()

    # what the job card asks

    def words(self, project: Project) -> str:
        return size_words.state(project, self.bench.units)

    def go_on(self, title: str) -> str:
        return "Type what the caliper reads for it, or measure more." if title == PICK else ""

    def fell_short(self, title: str) -> tuple[str, str] | None:
        checks = self.bench.project.checks
        if title != PICK or not checks or checks[-1].value is not None:
            return None
        return "Nothing was measured.", checks[-1].sentence

    def is_done(self, project: Project) -> bool:
        return size_words.complete(project)

    def show_project(self, project: Project) -> None:
        units = self.bench.units
        row, count = self.chosen(), len(project.readings)
        row = count - 1 if row is None or row >= count or count > self._count else row
        self._count = count
        self.table.blockSignals(True)
        self.table.clear()
        for number, reading in enumerate(project.readings):
            check = self.check(number)
            self.table.addTopLevelItem(QTreeWidgetItem([
                f"{number + 1}  {reading.name}", size_words.short(check, units), size_words.read(reading, units),
                size_words.mark(check),
            ]))  # fmt: skip
        if row >= 0:
            self.table.setCurrentItem(self.table.topLevelItem(row))
        self.table.blockSignals(False)
        self.table.fit()
        self.on.setVisible(project.whole is not None and bool(project.fragments))
        self.pick_button.setEnabled(bool(project.fragments) or project.whole is not None)
        self._show_scales(project)
        self.form.set_units(units)
        self.fit_up.show_project(project)
        self.by_number.show_project(project)
        for part in (self.cutting, self.mating, self.mended):
            part.show_project(project)
        self._selected()

    def unfolded(self) -> None:
        super().unfolded()
        prepare()
        self._hint()

    def beside(self) -> QWidget | None:
        return self.maps.bar if self.maps.active() else super().beside()

    # picking

    def begin(self) -> None:
        """Begin to pick, or give it up."""
        kind = self.kind.currentData()
        if self.pointing.active:
            self.pointing.stop()
        elif kind == size_words.WEIGHT:
            self._add(Reading("weight", kind, np.empty((0, 3)), ()))
        else:
            self.pointing.begin(len(size_words.ASKED[kind]))

    def _picked(self, hits: tuple[Hit, ...]) -> None:
        self.pointing.stop()
        kind = self.kind.currentData()
        picks = np.array([hit.point for hit in hits])
        self._add(Reading(self._free_name(kind), kind, picks, tuple(hit.fragment for hit in hits)))

    def _add(self, reading: Reading) -> None:
        self.measure(PICK, lambda p: edits.add_reading(p, reading))

    def _free_name(self, kind: str) -> str:
        taken = {one.name for one in self.bench.project.readings}
        return next(name for n in range(1, len(taken) + 2) if (name := f"{kind} {n}") not in taken)

    def _hint(self) -> None:
        kind, asked = self.kind.currentData(), size_words.ASKED[self.kind.currentData()]
        self.pick_button.setChecked(self.pointing.active)
        if self.pointing.active:
            self.hint.setText(f"Click {asked[min(len(self.pointing.hits), len(asked) - 1)]}.")
        elif kind == size_words.WEIGHT:
            self.hint.setText("The weight follows from the volume and the metal; give the metal under Settings.")
        else:
            self.hint.setText("Choose what to measure, then click on the part. Type what the caliper reads beside it.")

    def _on(self) -> None:
        self.scene.sizes_on_whole = self.on.currentIndex() == 0
        self.pointing.stop()
        self.scene.refresh()

    # what was measured

    def chosen(self) -> int | None:
        """Number of the selected dimension."""
        row = self.table.indexOfTopLevelItem(self.table.currentItem()) if self.table.currentItem() else -1
        return row if 0 <= row < len(self.bench.project.readings) else None

    def check(self, number: int) -> DimensionCheck | None:
        """How a dimension came out, if it was measured."""
        checks = self.bench.project.checks
        return checks[number] if len(checks) == len(self.bench.project.readings) else None

    def measure(self, title: str, edit: Callable[[Project], Project] | None = None, fit_up: bool = False) -> bool:
        """Do an edit and measure what it changed, as one step; the fit-up stands unless it is asked for."""
        return self.bench.work(title, sizing_tasks.check, edit, settings=self.settings(), fit_up=fit_up)

    def settings(self) -> DimensionSettings | None:
        """What the form asks for."""
        found = self.bench.settings.get("check_dimensions")
        return found if isinstance(found, DimensionSettings) else None

    def change(self, title: str, **values: object) -> None:
        """Give the selected dimension other values and measure again."""
        row = self.chosen()
        if row is not None:
            changed = replace(self.bench.project.readings[row], **values)  # type: ignore[arg-type]
            self.measure(title, lambda p: edits.change_reading(p, row, changed))

    def remove(self) -> None:
        """Take the selected dimension out."""
        row = self.chosen()
        if row is None:
            self.bench.said.emit("info", "No dimension is selected.", "Click on one in the table of row 60 first.")
        elif len(self.bench.project.readings) == 1:
            self.bench.edit("Remove a dimension", lambda p: edits.remove_reading(p, row))
        else:
            self.measure("Remove a dimension", lambda p: edits.remove_reading(p, row))

    def check_again(self) -> None:
        """Measure every dimension again, and the fit-up."""
        self.measure("Check the dimensions", fit_up=True)

    def _selected(self) -> None:
        row = self.chosen()
        self.lines.chosen = -1 if row is None else row
        self.reading.show_one(None if row is None else self.bench.project.readings[row],
                              None if row is None else self.check(row))  # fmt: skip
        self.lines.show()

    def _show_scales(self, project: Project) -> None:
        layout = self.scales.layout()
        while layout.count():
            layout.takeAt(0).widget().deleteLater()
        for scale in project.scales:
            look, words = size_words.scale_line(scale)
            layout.addWidget(self.text(words, look))
            if scale.state == "off" and scale.factor is not None:
                layout.addWidget(self.row(self.button(
                    "Correct this scale", "Multiply the scan by what the readings say. The fragments are then joined "
                    "and fused again; one undo takes it back.", lambda on=scale.on: self._correct(on))))  # fmt: skip
        self.scales.setVisible(bool(project.scales))

    def _correct(self, on: int) -> None:
        settings = self.bench.settings.get("clean")
        self.bench.work("Correct the scale", sizing_tasks.correct_scale, on=on, settings=settings)

    def _wished(self) -> None:
        try:
            self.bench.settings["check_dimensions"] = DimensionSettings(**self.form.values())
        except RejoinError as error:
            self.bench.say(error)
            return
        if self.bench.project.readings and not self.bench.jobs.busy:
            self.check_again()
