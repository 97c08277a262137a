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
from rejoin.core.fusing.continuing import Over
from rejoin.core.fusing.quadrics import flat, misfit_together, step_between
from rejoin.core.fusing.ring import BoolArray, Contact, widened
from rejoin.core.fusing.soundness import Indices, every_corner
from rejoin.core.fusing.surroundings import BEND
from rejoin.core.records import FloatArray, Mesh

SMALLEST = 3.0
"""Bites are larger than the square of this many spacings."""
EDGE = 3
"""Rings by which smooth surface is widened: edges between its pieces are no bites, and edges count a ring wider."""
MEETS = 3.0
"""Bites that come as near to each other as so many widths of the strip are one."""
BELOW = 0.5
"""From so many spacings below the continued surfaces on, what is there broke off."""
MOSTLY = 0.5
"""Share of a bite that lies below them."""
LARGE = 0.4
"""A plane that is so large a share of a bite was made, not broken."""
OPEN, OPEN_AT_HOLLOW = 0.5, 0.1
"""A bite looks the way of the surfaces that it was broken from (median cosine); the wall of a hole looks across.
Beside bare fracture it may be steeper, as where a thin wall broke through."""
CLOSE = 0.67
"""Both sides are compared where they come so near to each other, in shares of the distance at which bites meet."""
PLACES, ROUND, ENOUGH, FEWEST = 12, 0.85, 12, 3
"""Places along the crack where both sides of a bite are compared, around each so many of the distance at which bites
meet, vertices of each side there at least, and places that tell at least."""
SOMEWHERE, STEP, MISFIT = 0.25, 1.2, 1.5
"""Two surfaces run on into each other where at this share of the places they meet within so many spacings, or lie off
one quadric no more than so many times as far as off one each."""
FLUSH, SHUT = 1.0, 0.5
"""A bite is shut in by what lies within so many spacings of the continued surfaces, on this share of its border."""


@dataclass(frozen=True, eq=False)
class Bite:
    """One place that broke off: its vertices on each part.

    ``across`` where it lies on both sides of the crack; ``smooth`` where it is
    one smooth surface, as a recess of the part would be; ``over``: what the surfaces around it bound.
    """

    members: list[Indices]
    across: bool
    smooth: bool
    over: Over

    def of(self, starts: Indices) -> Indices:
        """Its vertices among those of all parts together."""
        return np.concatenate([own + start for own, start in zip(self.members, starts, strict=False)])


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
        As in `chips.chips_of`.
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
    together = _together(joined, patches, starts, near)
    candidates = ((own, _beside(joined, patches, own, hollow, near)) for own in together)
    groups = [(own, beside) for own, beside in candidates if len(own) > 1 or beside]
    if not groups:
        return []
    gone = np.concatenate([side.removed for side in sides])
    gone[np.concatenate([hollow, *patches])] = True
    spots = [np.concatenate([patches[number] for number in group]) for group, _ in groups]
    result = []
    for (group, beside), continued in zip(groups, over(spots, gone), strict=True):
        steepest = OPEN_AT_HOLLOW if beside else OPEN
        tried = (_broken_off(parts, gone, patches[number], starts, continued, steepest) for number in group)
        broken = [own for own in tried if len(own)]
        if not broken:
            continue
        every = np.concatenate(broken)
        members = [every[(every >= a) & (every < b)] - a for a, b in zip(starts[:-1], starts[1:], strict=True)]
        surfaces = [part.vertices[own] for part, own in zip(parts, members, strict=True) if len(own)]
        result.append(Bite(members, len(surfaces) > 1, _runs_on(surfaces, near, spacing_mm), continued))
    return result


