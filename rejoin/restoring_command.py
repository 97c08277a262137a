"""What ``rejoin restore`` does, once the command line is understood."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

from rejoin.commands import check_target
from rejoin.core import further, steps
from rejoin.core import report as telling
from rejoin.core.dimensions.told import as_whole
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.files import WRITABLE, read_fragment, write_mesh
from rejoin.core.project import changed
from rejoin.core.records import Placement, Project
from rejoin.core.restoring import doubtful
from rejoin.core.settings import ReadSettings, RestoreSettings
from rejoin.core.storage import SUFFIX, load_project, save_project
from rejoin.core.transforms import identity
from rejoin.options import given_for
from rejoin.terminal import Progress, say


def restore_command(arguments: argparse.Namespace) -> int:
    """Restore a lost piece of a whole, write what comes out, and tell about it."""
    given = given_for(arguments, "restore")
    if arguments.reference and given.setdefault("source", "reference") != "reference":
        raise WrongUse("A reference scan was given, but another source.", "Leave one of the two out.")
    settings = RestoreSettings(**given)
    if arguments.opposite_hand and not arguments.reference:
        raise WrongUse("Which scan is of the opposite hand was not said.", "Name it: --reference SCAN.")
    read = [arguments.whole] + ([arguments.reference] if arguments.reference else [])
    check_target(arguments.out, "whole", read, WRITABLE)
    if arguments.save:
        check_target(arguments.save, "project", [*read, arguments.out], (SUFFIX,))
    with Progress() as progress:
        project, unit = _project(arguments, progress)
        reference = None
        if arguments.reference:
            scan = read_fragment(arguments.reference, ReadSettings(unit=arguments.unit), progress.step("read"))
            sister = replace(scan, role="reference", mirrored=arguments.opposite_hand)
            reference = steps.clean(Project(scans=(sister,)), None, progress.step("clean")).fragments[0].mesh
        project = further.restore_lost_piece(project, settings, progress.step("restore_lost_piece"), reference)
        mesh = telling.whole_in_common_frame(project)
        assert mesh is not None
        write_mesh(mesh, arguments.out, unit, "a piece of it is restored, not measured")
        telling.write_whole_report(project, arguments.out)
        if arguments.save:
            save_project(project, arguments.save)
    content = _content(project, arguments.out, unit)
    if arguments.json:
        telling.write_json(arguments.json, telling.tidy(content))
    print("\n".join([*content["notes"], f"{arguments.out}: closed, {content['volume_mm3']:.0f} mm3, "
                                        f"through-holes: {content['genus']}"]))  # fmt: skip
    assert project.whole is not None
    return 1 if doubtful(project.whole) else 0


def _project(arguments: argparse.Namespace, progress: Progress) -> tuple[Project, str]:
    """A saved project, or one around the whole in a mesh file; with the unit of the file."""
    if arguments.whole.lower().endswith(SUFFIX):
        project = load_project(arguments.whole)
        if project.whole is None:
            raise NoAnswer("This project holds no whole yet.", "Fuse the fragments first.")
        return project, project.scans[0].unit
    if arguments.save:
        raise WrongUse("A whole alone is no project that could be saved.", "Leave --save out, or give the project.")
    scan = read_fragment(arguments.whole, ReadSettings(unit=arguments.unit), progress.step("read"))
    if not scan.unit_stated:
        say("no unit in this file, taken as mm; use --unit if that is wrong")
    project = steps.clean(Project(scans=(scan,)), None, progress.step("clean"))
    project = steps.find_faces(project, None, progress.step("find_faces"))
    here = (Placement(identity(), "person"),)
    return changed(project, placements=here, whole=as_whole(project.fragments[0])), scan.unit


def _content(project: Project, file: str, unit: str) -> dict[str, Any]:
    content = telling.whole_content(project, file, unit)
    assert content is not None
    return content
