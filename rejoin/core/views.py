"""Coarse views of a fragment: its surface as nodes, and regions of it as height maps.

A *node* stands for the vertices of one small cell that face the same way. Nodes
average the scan's noise and make the cost of all that follows independent of
the number of points.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from rejoin.core.meshes import vertex_normals_and_areas
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh
from rejoin.core.robust import sigma_of, tukey

BoolArray = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]
MapArray = npt.NDArray[np.float32]

SURROUNDINGS = 24
"""Nearest points by which roughness is told."""

CHUNK = 400_000
"""Neighbours that are looked at in one go."""

NODES = 24_000
"""Nodes aimed at for a whole fragment."""


@dataclass(frozen=True, eq=False)
class Nodes:
    """A fragment's surface, coarsely.

    Attributes
    ----------
    points, normals : (k, 3)
        Mean position (mm) and mean unit normal of each node's vertices.
    areas : (k,)
        mm².
    of_vertex : (n,)
        The node of each vertex.
    cell_mm : float
        Edge of the cells.
    vertex_normals : (n, 3)
    """

    points: FloatArray
    normals: FloatArray
    areas: FloatArray
    of_vertex: IntArray
    cell_mm: float
    vertex_normals: FloatArray


_known: WeakKeyDictionary[Fragment, Nodes] = WeakKeyDictionary()


def coarse_nodes(fragment: Fragment) -> Nodes:
    """Gather vertices into cells of at least one spacing, split by the way they face.

    Two steps ask for them, and of a large scan they take a second: they are kept as long as the fragment is.
    """
    if fragment not in _known:
        _known[fragment] = _gathered(fragment.mesh, fragment.spacing_mm)
    return _known[fragment]


def _gathered(mesh: Mesh, spacing_mm: float) -> Nodes:
    normals, areas = vertex_normals_and_areas(mesh)
    cell = max(1.0 * spacing_mm, float(np.sqrt(1.5 * areas.sum() / NODES)))
    cells = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / cell).astype(np.int64)
    axis = np.abs(normals).argmax(axis=1)
    facing = 2 * axis + (normals[np.arange(len(axis)), axis] < 0)
    spans = cells.max(axis=0) + 1
    key = ((cells[:, 0] * spans[1] + cells[:, 1]) * spans[2] + cells[:, 2]) * 6 + facing
    _, label = np.unique(key, return_inverse=True)
    label = label.reshape(-1).astype(np.int64)
    weight = np.maximum(areas, 1e-12 * areas.max())
    total = np.bincount(label, weight)
    points = _sums(label, weight[:, None] * mesh.vertices) / total[:, None]
    mean_normals = _unit(_sums(label, weight[:, None] * normals))
    return Nodes(points, mean_normals, np.bincount(label, areas).astype(float), label.astype(np.int32), cell, normals)


def _sums(label: npt.NDArray[np.int64], values: FloatArray) -> FloatArray:
    return np.stack([np.bincount(label, values[:, i]) for i in range(values.shape[1])], axis=1)


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))


def smoothed_normals(nodes: Nodes, radius_mm: float, rounds: int = 2) -> FloatArray:
    """Normals (k, 3) averaged over same-facing nodes within ``radius_mm``."""
    pairs = cKDTree(nodes.points).query_pairs(radius_mm, output_type="ndarray")
    first, second = pairs.T
    smooth = nodes.normals
    for _ in range(rounds):
        alike = np.einsum("ij,ij->i", smooth[first], smooth[second]) > 0.5
        i, j = first[alike], second[alike]
        total = smooth * nodes.areas[:, None]
        for axis in range(3):
            total[:, axis] += np.bincount(i, smooth[j, axis] * nodes.areas[j], len(total))
            total[:, axis] += np.bincount(j, smooth[i, axis] * nodes.areas[i], len(total))
        smooth = _unit(total)
    return smooth


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane frame: ``axes`` (3, 3) rows are u, v and the outward normal; ``origin`` (3,)."""

    origin: FloatArray
    axes: FloatArray

    def coordinates(self, points: FloatArray) -> FloatArray:
        """(u, v, height) of points (n, 3)."""
        return np.asarray((points - self.origin) @ self.axes.T)


