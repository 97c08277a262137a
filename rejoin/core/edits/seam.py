"""A part that was glued before it was scanned, taken apart: one scan becomes two, placed as they belong together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from rejoin.core.edits.scans import clear_of
from rejoin.core.edits.tuples import put
from rejoin.core.errors import WrongUse
from rejoin.core.project import changed
from rejoin.core.records import Fragment, Mesh, Placement, Project, Repair, Scan
from rejoin.core.records.scans import GLUE, GLUE_LEFT
from rejoin.core.settings import CleanSettings, Report, part_of, silent
from rejoin.core.transforms import identity

if TYPE_CHECKING:
    from rejoin.core.glued import KnownAcross


def split_glued(
    project: Project, number: int, marks_mm: npt.ArrayLike, known: KnownAcross | None = None,
    settings: CleanSettings | None = None, report: Report = silent,
) -> Project:  # fmt: skip
    """Split one scan along its glued seam; the other side comes last in the list, moved to where it belongs.

    Both sides keep the frame of the scan. Where the scan was the only one, both are placed in it. What glue
    thickness, step and tilt were, and what stays unknown, is noted on both.

    Parameters
    ----------
    project : Project
    number : int
        The scan; it must have been cleaned.
    marks_mm : (k, 3)
        Points on the seam, all round, in the scan's frame.
    known : (point, point, size mm, limit mm), optional
        A size across the seam that the part had before it broke.
    settings : CleanSettings, optional
    report : Report, optional

    Raises
    ------
    WrongUse, NoAnswer
        As `rejoin.core.glued.split_along` and `glue_line`.
    """
    from rejoin.core.cleaning import clean_scan
    from rejoin.core.glued import closed_up, glue_line, split_along

    if not 0 <= number < len(project.fragments):
        raise WrongUse(f"There is no fragment {number}.", "Choose one that is listed.")
    fragment = project.fragments[number]
    report(0.05, f"Splitting {fragment.scan.name}")
    split = split_along(fragment, marks_mm)
    report(0.3, "Looking what the glue did")
    line = glue_line(fragment, split, known)
    told = (Repair(GLUE, 1, f"Split along its glued seam. {line.sentence}"),
            *(Repair(GLUE_LEFT, 1, f"Not taken out: {one[0].lower()}{one[1:]}") for one in line.unknown))
    made = []
    for part, (side, mesh) in enumerate(zip("ab", closed_up(fragment, split, line), strict=True)):
        scan = _side(fragment.scan, side, mesh, told)
        made.append(clean_scan(scan, settings, part_of(report, 0.5 + 0.25 * part, 0.75 + 0.25 * part)))
    return _exchanged(project, number, made[0], made[1])


def _side(scan: Scan, side: str, mesh: Mesh, told: tuple[Repair, ...]) -> Scan:
    notes = (*scan.read_notes, *told)
    # the sides are made from the cleaned surface, which is mirrored already where the scan was
    return replace(scan, name=f"{scan.name}, side {side}", mesh=mesh, read_notes=notes, views=(), mirrored=False)


def _exchanged(project: Project, number: int, first: Fragment, second: Fragment) -> Project:
    """Both sides in place of the one scan; what others have among themselves stays."""
    rest = clear_of(project, number)
    alone = len(project.scans) == 1
    placements = (Placement(np.asarray(identity()), "person"),) * 2 if alone else ()
    return changed(
        rest,
        scans=(*put(project.scans, number, first.scan), second.scan),
        fragments=(*put(project.fragments, number, first), second), faces=rest.faces, joints=rest.joints,
        placements=placements,
    )  # fmt: skip
