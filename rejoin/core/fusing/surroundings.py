"""What the scans brought around one chip, the smooth pieces of it, and how these bound the part together."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.bounding import Tree, bounded, combined
from rejoin.core.fusing.quadrics import FEWEST, MOSTLY, PLANE, TRUE, Piece, fitted
from rejoin.core.fusing.soundness import every_corner, within_box
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BEND = 12.0
"""Degrees by which neighbouring normals of one smooth piece differ at most."""
AROUND, AT_MOUTH = (8.0, 5.0, 3.5), 2.5
"""How far around a chip surfaces are looked at (less where they bend), and how near they must come, in spacings."""
WIDER = 0.5
"""Surfaces around a chip are looked at no less far than this share of its width: on fine scans its walls are many
spacings long, and what is seen a little way around does not tell how surfaces run on over it."""
FEWEST_AT_MOUTH = 5
"""Vertices that a piece has at the mouth at least."""
THROUGH = 0.8
"""A chip that lies so steeply below a surface (sine) is seen through the wall from its other side."""
BEYOND_WALLS = 0.5
"""Remains of a chip's wall end within this share of that distance."""
BEYOND = 0.75
"""Share of that distance at which original surface still goes on."""
DEEP = 0.5
"""From so many spacings below the continued surfaces on, what is there is a wall of the chip."""
ASKED = 200
"""Vertices of a piece that tell how the pieces bound the part together."""
BROAD = 0.1
"""Share of a piece that a facet of it takes at least."""
AVERAGED = 4.0
"""How much farther around, in spacings, normals are averaged."""


def averaged(
    mesh: Mesh, kept: BoolArray, groups: list[FloatArray], spacing_mm: float
) -> tuple[FloatArray, BoolArray]:
    """Vertex normals, averaged over two rings, of what the scans brought around places (k, 3); which (n,) have one."""
    near = near_places(mesh, groups, spacing_mm) & kept
    local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(near, mesh.triangles)).astype(np.int32))
    result, shown = np.zeros((len(mesh.vertices), 3)), np.zeros(len(mesh.vertices), bool)
    shown[used] = True
    result[used] = meshes.averaged_normals(local, meshes.vertex_normals(local), 2)
    return result, shown


def near_places(mesh: Mesh, groups: list[FloatArray], spacing_mm: float) -> BoolArray:
    """Vertices (n,) that are looked at around places (k, 3)."""
    near = np.zeros(len(mesh.vertices), bool)
    for spots in groups:
        near |= within_box(mesh.vertices, spots, _around(spots, spacing_mm) + AVERAGED * spacing_mm)
    return near


def _around(spots: FloatArray, spacing_mm: float) -> float:
    """How far around a chip (k, 3) surfaces are looked at, mm."""
    if len(spots) < 2:
        return AROUND[0] * spacing_mm
    arms = spots - spots.mean(axis=0)
    width = np.sort(np.ptp(arms @ np.linalg.svd(arms, full_matrices=False)[2].T, axis=0))[-2]
    return max(AROUND[0] * spacing_mm, WIDER * float(width))


