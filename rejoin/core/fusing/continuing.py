"""Over a chip the original surfaces around it are continued until they meet, edges and all.

Fairing alone rounds an edge off that ran through the chip. Here each smooth
piece of original surface around the chip's mouth is carried on as the plane or
quadric that it is, and the fill's vertices are brought to where the nearest of
them bounds the part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.bounding import Tree, bounded, combined
from rejoin.core.fusing.creasing import creased
from rejoin.core.fusing.quadrics import FEWEST, MOSTLY, TRUE, Piece, fitted
from rejoin.core.fusing.soundness import every_corner, within_box
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BEND = 12.0
"""Degrees by which neighbouring normals of one smooth piece differ at most."""
AROUND, AT_MOUTH = (8.0, 5.0, 3.5), 2.5
"""How far around a chip surfaces are looked at (less where they bend), and how near they must come, in spacings."""
BESIDE = 2.0
"""New vertices this near to a chip, in spacings, are brought along."""
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
OPPOSED = -0.5
"""Cosine between the directions of surfaces that face away from each other."""
ROUNDS = 6
ASKED = 200
"""Vertices of a piece that tell how the pieces bound the part together."""
AVERAGED = 4.0
"""How much farther around, in spacings, normals are averaged."""


def continued(mesh: Mesh, chip: BoolArray, new: BoolArray, spacing_mm: float) -> tuple[Mesh, BoolArray]:
    """The mesh with the vertices flagged in ``chip`` (n,) on the continued surfaces around them.

    Parameters
    ----------
    mesh : Mesh
        Sewn and faired.
    chip, new : (n,) bool
        Vertices over chips; all that no scan brought.
    spacing_mm : float

    Returns
    -------
    mesh : Mesh
        A chip whose surroundings are no planes or quadrics, or meet in no plain way, stays as it was.
    left : (n,) bool
        What the scans brought beside a chip and that lies below the continued surfaces: more of its walls.
    """
    left = np.zeros(len(mesh.vertices), bool)
    if not chip.any():
        return mesh, left
    mouths, vertices = _mouths(mesh, chip, new, spacing_mm), np.array(mesh.vertices)
    normals, shown = _averaged(mesh, ~new, mouths, spacing_mm)
    for own in mouths:
        around = _Around.of(mesh, own, shown, normals, spacing_mm)
        pieces = around.pieces(spacing_mm)
        tree = _combined(pieces, spacing_mm)
        if tree is not None and around.true_to(pieces, tree, spacing_mm):
            reach = 0.5 * float(np.linalg.norm(np.ptp(vertices[own], axis=0)))
            vertices[own], which = _brought(vertices[own], pieces, tree, reach)
            vertices = np.array(creased(Mesh(vertices.copy(), mesh.triangles), own, which, pieces, tree, spacing_mm))
            left[around.below(pieces, tree, spacing_mm)] = True
    return Mesh(vertices, mesh.triangles), left


@dataclass(frozen=True, eq=False)
class Over:
    """What the surfaces around a hollow bound together; ``tree`` None where nothing tells."""

    around: _Around
    pieces: list[Piece]
    tree: Tree | None
    spacing_mm: float

    def __call__(self, points: FloatArray) -> FloatArray | None:
        """Height (k,) of points over it."""
        return None if self.tree is None else bounded(self.tree, _heights(self.pieces, points))[0]

    def ways(self, points: FloatArray) -> FloatArray:
        """Direction (k, 3) in which the height grows at points; zero where nothing tells."""
        if self.tree is None:
            return np.zeros_like(points)
        heights, ways = (np.stack(both) for both in zip(*(piece.height(points) for piece in self.pieces), strict=True))
        return np.asarray(ways[bounded(self.tree, heights)[1], np.arange(len(points))])

    def below(self) -> IntArray:
        """Vertices of the mesh beside the hollow that lie below it and do not go on: more of the hollow's walls."""
        if self.tree is None:
            return np.zeros(0, np.int32)
        return self.around.below(self.pieces, self.tree, self.spacing_mm)


