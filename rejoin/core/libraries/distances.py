"""Doorway to open3d's ray tracing tree: which triangle of a mesh is nearest to each point."""

from __future__ import annotations

import numpy as np

from rejoin.core.libraries.quiet import the_open3d
from rejoin.core.records import FloatArray, IntArray, Mesh


class TriangleTree:
    """The tree over one mesh's triangles, made once.

    It works in single precision about the mesh's middle: of two triangles
    whose distances differ by less than 1e-6 of its size either may be named.
    Distances are for the caller to compute.
    """

    def __init__(self, mesh: Mesh) -> None:
        o3d = the_open3d()
        self._middle = 0.5 * (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0))
        self._scene = o3d.t.geometry.RaycastingScene()
        self._scene.add_triangles(
            o3d.core.Tensor((mesh.vertices - self._middle).astype(np.float32)),
            o3d.core.Tensor(mesh.triangles.astype(np.uint32)),
        )

    def nearest(self, points: FloatArray) -> IntArray:
        """Index (k,) of the triangle nearest to each point."""
        o3d = the_open3d()
        found = self._scene.compute_closest_points(o3d.core.Tensor((points - self._middle).astype(np.float32)))
        return np.array(found["primitive_ids"].numpy(), dtype=np.int32)


def closest_triangles(points: FloatArray, mesh: Mesh) -> IntArray:
    """Index (k,) of the triangle nearest to each point (see `TriangleTree`)."""
    return TriangleTree(mesh).nearest(points)
