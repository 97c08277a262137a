"""A view thinned to points some way apart, and a rough pose of two such views brought near and judged."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.contact import border_vertices
from rejoin.core.merging.air import air_of
from rejoin.core.merging.planar import Planes, planes_of
from rejoin.core.merging.quick import FAR, Ground, cells_of
from rejoin.core.merging.tables import Scene
from rejoin.core.meshes import averaged_normals, vertex_areas, vertex_normals
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import apply, from_vector, inverse, orthonormal

BoolArray = npt.NDArray[np.bool_]

POINTS = 5000
"""Points that stand for a view."""
RADII = (5.0, 8.0)
"""Steps around a point that its surroundings reach."""
NEARING = 1500
"""Points of a view that are asked while it only comes closer."""
QUICKLY = 3.0
"""Steps of reach from which the lattice's neighbours, right to about a cell, are near enough."""
CLASH = 2.0
"""A clash weighs this many times an agreement."""


@dataclass(frozen=True, eq=False)
class Seen:
    """A view, thinned: points, smoothed normals (n, 3), which lie at its border, descriptors (n, 33) by radius.

    ``areas`` (n,) are what each point stands for, mm2; ``scene`` is the view as it was scanned, where a plate was seen.
    """

    points: FloatArray
    normals: FloatArray
    border: BoolArray
    shapes: tuple[FloatArray, ...]
    tree: cKDTree
    step_mm: float
    ground: Ground
    areas: FloatArray
    scene: Scene | None = None

    @property
    def unpropped(self) -> BoolArray:
        """Points (n,) that show no prop."""
        return np.ones(len(self.points), bool) if self.scene is None else self.scene.unpropped(self.points)

    @cached_property
    def planes(self) -> Planes:
        """Its largest planes."""
        return planes_of(self.points, self.normals, self.step_mm)

    @property
    def size_mm(self) -> float:
        return float(np.linalg.norm(np.ptp(self.points, axis=0)))


@dataclass(frozen=True, eq=False)
class Rough:
    """A rough pose: ``a_from_b`` (4, 4), cells that agree and clash, and how firmly they hold the weakest motion."""

    a_from_b: FloatArray
    agree: float
    clash: float
    held: float
    covered: float

    @property
    def score(self) -> float:
        return (self.agree - CLASH * self.clash) * self.held

    @property
    def closing(self) -> float:
        """How far the two views close each other: the share of their rims under which the other runs on."""
        return self.covered * float(np.exp(-self.clash / max(0.1 * (self.agree + self.clash), 1.0)))


def seen_of(mesh: Mesh, spacing_mm: float, step_mm: float, scene: Scene | None = None) -> Seen:
    """Thin a view to one vertex for each cube of ``step_mm``."""
    normals = averaged_normals(mesh, vertex_normals(mesh), int(np.clip(step_mm / spacing_mm, 2, 6)))
    cells = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / step_mm).astype(np.int64)
    spans = cells.max(axis=0) + 1
    axis = np.abs(normals).argmax(axis=1)
    facing = 2 * axis + (normals[np.arange(len(axis)), axis] < 0)
    key = ((cells[:, 0] * spans[1] + cells[:, 1]) * spans[2] + cells[:, 2]) * 6 + facing
    order = np.argsort(key, kind="stable")
    first = np.concatenate([[True], np.diff(key[order]) > 0])
    group = np.cumsum(first) - 1
    label = np.empty(len(key), np.int64)
    label[order] = group
    weight = np.maximum(vertex_areas(mesh), 1e-30)
    total = np.bincount(label, weight)
    points = np.stack([np.bincount(label, weight * mesh.vertices[:, i]) for i in range(3)], axis=1) / total[:, None]
    ways: FloatArray = np.stack([np.bincount(label, weight * normals[:, i]) for i in range(3)], axis=1).astype(float)
    ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-30)
    full = total > 0.15 * np.median(total)
    points, ways, areas = points[full], ways[full], total[full].astype(float)
    rim = mesh.vertices[border_vertices(mesh)]
    border = np.zeros(len(points), bool)
    if len(rim):
        border = cKDTree(rim).query(points)[0] < 1.2 * step_mm
    from rejoin.core.libraries.registration import local_shapes

    shapes = tuple(local_shapes(points, ways, radius * step_mm) for radius in RADII)
    air = None if scene is None else air_of(scene, points, step_mm)
    ground = Ground(cells_of(points, step_mm), points, ways, border, air)
    return Seen(points, ways, border, shapes, cKDTree(points), step_mm, ground, areas, scene)


def common_step(views: list[Mesh], spacing_mm: float) -> float:
    """The thinning that leaves about `POINTS` points of the largest view."""
    area = max(float(vertex_areas(view).sum()) for view in views)
    return max(1.5 * spacing_mm, float(np.sqrt(area / POINTS)))


