"""Joints that deceive, and one that does not: small bars made on the spot, laid together in the best way there is, with what exposes them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rejoin.core.assembling import find_joints, place_fragments, ways_of_pair
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import Cancelled, NoAnswer, WrongUse
from rejoin.core.fit import measure_joint
from rejoin.core.lessons.blocks import Bar, half
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import FitReport, FractureFace, Fragment, IntArray, Joint, Placement, Project
from rejoin.core.settings import (
    AlignSettings,
    CleanSettings,
    FitSettings,
    MatchSettings,
    Report,
    part_of,
    silent,
)
from rejoin.core.transforms import identity


@dataclass(frozen=True)
class Try:
    """One joint to look at.

    ``story`` is what seems to be so, ``exposed`` where to look and what it means. ``first`` and ``second`` are the
    bars whose halves are laid together.
    """

    name: str
    title: str
    story: str
    exposed: str
    first: Bar
    second: Bar


TRIES = (
    Try(
        "stranger",
        "A stranger",
        "Two bar ends of one pattern, cast on one day, lay in one crate. Each broke, but not from the other.",
        "The outlines agree to a hair, yet only a small part of the faces touches, the misfit is several times the "
        "scans' noise, and other positions are as good: hills meet hills. Asked to join them, the program refuses.",
        Bar(3),
        Bar(4),
    ),
    Try(
        "flat",
        "Two flat faces",
        "A bar was cut through with a saw, and both ends were dressed. They lie together without a gap.",
        "A close fit alone proves nothing: faces without relief touch in any position, so they could slide, and any "
        "other flat end would fit as well. Known sizes must say where they belong.",
        Bar(5, relief_mm=0.02),
        Bar(5, relief_mm=0.02),
    ),
    Try(
        "worn",
        "A worn joint",
        "The halves of this bar went on rubbing for a season before anyone stopped the machine. A quarter of a "
        "millimetre is gone from each face.",
        "Pressed together they seem to fit, and the part comes out short. The slopes of the relief touch before the "
        "hilltops do: from that the program tells how thick a layer is missing, and leaves it open in the gap. A "
        "caliper reading across the joint settles it.",
        Bar(6, worn_mm=0.25),
        Bar(6, worn_mm=0.25),
    ),
    Try(
        "true",
        "A true joint, to compare",
        "One bar, broken this morning and kept dry. Nothing is worn, nothing is lost.",
        "Nearly all of the faces touch, the misfit is no more than the scans' noise, the relief holds the halves in "
        "all directions, and no other position comes near.",
        Bar(11),
        Bar(11),
    ),
)  # fmt: skip

NAMES = ("first end", "second end")


def tried(name: str, report: Report = silent) -> Project:
    """Make the two fragments of a try and lay them together: as `join` does, or in the best way where it refuses.

    Raises
    ------
    WrongUse
        Where there is no such try.
    """
    chosen = next((one for one in TRIES if one.name == name), None)
    if chosen is None:
        raise WrongUse(f"There is no wrong try called {name!r}.", f"Choose one of: {', '.join(t.name for t in TRIES)}.")
    report(0.0, "Making the fragments")
    bars = (chosen.first, chosen.second)
    made = tuple(half(bar, part, NAMES[part]) for part, bar in enumerate(bars))
    scans = tuple(scan for scan, _, _ in made)
    fragments = tuple(clean_scan(scan, CleanSettings(), part_of(report, 0.0, 0.1)) for scan in scans)
    faces = tuple(_face(fragment, number, made[number][2]) for number, fragment in enumerate(fragments))
    joints = find_joints(fragments, faces, (), MatchSettings(), part_of(report, 0.2, 0.5))
    project = Project(scans, fragments, faces)
    if not joints:
        joints = ways_of_pair(fragments, faces, 0, 1, 2, part_of(report, 0.5, 0.8))[:1]
    return _laid(project, joints, part_of(report, 0.8, 1.0))


def _face(fragment: Fragment, number: int, broken: IntArray) -> FractureFace:
    """The broken end, chosen as a person would."""
    area = float(triangle_areas(fragment.mesh)[broken].sum())
    return FractureFace(number, broken, area, 1.0, "person")


def _laid(project: Project, joints: tuple[Joint, ...], report: Report) -> Project:
    """The project with its fragments placed by these joints, adjusted where that can be, and the gap measured."""
    if not joints:
        return project
    try:
        joints, placements = place_fragments(project.fragments, joints, AlignSettings(), report)
    except Cancelled:
        raise
    except NoAnswer:
        placements = ()
    if any(p.part_from_scan is None for p in placements) or not placements:
        joint = joints[0]
        poses = {joint.a: identity(), joint.b: joint.a_from_b}
        placements = tuple(Placement(poses[n], "program") for n in range(len(project.fragments)))
    fits: tuple[FitReport, ...] = tuple(
        measure_joint(project.fragments, placements, joint, number, FitSettings(), report)
        for number, joint in enumerate(joints)
    )
    return replace(project, joints=joints, placements=placements, fits=fits)

