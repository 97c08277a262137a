"""Sew sheets along the gaps between them: triangles are laid from border to border, and nothing else is moved.

The border is a front of directed edges, the surface at their left. A bridge joins two borders that run side by side;
then the gap between them is closed corner by corner, the shortest new edge first (an advancing front, as in the
stitching of range images: Turk and Levoy 1994 sew such borders too, after clipping).
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh

LONGEST = 3.2
"""Spacings that a new edge may be long."""
UPRIGHT = 0.25
"""Cosine between a new triangle and its corners' normals at least."""
SMALL = 12
"""Edges of a small gap that is closed although all its corners are of one sheet."""


@dataclass(eq=False)
class _Front:
    """Directed border edges by number: from, to, the one before and the one after; alive or not."""

    points: list[tuple[float, float, float]]
    normals: list[tuple[float, float, float]]
    owner: list[int]
    start: list[int] = field(default_factory=list)
    end: list[int] = field(default_factory=list)
    before: list[int] = field(default_factory=list)
    after: list[int] = field(default_factory=list)
    alive: list[bool] = field(default_factory=list)
    edges: set[tuple[int, int]] = field(default_factory=set)
    at: dict[int, set[int]] = field(default_factory=dict)

    def add(self, start: int, end: int, before: int, after: int) -> int:
        number = len(self.start)
        for values, value in ((self.start, start), (self.end, end), (self.before, before), (self.after, after)):
            values.append(value)
        self.alive.append(True)
        self.at.setdefault(start, set()).add(number)
        return number

    def drop(self, edge: int) -> None:
        self.alive[edge] = False
        self.at[self.start[edge]].discard(edge)

    def link(self, first: int, second: int) -> None:
        self.after[first], self.before[second] = second, first

    def length(self, a: int, b: int) -> float:
        p, q = self.points[a], self.points[b]
        return float(((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2) ** 0.5)

    def upright(self, a: int, b: int, c: int) -> bool:
        """Whether the triangle faces as its corners do and is no needle."""
        p, q, r = self.points[a], self.points[b], self.points[c]
        u, v = [q[k] - p[k] for k in range(3)], [r[k] - p[k] for k in range(3)]
        n = (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])
        size = (n[0] ** 2 + n[1] ** 2 + n[2] ** 2) ** 0.5
        if size < 1e-12:
            return False
        return all(sum(n[k] * self.normals[i][k] for k in range(3)) > UPRIGHT * size for i in (a, b, c))


def zipped_up(mesh: Mesh, owner: IntArray, spacing_mm: float) -> tuple[Mesh, IntArray]:
    """Sew the gaps of a mesh made of several sheets.

    Parameters
    ----------
    mesh : Mesh
        Sheets side by side, vertices of their own.
    owner : (n,)
        The sheet of each vertex.
    spacing_mm : float

    Returns
    -------
    Mesh
        The same vertices; triangles added at the end.
    added : (k,)
        Indices of the added triangles.
    """
    border = meshes.border_edges(mesh)
    if not len(border):
        return mesh, np.empty(0, np.int32)
    normals = meshes.averaged_normals(mesh, meshes.vertex_normals(mesh), 2)
    on = np.unique(border)
    number = np.full(len(mesh.vertices), -1, np.int64)
    number[on] = np.arange(len(on))
    front = _Front([tuple(p) for p in mesh.vertices[on].tolist()], [tuple(n) for n in normals[on].tolist()],
                   owner[on].tolist())  # fmt: skip
    _ring(front, number[border].astype(np.int32))
    for a, b in number[meshes.edges(mesh)[(number[meshes.edges(mesh)] >= 0).all(axis=1)]].tolist():
        front.edges.add((min(a, b), max(a, b)))
    laid: list[tuple[int, int, int]] = []
    heap: list[tuple[float, int, int]] = []
    longest = LONGEST * spacing_mm
    bridges = _bridges(front, mesh.vertices[on], owner[on], longest)
    for _, edge, vertex in bridges:
        if front.alive[edge] and _bridge(front, edge, vertex, longest, laid, heap):
            _close(front, longest, laid, heap)
    _small(front, laid, longest)
    if not laid:
        return mesh, np.empty(0, np.int32)
    added = on[np.array(laid, np.int64)].astype(np.int32)
    whole = Mesh(mesh.vertices, np.concatenate([mesh.triangles, added]))
    return whole, np.arange(len(mesh.triangles), len(whole.triangles), dtype=np.int32)


def _ring(front: _Front, border: IntArray) -> None:
    """The front of a simple border."""
    leaving: dict[int, list[int]] = {}
    for start, end in border.tolist():
        leaving.setdefault(start, []).append(front.add(start, end, -1, -1))
    for edge in range(len(front.start)):
        following = leaving[front.end[edge]].pop()
        front.link(edge, following)


