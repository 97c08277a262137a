"""Pairs of triangles that run through each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.records import FloatArray, Mesh

Pairs = npt.NDArray[np.int64]


def crossing_pairs(
    mesh: Mesh, among: npt.NDArray[np.int64] | None = None, fresh: npt.NDArray[np.bool_] | None = None
) -> Pairs:
    """Pairs (k, 2) of triangles of which an edge of one pierces the inside of the other.

    Triangles that only touch, or share an edge, do not count; of triangles
    that share one corner the opposite edges are tested.

    Parameters
    ----------
    mesh : Mesh
    among : (m,) int, optional
        Test only these triangles against each other; all by default.
    fresh : (n,) bool, optional
        Of each pair at least one of the mesh's triangles is flagged here.
    """
    chosen = np.arange(len(mesh.triangles)) if among is None else np.asarray(among, np.int64)
    if len(chosen) < 2:
        return np.zeros((0, 2), np.int64)
    rows = mesh.triangles[chosen]
    corners = mesh.vertices[rows]
    low, high = np.ascontiguousarray(corners.min(axis=1).T), np.ascontiguousarray(corners.max(axis=1).T)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    found = []
    for pairs in _near_pairs(corners):
        if fresh is not None:
            flags = fresh[chosen]
            pairs = pairs[flags[pairs[:, 0]] | flags[pairs[:, 1]]]
        for k in range(3):
            a, b = pairs[:, 0], pairs[:, 1]
            pairs = pairs[(low[k][a] <= high[k][b]) & (low[k][b] <= high[k][a])]
        pairs = pairs[_shared_corners(rows, pairs) < 2]
        for one, other in ((0, 1), (1, 0)):
            pairs = pairs[_reaches_plane(corners, normals, pairs[:, one], pairs[:, other])]
        if len(pairs):
            hit = _cross(rows, corners, pairs)
            found.append(pairs[hit])
    result = np.concatenate(found) if found else np.zeros((0, 2), np.int64)
    return chosen[np.unique(np.sort(result, axis=1), axis=0)] if len(result) else result


def _shared_corners(rows: npt.NDArray[np.int32], pairs: Pairs) -> npt.NDArray[np.int8]:
    """How many corners the triangles of each pair have in common; triangles on one edge cannot cross."""
    a, b = rows[pairs[:, 0]], rows[pairs[:, 1]]
    count = np.zeros(len(pairs), np.int8)
    for i in range(3):
        count += (a[:, i] == b[:, 0]) | (a[:, i] == b[:, 1]) | (a[:, i] == b[:, 2])
    return count


def _near_pairs(corners: FloatArray) -> list[Pairs]:
    """Candidates: triangles whose bounding balls meet, found size class by size class."""
    centres = 0.5 * (corners.min(axis=1) + corners.max(axis=1))
    radius = np.linalg.norm(corners - centres[:, None], axis=2).max(axis=1)
    smallest = max(float(np.median(radius)), 1e-12)
    size = np.ceil(np.log2(np.maximum(radius / smallest, 1.0))).astype(int)
    classes = [np.flatnonzero(size == k) for k in np.unique(size)]
    trees = [cKDTree(centres[members]) for members in classes]
    result: list[Pairs] = []
    for i, members in enumerate(classes):
        reach = float(radius[members].max())
        if len(members) > 1:
            result.append(members[trees[i].query_pairs(2.0 * reach, output_type="ndarray")])
        for j in range(i):
            both = reach + float(radius[classes[j]].max())
            near = trees[i].sparse_distance_matrix(trees[j], both, output_type="ndarray")
            result.append(np.stack([members[near["i"]], classes[j][near["j"]]], axis=1))
    return result


def _reaches_plane(corners: FloatArray, normals: FloatArray, a: Pairs, b: Pairs) -> npt.NDArray[np.bool_]:
    """Whether triangle b has corners on both sides of (or on) the plane of a."""
    base, normal = corners[a, 0], normals[a]
    heights = [np.einsum("ij,ij->i", corners[b, k] - base, normal) for k in range(3)]
    highest = np.maximum(np.maximum(heights[0], heights[1]), heights[2])
    lowest = np.minimum(np.minimum(heights[0], heights[1]), heights[2])
    return np.asarray((highest >= 0) & (lowest <= 0))


def _cross(triangles: npt.NDArray[np.int32], corners: FloatArray, pairs: Pairs) -> npt.NDArray[np.bool_]:
    """Whether an edge of either pierces the other; edges that share a corner with it do not count."""
    hit = np.zeros(len(pairs), bool)
    for first, second in ((0, 1), (1, 0)):
        a, b = pairs[:, first], pairs[:, second]
        shared = (triangles[a][:, :, None] == triangles[b][:, None, :]).any(axis=2)
        for start, end in ((0, 1), (1, 2), (2, 0)):
            free = ~(shared[:, start] | shared[:, end])
            hit[free] |= _pierces(corners[a[free], start], corners[a[free], end], corners[b[free]])
    return hit


def _volume(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,ij->i", a - d, np.cross(b - d, c - d)))


def _pierces(p: FloatArray, q: FloatArray, triangle: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether segment p q crosses the open triangle, both ends clearly off its plane."""
    a, b, c = triangle[:, 0], triangle[:, 1], triangle[:, 2]
    size = np.abs(triangle - p[:, None]).max(axis=(1, 2)) + np.abs(q - p).max(axis=1)
    least = 1e-12 * size**3
    above, below = _volume(a, b, c, p), _volume(a, b, c, q)
    splits = (above > least) & (below < -least) | (above < -least) & (below > least)
    sides = np.stack([_volume(p, q, a, b), _volume(p, q, b, c), _volume(p, q, c, a)], axis=1)
    within = (sides > least[:, None]).all(axis=1) | (sides < -least[:, None]).all(axis=1)
    return np.asarray(splits & within)
