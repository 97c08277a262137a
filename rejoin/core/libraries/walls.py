"""Doorway to open3d's ray tracing: what lies straight through the material, what stands in a line of sight."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from rejoin.core.libraries.quiet import the_open3d
from rejoin.core.records import FloatArray, IntArray, Mesh


def through_material(mesh: Mesh, starts: FloatArray, directions: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distance (k,) to the first triangle along each ray, mm, and that triangle (k,); inf and -1 where none is hit.

    Single precision about the mesh's middle: distances hold to about 1e-6 of its size.
    """
    found = Rays(mesh).cast(starts, directions)
    distance = found["t_hit"].numpy().astype(np.float64)
    which = np.where(np.isfinite(distance), found["primitive_ids"].numpy().astype(np.int64), -1)
    return distance, which.astype(np.int32)


class Rays:
    """A mesh made ready for many rays."""

    def __init__(self, mesh: Mesh) -> None:
        self._o3d = the_open3d()
        self._middle = 0.5 * (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0))
        self._scene = self._o3d.t.geometry.RaycastingScene()
        self._scene.add_triangles(
            self._o3d.core.Tensor((mesh.vertices - self._middle).astype(np.float32)),
            self._o3d.core.Tensor(mesh.triangles.astype(np.uint32)),
        )

    def cast(self, starts: FloatArray, directions: FloatArray) -> Any:
        """What open3d tells of rays (k, 3) from ``starts`` along ``directions``."""
        return self._scene.cast_rays(self._rays(starts, directions))

    def free(self, starts: FloatArray, directions: FloatArray) -> npt.NDArray[np.bool_]:
        """Which rays (k,) meet no triangle, from either side."""
        return np.asarray(~self._scene.test_occlusions(self._rays(starts, directions)).numpy().astype(bool))

    def _rays(self, starts: FloatArray, directions: FloatArray) -> Any:
        rays = np.empty((len(starts), 6), np.float32)
        np.subtract(starts, self._middle, out=rays[:, :3], casting="same_kind")
        rays[:, 3:] = directions
        return self._o3d.core.Tensor(rays)
