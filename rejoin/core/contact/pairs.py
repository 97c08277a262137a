"""Pairs of points of two fracture faces, their gaps and the least-squares rows they make."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.abreast import abreast
from rejoin.core.contact.distances import Mask, border_vertices, closest_on_triangles
from rejoin.core.libraries.distances import TriangleTree
from rejoin.core.meshes import compacted, vertex_areas, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh
from rejoin.core.transforms import apply, inverse, turn

OPPOSED = -0.3
"""Cosine below which two outward normals count as facing each other: 0 would admit the
original surface beside a square rim, -0.7 would lose steep relief between two noisy normals."""


@dataclass(frozen=True, eq=False)
class Side:
    """One fracture face in its own scan's frame.

    Attributes
    ----------
    vertices : (n,)
        Indices into the fragment's vertices.
    points, normals : (n, 3)
        Normals are of the face's own triangles, so that the rim does not bend them.
    areas : (n,)
        mm².
    border : (n,) bool
        On the border of the face, where nothing need lie opposite.
    tree : cKDTree
        Over ``points``.
    spacing_mm, noise_mm : float
    triangles : (m, 3)
        Corners, as indices into ``points``.
    """

    vertices: IntArray
    points: FloatArray
    normals: FloatArray
    areas: FloatArray
    border: Mask
    tree: cKDTree
    spacing_mm: float
    noise_mm: float
    triangles: IntArray

    @cached_property
    def triangle_tree(self) -> TriangleTree:
        return TriangleTree(Mesh(self.points, self.triangles))

    @cached_property
    def from_border(self) -> FloatArray:
        """Distance (n,) of each vertex from the face's border, in spacings; infinite where there is none."""
        if not self.border.any():
            return np.full(len(self.points), np.inf)
        return np.asarray(cKDTree(self.points[self.border]).query(self.points)[0] / self.spacing_mm)

    def within(self, spacings: float) -> Side:
        """The same face, of which a strip along the border does not count."""
        return replace(self, border=self.border | (self.from_border < spacings))

    def without(self, vertices: Mask) -> Side:
        """The same face, of which some vertices (n,) do not count."""
        return replace(self, border=self.border | vertices)


def side_of(fragment: Fragment, triangles: IntArray) -> Side:
    """The face made of some of a fragment's triangles."""
    mesh, vertices = compacted(fragment.mesh, triangles)
    border = border_vertices(mesh)
    tree = cKDTree(mesh.vertices)
    return Side(
        vertices, mesh.vertices, vertex_normals(mesh), vertex_areas(mesh), border, tree,
        fragment.spacing_mm, fragment.noise_mm, mesh.triangles,
    )


@dataclass(frozen=True, eq=False)
class Pairs:
    """Points of face a and face b that lie opposite each other, in the part's frame.

    ``from_b`` marks the pairs whose vertex is b's and whose opposite is a's;
    ``vertex`` is the index of that vertex in its `Side`; ``areas`` its area.
    """

    points_a: FloatArray
    points_b: FloatArray
    normals_a: FloatArray
    normals_b: FloatArray
    areas: FloatArray
    from_b: Mask
    vertex: IntArray

    def moved(self, move_a: FloatArray, move_b: FloatArray) -> Pairs:
        """The same pairs after a further motion of each part."""
        return Pairs(
            apply(move_a, self.points_a), apply(move_b, self.points_b),
            turn(move_a, self.normals_a), turn(move_b, self.normals_b),
            self.areas, self.from_b, self.vertex,
        )

    def where(self, chosen: Mask | npt.NDArray[np.integer[Any]]) -> Pairs:
        """Some of the pairs."""
        return Pairs(
            self.points_a[chosen], self.points_b[chosen], self.normals_a[chosen], self.normals_b[chosen],
            self.areas[chosen], self.from_b[chosen], self.vertex[chosen],
        )

    @property
    def middles(self) -> FloatArray:
        return np.asarray(0.5 * (self.points_a + self.points_b))

    @property
    def directions(self) -> FloatArray:
        """Symmetric unit normals (Rusinkiewicz, 2019), out of b: with them the distance
        between two surfaces of equal curvature does not depend on which points were paired."""
        common = self.normals_b - self.normals_a
        return np.asarray(common / np.linalg.norm(common, axis=1, keepdims=True))

    @property
    def gaps(self) -> FloatArray:
        """Signed gap (k,), mm: + open, - overlapping."""
        return np.asarray(np.einsum("ij,ij->i", self.points_a - self.points_b, self.directions))


