"""From a picked point to the face around it: a plane, a round face (cylinder or cone), or a smooth patch."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components

from rejoin.core.contact.distances import closest_on_triangles
from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.bodies import frame_on
from rejoin.core.meshes import edges, triangle_crosses, vertex_normals
from rejoin.core.records import FloatArray, Mesh

Index = npt.NDArray[np.int64]

REACH = 0.02
"""A pick may lie this far off the surface, as a share of the part's size (the diagonal of its box)."""
ROUNDING = 2e-6
"""Unevenness, as a share of the size, that single precision in a file explains."""
CREASE = float(np.cos(np.radians(30.0)))
LEAN = float(np.cos(np.radians(20.0)))


class Surface:
    """A closed mesh with what growing a region needs; made once for a mesh."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        self.size_mm = float(np.linalg.norm(high - low))
        crosses = triangle_crosses(mesh)
        length = np.linalg.norm(crosses, axis=1)
        self.areas = 0.5 * length
        self.raw = crosses / np.where(length > 0, length, 1.0)[:, None]

    @cached_property
    def heights(self) -> FloatArray:
        """The least height (m,) of each triangle."""
        corners = self.mesh.vertices[self.mesh.triangles]
        longest = np.sqrt(np.max([np.square(corners[:, k] - corners[:, k - 1]).sum(axis=1) for k in range(3)], axis=0))
        return np.asarray(2.0 * self.areas / np.where(longest > 0, longest, 1.0))

    @cached_property
    def sliver_mm(self) -> float:
        """Triangles lower than this may count as slivers."""
        return 0.1 * float(np.sqrt(np.median(self.areas)))

    @cached_property
    def neighbours(self) -> Index:
        """The triangle (m, 3) across each edge."""
        directed = edges(self.mesh).astype(np.int64)
        count = len(self.mesh.vertices)
        forward = directed[:, 0] * count + directed[:, 1]
        backward = directed[:, 1] * count + directed[:, 0]
        order = np.argsort(forward, kind="stable")
        at = np.minimum(np.searchsorted(forward[order], backward), len(order) - 1)
        return np.asarray(order[at] // 3).reshape(-1, 3)

    @cached_property
    def normals(self) -> FloatArray:
        """Unit normals (m, 3), evened out over neighbours on the same side of every crease."""
        normals = self.raw
        for _ in range(4):
            around = normals[self.neighbours]
            alike = np.einsum("ijk,ik->ij", around, normals) > CREASE
            weight = alike * self.areas[self.neighbours]
            total = self.areas[:, None] * normals + np.einsum("ij,ijk->ik", weight, around)
            length = np.linalg.norm(total, axis=1, keepdims=True)
            normals = total / np.where(length > 0, length, 1.0)
        return normals

    @cached_property
    def smooth_links(self) -> csr_matrix:
        """Which triangles meet without a crease."""
        m = len(self.neighbours)
        start = np.repeat(np.arange(m), 3)
        end = self.neighbours.ravel()
        alike = np.einsum("ij,ij->i", self.normals[start], self.normals[end]) > CREASE
        return csr_matrix((np.ones(int(alike.sum()), np.int8), (start[alike], end[alike])), (m, m))

    def connected(self, mask: npt.NDArray[np.bool_], seed: int) -> Index:
        """Triangles of the mask that hang together with the seed."""
        mask = mask.copy()
        mask[seed] = True
        chosen = np.flatnonzero(mask)
        place = np.full(len(mask), -1, np.int64)
        place[chosen] = np.arange(len(chosen))
        start, end = np.repeat(np.arange(len(chosen)), 3), place[self.neighbours[chosen].ravel()]
        inside = end >= 0
        links = csr_matrix((np.ones(int(inside.sum()), np.int8), (start[inside], end[inside])), (len(chosen),) * 2)
        _, label = connected_components(links, directed=False)
        return np.asarray(chosen[label == label[place[seed]]])


@dataclass(frozen=True, eq=False)
class Round:
    """A cylinder or cone: radius ``radius_mm + slope * t`` at ``point_mm + t * axis``; ``hollow`` if it is a bore."""

    point_mm: FloatArray
    axis: FloatArray
    radius_mm: float
    slope: float
    hollow: bool

    def split(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Place along the axis (k,), distance from it (k,), unit direction away from it (k, 3)."""
        q = points - self.point_mm
        t = q @ self.axis
        away = q - t[:, None] * self.axis
        r = np.linalg.norm(away, axis=1)
        return t, r, away / np.where(r > 0, r, 1.0)[:, None]

    def normals(self, points: FloatArray) -> FloatArray:
        """Outward normals (k, 3) of the surface."""
        out = self.split(points)[2] - self.slope * self.axis
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        return np.asarray(-out if self.hollow else out)

    def off(self, points: FloatArray) -> FloatArray:
        """Distances (k,) from the surface, along its normal."""
        t, r, _ = self.split(points)
        return np.asarray(np.abs(r - self.radius_mm - self.slope * t) / np.hypot(1.0, self.slope))