def through(overs: list[Over], spots: FloatArray) -> bool:
    """Whether hollows at some places (k, 3) go through a wall together.

    Surfaces face away from each other there, no farther apart than the places reach along them.
    """
    pieces = [piece for over in overs for piece in over.pieces]
    for number, one in enumerate(pieces):
        wide = float(np.linalg.norm(np.ptp((spots - one.middle) @ one.axes[:2].T, axis=0)))
        for other in pieces[:number]:
            if one.axes[2] @ other.axes[2] < OPPOSED and 0.0 < -np.median(other.height(one.points)[0]) < wide:
                return True
    return False


def heights_over(mesh: Mesh, spots: list[Indices], gone: BoolArray, spacing_mm: float) -> list[Over]:
    """What the surfaces around each group of vertices bound.

    Parameters
    ----------
    mesh : Mesh
    spots : list of (k,) int
    gone : (n,) bool
        Vertices that show no original surface.
    """
    normals, shown = _averaged(mesh, ~gone, spots, spacing_mm)

    def over(own: Indices) -> Over:
        around = _Around.of(mesh, own, shown, normals, spacing_mm)
        pieces = around.pieces(spacing_mm)
        return Over(around, pieces, _combined(pieces, spacing_mm), spacing_mm)

    return [over(own) for own in spots]


def _mouths(mesh: Mesh, chip: BoolArray, new: BoolArray, spacing_mm: float) -> list[Indices]:
    """The new vertices over and just beside each chip; what lies close together is one chip."""
    spots = np.flatnonzero(chip)
    fresh = np.flatnonzero(new)
    length, nearest = cKDTree(mesh.vertices[spots]).query(mesh.vertices[fresh])
    fresh, nearest = fresh[length < BESIDE * spacing_mm], nearest[length < BESIDE * spacing_mm]
    pairs = cKDTree(mesh.vertices[spots]).query_pairs(2.0 * BESIDE * spacing_mm, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), (len(spots),) * 2)
    count, group = connected_components(links, directed=False)
    return [fresh[group[nearest] == number] for number in range(count)]


def _averaged(
    mesh: Mesh, kept: BoolArray, groups: list[Indices], spacing_mm: float
) -> tuple[FloatArray, BoolArray]:
    """Vertex normals, averaged over two rings, of what the scans brought around some groups; which (n,) have one."""
    reach, near = (AROUND[0] + AVERAGED) * spacing_mm, np.zeros(len(mesh.vertices), bool)
    for group in groups:
        near |= within_box(mesh.vertices, mesh.vertices[group], reach)
    local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(near & kept, mesh.triangles)).astype(np.int32))
    result, shown = np.zeros((len(mesh.vertices), 3)), np.zeros(len(mesh.vertices), bool)
    shown[used] = True
    result[used] = meshes.averaged_normals(local, meshes.vertex_normals(local), 2)
    return result, shown


