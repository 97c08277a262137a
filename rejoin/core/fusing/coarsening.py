"""Collapse the short edges of a surface, many at a time, without changing what it is: handles and borders stay.

An edge may collapse where its ends have no other common neighbours than the
corners opposite it (Dey and others 1999) and no triangle turns over. Edges
whose ends are not adjacent to each other collapse in one round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix

from rejoin.core import meshes
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.records import FloatArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

TURNS, ROUNDS = 10, 4
"""How often the surroundings of the edges that are still short are cut out, and rounds of collapsing in them."""
PASSES = 4
"""How often a round looks for more edges that may collapse at once."""
TURNED = 0.3
"""Cosine of the largest turn of a triangle."""


def coarsened(mesh: Mesh, shortest_mm: float) -> Mesh:
    """The mesh (border edges simple) with most edges shorter than ``shortest_mm`` collapsed."""
    rng = np.random.default_rng(0)
    vertices, triangles = np.array(mesh.vertices), mesh.triangles.astype(np.int64)
    border = np.zeros(len(vertices), bool)
    border[meshes.border_edges(mesh).ravel()] = True
    for _ in range(TURNS):
        near = _around_short(vertices, triangles, shortest_mm)
        if not near.any():
            break
        locked = np.zeros(len(vertices), bool)
        locked[triangles[~near].ravel()] = True
        used = meshes.sorted_unique(triangles[near])
        local, left = _Local(vertices[used], border[used], locked[used]), np.searchsorted(used, triangles[near])
        left = local.collapsed(left, shortest_mm, rng)
        vertices[used], border[used] = local.vertices, local.border
        triangles = np.concatenate([triangles[~near], used[left]])
        if len(left) == np.count_nonzero(near):
            break
    return meshes.compacted(Mesh(vertices, triangles.astype(np.int32)))[0]


def _around_short(vertices: FloatArray, triangles: Indices, shortest_mm: float) -> BoolArray:
    """The triangles (m,) within two rings of an edge that is too short."""
    corners = [vertices[triangles[:, k]] for k in range(3)]
    flags = np.zeros(len(vertices), bool)
    for k in range(3):
        along = corners[k] - corners[k - 1]
        short = np.einsum("ij,ij->i", along, along) < shortest_mm**2
        flags[triangles[short, k]] = flags[triangles[short, k - 1]] = True
    flags[triangles[any_corner(flags, triangles)].ravel()] = True
    return any_corner(flags, triangles)


@dataclass(eq=False)
class _Local:
    """Vertices (n, 3) that move as edges collapse; those on the mesh's border, and those whose triangles go on."""

    vertices: FloatArray
    border: BoolArray
    locked: BoolArray

    def collapsed(self, triangles: Indices, shortest_mm: float, rng: np.random.Generator) -> Indices:
        """The triangles that are left of some (m, 3)."""
        vertices, border, count = self.vertices, self.border, len(self.vertices)
        refused = np.zeros(0, np.int64)
        for _ in range(ROUNDS):
            low, high, on_border = _edges(triangles, count)
            length = np.linalg.norm(vertices[low] - vertices[high], axis=1)
            usable = (length < shortest_mm) & (on_border | ~(border[low] & border[high]))
            usable &= ~(self.locked[low] | self.locked[high]) & ~np.isin(low * count + high, refused)
            graph = _graph(low, high, count)
            chosen = _apart(low, high, np.flatnonzero(usable), graph, rng)
            if len(chosen) == 0:
                break
            a, b = low[chosen], high[chosen]
            common = np.asarray(graph[a].multiply(graph[b]).sum(axis=1)).ravel()
            good = common == np.where(on_border[chosen], 1, 2)
            share = np.where(border[a] == border[b], 0.5, np.where(border[a], 0.0, 1.0))[:, None]
            spot = vertices[a] + share * (vertices[b] - vertices[a])
            good &= ~_turns(vertices, triangles, a, b, spot)
            refused = np.union1d(refused, (a * count + b)[~good])
            a, b, spot = a[good], b[good], spot[good]
            vertices[a], border[a] = spot, border[a] | border[b]
            triangles = _merged(triangles, a, b, count)
        return triangles


def _merged(triangles: Indices, a: Indices, b: Indices, count: int) -> Indices:
    """The triangles with vertices ``b`` made ``a``, without those that vanish."""
    into = np.arange(count)
    into[b] = a
    merged = np.asarray(into[triangles])
    one, two, three = merged.T
    return np.asarray(merged[(one != two) & (two != three) & (three != one)])


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
    rank, none = rng.permutation(len(usable)).astype(np.int64), len(usable)
    one, other, found = low[usable], high[usable], []
    for _ in range(PASSES):
        first = np.full(graph.shape[0], none, np.int64)
        np.minimum.at(first, one, rank)
        np.minimum.at(first, other, rank)
        around = _least_around(first, graph)
        apart = (around[one] == rank) & (around[other] == rank)
        found.append(usable[apart])
        free = np.ones(graph.shape[0], np.int8)
        free[one[apart]] = free[other[apart]] = 0
        free = _least_around(free, graph)
        left = (free[one] & free[other]) > 0
        usable, rank, one, other = usable[left], rank[left], one[left], other[left]
        if len(usable) == 0:
            break
    return np.concatenate(found)


def _least_around(values: Indices, graph: csr_matrix) -> Indices:
    """The least value (n,) of each vertex and its neighbours."""
    starts = np.minimum(graph.indptr[:-1], max(len(graph.indices) - 1, 0))
    around = np.minimum.reduceat(values[graph.indices], starts)
    return np.asarray(np.where(np.diff(graph.indptr) > 0, np.minimum(around, values), values))


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
