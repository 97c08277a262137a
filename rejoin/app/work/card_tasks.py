"""The job card on paper, written by the worker. What draws it is loaded only when a card is wanted."""

from __future__ import annotations

import datetime
import os
import sys
from pathlib import Path

from rejoin.core.errors import NoAnswer
from rejoin.core.records import Project
from rejoin.core.settings import Report


def write_job_card(project: Project, report: Report, path: str, name: str, unit: str = "mm") -> Project:
    """Write the card as PDF, or as HTML where the name ends so; the project stays as it is."""
    if not project.scans:
        raise NoAnswer("There is nothing to put on a card yet.", "Open some scans first.")
    report(0.05, "Drawing the pictures of the card")
    if sys.platform.startswith("linux"):
        os.environ["QT_QPA_PLATFORM"] = "offscreen"  # the worker draws on paper only, never on the screen
    from rejoin import __version__
    from rejoin.app.paper.printing import write_card
    from rejoin.core.cardtables import Shown

    report(0.2, f"Writing {Path(path).name}")
    paper = "letter" if unit == "inch" else "A4"
    write_card(project, path, name, datetime.date.today().isoformat(), __version__, Shown(unit), paper)
    return project