def _runs_on(surfaces: list[FloatArray], near_mm: float, spacing_mm: float) -> bool:
    """Whether the surfaces of a bite run on into each other across the crack, as those of the part's own recess do.

    They do where around many places along the crack each side, continued as a
    quadric, meets the other, or one quadric is as true to both as one is to each.
    """
    trees, told = [cKDTree(points) for points in surfaces], []
    for one in range(len(surfaces)):
        for other in range(one):
            length, at = trees[other].query(surfaces[one])
            close = np.flatnonzero(length < max(CLOSE * near_mm, 1.2 * length.min()))
            close = close[:: max(1, len(close) // PLACES)]
            for place in 0.5 * (surfaces[one][close] + surfaces[other][at[close]]):
                both = [surfaces[n][trees[n].query_ball_point(place, ROUND * near_mm)] for n in (one, other)]
                if min(len(points) for points in both) >= ENOUGH:
                    told.append((step_between(both[0], both[1], place) / spacing_mm, misfit_together(both[0], both[1])))
    if len(told) < FEWEST:
        return True
    step, misfit = np.quantile(told, SOMEWHERE, axis=0)
    return bool(step < STEP or misfit < MISFIT)


def _left_over(part: Mesh, rim: BoolArray, side: Contact, spacing_mm: float, largest_mm: float) -> list[Indices]:
    """Patches of a part beside the strip that its smooth surface does not run on into.

    None where smooth surface is less than half of what is kept: roughness leaves it everywhere.
    """
    keep = np.flatnonzero(every_corner(~side.removed, part.triangles)).astype(np.int32)
    local, used = meshes.compacted(part, keep)
    areas = meshes.vertex_areas(local)
    edge, links = _edges(local)
    edge = widened(local, edge)
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
    patches = [np.flatnonzero(~smooth & (piece == k)) for k in np.flatnonzero(good)]
    return [
        np.asarray(used[own], np.int64)
        for own in patches
        if np.linalg.norm(np.ptp(local.vertices[own], axis=0)) < largest_mm
    ]


def _pieces(links: coo_matrix, chosen: BoolArray) -> tuple[Indices, int]:
    """The piece of each vertex, where links hold among the chosen ones only, and how many pieces there are."""
    held = chosen[links.row] & chosen[links.col]
    graph = coo_matrix((np.ones(int(held.sum()), bool), (links.row[held], links.col[held])), links.shape)
    number, piece = connected_components(graph, directed=False)
    return piece.astype(np.int64), number


def _together(points: FloatArray, patches: list[Indices], starts: Indices, near_mm: float) -> list[list[int]]:
    """Patches near each other on different parts, in groups."""
    trees = [cKDTree(points[patch]) for patch in patches]
    owner = [int(np.searchsorted(starts, patch[0], side="right")) for patch in patches]
    links = np.zeros((len(patches),) * 2, bool)
    for a in range(len(patches)):
        for b in range(a):
            links[a, b] = owner[a] != owner[b] and _meets(trees[a], points[patches[b]], near_mm)
    number, group = connected_components(links, directed=False) if patches else (0, np.zeros(0))
    return [[int(n) for n in np.flatnonzero(group == k)] for k in range(number)]


def _beside(points: FloatArray, patches: list[Indices], group: list[int], hollow: Indices, near_mm: float) -> bool:
    """Whether some patches lie beside vertices of hollows."""
    if not len(hollow):
        return False
    return _meets(cKDTree(points[np.concatenate([patches[number] for number in group])]), points[hollow], near_mm)


def _meets(tree: cKDTree, points: FloatArray, near_mm: float) -> bool:
    return bool(np.isfinite(tree.query(points, distance_upper_bound=near_mm)[0]).any())


def _machined(part: Mesh, own: Indices, spacing_mm: float) -> bool:
    """Whether a large smooth piece of some vertices is a plane."""
    chosen = np.zeros(len(part.vertices), bool)
    chosen[own] = True
    local = meshes.compacted(part, np.flatnonzero(every_corner(chosen, part.triangles)).astype(np.int32))[0]
    if not len(local.triangles):
        return True
    edge, links = _edges(local)
    piece, areas = _pieces(links, ~edge)[0], meshes.vertex_areas(local)
    area = np.bincount(piece, areas * ~edge)
    return any(flat(local.vertices[piece == k], spacing_mm) for k in np.flatnonzero(area > LARGE * areas.sum()))


def _edges(part: Mesh) -> tuple[BoolArray, coo_matrix]:
    """Vertices at which the surface bends, and the links between vertices."""
    normals, links = meshes.averaged_normals(part, meshes.vertex_normals(part), 2), meshes.adjacency(part).tocoo()
    bends = np.einsum("ij,ij->i", normals[links.row], normals[links.col]) < np.cos(np.deg2rad(BEND))
    edge = np.zeros(len(normals), bool)
    edge[links.row[bends]] = True
    return edge, links


def _broken_off(
    parts: list[Mesh], gone: BoolArray, patch: Indices, starts: Indices, over: Over, steepest: float
) -> Indices:
    """What of a patch (vertices of all parts together) lies below the continued surfaces, if it broke off."""
    number = int(np.searchsorted(starts, patch[0], side="right")) - 1
    part, own = parts[number], patch - starts[number]
    heights = over(part.vertices[own])
    if heights is None:
        return patch[:0]
    low = heights < -BELOW * over.spacing_mm
    if low.mean() < MOSTLY or _machined(part, own[low], over.spacing_mm):
        return patch[:0]
    ways = over.ways(part.vertices[own[low]])
    looks = np.einsum("ij,ij->i", meshes.vertex_normals(part)[own[low]], ways)
    if np.median(looks) < steepest:
        return patch[:0]
    inside = np.zeros(len(part.vertices), bool)
    inside[own] = True
    for _ in range(EDGE):
        inside = widened(part, inside)
    around = np.flatnonzero(widened(part, inside) & ~inside & ~gone[starts[number] : starts[number + 1]])
    border = over(part.vertices[around])
    if border is None or not len(border) or (np.abs(border) < FLUSH * over.spacing_mm).mean() < SHUT:
        return patch[:0]
    return patch[low]
