"""What in a view is no part: the plate that it lies on, and loose parts around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, Delaunay, QhullError

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.views import Plane, robust_plane

BoolArray = npt.NDArray[np.bool_]

SEEDS = 80
"""Vertices that are each tried as a place on the plate."""
LEAST_PLATE = 0.1
"""Share of the view's area that the plate has at least."""
LEAST_REST = 0.03
"""Share of the view's area that stands on it at least."""
BELOW = 0.003
"""Share of the view's area that may lie below the plate (strays)."""
AROUND = 0.97
"""Share of what stands on the plate that lies within its outline."""
LOOSE = 0.02
"""A loose part smaller than this share of the largest is none of the piece's."""


@dataclass(frozen=True, eq=False)
class Trimmed:
    """Triangles (k,) of a view that are the piece's as far as one view can tell; ``plate_mm2`` was cut away.

    ``table`` is the plate's plane, its origin and the direction up (3,), where one was found.
    """

    kept: IntArray
    plate_mm2: float
    loose: int
    table: tuple[FloatArray, FloatArray] | None = None


def trimmed(mesh: Mesh, spacing_mm: float, noise_mm: float, plate: bool = True) -> Trimmed:
    """Take away a plate on which all the rest stands, then loose parts.

    A plane is the support only where everything else lies on the side that it faces, inside its outline:
    a flat face of the piece itself has the piece behind it.

    Parameters
    ----------
    mesh : Mesh
        One view, oriented.
    spacing_mm, noise_mm : float
    plate : bool
        Whether a plate is looked for.
    """
    areas, normals = meshes.triangle_areas(mesh), meshes.vertex_normals(mesh)
    keep: BoolArray = np.asarray(np.ones(len(mesh.triangles), bool))
    plane = _plate(mesh, normals, spacing_mm, noise_mm) if plate else None
    cut = np.empty(0, np.int32)
    if plane is not None:
        origin, normal = plane
        height = (mesh.vertices - origin) @ normal
        low = height < max(6.0 * noise_mm, 1.2 * spacing_mm)
        keep = np.asarray(~low[mesh.triangles].any(axis=1))
        cut = np.flatnonzero(~keep).astype(np.int32)
    if not keep.any():
        return Trimmed(np.arange(len(keep), dtype=np.int32), 0.0, 0)
    index = np.flatnonzero(keep).astype(np.int32)
    part, _ = meshes.compacted(mesh, index)
    labels = meshes.components(part)[1][part.triangles[:, 0]]
    size = np.bincount(labels, areas[index])
    good = size >= LOOSE * size.max()
    loose = int(np.count_nonzero((size > 0) & ~good))
    return Trimmed(index[good[labels]], float(areas[cut].sum()), loose, plane)


def _plate(
    mesh: Mesh, normals: FloatArray, spacing: float, noise: float
) -> tuple[FloatArray, FloatArray] | None:
    """Origin and normal of the plane on which all else stands."""
    areas = meshes.vertex_areas(mesh)
    every = max(1, len(areas) // 20_000)
    points, ways, share = mesh.vertices[::every], normals[::every], areas[::every] / areas[::every].sum()
    smooth = meshes.averaged_normals(mesh, normals, 4)[::every]
    rng = np.random.default_rng(0)
    tolerance = max(4.0 * noise, 0.5 * spacing)
    wide = []
    for seed in rng.permutation(len(points))[:SEEDS]:
        height = (points - points[seed]) @ smooth[seed]
        # A vertex's normal may lean by some degrees, so a first look is a wide one.
        near = (np.abs(height) < 10.0 * tolerance) & (ways @ smooth[seed] > 0.8)
        wide.append((float(share[near].sum()), int(seed)))
    tried = np.zeros(len(points), bool)
    for size, seed in sorted(wide, reverse=True):
        if size < LEAST_PLATE:
            break
        if tried[seed]:
            continue
        largest = not tried.any()
        tried[seed] = True
        plane = _plane_at(points, ways, share, (points[seed], smooth[seed]), tolerance)
        if plane is not None:
            tried |= np.abs((points - plane.origin) @ plane.axes[2]) < 10.0 * tolerance
            if _carries(plane, points, share, ways, tolerance, largest):
                return plane.origin, plane.axes[2]
    return None


def _plane_at(
    points: FloatArray, ways: FloatArray, share: FloatArray, start: tuple[FloatArray, FloatArray], tolerance: float
) -> Plane | None:
    """The plane near a start, its origin and normal, if it is large enough for a plate."""
    origin, normal = start
    plane = None
    for width in (10.0, 4.0, 1.0, 1.0):
        on = _on(points, ways, origin, normal, width * tolerance)
        if share[on].sum() < LEAST_PLATE or np.count_nonzero(on) < 20:
            return None
        plane = robust_plane(points[on], normal, share[on])
        origin, normal = plane.origin, plane.axes[2]
    return plane


def _on(points: FloatArray, ways: FloatArray, origin: FloatArray, normal: FloatArray, within: float) -> BoolArray:
    return np.asarray((np.abs((points - origin) @ normal) < within) & (ways @ normal > 0.8))


def _carries(
    plane: Plane, points: FloatArray, share: FloatArray, ways: FloatArray, tolerance: float, largest: bool
) -> bool:
    """Whether all else stands on a plane, inside its outline.

    The plate's own edge may be seen too: it lies below, but on the outline. Where a larger plane is none, this one may
    be a flange of the piece, and an edge below it would be the flange's.
    """
    flat, height = plane.coordinates(points)[:, :2], plane.coordinates(points)[:, 2]
    above, below = height > 3.0 * tolerance, height < -3.0 * tolerance
    if share[above].sum() < LEAST_REST:
        return False
    on = _on(points, ways, plane.origin, plane.axes[2], tolerance)
    try:
        hull = flat[on][ConvexHull(flat[on]).vertices]
        outline = Delaunay(hull)
        inner = Delaunay(hull.mean(axis=0) + 0.9 * (hull - hull.mean(axis=0)))
    except QhullError:
        return False
    under = below & (inner.find_simplex(flat) >= 0) if largest else below
    around = (outline.find_simplex(flat[above]) >= 0).mean()
    return bool(share[under].sum() <= BELOW and around >= AROUND)
