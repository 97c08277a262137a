"""Where a fragment may have broken: its facets, the roughest first.

Every facet of some size is kept as a candidate, since on sand-cast castings the
original surface may be as rough as the break; the matching decides. The
confidence only orders the candidates.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.meshes import triangle_areas
from rejoin.core.records import FloatArray, FractureFace, Fragment, IntArray
from rejoin.core.settings import FaceSettings, Report
from rejoin.core.views import Nodes, coarse_nodes, smoothed_normals

CONE = np.cos(np.radians(42.0))
"""How far a facet's smoothed normals may lean from its own."""

MOST_FACES = 24
"""Facets kept per fragment."""


def find_fracture_faces(
    fragment: Fragment, number: int, settings: FaceSettings, report: Report
) -> list[FractureFace]:
    """Candidate fracture faces of one fragment, most likely first.

    Parameters
    ----------
    fragment : Fragment
    number : int
        The fragment's index in the project, kept in each face.
    settings : FaceSettings
    report : Report

    Returns
    -------
    list of FractureFace
        They may overlap; ``confidence`` is the share of the facet that is
        rougher than a smooth surface with this scan's noise would look.
    """
    report(0.0, f"Looking for fracture faces on {fragment.scan.name}")
    nodes = coarse_nodes(fragment)
    smooth = smoothed_normals(nodes, 2.5 * nodes.cell_mm)
    rough = roughness(nodes)
    report(0.5, f"Looking for fracture faces on {fragment.scan.name}")
    floor = noise_floor(fragment, nodes, rough)
    regions = facets(nodes, smooth, settings.smallest_share)
    areas = triangle_areas(fragment.mesh)
    faces = []
    for region in regions:
        share = float(np.clip((np.percentile(rough[region], 35) / floor - 1.0) / 3.0, 0.0, 1.0))
        chosen = np.zeros(len(nodes.points), bool)
        chosen[region] = True
        triangles = np.flatnonzero(chosen[nodes.of_vertex[fragment.mesh.triangles]].sum(axis=1) >= 2)
        area = float(areas[triangles].sum())
        faces.append(FractureFace(number, triangles.astype(np.int32), area, share, "program"))
    faces.sort(key=lambda face: -face.confidence * np.sqrt(face.area_mm2))
    report(1.0, f"{len(faces)} facets on {fragment.scan.name}")
    return faces[:MOST_FACES]


def roughness(nodes: Nodes, neighbours: int = 24) -> FloatArray:
    """Root mean square residual (k,) of each node's surroundings to a local quadric, mm."""
    tree = cKDTree(nodes.points)
    distance, index = tree.query(nodes.points, k=neighbours, workers=-1)
    offset = nodes.points[index] - nodes.points[:, None]
    alike = np.einsum("kij,kj->ki", nodes.normals[index], nodes.normals) > 0.3
    weight = (alike & (distance < 5.0 * nodes.cell_mm)).astype(float)
    normal = nodes.normals
    helper = np.eye(3)[np.abs(normal).argmin(axis=1)]
    u = np.cross(normal, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(normal, u)
    x, y, z = (np.einsum("kij,kj->ki", offset, axis) / nodes.cell_mm for axis in (u, v, normal))
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    matrix = np.einsum("kia,ki,kib->kab", design, weight, design) + 1e-6 * np.eye(6)
    right = np.einsum("kia,ki,ki->ka", design, weight, z)
    fit = np.linalg.solve(matrix, right[..., None])[..., 0]
    residual = z - np.einsum("kia,ka->ki", design, fit)
    freedom = np.maximum(weight.sum(axis=1) - 6.0, 1.0)
    return np.asarray(np.sqrt((weight * residual**2).sum(axis=1) / freedom) * nodes.cell_mm)


def noise_floor(fragment: Fragment, nodes: Nodes, rough: FloatArray) -> float:
    """The roughness that this scan shows where the surface is smooth, mm."""
    return float(max(np.percentile(rough, 20), 0.3 * fragment.noise_mm, 1e-4 * nodes.cell_mm))


def facets(nodes: Nodes, smooth: FloatArray, smallest_share: float) -> list[IntArray]:
    """Connected regions of nodes that face roughly one way, for all the ways the surface faces."""
    pairs = cKDTree(nodes.points).query_pairs(1.8 * nodes.cell_mm, output_type="ndarray")
    alike = np.einsum("ij,ij->i", smooth[pairs[:, 0]], smooth[pairs[:, 1]]) > 0.7
    first, second = pairs[alike].T
    smallest = smallest_share * nodes.areas.sum()
    left = np.ones(len(nodes.points), bool)
    found: list[IntArray] = []
    for _ in range(40):
        if nodes.areas[left].sum() < 0.02 * nodes.areas.sum():
            break
        direction = _main_direction(smooth, nodes.areas * left)
        lean = smooth @ direction
        members = lean > CONE
        left &= lean < np.cos(np.radians(24.0))
        inside = members[first] & members[second]
        graph = coo_matrix(
            (np.ones(int(inside.sum()), bool), (first[inside], second[inside])), (len(smooth), len(smooth))
        )
        _, label = connected_components(graph, directed=False)
        size = np.bincount(label, nodes.areas * members)
        for piece in np.argsort(-size)[:8]:
            if size[piece] < smallest:
                break
            region = np.flatnonzero((label == piece) & members).astype(np.int32)
            if not any(_same(region, other) for other in found):
                found.append(region)
    return found


def _main_direction(normals: FloatArray, weights: FloatArray) -> FloatArray:
    """The direction that most of the weighted surface faces (mean shift on the sphere)."""
    grid = _sphere(162)
    votes = (np.clip(normals @ grid.T - 0.85, 0, None) * weights[:, None]).sum(axis=0)
    direction = grid[votes.argmax()]
    for _ in range(6):
        near = np.clip(normals @ direction - 0.85, 0, None) * weights
        if near.sum() == 0:
            break
        direction = (normals * near[:, None]).sum(axis=0)
        direction /= np.linalg.norm(direction)
    return direction


def _sphere(count: int) -> FloatArray:
    """Evenly spread unit vectors (count, 3): the golden-angle spiral."""
    index = np.arange(count) + 0.5
    z = 1 - 2 * index / count
    angle = np.pi * (1 + np.sqrt(5)) * index
    r = np.sqrt(1 - z * z)
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=1)


def _same(first: IntArray, second: IntArray) -> bool:
    shared = len(np.intersect1d(first, second, assume_unique=True))
    return bool(shared > 0.8 * max(len(first), len(second)))
