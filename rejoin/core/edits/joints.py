"""Joints and placements by hand: pinned, rejected, made from marks, moved, held to a stated size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.edits.faces import made_face
from rejoin.core.edits.tuples import put, without
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import placed, triangle_centres
from rejoin.core.project import changed
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, Joint, Placement, Project, StatedSize
from rejoin.core.transforms import apply, from_marks, identity, inverse


def pin_joint(project: Project, joint: int) -> Project:
    """Say that a joint is right: it stays, whatever the numbers say."""
    return _with_state(project, joint, "pinned")


def reject_joint(project: Project, joint: int) -> Project:
    """Say that a joint is wrong: it is not used and not found again."""
    return _with_state(project, joint, "rejected")


def free_joint(project: Project, joint: int) -> Project:
    """Take back a pin or a rejection: the numbers decide again."""
    return _with_state(project, joint, "found")


def use_candidate(project: Project, candidate: Joint) -> Project:
    """Pin one of the ways in which two fragments might go together, instead of the joint between them."""
    others = tuple(j for j in project.joints if {j.a, j.b} != {candidate.a, candidate.b})
    return changed(project, joints=(*others, replace(candidate, state="pinned", found_by="person")))


def join_by_hand(project: Project, a: int, b: int, a_from_b: FloatArray) -> Project:
    """Pin a joint between two fragments that the person brought together.

    Parameters
    ----------
    project : Project
    a, b : int
        Fragments.
    a_from_b : (4, 4) array
        Takes b's scan frame to a's; roughly right is enough, the adjustment
        that follows moves it into contact.

    Raises
    ------
    NoAnswer
        Where nothing of the two fragments comes close.
    """
    faces = _facing(project, a, b, a_from_b)
    joint = Joint(a, b, *faces, a_from_b, _by_hand("You joined these two fragments by hand."), "pinned", "person")
    others = tuple(j for j in project.joints if {j.a, j.b} != {a, b})
    return changed(project, joints=(*others, joint))


def join_by_marks(project: Project, a: int, b: int, marks_a: npt.ArrayLike, marks_b: npt.ArrayLike) -> Project:
    """Pin a joint from three or more pairs of marks, (k, 3) in each scan's frame."""
    return join_by_hand(project, a, b, from_marks(marks_a, marks_b))


def place_by_hand(project: Project, fragment: int, part_from_scan: FloatArray, beside: int = 0) -> Project:
    """Put one fragment where the person wants it; the gaps measured before are forgotten.

    Where nothing is placed yet, the fragment ``beside`` gives the part's frame.
    """
    placements = list(project.placements)
    if len(placements) != len(project.fragments):
        placements = [Placement(None, "nobody", "It is not joined yet.") for _ in project.fragments]
        placements[beside] = Placement(identity(), "person")
    placements[fragment] = Placement(part_from_scan, "person")
    return changed(project, placements=tuple(placements))


def join_as_placed(project: Project, fragment: int) -> Project:
    """Pin a joint between a fragment and the placed one that its surface comes closest to."""
    mine = project.placements[fragment].part_from_scan
    if mine is None:
        raise NoAnswer("This fragment is not placed.", "Move it to its place first.")
    points = apply(mine, project.fragments[fragment].mesh.vertices[::7])
    best: tuple[float, int, FloatArray] | None = None
    for number, placement in enumerate(project.placements):
        if number == fragment or placement.part_from_scan is None:
            continue
        tree = cKDTree(apply(placement.part_from_scan, project.fragments[number].mesh.vertices))
        near = float(np.percentile(tree.query(points)[0], 5))
        if best is None or near < best[0]:
            best = near, number, inverse(placement.part_from_scan) @ mine
    if best is None:
        raise NoAnswer("No other fragment is placed.", "Place another fragment first.")
    return join_by_hand(project, best[1], fragment, best[2])


def state_size(project: Project, size: StatedSize) -> Project:
    """State a dimension between two fragments, known from elsewhere: the next adjustment takes it into account."""
    for fragment in (size.a, size.b):
        if not 0 <= fragment < len(project.fragments):
            raise WrongUse(f"There is no fragment {fragment}.", "Choose one that is listed.")
    if size.a == size.b:
        raise WrongUse("Both ends of this dimension are on one fragment.", "Pick a point on each of two fragments.")
    if not (size.value_mm > 0.0 and size.limit_mm > 0.0):
        raise WrongUse("A dimension and its limit must be above zero.", "Type both as numbers.")
    return changed(replace(project, stated=(*project.stated, size)), placements=())


def drop_size(project: Project, number: int) -> Project:
    """Forget a stated dimension."""
    return changed(replace(project, stated=without(project.stated, number)), placements=())


def _facing(project: Project, a: int, b: int, a_from_b: FloatArray) -> tuple[FractureFace, FractureFace]:
    """The faces of a and b nearest to each other; where none were found, the surface in reach."""
    faces_a = [face for face in project.faces if face.fragment == a]
    faces_b = [face for face in project.faces if face.fragment == b]
    first, second = project.fragments[a], project.fragments[b]
    if faces_a and faces_b:
        centres_a = [_centre(first, face) for face in faces_a]
        centres_b = [apply(a_from_b, _centre(second, face)[None])[0] for face in faces_b]
        far = np.linalg.norm(np.array(centres_a)[:, None] - np.array(centres_b)[None], axis=2)
        i, j = np.unravel_index(int(np.argmin(far)), far.shape)
        return faces_a[i], faces_b[j]
    reach = 10.0 * max(first.spacing_mm, second.spacing_mm)
    centres = triangle_centres(first.mesh), triangle_centres(placed(second.mesh, a_from_b))
    near_a = np.flatnonzero(cKDTree(centres[1]).query(centres[0], distance_upper_bound=reach)[0] < reach)
    near_b = np.flatnonzero(cKDTree(centres[0]).query(centres[1], distance_upper_bound=reach)[0] < reach)
    if not len(near_a) or not len(near_b):
        raise NoAnswer("The two fragments do not come close to each other there.",
                       "Bring the broken faces together, or mark them first.")  # fmt: skip
    return made_face(project, a, near_a), made_face(project, b, near_b)


def _centre(fragment: Fragment, face: FractureFace) -> FloatArray:
    corners = fragment.mesh.vertices[fragment.mesh.triangles[face.triangles]]
    return np.asarray(corners.mean(axis=(0, 1)))


def _by_hand(reason: str) -> Evidence:
    return Evidence(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False, reason)


def _with_state(project: Project, joint: int, state: str) -> Project:
    return changed(project, joints=put(project.joints, joint, replace(project.joints[joint], state=state)))
