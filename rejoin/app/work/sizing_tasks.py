"""What the worker does for row 60 of the job card. No Qt here: the worker imports this module."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from rejoin.core import edits, further, steps
from rejoin.core.errors import NoAnswer
from rejoin.core.records import Project, StatedSize
from rejoin.core.settings import Report, part_of

Point = tuple[float, float, float]


def check(project: Project, report: Report, settings: Any = None, fit_up: bool = True) -> Project:
    """Measure every picked dimension and compare it with its reading.

    The fit-up of the joints is worked out too, or left as it stands: no reading changes it, and it takes longest.
    """
    if fit_up:
        return further.check_dimensions(project, settings, report)
    after = further.check_dimensions(replace(project, fits=()), settings, report)
    return replace(after, fits=project.fits, fit_ups=project.fit_ups)


def bore_centres(project: Project, report: Report, on: tuple[int, int], picks_mm: tuple[Point, Point]) -> StatedSize:
    """The centres of two bores or shafts, each on a fragment of its own; see `centres_between`."""
    import numpy as np

    from rejoin.core.dimensions.centres import centres_between

    report(0.1, "Looking for the bores")
    return centres_between(project, on, np.array(picks_mm))


def open_table(project: Project, report: Report, path: str, settings: Any = None) -> Project:
    """Take the dimensions and readings of a table instead of those that are there, and check them."""
    from rejoin.core.dimensions.readings import read_readings
    from rejoin.core.report import names_of

    readings = read_readings(path, _unit(project), names_of(project.scans))
    return check(edits.with_readings(project, readings), part_of(report, 0.05, 1.0), settings, False)


def write_table(project: Project, report: Report, path: str, comma: bool = False) -> Project:
    """Write the dimensions and readings as a table; the project stays as it is."""
    from rejoin.core.dimensions.readings import write_readings
    from rejoin.core.report import names_of

    if not project.readings:
        raise NoAnswer("There is no dimension to save yet.", "Pick one in the view first.")
    report(0.1, f"Writing {Path(path).name}")
    write_readings(project.readings, path, _unit(project), names_of(project.scans), comma)
    return project


def write_sheet(project: Project, report: Report, path: str, name: str) -> Project:
    """Write the dimensioned sheet of the whole, sections 1:1, as DXF or PDF."""
    from rejoin.core.dimensions.sheet import drawing_notes, sheet_of
    from rejoin.core.dimensions.sheet import write_sheet as write

    whole = project.whole
    if whole is None:
        raise NoAnswer("There is no whole to draw.", "Fuse the fragments first.")
    report(0.1, "Cutting the sections")
    notes = drawing_notes(project)
    noise = max((fragment.noise_mm for fragment in project.fragments), default=0.0)
    write(sheet_of(f"{name}, millimetres, 1:1", whole.mesh, project.checks, notes, noise), path)
    return project


def write_section(
    project: Project, report: Report, path: str, name: str, point_mm: Point, normal: Point, mating: str = "",
    unit: str = "mm",
) -> Project:  # fmt: skip
    """Write a section of the whole at a plane, dimensioned, 1:1.

    A mating part in position is drawn with it: that of a file, or else the scan of that role in the project.
    """
    import numpy as np

    from rejoin.app.work.mending_tasks import mating_part
    from rejoin.core.dimensions.mating import fit_with, own_mating
    from rejoin.core.dimensions.sheet import drawing_notes, section_sheet
    from rejoin.core.dimensions.sheet import write_sheet as write

    whole = project.whole
    if whole is None:
        raise NoAnswer("There is no whole to cut.", "Fuse the fragments first.")
    notes, other = list(drawing_notes(project)), None
    if mating or own_mating(project) is not None:
        report(0.1, "Reading the mating part")
        mate = mating_part(project, mating, unit, part_of(report, 0.1, 0.5))
        other = mate.mesh
        try:
            notes.append(fit_with(project, mate).sentence)
        except NoAnswer as error:
            if mating:
                raise
            notes.append(str(error))
    report(0.5, "Cutting the section")
    noise = max((fragment.noise_mm for fragment in project.fragments), default=0.0)
    title = f"{name}, millimetres, 1:1"
    write(section_sheet(title, whole.mesh, np.array(point_mm), np.array(normal), notes, noise, other), path)
    return project


def write_squared(project: Project, report: Report, path: str, unit: str = "mm") -> Project:
    """Write the whole squared up on the features that were picked as datums."""
    from rejoin.core.dimensions.sheet import frame_of_checks
    from rejoin.core.files import write_mesh
    from rejoin.core.meshes import placed

    if project.whole is None:
        raise NoAnswer("There is no whole to square up.", "Fuse the fragments first.")
    if not any(one.kind == "datum" and one.value is not None for one in project.checks):
        raise NoAnswer("No datum was picked to square the whole up on.",
                       "Pick a face or a bore of the kind “datum” first; the order of picking counts.")  # fmt: skip
    report(0.1, "Squaring it up")
    frame, _ = frame_of_checks(project.checks)
    write_mesh(placed(project.whole.mesh, frame.datum_from_part), path, unit)
    return project


def correct_scale(project: Project, report: Report, on: int, settings: Any = None) -> Project:
    """Enlarge or shrink a scan (-1: all) by what its readings say, and measure the scans anew."""
    report(0.02, "Correcting the scale")
    return steps.clean(edits.correct_scale(project, on), settings, part_of(report, 0.05, 1.0))


def restore(
    project: Project, report: Report, kind: str, pick_mm: Point, size_mm: float, depth_mm: float | None = None,
    note: str = "",
) -> Project:  # fmt: skip
    """Put a feature of the whole in by number."""
    import numpy as np

    report(0.1, "Looking for the feature at the pick")
    return edits.restore(project, kind, np.array(pick_mm), size_mm, depth_mm, note)


def _unit(project: Project) -> str:
    """The unit of the picks in a table: that of the scans, as on the command line."""
    return project.scans[0].unit if project.scans else "mm"
