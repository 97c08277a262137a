"""Questions for a file, in the folder used last."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtWidgets import QFileDialog, QWidget

from rejoin.app.bench.bench import Bench


def to_open(parent: QWidget, bench: Bench, title: str, filters: str) -> str:
    """A file to read, or an empty name."""
    path = QFileDialog.getOpenFileName(parent.window(), title, folder(bench), filters)[0]
    remember(bench, path)
    return path


def to_save(parent: QWidget, bench: Bench, title: str, name: str, kinds: dict[str, str]) -> str:
    """A file to write, with a suffix of one of the ``kinds`` (words for the dialog, suffix), or an empty name."""
    start = str(Path(folder(bench)) / name)
    path, kind = QFileDialog.getSaveFileName(parent.window(), title, start, ";;".join(kinds))
    if path and Path(path).suffix.lower() not in kinds.values():
        path += kinds.get(kind, next(iter(kinds.values())))
    remember(bench, path)
    return path


def job_name(bench: Bench) -> str:
    """What the job is called in file names."""
    return bench.session.path.stem if bench.session.path else "part"


def folder(bench: Bench) -> str:
    """The folder used last."""
    return str(bench.memory.value("folder", str(Path.home())))


def remember(bench: Bench, path: str) -> None:
    """The folder of a file is the one used last, unless its name is empty."""
    if path:
        bench.memory.setValue("folder", str(Path(path).parent))
