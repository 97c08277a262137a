"""What the worker does for parts that were glued or mended, and for a mating part. No Qt: the worker imports this."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rejoin.core import edits
from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, Project, SurfaceMap, Whole
from rejoin.core.settings import CleanSettings, ReadSettings, Report, part_of

if TYPE_CHECKING:
    from rejoin.core.dimensions.mating import Mate

Point = tuple[float, float, float]
Across = tuple[Point, Point, float, float]


def split_glued(
    project: Project, report: Report, number: int, marks_mm: tuple[Point, ...], known: Across | None = None,
    settings: CleanSettings | None = None,
) -> Project:  # fmt: skip
    """Split a scan along its glued seam."""
    size = None if known is None else (np.array(known[0]), np.array(known[1]), known[2], known[3])
    return edits.split_glued(project, number, np.array(marks_mm), size, settings, report)


def write_fragment(project: Project, report: Report, path: str, number: int, unit: str = "mm") -> Project:
    """Write one fragment to a mesh file, in the part's frame where it is placed; the project stays as it is."""
    from rejoin.core.files import write_mesh
    from rejoin.core.meshes import placed

    report(0.1, f"Writing {Path(path).name}")
    mesh = project.fragments[number].mesh
    pose = project.placements[number].part_from_scan if number < len(project.placements) else None
    write_mesh(mesh if pose is None else placed(mesh, pose), path, unit)
    return project


def mating_part(project: Project, path: str, unit: str, report: Report) -> Mate:
    """A mating part: of a file, or without a path the scan of that role in the project."""
    from rejoin.core.dimensions.mating import mate_of, own_mating
    from rejoin.core.files import read_fragment

    if path:
        return mate_of(Path(path).name, read_fragment(path, ReadSettings(unit=unit), report))
    own = own_mating(project)
    if own is None:
        raise NoAnswer("No scan has the role of a mating part.", "Give one that role in row 10, or choose its file.")
    return own


def clearance(project: Project, report: Report, path: str, unit: str, reach_mm: float | None = None) -> SurfaceMap:
    """The clearance between the whole and a mating part in position: a scan's file, or without a path the project's."""
    from rejoin.core.dimensions.mating import fit_with

    whole = _whole(project)
    mate = mating_part(project, path, unit, part_of(report, 0.0, 0.4))
    report(0.5, "Measuring the clearance")
    found = fit_with(project, mate, reach_mm)
    worst = int(np.nanargmin(found.clearance_mm))
    return SurfaceMap("clearance", whole.mesh, found.clearance_mm, found.u95_mm or 0.0, mate.name,
                      whole.mesh.vertices[worst], found.sentence)  # fmt: skip


def distortion(project: Project, report: Report, path: str, unit: str) -> SurfaceMap:
    """A new scan of the mended part against the whole."""
    from rejoin.core import steps
    from rejoin.core.distortion import distortion_of
    from rejoin.core.meshes import placed

    whole = _whole(project)
    read = steps.read([path], ReadSettings(unit=unit), part_of(report, 0.0, 0.1))
    rescan = steps.clean(read, None, part_of(report, 0.1, 0.3)).fragments[0]
    noise = max((fragment.noise_mm for fragment in project.fragments), default=0.0)
    found = distortion_of(whole.mesh, noise, rescan, part_of(report, 0.3, 1.0))
    return SurfaceMap("distortion", placed(rescan.mesh, found.whole_from_scan), found.away_mm, found.u95_mm,
                      Path(path).name, found.farthest_mm, found.sentence)  # fmt: skip


def write_map(project: Project, report: Report, path: str, points: FloatArray, away_mm: FloatArray) -> Project:
    """Write x, y, z and distance, mm, a line a point; the project stays as it is."""
    from rejoin.core.files.away import write_away

    report(0.1, f"Writing {Path(path).name}")
    write_away(path, points, away_mm)
    return project


def _whole(project: Project) -> Whole:
    if project.whole is None:
        raise NoAnswer("There is no whole to compare with.", "Fuse the fragments first.")
    return project.whole
