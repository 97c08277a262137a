"""Which triangle of one view is nearest to each vertex of another: asked once, and carried on as both are cut."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import permutations

import numpy as np
from scipy.ndimage import distance_transform_edt

from rejoin.core.contact import closest_on_triangles
from rejoin.core.libraries.distances import TriangleTree
from rejoin.core.meshes import compacted, vertex_normals
from rejoin.core.records import FloatArray, IntArray, Mesh

FINE = 4
"""Cells to the distance from which a place is far."""


@dataclass(frozen=True, eq=False)
class Part:
    """A part of a view: its mesh, and which of the view's vertices (n,) and triangles (m,) it is made of."""

    mesh: Mesh
    vertices: IntArray
    triangles: IntArray

    @cached_property
    def tree(self) -> TriangleTree:
        return TriangleTree(self.mesh)

    def only(self, triangles: IntArray) -> Part:
        """Of the part some of its triangles (k,)."""
        mesh, kept = compacted(self.mesh, triangles)
        return Part(mesh, self.vertices[kept], self.triangles[triangles])


def whole_of(mesh: Mesh) -> Part:
    """All of a view."""
    return Part(mesh, *(np.arange(len(some), dtype=np.int32) for some in (mesh.vertices, mesh.triangles)))


class Neighbours:
    """All views in the common frame, and which triangles of each are nearest to the others' vertices.

    Of vertices farther than ``far_mm`` from another view one in each cell of ``cell_mm``, among those that face the
    same way, is asked, and tells its triangle to all: most of the time goes into what is far away.
    """

    def __init__(self, views: list[Mesh], far_mm: float = np.inf, cell_mm: float = 1.0) -> None:
        self.views, trees = views, [TriangleTree(mesh) for mesh in views]
        stands_for = [_one_a_cell(mesh, cell_mm) for mesh in views] if np.isfinite(far_mm) else []
        self._nearest = dict[tuple[int, int], IntArray]()
        for i, j in permutations(range(len(views)), 2):
            asked = np.ones(len(views[i].vertices), bool)
            if stands_for:
                far = _far(views[i].vertices, views[j].vertices, far_mm)
                asked[far] = False
                asked[stands_for[i][far]] = True
            found = np.full(len(asked), -1, np.int32)
            found[asked] = trees[j].nearest(views[i].vertices[asked])
            self._nearest[i, j] = found if asked.all() else np.where(asked, found, found[stands_for[i]])

    def nearest(self, i: int, j: int) -> IntArray:
        """The triangles (n,) of view j that are nearest to view i's vertices."""
        return self._nearest[i, j]

    def within(self, i: int, one: Part, j: int, other: Part, reach_mm: float = np.inf) -> IntArray:
        """The triangles (n,) of a part of view j that are nearest to the vertices of a part of view i.

        Where the nearest one of all is still there it is that one. Otherwise the part is asked, or -1 stands where even
        the nearest of all is farther away than ``reach_mm``.
        """
        place = np.full(len(self.views[j].triangles), -1, np.int32)
        place[other.triangles] = np.arange(len(other.triangles), dtype=np.int32)
        first = self._nearest[i, j][one.vertices]
        found = place[first]
        lost = np.flatnonzero(found < 0)
        if np.isfinite(reach_mm):
            corners = self.views[j].vertices[self.views[j].triangles[first[lost]]]
            away = one.mesh.vertices[lost] - closest_on_triangles(one.mesh.vertices[lost], corners)[0]
            lost = lost[np.linalg.norm(away, axis=1) < reach_mm]
        if len(lost):
            found[lost] = other.tree.nearest(one.mesh.vertices[lost])
        return found


def _one_a_cell(mesh: Mesh, cell_mm: float) -> IntArray:
    """For each vertex (n,) one that lies in the same cell and faces the same way."""
    normals = vertex_normals(mesh)
    axis = np.abs(normals).argmax(axis=1)
    facing = 2 * axis + (normals[np.arange(len(axis)), axis] < 0)
    cells = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / cell_mm).astype(np.int64)
    spans = cells.max(axis=0) + 1
    key = ((cells[:, 0] * spans[1] + cells[:, 1]) * spans[2] + cells[:, 2]) * 6 + facing
    _, first, group = np.unique(key, return_index=True, return_inverse=True)
    return np.asarray(first[group.ravel()], np.int32)


def _far(points: FloatArray, others: FloatArray, far_mm: float) -> IntArray:
    """Which of some points (n, 3) are at least so far from all others."""
    cell = far_mm / FINE
    low = others.min(axis=0) - 2.0 * far_mm
    spans = np.floor((others.max(axis=0) + 2.0 * far_mm - low) / cell).astype(np.int64) + 1
    free = np.ones(spans, bool)
    free[tuple(((others - low) / cell).astype(np.int64).T)] = False
    at = np.clip(np.floor((points - low) / cell), 0, spans - 1).astype(np.int64)
    # Points in two cells are nearer than the cells' middles by a diagonal at most.
    return np.flatnonzero(distance_transform_edt(free)[tuple(at.T)] > FINE + np.sqrt(3.0)).astype(np.int32)
