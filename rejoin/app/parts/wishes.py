"""A form of some fields of a settings record, any of which may be left open; lengths in the reader's unit."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import Field, fields
from typing import Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QCheckBox, QComboBox, QFormLayout, QLineEdit, QWidget

from rejoin.app.words.sentences import Units
from rejoin.core.errors import WrongUse
from rejoin.core.settings import Settings

OPEN = "–"
Choices = Sequence[tuple[str, Any]]


class WishForm(QWidget):
    """Edits some fields of one settings record; an empty field is left open.

    Attributes
    ----------
    changed : Signal()
    """

    changed = Signal()

    def __init__(self, kind: type[Settings], labels: Mapping[str, str],
                 choices: Mapping[str, Choices] | None = None, margin: int = 0) -> None:  # fmt: skip
        super().__init__()
        self._fields: dict[str, Field[Any]] = {f.name: f for f in fields(kind) if f.name in labels}  # type: ignore[arg-type]
        self.editors: dict[str, QWidget] = {}
        self.units = Units()
        self._labels, self._exact = labels, dict[str, tuple[str, Any]]()
        layout = QFormLayout(self)
        layout.setContentsMargins(margin, 0, 0, 0)
        layout.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        for name, label in labels.items():
            field = self._fields[name]
            editor = self._editor(field, (choices or {}).get(name))
            meaning = str(field.metadata["meaning"])
            editor.setToolTip(meaning[0].upper() + meaning[1:] + ".")
            editor.setAccessibleName(meaning)
            self.editors[name] = editor
            layout.addRow(label, editor)
        self._show_defaults()

    def set_units(self, units: Units) -> None:
        """Show lengths in another unit."""
        if units != self.units:
            known = self.values()
            self.units = units
            self.show_values(known)

    def values(self) -> dict[str, Any]:
        """The fields as they stand, in mm.

        Raises
        ------
        WrongUse
            Where a field holds no number.
        """
        return {name: self._read(name) for name in self.editors}

    def show_values(self, values: Mapping[str, Any]) -> None:
        """Show what was asked for before."""
        for name, editor in self.editors.items():
            if name in values:
                editor.blockSignals(True)
                self._write(name, values[name])
                editor.blockSignals(False)

    def _show_defaults(self) -> None:
        self.show_values({name: field.default for name, field in self._fields.items()})

    def _editor(self, field: Field[Any], choices: Choices | None) -> QWidget:
        meta = field.metadata
        if isinstance(field.default, bool):
            box = QCheckBox()
            box.toggled.connect(self.changed)
            return box
        if choices is None and meta["choices"]:
            choices = [(str(one), one) for one in meta["choices"]]
        if choices is not None:
            combo = QComboBox()
            if field.default is None:
                combo.addItem(OPEN, None)
            for words, chosen in choices:
                combo.addItem(words, chosen)
            combo.setMinimumContentsLength(12)
            combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
            combo.currentIndexChanged.connect(self.changed)
            return combo
        line = QLineEdit()
        line.setMinimumWidth(60)
        line.editingFinished.connect(self.changed)
        return line

    def _read(self, name: str) -> Any:
        editor, field = self.editors[name], self._fields[name]
        if isinstance(editor, QCheckBox):
            return editor.isChecked()
        if isinstance(editor, QComboBox):
            return editor.currentData()
        assert isinstance(editor, QLineEdit)
        text = editor.text().strip()
        if text and self._exact.get(name, ("",))[0] == text:  # shown with fewer digits than it has
            return self._exact[name][1]
        if not text:
            return field.default if self._is_number(field) and field.default is not None else None
        if not self._is_number(field):
            return self._row(text, name) if field.metadata["unit"] == "mm" else _decimal(text)
        value = self._number(text, name)
        return int(value) if isinstance(field.default, int) else value

    def _write(self, name: str, value: Any) -> None:
        editor, field = self.editors[name], self._fields[name]
        if isinstance(editor, QCheckBox):
            editor.setChecked(bool(value))
        elif isinstance(editor, QComboBox):
            editor.setCurrentIndex(max(editor.findData(value), 0))
        elif isinstance(editor, QLineEdit):
            unit = str(field.metadata["unit"])
            editor.setPlaceholderText(self.units.short if unit == "mm" else unit)
            if value is None:
                editor.setText("")
            elif unit == "mm" and not self._is_number(field):
                editor.setText(" × ".join(self._shown(float(one)) for one in str(value).split(",")))
            elif self._is_number(field):
                shown = f"{self._shown(value)} {self.units.short}" if unit == "mm" else f"{value:.6g} {unit}"
                editor.setText(shown.strip())
            else:
                editor.setText(str(value))
            self._exact[name] = editor.text().strip(), value

    def _shown(self, mm: float) -> str:
        """A length as it is typed, no finer than a shop reads it; `_exact` keeps the rest."""
        return f"{mm / self.units.mm:.4f}".rstrip("0").rstrip(".")

    @staticmethod
    def _is_number(field: Field[Any]) -> bool:
        return field.metadata["low"] is not None

    def _number(self, text: str, name: str) -> float:
        """A number in mm, or in the field's own unit; inches and fractions of them are understood for lengths."""
        from rejoin.core.dimensions.readings import parse_number
        from rejoin.core.settings import UNITS

        unit = str(self._fields[name].metadata["unit"])
        plain = text.removesuffix(unit).strip() if unit and unit != "mm" else text
        try:
            value, its, fraction = parse_number(plain)
        except ValueError as error:
            raise WrongUse(f"{self._labels[name]}: {error}.", "Type a number, such as 12.5 or 1 3/8 in.") from None
        if unit != "mm":
            return value
        its = its or ("inch" if fraction else self.units.name)
        if its not in UNITS:
            raise WrongUse(f"{self._labels[name]}: {its!r} is no unit of length.", "Type mm or in.")
        return value * UNITS[its]

    def _row(self, text: str, name: str) -> str:
        """Lengths along x, y, z, in mm with commas between, as the settings want them."""
        parts = [one for one in re.split(r"[;x×*]|,(?!\d)|,\s", text.lower()) if one.strip()]
        if len(parts) == 1:
            parts = [one for one in text.split(",") if one.strip()]
        return ",".join(repr(self._number(one.strip(), name)) for one in parts)


def _decimal(text: str) -> str:
    """A text with a decimal comma, as the settings read it: with a point."""
    return text.replace(",", ".") if re.fullmatch(r"[-+]?\d+,\d+ *%?", text) else text
