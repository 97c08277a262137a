"""A bench and a window that remember nothing of the person's own, and that are gone for good after their test."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("PySide6")
pytest.importorskip("pytestqt")

from PySide6.QtCore import QCoreApplication, QEvent, QObject, QSettings  # noqa: E402

from rejoin.app.bench.bench import Bench  # noqa: E402
from rejoin.app.tidying import Tidier  # noqa: E402
from rejoin.app.window import Window  # noqa: E402


@pytest.fixture(scope="module", autouse=True)
def tidier(qapp) -> Iterator[Tidier]:
    """As in the program: nothing of the window is freed in another thread."""
    made = Tidier()
    yield made
    made.end()
    gc.collect()


def away(made: QObject) -> None:
    """Delete a window or a bench now, not within the next test."""
    made.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)


@pytest.fixture
def bench(qapp, tmp_path: Path) -> Iterator[Bench]:
    memory = QSettings(str(tmp_path / "memory.ini"), QSettings.Format.IniFormat)
    made = Bench(memory, tmp_path / "recovery", warm=False)
    yield made
    made.close()
    away(made)


@pytest.fixture
def window(qtbot, bench: Bench) -> Iterator[Window]:
    made = Window(bench, animated=False)
    made.ask_keep = lambda parent: "discard"
    made.ask_stop = lambda parent, title: True  # nobody is there to answer
    made.resize(1280, 800)
    with qtbot.waitExposed(made):
        made.show()
    qtbot.wait(50)
    yield made
    made.close()
    away(made)
