"""Bites: what broke off beside the crack and no bare fracture shows, as where both fragments lost their rim."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.continuing import BEND, Over
from rejoin.core.fusing.quadrics import fitted, flat
from rejoin.core.fusing.ring import BoolArray, Contact, widened
from rejoin.core.fusing.soundness import Indices, every_corner
from rejoin.core.records import FloatArray, Mesh

SMALLEST = 3.0
"""Bites are larger than the square of this many spacings."""
EDGE = 2
"""Rings by which smooth surface is widened: edges between its pieces are no bites."""
MEETS = 2.0
"""Bites that come as near to each other as so many widths of the strip are one."""
BELOW = 0.5
"""From so many spacings below the continued surfaces on, what is there broke off."""
MOSTLY = 0.5
"""Share of a bite that lies below them."""
OPEN = 0.5
"""A bite looks the way of the surfaces that it was broken from (median cosine); the wall of a hole looks across."""


@dataclass(frozen=True, eq=False)
class Bite:
    """One place that broke off: its vertices on each part.

    ``across`` where it lies on both sides of the crack; ``smooth`` where it is
    one smooth surface, as a recess of the part would be.
    """

    members: list[Indices]
    across: bool
    smooth: bool


def bites(
    parts: list[Mesh],
    rims: list[BoolArray],
    sides: list[Contact],
    hollow: Indices,
    over: Callable[[list[Indices], BoolArray], list[Over]],
    spacing_mm: float,
    largest_mm: float,
) -> list[Bite]:
    """The bites beside the strip, on either part.

    Smooth surface that goes on is the part's own. What it does not run on
    into, and what lies below all that it bounds, looking the same way, broke
    off. A plane did not: a small face may end at the crack.

    Parameters
    ----------
    parts, rims, sides
        As in `chips.with_chips`.
    hollow : (k,) int
        Vertices, of all parts together, of hollows that bare fracture shows.
    over : callable
        Of places, and what (n,) is no original surface: the continued surfaces around each.
    spacing_mm, largest_mm : float

    Returns
    -------
    list of Bite
        Those that lie on both sides of the crack, and those that lie beside a hollow.
    """
    tasks = list(zip(parts, rims, sides, strict=True))
    found = abreast(lambda one, _: _left_over(*one, spacing_mm, largest_mm), tasks)
    joined = np.concatenate([part.vertices for part in parts])
    starts = np.cumsum([0, *[len(part.vertices) for part in parts]])
    patches = [patch + start for some, start in zip(found, starts, strict=False) for patch in some]
    near = MEETS * max(side.strip_mm for side in sides)
    groups = _together(joined, patches, starts, hollow, near)
    if not groups:
        return []
    gone = np.concatenate([side.removed for side in sides])
    gone[np.concatenate([hollow, *patches])] = True
    spots = [np.concatenate([patches[number] for number in group]) for group in groups]
    result = []
    for group, continued in zip(groups, over(spots, gone), strict=True):
        broken = [own for number in group if len(own := _broken_off(parts, patches[number], starts, continued))]
        if not broken:
            continue
        every = np.concatenate(broken)
        members = [every[(every >= a) & (every < b)] - a for a, b in zip(starts[:-1], starts[1:], strict=True)]
        outward = continued.ways(joined[every]).mean(axis=0)
        smooth = fitted(joined[every], outward, spacing_mm) is not None
        result.append(Bite(members, sum(len(own) > 0 for own in members) > 1, smooth))
    return result


def _left_over(part: Mesh, rim: BoolArray, side: Contact, spacing_mm: float, largest_mm: float) -> list[Indices]:
    """Patches of a part beside the strip that its smooth surface does not run on into.

    None where smooth surface is less than half of what is kept: roughness leaves it everywhere.
    """
    keep = np.flatnonzero(every_corner(~side.removed, part.triangles)).astype(np.int32)
    local, used = meshes.compacted(part, keep)
    normals = meshes.averaged_normals(local, meshes.vertex_normals(local), 2)
    links, areas = meshes.adjacency(local).tocoo(), meshes.vertex_areas(local)
    bends = np.einsum("ij,ij->i", normals[links.row], normals[links.col]) < np.cos(np.deg2rad(BEND))
    edge = np.zeros(len(normals), bool)
    edge[links.row[bends]] = True
    ends, strip = rim[used], np.zeros(len(part.vertices), bool)
    strip[side.border] = True
    piece, number = _pieces(links, ~edge)
    goes_on = np.bincount(piece, ends, number) > 0
    goes_on |= np.bincount(piece, areas, number) > largest_mm**2
    smooth = goes_on[piece] & ~edge
    if areas[smooth].sum() < 0.5 * areas.sum():
        return []
    for _ in range(EDGE):
        smooth = widened(local, smooth)
    piece, number = _pieces(links, ~smooth)
    good = np.bincount(piece, areas * ~smooth, number) > (SMALLEST * spacing_mm) ** 2
    good &= (np.bincount(piece, strip[used], number) > 0) & (np.bincount(piece, ends, number) == 0)
    return [np.asarray(used[np.flatnonzero(~smooth & (piece == k))], np.int64) for k in np.flatnonzero(good)]


def _pieces(links: coo_matrix, chosen: BoolArray) -> tuple[Indices, int]:
    """The piece of each vertex, where links hold among the chosen ones only, and how many pieces there are."""
    held = chosen[links.row] & chosen[links.col]
    graph = coo_matrix((np.ones(int(held.sum()), bool), (links.row[held], links.col[held])), links.shape)
    number, piece = connected_components(graph, directed=False)
    return piece.astype(np.int64), number


def _together(
    points: FloatArray, patches: list[Indices], starts: Indices, hollow: Indices, near_mm: float
) -> list[list[int]]:
    """Patches near each other on different parts, or near a hollow."""
    if not patches:
        return []
    trees = [cKDTree(points[patch]) for patch in patches]
    owner = np.array([np.searchsorted(starts, patch[0], side="right") for patch in patches])

    def meets(one: int, spots: Indices) -> bool:
        return bool(np.isfinite(trees[one].query(points[spots], distance_upper_bound=near_mm)[0]).any())

    links = np.zeros((len(patches),) * 2, bool)
    for a in range(len(patches)):
        for b in range(a):
            links[a, b] = owner[a] != owner[b] and meets(a, patches[b])
    number, group = connected_components(links, directed=False)
    groups = [[int(n) for n in np.flatnonzero(group == k)] for k in range(number)]
    return [own for own in groups if len(own) > 1 or (len(hollow) and meets(own[0], hollow))]


def _broken_off(parts: list[Mesh], patch: Indices, starts: Indices, over: Over) -> Indices:
    """What of a patch (vertices of all parts together) lies below the continued surfaces, if it broke off."""
    number = int(np.searchsorted(starts, patch[0], side="right")) - 1
    part, own = parts[number], patch - starts[number]
    heights = over(part.vertices[own])
    if heights is None:
        return patch[:0]
    low = heights < -BELOW * over.spacing_mm
    if low.mean() < MOSTLY:
        return patch[:0]
    points, ways = part.vertices[own[low]], over.ways(part.vertices[own[low]])
    looks = np.einsum("ij,ij->i", meshes.vertex_normals(part)[own[low]], ways)
    if np.median(looks) < OPEN or flat(points, over.spacing_mm):
        return patch[:0]
    return patch[low]