@dataclass(frozen=True, eq=False)
class Region:
    """A face of the whole: ``kind`` "plane", "round" or "free", its triangles, the unit normal at its vertices."""

    kind: str
    triangles: Index
    vertices: Index
    normals: FloatArray
    sigma_mm: float
    figure: Round | None
    area_mm2: float

    def normals_at(self, points: FloatArray) -> FloatArray:
        """Outward normals (k, 3) of the face's figure; of a free patch its mean one."""
        if self.figure is not None:
            return self.figure.normals(points)
        mean = self.normals.mean(axis=0)
        return np.tile(mean / max(float(np.linalg.norm(mean)), 1e-300), (len(points), 1))

    @property
    def hollow(self) -> bool:
        """Whether it is a bore."""
        return self.figure is not None and self.figure.hollow


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
    round_ = _round(surface, seed) if shape in ("auto", "round") else None
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


def _corner_points(surface: Surface, triangles: Index) -> tuple[Index, FloatArray]:
    mask = np.zeros(len(surface.mesh.vertices), bool)
    mask[surface.mesh.triangles[triangles].ravel()] = True
    used = np.flatnonzero(mask)
    return used, surface.mesh.vertices[used]


def _robust(off: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(off))) if len(off) else 0.0


def _near(
    surface: Surface, faces_alike: npt.NDArray[np.bool_], close: npt.NDArray[np.bool_], sigma_mm: float
) -> npt.NDArray[np.bool_]:
    """Triangles whose corners are close to a figure and that face as it does; noise decides how a sliver faces."""
    sliver = surface.heights < min(4.0 * sigma_mm, surface.sliver_mm)
    return np.asarray((faces_alike | sliver) & close[surface.mesh.triangles].all(axis=1))


def _fit_plane(points: FloatArray, like: FloatArray) -> tuple[FloatArray, FloatArray]:
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][-1]
    return middle, normal if normal @ like > 0 else -normal


def _plane(surface: Surface, seed: int) -> Region:
    order = breadth_first_order(surface.smooth_links, seed, return_predecessors=False)[:200]
    like = surface.normals[seed]
    patch = order[surface.normals[order] @ like > 0.97]
    triangles = surface.connected(np.isin(np.arange(len(surface.areas)), patch), seed)
    used, points = _corner_points(surface, triangles)
    middle, normal = _fit_plane(points, surface.raw[seed] if len(points) < 6 else like)
    if normal @ like < LEAN:
        middle, normal = points.mean(axis=0), like
    floor = ROUNDING * surface.size_mm
    sigma = _robust((points - middle) @ normal)
    most = max(5.0 * sigma, floor)
    for _ in range(8):
        close = np.abs((surface.mesh.vertices - middle) @ normal) <= max(4.0 * sigma, floor)
        grown = surface.connected(_near(surface, surface.normals @ normal > LEAN, close, sigma), seed)
        same = len(grown) == len(triangles) and np.array_equal(grown, triangles)
        triangles = grown
        used, points = _corner_points(surface, triangles)
        if same:
            break
        middle, fitted = _fit_plane(points, like)
        normal = fitted if fitted @ like > LEAN else normal
        sigma = min(_robust((points - middle) @ normal), most)
    normals = np.tile(normal, (len(used), 1))
    return Region("plane", triangles, used, normals, sigma, None, float(surface.areas[triangles].sum()))


def _round(surface: Surface, seed: int) -> Region | None:
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
        used, points = _corner_points(surface, triangles)
        figure = _fit_round(surface, triangles, points, figure)
        if figure is None or not 0.0 < figure.radius_mm < surface.size_mm or abs(figure.slope) > 0.7:
            return None
        sigma = _robust(figure.off(points))
        if sigma > 0.05 * figure.radius_mm:
            return None
        close = figure.off(surface.mesh.vertices) <= max(4.0 * sigma, floor)
        some = np.flatnonzero(close[surface.mesh.triangles].all(axis=1))
        middles = surface.mesh.vertices[surface.mesh.triangles[some]].mean(axis=1)
        alike = np.zeros(len(surface.areas), bool)
        alike[some] = np.einsum("ij,ij->i", figure.normals(middles), surface.normals[some]) > 0.9
        mask = _near(surface, alike, close, sigma)
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
    used, points = _corner_points(surface, triangles)
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


def _free(surface: Surface, seed: int) -> Region:
    """The patch that creases bound; it moves along the normals of its own vertices."""
    triangles = np.sort(breadth_first_order(surface.smooth_links, seed, return_predecessors=False)).astype(np.int64)
    used, _ = _corner_points(surface, triangles)
    normals = vertex_normals(Mesh(surface.mesh.vertices, surface.mesh.triangles[triangles]))[used]
    return Region("free", triangles, used, normals, 0.0, None, float(surface.areas[triangles].sum()))
