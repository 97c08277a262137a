"""An unforeseen error within what Qt calls back must not end the program."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication, QWidget
from rejoin.app.parts.overrides import called_by_qt

class Faulty(QWidget):
    @called_by_qt
    def resizeEvent(self, event):
        if event.oldSize().isValid():
            int("no number")

app = QApplication([])
shown = Faulty()
shown.show()
QTimer.singleShot(50, lambda: shown.resize(300, 200))
QTimer.singleShot(200, app.quit)
app.exec()
print("lives")
"""


def test_an_error_in_an_event_is_told_and_the_window_lives_on(qapp):
    ran = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True,
                         check=False, timeout=60)  # fmt: skip
    assert ran.returncode == 0 and "lives" in ran.stdout and "no number" in ran.stderr
