"""Two fragments' surfaces one over the other: what lies opposite what, and what lies inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh
from rejoin.core.transforms import apply, displacement, turn
from rejoin.core.views import Nodes, coarse_nodes


@dataclass(frozen=True, eq=False)
class Surface:
    """What finding and judging need of one fragment, made once.

    ``samples`` (k,) is one vertex for each node, ``bends`` (k,) how far it
    stands out of the mean of its neighbours (mm, along the normal), ``tree``
    holds all vertices, ``node_tree`` the nodes.
    """

    fragment: Fragment
    nodes: Nodes
    tree: cKDTree
    node_tree: cKDTree
    samples: IntArray
    bends: FloatArray

    @property
    def sample_areas(self) -> FloatArray:
        return self.nodes.areas


def surface_of(fragment: Fragment) -> Surface:
    """Nodes, search trees and samples of a fragment."""
    nodes = coarse_nodes(fragment)
    samples = np.unique(nodes.of_vertex, return_index=True)[1].astype(np.int32)
    trees = cKDTree(fragment.mesh.vertices), cKDTree(nodes.points)
    return Surface(fragment, nodes, *trees, samples, _bends(fragment.mesh, samples, nodes))


def _bends(mesh: Mesh, samples: IntArray, nodes: Nodes) -> FloatArray:
    """How far each sample stands out of the mean of its neighbours, along its normal (the umbrella vector)."""
    which = np.full(len(mesh.vertices), -1, np.int32)
    which[samples] = np.arange(len(samples))
    total, count = np.zeros((len(samples), 3)), np.zeros(len(samples))
    for corner in range(3):
        at = which[mesh.triangles[:, corner]]
        fan = np.flatnonzero(at >= 0)
        one, two = mesh.triangles[fan, corner - 2], mesh.triangles[fan, corner - 1]
        arms = mesh.vertices[one] + mesh.vertices[two]
        total += np.stack([np.bincount(at[fan], arm, len(samples)) for arm in arms.T], axis=1)
        count += np.bincount(at[fan], minlength=len(samples))
    outwards = total / (2.0 * np.maximum(count, 1.0))[:, None] - mesh.vertices[samples]
    outwards[count == 0] = 0.0
    return np.asarray(np.einsum("ij,ij->i", outwards, nodes.vertex_normals[samples]))


@dataclass(frozen=True, eq=False)
class Facing:
    """Where vertices of a lie over b's surface: everything in b's frame.

    ``gap`` is + open along the symmetric normal (Rusinkiewicz, 2019),
    ``aside`` the distance across it, ``facing`` the cosine of the two nodes'
    normals. ``normals_a`` and ``normals_b`` are the vertices' own.
    """

    index: IntArray
    nearest: IntArray
    points: FloatArray
    normals_a: FloatArray
    normals_b: FloatArray
    normals: FloatArray
    gap: FloatArray
    aside: FloatArray
    facing: FloatArray


def faced(first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, reach: float) -> Facing:
    """The vertices ``chosen`` of a that lie within ``reach`` (mm) of a vertex of b."""
    points = apply(b_from_a, first.fragment.mesh.vertices[chosen])
    distance, nearest = second.tree.query(points, distance_upper_bound=reach)
    index = np.flatnonzero(np.isfinite(distance))
    points, nearest = points[index], nearest[index]
    broad_a = turn(b_from_a, first.nodes.normals[first.nodes.of_vertex[chosen[index]]])
    broad_b = second.nodes.normals[second.nodes.of_vertex[nearest]]
    normals_a = turn(b_from_a, first.nodes.vertex_normals[chosen[index]])
    normals_b = second.nodes.vertex_normals[nearest]
    common = broad_b - broad_a
    length = np.linalg.norm(common, axis=1, keepdims=True)
    common /= np.where(length > 0, length, 1.0)
    offset = points - second.fragment.mesh.vertices[nearest]
    gap = np.einsum("ij,ij->i", offset, common)
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - gap**2, 0))
    facing = np.einsum("ij,ij->i", broad_a, broad_b)
    return Facing(
        index.astype(np.int32), nearest.astype(np.int32), points, normals_a, normals_b, common, gap, aside, facing
    )


def touching_limit(first: Fragment, second: Fragment) -> float:
    """Gap (mm) up to which two sides of one break may part by noise and sampling alone."""
    noise = float(np.hypot(first.noise_mm, second.noise_mm))
    return max(4.0 * noise, 0.35 * max(first.spacing_mm, second.spacing_mm))


def overlap(
    first: Surface, second: Surface, b_from_a: FloatArray, limit: float, spacing: float, sparse: bool = False
) -> tuple[float, float]:
    """Depth (mm, 95 %) and area (mm²) of a's surface that lies deep inside b."""
    every = 8 if sparse else 1
    points = apply(b_from_a, first.nodes.points[::every])
    low, high = second.tree.mins, second.tree.maxes
    near = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
    if len(near) == 0:
        return 0.0, 0.0
    shallow = max(2.0 * limit, 2.0 * spacing, second.nodes.cell_mm)
    distance, nearest = second.node_tree.query(points[near])
    offset = points[near] - second.nodes.points[nearest]
    depth = -np.einsum("nj,nj->n", offset, second.nodes.normals[nearest])
    inside = (distance > shallow) & (depth > 0.5 * distance)
    near, depth = near[inside], distance[inside]
    if len(near) == 0:
        return 0.0, 0.0
    # Beside a sharp edge one normal misleads: all the nearest must agree.
    distance, nearest = second.node_tree.query(points[near], k=6)
    offset = points[near][:, None] - second.nodes.points[nearest]
    deep = (-np.einsum("nkj,nkj->nk", offset, second.nodes.normals[nearest]) > 0.5 * distance).all(axis=1)
    area = float(first.sample_areas[::every][near[deep]].sum()) * every
    return (float(np.percentile(depth[deep], 95)) if deep.any() else 0.0), area


def alike(first: Surface, second: Surface, one: FloatArray, other: FloatArray) -> bool:
    """Whether two a_from_b put the fragments together in the same way, but for some slip."""
    corners = second.fragment.mesh.vertices[:: max(1, len(second.fragment.mesh.vertices) // 200)]
    size = float(np.linalg.norm(np.ptp(corners, axis=0)))
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    return bool(displacement(one, other, corners).max() < max(6.0 * spacing, 0.04 * size))
