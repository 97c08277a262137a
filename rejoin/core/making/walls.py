"""Where the walls are thinnest: straight through the material, from places spread evenly over the surface."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.libraries.walls import through_material
from rejoin.core.meshes import triangle_crosses
from rejoin.core.records import FloatArray, Mesh

SAMPLES = 4000


def thinnest_walls(mesh: Mesh, most: int = 3) -> tuple[tuple[float, float, float, float], ...]:
    """The thinnest walls found, each as thickness and place (x, y, z), mm; places are a tenth of the size apart.

    The thickness is that of the material straight below a place, met by a face that looks the other way within 45
    degrees, so that edges are not taken for thin walls.
    """
    crosses = triangle_crosses(mesh)
    areas = 0.5 * np.linalg.norm(crosses, axis=1)
    total = np.cumsum(areas)
    rng = np.random.default_rng(0)
    at = np.searchsorted(total, (np.arange(SAMPLES) + rng.random(SAMPLES)) * total[-1] / SAMPLES)
    at = np.minimum(at, len(areas) - 1)
    u, v = np.sqrt(rng.random(SAMPLES)), rng.random(SAMPLES)
    corners = mesh.vertices[mesh.triangles[at]]
    weights = np.stack([1 - u, u * (1 - v), u * v], axis=1)
    places = np.einsum("ij,ijk->ik", weights, corners)
    normals = crosses[at] / np.maximum(2.0 * areas[at], 1e-300)[:, None]
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    start = 1e-5 * size
    depth, met = through_material(mesh, places - start * normals, -normals)
    far = crosses[met] / np.maximum(2.0 * areas[met], 1e-300)[:, None]
    good = np.isfinite(depth) & (np.einsum("ij,ij->i", far, normals) < -0.7)
    places, depth = places[good], depth[good] + start
    if len(depth) < 8:
        return ()
    # A single thin reading among thick ones is a speck at an edge, not a wall.
    around = np.median(depth[cKDTree(places).query(places, k=6)[1]], axis=1)
    alone = depth < 0.3 * around
    return _apart(places[~alone], depth[~alone], 0.1 * size, most)


def _apart(
    places: FloatArray, depth: FloatArray, distance: float, most: int
) -> tuple[tuple[float, float, float, float], ...]:
    found: list[tuple[float, float, float, float]] = []
    order = np.argsort(depth, kind="stable")
    while len(order) and len(found) < most:
        best = order[0]
        found.append((float(depth[best]), *map(float, places[best])))  # type: ignore[arg-type]
        order = order[np.linalg.norm(places[order] - places[best], axis=1) > distance]
    return tuple(found)
