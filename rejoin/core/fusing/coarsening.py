"""Collapse the short edges of a surface, many at a time, without changing what it is: handles and borders stay.

An edge may collapse where its ends have no other common neighbours than the
corners opposite it (Dey and others 1999) and no triangle turns over. Edges
whose ends are not adjacent to each other collapse in one round.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix

from rejoin.core import meshes
from rejoin.core.records import FloatArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

ROUNDS = 40
TURNED = 0.3
"""Cosine of the largest turn of a triangle."""


def coarsened(mesh: Mesh, shortest_mm: float) -> Mesh:
    """The mesh (border edges simple) with most edges shorter than ``shortest_mm`` collapsed."""
    rng = np.random.default_rng(0)
    vertices, triangles = np.array(mesh.vertices), mesh.triangles.astype(np.int64)
    for number in range(ROUNDS):
        if number % 4 == 0:
            refused = np.zeros(0, np.int64)
        low, high, on_border = _edges(triangles, len(vertices))
        border = np.zeros(len(vertices), bool)
        border[low[on_border]] = border[high[on_border]] = True
        length = np.linalg.norm(vertices[low] - vertices[high], axis=1)
        usable = (length < shortest_mm) & (on_border | ~(border[low] & border[high]))
        usable &= ~np.isin(low * len(vertices) + high, refused)
        graph = _graph(low, high, len(vertices))
        chosen = _apart(low, high, np.flatnonzero(usable), graph, rng)
        if len(chosen) == 0:
            break
        common = np.asarray(graph[low[chosen]].multiply(graph[high[chosen]]).sum(axis=1)).ravel()
        good = common == np.where(on_border[chosen], 1, 2)
        a, b = low[chosen], high[chosen]
        share = np.where(border[a] == border[b], 0.5, np.where(border[a], 0.0, 1.0))[:, None]
        spot = vertices[a] + share * (vertices[b] - vertices[a])
        good &= ~_turns(vertices, triangles, a, b, spot)
        refused = np.union1d(refused, (a * len(vertices) + b)[~good])
        a, b, spot = a[good], b[good], spot[good]
        vertices[a] = spot
        into = np.arange(len(vertices))
        into[b] = a
        triangles = into[triangles]
        triangles = triangles[
            (triangles[:, 0] != triangles[:, 1])
            & (triangles[:, 1] != triangles[:, 2])
            & (triangles[:, 2] != triangles[:, 0])
        ]
    return meshes.compacted(Mesh(vertices, triangles.astype(np.int32)))[0]


def _edges(triangles: Indices, count: int) -> tuple[Indices, Indices, BoolArray]:
    """Ends of each edge, the lower index first, and whether only one triangle has it."""
    one = triangles[:, [0, 1, 2]].ravel()
    other = triangles[:, [1, 2, 0]].ravel()
    codes = np.sort(np.minimum(one, other) * count + np.maximum(one, other))
    first = np.flatnonzero(np.concatenate([[True], codes[1:] != codes[:-1]]))
    times = np.diff(np.append(first, len(codes)))
    return codes[first] // count, codes[first] % count, times == 1


def _graph(low: Indices, high: Indices, count: int) -> csr_matrix:
    ends = (np.concatenate([low, high]), np.concatenate([high, low]))
    return coo_matrix((np.ones(2 * len(low), np.int32), ends), (count, count)).tocsr()


def _apart(low: Indices, high: Indices, usable: Indices, graph: csr_matrix, rng: np.random.Generator) -> Indices:
    """Usable edges of which no end is an end of another chosen one, or next to one."""
    rank = rng.permutation(len(usable)).astype(np.int64)
    first = np.full(graph.shape[0], len(usable), np.int64)
    np.minimum.at(first, low[usable], rank)
    np.minimum.at(first, high[usable], rank)
    starts = np.minimum(graph.indptr[:-1], max(len(graph.indices) - 1, 0))
    around = np.minimum.reduceat(first[graph.indices], starts)
    around = np.where(np.diff(graph.indptr) > 0, np.minimum(around, first), first)
    apart: Indices = usable[(around[low[usable]] == rank) & (around[high[usable]] == rank)]
    return apart


def _turns(vertices: FloatArray, triangles: Indices, a: Indices, b: Indices, spot: FloatArray) -> BoolArray:
    """Which collapses would turn a triangle over, or make it a needle's shadow of itself."""
    owner = np.full(len(vertices), -1, np.int64)
    owner[a] = owner[b] = np.arange(len(a))
    of_corner = owner[triangles]
    touched = np.flatnonzero((of_corner >= 0).any(axis=1))
    of_corner, corners = of_corner[touched], vertices[triangles[touched]]
    # ends of different chosen edges are never in one triangle
    edge = of_corner.max(axis=1)
    stays = (of_corner >= 0).sum(axis=1) == 1
    edge, of_corner, corners = edge[stays], of_corner[stays], corners[stays]
    moved = np.where((of_corner >= 0)[:, :, None], spot[edge][:, None, :], corners)
    before, after = _normal(corners), _normal(moved)
    sizes = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    bad = np.einsum("ij,ij->i", before, after) < TURNED * sizes
    return np.asarray(np.bincount(edge, bad, len(a)) > 0)


def _normal(corners: FloatArray) -> FloatArray:
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return np.stack([u[:, i] * v[:, j] - u[:, j] * v[:, i] for i, j in ((1, 2), (2, 0), (0, 1))], axis=1)
