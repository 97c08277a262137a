"""The shore, what is kept of the fragments beside the strip: is a place over it, or beyond its border?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.contact.distances import closest_on_triangles
from rejoin.core.fusing.ring import BoolArray, widened
from rejoin.core.fusing.soundness import Indices, any_corner
from rejoin.core.fusing.stitching import Seam
from rejoin.core.libraries.distances import TriangleTree
from rejoin.core.records import FloatArray, Mesh

RINGS = 6
"""So many rings of kept triangles behind the border, and what is kept within as many spacings of it (across the mouth
of a hollow that is a longer way along the surface), tell what lies over the kept surface."""


@dataclass(frozen=True, eq=False)
class Shore:
    """The kept surface near its border, and which of its vertices (n,) are on the border."""

    mesh: Mesh
    at_border: BoolArray
    seam: Seam

    @staticmethod
    def of(kept: Mesh, loops: list[Indices], seam: Seam, spacing_mm: float) -> Shore:
        border = np.zeros(len(kept.vertices), bool)
        border[np.concatenate(loops)] = True
        away = cKDTree(kept.vertices[border]).query(kept.vertices, distance_upper_bound=RINGS * spacing_mm, workers=-1)
        near = border
        for _ in range(RINGS):
            near = widened(kept, near)
        near = near | np.isfinite(away[0])
        mesh, used = meshes.compacted(kept, np.flatnonzero(any_corner(near, kept.triangles)).astype(np.int32))
        return Shore(mesh, border[used], seam)

    @cached_property
    def _tree(self) -> TriangleTree:
        return TriangleTree(self.mesh)

    def beyond(self, surface: Mesh, chosen: Indices | None = None) -> FloatArray:
        """Distance (k,) of the surface's vertices from the kept border, negative over the kept surface.

        A vertex is beyond where the nearest place of the kept surface is on
        its border, or faces another way.
        """
        normals = meshes.vertex_normals(surface)
        points = surface.vertices if chosen is None else surface.vertices[chosen]
        normals = normals if chosen is None else normals[chosen]
        if len(points) == 0:
            return np.zeros(0)
        which = self._tree.nearest(points)
        corners = self.mesh.triangles[which]
        _, weights = closest_on_triangles(points, self.mesh.vertices[corners])
        on_border = ((weights > 1e-9) <= self.at_border[corners]).all(axis=1)
        theirs = meshes.triangle_crosses(Mesh(self.mesh.vertices, corners))
        facing = np.einsum("ij,ij->i", theirs, normals) > 0
        distance = np.abs(self.seam.nearest(points)[2])
        return np.asarray(np.where(on_border | ~facing, distance, -distance))
