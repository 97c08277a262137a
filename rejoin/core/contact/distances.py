"""Exact signed distances of points to a mesh, and how far one mesh reaches into another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.libraries.distances import closest_triangles
from rejoin.core.meshes import edges, triangle_crosses
from rejoin.core.records import FloatArray, IntArray, Mesh

Mask = npt.NDArray[np.bool_]


def border_vertices(mesh: Mesh) -> Mask:
    """Vertices (n,) on edges that only one triangle has."""
    count = len(mesh.vertices)
    directed = edges(mesh).astype(np.int64)
    key = directed.min(axis=1) * count + directed.max(axis=1)
    key.sort()
    alone = np.ones(len(key), bool)
    alone[1:] &= key[1:] != key[:-1]
    alone[:-1] &= key[:-1] != key[1:]
    border = np.zeros(count, bool)
    border[key[alone] // count] = True
    border[key[alone] % count] = True
    return border


def closest_on_triangles(points: FloatArray, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Closest point of one triangle to each point, exactly (Ericson, 2005, by regions).

    Parameters
    ----------
    points : (k, 3)
    corners : (k, 3, 3)

    Returns
    -------
    closest : (k, 3)
    weights : (k, 3)
        Barycentric, not negative; zeros tell an edge or a corner.
    """
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    weights = _inner_weights(points, a, b - a, c - a)
    outside = (weights < 0).any(axis=1) | ~np.isfinite(weights).all(axis=1)
    best = np.where(outside, np.inf, 0.0)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        start, along = corners[outside, i], corners[outside, j] - corners[outside, i]
        length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
        share = np.clip(np.einsum("ij,ij->i", points[outside] - start, along) / length, 0.0, 1.0)
        away = np.square(points[outside] - start - share[:, None] * along).sum(axis=1)
        better = away < best[outside]
        rows_ = np.flatnonzero(outside)[better]
        best[rows_] = away[better]
        weights[rows_] = 0.0
        weights[rows_, i], weights[rows_, j] = 1.0 - share[better], share[better]
    return np.einsum("ki,kij->kj", weights, corners), weights


def _inner_weights(points: FloatArray, a: FloatArray, ab: FloatArray, ac: FloatArray) -> FloatArray:
    ap = points - a
    d00, d01, d11 = (np.einsum("ij,ij->i", p, q) for p, q in ((ab, ab), (ab, ac), (ac, ac)))
    d20, d21 = np.einsum("ij,ij->i", ap, ab), np.einsum("ij,ij->i", ap, ac)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 1.0 / (d00 * d11 - d01 * d01)
        v, w = (d11 * d20 - d01 * d21) * scale, (d00 * d21 - d01 * d20) * scale
    return np.stack([1.0 - v - w, v, w], axis=1)


@dataclass(frozen=True, eq=False)
class Distances:
    """Signed distances (k,) of points to a mesh: + outside, - inside, mm.

    ``offsets`` (k, 3) lead from the closest points to the points. ``normals``
    (k, 3) are the mesh's at the closest points; ``on_border`` (k,) marks closest
    points on an open border, where the sign means nothing.
    """

    signed: FloatArray
    offsets: FloatArray
    normals: FloatArray
    on_border: Mask


def signed_distances(points: FloatArray, mesh: Mesh) -> Distances:
    """Exact distance of each point to the nearest triangle, signed.

    The sign is that of the angle-weighted pseudonormal of the closest face,
    edge or corner (Baerentzen and Aanaes, 2005), right also across sharp edges.
    """
    which = closest_triangles(points, mesh)
    corners = mesh.vertices[mesh.triangles[which]]
    closest, weights = closest_on_triangles(points, corners)
    touched = weights > 1e-9
    normals = _pseudonormals(mesh, which, touched)
    offset = points - closest
    length = np.linalg.norm(offset, axis=1)
    sign = np.where(np.einsum("ij,ij->i", offset, normals) < 0, -1.0, 1.0)
    border = border_vertices(mesh)
    on_border = np.asarray((touched <= border[mesh.triangles[which]]).all(axis=1))
    return Distances(sign * length, offset, normals, on_border)


def _pseudonormals(mesh: Mesh, which: IntArray, touched: Mask) -> FloatArray:
    """Unit normals (k, 3) at a face, an edge (sum of its two faces) or a corner (weighted by angle)."""
    crosses = triangle_crosses(mesh)
    unit = crosses / np.maximum(np.linalg.norm(crosses, axis=1, keepdims=True), 1e-300)
    normals = unit[which]
    corner = np.flatnonzero(touched.sum(axis=1) == 1)
    if len(corner):
        vertex = mesh.triangles[which[corner], touched[corner].argmax(axis=1)]
        normals[corner] = _corner_normals(mesh, unit)[vertex]
    edge = np.flatnonzero(touched.sum(axis=1) == 2)
    if len(edge):
        count = len(mesh.vertices)
        missing = (~touched[edge]).argmax(axis=1)
        ends = mesh.triangles[which[edge][:, None], (missing[:, None] + [1, 2]) % 3].astype(np.int64)
        directed = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
        keys = directed[:, 0] * count + directed[:, 1]
        order = np.argsort(keys, kind="stable")
        wanted = ends[:, 1] * count + ends[:, 0]
        place = np.minimum(np.searchsorted(keys, wanted, sorter=order), len(keys) - 1)
        found = keys[order[place]] == wanted
        normals[edge[found]] += unit[order[place[found]] // 3]
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300))


def _corner_normals(mesh: Mesh, unit: FloatArray) -> FloatArray:
    sums = np.zeros((len(mesh.vertices), 3))
    corners = mesh.vertices[mesh.triangles]
    for i in range(3):
        u, v = corners[:, (i + 1) % 3] - corners[:, i], corners[:, (i + 2) % 3] - corners[:, i]
        angle = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
        for axis in range(3):
            sums[:, axis] += np.bincount(mesh.triangles[:, i], angle * unit[:, axis], len(sums))
    return sums
