"""Pull apart the new triangles that run through others."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.crossings import Pairs, crossing_pairs
from rejoin.core.fusing.ring import BoolArray
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.records import Mesh

Indices = npt.NDArray[np.int64]

ROUNDS = 8
"""How often the region around crossings is widened and relaxed."""
RELAXINGS = 25
FOLDED = 0.3
"""Cosine between a triangle's normal and that of the surface around its corner, below which it is folded."""
WINDOW = 3.0
"""How far around moved vertices, in spacings, crossings are looked for again."""


def seam_crossings(mesh: Mesh, new: BoolArray, touched: BoolArray | None = None, spacing_mm: float = 0.0) -> Pairs:
    """Crossing pairs (k, 2) of which at least one triangle has a vertex flagged in ``new`` (n,).

    With ``touched`` (n,) only around the vertices flagged there.
    """
    fresh, among = _at_the_seam(mesh, new)
    if touched is not None:
        among = _within(mesh, among, touched, WINDOW * spacing_mm)
    return crossing_pairs(mesh, among, fresh)


def folded_crossings(mesh: Mesh, new: BoolArray) -> int:
    """How many pairs of triangles without a new vertex run through each other where the surface is folded.

    Only triangles turned away from the surface around one of their corners, and their neighbours, are tested.
    """
    normals, crosses = meshes.vertex_normals(mesh), meshes.triangle_crosses(mesh)
    length = FOLDED * np.sqrt(np.einsum("ij,ij->i", crosses, crosses))
    folded = np.zeros(len(mesh.triangles), bool)
    for corner in range(3):
        folded |= np.einsum("ij,ij->i", crosses, normals[mesh.triangles[:, corner]]) < length
    folded &= ~any_corner(new, mesh.triangles)
    around = np.zeros(len(mesh.vertices), bool)
    around[mesh.triangles[folded].ravel()] = True
    among = np.flatnonzero(any_corner(around, mesh.triangles) & ~any_corner(new, mesh.triangles))
    return len(crossing_pairs(mesh, among))


def _at_the_seam(mesh: Mesh, new: BoolArray) -> tuple[BoolArray, Indices]:
    """Which triangles (m,) are new, and the indices of these and their neighbours."""
    fresh: BoolArray = any_corner(new, mesh.triangles)
    around = np.zeros(len(mesh.vertices), bool)
    around[mesh.triangles[fresh].ravel()] = True
    return fresh, np.flatnonzero(any_corner(around, mesh.triangles))


def _within(mesh: Mesh, triangles: Indices, chosen: BoolArray, reach_mm: float) -> Indices:
    """Those of the triangles with a corner within reach of a chosen vertex."""
    corner = np.unique(mesh.triangles[triangles])
    near = np.zeros(len(mesh.vertices), bool)
    spots = cKDTree(mesh.vertices[chosen])
    near[corner] = np.isfinite(spots.query(mesh.vertices[corner], distance_upper_bound=reach_mm, workers=-1)[0])
    return triangles[any_corner(near, mesh.triangles[triangles])]


def untangled(mesh: Mesh, new: BoolArray, spacing_mm: float) -> tuple[Mesh, Pairs]:
    """The mesh with the vertices flagged in ``new`` (n,) near crossings drawn to the mean of their neighbours.

    The region grows by a ring a round. A flat mesh whose inner vertices are
    the means of their neighbours has no folds (Tutte 1963), and the surface
    along a crack is nearly flat over a few triangles. What does not get
    better is left as it was; the pairs that still cross come with the mesh.
    """
    fresh, among = _at_the_seam(mesh, new)
    pairs = crossing_pairs(mesh, among, fresh)
    best, fewest = mesh, pairs
    if not len(fewest):
        return mesh, pairs
    touched = Mesh(mesh.vertices, mesh.triangles[any_corner(new, mesh.triangles)])
    graph = meshes.adjacency(touched)
    chosen = np.zeros(len(mesh.vertices), bool)
    for _ in range(ROUNDS):
        chosen[mesh.triangles[pairs].ravel()] = True
        chosen |= np.asarray(graph @ chosen.astype(np.float32)).ravel() > 0
        free = np.flatnonzero(chosen & new)
        rows = graph[free]
        degree = np.asarray(rows.sum(axis=1)).reshape(-1, 1)
        vertices = np.array(mesh.vertices)
        for _ in range(RELAXINGS):
            vertices[free] = (rows @ vertices) / degree
        mesh = Mesh(vertices, mesh.triangles)
        pairs = crossing_pairs(mesh, _within(mesh, among, chosen, WINDOW * spacing_mm), fresh)
        if len(pairs) < len(fewest):
            best, fewest = mesh, pairs
        if not len(fewest):
            break
    return best, fewest
