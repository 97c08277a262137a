"""Makes the samples' pictures, ``picture.png`` beside their scans: ``python -m tests.make_sample_pictures [FOLDER]``.

On a screen, or under xvfb-run. The real program opens each sample; the picture is its view, the fragments on the bench.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

SIZE = (960, 640)
WIDE = 420
MARGIN = 12


def main(top: Path) -> int:
    """Save the picture of every sample under ``top``."""
    from PySide6.QtCore import QRect, QSettings, Qt
    from PySide6.QtGui import QImage
    from PySide6.QtWidgets import QApplication

    from rejoin.app.bench.bench import Bench
    from rejoin.app.window import Window
    from rejoin.core.samples import sample_names
    from tests.app.person import Person

    app = QApplication.instance() or QApplication(sys.argv[:1])
    app.setStyle("Fusion")  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as scratch:
        memory = QSettings(str(Path(scratch) / "memory.ini"), QSettings.Format.IniFormat)
        memory.setValue("palette", "light")
        window = Window(Bench(memory, Path(scratch) / "recovery"), animated=False)
        window.ask_keep = lambda parent: "discard"
        window.resize(*SIZE)
        window.show()
        person = Person(window)
        person.pause(400)
        for name in sample_names():
            person.open_sample(name)
            window.view.renderer.GradientBackgroundOff()
            window.view.renderer.SetBackground(1.0, 1.0, 1.0)
            window.scene.look_at_all()
            person.pause(300)
            seen = window.view.grabFramebuffer().convertToFormat(QImage.Format.Format_RGB888)
            pixels = np.frombuffer(seen.constBits(), np.uint8).reshape(seen.height(), seen.bytesPerLine())
            pixels = pixels[:, : 3 * seen.width()].reshape(seen.height(), seen.width(), 3)
            inked = (pixels < 250).any(axis=2)
            inked[-3:] = False
            rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
            box = QRect(columns[0], rows[0], int(np.ptp(columns)) + 1, int(np.ptp(rows)) + 1)
            cut = seen.copy(box.adjusted(-MARGIN, -MARGIN, MARGIN, MARGIN).intersected(seen.rect()))
            small = cut.scaledToWidth(WIDE, Qt.TransformationMode.SmoothTransformation)
            if not small.save(str(top / name / "picture.png"), "PNG", 0):  # type: ignore[call-overload]
                return 1
        window.close()
    return 0


if __name__ == "__main__":
    default = Path(__file__).resolve().parents[1] / "sample_scans"
    sys.exit(main(Path(sys.argv[1]) if sys.argv[1:] else default))
