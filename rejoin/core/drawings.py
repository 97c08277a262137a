"""Flat figures, as numbers: a joint's gap map along its face, a section across the crack, the whole as it looks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FitReport, FloatArray, IntArray, Joint, Mesh, Project, Whole
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


@dataclass(frozen=True, eq=False)
class Look:
    """A surface seen from one side: ``light`` (h, w) is 0 to 1, NaN beside it; ``kind`` (h, w) what lies there."""

    light: FloatArray
    kind: IntArray
    mm_per_dot: float


ORIGINAL, MADE_AT_CRACK, NOT_MEASURED = 0, 1, 2


def look_of(whole: Whole, size: tuple[int, int], back: bool = False) -> Look:
    """The whole seen square on its two longest sides, from the slant; ``size`` is (width, height) in dots.

    Points spread over every triangle are laid down from far to near: enough for a picture, and it needs no screen.
    """
    mesh = whole.mesh
    kind = np.zeros(len(mesh.triangles), np.int32)
    kind[whole.seam_triangles] = MADE_AT_CRACK
    kind[whole.filled_triangles] = NOT_MEASURED
    if whole.number_triangles is not None:
        kind[whole.number_triangles] = NOT_MEASURED
    turn_ = _viewing(mesh.vertices, back)
    corners = (mesh.vertices @ turn_.T)[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1)
    facing = np.flatnonzero((normals[:, 2] > 0.0) & (length > 0.0))
    corners, normals = corners[facing], normals[facing] / length[facing, None]
    low, high = corners.reshape(-1, 3).min(axis=0)[:2], corners.reshape(-1, 3).max(axis=0)[:2]
    mm_per_dot = float(max((high - low) / (np.array(size) - 8)))
    points, of = _sprinkled(corners, mm_per_dot)
    light = np.clip(normals @ (np.array([-0.4, 0.5, 0.77])), 0.0, 1.0)
    order = np.argsort(points[:, 2], kind="stable")
    offset = (np.array(size) - (high - low) / mm_per_dot) / 2.0
    places = np.floor((points[:, :2] - low) / mm_per_dot + offset).astype(int)
    shade, what = np.full(size[::-1], np.nan), np.zeros(size[::-1], np.int32)
    for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
        x = np.clip(places[order, 0] + dx, 0, size[0] - 1)
        y = np.clip(size[1] - 1 - places[order, 1] - dy, 0, size[1] - 1)
        fresh = np.full(size[::-1], -1)
        fresh[y, x] = np.arange(len(order))
        taken = (fresh >= 0) & (np.isnan(shade) if dx or dy else True)
        number = of[order[fresh[taken]]]
        shade[taken], what[taken] = light[number], kind[facing[number]]
    return Look(shade, what, mm_per_dot)


def _viewing(points: FloatArray, back: bool) -> FloatArray:
    """Rotation (3, 3) to x right, y up, z towards the eye: the long way of the part lies across."""
    some = points[:: max(1, len(points) // 5000)]
    axes = np.linalg.svd(some - some.mean(axis=0), full_matrices=False)[2]
    axes[2] = np.cross(axes[0], axes[1])
    if back:
        axes = axes * np.array([[-1.0], [1.0], [-1.0]])
    c, s = np.cos(np.radians(24.0)), np.sin(np.radians(24.0))
    tilt = np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])
    aside = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    return np.asarray(tilt @ aside @ axes)


def _sprinkled(corners: FloatArray, mm_per_dot: float) -> tuple[FloatArray, IntArray]:
    """Points (k, 3) over triangles (m, 3, 3), about two a dot, and the triangle of each."""
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.clip(np.ceil(1.5 * longest / mm_per_dot), 1, 400).astype(int)
    points, of = [], []
    for count in np.unique(parts):
        chosen = np.flatnonzero(parts == count)
        u, v = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
        inside = u + v < count
        weight = np.stack([u[inside] + 1 / 3, v[inside] + 1 / 3], axis=1) / count
        weights = np.column_stack([weight, 1.0 - weight.sum(axis=1)])
        points.append(np.einsum("ki,mij->mkj", weights, corners[chosen]).reshape(-1, 3))
        of.append(np.repeat(chosen, len(weights)))
    return np.vstack(points), np.concatenate(of).astype(np.int32)


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