def _compared(a: Seen, points: FloatArray, normals: FloatArray) -> tuple[BoolArray, BoolArray, BoolArray, BoolArray]:
    """Which of b's points agree with a's surface, clash, lie at its inner part, hang in the air that a saw."""
    distance, nearest = a.tree.query(points, distance_upper_bound=FAR * a.step_mm)
    hit = np.isfinite(distance)
    nearest = np.where(hit, nearest, 0)
    offset = points - a.points[nearest]
    theirs = a.normals[nearest]
    height = np.abs(np.einsum("ij,ij->i", offset, theirs))
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - height**2, 0.0))
    alike = np.einsum("ij,ij->i", normals, theirs)
    on = hit & (aside < 1.5 * a.step_mm)
    agree = on & (height < 0.5 * a.step_mm) & (alike > 0.85)
    inner = on & ~a.border[nearest]
    clash = inner & (height > 0.9 * a.step_mm) & (alike > 0.5)
    clash |= inner & (height < 0.3 * a.step_mm) & (alike < -0.7)
    hangs = np.zeros(len(points), bool)
    if a.ground.air is not None:
        hangs[~hit] = a.ground.air.shows(points[~hit].astype(np.float32), normals[~hit].astype(np.float32))
    return agree, clash, inner, hangs


def judged(a: Seen, b: Seen, a_from_b: FloatArray) -> Rough:
    """How far two views agree in a pose, both ways."""
    moved, ways = apply(a_from_b, b.points), b.normals @ a_from_b[:3, :3].T
    agree, clash, inner, hangs = _compared(a, moved, ways)
    against = float(((clash | (hangs & b.unpropped)) & ~b.border).sum())
    covered = float((agree & inner & b.border).sum()) / max(int(b.border.sum()), 1)
    back = inverse(a_from_b)
    on, _, within, hangs = _compared(b, apply(back, a.points), a.normals @ back[:3, :3].T)
    covered += float((on & within & a.border).sum()) / max(int(a.border.sum()), 1)
    against += float((hangs & a.unpropped & ~a.border).sum())
    points, normals = moved[agree], ways[agree]
    if len(points) < 12:
        return Rough(a_from_b, float(len(points)), against, 0.0, 0.0)
    centred = (points - points.mean(axis=0)) / (0.5 * a.size_mm)
    rows = np.concatenate([np.cross(centred, normals), normals], axis=1)
    weakest = float(np.linalg.eigvalsh(rows.T @ rows / len(rows))[0])
    return Rough(a_from_b, float(len(points)), against, float(np.sqrt(max(weakest, 0.0))), covered)


def drawn_near(a: Seen, b: Seen, pose: FloatArray) -> FloatArray:
    """The pose after some rounds of point-to-plane ICP on some points of the thinned views, closer and closer."""
    for reach in (3.0, 3.0, 2.0, 2.0, 1.5, 1.0, 1.0):
        pose = _nearer(a, b, pose, reach, max(1, len(b.points) // NEARING))
    return pose


def laid_on(a: Seen, b: Seen, pose: FloatArray) -> FloatArray:
    """A pose drawn near, brought to rest on all points of the thinned views."""
    for reach in (0.7, 0.7):
        pose = _nearer(a, b, pose, reach, 1)
    return pose


def _nearer(a: Seen, b: Seen, pose: FloatArray, reach: float, every: int) -> FloatArray:
    """The pose after one round; as it was where too little meets."""
    moved, ways = apply(pose, b.points[::every]), b.normals[::every] @ pose[:3, :3].T
    if reach >= QUICKLY:
        nearest = a.ground.cells.asked(list(moved.T.astype(np.float32)))
        near = np.square(moved - a.points[nearest]).sum(axis=1) < (1.5 * reach * a.step_mm) ** 2
        hit = np.flatnonzero((nearest >= 0) & near)
    else:
        distance, nearest = a.tree.query(moved, distance_upper_bound=1.5 * reach * a.step_mm)
        hit = np.flatnonzero(np.isfinite(distance))
    theirs = a.normals[nearest[hit]]
    height = np.einsum("ij,ij->i", moved[hit] - a.points[nearest[hit]], theirs)
    good = (np.einsum("ij,ij->i", ways[hit], theirs) > 0.7) & (np.abs(height) < reach * a.step_mm)
    if np.count_nonzero(good) < 12:
        return pose
    points, normals, height = moved[hit[good]], theirs[good], height[good]
    middle = points.mean(axis=0)
    rows = np.concatenate([np.cross(points - middle, normals), normals], axis=1)
    weight = np.square(1.0 - np.square(height / (reach * a.step_mm)))
    matrix = (rows * weight[:, None]).T @ rows
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    answer = scale * np.linalg.solve(
        matrix * scale[:, None] * scale + 1e-4 * np.eye(6), -scale * (rows.T @ (weight * height))
    )
    return orthonormal(from_vector(answer, middle) @ pose)