def opposite(
    a: Side,
    b: Side,
    part_from_a: FloatArray,
    part_from_b: FloatArray,
    reach_mm: float,
    most: int | None = None,
    exact: bool = False,
    only: tuple[Mask, Mask] | None = None,
) -> Pairs:
    """Pair each vertex with the nearest place of the other face, both ways.

    Parameters
    ----------
    a, b : Side
    part_from_a, part_from_b : (4, 4)
    reach_mm : float
        Farthest pair.
    most : int, optional
        Use only every so-manyth vertex, about this many of each face; all by default.
    exact : bool
        The nearest point of the other's triangles instead of its nearest vertex: slower, and free of
        the scatter that the other's sampling adds.
    only : two masks, optional
        The vertices of a and of b to pair.

    Returns
    -------
    Pairs
        Without those that end on a border or do not face each other.
    """
    inner = (~a.border, ~b.border) if only is None else (only[0] & ~a.border, only[1] & ~b.border)
    ways = [
        (a, b, part_from_a, part_from_b, reach_mm, _thinned(a, inner[0], most), exact),
        (b, a, part_from_b, part_from_a, reach_mm, _thinned(b, inner[1], most), exact),
    ]
    ours, theirs = abreast(lambda way, _: _one_way(*way), ways)
    first = (ours[0], theirs[1], ours[2], theirs[3])
    second = (ours[1], theirs[0], ours[3], theirs[2])
    from_b = np.repeat([False, True], [len(ours[0]), len(theirs[0])])
    return Pairs(
        np.vstack(first[:2]), np.vstack(second[:2]), np.vstack(first[2:]), np.vstack(second[2:]),
        np.concatenate([ours[4], theirs[4]]), from_b, np.concatenate([ours[5], theirs[5]]),
    )


def _thinned(side: Side, inner: Mask, most: int | None) -> tuple[IntArray, int]:
    """Indices of the vertices to pair, and how many each stands for."""
    step = 1 if most is None else max(1, len(side.points) // most)
    return np.flatnonzero(inner)[::step].astype(np.int32), step


def _one_way(
    a: Side, b: Side, part_from_a: FloatArray, part_from_b: FloatArray, reach_mm: float,
    wanted: tuple[IntArray, int], exact: bool,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:  # fmt: skip
    chosen, step = wanted
    b_from_a = inverse(part_from_b) @ part_from_a
    found = (_nearest_place if exact else _nearest_vertex)(b, apply(b_from_a, a.points[chosen]), reach_mm)
    chosen = chosen[found[0]]
    normals_a, normals_b = turn(part_from_a, a.normals[chosen]), turn(part_from_b, found[2])
    facing = np.einsum("ij,ij->i", normals_a, normals_b) < OPPOSED
    chosen = chosen[facing]
    # One vertex in a sparse corner must not outweigh the rest.
    areas = np.minimum(a.areas[chosen], 3.0 * np.median(a.areas) if len(chosen) else 0.0) * step
    return (
        apply(part_from_a, a.points[chosen]), apply(part_from_b, found[1][facing]),
        normals_a[facing], normals_b[facing], areas, chosen.astype(np.int32),
    )


def _nearest_vertex(b: Side, points: FloatArray, reach_mm: float) -> tuple[Mask, FloatArray, FloatArray]:
    """Which points (n,) find a vertex within reach, not on the border; those vertices and their normals."""
    _, nearest = b.tree.query(points, distance_upper_bound=reach_mm)
    usable = nearest < len(b.points)
    usable[usable] &= ~b.border[nearest[usable]]
    return usable, b.points[nearest[usable]], b.normals[nearest[usable]]


def _nearest_place(b: Side, points: FloatArray, reach_mm: float) -> tuple[Mask, FloatArray, FloatArray]:
    """The same with the nearest point of b's triangles; the normal there is between the corners'."""
    if len(points) == 0 or len(b.triangles) == 0:
        return np.zeros(len(points), bool), np.empty((0, 3)), np.empty((0, 3))
    corners = b.triangles[b.triangle_tree.nearest(points)]
    places, weights = closest_on_triangles(points, b.points[corners])
    normals = np.einsum("ki,kij->kj", weights, b.normals[corners])
    length = np.linalg.norm(normals, axis=1)
    inner = ((weights > 1e-9) & ~b.border[corners]).any(axis=1)
    usable = (np.square(points - places).sum(axis=1) < reach_mm**2) & inner & (length > 0.0)
    return usable, places[usable], normals[usable] / length[usable, None]


def rows(points: FloatArray, directions: FloatArray, centre: FloatArray) -> FloatArray:
    """Jacobian (k, 7) of the gap: a's turn about ``centre`` (rad), a's shift (mm), the missing layer (mm)."""
    jacobian = np.empty((len(points), 7))
    x, y, z = (points - centre).T
    u, v, w = directions.T
    jacobian[:, 0], jacobian[:, 1], jacobian[:, 2] = y * w - z * v, z * u - x * w, x * v - y * u
    jacobian[:, 3:6] = directions
    jacobian[:, 6] = -1.0
    return jacobian
