"""The recovery copy, kept up to date by a thread of its own: the newest project is written, older ones are left out."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from threading import Condition, Thread

from rejoin.core.errors import RejoinError
from rejoin.core.records import Project

SETTLES_S = 0.1
"""A drag changes the project often; what is overtaken this quickly is not written."""


class Keeper:
    """Writes the latest project it was given into ``folder``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._wanted: Project | None = None
        self._ended = self._busy = False
        self._news = Condition()
        self._thread: Thread | None = None

    def keep(self, project: Project) -> None:
        """Write this project soon; returns at once."""
        with self._news:
            if self._ended:
                return
            self._wanted = project
            if self._thread is None:
                self._thread = Thread(target=self._work, daemon=True, name="rejoin recovery")
                self._thread.start()
            self._news.notify_all()

    def wait(self, seconds: float = 10.0) -> bool:
        """Until everything given is written; False where that takes too long."""
        with self._news:
            return self._news.wait_for(lambda: self._wanted is None and not self._busy, seconds)

    def end(self, forget: bool) -> None:
        """Write nothing more; ``forget`` takes the copy away, else the last project given is written first."""
        if not forget:
            self.wait()
        with self._news:
            self._ended, self._wanted = True, None
            self._news.notify_all()
        if self._thread is not None:
            self._thread.join(5.0)
        if forget:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _work(self) -> None:
        from rejoin.core.codec import Table
        from rejoin.core.storage import save_recovery

        table = Table()
        while True:
            with self._news:
                self._news.wait_for(lambda: self._ended or self._wanted is not None)
                self._news.wait_for(lambda: self._ended, SETTLES_S)
                if self._ended:
                    return
                project, self._wanted, self._busy = self._wanted, None, True
            assert project is not None
            with contextlib.suppress(RejoinError, OSError):  # a full disk must not stop the work
                if project.scans:
                    save_recovery(project, self.folder, table)
                else:
                    shutil.rmtree(self.folder, ignore_errors=True)
            with self._news:
                self._busy = False
                self._news.notify_all()
