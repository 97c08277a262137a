"""How the person wants the window to look: by lamp or by day, with larger or smaller letters."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QGuiApplication
from PySide6.QtWidgets import QApplication

from rejoin.app.parts import colours
from rejoin.app.parts.turns import later
from rejoin.app.parts.wrapped import Wrapped

if TYPE_CHECKING:
    from rejoin.app.window import Window


class Appearance:
    """The palette that was chosen, ``palette_name``, and the size of the letters, put on all of a window."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self.palette_name = str(window.bench.memory.value("palette", _system_palette()))
        self._usual_points = max(QApplication.font().pointSizeF(), 1.0)

    def set_colours(self, name: str, at_once: bool = True) -> None:
        """Switch between the light and the dark palette."""
        w = self.window
        self.palette_name = name
        w.bench.memory.setValue("palette", name)
        chosen = colours.LAMP if name == "dark" else colours.PAPER
        w.dress.wear(chosen, at_once)
        w.scene.set_palette(chosen)
        w.view.band.ink = QColor(chosen.accent)
        for bar in (w.bar, w.dimensions.maps.bar):
            bar.set_palette(chosen)

    def change_colours(self, name: str) -> None:
        """`set_colours` in several turns of the event loop: every widget is polished, laid out and drawn anew."""
        later(self.window, lambda: self.set_colours(name, at_once=False))

    def change_text(self, by: int) -> None:
        """Larger or smaller words everywhere."""
        app, w = QApplication.instance(), self.window
        assert isinstance(app, QApplication)
        font = app.font()
        font.setPointSizeF(min(max(font.pointSizeF() + by, 7.0), 24.0))
        app.setFont(font)
        w.scene.front.letters = max(font.pointSizeF() / self._usual_points, 1.0)
        w.scene.refresh()
        w.dress.wear(w.dress.palette, at_once=False, then=self._widen)

    def _widen(self) -> None:
        """Words have another size."""
        for words in self.window.findChildren(Wrapped):
            words.claim_later()
        self.window.card.fit_width()


def _system_palette() -> str:
    return "dark" if QGuiApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark else "light"
