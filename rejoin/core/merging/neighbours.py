"""Which triangle of one view is nearest to each vertex of another: asked once, and carried on as both are cut."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import permutations

import numpy as np

from rejoin.core.contact import closest_on_triangles
from rejoin.core.libraries.distances import TriangleTree
from rejoin.core.meshes import compacted
from rejoin.core.records import IntArray, Mesh


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
    """All views in the common frame, and which triangles of each are nearest to the others' vertices."""

    def __init__(self, views: list[Mesh]) -> None:
        self.views, trees = views, [TriangleTree(mesh) for mesh in views]
        self._nearest = {(i, j): trees[j].nearest(views[i].vertices) for i, j in permutations(range(len(views)), 2)}

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
