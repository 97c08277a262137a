"""Rough poses of two views from flat places: machined and cast parts have walls, which look alike all over.

Two planes of the one view on two of the other leave one motion free, along the line where they meet; it is tried in
steps. On such walls no place looks like any other, so that look-alikes (`coarse`) tell nothing there. Views of a
plate's two sides share a wall at most: the other side stands opposite, as far as the wall is high (`plate_poses`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np

from rejoin.core.records import FloatArray

PLANES = 16
"""Planes of a view that are used, the largest."""
SEEDS = 400
"""Points whose surroundings are tried as planes."""
FLAT, HEIGHT = 0.985, 0.6
"""Cosine to the plane's normal, and steps over it, of a point in a plane."""
LEAST = 0.006
"""Share of a view's points in its smallest plane."""
AGAIN = 1.5
"""Steps from a plane within which what is left over beside it is no other one."""
FITS = 3
"""Rounds of fitting a plane and gathering its points."""
STRIDE = 2.0
"""Steps between places tried along the free motion: rough poses are brought closer from so far."""
SHARED = 0.15
"""Share of the shorter view, along the free motion, that both must have."""
PLATE = 0.3
"""Share of a view's points in its largest plane from which it may show one side of a plate."""
STEEP = 0.5
"""Cosine to the plate's side below which a plane is a wall of it."""


@dataclass(frozen=True, eq=False)
class Planes:
    """The largest planes of a view: unit normals ``ways`` (k, 3), and ``heights`` (k,) along them, mm.

    ``points`` and ``normals`` (n, 3) are the view's, ``step_mm`` is how far they lie apart.
    """

    ways: FloatArray
    heights: FloatArray
    points: FloatArray
    normals: FloatArray
    step_mm: float


def planes_of(points: FloatArray, normals: FloatArray, step_mm: float) -> Planes:
    """The largest planes of a view, by its points and normals (n, 3) some ``step_mm`` apart."""
    seeds = np.linspace(0, len(points) - 1, min(SEEDS, len(points))).astype(np.int64)
    level = normals @ normals[seeds].T > FLAT
    off = points @ normals[seeds].T - np.einsum("ij,ij->i", points[seeds], normals[seeds])
    on = level & (np.abs(off) < HEIGHT * step_mm)
    free = np.ones(len(points), bool)
    ways: list[FloatArray] = []
    heights: list[float] = []
    while len(ways) < PLANES:
        counts = on[free].sum(axis=0)
        best = int(counts.argmax())
        if counts[best] < LEAST * len(points):
            break
        members, way = on[:, best] & free, normals[seeds[best]]
        height = 0.0
        for _ in range(FITS):
            way, height = _fitted(points[members], way)
            near = free & (normals @ way > FLAT) & (np.abs(points @ way - height) < HEIGHT * step_mm)
            if np.count_nonzero(near) < LEAST * len(points):
                break
            members = near
        else:
            place, known = points[members].mean(axis=0), zip(ways, heights, strict=True)
            if not any(way @ one > FLAT and abs(place @ one - at) < AGAIN * step_mm for one, at in known):
                ways.append(way)
                heights.append(height)
        free &= ~(members | on[:, best])
    return Planes(np.array(ways).reshape(-1, 3), np.array(heights), points, normals, step_mm)


def _fitted(points: FloatArray, way: FloatArray) -> tuple[FloatArray, float]:
    """Normal, on the side of ``way``, and height of the plane through points: normals beside an edge lean over it."""
    middle = points.mean(axis=0)
    normal = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, 0]
    normal = normal if normal @ way > 0.0 else -normal
    return normal, float(middle @ normal)


def planar_poses(a: Planes, b: Planes) -> FloatArray:
    """Poses (k, 4, 4) ``a_from_b`` that lay two planes of view b into two of view a."""
    ways_a, heights_a, ways_b, heights_b = a.ways, a.heights, b.ways, b.heights
    pairs_a = np.array(list(combinations(range(len(ways_a)), 2)), np.int64).reshape(-1, 2)
    pairs_b = np.array(list(permutations(range(len(ways_b)), 2)), np.int64).reshape(-1, 2)
    angle_a, angle_b = (np.arccos(np.clip(np.einsum("ij,ij->i", w[p[:, 0]], w[p[:, 1]]), -1, 1))
                        for w, p in ((ways_a, pairs_a), (ways_b, pairs_b)))  # fmt: skip
    alike = np.abs(angle_a[:, None] - angle_b) < np.deg2rad(6.0)
    alike &= (np.abs(angle_a - np.pi / 2) < np.deg2rad(65.0))[:, None]
    frames_a, frames_b = _frames(ways_a[pairs_a]), _frames(ways_b[pairs_b])
    low_a, high_a, low_b, high_b = *_extent(a.points, frames_a), *_extent(b.points, frames_b)
    poses, inverses = [np.empty((0, 4, 4))], np.linalg.pinv(ways_a[pairs_a])
    for one, other in zip(*np.nonzero(alike), strict=True):
        # The shortest shift that brings both planes where they belong.
        fixed = inverses[one] @ (heights_a[pairs_a[one]] - heights_b[pairs_b[other]])
        shared = SHARED * min(high_a[one] - low_a[one], high_b[other] - low_b[other])
        slides = np.arange(low_a[one] - high_b[other] + shared, high_a[one] - low_b[other] - shared, STRIDE * a.step_mm)
        some = np.tile(np.eye(4), (len(slides), 1, 1))
        some[:, :3, :3] = frames_a[one] @ frames_b[other].T
        some[:, :3, 3] = fixed + slides[:, None] * frames_a[one][:, 0]
        poses.append(some)
    return np.concatenate(poses)


