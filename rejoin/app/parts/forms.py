"""A form made from a settings record: one line a field, its meaning as the tooltip, lengths in the reader's unit."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QSpinBox,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rejoin.app.words.sentences import Units
from rejoin.core.settings import Settings


class Form(QWidget):
    """Edits one settings record.

    Attributes
    ----------
    changed : Signal(Settings)
    """

    changed = Signal(object)

    def __init__(self, kind: type[Settings], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._kind = kind
        self._read: dict[str, Any] = {}
        self.units = Units()
        self._lengths: dict[str, tuple[QDoubleSpinBox, Any]] = {}
        self._exact: dict[str, tuple[float, float]] = {}
        layout = QFormLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        for item in fields(kind):  # type: ignore[arg-type]
            editor = self._editor(item.name, item.default, item.metadata)
            meaning = str(item.metadata["meaning"])
            editor.setToolTip(meaning[0].upper() + meaning[1:] + ".")
            editor.setAccessibleName(meaning)
            layout.addRow(item.name.replace("_mm", "").replace("_", " ").capitalize(), editor)

    def value(self) -> Settings:
        """The settings as they stand in the form."""
        return self._kind(**{name: read() for name, read in self._read.items()})

    def set_units(self, units: Units) -> None:
        """Show lengths in another unit."""
        if units == self.units:
            return
        known = {name: self._read[name]() for name in self._lengths}
        self.units = units
        for name, value in known.items():
            self._show_length(name, value)

    def _show_length(self, name: str, value_mm: float) -> None:
        spin, meta = self._lengths[name]
        mm = self.units.mm
        spin.blockSignals(True)
        spin.setDecimals(4 if mm > 1.0 else 3 if meta["high"] is not None and meta["high"] <= 20.0 else 2)
        spin.setRange((meta["low"] or 0) / mm, (meta["high"] if meta["high"] is not None else 10_000) / mm)
        spin.setSingleStep(0.1 if mm == 1.0 else 0.005)
        spin.setSuffix(f" {self.units.short}")
        spin.setValue(value_mm / mm)
        self._exact[name] = spin.value(), value_mm
        spin.blockSignals(False)

    def _length(self, name: str) -> float:
        """In mm; what is only shown with fewer digits stays what it was."""
        shown, exact = self._exact[name]
        value = self._lengths[name][0].value()
        return exact if value == shown else value * self.units.mm

    def _editor(self, name: str, default: Any, meta: Any) -> QWidget:
        if isinstance(default, bool):
            box = QCheckBox()
            box.setChecked(default)
            box.toggled.connect(self._tell)
            self._read[name] = box.isChecked
            return box
        if meta["choices"]:
            combo = QComboBox()
            combo.addItems([str(c) for c in meta["choices"]])
            combo.setCurrentText(str(default))
            combo.currentTextChanged.connect(self._tell)
            self._read[name] = combo.currentText
            return combo
        spin: QSpinBox | QDoubleSpinBox
        if isinstance(default, int):
            spin = QSpinBox()
        else:
            spin = QDoubleSpinBox()
            spin.setDecimals(3 if default < 0.1 else 2)
            spin.setSingleStep(max(default / 10, 0.001))
        spin.setRange(meta["low"] or 0, meta["high"] if meta["high"] is not None else 10_000)
        spin.setValue(default)
        spin.setSuffix(f" {meta['unit']}" if meta["unit"] else "")
        spin.setKeyboardTracking(False)
        spin.valueChanged.connect(self._tell)
        self._read[name] = spin.value
        if meta["unit"] == "mm" and isinstance(spin, QDoubleSpinBox):
            self._lengths[name] = spin, meta
            self._read[name] = lambda: self._length(name)
            self._show_length(name, default)
        return spin

    def _tell(self) -> None:
        self.changed.emit(self.value())


class Fold(QWidget):
    """Something folded away under a line that opens it."""

    def __init__(self, title: str, content: QWidget, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.button = QToolButton(checkable=True, text=title, autoRaise=True)
        self.button.setObjectName("fold")
        self.button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.button.setArrowType(Qt.ArrowType.RightArrow)
        self.content = content
        content.setVisible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.button)
        layout.addWidget(content)
        self.button.toggled.connect(self._turn)

    def _turn(self, opened: bool) -> None:
        self.button.setArrowType(Qt.ArrowType.DownArrow if opened else Qt.ArrowType.RightArrow)
        self.content.setVisible(opened)
