"""A bench and a window that remember nothing of the person's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("PySide6")
pytest.importorskip("pytestqt")

from PySide6.QtCore import QSettings  # noqa: E402

from rejoin.app.bench import Bench  # noqa: E402
from rejoin.app.window import Window  # noqa: E402


@pytest.fixture
def bench(qapp, tmp_path: Path) -> Iterator[Bench]:
    memory = QSettings(str(tmp_path / "memory.ini"), QSettings.Format.IniFormat)
    made = Bench(memory, tmp_path / "recovery", warm=False)
    yield made
    made.close()


@pytest.fixture
def window(qtbot, bench: Bench) -> Iterator[Window]:
    made = Window(bench, animated=False)
    made.ask_keep = lambda parent: "discard"
    qtbot.addWidget(made)
    made.resize(1280, 800)
    with qtbot.waitExposed(made):
        made.show()
    qtbot.wait(50)
    yield made
    made.close()
