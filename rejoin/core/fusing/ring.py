"""Where the fragments meet: what is removed around the crack, and the border of what stays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.records import FloatArray, IntArray, Mesh

BoolArray = npt.NDArray[np.bool_]

REACH = 12.0
"""How far, in spacings, another fragment is looked for."""

RINGS = 2
"""Tongues of kept surface up to twice as many triangles wide are given up."""


@dataclass(frozen=True, eq=False)
class Contact:
    """What one placed fragment sees of the others.

    ``distance_mm`` (n,) to the nearest vertex of another fragment (inf beyond
    reach), ``removed`` (n,) vertices given up around the crack, ``border``
    (k,) kept vertices next to removed ones.
    """

    distance_mm: FloatArray
    removed: BoolArray
    border: IntArray
    strip_mm: float


def distances(parts: list[Mesh], normals: list[FloatArray], spacing_mm: float) -> tuple[list[FloatArray], float]:
    """Distance of each vertex to the nearest vertex of another fragment, and the usual open gap of the faces (mm)."""
    reach = REACH * spacing_mm
    trees = [cKDTree(part.vertices) for part in parts]
    result, gaps = [], []
    for number, part in enumerate(parts):
        best = np.full(len(part.vertices), np.inf)
        for other, tree in enumerate(trees):
            if other == number:
                continue
            low, high = tree.mins - reach, tree.maxes + reach
            near = np.flatnonzero(((part.vertices >= low) & (part.vertices <= high)).all(axis=1))
            if len(near) == 0:
                continue
            length, at = tree.query(part.vertices[near], distance_upper_bound=reach, workers=-1)
            best[near] = np.minimum(best[near], length)
            hit = np.isfinite(length)
            ahead = (parts[other], normals[other], at[hit])
            gaps.append(_facing_gaps(part, normals[number], near[hit], *ahead, spacing_mm))
        result.append(best)
    samples = np.concatenate(gaps) if gaps else np.zeros(0)
    return result, float(np.median(samples)) if len(samples) else 0.0


def _facing_gaps(
    a: Mesh, normals_a: FloatArray, at_a: IntArray, b: Mesh, normals_b: FloatArray, at_b: IntArray, spacing_mm: float
) -> FloatArray:
    """Gaps along the normal where a faces b within a few spacings and with little offset sideways."""
    between = b.vertices[at_b] - a.vertices[at_a]
    along = np.einsum("ij,ij->i", between, normals_a[at_a])
    sideways = np.sqrt(np.maximum(np.einsum("ij,ij->i", between, between) - along**2, 0.0))
    facing = np.einsum("ij,ij->i", normals_a[at_a], normals_b[at_b]) < -0.7
    return np.asarray(along[facing & (sideways < spacing_mm) & (np.abs(along) < 6.0 * spacing_mm)])


def contacts(parts: list[Mesh], rims: list[BoolArray], spacing_mm: float, noise_mm: float) -> list[Contact]:
    """Label on each placed fragment the zone within the strip's width of another fragment.

    The strip is wider than the sampling and the noise, and grows with the
    gap, so that both sides of the crack are given up everywhere along it.
    ``rims`` flags, per part, the vertices beyond which it goes on.
    """
    normals = abreast(lambda part, _: meshes.vertex_normals(part), parts)
    apart, gap = distances(parts, normals, spacing_mm)
    strip = max(1.9 * spacing_mm, 10.0 * noise_mm) + 1.5 * max(0.0, abs(gap) - 2.0 * noise_mm)
    strip = min(strip, 0.75 * REACH * spacing_mm)
    return abreast(lambda one, _: _contact(*one, strip, spacing_mm), list(zip(parts, rims, apart, strict=True)))


def _contact(part: Mesh, rim: BoolArray, distance: FloatArray, strip: float, spacing_mm: float) -> Contact:
    removed = evened(part, distance < strip) & ~rim
    removed = without_islands(part, rim, removed, (5.0 * spacing_mm) ** 2)
    return Contact(distance, removed, border_of(part, removed), strip)


def evened(part: Mesh, removed: BoolArray) -> BoolArray:
    """Without tongues and necks of kept surface narrower than a few triangles: grown, then shrunk again."""
    result = removed
    for _ in range(RINGS):
        result = widened(part, result)
    for _ in range(RINGS):
        result = ~widened(part, ~result)
    return result | removed


def widened(part: Mesh, flags: BoolArray) -> BoolArray:
    """The flagged vertices (n,) and their neighbours."""
    result = flags.copy()
    result[part.triangles[any_corner(flags, part.triangles)].ravel()] = True
    return result


def border_of(part: Mesh, removed: BoolArray) -> IntArray:
    """Kept vertices that share a triangle with a removed one."""
    flags = removed[part.triangles]
    mixed = flags.any(axis=1) & ~flags.all(axis=1)
    corners = part.triangles[mixed].ravel()
    return meshes.sorted_unique(corners[~removed[corners]].astype(np.int64)).astype(np.int32)


def without_islands(part: Mesh, rim: BoolArray, removed: BoolArray, smallest_mm2: float) -> BoolArray:
    """Turn over the small patches of either label (smaller than an area) that do not go on beyond the rim."""
    result, areas = removed.copy(), meshes.vertex_areas(part)
    for label in (False, True):
        flags = result[part.triangles]
        same = (flags == label).any(axis=1)
        near = ~(flags == label).all(axis=1)
        if not near.any():
            continue
        graph = meshes.adjacency(Mesh(part.vertices, part.triangles[same]))
        inside = np.flatnonzero(result == label)
        number, piece = connected_components(graph[inside][:, inside], directed=False)
        if len(inside) == 0:
            continue
        area = np.bincount(piece, areas[inside], number)
        area[piece[rim[inside]]] = np.inf
        result[inside[area[piece] < smallest_mm2]] = not label
    return result
