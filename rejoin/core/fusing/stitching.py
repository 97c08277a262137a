"""Sew a healing surface into the kept surfaces, border loop to border loop."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

APART = 3.0
"""Borders that are sewn together are nowhere farther apart than so many spacings: two edges and the strip between."""


def _border(triangles: IntArray, count: int, rim: BoolArray | None) -> Indices:
    border = meshes.border_edges(Mesh(np.zeros((count, 3)), triangles)).astype(np.int64)
    return border if rim is None else border[~rim[border].all(axis=1)]


def border_loops(triangles: IntArray, count: int, rim: BoolArray | None = None) -> list[Indices] | None:
    """The border as ordered loops of vertices, material to the left; None where a vertex is on two.

    Edges between vertices flagged in ``rim`` (n,) are no border: there the mesh goes on.
    """
    border = _border(triangles, count, rim)
    if not np.array_equal(np.sort(border[:, 0]), np.sort(border[:, 1])):
        return None
    if np.bincount(border[:, 0], minlength=1).max() > 1 or np.bincount(border[:, 1], minlength=1).max() > 1:
        return None
    following = np.full(count, -1, np.int64)
    following[border[:, 0]] = border[:, 1]
    _, piece = connected_components(
        coo_matrix((np.ones(len(border), bool), (border[:, 0], border[:, 1])), (count, count)), directed=False
    )
    loops, seen = [], set()
    for start in np.sort(border[:, 0]):
        if piece[start] in seen:
            continue
        seen.add(piece[start])
        loop, at = [start], following[start]
        while at != start:
            loop.append(at)
            at = following[at]
        loops.append(np.array(loop, np.int64))
    return loops


def with_simple_border(mesh: Mesh, kept: BoolArray, rim: BoolArray | None = None) -> BoolArray:
    """Give up kept triangles (m,) until each border vertex lies on one loop only, once."""
    kept = kept.copy()
    for _ in range(30):
        border = _border(mesh.triangles[kept], len(mesh.vertices), rim)
        out = np.bincount(border[:, 0], minlength=len(mesh.vertices))
        bad = out > 1
        if not bad.any():
            break
        kept &= ~any_corner(bad, mesh.triangles)
    return kept


@dataclass(frozen=True, eq=False)
class Seam:
    """The kept surfaces' border: segment starts, ends, outward in-surface directions, and loop of each segment."""

    starts: FloatArray
    ends: FloatArray
    outward: FloatArray
    corner_outward: FloatArray
    loop: Indices
    position: Indices

    @staticmethod
    def of(mesh: Mesh, loops: list[Indices]) -> Seam:
        """The border of ``mesh`` (kept triangles only)."""
        start = np.concatenate(loops)
        end = np.concatenate([np.roll(loop, -1) for loop in loops])
        count = len(mesh.vertices)
        normals = meshes.vertex_normals(mesh)
        normal = normals[start] + normals[end]
        along = mesh.vertices[end] - mesh.vertices[start]
        outward = np.cross(along, normal)
        outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-30)
        sums = np.zeros((count, 3))
        np.add.at(sums, start, outward)
        np.add.at(sums, end, outward)
        number = np.repeat(np.arange(len(loops)), [len(loop) for loop in loops])
        position = np.concatenate([np.arange(len(loop)) for loop in loops])
        return Seam(mesh.vertices[start], mesh.vertices[end], outward, sums[start], number, position)

    @cached_property
    def _spots(self) -> tuple[cKDTree, Indices]:
        """Places along the segments, long ones in several, and the segment of each."""
        length = np.linalg.norm(self.ends - self.starts, axis=1)
        pieces = np.maximum(np.ceil(length / max(float(np.median(length)), 1e-12)), 1).astype(int)
        owner = np.repeat(np.arange(len(length)), pieces)
        within = (np.arange(len(owner)) - np.repeat(np.cumsum(pieces) - pieces, pieces) + 0.5) / pieces[owner]
        return cKDTree(self.starts[owner] + within[:, None] * (self.ends - self.starts)[owner]), owner

    def nearest(self, points: FloatArray, candidates: int = 6) -> tuple[Indices, FloatArray, FloatArray]:
        """For each point its nearest segment, the share along it (0 to 1), and the distance, negative over the mesh."""
        tree, owner = self._spots
        count = min(candidates, len(owner))
        _, near = tree.query(points, k=count, workers=-1)
        near = owner[np.reshape(near, (len(points), count))]
        a, along = self.starts[near], self.ends[near] - self.starts[near]
        length2 = np.maximum(np.einsum("ijk,ijk->ij", along, along), 1e-30)
        share = np.clip(np.einsum("ijk,ijk->ij", points[:, None] - a, along) / length2, 0.0, 1.0)
        offset = points[:, None] - a - share[..., None] * along
        distance = np.linalg.norm(offset, axis=2)
        best = distance.argmin(axis=1)
        row = np.arange(len(points))
        segment, share, offset, distance = near[row, best], share[row, best], offset[row, best], distance[row, best]
        first = np.flatnonzero(self.position == 0)
        size = np.bincount(self.loop)
        next_segment = first[self.loop[segment]] + (self.position[segment] + 1) % size[self.loop[segment]]
        side = np.where(
            (share <= 0.0)[:, None],
            self.corner_outward[segment],
            np.where((share >= 1.0)[:, None], self.corner_outward[next_segment], self.outward[segment]),
        )
        sign = np.where(np.einsum("ij,ij->i", offset, side) >= 0.0, 1.0, -1.0)
        return segment, share, sign * distance


