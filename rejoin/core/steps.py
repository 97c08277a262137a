"""The steps of the main job, in order: each takes a `Project` and returns a new one.

The window and the command line call these and nothing else. The modules that
do the work are imported inside, so that asking for help loads none of them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rejoin.core.abreast import MOST, abreast
from rejoin.core.capacity import check_reading, most_triangles
from rejoin.core.errors import Cancelled, NoAnswer
from rejoin.core.libraries.blas import unthreaded
from rejoin.core.project import changed, recorded
from rejoin.core.records import Fragment, Project, Scan, StepRecord
from rejoin.core.settings import (
    AlignSettings,
    CleanSettings,
    FaceSettings,
    FitSettings,
    FuseSettings,
    MatchSettings,
    ReadSettings,
    Report,
    Settings,
    as_pairs,
    part_of,
    silent,
)

if TYPE_CHECKING:
    from rejoin.core.files.marks import FileMarks
    from rejoin.core.uncertainty.stated import KnownDimension

Step = Callable[..., Project]


def timed(project: Project, step: str, settings: Settings, started: float) -> Project:
    """The project with a record of a step that was ``started`` then (`time.perf_counter`)."""
    return recorded(project, StepRecord(step, as_pairs(settings), time.perf_counter() - started))


@unthreaded
def read(
    inputs: Sequence[str | Path],
    settings: ReadSettings | None = None,
    report: Report = silent,
    project: Project | None = None,
    marks: Sequence[FileMarks] = (),
) -> Project:
    """Read fragments from files or folders and add them to the project.

    Parameters
    ----------
    inputs : sequence of path
        Each a file, or a folder: one fragment, of which it holds one scan or several from different sides.
    settings : ReadSettings, optional
    report : Report, optional
    project : Project, optional
        Where to add the scans; an empty one by default.
    marks : sequence of FileMarks, optional
        The same places on two scans of a folder, which are laid together so.

    Returns
    -------
    Project

    Raises
    ------
    FileTrouble
        Where a file is missing, damaged, or not of a known kind.
    NoAnswer
        Where the scans of a folder cannot be laid on each other.
    WrongUse
        Where marks do not tell how two of them lie together.
    """

    from rejoin.core.files import memory_to_read
    from rejoin.core.files.alike import told_apart

    settings, project, started = settings or ReadSettings(), project or Project(), time.perf_counter()
    check_reading(sum(sorted(map(memory_to_read, inputs))[-MOST:]))

    def one(path: str | Path, share: Report) -> Scan:
        with told_apart(path, inputs):
            return _read_one(path, settings, share, marks)

    scans = abreast(one, inputs, report)
    return timed(changed(project, scans=(*project.scans, *scans)), "read", settings, started)


def _read_one(path: str | Path, settings: ReadSettings, report: Report, marks: Sequence[FileMarks]) -> Scan:
    """One fragment's scan; made of several where its folder holds several."""
    from rejoin.core.files import read_fragment, scan_files

    files = scan_files(path)
    if len(files) == 1:
        return read_fragment(path, settings, report)
    from rejoin.core.files.marks import in_mm
    from rejoin.core.merging import merge_scans

    views = [read_fragment(file, settings, part_of(report, 0.1 * n / len(files), 0.1 * (n + 1) / len(files)))
             for n, file in enumerate(files)]  # fmt: skip
    name = Path(path).name
    try:
        return merge_scans(views, name, settings, part_of(report, 0.1, 1.0), in_mm(marks, files, views))
    except Cancelled:
        raise
    except NoAnswer as error:
        raise NoAnswer(f"{name}: {error.what_happened}", error.what_to_do) from error


@unthreaded
def clean(project: Project, settings: CleanSettings | None = None, report: Report = silent) -> Project:
    """Weld, orient and measure each scan that has no fragment yet; every repair is recorded.

    Raises
    ------
    NoAnswer
        Where a scan holds no surface.
    """
    from rejoin.core.cleaning import clean_scan

    settings, started = settings or CleanSettings(), time.perf_counter()
    known = {id(fragment.scan): fragment for fragment in project.fragments}
    most = None if settings.most_triangles else most_triangles([len(scan.mesh.triangles) for scan in project.scans])
    wish = settings if most is None else replace(settings, most_triangles=1e-6 * most)
    fragments = abreast(lambda scan, share: known.get(id(scan)) or clean_scan(scan, wish, share), project.scans, report)
    return timed(changed(project, fragments=tuple(fragments)), "clean", settings, started)


@unthreaded
def judge(project: Project, report: Report = silent) -> Project:
    """Look whether the scans are good enough: `Fragment.faults` tells what to scan again. Nothing is forgotten."""
    from rejoin.core.judging import faults_of

    def judged(one: tuple[int, Fragment], share: Report) -> Fragment:
        number, fragment = one
        faces = [face for face in project.faces if face.fragment == number]
        if not faces and fragment.scan.role == "fragment":
            from rejoin.core.faces import find_fracture_faces

            faces = list(find_fracture_faces(fragment, number, FaceSettings(), part_of(share, 0.0, 0.5)))
        return replace(fragment, faults=faults_of(fragment, faces, part_of(share, 0.5, 1.0)))

    return replace(project, fragments=tuple(abreast(judged, list(enumerate(project.fragments)), report)))


