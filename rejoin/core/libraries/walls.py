"""Doorway to open3d's ray tracing: what lies straight through the material."""

from __future__ import annotations

import numpy as np

from rejoin.core.libraries.quiet import the_open3d
from rejoin.core.records import FloatArray, IntArray, Mesh


def through_material(mesh: Mesh, starts: FloatArray, directions: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distance (k,) to the first triangle along each ray, mm, and that triangle (k,); inf and -1 where none is hit.

    Single precision about the mesh's middle: distances hold to about 1e-6 of its size.
    """
    o3d = the_open3d()
    middle = 0.5 * (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0))
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        o3d.core.Tensor((mesh.vertices - middle).astype(np.float32)),
        o3d.core.Tensor(mesh.triangles.astype(np.uint32)),
    )
    rays = np.concatenate([starts - middle, directions], axis=1).astype(np.float32)
    found = scene.cast_rays(o3d.core.Tensor(rays))
    distance = found["t_hit"].numpy().astype(np.float64)
    which = np.where(np.isfinite(distance), found["primitive_ids"].numpy().astype(np.int64), -1)
    return distance, which.astype(np.int32)
