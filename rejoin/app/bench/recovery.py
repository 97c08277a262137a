"""Recovery copies: this run's own, and those that runs which did not end properly left behind."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from PySide6.QtCore import QLockFile, QStandardPaths

from rejoin.app.bench.keeper import Keeper


class Recovery:
    """Keeps this run's copy in ``folder`` below ``root``, and a lock beside it while the run lives."""

    def __init__(self, root: Path | None = None) -> None:
        self.root = root or Path(_data_folder()) / "recovery"
        self.folder = self.root / str(os.getpid())
        self.root.mkdir(parents=True, exist_ok=True)
        self.lock = QLockFile(str(self.folder.with_suffix(".lock")))  # tells other windows that this run lives
        self.lock.tryLock(0)
        self.keeper = Keeper(self.folder)

    def left_behind(self) -> list[Path]:
        """Recovery copies of runs that did not end properly."""
        if not self.root.is_dir():
            return []
        return [f for f in sorted(self.root.iterdir()) if f.is_dir() and not _in_use(f) and any(f.iterdir())]

    def forget(self, folder: Path) -> None:
        """Delete a copy that is not needed any more."""
        shutil.rmtree(folder, ignore_errors=True)


def _data_folder() -> str:
    place = QStandardPaths.writableLocation(QStandardPaths.StandardLocation.GenericDataLocation)
    return str(Path(place) / "rejoin")


def _in_use(folder: Path) -> bool:
    lock = QLockFile(str(folder.with_suffix(".lock")))
    free = lock.tryLock(0)
    if free:
        lock.unlock()
    return not free