def _bridges(front: _Front, points: FloatArray, owner: IntArray, longest: float) -> list[tuple[float, int, int]]:
    """Border edges and vertices of another sheet near them, nearest first."""
    start, end = np.array(front.start), np.array(front.end)
    middles = 0.5 * (points[start] + points[end])
    found: list[tuple[float, int, int]] = []
    trees = {int(k): (np.flatnonzero(owner == k), cKDTree(points[owner == k])) for k in np.unique(owner)}
    for k, (members, tree) in trees.items():
        others = np.flatnonzero(owner[start] != k)
        distance, near = tree.query(middles[others], k=min(3, len(members)), distance_upper_bound=longest)
        distance, near = distance.reshape(len(others), -1), near.reshape(len(others), -1)
        for row, column in np.argwhere(np.isfinite(distance)):
            found.append((float(distance[row, column]), int(others[row]), int(members[near[row, column]])))
    return sorted(found)


def _fresh(front: _Front, a: int, b: int) -> bool:
    return (min(a, b), max(a, b)) not in front.edges


def _bridge(
    front: _Front, edge: int, vertex: int, longest: float, laid: list[tuple[int, int, int]],
    heap: list[tuple[float, int, int]],
) -> bool:  # fmt: skip
    """Lay a triangle from a border edge to a vertex on another part of the front."""
    u, v = front.start[edge], front.end[edge]
    leaving = [e for e in front.at.get(vertex, ()) if front.alive[e]]
    if len(leaving) != 1 or vertex in (u, v) or front.owner[u] != front.owner[v]:
        return False
    if not (_fresh(front, u, vertex) and _fresh(front, vertex, v)):
        return False
    if max(front.length(u, vertex), front.length(vertex, v)) > longest or not front.upright(v, u, vertex):
        return False
    out = leaving[0]
    into = front.before[out]
    first = front.add(u, vertex, front.before[edge], out)
    second = front.add(vertex, v, into, front.after[edge])
    front.link(front.before[edge], first)
    front.link(second, front.after[edge])
    front.link(first, out)
    front.link(into, second)
    front.drop(edge)
    front.edges |= {(min(u, vertex), max(u, vertex)), (min(v, vertex), max(v, vertex))}
    laid.append((v, u, vertex))
    for one in (first, second, front.before[first], into):
        _offer(front, one, heap, longest)
    return True


def _offer(front: _Front, edge: int, heap: list[tuple[float, int, int]], longest: float) -> None:
    """Put the corner after an edge on the list, where it may be closed."""
    following = front.after[edge]
    a, b = front.start[edge], front.end[following]
    length = front.length(a, b)
    if length <= longest:
        heapq.heappush(heap, (length, edge, following))


def _close(
    front: _Front, longest: float, laid: list[tuple[int, int, int]], heap: list[tuple[float, int, int]]
) -> None:
    """Close corners between different sheets, shortest new edge first, until none is left."""
    while heap:
        _, edge, following = heapq.heappop(heap)
        if not (front.alive[edge] and front.alive[following] and front.after[edge] == following):
            continue
        a, v, b = front.start[edge], front.end[edge], front.end[following]
        if front.owner[a] == front.owner[v] == front.owner[b]:
            continue
        _corner(front, edge, following, longest, laid, heap)


def _corner(
    front: _Front, edge: int, following: int, longest: float, laid: list[tuple[int, int, int]],
    heap: list[tuple[float, int, int]],
) -> bool:  # fmt: skip
    a, v, b = front.start[edge], front.end[edge], front.end[following]
    if a == b:
        return False
    closing = front.after[following] if front.end[front.after[following]] == a else -1
    last = closing >= 0 and front.before[edge] == closing
    if not last and not _fresh(front, a, b):
        return False
    if not front.upright(b, v, a):
        return False
    laid.append((b, v, a))
    front.drop(edge)
    front.drop(following)
    if last:
        front.drop(closing)
        return True
    before, after = front.before[edge], front.after[following]
    fresh = front.add(a, b, before, after)
    front.link(before, fresh)
    front.link(fresh, after)
    front.edges.add((min(a, b), max(a, b)))
    _offer(front, before, heap, longest)
    _offer(front, fresh, heap, longest)
    return True


def _small(front: _Front, laid: list[tuple[int, int, int]], longest: float) -> None:
    """Close what is left of the gaps: small loops in which several sheets meet, or of next to no width."""
    for edge in range(len(front.start)):
        if not front.alive[edge]:
            continue
        loop, at = [edge], front.after[edge]
        while at != edge and len(loop) <= SMALL:
            loop.append(at)
            at = front.after[at]
        if at != edge or len(loop) > SMALL:
            continue
        heap: list[tuple[float, int, int]] = []
        for one in loop:
            _offer(front, one, heap, 2.0 * longest)
        while heap:
            _, one, following = heapq.heappop(heap)
            if front.alive[one] and front.alive[following] and front.after[one] == following:
                _corner(front, one, following, 2.0 * longest, laid, heap)
