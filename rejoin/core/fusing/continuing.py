"""Over a chip the original surfaces around it are continued until they meet, edges and all.

Fairing alone rounds an edge off that ran through the chip. Here each smooth
piece of original surface around the chip's mouth is carried on as the plane or
quadric that it is, and the fill's vertices are brought to where the nearest of
them bounds the part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.soundness import every_corner
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BEND = 12.0
"""Degrees by which neighbouring normals of one smooth piece differ at most."""
AROUND, AT_MOUTH = (8.0, 5.0, 3.5), 2.5
"""How far around a chip surfaces are looked at (less where they bend), and how near they must come, in spacings."""
BESIDE = 2.0
"""New vertices this near to a chip, in spacings, are brought along."""
FEWEST, FEWEST_AT_MOUTH = 40, 5
"""Vertices that a piece has at least, all told and at the mouth."""
THROUGH = 0.8
"""A chip that lies so steeply below a surface (sine) is seen through the wall from its other side."""
BEYOND = 0.75
"""Share of that distance at which original surface still goes on."""
TRUE = 0.25
"""A piece is a plane or a quadric where its vertices lie on it within so many spacings (root mean square)."""
DEEP = 0.5
"""From so many spacings below the continued surfaces on, what is there is a wall of the chip."""
MOSTLY = 0.7
"""Share of a piece's vertices that lie on its plane or quadric."""
ROUNDS = 6
AVERAGED = 4.0
"""How much farther around, in spacings, normals are averaged."""

Over = Callable[[FloatArray], FloatArray | None]


@dataclass(frozen=True, eq=False)
class _Piece:
    """A smooth piece of original surface: its vertices (k, 3) and z(x, y) over its own mean plane."""

    points: FloatArray
    middle: FloatArray
    axes: FloatArray
    shape: FloatArray

    def height(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Height (k,) of points over the continued piece, + outside, and the direction (k, 3) in which it grows."""
        x, y, z = ((points - self.middle) @ self.axes.T).T
        over = z - _design(x, y)[:, : len(self.shape)] @ self.shape
        full = np.zeros(6)
        full[: len(self.shape)] = self.shape
        slopes = np.stack([-(full[1] + 2 * full[3] * x + full[4] * y), -(full[2] + full[4] * x + 2 * full[5] * y)])
        steep = np.sqrt(1.0 + np.square(slopes).sum(axis=0))
        way = np.stack([*slopes, np.ones(len(x))], axis=1) @ self.axes
        return over / steep, way / steep[:, None]


def _design(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


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
    normals = _averaged(mesh, ~new, mouths, spacing_mm)
    for own in mouths:
        around = _Around.of(mesh, own, new, normals, spacing_mm)
        pieces = around.pieces(spacing_mm)
        inside_all = _combined(pieces)
        if inside_all is not None:
            reach = 0.5 * float(np.linalg.norm(np.ptp(vertices[own], axis=0)))
            vertices[own] = _brought(vertices[own], pieces, inside_all, reach)
            left[around.below(pieces, inside_all, spacing_mm)] = True
    return Mesh(vertices, mesh.triangles), left


def heights_over(mesh: Mesh, spots: list[Indices], gone: BoolArray, spacing_mm: float) -> list[Over]:
    """For each group of vertices: height of points over what the surfaces around them bound, None where nothing tells.

    Parameters
    ----------
    mesh : Mesh
    spots : list of (k,) int
    gone : (n,) bool
        Vertices that show no original surface.
    """
    normals = _averaged(mesh, ~gone, spots, spacing_mm)

    def over(own: Indices) -> Over:
        pieces = _Around.of(mesh, own, gone, normals, spacing_mm).pieces(spacing_mm)
        inside_all = _combined(pieces)
        if inside_all is None:
            return lambda points: None
        pick = np.max if inside_all else np.min
        return lambda points: np.asarray(pick(np.stack([piece.height(points)[0] for piece in pieces]), axis=0))

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


def _box(vertices: FloatArray, spots: FloatArray, reach_mm: float) -> BoolArray:
    """Which vertices (n,) lie in the box around some spots."""
    low, high = spots.min(axis=0) - reach_mm, spots.max(axis=0) + reach_mm
    inside = np.ones(len(vertices), bool)
    for axis in range(3):
        inside &= (vertices[:, axis] >= low[axis]) & (vertices[:, axis] <= high[axis])
    return inside


def _averaged(mesh: Mesh, kept: BoolArray, groups: list[Indices], spacing_mm: float) -> FloatArray:
    """Vertex normals averaged over two rings of what the scans brought around some groups of vertices; else zero."""
    reach, near = (AROUND[0] + AVERAGED) * spacing_mm, np.zeros(len(mesh.vertices), bool)
    for group in groups:
        near |= _box(mesh.vertices, mesh.vertices[group], reach)
    local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(near & kept, mesh.triangles)).astype(np.int32))
    result = np.zeros((len(mesh.vertices), 3))
    result[used] = meshes.averaged_normals(local, meshes.vertex_normals(local), 2)
    return result


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
    def of(mesh: Mesh, chip: Indices, new: BoolArray, normals: FloatArray, spacing_mm: float) -> _Around:
        spots = mesh.vertices[chip]
        there = _box(mesh.vertices, spots, AROUND[0] * spacing_mm) & ~new & (np.abs(normals).max(axis=1) > 0.0)
        local, used = meshes.compacted(mesh, np.flatnonzero(every_corner(there, mesh.triangles)).astype(np.int32))
        away, nearest = cKDTree(spots).query(local.vertices)
        depth = -np.einsum("ij,ij->i", spots[nearest] - local.vertices, normals[used])
        return _Around(local, meshes.adjacency(local).tocoo(), used, normals[used], away, depth > THROUGH * away)

    def pieces(self, spacing_mm: float) -> list[_Piece]:
        """The smooth pieces that come up to the chip's mouth and go on beyond its surroundings.

        Remains of the chip's walls end within them. None at all where one of the pieces is no plane or quadric.
        """
        one, other = self.normals[self.links.row], self.normals[self.links.col]
        bends = np.einsum("ij,ij->i", one, other) < np.cos(np.deg2rad(BEND))
        found: list[_Piece] = []
        for own in sorted(self._parts(~bends, spacing_mm), key=len, reverse=True):
            if len(own) < FEWEST or not self._goes_on(own, spacing_mm):
                continue
            outward = self.normals[own].mean(axis=0)
            near = (self.local.vertices[own[self.away[own] < wide * spacing_mm]] for wide in AROUND)
            tries = (_fitted(points, outward, spacing_mm) for points in near)
            fitted = next((piece for piece in tries if piece is not None), None)
            if fitted is None:
                return []
            _add(found, fitted, spacing_mm)
        return found

    def below(self, pieces: list[_Piece], inside_all: bool, spacing_mm: float) -> IntArray:
        """Vertices, in the whole mesh, by the chip's mouth that lie below what the pieces bound together."""
        heights = np.stack([piece.height(self.local.vertices)[0] for piece in pieces])
        low = (heights.max(axis=0) if inside_all else heights.min(axis=0)) < -DEEP * spacing_mm
        parts = self._parts(low[self.links.row] & low[self.links.col], spacing_mm)
        chosen = [part for part in parts if low[part].all() and not self._goes_on(part, spacing_mm)]
        return np.asarray(self.used[np.concatenate([np.zeros(0, np.int64), *chosen])])

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


def _add(found: list[_Piece], fitted: _Piece, spacing_mm: float) -> None:
    """Add a piece, or make it one with another that it goes on from across the chip."""
    for number, other in enumerate(found):
        outward = other.axes[2]
        both = _fitted(np.concatenate([other.points, fitted.points]), outward, spacing_mm)
        if both is not None and outward @ fitted.axes[2] > 0.0 and _runs_along(both, (other, fitted), spacing_mm):
            found[number] = both
            return
    found.append(fitted)


def _runs_along(both: _Piece, pieces: tuple[_Piece, _Piece], spacing_mm: float) -> bool:
    """Whether what was fitted to two pieces is true to each of them, in place and in direction."""
    for piece in pieces:
        off, ways = both.height(piece.points)
        aslant = np.einsum("ij,ij->i", ways, piece.height(piece.points)[1]) < np.cos(np.deg2rad(BEND))
        if (np.abs(off) < 2.0 * TRUE * spacing_mm).mean() < MOSTLY or aslant.mean() > 1.0 - MOSTLY:
            return False
    return True


def _fitted(points: FloatArray, outward: FloatArray, spacing_mm: float) -> _Piece | None:
    """The plane of some vertices, or the quadric where that lies clearly closer; None where neither is true to them."""
    if len(points) < FEWEST:
        return None
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle, full_matrices=False)[2]
    axes[2] *= np.sign(axes[2] @ outward) or 1.0
    axes[1] = np.cross(axes[2], axes[0])
    x, y, z = ((points - middle) @ axes.T).T
    design, best = _design(x, y), None
    for terms in (3, 6):
        shape, off = _robust(design[:, :terms], z, TRUE * spacing_mm)
        if best is None or off < 0.7 * best[0]:
            best = off, shape
    if best is None or best[0] > TRUE * spacing_mm:
        return None
    return _Piece(points, middle, axes, best[1])


