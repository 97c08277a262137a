"""The round face around a triangle: a cylinder or cone by least squares, grown as far as it explains the mesh."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import breadth_first_order

from rejoin.core.libraries.bodies import frame_on
from rejoin.core.making.surface import ROUNDING, Index, Region, Round, Surface
from rejoin.core.records import FloatArray
from rejoin.core.robust import sigma_of


def corner_points(surface: Surface, triangles: Index) -> tuple[Index, FloatArray]:
    """The vertices (k,) that some triangles use, and their places (k, 3)."""
    mask = np.zeros(len(surface.mesh.vertices), bool)
    mask[surface.mesh.triangles[triangles].ravel()] = True
    used = np.flatnonzero(mask)
    return used, surface.mesh.vertices[used]


def close_by(
    surface: Surface, faces_alike: npt.NDArray[np.bool_], close: npt.NDArray[np.bool_], sigma_mm: float
) -> npt.NDArray[np.bool_]:
    """Triangles whose corners are close to a figure and that face as it does; noise decides how a sliver faces."""
    sliver = surface.heights < min(4.0 * sigma_mm, surface.sliver_mm)
    return np.asarray((faces_alike | sliver) & close[surface.mesh.triangles].all(axis=1))


def round_at(surface: Surface, seed: int) -> Region | None:
    """The largest round face around a triangle; None where there is none."""
    order = breadth_first_order(surface.smooth_links, seed, return_predecessors=False)
    best: Region | None = None
    tried = 0
    for count in (60, 400, 2500, 16_000, len(order)):
        count = min(count, len(order))
        if count == tried:
            break
        tried = count
        found = _round_from(surface, seed, order[:count])
        if found is not None and best is not None and abs(found.area_mm2 - best.area_mm2) < 1e-3 * best.area_mm2:
            break
        if found is not None and (best is None or found.area_mm2 > best.area_mm2):
            best = found
    return best


def _round_from(surface: Surface, seed: int, patch: Index) -> Region | None:
    floor = ROUNDING * surface.size_mm
    triangles = patch
    figure: Round | None = None
    sigma = 0.0
    for _ in range(8):
        used, points = corner_points(surface, triangles)
        figure = _fit_round(surface, triangles, points, figure)
        if figure is None or not 0.0 < figure.radius_mm < surface.size_mm or abs(figure.slope) > 0.7:
            return None
        sigma = sigma_of(figure.off(points))
        if sigma > 0.05 * figure.radius_mm:
            return None
        close = figure.off(surface.mesh.vertices) <= max(4.0 * sigma, floor)
        some = np.flatnonzero(close[surface.mesh.triangles].all(axis=1))
        middles = surface.mesh.vertices[surface.mesh.triangles[some]].mean(axis=1)
        alike = np.zeros(len(surface.areas), bool)
        alike[some] = np.einsum("ij,ij->i", figure.normals(middles), surface.normals[some]) > 0.9
        mask = close_by(surface, alike, close, sigma)
        if not mask[seed]:
            return None
        grown = surface.connected(mask, seed)
        if len(grown) < 6:
            return None
        same = len(grown) == len(triangles) and np.array_equal(np.sort(grown), np.sort(triangles))
        triangles = grown
        if same:
            break
    assert figure is not None
    used, points = corner_points(surface, triangles)
    normals = figure.normals(points)
    spread = np.einsum("ij,j->i", surface.normals[triangles], surface.normals[seed]).min()
    if spread > np.cos(np.radians(15.0)):
        return None
    return Region("round", triangles, used, normals, sigma, figure, float(surface.areas[triangles].sum()))


def _fit_round(surface: Surface, triangles: Index, points: FloatArray, before: Round | None) -> Round | None:
    """Cylinder or cone by least squares: axis from the normals at first, then all six numbers by Gauss-Newton."""
    if len(points) < 6:
        return None
    if before is None:
        normals, weight = surface.normals[triangles], surface.areas[triangles]
        centred = normals - np.average(normals, axis=0, weights=weight)
        axis = np.linalg.eigh((centred * weight[:, None]).T @ centred)[1][:, 0]
        frame = frame_on(axis)
        flat = (points - points.mean(axis=0)) @ frame
        a = np.column_stack([flat[:, 0], flat[:, 1], np.ones(len(flat))])
        x, *_ = np.linalg.lstsq(a, np.square(flat[:, :2]).sum(axis=1), rcond=None)
        centre = 0.5 * x[:2]
        radius = float(np.sqrt(max(x[2] + centre @ centre, 0.0)))
        point, slope = points.mean(axis=0) + frame[:, :2] @ centre, 0.0
    else:
        axis, point, radius, slope = before.axis, before.point_mm, before.radius_mm, before.slope
    if len(points) > 4000:
        points = points[np.linspace(0, len(points) - 1, 4000).astype(int)]
    for _ in range(12):
        frame = frame_on(axis)
        q = (points - point) @ frame
        r = np.hypot(q[:, 0], q[:, 1])
        if (r <= 0).any():
            return None
        c, s, t = q[:, 0] / r, q[:, 1] / r, q[:, 2]
        residual = r - radius - slope * t
        # Shift of the point (x, y), tilt of the axis (x, y), radius, slope.
        rows = np.column_stack([-c, -s, -c * t, -s * t, -np.ones(len(r)), -t])
        step, *_ = np.linalg.lstsq(rows, -residual, rcond=1e-12)
        point = point + frame[:, 0] * step[0] + frame[:, 1] * step[1]
        axis = axis + frame[:, 0] * step[2] + frame[:, 1] * step[3]
        axis = axis / np.linalg.norm(axis)
        radius, slope = float(radius + step[4]), float(slope + step[5])
        if np.abs(step).max() < 1e-12 * surface.size_mm:
            break
    if not np.isfinite([radius, slope]).all() or not np.isfinite(point).all():
        return None
    shape = Round(point, axis, radius, slope, False)
    middles = surface.mesh.vertices[surface.mesh.triangles[triangles]].mean(axis=1)
    outward = np.einsum("ij,ij->i", shape.normals(middles), surface.raw[triangles]) @ surface.areas[triangles]
    return Round(point, axis, radius, slope, bool(outward < 0))
