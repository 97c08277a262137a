"""Long work, run in the worker process: each is ``task(project, report, **wishes) -> Project``.

No Qt here: the worker imports this module.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rejoin.core import steps
from rejoin.core.errors import NoAnswer
from rejoin.core.records import Project
from rejoin.core.settings import ReadSettings, Report, part_of

BEFORE_FIT: tuple[tuple[str, float], ...] = (("match", 0.6), ("align", 0.3), ("measure_fit", 0.1))


def read(project: Project, report: Report, inputs: tuple[str, ...], unit: str | None = None) -> Project:
    """Add the scans in ``inputs`` to the project."""
    return steps.read(inputs, ReadSettings(unit=unit), report, project)


def read_and_clean(project: Project, report: Report, inputs: tuple[str, ...], unit: str | None = None) -> Project:
    """Add scans and measure them at once."""
    project = read(project, part_of(report, 0.0, 0.5), inputs, unit)
    return steps.clean(project, None, part_of(report, 0.5, 1.0))


def clean(project: Project, report: Report, settings: Any = None) -> Project:
    """Repair and measure the scans that are new."""
    return steps.clean(project, settings, report)


def find_faces(project: Project, report: Report, settings: Any = None) -> Project:
    """Look for the fracture faces; those chosen by hand stay."""
    return steps.find_faces(_cleaned(project, part_of(report, 0.0, 0.1)), settings, part_of(report, 0.1, 1.0))


def join(project: Project, report: Report, settings: dict[str, Any] | None = None) -> Project:
    """From wherever the project stands to measured gaps."""
    settings = settings or {}
    project = _cleaned(project, part_of(report, 0.0, 0.05))
    if len(project.fragments) < 2:
        raise NoAnswer("A joint needs two fragments.", "Add the scan of at least one more fragment.")
    if {face.fragment for face in project.faces} != set(range(len(project.fragments))):
        project = steps.find_faces(project, settings.get("find_faces"), part_of(report, 0.05, 0.3))
    return _settled(project, part_of(report, 0.3, 1.0), settings, BEFORE_FIT)


def settle(project: Project, report: Report, settings: dict[str, Any] | None = None) -> Project:
    """Place the fragments by the joints that stand, without looking for others."""
    return _settled(project, report, settings or {}, (("align", 0.8), ("measure_fit", 0.2)))


def fuse(project: Project, report: Report, settings: Any = None) -> Project:
    """Fuse what is placed into one closed surface."""
    return steps.fuse(project, settings, report)


def write_whole(project: Project, report: Report, path: str, unit: str = "mm") -> Project:
    """Write the whole to a mesh file; the project stays as it is."""
    from rejoin.core.files import write_mesh

    if project.whole is None:
        raise NoAnswer("There is no whole to save yet.", "Fuse the fragments first.")
    report(0.1, f"Writing {Path(path).name}")
    write_mesh(project.whole.mesh, path, unit)
    return project


def save(project: Project, report: Report, path: str) -> Project:
    """Write the project file; the project stays as it is."""
    from rejoin.core.storage import save_project

    report(0.1, f"Saving {Path(path).name}")
    save_project(project, path)
    return project


def load(project: Project, report: Report, path: str) -> Project:
    """Read a project file."""
    from rejoin.core.storage import load_project

    report(0.1, f"Opening {Path(path).name}")
    return load_project(path)


def recover(project: Project, report: Report, folder: str) -> Project:
    """Read the recovery copy that an earlier run left."""
    from rejoin.core.storage import load_recovery

    report(0.1, "Reading the recovery copy")
    return load_recovery(folder)


def _cleaned(project: Project, report: Report) -> Project:
    complete = len(project.fragments) == len(project.scans) and bool(project.fragments)
    return project if complete else steps.clean(project, None, report)


def _settled(
    project: Project, report: Report, settings: dict[str, Any], names: tuple[tuple[str, float], ...]
) -> Project:
    start = 0.0
    for name, share in names:
        step = dict(steps.STEPS)[name]
        project = step(project, settings.get(name), part_of(report, start, start + share))
        start += share
    return project


def pair(project: Project, report: Report, face_a: int, face_b: int) -> Project:
    """Join two fragments by two faces that the person says belong together."""
    from dataclasses import replace

    from rejoin.core.project import changed

    first, second = project.faces[face_a], project.faces[face_b]
    alone = replace(project, faces=(first, second), joints=(), placements=(), fits=(), whole=None, history=())
    found = [j for j in steps.match(alone, None, part_of(report, 0.0, 0.5)).joints if {j.a, j.b} == {
        first.fragment, second.fragment}]  # fmt: skip
    if not found:
        raise NoAnswer("No way was found to lay these two faces together.",
                       "Mark three matching places on each fragment instead.")  # fmt: skip
    best = max(found, key=lambda j: j.evidence.score)
    others = tuple(j for j in project.joints if {j.a, j.b} != {best.a, best.b})
    pinned = replace(best, state="pinned", found_by="person")
    return settle(changed(project, joints=(*others, pinned)), part_of(report, 0.5, 1.0))
