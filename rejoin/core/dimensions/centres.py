"""The centres of two bores or shafts on two placed fragments, as the ends of a distance between two points."""

from __future__ import annotations

import numpy as np

from rejoin.core.dimensions.placing import Body
from rejoin.core.dimensions.remembering import ready_ground
from rejoin.core.dimensions.sizes import measure
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Project, StatedSize
from rejoin.core.transforms import apply, inverse

CROSSED = 5.0
"""Degrees by which axes may lean to each other: beyond, a caliper finds no one distance of their centres."""


def centres_between(project: Project, on: tuple[int, int], picks_mm: FloatArray) -> StatedSize:
    """The centres of the bores or shafts at two picks.

    Parameters
    ----------
    project : Project
    on : (int, int)
        Two fragments.
    picks_mm : (2, 3)
        A point on the wall of each, in its scan's frame.

    Returns
    -------
    StatedSize
        Between a point on each axis, square across from each other as placed: how far they are apart now, and as the
        limit how well the scans alone tell both axes (95 %).

    Raises
    ------
    WrongUse
        Both on one fragment.
    NoAnswer
        A fragment that is not placed, no round surface at a pick, or axes that are not parallel.
    """
    if on[0] == on[1]:
        raise WrongUse("Both bores are on one fragment.", "Pick one on each of two fragments.")
    size = measure("centres", picks_mm, [_held(project, number) for number in on])
    first, second = (shape.direction for shape in size.shapes)
    assert first is not None and second is not None
    lean = float(np.degrees(np.arccos(min(abs(float(first @ second)), 1.0))))
    if lean > CROSSED:
        raise NoAnswer(f"The axes of these two lean {lean:.0f} degrees to each other, so their centres have no one "
                       "distance.", "State the distance between two points instead.")  # fmt: skip
    ends = [apply(inverse(_pose(project, number)), size.lines_mm[0][k][None])[0] for k, number in enumerate(on)]
    return StatedSize(on[0], ends[0], on[1], ends[1], size.value, size.u95)


def _held(project: Project, number: int) -> Body:
    """A fragment where it stands, its place held: only how well its own scan tells a feature is asked for."""
    fragment = project.fragments[number]
    return Body(ready_ground(fragment.mesh), number, _pose(project, number), None, None, fragment.noise_mm)


def _pose(project: Project, number: int) -> FloatArray:
    pose = project.placements[number].part_from_scan if number < len(project.placements) else None
    if pose is None:
        raise NoAnswer("Which places of two bores lie across from each other is known only of joined fragments.",
                       "Join them first, or state the distance between two points.")  # fmt: skip
    return pose
