"""Lengths as a person types them: 84.1, 84,1, 3 5/16, 3.25 in."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from threading import Thread

from PySide6.QtWidgets import QFormLayout, QLabel, QLineEdit

from rejoin.app.words.sentences import Units
from rejoin.app.words.size_words import typed
from rejoin.core.errors import WrongUse
from rejoin.core.settings import UNITS


@cache
def prepare() -> None:
    """Load what reads numbers in the background: it takes long enough to be felt at the first key."""
    Thread(target=import_module, args=("rejoin.core.dimensions.readings",), daemon=True).start()


def typed_line(why: str, example: str = "") -> QLineEdit:
    """A line to type into."""
    line = QLineEdit()
    line.setToolTip(why)
    line.setAccessibleName(why)
    line.setPlaceholderText(example)
    line.setMinimumWidth(60)
    return line


def length_mm(text: str, units: Units) -> float | None:
    """The length in mm, None where nothing was typed; without a unit it is in the reader's.

    Raises
    ------
    WrongUse
        Where it is no length.
    """
    from rejoin.core.dimensions.readings import parse_number

    text = text.strip()
    if not text:
        return None
    try:
        number, unit, fraction = parse_number(text)
        return number * UNITS[unit or ("inch" if fraction else units.name)]
    except (ValueError, KeyError):
        raise WrongUse(f"{text!r} is no length.", "Type a number such as 25.4 or 1 in.") from None


def with_unit(form: QFormLayout, labels: Mapping[QLineEdit, str], unit: str) -> None:
    """Name the unit in which each line of a form is read."""
    for line, words in labels.items():
        label = form.labelForField(line)
        if isinstance(label, QLabel):
            label.setText(f"{words}, {unit}")


def restated(line: QLineEdit, before: Units, now: Units) -> None:
    """Show the length in a line in another unit; what is no length stays as it was typed."""
    try:
        length = length_mm(line.text(), before)
    except WrongUse:
        return
    if length is not None:
        line.setText(typed("points", length, now))
