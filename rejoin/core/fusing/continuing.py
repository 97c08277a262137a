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

from rejoin.core.fusing.bounding import Tree, bounded
from rejoin.core.fusing.coarse import Seen
from rejoin.core.fusing.creasing import creased
from rejoin.core.fusing.quadrics import Piece
from rejoin.core.fusing.surroundings import Around, averaged, heights_over_each, meeting
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BESIDE = 2.0
"""New vertices this near to a chip, in spacings, are brought along."""
OPPOSED = -0.5
"""Cosine between the directions of surfaces that face away from each other."""
ROUNDS = 6


def continued(
    mesh: Mesh, chip: BoolArray, new: BoolArray, spacing_mm: float, told_mm: float
) -> tuple[Mesh, BoolArray]:
    """The mesh with the vertices flagged in ``chip`` (n,) on the continued surfaces around them.

    Parameters
    ----------
    mesh : Mesh
        Sewn and faired.
    chip, new : (n,) bool
        Vertices over chips; all that no scan brought.
    spacing_mm, told_mm : float
        Of the mesh, and at which its surfaces can be told: larger where the scans are finer than their noise allows.

    Returns
    -------
    mesh : Mesh
        A chip whose surroundings are no planes or quadrics, or meet in no plain way, stays as it was.
    left : (n,) bool
        What the scans brought beside a chip and that lies below the continued surfaces: more of its walls.
    """
    if not chip.any():
        return mesh, np.zeros(len(mesh.vertices), bool)
    mouths, vertices = _mouths(mesh, chip, new, spacing_mm), np.array(mesh.vertices)
    places = [mesh.vertices[own] for own in mouths]
    seen = Seen.of(mesh, ~new, places, told_mm, told_mm > spacing_mm)
    normals, shown = averaged(seen.mesh, seen.scanned, places, told_mm)
    below = np.zeros(len(shown), bool)
    for own, spots in zip(mouths, places, strict=True):
        around = Around.of(seen.mesh, spots, shown, normals, told_mm)
        pieces = around.pieces(told_mm)
        tree = meeting(pieces, told_mm)
        if tree is not None and around.true_to(pieces, tree, told_mm):
            reach = 0.5 * float(np.linalg.norm(np.ptp(spots, axis=0)))
            vertices[own], which = _brought(vertices[own], pieces, tree, reach)
            vertices = np.array(creased(Mesh(vertices.copy(), mesh.triangles), own, which, pieces, tree, spacing_mm))
            below[around.below(pieces, tree, told_mm)] = True
    return Mesh(vertices, mesh.triangles), seen.back(below)


@dataclass(frozen=True, eq=False)
class Over:
    """What the surfaces around a hollow bound together; ``tree`` None where nothing tells."""

    around: Around
    pieces: list[Piece]
    tree: Tree | None
    spacing_mm: float

    def __call__(self, points: FloatArray) -> FloatArray | None:
        """Height (k,) of points over it."""
        return None if self.tree is None else bounded(self.tree, heights_over_each(self.pieces, points))[0]

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
    places = [mesh.vertices[own] for own in spots]
    normals, shown = averaged(mesh, ~gone, places, spacing_mm)

    def over(own: FloatArray) -> Over:
        around = Around.of(mesh, own, shown, normals, spacing_mm)
        pieces = around.pieces(spacing_mm)
        return Over(around, pieces, meeting(pieces, spacing_mm), spacing_mm)

    return [over(own) for own in places]


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
