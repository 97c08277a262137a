"""The command ``rejoin report``: the job card of a saved project, as PDF or HTML."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path

from rejoin import __version__
from rejoin.commands import check_target
from rejoin.core.card import card_content
from rejoin.core.cardtables import Shown
from rejoin.core.errors import NoAnswer
from rejoin.core.report import complete, write_json
from rejoin.core.storage import load_project
from rejoin.terminal import say

SUFFIXES = (".pdf", ".html", ".htm")


def report_command(arguments: argparse.Namespace) -> int:
    """Write the job card.

    Returns
    -------
    int
        0, or 1 where the card tells of something unplaced or doubtful.
    """
    check_target(arguments.out, "job card", [arguments.project], SUFFIXES)
    project = load_project(arguments.project)
    if not project.scans:
        raise NoAnswer("This project holds no scans.", "Join some fragments first, and save the project.")
    from rejoin.app.paper.printing import write_card

    title = arguments.title or Path(arguments.project).stem
    today = datetime.date.today().isoformat()
    write_card(project, arguments.out, title, today, __version__, Shown(arguments.unit), arguments.paper)
    content = card_content(project, __version__)
    if arguments.json:
        write_json(arguments.json, content)
    say(f"Job card written: {arguments.out}")
    return 0 if complete(content["fit"]) else 1
