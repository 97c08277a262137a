"""The crack kept as a witness groove: a shallow channel along the rim of the break, so that it can be found again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.meshes import border_edges, edge_spacing, triangle_areas, vertex_normals, volume
from rejoin.core.records import FloatArray, Fragment, Joint, Mesh, Placement, Whole
from rejoin.core.transforms import apply

DEPTH = 0.35
"""Depth of the groove, as a share of its width."""
LEAST_SPACINGS = 3.0
"""A groove narrower than this many spacings could not be shown by the triangles."""
MOST_OF_WALL = 0.25
"""Share of the thinnest wall at the seam that the groove may take."""


def rims_of(fragments: Sequence[Fragment], placements: Sequence[Placement], joints: Sequence[Joint]) -> FloatArray:
    """Points (k, 3) along the rims of all joined fracture faces, part frame."""
    found = [np.empty((0, 3))]
    for joint in joints:
        for face in (joint.face_a, joint.face_b):
            pose = placements[face.fragment].part_from_scan
            if pose is None or joint.state == "rejected" or not len(face.triangles):
                continue
            mesh = fragments[face.fragment].mesh
            rim = np.unique(border_edges(Mesh(mesh.vertices, mesh.triangles[face.triangles])))
            found.append(apply(pose, mesh.vertices[rim]))
    return np.concatenate(found)


def grooved(whole: Whole, rims: FloatArray, width_mm: float) -> Whole:
    """The whole with a groove along its crack.

    Parameters
    ----------
    whole : Whole
    rims : (k, 3)
        Points along the crack, part frame.
    width_mm : float

    Returns
    -------
    Whole
        Its surface within half the width of the crack is lowered, nowhere by more than `DEPTH` of the width or
        `MOST_OF_WALL` of the thinnest wall. ``notes`` says how deep it is, or why there is none.
    """
    spacing = edge_spacing(whole.mesh)
    if width_mm < LEAST_SPACINGS * spacing:
        return _noted(whole, f"No groove was made: {width_mm:g} mm is too narrow for triangles of {spacing:.2f} mm; "
                             f"at least {LEAST_SPACINGS * spacing:.2g} mm can be shown.")  # fmt: skip
    depth = min(DEPTH * width_mm, MOST_OF_WALL * (whole.thinnest_mm or np.inf))
    seam = np.unique(whole.mesh.triangles[whole.seam_triangles])
    centre = _centre_line(whole.mesh.vertices[seam], rims, spacing)
    if not len(centre):
        return _noted(whole, "No groove was made: no crack was found along which it could run.")
    away = cKDTree(centre).query(whole.mesh.vertices, distance_upper_bound=0.5 * width_mm)[0]
    share = np.where(np.isfinite(away), 1.0 - np.square(np.minimum(away / (0.5 * width_mm), 1.0)), 0.0)
    mesh = Mesh(whole.mesh.vertices - (depth * share)[:, None] * vertex_normals(whole.mesh), whole.mesh.triangles)
    made = replace(whole, mesh=mesh, volume_mm3=volume(mesh), area_mm2=float(triangle_areas(mesh).sum()))
    return _noted(made, f"The crack is kept as a groove {width_mm:g} mm wide and {depth:.2f} mm deep.")


def _noted(whole: Whole, sentence: str) -> Whole:
    return replace(whole, notes=(*whole.notes, sentence))


def _centre_line(seam: FloatArray, rims: FloatArray, spacing_mm: float) -> FloatArray:
    """The points of the rims that lie at the seam: where the crack comes to the surface."""
    if not len(seam) or not len(rims):
        return np.empty((0, 3))
    return np.asarray(rims[cKDTree(seam).query(rims)[0] < 3.0 * spacing_mm])