@dataclass(frozen=True, eq=False)
class Around:
    """What the scans brought around one chip: ``used`` (k,) in the whole mesh, ``away`` (k,) mm from the chip.

    ``through`` (k,) flags those that the chip lies straight below; ``reach_mm`` is how far around is looked.
    """

    local: Mesh
    links: coo_matrix
    used: IntArray
    normals: FloatArray
    away: FloatArray
    through: BoolArray
    reach_mm: float

    @staticmethod
    def of(mesh: Mesh, spots: FloatArray, shown: BoolArray, normals: FloatArray, spacing_mm: float) -> Around:
        reach_mm = _around(spots, spacing_mm)
        there = shown & within_box(mesh.vertices, spots, reach_mm)
        local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(there, mesh.triangles)).astype(np.int32))
        away, nearest = cKDTree(spots).query(local.vertices)
        depth = -np.einsum("ij,ij->i", spots[nearest] - local.vertices, normals[used])
        links, below = meshes.adjacency(local).tocoo(), depth > THROUGH * away
        return Around(local, links, used, normals[used], away, below, reach_mm)

    def pieces(self, spacing_mm: float) -> list[Piece]:
        """The smooth pieces that come up to the chip's mouth and go on beyond its surroundings.

        Remains of the chip's walls end within them. None at all where one of the pieces is no plane or quadric.
        """
        found: list[list[Piece]] = []
        for own in self._smooth(spacing_mm):
            outward = self.normals[own].mean(axis=0)
            points, away = self.local.vertices[own], self.away[own] * AROUND[0] / self.reach_mm
            rings = [away < wide for wide in AROUND] + [away > BEYOND_WALLS * AROUND[0]]
            tries = [fitted(points[ring], outward, spacing_mm) for ring in rings]
            some = [one for one in tries if one is not None]
            facets = self._facets(own, spacing_mm) if not some else []
            if not some and not facets:
                return []
            for ways in [[facet] for facet in facets] or [some[:1] + some[1:][-1:]]:
                _add(found, ways, spacing_mm)
        return [ways[0] for ways in found]

    def _facets(self, own: Indices, spacing_mm: float) -> list[Piece]:
        """Planes that stand for a smooth piece which bends around an edge; none where they are not true to it.

        Around an edge rounded with a radius R they stand off it by up to a thirtieth of R; where the round is too
        small to be a facet of its own, the flanks meet sharply (`true_to` tells that).
        """
        left, inside = own, np.zeros(len(self.away), bool)
        found: list[Piece] = []
        while len(left) >= FEWEST:
            some = self.normals[left[:: max(1, len(left) // ASKED)]]
            alike = self.normals[left] @ some.T > np.cos(np.deg2rad(BEND))
            inside[:] = False
            inside[left[alike[:, alike.sum(axis=0).argmax()]]] = True
            linked = inside[self.links.row] & inside[self.links.col]
            graph = coo_matrix((np.ones(int(linked.sum()), bool), (self.links.row[linked], self.links.col[linked])),
                               self.links.shape)  # fmt: skip
            part = connected_components(graph, directed=False)[1]
            facet = np.flatnonzero(inside & (part == np.bincount(part[inside]).argmax()))
            piece = fitted(self.local.vertices[facet], self.normals[facet].mean(axis=0), spacing_mm, (PLANE,))
            if piece is None or len(facet) < BROAD * len(own):
                break
            found.append(piece)
            left = np.setdiff1d(left, facet)
        return found if len(left) < (1.0 - MOSTLY) * len(own) else []

    def below(self, pieces: list[Piece], tree: Tree, spacing_mm: float) -> IntArray:
        """Vertices, in the whole mesh, by the chip's mouth that lie below what the pieces bound together."""
        low = bounded(tree, heights_over_each(pieces, self.local.vertices))[0] < -DEEP * spacing_mm
        chosen = [part for part in self._of(low, spacing_mm) if not self._goes_on(part, spacing_mm)]
        return np.asarray(self.used[np.concatenate([np.zeros(0, np.int64), *chosen])])

    def true_to(self, pieces: list[Piece], tree: Tree, spacing_mm: float) -> bool:
        """Whether the smooth pieces do not bend away below what they bound together, as a rounded edge does."""
        low = bounded(tree, heights_over_each(pieces, self.local.vertices))[0] < -DEEP * spacing_mm
        low[np.setdiff1d(np.arange(len(low)), np.concatenate(self._smooth(spacing_mm)))] = False
        return not any(self._goes_on(part, spacing_mm) for part in self._of(low, spacing_mm))

    def _of(self, flags: BoolArray, spacing_mm: float) -> list[Indices]:
        """What hangs together of the flagged vertices and comes up to the mouth."""
        parts = self._parts(flags[self.links.row] & flags[self.links.col], spacing_mm)
        return [part for part in parts if flags[part].all()]

    def _smooth(self, spacing_mm: float) -> list[Indices]:
        """What goes on without a bend from the mouth on, largest first."""
        one, other = self.normals[self.links.row], self.normals[self.links.col]
        bends = np.einsum("ij,ij->i", one, other) < np.cos(np.deg2rad(BEND))
        parts = sorted(self._parts(~bends, spacing_mm), key=len, reverse=True)
        return [own for own in parts if len(own) >= FEWEST and self._goes_on(own, spacing_mm)]

    def _parts(self, linked: BoolArray, spacing_mm: float) -> list[Indices]:
        """What hangs together by some of the links and comes up to the mouth."""
        links = self.links
        graph = coo_matrix((np.ones(int(linked.sum()), bool), (links.row[linked], links.col[linked])), links.shape)
        count, part = connected_components(graph, directed=False)
        at_mouth = np.bincount(part, self.away < AT_MOUTH * spacing_mm, count) >= FEWEST_AT_MOUTH
        order = np.lexsort((self.away, part))
        nearest = order[np.searchsorted(part[order], np.arange(count))]
        return [np.flatnonzero(part == number) for number in np.flatnonzero(at_mouth & ~self.through[nearest])]

    def _goes_on(self, part: Indices, spacing_mm: float) -> bool:
        return bool((self.away[part] > BEYOND * self.reach_mm).any())


def _add(found: list[list[Piece]], ways: list[Piece], spacing_mm: float) -> None:
    """Add a piece, or make it one with another that it goes on from across the chip.

    It may be seen in more ways than one: only its farther part goes on, straight ahead, where remains of a wall run
    smoothly into it.
    """
    for number, others in enumerate(found):
        for other, piece in product(others, ways):
            least = 0.0 if other is others[0] and piece is ways[0] else np.cos(np.deg2rad(BEND))
            if other.axes[2] @ piece.axes[2] <= least:
                continue
            both = fitted(np.concatenate([other.points, piece.points]), other.axes[2], spacing_mm)
            if both is not None and _runs_along(both, (other, piece), spacing_mm):
                found[number] = [both]
                return
    found.append(ways)


def _runs_along(both: Piece, pieces: tuple[Piece, Piece], spacing_mm: float) -> bool:
    """Whether what was fitted to two pieces is true to each of them, in place and in direction."""
    for piece in pieces:
        off, ways = both.height(piece.points)
        aslant = np.einsum("ij,ij->i", ways, piece.height(piece.points)[1]) < np.cos(np.deg2rad(BEND))
        if (np.abs(off) < 2.0 * TRUE * spacing_mm).mean() < MOSTLY or aslant.mean() > 1.0 - MOSTLY:
            return False
    return True


def heights_over_each(pieces: list[Piece], points: FloatArray) -> FloatArray:
    return np.stack([piece.height(points)[0] for piece in pieces])


def meeting(pieces: list[Piece], spacing_mm: float) -> Tree | None:
    """How the pieces bound the part together; None where they do in no plain way."""
    some = [piece.points[:: max(1, len(piece.points) // ASKED)] for piece in pieces]
    return combined([list(heights_over_each(pieces, points)) for points in some], 2.0 * TRUE * spacing_mm)
