"""Joints that deceive, and one that does not, with what exposes them.

Small bars are made on the spot and laid together in the best way there is.
"""

from __future__ import annotations

from dataclasses import replace

from rejoin.core.assembling import find_joints, made_joint, ways_of_pair
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import Cancelled, NoAnswer, WrongUse
from rejoin.core.evidence import decided, judge, tied
from rejoin.core.fit import measure_joint
from rejoin.core.icp import settled
from rejoin.core.lessons.blocks import half
from rejoin.core.lessons.stories import STORIES, file_of
from rejoin.core.meshes import triangle_areas
from rejoin.core.placing import place_fragments
from rejoin.core.prepared import prepared
from rejoin.core.records import FloatArray, FractureFace, Fragment, IntArray, Joint, Placement, Project
from rejoin.core.settings import (
    AlignSettings,
    CleanSettings,
    FitSettings,
    MatchSettings,
    Report,
    part_of,
    silent,
)
from rejoin.core.surfaces import alike
from rejoin.core.transforms import displacement, identity, inverse

NAMES = ("first end", "second end")


STAYS = 4.0
"""The adjustment may move a joint that was laid by its outline by so many spacings; beyond, it stays as it was laid."""


def tried(name: str, report: Report = silent) -> Project:
    """Make the two fragments of a try and lay them together: as `join` does, or by their outlines where it refuses.

    Raises
    ------
    WrongUse
        Where there is no such try.
    """
    chosen = next((story for story in STORIES if story.name == name), None)
    if chosen is None:
        names = ", ".join(story.name for story in STORIES)
        raise WrongUse(f"There is no wrong try called {name!r}.", f"Choose one of: {names}.")
    report(0.0, "Making the fragments")
    bars = (chosen.first, chosen.second)
    made = tuple(half(bar, part, NAMES[part], file_of(name, part)) for part, bar in enumerate(bars))
    scans = tuple(scan for scan, _, _ in made)
    fragments = tuple(clean_scan(scan, CleanSettings(), part_of(report, 0.0, 0.1)) for scan in scans)
    faces = tuple(_face(fragment, number, made[number][2]) for number, fragment in enumerate(fragments))
    project = Project(scans, fragments, faces)
    found = find_joints(fragments, faces, (), MatchSettings(), part_of(report, 0.2, 0.5))
    joints = tuple(joint for joint in found if not tied(joint.evidence))
    if joints:
        joints, placements = place_fragments(fragments, joints, AlignSettings(), part_of(report, 0.5, 0.9))
    else:
        joint = _by_outline(project, inverse(made[0][1]) @ made[1][1], part_of(report, 0.5, 0.8))
        joints, placements = _adjusted(project, joint, part_of(report, 0.8, 0.9))
    fits = tuple(
        measure_joint(fragments, placements, joint, number, FitSettings(), part_of(report, 0.9, 1.0))
        for number, joint in enumerate(joints)
    )
    return replace(project, joints=joints, placements=placements, fits=fits)


def _face(fragment: Fragment, number: int, broken: IntArray) -> FractureFace:
    """The broken end, chosen as a person would."""
    area = float(triangle_areas(fragment.mesh)[broken].sum())
    return FractureFace(number, broken, area, 1.0, "person")


def _by_outline(project: Project, a_from_b: FloatArray, report: Report) -> Joint:
    """The joint as a hand would lay it, edge on edge, pressed together and judged against all other ways."""
    ready = [prepared(fragment, (face,)) for fragment, face in zip(project.fragments, project.faces, strict=True)]
    first, second = ready[0].surface, ready[1].surface
    pressed = settled(first, second, a_from_b)
    others = [
        joint.evidence.score for joint in ways_of_pair(project.fragments, project.faces, 0, 1, 1, report)
        if not alike(first, second, joint.a_from_b, pressed)
    ]  # fmt: skip
    evidence = decided(judge(first, second, pressed), max(others, default=0.0))
    return made_joint(ready, 0, 1, pressed, evidence)


def _adjusted(project: Project, joint: Joint, report: Report) -> tuple[tuple[Joint, ...], tuple[Placement, ...]]:
    """The joint after the adjustment, or as it was laid where the faces do not hold it there."""
    as_laid = (Placement(identity(), "program", u95_mm=0.0), Placement(joint.a_from_b, "program"))
    try:
        joints, placements = place_fragments(project.fragments, (joint,), AlignSettings(), report)
    except Cancelled:
        raise
    except NoAnswer:
        return (joint,), as_laid
    pose, second = placements[1].part_from_scan, project.fragments[1]
    if pose is None or displacement(pose, joint.a_from_b, second.mesh.vertices).max() > STAYS * second.spacing_mm:
        return (joint,), as_laid
    return joints, placements
