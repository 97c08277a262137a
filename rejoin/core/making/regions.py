"""From a picked point to the face around it: a plane, a round face (cylinder or cone), or a smooth patch."""

from __future__ import annotations

import numpy as np
from scipy.sparse.csgraph import breadth_first_order

from rejoin.core.contact.distances import closest_on_triangles
from rejoin.core.errors import NoAnswer
from rejoin.core.making.rounds import close_by, corner_points, round_at
from rejoin.core.making.surface import CREASE, ROUNDING, Region, Surface
from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.robust import sigma_of

REACH = 0.02
"""A pick may lie this far off the surface, as a share of the part's size (the diagonal of its box)."""
LEAN = float(np.cos(np.radians(20.0)))


def seed_of(surface: Surface, point: FloatArray, facing: FloatArray | None = None) -> tuple[int, float]:
    """The triangle nearest to a point, and how far it is; ``facing`` leaves out those that face another way."""
    mesh = surface.mesh
    corners = [mesh.vertices[mesh.triangles[:, k]] for k in range(3)]
    middle = (corners[0] + corners[1] + corners[2]) / 3.0
    reach = np.sqrt(np.max([np.square(c - middle).sum(axis=1) for c in corners], axis=0))
    away = np.linalg.norm(middle - point, axis=1)
    allowed = np.ones(len(away), bool) if facing is None else surface.normals @ facing > 0.8
    if not allowed.any():
        return 0, np.inf
    near = np.flatnonzero(allowed & (away - reach <= (away + reach)[allowed].min()))
    closest, _ = closest_on_triangles(np.tile(point, (len(near), 1)), mesh.vertices[mesh.triangles[near]])
    distance = np.linalg.norm(closest - point, axis=1)
    least = float(distance.min())
    # On an edge several triangles are equally near: the one whose middle is nearest is meant.
    equal = near[distance <= least + ROUNDING * surface.size_mm]
    return int(equal[np.argmin(away[equal])]), least


def region_at(
    surface: Surface, point: FloatArray, shape: str = "auto", name: str = "", facing: FloatArray | None = None,
    reach_mm: float | None = None,
) -> Region:  # fmt: skip
    """The face around a picked point.

    Parameters
    ----------
    surface : Surface
    point : (3,)
        Frame of the whole, mm.
    shape : str
        "plane", "round", "free", or "auto": whichever of plane and round explains more.
    name : str
        For the message.
    facing : (3,), optional
        The face's normal, where another wall may be as near.
    reach_mm : float, optional
        How far off the surface the point may lie.

    Raises
    ------
    NoAnswer
        Nothing there, or no such shape.
    """
    what = name or "the picked face"
    seed, distance = seed_of(surface, point, facing)
    if distance > (REACH * surface.size_mm if reach_mm is None else reach_mm):
        raise NoAnswer(f"The point of {what} lies {distance:.3g} mm off the surface.",
                       "Pick it again, or look at the unit of the file.")  # fmt: skip
    plane = _plane(surface, seed) if shape in ("auto", "plane") else None
    if shape == "plane":
        assert plane is not None
        return plane
    if shape == "auto" and plane is not None and _bounded(surface, plane):
        return plane
    round_ = round_at(surface, seed) if shape in ("auto", "round") else None
    if shape == "round" and round_ is None:
        raise NoAnswer(f"At the point of {what} the surface is not round.", "Pick it again, or choose another shape.")
    if shape == "auto":
        assert plane is not None
        return round_ if round_ is not None and round_.area_mm2 > 1.5 * plane.area_mm2 else plane
    return round_ if round_ is not None else _free(surface, seed)


def _bounded(surface: Surface, region: Region) -> bool:
    """Whether creases bound a fine plane all round: then it is no strip of something round."""
    if len(region.triangles) < 400:
        return False
    inside = np.zeros(len(surface.areas), bool)
    inside[region.triangles] = True
    across = surface.neighbours[region.triangles]
    rows, side = np.nonzero(~inside[across])
    outside = across[rows, side]
    # One more step away from the edge, which the evening of normals has rounded.
    beyond = surface.neighbours[surface.neighbours[outside]].reshape(len(outside), -1)
    least = np.einsum("ijk,ik->ij", surface.normals[beyond], surface.normals[region.triangles[rows]]).min(axis=1)
    return bool((least > CREASE).mean() < 0.2)


def _fit_plane(points: FloatArray, like: FloatArray) -> tuple[FloatArray, FloatArray]:
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][-1]
    return middle, normal if normal @ like > 0 else -normal


def _plane(surface: Surface, seed: int) -> Region:
    order = breadth_first_order(surface.smooth_links, seed, return_predecessors=False)[:200]
    like = surface.normals[seed]
    patch = order[surface.normals[order] @ like > 0.97]
    triangles = surface.connected(np.isin(np.arange(len(surface.areas)), patch), seed)
    used, points = corner_points(surface, triangles)
    middle, normal = _fit_plane(points, surface.raw[seed] if len(points) < 6 else like)
    if normal @ like < LEAN:
        middle, normal = points.mean(axis=0), like
    floor = ROUNDING * surface.size_mm
    sigma = sigma_of((points - middle) @ normal)
    most = max(5.0 * sigma, floor)
    for _ in range(8):
        close = np.abs((surface.mesh.vertices - middle) @ normal) <= max(4.0 * sigma, floor)
        grown = surface.connected(close_by(surface, surface.normals @ normal > LEAN, close, sigma), seed)
        same = len(grown) == len(triangles) and np.array_equal(grown, triangles)
        triangles = grown
        used, points = corner_points(surface, triangles)
        if same:
            break
        middle, fitted = _fit_plane(points, like)
        normal = fitted if fitted @ like > LEAN else normal
        sigma = min(sigma_of((points - middle) @ normal), most)
    normals = np.tile(normal, (len(used), 1))
    return Region("plane", triangles, used, normals, sigma, None, float(surface.areas[triangles].sum()))


def _free(surface: Surface, seed: int) -> Region:
    """The patch that creases bound; it moves along the normals of its own vertices."""
    triangles = np.sort(breadth_first_order(surface.smooth_links, seed, return_predecessors=False)).astype(np.int64)
    used, _ = corner_points(surface, triangles)
    normals = vertex_normals(Mesh(surface.mesh.vertices, surface.mesh.triangles[triangles]))[used]
    return Region("free", triangles, used, normals, 0.0, None, float(surface.areas[triangles].sum()))
