"""What ``rejoin papers`` does: notes, photographs and original files in a saved project."""

from __future__ import annotations

import argparse

from rejoin.core import edits
from rejoin.core.errors import WrongUse
from rejoin.core.records import Project
from rejoin.core.storage import load_project, save_project


def papers_command(arguments: argparse.Namespace) -> int:
    """Add papers to a project, keep its originals, write them out, list what there is."""
    project = load_project(arguments.project)
    before = project
    if arguments.about and not (arguments.text or arguments.file):
        raise WrongUse("A paper needs words or a file.", "Give --text or --file.")
    if (arguments.text or arguments.file) and not arguments.about:
        raise WrongUse("What the paper is about was not said.", "Give --about.")
    if arguments.about:
        project = edits.attach(project, arguments.about, arguments.text or "", arguments.file, not arguments.beside)
    if arguments.take_out is not None:
        project = edits.detach(project, arguments.take_out - 1)
    if arguments.keep_originals:
        project = edits.keep_originals(project)
    if project is not before:
        save_project(project, arguments.project)
    if arguments.write_to:
        for path in edits.write_originals(project, arguments.write_to):
            print(path)
    print("\n".join(_lines(project)) or "no papers yet")
    return 0


def _lines(project: Project) -> list[str]:
    lines = []
    for number, one in enumerate(project.attachments, 1):
        kept = "kept in the project" if one.data is not None else "not kept"
        file = f" [{one.name}, SHA-256 {one.sha256[:12]}, {kept}]" if one.name else ""
        lines.append(f"{number}. {one.kind}: {one.text}{file}")
    return lines
