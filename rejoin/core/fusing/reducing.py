"""Fewer triangles, to a stated tolerance that is measured afterwards."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rejoin.core import meshes
from rejoin.core.contact.distances import closest_on_triangles
from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.distances import closest_triangles
from rejoin.core.libraries.solids import simplified
from rejoin.core.records import FloatArray, Mesh, Whole

SHARES = (0.7, 0.35)
"""Tolerances given to the library, as shares of what is asked: its results stray up to twice as far."""
STRAYS = 1e-3
"""Share of vertices that may stray farther than asked, if the largest distance is told."""


def reduced(whole: Whole, tolerance_mm: float) -> Whole:
    """The whole with fewer triangles, within the tolerance of its own; what strays farther is told.

    Where that cannot be done the whole stays as it was, with a note.

    Both ways are measured: each vertex of the full surface to the reduced one
    and each vertex and triangle's middle of the reduced surface to the full one.
    """
    if not whole.closed:
        return _not_reduced(whole, "because it is not closed")
    found: tuple[Mesh, float] | None = None
    for share in SHARES:
        try:
            fewer = meshes.compacted(simplified(whole.mesh, share * tolerance_mm))[0]
        except NoAnswer:
            return _not_reduced(whole, "because it is not a closed solid")
        there, back = distances(whole.mesh.vertices, fewer), distances(meshes.triangle_centres(fewer), whole.mesh)
        deviation = max(float(there.max()), float(back.max()))
        if not meshes.is_closed(fewer) or meshes.genus(fewer) != whole.genus:
            continue
        if deviation <= tolerance_mm:
            return _with_mesh(whole, fewer, deviation)
        if (there > tolerance_mm).mean() < STRAYS:
            found = fewer, deviation
    if found is None:
        return _not_reduced(whole, f"because no reduction kept within {tolerance_mm:g} mm")
    note = f"The reduced surface strays by up to {found[1]:.3f} mm at a few places where the scans are uneven."
    return _with_mesh(replace(whole, notes=(*whole.notes, note)), *found)


def distances(points: FloatArray, mesh: Mesh) -> FloatArray:
    """Distance (k,) of each point to the mesh, mm."""
    corners = mesh.vertices[mesh.triangles[closest_triangles(points, mesh)]]
    return np.asarray(np.linalg.norm(points - closest_on_triangles(points, corners)[0], axis=1))


def _not_reduced(whole: Whole, why: str) -> Whole:
    return replace(whole, notes=(*whole.notes, f"The whole was not reduced, {why}."))


def _with_mesh(whole: Whole, mesh: Mesh, deviation_mm: float) -> Whole:
    """The record for the reduced mesh; a triangle is of the seam or a fill where the nearest one was."""
    nearest = closest_triangles(meshes.triangle_centres(mesh), whole.mesh)
    flags = np.zeros((2, len(whole.mesh.triangles)), bool)
    flags[0, whole.seam_triangles] = True
    flags[1, whole.filled_triangles] = True
    return replace(
        whole,
        mesh=mesh,
        volume_mm3=meshes.volume(mesh),
        area_mm2=float(meshes.triangle_areas(mesh).sum()),
        seam_triangles=np.flatnonzero(flags[0, nearest]).astype(np.int32),
        filled_triangles=np.flatnonzero(flags[1, nearest]).astype(np.int32),
        farthest_outside_mm=max(deviation_mm, whole.farthest_outside_mm or 0.0),
        size_mm=np.ptp(mesh.vertices, axis=0),
        reduced_mm=deviation_mm,
    )
