"""Row 10 while the bench is empty: the samples, each with its picture, its story and its readings."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QPixmap
from PySide6.QtWidgets import QFrame, QGridLayout, QLabel, QVBoxLayout, QWidget

from rejoin.app.bench.bench import Bench
from rejoin.app.panels.base import Panel
from rejoin.app.words.sentences import sample_title
from rejoin.core.errors import RejoinError
from rejoin.core.samples import picture_of, readings_of, sample_about, sample_names

LINES = 6
"""Width of a picture, in lines of text."""


class Shelf(QWidget):
    """The samples to choose from."""

    def __init__(self, panel: Panel, open_sample: Callable[[str], object]) -> None:
        super().__init__()
        self.panel, self.bench, self.open_sample = panel, panel.bench, open_sample
        self.buttons: dict[str, QWidget] = {}
        self.box = QVBoxLayout(self)
        self.box.setContentsMargins(0, 6, 0, 0)
        self.box.setSpacing(10)
        try:
            names = sample_names()
        except RejoinError:  # an installation without samples: the button says so
            names = ()
        if names:
            title = QLabel("Samples to try it on")
            title.setObjectName("opTitle")
            self.box.addWidget(title)
        self.told: dict[str, QLabel] = {}
        for name in names:
            self.box.addWidget(self._one(name))
        self.bench.units_changed.connect(self._readings)
        self._readings()

    def _one(self, name: str) -> QWidget:
        holder = QFrame()
        grid = QGridLayout(holder)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(4)
        picture = QLabel()
        wide = LINES * self.fontMetrics().height()
        ratio = self.devicePixelRatioF()
        pixmap = QPixmap(str(picture_of(name)))
        if not pixmap.isNull():
            pixmap = pixmap.scaledToWidth(int(wide * ratio), Qt.TransformationMode.SmoothTransformation)
            pixmap.setDevicePixelRatio(ratio)
        picture.setPixmap(pixmap)
        picture.setFixedWidth(wide)
        picture.setAccessibleName(f"Picture of the sample {sample_title(name)}")
        self.told[name] = self.panel.text(name="faded")
        button = self.panel.button(f"Open {sample_title(name).lower()}", "Put this sample on the bench.",
                                   lambda: self.open_sample(name))  # fmt: skip
        self.buttons[name] = button
        grid.addWidget(picture, 0, 0, 3, 1, Qt.AlignmentFlag.AlignTop)
        grid.addWidget(self.panel.text(_about(name)), 0, 1)
        grid.addWidget(self.told[name], 1, 1)
        grid.addWidget(self.panel.row(button), 2, 1)
        grid.setColumnStretch(1, 1)
        return holder

    def _readings(self) -> None:
        for name, label in self.told.items():
            label.setText(readings_line(name, self.bench))


def readings_line(name: str, bench: Bench) -> str:
    """The caliper readings of a sample, and that its answer is known."""
    try:
        readings = readings_of(name)
    except (RejoinError, OSError, KeyError, ValueError):
        return ""
    units = bench.units
    places = 4 if units.name == "inch" else 2
    told = "; ".join(
        f"{what} {value / units.mm:.{places}f} ± {limit / units.mm:.{places}f} {units.short}"
        for what, value, limit in readings
    )
    return f"By caliper: {told}. The true answer is known."


def _about(name: str) -> str:
    try:
        return sample_about(name)
    except (RejoinError, OSError):
        return sample_title(name)