def clipped(mesh: Mesh, values: FloatArray, level: float) -> Mesh:
    """The part of the mesh where ``values`` (n,) exceeds ``level``, cut straight through the triangles."""
    gap = values - level
    least = 1e-9 * max(float(np.abs(gap).max()), 1e-30)
    gap = np.where(np.abs(gap) < least, least, gap)
    inside = gap[mesh.triangles] > 0
    number = inside.sum(axis=1)
    edges: list[Indices] = []
    triangles: list[Indices] = [mesh.triangles[number == 3].astype(np.int64)]
    count = len(mesh.vertices)

    def turned(chosen: BoolArray, corner: Indices) -> Indices:
        rows = mesh.triangles[chosen].astype(np.int64)
        return np.take_along_axis(rows, (corner[:, None] + np.arange(3)) % 3, axis=1)

    def crossing(a: Indices, b: Indices) -> Indices:
        edges.append(np.minimum(a, b) * count + np.maximum(a, b))
        return edges[-1]

    one = turned(number == 1, inside[number == 1].argmax(axis=1))
    two = turned(number == 2, (~inside[number == 2]).argmax(axis=1))
    ab, ac = crossing(one[:, 0], one[:, 1]), crossing(one[:, 0], one[:, 2])
    po, qo = crossing(two[:, 1], two[:, 0]), crossing(two[:, 2], two[:, 0])
    codes = meshes.sorted_unique(np.concatenate(edges))
    low, high = codes // count, codes % count
    share = (gap[low] / (gap[low] - gap[high]))[:, None]
    added = mesh.vertices[low] + np.clip(share, 0.02, 0.98) * (mesh.vertices[high] - mesh.vertices[low])

    def index(code: Indices) -> Indices:
        return count + np.searchsorted(codes, code)

    triangles.append(np.stack([one[:, 0], index(ab), index(ac)], axis=1))
    triangles.append(np.stack([two[:, 1], two[:, 2], index(qo)], axis=1))
    triangles.append(np.stack([two[:, 1], index(qo), index(po)], axis=1))
    whole = Mesh(np.concatenate([mesh.vertices, added]), np.concatenate(triangles).astype(np.int32))
    return meshes.compacted(whole)[0]


def parted(one: FloatArray, other: FloatArray, spacing_mm: float) -> FloatArray:
    """Vertices (k, 3) of two borders (n, 3) and (m, 3) where these do not run beside each other."""
    reach = APART * spacing_mm
    pairs = ((one, other), (other, one))
    far = [np.isinf(cKDTree(there).query(here, distance_upper_bound=reach, workers=-1)[0]) for here, there in pairs]
    return np.concatenate([one[far[0]], other[far[1]]])


def zipped(outer: Indices, inner: Indices, place: FloatArray) -> Indices | None:
    """Triangles between a border loop and a parallel one.

    Parameters
    ----------
    outer : (n,) loop of the kept mesh, material to the left
    inner : (m,) loop of the healing mesh, running the same way (reversed)
    place : (m,) for each inner vertex where on the outer loop it is nearest, in segments

    Returns
    -------
    (n + m, 3) or None
        None where the inner loop does not run once around the outer one.
    """
    n, m = len(outer), len(inner)
    steps = np.diff(np.append(place, place[0]))
    steps = (steps + n / 2.0) % n - n / 2.0
    if round(float(steps.sum()) / n) != 1:
        return None
    start = int(np.argmin(np.abs(place - np.rint(place))))
    order = np.roll(np.arange(m), -start)
    run = place[start] + np.concatenate([[0.0], np.cumsum(np.roll(steps, -start))])
    # least squares on increasing sequences is not needed: half way between both running extremes is increasing too
    run = 0.5 * (np.maximum.accumulate(run) + np.minimum.accumulate(run[::-1])[::-1])
    first = int(np.rint(run[0]))
    inner_keys = 0.5 * (run[1:] + run[:-1])
    outer_keys = first + np.arange(n) + 0.5
    keys = np.concatenate([outer_keys, inner_keys])
    kind = np.concatenate([np.zeros(n, int), np.ones(m, int)])
    sequence = np.lexsort((kind, keys))
    kinds = kind[sequence]
    i = np.concatenate([[0], np.cumsum(kinds == 0)])[:-1]
    j = np.concatenate([[0], np.cumsum(kinds == 1)])[:-1]
    p, p_next = outer[(first + i) % n], outer[(first + i + 1) % n]
    q, q_next = inner[order[j % m]], inner[order[(j + 1) % m]]
    advance_outer = np.stack([p_next, p, q], axis=1)
    advance_inner = np.stack([q, q_next, p], axis=1)
    return np.where((kinds == 0)[:, None], advance_outer, advance_inner)
