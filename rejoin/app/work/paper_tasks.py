"""What the worker does with the papers of a job: it reads and writes their files. No Qt: the worker imports this."""

from __future__ import annotations

from pathlib import Path

from rejoin.core import edits
from rejoin.core.errors import NoAnswer
from rejoin.core.records import Project
from rejoin.core.settings import Report


def attach(project: Project, report: Report, kind: str, text: str, file: str, keep: bool) -> Project:
    """Add a file, with a note."""
    report(0.1, f"Reading {Path(file).name}")
    return edits.attach(project, kind, text, file, keep)


def keep_originals(project: Project, report: Report) -> Project:
    """Keep the scans' own files inside the project."""
    report(0.1, "Reading the files of the scans")
    return edits.keep_originals(project)


def write_originals(project: Project, report: Report, path: str) -> Project:
    """Write every file that is kept inside the project into a folder; the project stays as it is."""
    if not any(one.data is not None for one in project.attachments):
        raise NoAnswer("No file is kept inside the project yet.", "Add one, or keep the scans' own files.")
    report(0.1, f"Writing into {Path(path).name}")
    edits.write_originals(project, path)
    return project