def robust_plane(points: FloatArray, normal: FloatArray, weights: FloatArray) -> Plane:
    """The plane of the bulk of the points, near the given normal, its fringe left out.

    Least squares reweighted by Tukey's function (Holland and Welsch, 1977).
    """
    every = max(1, len(points) // 3000)
    points, weights = points[::every], weights[::every]
    weight = weights.copy()
    for _ in range(6):
        origin = np.average(points, axis=0, weights=weight)
        centred = points - origin
        _, vectors = np.linalg.eigh((centred * weight[:, None]).T @ centred)
        # The face's normal is the eigenvector nearest the mean normal, not always the smallest.
        best = np.abs(vectors.T @ normal).argmax()
        axis = vectors[:, best] * np.sign(vectors[:, best] @ normal)
        height = centred @ axis
        scale = 4.685 * sigma_of(height) + 1e-12
        weight = weights * tukey(height, scale)
    u = np.cross(axis, np.eye(3)[np.abs(axis).argmin()])
    u /= np.linalg.norm(u)
    return Plane(origin, np.stack([u, np.cross(axis, u), axis]))


def quadric_residual(x: FloatArray, y: FloatArray, z: FloatArray, chosen: BoolArray | None = None) -> FloatArray:
    """Height (n,) over the quadric in x and y that fits the chosen points best (least squares)."""
    size = max(float(np.abs(x).max()), float(np.abs(y).max()), 1e-12)
    x, y = x / size, y / size
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    used = design if chosen is None else design[chosen]
    heights = z if chosen is None else z[chosen]
    matrix = used.T @ used
    fit = np.linalg.solve(matrix + 1e-9 * np.trace(matrix) * np.eye(6), used.T @ heights)
    return np.asarray(z - design @ fit)


def without_fringe(coordinates: FloatArray) -> BoolArray:
    """Which points (n, 3) belong to the bulk of a face: within 4 robust sigma of its best quadric."""
    x, y, z = coordinates.T
    bulk = np.ones(len(coordinates), bool)
    for _ in range(5):
        residual = quadric_residual(x, y, z, bulk)
        bulk = np.abs(residual) < 4.0 * sigma_of(residual[bulk]) + 1e-12
    return bulk


def height_map(coordinates: FloatArray, step_mm: float, size: int) -> tuple[MapArray, MapArray]:
    """Mean height per grid cell.

    Parameters
    ----------
    coordinates : (n, 3)
        (u, v, height), the origin in the middle of the map.
    step_mm : float
    size : int
        Cells along each side.

    Returns
    -------
    height, mask : (size, size) float32
    """
    x, y = (np.rint(coordinates[:, i] / step_mm).astype(np.int64) + size // 2 for i in (0, 1))
    inside = (x >= 0) & (x < size) & (y >= 0) & (y < size)
    index = x[inside] * size + y[inside]
    count = np.bincount(index, minlength=size * size)
    total = np.bincount(index, coordinates[inside, 2], size * size)
    mask = (count > 0).astype(np.float32)
    height = (total / np.maximum(count, 1)).astype(np.float32)
    return height.reshape(size, size), mask.reshape(size, size)


def band_passed(height: MapArray, mask: MapArray, coarse: float) -> MapArray:
    """The relief finer than ``coarse`` cells, zero outside the mask (normalised convolution)."""
    weight = gaussian_filter(mask, coarse, mode="constant")
    mean = gaussian_filter(height * mask, coarse, mode="constant") / np.maximum(weight, 1e-6)
    return np.asarray((height - mean) * mask, dtype=np.float32)


def roughness(
    points: FloatArray, normals: FloatArray, smooth: FloatArray, cell_mm: float, at: Indices | None = None,
    around: int = SURROUNDINGS,
) -> FloatArray:  # fmt: skip
    """Root mean square residual (k,) of the surroundings of some points to a local quadric, mm.

    Parameters
    ----------
    points, normals : (n, 3)
    smooth : (n, 3)
        Normals averaged over some neighbours: across an edge the surface turns for another reason than roughness.
    cell_mm : float
        How far the points lie apart.
    at : (k,) int, optional
        The points asked about; all by default.
    around : int
        So many of the nearest points count, those within about ``sqrt(around)`` times ``cell_mm``.
    """
    at = np.arange(len(points)) if at is None else at
    tree, chunk = cKDTree(points), max(1, CHUNK // around)
    parts = [_residual(points, normals, smooth, cell_mm, at[start : start + chunk], tree, around)
             for start in range(0, len(at), chunk)]  # fmt: skip
    return np.concatenate([np.empty(0), *parts])


def _residual(
    points: FloatArray, normals: FloatArray, smooth: FloatArray, cell_mm: float, at: Indices, tree: cKDTree, around: int
) -> FloatArray:
    distance, index = tree.query(points[at], k=around, workers=-1)
    found = np.isfinite(distance)
    index = np.where(found, index, at[:, None])
    offset = points[index] - points[at][:, None]
    alike = np.einsum("kij,kj->ki", smooth[index], smooth[at]) > 0.9
    weight = (alike & found & (distance < np.sqrt(around + 1.0) * cell_mm)).astype(float)
    normal = normals[at]
    helper = np.eye(3)[np.abs(normal).argmin(axis=1)]
    u = np.cross(normal, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(normal, u)
    x, y, z = (np.einsum("kij,kj->ki", offset, axis) / cell_mm for axis in (u, v, normal))
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    weighted = design.transpose(0, 2, 1) * weight[:, None]
    matrix = weighted @ design + 1e-6 * np.eye(6)
    right = (weighted @ z[..., None])[..., 0]
    fit = np.linalg.solve(matrix, right[..., None])[..., 0]
    residual = z - np.einsum("kia,ka->ki", design, fit)
    freedom = np.maximum(weight.sum(axis=1) - 6.0, 1.0)
    return np.asarray(np.sqrt((weight * residual**2).sum(axis=1) / freedom) * cell_mm)
