"""What stands beside the view: a colour bar, a curve, or nothing."""

from __future__ import annotations

from PySide6.QtWidgets import QHBoxLayout, QWidget

from rejoin.app.in_sight import InSight
from rejoin.app.view.widget import View


class Beside(QHBoxLayout):
    """The view, and at its right what was wanted last."""

    def __init__(self, view: View, in_sight: InSight) -> None:
        super().__init__()
        self.setSpacing(0)
        self.addWidget(view, 1)
        self._in_sight = in_sight

    def show_only(self, wanted: QWidget | None) -> None:
        """Show this beside the view, and nothing else."""
        if wanted is not None and self.indexOf(wanted) < 0:
            self.addWidget(wanted)
        changes = [widget for widget in (self.itemAt(place).widget() for place in range(1, self.count()))
                   if widget.isHidden() == (widget is wanted)]  # fmt: skip
        whole = bool(changes) and self._in_sight.sees_all()
        for widget in changes:
            widget.setVisible(widget is wanted)
        if whole:  # the view is narrower now, or wider
            self._in_sight.see_all_soon()
