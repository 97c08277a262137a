"""Frees what nobody uses any more, in the window's thread alone.

The interpreter looks for unused objects in whichever thread happens to ask for
memory. Where that is a reader thread, window objects would be deleted under
the window's feet: a crash without a word.
"""

from __future__ import annotations

import gc

from PySide6.QtCore import QObject, QTimer

EVERY_MS = 500
ALL_EVERY = 20
"""Of so many looks one goes through everything: a scan that nobody uses holds much memory with few objects."""


class Tidier(QObject):
    """While it lives, unused objects are looked for by a timer of the window's thread and nowhere else."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        gc.disable()
        gc.collect()
        gc.freeze()  # what stands at the start stays: later looks need not go through it
        self._looks = 0
        self._timer = QTimer(self, interval=EVERY_MS)
        self._timer.timeout.connect(self.tidy)
        self._timer.start()

    def tidy(self) -> None:
        """Look through as much as the interpreter itself would by now."""
        self._looks += 1
        if self._looks % ALL_EVERY == 0:
            gc.collect()
            return
        counts, limits = gc.get_count(), gc.get_threshold()
        due = [generation for generation in range(3) if counts[generation] > limits[generation]]
        if due:
            gc.collect(due[-1])

    def end(self) -> None:
        """Leave it to the interpreter again."""
        self._timer.stop()
        gc.unfreeze()
        gc.enable()
