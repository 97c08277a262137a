"""Flat figures of a joint, as numbers: its gap map seen along the face, and a section across the crack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FitReport, FloatArray, IntArray, Joint, Mesh, Project
from rejoin.core.transforms import apply
from rejoin.core.views import Plane


@dataclass(frozen=True, eq=False)
class GapMap:
    """Fragment a's fracture face laid flat.

    ``corners`` (m, 3, 2) in mm, ``gap_mm`` (m,) is the mean of a triangle's
    corners, NaN where nothing lies opposite.
    """

    corners: FloatArray
    gap_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Section:
    """The outlines of both fragments in a plane across the crack, (k, 2, 2) and (l, 2, 2) pieces in mm."""

    of_a: FloatArray
    of_b: FloatArray


def gap_map(project: Project, fit: FitReport) -> GapMap:
    """The gap over a joint's face a, seen from outside it."""
    joint = project.joints[fit.joint]
    mesh = project.fragments[joint.a].mesh
    gap = np.full(len(mesh.vertices), np.nan)
    gap[fit.vertices_a] = fit.gap_a_mm
    triangles = mesh.triangles[joint.face_a.triangles]
    flat = face_plane(mesh, triangles).coordinates(mesh.vertices)[:, :2]
    return GapMap(flat[triangles], gap[triangles].mean(axis=1))


def section(project: Project, joint: Joint) -> Section:
    """Both fragments cut through the middle of a joint, across its face, along its longer way."""
    mesh, other = project.fragments[joint.a].mesh, project.fragments[joint.b].mesh
    plane = face_plane(mesh, mesh.triangles[joint.face_a.triangles])
    moved = Mesh(apply(joint.a_from_b, other.vertices), other.triangles)
    # Seen in the cut: along the face to the right, the face's normal upwards.
    pieces = [_cut(plane.coordinates(m.vertices)[:, [0, 2, 1]], m.triangles) for m in (mesh, moved)]
    return Section(*pieces)


def face_plane(mesh: Mesh, triangles: IntArray) -> Plane:
    """The plane of a face, its first axis along the face's longer way, its third outwards."""
    vertices = np.unique(triangles)
    points = mesh.vertices[vertices]
    normal = vertex_normals(mesh)[vertices].mean(axis=0)
    normal = normal / max(float(np.linalg.norm(normal)), 1e-12)
    middle = points.mean(axis=0)
    offset = points - middle
    offset = offset - np.outer(offset @ normal, normal)
    along = np.linalg.svd(offset[:: max(1, len(offset) // 5000)], full_matrices=False)[2][0]
    along = along - (along @ normal) * normal
    along = along / np.linalg.norm(along)
    return Plane(middle, np.stack([along, np.cross(normal, along), normal]))


def _cut(points: FloatArray, triangles: IntArray) -> FloatArray:
    """Where a surface crosses the plane in which the third coordinate is 0: pieces (k, 2, 2)."""
    height = points[triangles, 2]
    above = height > 0
    crossing = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    corners, above, height = points[triangles[crossing]], above[crossing], height[crossing]
    # The corner that is alone on its side; both edges from it cross.
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    row = np.arange(len(crossing))
    ends = []
    for shift in (1, 2):
        other = (alone + shift) % 3
        share = height[row, alone] / (height[row, alone] - height[row, other])
        start = corners[row, alone, :2]
        ends.append(start + share[:, None] * (corners[row, other, :2] - start))
    return np.stack(ends, axis=1) if len(crossing) else np.zeros((0, 2, 2))
