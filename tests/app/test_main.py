"""The way in: what the command line calls."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import QSettings, QStandardPaths
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from rejoin.app import main
from rejoin.core.errors import NoAnswer
from rejoin.core.storage import save_project, save_recovery
from tests.app import made_up


@pytest.fixture
def away(monkeypatch, tmp_path: Path):
    """Settings and data go to a folder of the test; `exec` runs until the window has nothing to do."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    QSettings.setPath(QSettings.Format.NativeFormat, QSettings.Scope.UserScope, str(tmp_path / "config"))
    seen, older = [], set(QApplication.topLevelWidgets())

    def run_for_a_while(*_: object) -> int:
        window = next(w for w in QApplication.topLevelWidgets() if hasattr(w, "bench") and w not in older)
        older.add(window)
        for _ in range(1500):
            QTest.qWait(20)
            if not window.bench.jobs.busy:
                break
        seen.append(window.bench.project)
        window.bench.session.stack.setClean()
        window.close()
        return 0

    monkeypatch.setattr(QApplication, "exec", run_for_a_while)
    yield seen
    QSettings.setPath(QSettings.Format.NativeFormat, QSettings.Scope.UserScope, "")


def test_it_opens_on_a_project(qapp, away, tmp_path: Path):
    save_project(made_up.joined(), tmp_path / "lever.rejoin")
    assert main.run(project=str(tmp_path / "lever.rejoin")) == 0
    assert len(away[0].fits) == 1


def test_it_offers_what_the_last_run_left(qapp, away, tmp_path: Path, monkeypatch):
    root = Path(QStandardPaths.writableLocation(QStandardPaths.StandardLocation.GenericDataLocation))
    save_recovery(made_up.cleaned(), root / "rejoin" / "recovery" / "4711")
    answers = ["later", "take"]
    monkeypatch.setattr("rejoin.app.parts.dialogs.ask_recover", lambda parent: answers.pop(0))
    assert main.run() == 0 and answers == ["take"], "it is asked again after “later”"
    assert main.run() == 0
    assert not answers and len(away[-1].fragments) == 2
    assert main.run() == 0, "it is offered once"


def test_missing_libraries_are_said_before_anything_opens(monkeypatch):
    monkeypatch.setattr(main, "missing_libraries", lambda: (("libEGL.so.1", "libegl1"),))
    with pytest.raises(NoAnswer) as caught:
        main.run()
    assert "libEGL.so.1" in caught.value.what_happened and "apt install libegl1" in caught.value.what_to_do
