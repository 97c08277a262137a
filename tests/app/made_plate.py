"""A plate with two bores, whole and broken in two: every size of it is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rejoin.core.meshes import triangle_areas, volume
from rejoin.core.records import Mesh, Project, Whole
from tests.app import made_up

LENGTH, WIDTH, THICK = 80.0, 40.0, 10.0
BORES = ((20.0, 20.0, 8.0), (60.0, 20.0, 5.0))
"""x, y and radius."""


def plate(edge_mm: float = 1.5) -> Mesh:
    """The plate from (0, 0, 0), its triangles no longer than ``edge_mm``, made by an independent library."""
    import manifold3d

    body = manifold3d.Manifold.cube((LENGTH, WIDTH, THICK))
    for x, y, radius in BORES:
        tool = manifold3d.Manifold.cylinder(THICK + 2.0, radius, radius, 96).translate((x, y, -1.0))
        body = body - tool
    made = body.refine_to_length(edge_mm).to_mesh64()
    return Mesh(np.array(made.vert_properties[:, :3]), np.array(made.tri_verts, np.int32))


def whole() -> Project:
    """The plate as the whole of a job, over the fragments of the small broken block."""
    mesh = plate()
    none = np.empty(0, np.int32)
    centres = mesh.vertices[mesh.triangles].mean(axis=1)
    seam = np.flatnonzero(np.abs(centres[:, 0] - LENGTH / 2) < 1.0)
    made = Whole(mesh, volume(mesh), float(triangle_areas(mesh).sum()), True, 1, 2, seam, none, 0.0, (), 0, 0.0, ())
    return replace(made_up.joined(), whole=made)


def look(window, direction: tuple[float, float, float]) -> None:
    """Look at the whole from a direction of its own frame."""
    turned = window.scene.frames()[-1][:3, :3] @ np.array(direction, float)
    window.scene.look_from(tuple(turned), (0, 0, 1) if abs(turned[2]) < 0.9 * np.linalg.norm(turned) else (0, 1, 0))


def seen_at(window, point: tuple[float, float, float]):
    """Where a point of the whole appears in the view."""
    world = window.scene.frames()[-1]
    return window.view.widget_position(world[:3, :3] @ np.array(point, float) + world[:3, 3]).toPoint()
