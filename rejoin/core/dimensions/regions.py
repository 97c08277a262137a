"""From one pick to the feature it lies on: the region grows as far as one figure explains the surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.dimensions.figures import Figure, distances, free
from rejoin.core.dimensions.least_squares import best_fit, polished
from rejoin.core.dimensions.refining import refined
from rejoin.core.dimensions.shapes import figure_of, fit_shape, shows
from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import adjacency, edge_spacing, vertex_normals
from rejoin.core.records import FloatArray, IntArray, Mesh, Shape

FIRST = 60
"""Vertices that the search begins with, the nearest to the pick."""

LEAN = float(np.cos(np.radians(20.0)))
"""How far the surface may lean from the figure, as a cosine."""

MORE = 1.3
"""How many times the region a figure with more freedom must explain to be preferred."""

MOST = 1500
"""Points that are fitted while the region grows."""

ROUNDS = 20


@dataclass(frozen=True, eq=False)
class Ground:
    """A mesh prepared for picking, worked out once: its first ``own`` vertices are the mesh's own."""

    mesh: Mesh
    own: int
    neighbours: csr_matrix
    normals: FloatArray
    tree: cKDTree
    spacing_mm: float


@dataclass(frozen=True, eq=False)
class Feature:
    """What was found at a pick: the shape, and whether it is ``hollow`` (seen from inside).

    ``vertices`` (k,) are of the mesh itself, ``points_mm`` (n, 3) lie on the feature; ``normal`` (3,) of a plane
    points out of the material.
    """

    shape: Shape
    vertices: IntArray
    points_mm: FloatArray
    hollow: bool
    normal: FloatArray | None


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
    far, nearest = ground.tree.query(pick_mm)
    row = ground.neighbours[int(nearest)].indices
    around = np.linalg.norm(ground.mesh.vertices[row] - ground.mesh.vertices[nearest], axis=1)
    longest = float(around.max()) if len(around) else ground.spacing_mm
    if far > reach * max(ground.spacing_mm, longest):
        text = ", ".join(f"{value:.4g}" for value in pick_mm)
        raise NoAnswer(f"There is no surface at the pick ({text}) mm: the nearest is {far:.3g} mm away.",
                       "Look at the point and at its unit.")  # fmt: skip
    return int(nearest)


def feature_at(ground: Ground, pick_mm: FloatArray, kinds: tuple[str, ...] = ("plane", "cylinder", "sphere", "cone"),
               reach: float = 5.0) -> Feature:  # fmt: skip
    """The feature around a pick.

    Parameters
    ----------
    ground : Ground
    pick_mm : (3,)
        In the mesh's frame.
    kinds : tuple of str
        What it may be, the simplest first.
    reach : float
        How far from the surface the pick may lie, in spacings.

    Returns
    -------
    Feature
        The simplest figure, unless one with more freedom explains `MORE` times as much surface.

    Raises
    ------
    NoAnswer
        Nothing at the pick, or no such figure there.
    """
    seed = seed_of(ground, pick_mm, reach)
    best: tuple[Figure, npt.NDArray[np.int64]] | None = None
    patch = _nearest(ground, seed, 6 * FIRST)
    for kind in kinds:
        if kind != "plane" and best is not None and best[0].kind == "plane" and _flat(ground, patch, best[1], kind):
            continue
        grown = _grown(ground, seed, kind)
        if grown is not None and (best is None or len(grown[1]) > MORE * len(best[1])):
            best = grown
    if best is None:
        wanted = " or ".join(kinds)
        raise NoAnswer(f"No {wanted} was found at the pick.", "Pick nearer to the middle of the feature.")
    return _feature(ground, best[0], best[1])


def _nearest(ground: Ground, seed: int, count: int) -> npt.NDArray[np.int64]:
    count = min(count, len(ground.mesh.vertices))
    return np.sort(np.atleast_1d(ground.tree.query(ground.mesh.vertices[seed], count)[1]))


def _flat(ground: Ground, patch: npt.NDArray[np.int64], region: npt.NDArray[np.int64], kind: str) -> bool:
    """Whether the plane holds the surroundings of the pick, which then show no ``kind``."""
    if np.isin(patch, region).mean() < 0.9:
        return False
    points, normals = ground.mesh.vertices[patch], ground.normals[patch]
    figure = _fitted(kind, points, normals, None)
    return figure is None or not shows(figure, points)


def _grown(ground: Ground, seed: int, kind: str) -> tuple[Figure, npt.NDArray[np.int64]] | None:
    """The largest connected region around the seed that one figure of this kind explains."""
    best: tuple[Figure, npt.NDArray[np.int64]] | None = None
    for first in (FIRST, 6 * FIRST, 30 * FIRST):
        if first > FIRST and (kind == "plane" or first > len(ground.mesh.vertices)):
            break
        found = _grown_from(ground, seed, kind, first)
        if found is not None and (best is None or len(found[1]) > len(best[1])):
            best = found
        if best is not None and len(best[1]) > 10 * first:
            break
    return best


