"""The face around a place: everything out to the rim, where the surface turns another way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.app.work.display import Display, made
from rejoin.core.meshes import edges, triangle_areas, triangle_crosses
from rejoin.core.records import FloatArray, IntArray, Mesh

CONE_DEG = 50.0
"""How far a face's averaged normals may lean from its mean: beyond it begins another side of the part."""

SMOOTHING_ROUNDS = 6
"""Rounds of averaging of the normals before a rim is looked for; roughness averages out, an edge does not."""

Chosen = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Surface:
    """What growing a face needs to know of a drawn mesh, worked out once.

    Attributes
    ----------
    display : Display
    links : (k, 2)
        Neighbouring nodes, each pair once.
    normals : (n, 3)
        Averaged over the surroundings.
    areas : (n,)
        mm², of a third of the triangles around.
    """

    display: Display
    links: IntArray
    normals: FloatArray
    areas: FloatArray


def surface_of(mesh: Mesh, display: Display | None = None) -> Surface:
    """Prepare a mesh for `grow`."""
    display = display or made(mesh)
    drawn = display.mesh
    directed = edges(drawn)
    count = len(drawn.vertices)
    low, high = directed.min(axis=1).astype(np.int64), directed.max(axis=1).astype(np.int64)
    keys = np.sort(low * count + high)  # a sort lets the window's thread at the interpreter meanwhile
    keys = keys[np.flatnonzero(np.diff(keys, prepend=-1))]
    links = np.stack([keys // count, keys % count], axis=1).astype(np.int32)
    both = np.concatenate([links, links[:, ::-1], np.stack([np.arange(count)] * 2, axis=1).astype(np.int32)])
    blur = coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), (count, count)).tocsr()
    normals = display.normals.astype(np.float64)
    for _ in range(SMOOTHING_ROUNDS):
        normals = blur @ normals
        length = np.linalg.norm(normals, axis=1, keepdims=True)
        normals /= np.where(length > 0, length, 1.0)
    areas = np.bincount(drawn.triangles.ravel(), np.repeat(triangle_areas(drawn) / 3.0, 3), count)
    return Surface(display, links, normals, areas)


def grow(surface: Surface, node: int) -> tuple[Chosen, FloatArray]:
    """Nodes (n,) of the face around ``node``, out to its rim, and the face's mean direction (3,).

    The region spreads from the node over nodes whose averaged normal stays
    within `CONE_DEG` of the region's own mean normal; the mean is taken again
    a few times, and islands enclosed in the face are added to it.
    """
    mean = surface.normals[node]
    region = np.zeros(len(surface.normals), bool)
    for cone in (0.7 * CONE_DEG, 0.85 * CONE_DEG, CONE_DEG, CONE_DEG):
        allowed = surface.normals @ mean > np.cos(np.radians(cone))
        allowed[node] = True
        labels = _pieces(surface.links, allowed)
        region = labels == labels[node]
        mean = surface.areas[region] @ surface.normals[region]
        mean /= max(float(np.linalg.norm(mean)), 1e-12)
    outside = ~region
    if not outside.any():
        return region, mean
    labels = _pieces(surface.links, outside)
    sizes = np.bincount(labels[outside], minlength=labels.max() + 1)
    return region | (outside & (sizes[labels] < 0.1 * region.sum())), mean


def drawn_face(surface: Surface, region: Chosen, mean: FloatArray) -> IntArray:
    """Drawn triangles (k,) of a grown face."""
    return _inside(surface.display.mesh, region, mean)


def scan_face(mesh: Mesh, surface: Surface, region: Chosen, mean: FloatArray) -> IntArray:
    """The scan's own triangles (k,) of a grown face."""
    display = surface.display
    around = region.copy()
    for one, other in ((0, 1), (1, 0)):
        around[surface.links[region[surface.links[:, one]], other]] = True
    wanted = display.scan_triangles(np.flatnonzero(around))
    part = Mesh(mesh.vertices, mesh.triangles[wanted])
    inside = np.zeros(len(mesh.triangles), bool)  # quicker than sorting
    inside[wanted[_inside(part, region[display.node_of], mean)]] = True
    return np.flatnonzero(inside).astype(np.int32)


def grow_face_to_rim(mesh: Mesh, surface: Surface, triangle: int,
                     grown: tuple[Chosen, FloatArray] | None = None) -> IntArray:  # fmt: skip
    """Triangles (k,) of the scan that a click on one of them takes; ``grown`` where `grow` was asked before."""
    grown = grown or grow(surface, int(surface.display.node_of[mesh.triangles[triangle, 0]]))
    face = scan_face(mesh, surface, *grown)
    return face if triangle in face else np.union1d(face, [triangle]).astype(np.int32)


def _inside(mesh: Mesh, region: Chosen, mean: FloatArray) -> IntArray:
    """Triangles (k,) with all corners in a region of vertices, and those at its rim that lean as the face does."""
    one, two, three = (region[mesh.triangles[:, corner]] for corner in range(3))
    inside = one & two & three
    rim = np.flatnonzero((one | two | three) & ~inside)
    crosses = triangle_crosses(Mesh(mesh.vertices, mesh.triangles[rim]))
    # averaging rounds the rim off: its last triangles are known by their own normals
    leaning = crosses @ mean > np.cos(np.radians(CONE_DEG)) * np.linalg.norm(crosses, axis=1)
    inside[rim[leaning]] = True
    return np.flatnonzero(inside).astype(np.int32)


def _pieces(links: IntArray, allowed: Chosen) -> IntArray:
    """The connected piece (n,) of each allowed node, over links between such nodes only; -1 for the others."""
    one, two = links[:, 0], links[:, 1]
    kept = allowed[one] & allowed[two]
    number, count = np.cumsum(allowed, dtype=np.int32) - 1, int(allowed.sum())
    pairs = number[one[kept]], number[two[kept]]
    graph = coo_matrix((np.ones(len(pairs[0])), pairs), (count, count)).tocsr()
    labels = np.full(len(allowed), -1, np.int32)
    labels[allowed] = connected_components(graph, directed=False)[1]
    return labels
