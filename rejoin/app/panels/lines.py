"""Lines of words, each with its look, in a panel of the job card."""

from __future__ import annotations

from collections.abc import Iterable

from PySide6.QtWidgets import QVBoxLayout, QWidget

from rejoin.app.panels.base import Panel


def line_box() -> QWidget:
    """A widget to be filled by `lines_into`."""
    box = QWidget()
    layout = QVBoxLayout(box)
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setSpacing(3)
    return box


def lines_into(box: QWidget, panel: Panel, lines: Iterable[tuple[str, str]]) -> None:
    """Show these lines (look, words) instead of those before."""
    layout = box.layout()
    while layout.count():
        layout.takeAt(0).widget().deleteLater()
    for look, words in lines:
        layout.addWidget(panel.text(words, look))
    box.setVisible(layout.count() > 0)
