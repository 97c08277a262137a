"""The few questions that the window asks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QLabel,
    QMessageBox,
    QRadioButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from rejoin.app.words.sentences import Units

SCANS = "Scans (*.ply *.stl *.obj *.3mf *.off *.glb *.gltf *.xyz *.asc *.pts);;All files (*)"
WHOLES = {"3MF (*.3mf)": ".3mf", "STL (*.stl)": ".stl", "PLY (*.ply)": ".ply", "OBJ (*.obj)": ".obj"}
PROJECTS = "Job (*.rejoin)"


class UnitDialog(QDialog):
    """In which unit are files that do not say?"""

    def __init__(self, question: str, readings: tuple[tuple[str, str], ...], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Which unit?")
        box = QVBoxLayout(self)
        label = QLabel(question)
        label.setWordWrap(True)
        box.addWidget(label)
        self.buttons = {}
        for unit, words in readings:
            self.buttons[unit] = QRadioButton(words)
            box.addWidget(self.buttons[unit])
        next(iter(self.buttons.values())).setChecked(True)
        answer = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        answer.accepted.connect(self.accept)
        answer.rejected.connect(self.reject)
        box.addWidget(answer)

    def unit(self) -> str:
        return next(unit for unit, button in self.buttons.items() if button.isChecked())


def ask_unit(parent: QWidget) -> Callable[[str, tuple[tuple[str, str], ...]], str | None]:
    """A question asker for `Bench.ask_unit`."""

    def ask(question: str, readings: tuple[tuple[str, str], ...]) -> str | None:
        dialog = UnitDialog(question, readings, parent)
        return dialog.unit() if dialog.exec() == QDialog.DialogCode.Accepted else None

    return ask


class CautionDialog(QDialog):
    """Words that may be longer than the screen is high."""

    def __init__(self, words: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Cautions")
        self.words = QLabel(words)
        self.words.setWordWrap(True)
        self.words.setContentsMargins(6, 6, 12, 6)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(self.words)
        answer = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok)
        answer.accepted.connect(self.accept)
        box = QVBoxLayout(self)
        box.addWidget(scroll)
        box.addWidget(answer)
        wide = 72 * self.fontMetrics().averageCharWidth()
        high = self.words.heightForWidth(wide) + answer.sizeHint().height() + 70
        self.resize(QSize(wide + 60, high).boundedTo(QGuiApplication.primaryScreen().availableSize() * 0.9))

    def text(self) -> str:
        return self.words.text()


class SizeDialog(QDialog):
    """How far apart are two picked points?"""

    def __init__(
        self, units: Units, between_mm: float | None, parent: QWidget | None = None,
        between: str = "the two points", more: str = "",
    ) -> None:  # fmt: skip
        super().__init__(parent)
        self.units = units
        self.setWindowTitle("A known size")
        places = 4 if units.name == "inch" else 3
        self.value = QDoubleSpinBox(decimals=places, minimum=0.0, maximum=100_000.0, suffix=f" {units.short}")
        self.value.setSpecialValueText("type it")  # what the scans say themselves, taken over, would prove nothing
        self.limit = QDoubleSpinBox(decimals=places, minimum=0.0001, maximum=1000.0, suffix=f" {units.short}")
        self.limit.setValue(0.1 / units.mm)
        self.value.setToolTip(f"What the drawing, a twin part or the caliper says between {between}.")
        self.limit.setToolTip("Half the width of its tolerance: the size is this, give or take so much.")
        form = QFormLayout(self)
        now = "" if between_mm is None else f" They are {units.length(between_mm)} apart now."
        words = QLabel(f"The distance between {between}.{now} {more}".strip())
        words.setWordWrap(True)
        form.addRow(words)
        form.addRow("Known size", self.value)
        form.addRow("Give or take", self.limit)
        answer = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        answer.accepted.connect(self.accept)
        answer.rejected.connect(self.reject)
        form.addRow(answer)
        self.agree = answer.button(QDialogButtonBox.StandardButton.Ok)
        self.agree.setToolTip("Type the known size first.")
        self.value.valueChanged.connect(lambda value: self.agree.setEnabled(value > 0.0))
        self.agree.setEnabled(False)
        self.value.setFocus()
        self.value.selectAll()


def ask_size(
    parent: QWidget, units: Units, between_mm: float | None, between: str = "the two points", more: str = ""
) -> tuple[float, float] | None:
    """Size and limit in mm, or None."""
    dialog = SizeDialog(units, between_mm, parent.window(), between, more)
    if dialog.exec() != QDialog.DialogCode.Accepted:
        return None
    return dialog.value.value() * units.mm, dialog.limit.value() * units.mm


def ask_scans(parent: QWidget, folder: str) -> list[str]:
    return QFileDialog.getOpenFileNames(parent, "Open scans", folder, SCANS)[0]


def ask_folder(parent: QWidget, folder: str) -> str:
    return QFileDialog.getExistingDirectory(parent, "Folder with the scan of one fragment", folder)


def ask_project(parent: QWidget, folder: str) -> str:
    return QFileDialog.getOpenFileName(parent, "Open project", folder, PROJECTS)[0]


def ask_save_project(parent: QWidget, folder: str) -> str:
    path = QFileDialog.getSaveFileName(parent, "Save project", folder, PROJECTS)[0]
    return path if not path or Path(path).suffix == ".rejoin" else path + ".rejoin"


def ask_save_whole(parent: QWidget, folder: str) -> str:
    path, kind = QFileDialog.getSaveFileName(parent, "Save the whole", folder, ";;".join(WHOLES))
    if path and Path(path).suffix.lower() not in WHOLES.values():
        path += WHOLES.get(kind, ".3mf")
    return path


def ask_keep(parent: QWidget) -> str:
    """Before work is lost: "save", "discard" or "stay"."""
    words = "This job has changes that are not saved."
    box = QMessageBox(QMessageBox.Icon.Question, "Save first?", words, parent=parent)
    save = box.addButton("Save", QMessageBox.ButtonRole.AcceptRole)
    discard = box.addButton("Discard", QMessageBox.ButtonRole.DestructiveRole)
    box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
    box.exec()
    return "save" if box.clickedButton() is save else "discard" if box.clickedButton() is discard else "stay"


def ask_stop(parent: QWidget, title: str) -> bool:
    """Before running work is broken off by closing."""
    words = f"{title} is still running. What it has done so far would be lost."
    box = QMessageBox(QMessageBox.Icon.Question, "Stop and close?", words, parent=parent)
    stop = box.addButton("Stop and close", QMessageBox.ButtonRole.DestructiveRole)
    stay = box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
    box.setDefaultButton(stay)  # Return loses nothing
    box.setEscapeButton(stay)
    box.exec()
    return box.clickedButton() is stop


def ask_picture(parent: QWidget, folder: str) -> str:
    path = QFileDialog.getSaveFileName(parent, "Save a picture of the view", folder, "PNG (*.png)")[0]
    return path if not path or Path(path).suffix.lower() == ".png" else path + ".png"


def ask_recover(parent: QWidget) -> str:
    """What becomes of work that a run left behind: "take", "drop" or "later"."""
    words = "The last run did not end properly. Its last finished step was kept."
    box = QMessageBox(QMessageBox.Icon.Question, "Unsaved work", words, parent=parent)
    take = box.addButton("Go on with it", QMessageBox.ButtonRole.AcceptRole)
    drop = box.addButton("Throw it away", QMessageBox.ButtonRole.DestructiveRole)
    later = box.addButton("Ask again later", QMessageBox.ButtonRole.RejectRole)
    box.setEscapeButton(later)
    box.exec()
    return "take" if box.clickedButton() is take else "drop" if box.clickedButton() is drop else "later"
