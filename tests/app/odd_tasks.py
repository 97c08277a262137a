"""Tasks for the worker that misbehave in known ways."""

from __future__ import annotations

import os
import sys
import time

from rejoin.core.errors import NoAnswer
from rejoin.core.records import Project


def touch_nothing(project: Project, report) -> Project:
    report(0.5, "Half way")
    return project


def rename_first(project: Project, report, name: str) -> Project:
    from rejoin.core.edits import rename

    return rename(project, 0, name)


def dawdle(project: Project, report, seconds: float) -> Project:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        report(0.3, "Dawdling")
        time.sleep(0.06)
    return project


def give_up(project: Project, report) -> Project:
    raise NoAnswer("Nothing fits.", "Try another part.")


def trip(project: Project, report) -> Project:
    return project.no_such_thing


def find_no_memory(project: Project, report, thread: bool) -> Project:
    raise RuntimeError("can't start new thread") if thread else MemoryError


def die(project: Project, report) -> Project:
    os._exit(9)


def look_for_qt(project: Project, report) -> Project:
    found = [name for name in sys.modules if name.startswith(("PySide6", "pyvistaqt", "shiboken6"))]
    raise NoAnswer(" ".join(found) or "none", "")
