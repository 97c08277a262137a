"""Where the fragments meet: what is removed around the crack, and the border of what stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

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

WIDEST_GAP, ENOUGH = 6.0, 20_000
"""Faces that lie along each other are no farther apart than so many spacings; vertices that tell the usual gap."""

RINGS = 2
"""Tongues of kept surface up to twice as many triangles wide are given up."""


@dataclass(frozen=True, eq=False)
class Contact:
    """What one placed fragment sees of the others.

    ``distance_mm`` (n,) to the nearest vertex of another fragment (inf beyond
    the strip's width), ``removed`` (n,) vertices given up around the crack, ``border``
    (k,) kept vertices next to removed ones.
    """

    distance_mm: FloatArray
    removed: BoolArray
    border: IntArray
    strip_mm: float


Height: TypeAlias = Callable[[FloatArray], FloatArray | None]
"""Of points (k, 3) the height (k,) over a surface, mm, + outside; None where nothing is known."""


@dataclass(frozen=True, eq=False)
class Through:
    """A chip that broke through a wall: its vertices (k,) among those of all parts, and what the surfaces around bound.

    These face away from each other.
    """

    walls: IntArray | npt.NDArray[np.int64]
    height: Height


@dataclass(frozen=True, eq=False)
class Marked:
    """``sides`` with the chips' walls given up as well; ``walls`` (n,) flags them over all fragments' vertices.

    ``told_mm`` is the spacing at which surfaces can be told.
    """

    sides: list[Contact]
    walls: BoolArray
    told_mm: float
    through: tuple[Through, ...] = ()


def distances(parts: list[Mesh], trees: list[cKDTree], reach_mm: float) -> list[FloatArray]:
    """Distance of each vertex to the nearest vertex of another part, inf beyond reach (mm)."""
    result = []
    for number, part in enumerate(parts):
        best = np.full(len(part.vertices), np.inf)
        for tree in trees[:number] + trees[number + 1 :]:
            near = _within(part, tree, reach_mm)
            length = tree.query(part.vertices[near], distance_upper_bound=reach_mm, workers=-1)[0]
            best[near] = np.minimum(best[near], length)
        result.append(best)
    return result


def usual_gap(parts: list[Mesh], normals: list[FloatArray], trees: list[cKDTree], spacing_mm: float) -> float:
    """The open gap between faces that lie along each other, mm; 0 where none do."""
    gaps = [np.zeros(0)]
    for number, part in enumerate(parts):
        for other, tree in enumerate(trees):
            if other == number:
                continue
            near = _within(part, tree, WIDEST_GAP * spacing_mm)
            near = near[:: max(1, len(near) // ENOUGH)]
            length, at = tree.query(
                part.vertices[near], distance_upper_bound=(WIDEST_GAP + 1.0) * spacing_mm, workers=-1
            )
            hit = np.isfinite(length)
            ahead = (parts[other], normals[other], at[hit])
            gaps.append(_facing_gaps(part, normals[number], near[hit], *ahead, spacing_mm))
    samples = np.concatenate(gaps)
    return float(np.median(samples)) if len(samples) else 0.0


def _within(part: Mesh, tree: cKDTree, reach_mm: float) -> IntArray:
    """Vertices of a part in the box around a tree's points, and no farther from it than the reach."""
    low, high = tree.mins - reach_mm, tree.maxes + reach_mm
    inside = np.ones(len(part.vertices), bool)
    for axis in range(3):
        inside &= (part.vertices[:, axis] >= low[axis]) & (part.vertices[:, axis] <= high[axis])
    return np.flatnonzero(inside).astype(np.int32)


def _facing_gaps(
    a: Mesh, normals_a: FloatArray, at_a: IntArray, b: Mesh, normals_b: FloatArray, at_b: IntArray, spacing_mm: float
) -> FloatArray:
    """Gaps along the normal where a faces b within a few spacings and with little offset sideways."""
    between = b.vertices[at_b] - a.vertices[at_a]
    along = np.einsum("ij,ij->i", between, normals_a[at_a])
    sideways = np.sqrt(np.maximum(np.einsum("ij,ij->i", between, between) - along**2, 0.0))
    facing = np.einsum("ij,ij->i", normals_a[at_a], normals_b[at_b]) < -0.7
    return np.asarray(along[facing & (sideways < spacing_mm) & (np.abs(along) < WIDEST_GAP * spacing_mm)])


def contacts(parts: list[Mesh], rims: list[BoolArray], spacing_mm: float, noise_mm: float) -> list[Contact]:
    """Label on each placed fragment the zone within the strip's width of another fragment.

    The strip is wider than the sampling and the noise, and grows with the
    gap, so that both sides of the crack are given up everywhere along it.
    ``rims`` flags, per part, the vertices beyond which it goes on.
    """
    normals = abreast(lambda part, _: meshes.vertex_normals(part), parts)
    trees = abreast(lambda part, _: cKDTree(part.vertices, balanced_tree=False, compact_nodes=False), parts)
    gap = usual_gap(parts, normals, trees, spacing_mm)
    strip = max(1.9 * spacing_mm, 10.0 * noise_mm) + 1.5 * max(0.0, abs(gap) - 2.0 * noise_mm)
    strip = min(strip, 0.75 * REACH * spacing_mm)
    apart = distances(parts, trees, strip)
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


def flagged(part: Mesh, members: list[npt.NDArray[np.int64]]) -> BoolArray:
    """Which of a part's vertices (n,) are among some of its members."""
    result = np.zeros(len(part.vertices), bool)
    for some in members:
        result[some] = True
    return result


def border_of(part: Mesh, removed: BoolArray) -> IntArray:
    """Kept vertices that share a triangle with a removed one."""
    mixed = any_corner(removed, part.triangles) & any_corner(~removed, part.triangles)
    corners = part.triangles[mixed].ravel()
    return meshes.sorted_unique(corners[~removed[corners]].astype(np.int64)).astype(np.int32)


def without_islands(part: Mesh, rim: BoolArray, removed: BoolArray, smallest_mm2: float) -> BoolArray:
    """Turn over the small patches of either label (smaller than an area) that do not go on beyond the rim."""
    result, areas = removed.copy(), meshes.vertex_areas(part)
    for label in (False, True):
        same = any_corner(result == label, part.triangles)
        if not any_corner(result != label, part.triangles).any():
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


def given_up(
    parts: list[Mesh], rims: list[BoolArray], sides: list[Contact], more: list[BoolArray], spacing_mm: float
) -> list[Contact]:
    """Give up some more vertices (n,) of each part."""
    result = []
    for part, rim, side, flags in zip(parts, rims, sides, more, strict=True):
        if flags.any():
            removed = without_islands(part, rim, evened(part, side.removed | flags) & ~rim, (5.0 * spacing_mm) ** 2)
            side = Contact(side.distance_mm, removed, border_of(part, removed), side.strip_mm)
        result.append(side)
    return result