@unthreaded
def find_faces(project: Project, settings: FaceSettings | None = None, report: Report = silent) -> Project:
    """Find on each fragment the faces where the part broke. Faces chosen by the person are kept."""
    from rejoin.core.faces import find_fracture_faces

    settings, started = settings or FaceSettings(), time.perf_counter()
    by_hand = {face.fragment for face in project.faces if face.chosen_by == "person"}
    faces = [face for face in project.faces if face.chosen_by == "person"]
    open_ones = [
        (number, fragment) for number, fragment in enumerate(project.fragments)
        if number not in by_hand and fragment.scan.role == "fragment"
    ]  # fmt: skip
    found = abreast(lambda one, share: find_fracture_faces(one[1], one[0], settings, share), open_ones, report)
    return timed(changed(project, faces=(*faces, *chain(*found))), "find_faces", settings, started)


@unthreaded
def match(project: Project, settings: MatchSettings | None = None, report: Report = silent) -> Project:
    """Find which faces belong together, and roughly how.

    Raises
    ------
    NoAnswer
        Where there are fewer than two fragments.
    """
    from rejoin.core.assembling import find_joints

    settings, started = settings or MatchSettings(), time.perf_counter()
    _need_two(project)
    joints = find_joints(project.fragments, project.faces, project.joints, settings, report)
    return timed(changed(project, joints=joints), "match", settings, started)


@unthreaded
def align(
    project: Project,
    settings: AlignSettings | None = None,
    report: Report = silent,
    known: Sequence[KnownDimension] = (),
) -> Project:
    """Place all fragments by one adjustment over all joints, with its uncertainty.

    Parameters
    ----------
    project : Project
        With joints.
    settings : AlignSettings, optional
    report : Report, optional
    known : sequence of KnownDimension, optional
        Sizes across the joints that the person states: observations like any other.

    Returns
    -------
    Project
    """
    from rejoin.core.placing import place_fragments
    from rejoin.core.stepped import allowed_for_steps

    settings, started = settings or AlignSettings(), time.perf_counter()
    _need_two(project)
    placing = part_of(report, 0.0, 0.9)
    joints, placements = place_fragments(project.fragments, project.joints, settings, placing, known)
    placements = allowed_for_steps(project.fragments, joints, placements, part_of(report, 0.9, 1.0))
    if any(fragment.scan.role != "fragment" for fragment in project.fragments):
        from rejoin.core.merging.onto import placed_on_reference

        placements = placed_on_reference(project.fragments, placements, report)
    return timed(changed(project, joints=joints, placements=placements), "align", settings, started)


@unthreaded
def measure_fit(project: Project, settings: FitSettings | None = None, report: Report = silent) -> Project:
    """Measure gap and overlap over every joint between placed fragments."""
    from rejoin.core.fit import measure_joint

    settings, started = settings or FitSettings(), time.perf_counter()
    fits = []
    for number, joint in enumerate(project.joints):
        a, b = project.placements[joint.a], project.placements[joint.b]
        if joint.state == "rejected" or a.part_from_scan is None or b.part_from_scan is None:
            continue
        share = part_of(report, number / len(project.joints), (number + 1) / len(project.joints))
        fits.append(measure_joint(project.fragments, project.placements, joint, number, settings, share))
    return timed(changed(project, fits=tuple(fits)), "measure_fit", settings, started)


@unthreaded
def fuse(project: Project, settings: FuseSettings | None = None, report: Report = silent) -> Project:
    """Fuse the placed fragments into one closed surface.

    Raises
    ------
    NoAnswer
        Where fewer than two fragments are placed, or no surface results.
    """
    from rejoin.core.fusing import fuse_fragments

    settings, started = settings or FuseSettings(), time.perf_counter()
    if sum(p.part_from_scan is not None for p in project.placements) < 2:
        raise NoAnswer("There are no two placed fragments to fuse.", "Join the fragments first.")
    whole = fuse_fragments(
        project.fragments, project.placements, project.joints, settings, report, project.faces
    )
    return timed(changed(project, whole=whole), "fuse", settings, started)


def _need_two(project: Project) -> None:
    if len(project.fragments) < 2:
        raise NoAnswer("There is only one fragment here." if project.fragments else "There is no fragment here.",
                       "Add the scan of at least two fragments.")


STEPS: tuple[tuple[str, Step], ...] = (
    ("clean", clean),
    ("find_faces", find_faces),
    ("match", match),
    ("align", align),
    ("measure_fit", measure_fit),
    ("fuse", fuse),
)
"""What follows `read`, in order."""


def join(project: Project, report: Report = silent, **settings: Any) -> Project:
    """Run every step after `read`; stops before `fuse` where nothing could be placed together.

    Parameters
    ----------
    project : Project
        With scans.
    report : Report, optional
    **settings
        Settings by step name, e.g. ``fuse=FuseSettings(...)``.

    Returns
    -------
    Project
    """
    for number, (name, step) in enumerate(STEPS):
        if name == "fuse" and sum(p.part_from_scan is not None for p in project.placements) < 2:
            break
        share = part_of(report, number / len(STEPS), (number + 1) / len(STEPS))
        project = step(project, settings.get(name), share)
    return project
