"""The stories of the wrong tries: what seems to be so, and what exposes it."""

from __future__ import annotations

from dataclasses import dataclass

from rejoin.core.lessons.blocks import Bar
from rejoin.core.records import Project


@dataclass(frozen=True)
class Story:
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


STORIES = (
    Story(
        "stranger",
        "A stranger",
        "Two bar ends of one pattern, cast on one day, lay in one crate. Each broke, but not from the other.",
        "Laid edge on edge, the outlines agree to a hair. Yet only a small part of the faces touches, the misfit is "
        "several times the scans' noise, and hills meet hills. Asked to join them, the program refuses.",
        Bar(3),
        Bar(4),
    ),
    Story(
        "flat",
        "Two flat faces",
        "A bar was cut through with a saw, and both ends were dressed. They lie together without a gap.",
        "A close fit alone proves nothing: faces without relief touch in any position, so they could slide, and any "
        "other flat end would fit as well. Known sizes must say where they belong.",
        Bar(5, relief_mm=0.02),
        Bar(5, relief_mm=0.02),
    ),
    Story(
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
    Story(
        "true",
        "A true joint, to compare",
        "One bar, broken this morning and kept dry. Nothing is worn, nothing is lost.",
        "Nearly all of the faces touch, the misfit is no more than the scans' noise, the relief holds the halves in "
        "all directions, and no other position comes near.",
        Bar(11),
        Bar(11),
    ),
)  # fmt: skip


def file_of(name: str, part: int) -> str:
    """The name that the scan of a half carries; no such file need exist."""
    return f"try {name} {part + 1}.ply"


def story_of(project: Project) -> Story | None:
    """The story of the try that lies on the bench, if one does."""
    if len(project.scans) != 2:
        return None
    files = tuple(scan.files for scan in project.scans)
    return next((one for one in STORIES if files == ((file_of(one.name, 0),), (file_of(one.name, 1),))), None)
