"""Rough poses of two views from flat places: machined and cast parts have walls, which look alike all over.

Two planes of the one view on two of the other leave one motion free, along the line where they meet; it is tried in
steps. On such walls no place looks like any other, so that look-alikes (`coarse`) tell nothing there.
"""

from __future__ import annotations

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


def planes_of(points: FloatArray, normals: FloatArray, step_mm: float) -> tuple[FloatArray, FloatArray]:
    """The largest planes of a view.

    Returns
    -------
    ways : (k, 3)
        Unit normals.
    heights : (k,)
        Of the plane along its normal, mm.
    """
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
    return np.array(ways).reshape(-1, 3), np.array(heights)


def _fitted(points: FloatArray, way: FloatArray) -> tuple[FloatArray, float]:
    """Normal, on the side of ``way``, and height of the plane through points: normals beside an edge lean over it."""
    middle = points.mean(axis=0)
    normal = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, 0]
    normal = normal if normal @ way > 0.0 else -normal
    return normal, float(middle @ normal)


def planar_poses(
    a: tuple[FloatArray, FloatArray], b: tuple[FloatArray, FloatArray], step_mm: float
) -> FloatArray:
    """Poses (k, 4, 4) ``a_from_b`` that lay two planes of b into two of a.

    Parameters
    ----------
    a, b : (points, normals)
        Each (n, 3).
    step_mm : float
    """
    (ways_a, heights_a), (ways_b, heights_b) = planes_of(*a, step_mm), planes_of(*b, step_mm)
    pairs_a = np.array(list(combinations(range(len(ways_a)), 2)), np.int64).reshape(-1, 2)
    pairs_b = np.array(list(permutations(range(len(ways_b)), 2)), np.int64).reshape(-1, 2)
    angle_a, angle_b = (np.arccos(np.clip(np.einsum("ij,ij->i", w[p[:, 0]], w[p[:, 1]]), -1, 1))
                        for w, p in ((ways_a, pairs_a), (ways_b, pairs_b)))  # fmt: skip
    alike = np.abs(angle_a[:, None] - angle_b) < np.deg2rad(6.0)
    alike &= (np.abs(angle_a - np.pi / 2) < np.deg2rad(65.0))[:, None]
    i, j = np.nonzero(alike)
    if not len(i):
        return np.empty((0, 4, 4))
    frames_a, frames_b = _frames(ways_a[pairs_a]), _frames(ways_b[pairs_b])
    poses = []
    for one, other in zip(i, j, strict=True):
        turn = frames_a[one] @ frames_b[other].T
        two = ways_a[pairs_a[one]]
        fixed = np.linalg.lstsq(two, heights_a[pairs_a[one]] - heights_b[pairs_b[other]], rcond=None)[0]
        along = frames_a[one][:, 0]
        here, there = a[0] @ along, b[0] @ turn.T @ along
        shared = SHARED * min(np.ptp(here), np.ptp(there))
        slides = np.arange(here.min() - there.max() + shared, here.max() - there.min() - shared, STRIDE * step_mm)
        some = np.tile(np.eye(4), (len(slides), 1, 1))
        some[:, :3, :3] = turn
        some[:, :3, 3] = fixed + slides[:, None] * along
        poses.append(some)
    return np.concatenate(poses)


def _frames(pairs: FloatArray) -> FloatArray:
    """(k, 3, 3) columns: the line in which two planes meet, the mean of their normals, and what is square to both."""
    along = np.cross(pairs[:, 0], pairs[:, 1])
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    up = pairs.sum(axis=1)
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    return np.stack([along, up, np.cross(along, up)], axis=2)
