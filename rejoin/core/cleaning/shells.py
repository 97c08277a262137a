"""Loose parts, which way out is, and border loops."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import pdist

from rejoin.core.cleaning.halfedges import starts_ends
from rejoin.core.records import FloatArray, Hole, IntArray, Mesh

FLAT = 0.3
"""Above this ratio of vector area to area a shell is an open sheet (half a sphere: 0.5) without an inside."""


def graph_of(triangles: IntArray, vertex_count: int) -> csr_matrix:
    """Vertex graph (n, n) of the half-edges."""
    first, last = starts_ends(triangles)
    return coo_matrix((np.ones(len(first), np.float32), (first, last)), (vertex_count, vertex_count)).tocsr()


def shell_of_triangles(graph: csr_matrix, triangles: IntArray) -> tuple[int, IntArray]:
    """Number of shells, and each triangle's (m,), numbered in order of their first triangle."""
    labels = connected_components(graph, directed=False)[1][triangles[:, 0]]
    if not len(labels) or labels.max() == labels.min():
        return min(len(labels), 1), np.zeros(len(labels), np.int32)
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return len(first), rank[inverse].astype(np.int32)


def border_loops(triangles: IntArray, partner: IntArray) -> list[IntArray]:
    """Closed loops of border vertices, each along its border, the surface at the left, from its lowest vertex."""
    halves = np.flatnonzero(partner < 0)
    if not len(halves):
        return []
    first, last = starts_ends(triangles)
    following = dict(zip(first[halves].tolist(), last[halves].tolist(), strict=True))
    loops = []
    for start in sorted(following):
        if start not in following:
            continue
        loop, vertex = [], start
        while vertex in following:
            loop.append(vertex)
            vertex = following.pop(vertex)
        loops.append(np.array(loop, np.int32))
    return loops


def hole_of(loop: IntArray, vertices: FloatArray) -> Hole:
    """The loop with its largest distance across and its centre (length-weighted)."""
    points = vertices[loop]
    ahead = np.roll(points, -1, axis=0)
    length = np.linalg.norm(ahead - points, axis=1)
    weights = length if length.sum() > 0 else np.ones(len(length))
    centre = np.average((points + ahead) / 2.0, axis=0, weights=weights)
    return Hole(loop, _across(points), centre)


def _across(points: FloatArray) -> float:
    """Largest distance between two of the points; of a long loop only points extreme in some direction compete."""
    if len(points) > 1500:
        golden = np.arange(400) + 0.5
        polar, turn = np.arccos(1 - golden / 400), np.pi * (1 + 5**0.5) * golden
        ways = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)])
        reach = points @ ways
        points = points[np.unique(np.concatenate([reach.argmax(axis=0), reach.argmin(axis=0)]))]
    return float(pdist(points).max()) if len(points) > 1 else 0.0


def inside_out_shells(
    vertices: FloatArray, triangles: IntArray, crosses: FloatArray, shell: IntArray, loops: list[IntArray]
) -> list[int]:
    """Shells that show their inside, in order.

    A shell's signed volume, its borders closed by cones, decides; a shell that
    is an open sheet keeps the sense in which its scan came. A void (negative,
    inside a larger shell) is right as it is, and is turned only with the shell
    around it.

    Parameters
    ----------
    vertices, triangles : (n, 3), (m, 3)
    crosses : (m, 3)
        Edge cross products of the triangles.
    shell : (m,)
        Shell number of each triangle.
    loops : list of (k,)
        Border loops, the surface at their left.
    """
    count, middle = int(shell.max()) + 1, vertices.mean(axis=0)
    sixth = np.einsum("ij,ij->i", vertices[triangles[:, 0]] - middle, crosses) / 6.0
    volume = np.asarray(np.bincount(shell, sixth, count), np.float64)
    area = np.bincount(shell, np.sqrt(np.einsum("ij,ij->i", crosses, crosses)), count)
    vector = np.stack([np.bincount(shell, crosses[:, i], count) for i in range(3)], axis=1)
    volume = volume + _cones(vertices - middle, triangles, shell, loops, count)
    judged = np.linalg.norm(vector, axis=1) <= FLAT * area
    turned: list[int] = []
    for number in np.argsort(-np.abs(volume), kind="stable"):
        if not judged[number]:
            continue
        larger = [int(s) for s in np.flatnonzero(np.abs(volume) > abs(volume[number])) if judged[s]]
        around = _around(vertices, triangles, shell, int(number), larger, volume) if larger else []
        if (around and around[0] in turned) or (not around and volume[number] < 0):
            turned.append(int(number))
    return sorted(turned)


def _cones(vertices: FloatArray, triangles: IntArray, shell: IntArray, loops: list[IntArray], count: int) -> FloatArray:
    """Signed volume (count,) that closing each border with a cone to its middle adds to its shell."""
    added = np.zeros(count)
    if not loops:
        return added
    owner = np.zeros(len(vertices), np.int32)
    owner[triangles] = shell[:, None]
    for loop in loops:
        ring = vertices[loop]
        added[owner[loop[0]]] += float(np.cross(np.roll(ring, -1, axis=0), ring).sum(axis=0) @ ring.mean(axis=0)) / 6.0
    return added


def _around(
    vertices: FloatArray, triangles: IntArray, shell: IntArray, number: int, larger: list[int], volume: FloatArray
) -> list[int]:
    """Of the larger shells, those that hold this one (by winding number at one of its points), nearest size first."""
    point = vertices[triangles[np.argmax(shell == number), 0]]
    found = []
    for other in sorted(larger, key=lambda s: abs(volume[s])):
        corners = vertices[triangles[shell == other]]
        if (point < corners.min(axis=(0, 1))).any() or (point > corners.max(axis=(0, 1))).any():
            continue
        if (
            abs(
                winding_number(
                    Mesh(corners.reshape(-1, 3), np.arange(len(corners) * 3, dtype=np.int32).reshape(-1, 3)), point
                )
            )
            > 0.5
        ):
            found.append(int(other))
    return found


def winding_number(mesh: Mesh, point: FloatArray) -> float:
    """How often the surface goes round the point (van Oosterom and Strackee 1983 for the solid angles)."""
    a, b, c = (mesh.vertices[mesh.triangles[:, i]] - point for i in range(3))
    la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    dots = [np.einsum("ij,ij->i", x, y) for x, y in ((a, b), (b, c), (c, a))]
    below = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return float(2.0 * np.arctan2(top, below).sum() / (4.0 * np.pi))