@dataclass(frozen=True, eq=False)
class _Around:
    """What the scans brought around one chip: ``used`` (k,) in the whole mesh, ``away`` (k,) mm from the chip.

    ``through`` (k,) flags those that the chip lies straight below.
    """

    local: Mesh
    links: coo_matrix
    used: IntArray
    normals: FloatArray
    away: FloatArray
    through: BoolArray

    @staticmethod
    def of(mesh: Mesh, chip: Indices, shown: BoolArray, normals: FloatArray, spacing_mm: float) -> _Around:
        spots = mesh.vertices[chip]
        there = shown & within_box(mesh.vertices, spots, AROUND[0] * spacing_mm)
        local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(there, mesh.triangles)).astype(np.int32))
        away, nearest = cKDTree(spots).query(local.vertices)
        depth = -np.einsum("ij,ij->i", spots[nearest] - local.vertices, normals[used])
        return _Around(local, meshes.adjacency(local).tocoo(), used, normals[used], away, depth > THROUGH * away)

    def pieces(self, spacing_mm: float) -> list[Piece]:
        """The smooth pieces that come up to the chip's mouth and go on beyond its surroundings.

        Remains of the chip's walls end within them. None at all where one of the pieces is no plane or quadric.
        """
        found: list[Piece] = []
        for own in self._smooth(spacing_mm):
            outward = self.normals[own].mean(axis=0)
            points, away = self.local.vertices[own], self.away[own] / spacing_mm
            rings = [away < wide for wide in AROUND] + [away > BEYOND_WALLS * AROUND[0]]
            tries = (fitted(points[ring], outward, spacing_mm) for ring in rings)
            piece = next((one for one in tries if one is not None), None)
            if piece is None:
                return []
            _add(found, piece, spacing_mm)
        return found

    def below(self, pieces: list[Piece], tree: Tree, spacing_mm: float) -> IntArray:
        """Vertices, in the whole mesh, by the chip's mouth that lie below what the pieces bound together."""
        low = bounded(tree, _heights(pieces, self.local.vertices))[0] < -DEEP * spacing_mm
        chosen = [part for part in self._of(low, spacing_mm) if not self._goes_on(part, spacing_mm)]
        return np.asarray(self.used[np.concatenate([np.zeros(0, np.int64), *chosen])])

    def true_to(self, pieces: list[Piece], tree: Tree, spacing_mm: float) -> bool:
        """Whether the smooth pieces do not bend away below what they bound together, as a rounded edge does."""
        low = bounded(tree, _heights(pieces, self.local.vertices))[0] < -DEEP * spacing_mm
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
        return bool((self.away[part] > BEYOND * AROUND[0] * spacing_mm).any())


def _add(found: list[Piece], piece: Piece, spacing_mm: float) -> None:
    """Add a piece, or make it one with another that it goes on from across the chip."""
    for number, other in enumerate(found):
        outward = other.axes[2]
        both = fitted(np.concatenate([other.points, piece.points]), outward, spacing_mm)
        if both is not None and outward @ piece.axes[2] > 0.0 and _runs_along(both, (other, piece), spacing_mm):
            found[number] = both
            return
    found.append(piece)


def _runs_along(both: Piece, pieces: tuple[Piece, Piece], spacing_mm: float) -> bool:
    """Whether what was fitted to two pieces is true to each of them, in place and in direction."""
    for piece in pieces:
        off, ways = both.height(piece.points)
        aslant = np.einsum("ij,ij->i", ways, piece.height(piece.points)[1]) < np.cos(np.deg2rad(BEND))
        if (np.abs(off) < 2.0 * TRUE * spacing_mm).mean() < MOSTLY or aslant.mean() > 1.0 - MOSTLY:
            return False
    return True


def _heights(pieces: list[Piece], points: FloatArray) -> FloatArray:
    return np.stack([piece.height(points)[0] for piece in pieces])


def _combined(pieces: list[Piece], spacing_mm: float) -> Tree | None:
    """How the pieces bound the part together; None where they do in no plain way."""
    some = [piece.points[:: max(1, len(piece.points) // ASKED)] for piece in pieces]
    return combined([list(_heights(pieces, points)) for points in some], 2.0 * TRUE * spacing_mm)


def _brought(points: FloatArray, pieces: list[Piece], tree: Tree, reach_mm: float) -> tuple[FloatArray, Indices]:
    """The points (k, 3) on what the pieces bound together, and the piece (k,) on which each lies.

    Those that would go farther than the reach stay, on -1.
    """
    moved, which = points, np.zeros(len(points), np.int64)
    for _ in range(ROUNDS):
        heights, ways = (np.stack(both) for both in zip(*(piece.height(moved) for piece in pieces), strict=True))
        which = bounded(tree, heights)[1]
        rows = np.arange(len(moved))
        moved = moved - heights[which, rows, None] * ways[which, rows]
    near = np.linalg.norm(moved - points, axis=1) < reach_mm
    return np.where(near[:, None], moved, points), np.where(near, which, -1)