def _robust(design: FloatArray, z: FloatArray, close: float) -> tuple[FloatArray, float]:
    """Least squares on what lies on one surface, and the root mean square of that; inf where less than `MOSTLY` does.

    Remains of a chip's wall may hang on to a piece.
    """
    good = np.ones(len(z), bool)
    for _ in range(12):
        shape = np.linalg.lstsq(design[good], z[good], rcond=None)[0]
        left = np.abs(z - design @ shape)
        good = left < max(2.0 * close, 2.0 * float(np.median(left)))
    off = float(np.sqrt(np.square(left[good]).mean()))
    return np.asarray(shape), off if good.mean() > MOSTLY else np.inf


def _combined(pieces: list[_Piece]) -> bool | None:
    """Whether the part is what lies inside all pieces (True) or inside any (False); None where neither holds."""
    if not pieces:
        return None
    sides = [
        float(np.median(one.height(other.points)[0]))
        for k, one in enumerate(pieces) for n, other in enumerate(pieces) if k != n
    ]  # fmt: skip
    if all(side < 0 for side in sides):
        return True
    return False if all(side > 0 for side in sides) else None


def _brought(points: FloatArray, pieces: list[_Piece], inside_all: bool, reach_mm: float) -> FloatArray:
    """The points (k, 3) on what the pieces bound together; those that would go farther than the reach stay."""
    moved = points
    for _ in range(ROUNDS):
        heights, ways = (np.stack(both) for both in zip(*(piece.height(moved) for piece in pieces), strict=True))
        which = heights.argmax(axis=0) if inside_all else heights.argmin(axis=0)
        rows = np.arange(len(moved))
        moved = moved - heights[which, rows, None] * ways[which, rows]
    near = np.linalg.norm(moved - points, axis=1) < reach_mm
    return np.where(near[:, None], moved, points)
