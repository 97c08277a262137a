"""The mutual fracture faces of two meshes in a good pose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter
from scipy.spatial import cKDTree

from rejoin.core.abreast import abreast
from rejoin.core.contact.distances import Mask
from rejoin.core.contact.pairs import OPPOSED
from rejoin.core.meshes import (
    adjacency,
    compacted,
    components,
    edge_spacing,
    placed,
    triangle_areas,
    vertex_normals,
)
from rejoin.core.records import FloatArray, IntArray, Mesh

GRID_CELLS = 200
"""Cells along the longest side of the coarse grid that finds where two meshes are near."""


def facing_triangles(
    mesh_a: Mesh, mesh_b: Mesh, a_from_b: FloatArray, reach_mm: float
) -> tuple[IntArray, IntArray]:
    """The mutual fracture faces of two meshes in a good pose.

    A vertex belongs to the face where the other mesh lies within reach,
    straight across, and faces it. Original surfaces that meet at the rim face
    the same way and stay out; so do chip craters deeper than the reach.

    Parameters
    ----------
    mesh_a, mesh_b : Mesh
        Each in its own frame.
    a_from_b : (4, 4)
    reach_mm : float

    Returns
    -------
    triangles_a, triangles_b : (k,) indices
        Empty where the meshes do not face each other.
    """
    moved = placed(mesh_b, a_from_b)
    near_a, near_b = near_masks(mesh_a.vertices, moved.vertices, reach_mm)
    first, second = abreast(lambda one, _: _Crop.of(*one), [(mesh_a, near_a), (moved, near_b)])
    if len(first.mesh.vertices) == 0 or len(second.mesh.vertices) == 0:
        return np.empty(0, np.int32), np.empty(0, np.int32)
    one, other = abreast(lambda pair, _: pair[0].facing(pair[1], reach_mm), [(first, second), (second, first)])
    return one, other


def near_masks(points_a: FloatArray, points_b: FloatArray, reach_mm: float) -> tuple[Mask, Mask]:
    """Masks of the points within about ``reach_mm`` of the other set: a coarse grid, never too few."""
    low = np.maximum(points_a.min(axis=0), points_b.min(axis=0)) - reach_mm
    high = np.minimum(points_a.max(axis=0), points_b.max(axis=0)) + reach_mm
    masks = [np.all((p >= low) & (p <= high), axis=1) for p in (points_a, points_b)]
    if not masks[0].any() or not masks[1].any():
        return np.zeros(len(points_a), bool), np.zeros(len(points_b), bool)
    cell = max(reach_mm, float((high - low).max()) / GRID_CELLS)
    shape = tuple(((high - low) / cell).astype(int) + 1)
    cells = [((p[m] - low) / cell).astype(np.int64) for p, m in zip((points_a, points_b), masks, strict=True)]
    grids = []
    for places in cells:
        grid = np.zeros(shape, np.uint8)
        grid[tuple(places.T)] = 1
        grids.append(maximum_filter(grid, 3, mode="constant"))
    masks[0][masks[0]] = grids[1][tuple(cells[0].T)] > 0
    masks[1][masks[1]] = grids[0][tuple(cells[1].T)] > 0
    return masks[0], masks[1]


@dataclass(frozen=True, eq=False)
class _Crop:
    """The part of a mesh near another: ``triangles`` are the kept ones' indices."""

    mesh: Mesh
    triangles: IntArray
    normals: FloatArray
    tree: cKDTree
    spacing_mm: float

    @staticmethod
    def of(mesh: Mesh, near: Mask) -> _Crop:
        kept = np.flatnonzero(near[mesh.triangles].any(axis=1)).astype(np.int32)
        cropped, _ = compacted(mesh, kept)
        spacing = edge_spacing(cropped) if len(kept) else 0.0
        return _Crop(cropped, kept, vertex_normals(cropped), cKDTree(cropped.vertices), spacing)

    def facing(self, other: _Crop, reach_mm: float) -> IntArray:
        # A rough face of unequal spacing leaves the nearest vertex up to about one spacing aside.
        distance, nearest = other.tree.query(
            self.mesh.vertices, distance_upper_bound=float(np.hypot(reach_mm, other.spacing_mm))
        )
        index = np.flatnonzero(np.isfinite(distance))
        normals = other.normals[nearest[index]]
        common = normals - self.normals[index]
        common /= np.maximum(np.linalg.norm(common, axis=1, keepdims=True), 1e-12)
        offset = self.mesh.vertices[index] - other.mesh.vertices[nearest[index]]
        gap = np.einsum("ij,ij->i", offset, common)
        aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - np.square(gap), 0.0))
        opposed = np.einsum("ij,ij->i", normals, self.normals[index]) < OPPOSED
        good = opposed & (np.abs(gap) <= reach_mm) & (aside <= 1.2 * max(self.spacing_mm, other.spacing_mm))
        mask = np.zeros(len(self.mesh.vertices), bool)
        mask[index[good]] = True
        mask = _evened(self.mesh, mask)
        whole = np.asarray(mask[self.mesh.triangles].all(axis=1))
        return np.asarray(self.triangles[_without_specks(self.mesh, whole, self.spacing_mm)])


def _evened(mesh: Mesh, mask: Mask, rounds: int = 3) -> Mask:
    """Single odd vertices follow their neighbours; anything larger than a ring stays as it is."""
    graph = adjacency(mesh)
    count = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1.0)
    for _ in range(rounds):
        share = (graph @ mask.astype(np.float32)) / count
        mask = np.asarray((mask & (share > 0.35)) | (share > 0.65))
    return mask


def _without_specks(mesh: Mesh, chosen: Mask, spacing_mm: float) -> IntArray:
    """Chosen triangles that hang together in patches worth having."""
    index = np.flatnonzero(chosen).astype(np.int32)
    if len(index) == 0:
        return index
    sub, _ = compacted(mesh, index)
    _, labels = components(sub)
    of_triangle = labels[sub.triangles[:, 0]]
    areas = np.bincount(of_triangle, triangle_areas(sub))
    worth = areas >= max(25.0 * spacing_mm**2, 0.01 * areas.max())
    return np.asarray(index[worth[of_triangle]])