def _grown_from(ground: Ground, seed: int, kind: str, first: int) -> tuple[Figure, npt.NDArray[np.int64]] | None:
    vertices, normals = ground.mesh.vertices, ground.normals
    region = _nearest(ground, seed, first)
    if kind == "plane":
        region = region[normals[region] @ normals[seed] > LEAN]
    figure = _fitted(kind, vertices[region], normals[region], None)
    for _ in range(ROUNDS):
        if figure is None:
            return None
        grown = _explained(ground, figure, region, seed)
        if len(grown) < 3 * free(figure):
            return None
        same = len(np.setxor1d(grown, region, assume_unique=True)) <= 0.002 * len(region)
        region = grown
        figure = _fitted(kind, vertices[region], normals[region], figure)
        if same:
            break
    if figure is None or not shows(figure, _thinned(vertices[region], 400)):
        return None
    return figure, region


def _explained(
    ground: Ground, figure: Figure, region: npt.NDArray[np.int64], seed: int
) -> npt.NDArray[np.int64]:
    """Vertices connected with the seed that lie within 4 sigma of the figure and face as it does."""
    vertices = ground.mesh.vertices
    away = np.abs(distances(figure, vertices))
    sigma = max(1.4826 * float(np.median(away[region])), 1e-7 * ground.spacing_mm)
    close = np.flatnonzero(away <= 4.0 * sigma)
    members = close[_alike(figure, vertices[close], ground.normals[close])]
    members = np.union1d(members, [seed])
    _, label = connected_components(ground.neighbours[members][:, members], directed=False)
    return np.asarray(members[label == label[np.searchsorted(members, seed)]])


def _thinned(points: FloatArray, most: int) -> FloatArray:
    if len(points) <= most:
        return points
    return np.asarray(points[np.linspace(0, len(points) - 1, most).astype(int)])


def _fitted(kind: str, points: FloatArray, normals: FloatArray, before: Figure | None) -> Figure | None:
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


def _feature(ground: Ground, found: Figure, region: npt.NDArray[np.int64]) -> Feature:
    """The final fit, its residuals clustered in cells over which form and noise may be alike."""
    mesh, normals = ground.mesh, ground.normals[region]
    rows = _measured(ground, found, region)
    some = rows if len(rows) <= 5 * MOST else rows[np.linspace(0, len(rows) - 1, 5 * MOST).astype(int)]
    points = mesh.vertices[some]
    few = len(points) < 4 * free(found)
    shape = fit_shape(found.kind, points, None if few else ground.normals[some], None if few else cells_of(points),
                      zone=len(points) <= MOST, strays=False)  # fmt: skip
    figure = figure_of(shape)
    mean = np.asarray(normals.mean(axis=0))
    if found.kind == "plane":
        assert figure.direction is not None
        out = figure.direction * (1.0 if figure.direction @ mean > 0 else -1.0)
        return Feature(shape, _own(ground, region), mesh.vertices[rows], False, out)
    q = mesh.vertices[region] - figure.point
    if figure.direction is not None:
        q = q - (q @ figure.direction)[:, None] * figure.direction
    hollow = bool(np.einsum("ij,ij->i", q, normals).sum() < 0.0)
    return Feature(shape, _own(ground, region), mesh.vertices[rows], hollow, None)


def _own(ground: Ground, region: npt.NDArray[np.int64]) -> IntArray:
    """The mesh's own vertices of a region and of its border: corners of the triangles that touch it."""
    inside = np.zeros(len(ground.mesh.vertices), bool)
    inside[region] = True
    near = np.asarray(ground.neighbours @ inside.astype(np.float32)).ravel() > 0 if len(region) else inside
    found = np.flatnonzero(inside[: ground.own] if ground.own == len(inside) else (inside | near)[: ground.own])
    return found.astype(np.int32)


def _measured(ground: Ground, figure: Figure, region: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The vertices to fit: those of the mesh itself where the region holds mainly such.

    Where it holds mainly points made between them (a drawn part), the facets' corners on its border, which lie on
    the true surface; the points themselves where there are too few of those.
    """
    own = region[region < ground.own]
    if len(own) >= 0.5 * len(region):
        return own
    touching = np.asarray(ground.neighbours[region].sum(axis=0)).ravel() > 0
    touching[region] = True
    corners = np.flatnonzero(touching[: ground.own])
    away = np.abs(distances(figure, ground.mesh.vertices[corners]))
    near = float(np.abs(distances(figure, ground.mesh.vertices[region])).max())
    corners = corners[away <= 2.0 * near + 1e-6 * ground.spacing_mm]
    return corners if len(corners) >= max(2 * free(figure), 8) else region


def cells_of(points: FloatArray, across: int = 8) -> IntArray:
    """A cell number (n,) for each point: cubes of an ``across``-th of the region's size."""
    size = float(np.ptp(points, axis=0).max()) / across
    keys = np.floor((points - points.min(axis=0)) / max(size, 1e-300)).astype(np.int64)
    return np.asarray(np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1), np.int32)
