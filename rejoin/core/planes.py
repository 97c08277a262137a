"""Planes of a fragment: all of its surface that lies in one, in however many patches.

A nearly flat break is no rougher than the rest of the surface, may lean on its
neighbours too little to be told by the way it faces, and lies in several
patches where it runs through holes and slots; but all of it lies in one plane.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.views import BoolArray, Nodes

SEEDS = 320
"""Places whose tangent planes are tried: a face of one hundredth of the surface is hit three times."""

MOST_PLANES = 24
"""Planes kept, those with the most surface first."""

LEAN = np.float32(np.cos(np.deg2rad(15.0)))
"""How far the normal of a place may lean from its plane's."""

START, WIDTHS = 2.0, (1.5, 1.0, 0.75)
"""Half-widths of a plane, in spacings: of a tangent plane, which one node's normal tilts, then as it is refitted."""

WORTH = 0.05
"""Least share of a plane's surface in a patch that counts."""


def planar_regions(nodes: Nodes, smooth: FloatArray, spacing_mm: float, smallest_share: float) -> list[IntArray]:
    """The nodes of each plane, without its crumbs.

    Parameters
    ----------
    nodes : Nodes
    smooth : (k, 3)
        Smoothed normals.
    spacing_mm : float
    smallest_share : float
        Of the fragment's surface, what a plane must have.
    """
    points = (nodes.points - nodes.points.mean(axis=0)).astype(np.float32)
    normals = smooth.astype(np.float32)
    seeds = np.arange(0, len(points), max(1, len(points) // SEEDS))
    level = np.einsum("ij,ij->i", points[seeds], normals[seeds])
    inside = (np.abs(points @ normals[seeds].T - level) < START * spacing_mm) & (normals @ normals[seeds].T > LEAN)
    sizes = nodes.areas.astype(np.float32) @ inside
    smallest = smallest_share * float(nodes.areas.sum())
    pairs = cKDTree(nodes.points).query_pairs(1.8 * nodes.cell_mm, output_type="ndarray")
    taken = np.zeros(len(points), bool)
    found: list[IntArray] = []
    while len(found) < MOST_PLANES and sizes.max() > smallest:
        seed = int(sizes.argmax())
        sizes[seed] = 0.0
        plane = _refitted(nodes, smooth, inside[:, seed], smooth[seeds[seed]], spacing_mm)
        sizes[plane[seeds]] = 0.0
        if np.count_nonzero(plane & taken) > 0.7 * np.count_nonzero(plane):
            continue
        taken |= plane
        region = _without_crumbs(nodes, plane, pairs)
        if nodes.areas[region].sum() >= smallest:
            found.append(region)
    return found


def _refitted(nodes: Nodes, smooth: FloatArray, inside: BoolArray, normal: FloatArray, spacing_mm: float) -> BoolArray:
    """The nodes (k,) of the plane that fits those near a tangent plane: least squares, ever more narrowly."""
    for width in WIDTHS:
        if np.count_nonzero(inside) < 12:
            break
        weights = nodes.areas[inside]
        centre = weights @ nodes.points[inside] / weights.sum()
        offset = nodes.points[inside] - centre
        axis = np.linalg.eigh((offset * weights[:, None]).T @ offset)[1][:, 0]
        normal = axis if axis @ normal > 0.0 else -axis
        inside = (np.abs((nodes.points - centre) @ normal) < width * spacing_mm) & (smooth @ normal > LEAN)
    return inside


def _without_crumbs(nodes: Nodes, plane: BoolArray, pairs: IntArray) -> IntArray:
    """The patches of a plane that are worth having, together."""
    patches = connected_nodes(nodes, np.flatnonzero(plane).astype(np.int32), pairs)
    whole = float(nodes.areas[plane].sum())
    worth = [patch for patch in patches if nodes.areas[patch].sum() > WORTH * whole]
    return np.sort(np.concatenate(worth)).astype(np.int32) if worth else np.empty(0, np.int32)


def connected_nodes(nodes: Nodes, chosen: IntArray, pairs: IntArray) -> list[IntArray]:
    """The connected pieces of some nodes, the twelve largest (of at least twelve nodes)."""
    number, inside = np.zeros(len(nodes.points), np.int32), np.zeros(len(nodes.points), bool)
    number[chosen], inside[chosen] = np.arange(len(chosen)), True
    first, second = pairs.T
    both = inside[first] & inside[second]
    first, second = number[first[both]], number[second[both]]
    graph = coo_matrix((np.ones(len(first)), (first, second)), (len(chosen), len(chosen)))
    _, label = connected_components(graph, directed=False)
    size = np.bincount(label, nodes.areas[chosen]) * (np.bincount(label) >= 12)
    return [chosen[label == piece].astype(np.int32) for piece in np.argsort(-size)[:12] if size[piece] > 0]
