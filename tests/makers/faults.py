"""The scan of an exact piece, with the faults that scans have."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from manifold3d import Manifold
from scipy.sparse import coo_matrix
from scipy.spatial.transform import Rotation

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.transforms import apply, inverse, rigid
from tests.makers import scanning
from tests.makers.breaking import Cell, as_mesh, triangle_ids
from tests.makers.fracture import Surface

CORRELATION_SPACINGS = 3.0
"""Correlation length of the scan noise, in spacings: the correlation is exp(-(r / length)^2)."""
CORRELATED_SHARE = 0.75
"""Share of the noise variance that is correlated; the rest is white."""


def _scan_frame(rng: np.random.Generator) -> FloatArray:
    return rigid(Rotation.random(random_state=rng).as_matrix(), rng.uniform(-150, 150, 3))


def scanned(
    cell: Cell,
    surfaces: list[Surface],
    spacing: float,
    noise: float,
    sand_cast: float,
    texture_seed: int,
    rng: np.random.Generator,
) -> tuple[Mesh, FloatArray, npt.NDArray[np.bool_]]:
    """The scan of one exact piece: mesh in its scan frame, part_from_scan, fracture vertices."""
    scan_from_part = _scan_frame(rng)
    part_from_scan = inverse(scan_from_part)
    exact = meshes.placed(as_mesh(cell.solid), scan_from_part)
    mesh = scanning.evenly_meshed(exact, scanning.PITCH_PER_SPACING * spacing, rng)
    points, links = mesh.vertices, meshes.adjacency(mesh)
    degree = np.asarray(links.sum(axis=1)).reshape(-1, 1)
    for share in (0.6, 0.5):
        points = points + share * (links @ points / degree - points)
    normals = meshes.vertex_normals(Mesh(points, mesh.triangles))
    shift = rng.normal(0, 0.10 * spacing, points.shape)
    shift -= np.sum(shift * normals, axis=1, keepdims=True) * normals
    points, triangle = scanning.projected(exact, points + shift)
    ids = triangle_ids(cell.solid)[triangle]
    points = apply(part_from_scan, points)
    fracture = np.zeros(len(points), bool)
    for name, (index, offset) in cell.sides.items():
        here = ids == name
        fracture |= here
        points[here] = surfaces[index].settled(points[here], offset)
    outward = meshes.vertex_normals(Mesh(points, mesh.triangles))
    if sand_cast:
        points = points + (sand_cast * scanning.cast_texture(points, texture_seed) * ~fracture)[:, None] * outward
    if noise:
        smooth = scanning.smooth_field(points, CORRELATION_SPACINGS * spacing, rng)
        white = rng.normal(size=len(points))
        size = np.sqrt(CORRELATED_SHARE) * smooth + np.sqrt(1 - CORRELATED_SHARE) * white
        points = points + (noise * size)[:, None] * outward
    return Mesh(apply(scan_from_part, points), mesh.triangles), part_from_scan, fracture


def bent(mesh: Mesh, part_from_scan: FloatArray, part_from_cut: FloatArray, by_mm: float) -> Mesh:
    """The scan of a piece that has sprung: its end farthest from the break has moved aside by ``by_mm``."""
    cut_from_scan = inverse(part_from_cut) @ part_from_scan
    points = apply(cut_from_scan, mesh.vertices)
    share = points[:, 2] / np.abs(points[:, 2]).max()
    points[:, 0] += by_mm * share**2
    return Mesh(apply(inverse(cut_from_scan), points), mesh.triangles)


def rounded_off(mesh: Mesh, rounds: int) -> Mesh:
    """The scan of a scanner that sees less than its points promise: edges rounded off by averaging with neighbours."""
    first, last = mesh.triangles.ravel(), mesh.triangles[:, [1, 2, 0]].ravel()
    graph = coo_matrix((np.ones(len(first)), (first, last)), (len(mesh.vertices),) * 2).tocsr()
    count = np.maximum(np.asarray(graph.sum(axis=1)), 1.0)
    vertices = mesh.vertices
    for _ in range(rounds):
        vertices = 0.5 * vertices + 0.5 * (graph @ vertices) / count
    return Mesh(vertices, mesh.triangles)


def rubbed(
    mesh: Mesh, fracture: npt.NDArray[np.bool_], share: float, depth_mm: float, rng: np.random.Generator
) -> Mesh:
    """The scan of a face of which one side, some ``share`` of it, has been rubbed down by ``depth_mm``."""
    normals = meshes.vertex_normals(mesh)
    on_face = np.flatnonzero(fracture)
    points = mesh.vertices[on_face]
    away = np.linalg.norm(points - points[(points @ rng.normal(size=3)).argmax()], axis=1)
    edge = np.quantile(away, share)
    ramp = np.clip((edge - away) / (0.15 * edge), 0.0, 1.0)
    down = depth_mm * ramp**2 * (3.0 - 2.0 * ramp)
    moved = mesh.vertices.copy()
    moved[on_face] -= down[:, None] * normals[on_face]
    return Mesh(moved, mesh.triangles)


def with_scan_holes(mesh: Mesh, count: int, rng: np.random.Generator) -> tuple[Mesh, IntArray]:
    """Deletes ``count`` patches of 3 to 8 mm across (less on small parts); the largest piece stays."""
    centres, normals = meshes.triangle_centres(mesh), meshes.triangle_crosses(mesh)
    keep = np.ones(len(centres), bool)
    limit = 0.06 * np.linalg.norm(np.ptp(mesh.vertices, axis=0))
    for at in rng.choice(len(centres), count):
        reach = min(rng.uniform(1.5, 4.0), limit)
        near = np.linalg.norm(centres - centres[at], axis=1) < reach
        keep &= ~(near & (normals @ normals[at] > 0))
    cut, kept = meshes.compacted(mesh, np.flatnonzero(keep).astype(np.int32))
    labels = meshes.components(cut)[1]
    main = np.bincount(labels).argmax()
    cut, kept_again = meshes.compacted(cut, np.flatnonzero(labels[cut.triangles[:, 0]] == main).astype(np.int32))
    return cut, kept[kept_again]


def with_specks(mesh: Mesh, count: int, spacing: float, rng: np.random.Generator) -> Mesh:
    """Adds small floating islands near the scan, as scanners leave them."""
    normals = meshes.vertex_normals(mesh)
    vertices, triangles, total = [mesh.vertices], [mesh.triangles], len(mesh.vertices)
    for at in rng.choice(len(normals), count):
        speck = as_mesh(Manifold.sphere(spacing * rng.uniform(1.0, 2.5), 8))
        place = mesh.vertices[at] + spacing * rng.uniform(8, 30) * normals[at]
        vertices.append(speck.vertices + place)
        triangles.append(speck.triangles + total)
        total += len(speck.vertices)
    return Mesh(np.concatenate(vertices), np.concatenate(triangles))
