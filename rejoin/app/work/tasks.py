"""Long work, run in the worker process: each is ``task(project, report, **wishes) -> Project``.

No Qt here: the worker imports this module.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core import edits, further, steps
from rejoin.core.errors import NoAnswer
from rejoin.core.project import changed
from rejoin.core.records import FractureFace, Joint, Project, Repair, SamePlaces
from rejoin.core.settings import AlignSettings, CleanSettings, MatchSettings, ReadSettings, Report, part_of

Marks = tuple[tuple[float, float, float], ...]

BEFORE_FIT: tuple[tuple[str, float], ...] = (("match", 0.6), ("align", 0.3), ("measure_fit", 0.1))


def read(project: Project, report: Report, inputs: tuple[str, ...], unit: str | None = None) -> Project:
    """Add the scans in ``inputs`` to the project."""
    return steps.read(inputs, ReadSettings(unit=unit), report, project)


def clean(project: Project, report: Report, settings: Any = None) -> Project:
    """Repair and measure the scans that are new."""
    return steps.clean(project, settings, report)


def clean_again(
    project: Project, report: Report, fragment: int, without: tuple[str, ...], settings: Any = None
) -> Project:
    """Clean one scan anew, some kinds of repair left out."""
    from rejoin.core.cleaning import clean_scan

    settings = settings or CleanSettings()
    if "specks" in without:
        settings = replace(settings, speck_share=0.0)
    if "inside out" in without:
        settings = replace(settings, flip_inside_out=False)
    before = project.fragments[fragment]
    if not settings.most_triangles and any(repair.kind == "reduced" for repair in before.repairs):
        settings = replace(settings, most_triangles=1e-6 * len(before.mesh.triangles))
    made = clean_scan(project.scans[fragment], settings, report)
    if "specks" in without and before.specks:
        words = "1 loose speck left" if before.specks == 1 else f"{before.specks} loose specks left"
        made = replace(made, repairs=(*made.repairs, Repair("specks left", before.specks, words)))
    return edits.exchange_fragment(project, fragment, made)


def judge(project: Project, report: Report) -> Project:
    """Look whether the scans are good enough; nothing is forgotten."""
    return steps.judge(_cleaned(project, part_of(report, 0.0, 0.1)), part_of(report, 0.1, 1.0))


def find_faces(project: Project, report: Report, settings: Any = None) -> Project:
    """Look for the fracture faces; those chosen by hand stay."""
    return steps.find_faces(_cleaned(project, part_of(report, 0.0, 0.1)), settings, part_of(report, 0.1, 1.0))


def join(project: Project, report: Report, settings: dict[str, Any] | None = None) -> Project:
    """From wherever the project stands to measured gaps."""
    settings = settings or {}
    project = _cleaned(project, part_of(report, 0.0, 0.05))
    if len(project.fragments) < 2:
        raise NoAnswer("A joint needs two fragments.", "Add the scan of at least one more fragment.")
    broken = {n for n, fragment in enumerate(project.fragments) if fragment.scan.role == "fragment"}
    if not broken <= {face.fragment for face in project.faces}:
        held = tuple(joint for joint in project.joints if joint.state in ("pinned", "rejected"))
        project = steps.find_faces(project, settings.get("find_faces"), part_of(report, 0.05, 0.3))
        project = changed(project, joints=held)  # what the person said of joints stands, whatever faces are found
    return _settled(project, part_of(report, 0.3, 1.0), settings, BEFORE_FIT)


def settle(project: Project, report: Report, settings: dict[str, Any] | None = None) -> Project:
    """Place the fragments by the joints that stand, without looking for others."""
    return _settled(project, report, settings or {}, (("align", 0.8), ("measure_fit", 0.2)))


def fuse(project: Project, report: Report, settings: Any = None) -> Project:
    """Fuse what is placed into one closed surface."""
    return steps.fuse(project, settings, report)


def restore_lost_piece(project: Project, report: Report, settings: Any = None) -> Project:
    """Add to the whole what broke off and is lost."""
    return further.restore_lost_piece(project, settings, report)


def write_whole(project: Project, report: Report, path: str, unit: str = "mm") -> Project:
    """Write the whole to a mesh file; the project stays as it is."""
    from rejoin.core.files import write_mesh
    from rejoin.core.report import write_whole_report

    if project.whole is None:
        raise NoAnswer("There is no whole to save yet.", "Fuse the fragments first.")
    report(0.1, f"Writing {Path(path).name}")
    write_mesh(project.whole.mesh, path, unit)
    write_whole_report(project, path)
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
    from rejoin.core.uncertainty.stated import known_sizes

    start = 0.0
    for name, share in names:
        step = dict(steps.STEPS)[name]
        wishes = {"known": known_sizes(project.stated)} if name == "align" else {}
        project = step(project, settings.get(name), part_of(report, start, start + share), **wishes)
        start += share
    return project


def pair(project: Project, report: Report, face_a: int, face_b: int, settings: dict[str, Any] | None = None) -> Project:
    """Join two fragments by two faces that the person says belong together."""
    first, second = project.faces[face_a], project.faces[face_b]
    a, b = sorted((first.fragment, second.fragment))
    # the person's word stands above the evidence, which is told but does not forbid
    ways = _ways(replace(project, faces=(first, second)), a, b, 2, part_of(report, 0.0, 0.25))
    if not ways:  # a face may reach over its rim: the program's own faces within it are tried too
        inner = _faces_within(project, (first, second), part_of(report, 0.25, 0.35))
        ways = _ways(replace(project, faces=inner), a, b, 2, part_of(report, 0.35, 0.5))
    if not ways:
        raise NoAnswer("No way was found to lay these two faces together.",
                       "Look whether both are broken surfaces, or mark three matching places on each fragment.")
    return settle(edits.use_candidate(project, ways[0]), part_of(report, 0.5, 1.0), settings)


def join_by_marks(
    project: Project, report: Report, a: int, b: int, marks_a: Marks, marks_b: Marks,
    settings: dict[str, Any] | None = None,
) -> Project:  # fmt: skip
    """Join two fragments by three or more pairs of marks."""
    report(0.05, "Laying the marks together")
    return _settled_from_afar(edits.join_by_marks(project, a, b, marks_a, marks_b), part_of(report, 0.2, 1.0), settings)


def make_one(
    project: Project, report: Report, which: tuple[int, ...], marks: tuple[tuple[int, Marks], ...] = (),
    settings: Any = None,
) -> Project:  # fmt: skip
    """Make one piece of several scans; ``marks`` are the same places on two of them, or nothing."""
    places = [SamePlaces(marks[0][0], marks[1][0], *(np.array(on) for _, on in marks))] if marks else []
    return edits.make_one(project, which, places, cleaning=settings, report=report)


def settle_as_placed(
    project: Project, report: Report, fragment: int, settings: dict[str, Any] | None = None
) -> Project:
    """Bring a fragment that was moved by hand into contact with the one next to it."""
    report(0.05, "Looking what it lies next to")
    return _settled_from_afar(edits.join_as_placed(project, fragment), part_of(report, 0.2, 1.0), settings)


def _settled_from_afar(project: Project, report: Report, settings: dict[str, Any] | None) -> Project:
    """`settle`; a hand sets a fragment down less exactly than a search, so it may start from further off."""
    chosen = dict(settings or {})
    align = chosen.get("align") or AlignSettings()
    for wider in (1.0, 4.0):
        try:
            return settle(project, report, {**chosen, "align": replace(align, reach=min(align.reach * wider, 50.0))})
        except NoAnswer:
            report(0.1, "Looking further off")
    return settle(project, report, {**chosen, "align": replace(align, reach=min(align.reach * 12.0, 50.0))})


def candidates(project: Project, report: Report, a: int, b: int, settings: dict[str, Any] | None = None) -> Project:
    """All ways in which two fragments might go together, best first, as the joints of the project returned."""
    if not {a, b} <= {face.fragment for face in project.faces}:
        project = steps.find_faces(project, (settings or {}).get("find_faces"), part_of(report, 0.0, 0.2))
    match = (settings or {}).get("match") or MatchSettings()
    ways = _ways(project, a, b, match.thoroughness, part_of(report, 0.2, 1.0))
    if not ways:
        raise NoAnswer("No other way was found in which these two fragments touch.",
                       "Choose the broken faces by hand, or mark three matching places on each.")  # fmt: skip
    return replace(project, joints=ways, placements=(), fits=(), whole=None)


def _faces_within(project: Project, chosen: tuple[FractureFace, ...], report: Report) -> tuple[FractureFace, ...]:
    """The chosen faces, and those that the program finds mostly inside them."""
    found = steps.find_faces(replace(project, faces=()), None, report).faces
    kept = list(chosen)
    for face in chosen:
        inside = np.zeros(len(project.fragments[face.fragment].mesh.triangles), bool)
        inside[face.triangles] = True
        kept += [f for f in found if f.fragment == face.fragment and inside[f.triangles].mean() > 0.7
                 and f.area_mm2 > 0.3 * face.area_mm2]  # fmt: skip
    return tuple(kept)


def _ways(project: Project, a: int, b: int, thoroughness: int, report: Report) -> tuple[Joint, ...]:
    """Joints of two fragments by the faces of the project, whatever the evidence says of them; best first."""
    from rejoin.core.assembling import ways_of_pair

    return ways_of_pair(project.fragments, project.faces, a, b, thoroughness, report)
