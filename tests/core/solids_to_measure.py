"""Solids whose dimensions are known because they were made so (manifold3d), with the noise of a scan."""

from __future__ import annotations

from functools import cache

import manifold3d
import numpy as np

from rejoin.core.meshes import vertex_normals
from rejoin.core.records import Mesh


@cache
def plate(noise_mm: float = 0.0, seed: int = 0, spacing_mm: float = 1.6) -> Mesh:
    """A plate of 80 x 40 x 12 about the origin, with features.

    Bores of 20 at (-20, 0) and 12 at (20, 0), a blind hole of 10 at (0, 10) with its bottom at z = -1, a boss of
    8 at (0, -12) whose top is at z = 20.
    """
    solid = manifold3d.Manifold.cube((80, 40, 12), True)
    solid -= manifold3d.Manifold.cylinder(20, 10, 10, 240, True).translate((-20, 0, 0))
    solid -= manifold3d.Manifold.cylinder(20, 6, 6, 240, True).translate((20, 0, 0))
    solid -= manifold3d.Manifold.cylinder(20, 5, 5, 240).translate((0, 10, -1))
    solid += manifold3d.Manifold.cylinder(15, 4, 4, 240).translate((0, -12, 5))
    return noisy(solid.refine_to_length(spacing_mm), noise_mm, seed)


def noisy(solid: manifold3d.Manifold, noise_mm: float, seed: int) -> Mesh:
    """A solid as a scan would have it: noise along the normal."""
    out = solid.to_mesh()
    mesh = Mesh(np.array(out.vert_properties[:, :3], float), np.array(out.tri_verts, np.int32))
    if noise_mm == 0.0:
        return mesh
    away = noise_mm * np.random.default_rng(seed).normal(size=(len(mesh.vertices), 1))
    return Mesh(mesh.vertices + away * vertex_normals(mesh), mesh.triangles)
