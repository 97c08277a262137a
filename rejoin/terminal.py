"""What a person at a terminal sees while the steps work: sentences and progress on stderr."""

from __future__ import annotations

import signal
import sys
import threading
import time
from types import FrameType
from typing import Any

from rejoin.core.errors import RejoinError
from rejoin.core.settings import Report

TITLES = {
    "read": "Reading the scans",
    "clean": "Cleaning the scans",
    "find_faces": "Finding the fracture faces",
    "match": "Matching the faces",
    "align": "Placing the fragments",
    "measure_fit": "Measuring the gaps",
    "fuse": "Fusing the whole",
    "restore_lost_piece": "Restoring the lost piece",
    "check_dimensions": "Measuring the dimensions",
    "make": "Making",
    "write": "Writing",
}
"""What each step is called while it runs."""


def say(sentence: str) -> None:
    """One line on stderr."""
    print(sentence, file=sys.stderr, flush=True)


def say_error(error: RejoinError, about: str = "") -> None:
    """The two sentences of an error on stderr."""
    say(f"{about}{': ' if about else ''}{error}")


class Stopped(KeyboardInterrupt):
    """Ctrl-C was pressed."""


_stop_asked = threading.Event()


def stop_on_ctrl_c() -> None:
    """Let Ctrl-C raise a class of our own: at once, or in the next report where a library swallowed it.

    After a plain KeyboardInterrupt that passed through an ``exec`` (as in an import that makes
    dataclasses) the interpreter kills itself with the signal at its end, whatever exit code is given.
    """
    if threading.current_thread() is threading.main_thread() and signal.getsignal(signal.SIGINT) is not None:
        _stop_asked.clear()
        signal.signal(signal.SIGINT, _stop)
        told = sys.unraisablehook
        sys.unraisablehook = lambda lost: None if isinstance(lost.exc_value, Stopped) else told(lost)


def _stop(_: int, frame: FrameType | None) -> None:
    """Raise, but never within an import: that would keep the import lock, on which other threads then wait for ever."""
    _stop_asked.set()
    while frame is not None:
        if "importlib" in frame.f_code.co_filename:
            return
        frame = frame.f_back
    raise Stopped


def stop_was_asked() -> bool:
    """Whether Ctrl-C was pressed."""
    return _stop_asked.is_set()


def raise_if_stopped() -> None:
    """Raise `Stopped` where Ctrl-C was pressed."""
    if stop_was_asked():
        raise Stopped


class Progress:
    """A bar for each step where stderr is a terminal; elsewhere one line when a step is done.

    Use as a context; `step` gives the `Report` for one step and times it.
    """

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._bar: Any = None
        self._step: tuple[str, float, Any] | None = None

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
            from rich.progress import Progress as Bars

            columns = (TextColumn("{task.fields[title]:<27}"), BarColumn(24), TaskProgressColumn(),
                       TimeElapsedColumn(), TextColumn("{task.description}", markup=False))  # fmt: skip
            self._bar = Bars(*columns, console=Console(stderr=True))
            self._bar.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._finish(failed=kind is not None)
        if self._bar is not None:
            self._bar.stop()

    def step(self, name: str) -> Report:
        """Start a step, which ends the one before; gives its `Report`."""
        raise_if_stopped()
        self._finish()
        task = None if self._bar is None else self._bar.add_task("", total=1.0, title=TITLES[name])
        self._step = (name, time.perf_counter(), task)
        return self._report

    def _report(self, share: float, sentence: str) -> None:
        raise_if_stopped()
        if self._bar is not None and self._step is not None:
            self._bar.update(self._step[2], completed=min(max(share, 0.0), 1.0), description=sentence)

    def _finish(self, failed: bool = False) -> None:
        if self._step is None:
            return
        name, started, task = self._step
        self._step, self.seconds[name] = None, time.perf_counter() - started
        if failed:
            return
        if self._bar is not None:
            self._bar.update(task, completed=1.0, description="")
        else:
            say(f"{TITLES[name]}: {self.seconds[name]:.1f} s")
