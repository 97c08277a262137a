"""Along which way a joint that is weakly held may still slip, and how far: from the adjustment's covariance."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from rejoin.core.records import FloatArray, Joint, Project
from rejoin.core.transforms import apply

SHOWN_FROM = 4.0
"""A slip is worth an arrow where its 95 % bound is more than this many times the scans' own noise or spacing share."""

USUAL_95 = 1.96
AT_THE_CRACK = re.compile(r"may (?:stand|slip) ([0-9]+[.][0-9]+) mm")
"""How row 30 tells the same motion, where it shows at the crack itself."""


@dataclass(frozen=True, eq=False)
class Slip:
    """``point_mm`` (3,) in the scan frame of ``fragment``, ``direction`` (3,) in the part's, ``size_mm`` at 95 %.

    It is of ``joint``; ``fragment`` is the less certain of its two. ``told_mm`` is the size as row 30 tells it, where
    it speaks of this motion at the crack too.
    """

    joint: int
    fragment: int
    point_mm: FloatArray
    direction: FloatArray
    size_mm: float
    drawn_mm: float
    told_mm: float


def slips(project: Project) -> list[Slip]:
    """One for each joint that leaves its fragments freer, one against the other, than the scans would explain."""
    found = []
    for number, joint in enumerate(project.joints):
        one, other = sorted((joint.a, joint.b), key=lambda n: _bound(project, n))
        if joint.state == "rejected" or not 0 < _bound(project, other) < np.inf or _bound(project, one) == np.inf:
            continue
        fragment, placement = project.fragments[other], project.placements[other]
        point = _centre(project, joint, other)
        spread = _spread(project, one, other, point)
        sizes, ways = np.linalg.eigh((spread + spread.T) / 2)
        size = USUAL_95 * float(np.sqrt(max(sizes[-1], 0.0)))
        if size > max(SHOWN_FROM * fragment.noise_mm, 0.25 * fragment.spacing_mm):
            reach = float(np.linalg.norm(np.ptp(_cloud(project, other), axis=0)))
            # the row tells of the motion against the first fragment, which is this joint's only where it is of it
            told = AT_THE_CRACK.match(placement.weakest or "") if _bound(project, one) == 0 else None
            told_mm = float(told[1]) if told else size
            found.append(Slip(number, other, point, ways[:, -1], size, max(0.12 * reach, size), told_mm))
    return found


def _bound(project: Project, number: int) -> float:
    """The 95 % bound of a fragment's place; infinite where nothing is known of it."""
    placement = project.placements[number] if number < len(project.placements) else None
    if placement is None or placement.part_from_scan is None or placement.u95_mm is None:
        return float("inf")
    return placement.u95_mm if placement.covariance is not None or placement.u95_mm == 0 else float("inf")


def _spread(project: Project, one: int, other: int, point_mm: FloatArray) -> FloatArray:
    """(3, 3) covariance of how a point of ``other`` (its scan frame) moves against ``one``, part frame."""
    placement, held = project.placements[other], project.placements[one]
    assert placement.part_from_scan is not None and placement.covariance is not None
    place = apply(placement.part_from_scan, point_mm[None])[0]
    mine, theirs = (_moves(project, number, place) for number in (other, one))
    spread = mine @ placement.covariance @ mine.T
    if _bound(project, one) == 0 or held.covariance is None or placement.shared is None:
        return np.asarray(spread)  # of the other's share nothing is known: more is told, not less
    both = mine @ placement.shared[one] @ theirs.T
    return np.asarray(spread + theirs @ held.covariance @ theirs.T - both - both.T)


def _moves(project: Project, number: int, place: FloatArray) -> FloatArray:
    """(3, 6): how a place of the part moves with a fragment."""
    pose = project.placements[number].part_from_scan
    assert pose is not None
    arm = place - apply(pose, _cloud(project, number).mean(axis=0)[None])[0]
    return np.hstack([-_cross(arm), np.eye(3)])


def _cloud(project: Project, number: int) -> FloatArray:
    vertices = project.fragments[number].mesh.vertices
    return vertices[:: max(len(vertices) // 20_000, 1)]


def _centre(project: Project, joint: Joint, number: int) -> FloatArray:
    face = joint.face_a if joint.a == number else joint.face_b
    mesh = project.fragments[number].mesh
    step = max(len(face.triangles) // 5000, 1)
    return np.asarray(mesh.vertices[mesh.triangles[face.triangles[::step]]].mean(axis=(0, 1)))


def _cross(vector: FloatArray) -> FloatArray:
    """(3, 3) matrix M with M @ x = vector x x."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
