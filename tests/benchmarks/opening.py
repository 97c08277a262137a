"""The window opened and closed again and again: ``xvfb-run -a python -m tests.benchmarks.opening [CYCLES]``.

Prints seconds to the first shown window (this process, warm), and memory after a few and after all cycles.
"""

from __future__ import annotations

import gc
import sys
import tempfile
import time
from pathlib import Path


def memory_mb() -> float:
    """Resident memory of this process (Linux)."""
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024.0


def main(cycles: int = 50) -> int:
    """Open and close ``cycles`` windows, each with a joined part and a render pending; 1 where memory grows."""
    started = time.monotonic()
    from PySide6.QtCore import QSettings
    from PySide6.QtTest import QTest
    from PySide6.QtWidgets import QApplication

    from rejoin.app.bench.bench import Bench
    from rejoin.app.tidying import Tidier
    from rejoin.app.window import Window

    app = QApplication(sys.argv[:1])
    app.setStyle("Fusion")
    after_few = 0.0
    with tempfile.TemporaryDirectory() as scratch:
        for cycle in range(cycles):
            memory = QSettings(str(Path(scratch) / "memory.ini"), QSettings.Format.IniFormat)
            window = Window(Bench(memory, Path(scratch) / "recovery", warm=False), animated=False)
            window.ask_keep = lambda parent: "discard"
            window.show()
            QTest.qWaitForWindowExposed(window)
            if cycle == 0:
                seconds = time.monotonic() - started
                print(f"first window after {seconds:.2f} s, {time.process_time():.2f} s of processor")
                from tests.app import made_up

                project = made_up.joined()
                tidier = Tidier()  # as the program has one
            window.bench.session.apply("Join", project)
            window.card.unfold(3)
            QTest.qWait(5)
            window.scene.refresh()
            window.close()
            window.deleteLater()
            QTest.qWait(5)
            del window
            gc.collect()  # as the tidier does every ten seconds; what any other object still holds stays
            if cycle == min(9, cycles - 1):
                after_few = memory_mb()
    tidier.end()
    grown = memory_mb() - after_few
    print(f"{cycles} windows, {after_few:.0f} MB after a few, {grown:+.0f} MB since")
    return 0 if grown < 40.0 else 1


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:2])))
