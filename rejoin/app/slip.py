"""Along which way a joint that is weakly held may still slip, and how far: from the adjustment's covariance."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from rejoin.core.records import FloatArray, Project
from rejoin.core.transforms import apply

SHOWN_FROM = 4.0
"""A slip is worth an arrow where its 95 % bound is more than this many times the scans' own noise or spacing share."""

USUAL_95 = 1.96
AT_THE_CRACK = re.compile(r"may (?:stand|slip) ([0-9]+[.][0-9]+) mm")
"""How row 30 tells the same motion, where it shows at the crack itself."""


@dataclass(frozen=True, eq=False)
class Slip:
    """``point_mm`` (3,) in the fragment's scan frame, ``direction`` (3,) in the part's, ``size_mm`` at 95 %.

    ``told_mm`` is the size as row 30 tells it, where it speaks of a motion at the crack too.
    """

    fragment: int
    point_mm: FloatArray
    direction: FloatArray
    size_mm: float
    drawn_mm: float
    told_mm: float


def slips(project: Project) -> list[Slip]:
    """One for each placed fragment whose joint leaves it freer than the scans would explain."""
    found = []
    for number, placement in enumerate(project.placements):
        if placement.part_from_scan is None or placement.covariance is None or not placement.u95_mm:
            continue
        fragment = project.fragments[number]
        mesh = fragment.mesh
        step = max(len(mesh.vertices) // 20_000, 1)
        cloud = mesh.vertices[::step]
        point = _joint_centre(project, number)
        if point is None:
            continue
        centre = cloud.mean(axis=0)
        arm = apply(placement.part_from_scan, point[None])[0] - apply(placement.part_from_scan, centre[None])[0]
        moves = np.hstack([-_cross(arm), np.eye(3)])
        spread = moves @ placement.covariance @ moves.T
        sizes, ways = np.linalg.eigh((spread + spread.T) / 2)
        size = USUAL_95 * float(np.sqrt(max(sizes[-1], 0.0)))
        if size > max(SHOWN_FROM * fragment.noise_mm, 0.25 * fragment.spacing_mm):
            reach = float(np.linalg.norm(np.ptp(cloud, axis=0)))
            told = AT_THE_CRACK.match(placement.weakest or "")
            told_mm = float(told[1]) if told else size
            found.append(Slip(number, point, ways[:, -1], size, max(0.12 * reach, size), told_mm))
    return found


def _joint_centre(project: Project, number: int) -> FloatArray | None:
    for joint in project.joints:
        if joint.state == "rejected" or number not in (joint.a, joint.b):
            continue
        face = joint.face_a if joint.a == number else joint.face_b
        mesh = project.fragments[number].mesh
        step = max(len(face.triangles) // 5000, 1)
        return np.asarray(mesh.vertices[mesh.triangles[face.triangles[::step]]].mean(axis=(0, 1)))
    return None


def _cross(vector: FloatArray) -> FloatArray:
    """(3, 3) matrix M with M @ x = vector x x."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
