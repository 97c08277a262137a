"""A region of a mesh that grows from one vertex as far as one figure explains the surface."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.dimensions.figures import Figure, distances, free
from rejoin.core.dimensions.least_squares import best_fit, polished
from rejoin.core.dimensions.refining import refined
from rejoin.core.dimensions.shapes import shows
from rejoin.core.dimensions.starting import starts
from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import adjacency, edge_spacing, vertex_normals
from rejoin.core.noise import ScanNoise, scan_noise
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.robust import sigma_of

FIRST = 60
"""Vertices that the search begins with, the nearest to the pick."""

LEAN = float(np.cos(np.radians(20.0)))
"""How far the surface may lean from the figure, as a cosine."""

MOST = 1500
"""Points that are fitted while the region grows."""

ROUNDS = 20

TOLERANCE = 0.4
"""How near to a figure points lie that vote for it at the start, in spacings."""

BESIDE = 4.0
"""How far from the pick a region may begin, in spacings."""

WINDOWS = 300
"""Places at which the scan's noise is looked at."""

Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Ground:
    """A mesh prepared for picking, worked out once: its first ``own`` vertices are the mesh's own."""

    mesh: Mesh
    own: int
    neighbours: csr_matrix
    normals: FloatArray
    tree: cKDTree
    spacing_mm: float

    @cached_property
    def noise(self) -> ScanNoise:
        """The scan's noise, and how alike it is from point to point."""
        return scan_noise(self.mesh, self.neighbours, self.spacing_mm, WINDOWS)


def ground_of(mesh: Mesh) -> Ground:
    """Prepare a mesh for `feature_at`."""
    own, mesh = len(mesh.vertices), refined(mesh)
    normals = vertex_normals(mesh)
    neighbours = adjacency(mesh).tocsr()
    for _ in range(2):
        normals = normals + neighbours @ normals
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    return Ground(mesh, own, neighbours, normals, cKDTree(mesh.vertices), edge_spacing(mesh))


def seed_of(ground: Ground, pick_mm: FloatArray, reach: float = 5.0) -> int:
    """The vertex nearest to a pick.

    Raises
    ------
    NoAnswer
        Where the surface is farther than ``reach`` of its longest spacing there.
    """
    far, closest = ground.tree.query(pick_mm)
    row = ground.neighbours[int(closest)].indices
    around = np.linalg.norm(ground.mesh.vertices[row] - ground.mesh.vertices[closest], axis=1)
    longest = float(around.max()) if len(around) else ground.spacing_mm
    if far > reach * max(ground.spacing_mm, longest):
        text = ", ".join(f"{value:.4g}" for value in pick_mm)
        raise NoAnswer(f"There is no surface at the pick ({text}) mm: the nearest is {far:.3g} mm away.",
                       "Look at the point and at its unit.")  # fmt: skip
    return int(closest)


def nearest(ground: Ground, seed: int, count: int) -> Rows:
    """The ``count`` vertices nearest to one, in order of their numbers."""
    count = min(count, len(ground.mesh.vertices))
    return np.sort(np.atleast_1d(ground.tree.query(ground.mesh.vertices[seed], count)[1]))


def grown(ground: Ground, seed: int, kind: str) -> tuple[Figure, Rows] | None:
    """The largest connected region around the seed that one figure of this kind explains."""
    best: tuple[Figure, Rows] | None = None
    for first in (FIRST, 6 * FIRST, 30 * FIRST):
        if first > FIRST and (kind == "plane" or first > 2 * len(ground.mesh.vertices)):
            break
        found = _grown_from(ground, seed, kind, first)
        if found is not None and (best is None or len(found[1]) > len(best[1])):
            best = found
        if best is not None and len(best[1]) > 10 * first:
            break
    return best


def _grown_from(ground: Ground, seed: int, kind: str, first: int) -> tuple[Figure, Rows] | None:
    vertices, normals = ground.mesh.vertices, ground.normals
    region = nearest(ground, seed, first)
    start = starts(kind, vertices[region], normals[region], vertices[seed], TOLERANCE * ground.spacing_mm)
    if start is None or start[1].sum() < 3 * free(start[0]):
        return None
    region = region[start[1]]
    figure = fitted(kind, vertices[region], normals[region], start[0])
    for _ in range(ROUNDS):
        if figure is None:
            return None
        after = _explained(ground, figure, region, seed)
        if len(after) < 3 * free(figure):
            return None
        same = len(np.setxor1d(after, region, assume_unique=True)) <= 0.002 * len(region)
        region = after
        figure = fitted(kind, vertices[region], normals[region], figure)
        if same:
            break
    if figure is None or not shows(figure, _thinned(vertices[region], 400)):
        return None
    off = float(np.abs(distances(figure, vertices[[seed]])[0]))
    sigma = sigma_of(distances(figure, vertices[region]))
    return (figure, region) if off <= max(4.0 * sigma, ground.spacing_mm) else None


def _explained(ground: Ground, figure: Figure, region: Rows, seed: int) -> Rows:
    """Vertices that lie within 4 sigma of the figure and face as it does, and hang together beside the seed.

    The seed itself need not be one of them: beside an edge a scan is rounded.
    """
    vertices = ground.mesh.vertices
    away = np.abs(distances(figure, vertices))
    sigma = max(sigma_of(away[region]), 1e-7 * ground.spacing_mm)
    close = np.flatnonzero(away <= 4.0 * sigma)
    members = close[_alike(figure, vertices[close], ground.normals[close])]
    if not len(members):
        return members
    far = np.linalg.norm(vertices[members] - vertices[seed], axis=1)
    beside = int(np.argmin(far))
    if far[beside] > BESIDE * ground.spacing_mm:
        return members[:0]
    _, label = connected_components(ground.neighbours[members][:, members], directed=False)
    return np.asarray(members[label == label[beside]])


def _thinned(points: FloatArray, most: int) -> FloatArray:
    if len(points) <= most:
        return points
    return np.asarray(points[np.linspace(0, len(points) - 1, most).astype(int)])


def fitted(kind: str, points: FloatArray, normals: FloatArray, before: Figure | None) -> Figure | None:
    """The figure of some of the points, from scratch or from the one before; None where there is none."""
    if len(points) < 3:
        return None
    some, their = _thinned(points, MOST), _thinned(normals, MOST)
    figure = polished(before, some) if before is not None else best_fit(kind, some, their)
    if figure is None or not np.isfinite(figure.point).all() or not np.isfinite(figure.radius):
        return None
    return figure


def _alike(figure: Figure, vertices: FloatArray, normals: FloatArray) -> npt.NDArray[np.bool_]:
    """Where the surface's normal is the figure's, of either sign."""
    q = vertices - figure.point
    if figure.kind == "plane":
        assert figure.direction is not None
        return np.asarray(np.abs(normals @ figure.direction) > LEAN)
    if figure.kind != "sphere":
        assert figure.direction is not None
        q = q - (q @ figure.direction)[:, None] * figure.direction
    out = q / np.maximum(np.linalg.norm(q, axis=1, keepdims=True), 1e-300)
    if figure.kind == "cone":
        assert figure.direction is not None
        out = np.cos(figure.half_angle) * out - np.sin(figure.half_angle) * figure.direction
    return np.asarray(np.abs(np.einsum("ij,ij->i", out, normals)) > LEAN)