def _extent(points: FloatArray, frames: FloatArray) -> tuple[FloatArray, FloatArray]:
    """From where to where (k,) points reach along the first columns of some frames."""
    along = points @ frames[:, :, 0].T
    return along.min(axis=0), along.max(axis=0)


def plate_poses(a: Planes, b: Planes) -> FloatArray:
    """Poses (k, 4, 4) ``a_from_b`` in which the largest planes of two views are a plate's two sides.

    A wall of b lies in one of a. The plate is as thick as either shows that wall high, and less than both together:
    they would not meet.
    """
    (face_a, walls_a), (face_b, walls_b) = _walled(a), _walled(b)
    some = [_opposite(one, face_a, other, face_b, a.step_mm) for one in walls_a for other in walls_b]
    return np.concatenate([np.empty((0, 4, 4)), *some])


@dataclass(frozen=True, eq=False)
class _Plane:
    """Unit normal, height along it (mm) and the points (n, 3) of a view that lie in it."""

    way: FloatArray
    height_mm: float
    points: FloatArray


def _walled(view: Planes) -> tuple[_Plane, list[_Plane]]:
    """A view's largest plane and, where the view may show a plate's side, those that meet it steeply."""
    planes, points = list[_Plane](), view.points
    for way, height in zip(view.ways, view.heights, strict=True):
        on = (view.normals @ way > FLAT) & (np.abs(points @ way - height) < HEIGHT * view.step_mm)
        planes.append(_Plane(way, float(height), points[on]))
    planes.sort(key=lambda plane: -len(plane.points))
    if not planes or len(planes[0].points) < PLATE * len(points):
        return _Plane(np.zeros(3), 0.0, points[:0]), []
    return planes[0], [wall for wall in planes[1:] if len(wall.points) and abs(wall.way @ planes[0].way) < STEEP]


def _opposite(wall_a: _Plane, face_a: _Plane, wall_b: _Plane, face_b: _Plane, step_mm: float) -> FloatArray:
    """Poses that lay one wall in the other, the faces back to back, along the wall and for each thickness.

    A wall is narrow and may be a rough break, so it tells only how it runs along the face and where.
    """
    frame_a, frame_b = _beside(wall_a, face_a.way), _beside(wall_b, -face_b.way)
    turn = frame_a @ frame_b.T
    (here, across_a, up_a), (there, across_b, up_b) = (wall_a.points @ frame_a).T, (wall_b.points @ frame_b).T
    high = [face_a.height_mm - float(up_a.min()), float(up_b.max()) + face_b.height_mm]
    shared, stride = SHARED * min(np.ptp(here), np.ptp(there)), STRIDE * step_mm
    slides = np.arange(here.min() - there.max() + shared, here.max() - there.min() - shared, stride)
    thick = np.arange(max(high), max(sum(high), max(high) + 0.5 * stride), stride)
    along, below = (both.ravel() for both in np.meshgrid(slides, face_a.height_mm + face_b.height_mm - thick))
    poses = np.tile(np.eye(4), (len(along), 1, 1))
    poses[:, :3, :3] = turn
    shifts = np.stack([along, np.full(len(along), across_a.mean() - across_b.mean()), below], axis=1)
    poses[:, :3, 3] = shifts @ frame_a.T
    return poses


def _beside(wall: _Plane, face: FloatArray) -> FloatArray:
    """(3, 3) columns: along the wall in the face, out of the wall in the face, out of the face."""
    along = np.cross(wall.way, face)
    along /= np.linalg.norm(along)
    return np.stack([along, np.cross(face, along), face], axis=1)


def _frames(pairs: FloatArray) -> FloatArray:
    """(k, 3, 3) columns: the line in which two planes meet, the mean of their normals, and what is square to both."""
    along = np.cross(pairs[:, 0], pairs[:, 1])
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    up = pairs.sum(axis=1)
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    return np.stack([along, up, np.cross(along, up)], axis=2)
