"""Recesses that a part has more than once: shapes that a turn or a mirror plane of the part lays on its surface."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from rejoin.core import meshes
from rejoin.core.fusing.ring import BoolArray
from rejoin.core.fusing.soundness import within_box
from rejoin.core.libraries.registration import refined
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import apply, identity, turn

PACE, MOST_TURNS = 2.0, 2000
"""Turns follow each other by so many spacings along the way of the shape, or more where they would be too many."""
STARTS, PROMISING = 12, 0.6
"""So many turns are looked at closely, of those that lay this share of the shape near the surface."""
REACH, CLOSE, ALIKE = 3.0, 0.5, 0.8
"""Spacings from which the surface draws the shape; within which both are one; cosine between their normals."""
WHOLLY, MOSTLY = 0.95, 0.8
"""Share of a shape that lies on the surface where the part has it there too; where it has all but what may be the break
itself, or have broken off."""
ASKEW = np.deg2rad(4.0)
"""Turn by which a shape may be drawn: principal axes are those of what the part repeats itself about but for little."""
ASKED, FEWER = 200, 4
"""Points of a shape that are looked at; every so many of them in all turns."""
EVEN = 1e-3
"""Spacings to which a closer look is rounded."""


class Near:
    """Some of a surface, to be searched."""

    def __init__(self, points: FloatArray, normals: FloatArray) -> None:
        self._points, self._normals, self._tree = points, normals, cKDTree(points)

    def facing(self, points: FloatArray, normals: FloatArray, reach_mm: float) -> tuple[BoolArray, FloatArray]:
        """Which points (k, 3) have surface that faces alike within reach, and how far (k,) mm each is off it."""
        length, at = self._tree.query(points, distance_upper_bound=reach_mm)
        found = np.isfinite(length)
        at = np.where(found, at, 0)
        ways = self._normals[at]
        off = np.abs(np.einsum("ij,ij->i", points - self._points[at], ways))
        return found & (np.einsum("ij,ij->i", ways, normals) > ALIKE), off


class Repeats:
    """What a part has more than once, about its principal axes and planes.

    Parameters
    ----------
    parts : list of Mesh
        Where they are placed, mm.
    broken : list of (n,) bool
        Vertices of fracture faces: no shape of the part's own.
    spacing_mm : float
    """

    def __init__(self, parts: list[Mesh], broken: list[BoolArray], spacing_mm: float) -> None:
        self._parts, self._broken, self._spacing = parts, broken, spacing_mm

    @cached_property
    def _surface(self) -> tuple[FloatArray, FloatArray]:
        """Points and normals of the original surfaces."""
        normals = [meshes.vertex_normals(part)[~own] for part, own in zip(self._parts, self._broken, strict=True)]
        points = [part.vertices[~own] for part, own in zip(self._parts, self._broken, strict=True)]
        return np.concatenate(points), np.concatenate(normals)

    @cached_property
    def _axes(self) -> tuple[FloatArray, FloatArray]:
        """Centre of the original surfaces and their principal axes (columns)."""
        areas = [meshes.vertex_areas(part)[~own] for part, own in zip(self._parts, self._broken, strict=True)]
        weight, points = np.concatenate(areas), self._surface[0]
        centre = weight @ points / weight.sum()
        away = points - centre
        return centre, np.linalg.eigh((away * weight[:, None]).T @ away)[1]

    def __call__(self, points: FloatArray, normals: FloatArray) -> float:
        """Share of a shape (k, 3) that lies on the original surface in another place too.

        A plane lies on every other, so a flat shape is laid together with what is around it: 0 where that is flat too,
        or where it lies elsewhere but for a part, which a strip along an edge does.
        """
        if len(points) < 3 or not len(self._surface[0]):
            return 0.0
        (points, normals), around = self._some(points, normals), 0
        if self._flat(points):
            beside, facing = self._some(*self._around(points))
            points, normals, around = np.vstack([points, beside]), np.vstack([normals, facing]), len(beside)
            if self._flat(points):
                return 0.0
        best = 0.0
        for start in self._starts(points, normals):
            best = max(best, self._laid(*start, around))
            if best >= WHOLLY:
                break
        return best if not around or best >= WHOLLY else 0.0

    def _some(self, points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
        some = np.linspace(0, len(points) - 1, min(ASKED, len(points))).astype(int)
        return points[some], normals[some]

    def _flat(self, points: FloatArray) -> bool:
        away = points - points.mean(axis=0)
        flat = np.abs(away @ np.linalg.svd(away, full_matrices=False)[2][-1]) < CLOSE * self._spacing
        return bool(flat.mean() >= MOSTLY)

    def _around(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The original surface around a shape, half as far as the shape is long."""
        spots, ways = self._surface
        reach = max(0.5 * float(np.linalg.norm(np.ptp(points, axis=0))), REACH * self._spacing)
        length = cKDTree(points).query(spots, distance_upper_bound=reach)[0]
        there = np.isfinite(length) & (length > PACE * self._spacing)
        return spots[there], ways[there]

    def _starts(self, points: FloatArray, normals: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
        """The shape about where it may lie once more."""
        (centre, axes), own = self._axes, float(np.linalg.norm(np.ptp(points, axis=0)))
        away = points - centre
        middle, some, facing = away.mean(axis=0), away[::FEWER], normals[::FEWER]
        for axis in axes.T:
            mirror = np.eye(3) - 2.0 * np.outer(axis, axis)
            ways = [mirror, *self._turns(axis, away)]
            near = self._ring(axis, centre, away)
            if near is None:
                continue
            shares = np.array([
                near.facing(centre + some @ way.T, facing @ way.T, PACE * self._spacing)[0].mean()
                if np.linalg.norm(way @ middle - middle) > 0.5 * own else 0.0
                for way in ways
            ])  # fmt: skip
            best = np.argsort(-shares, kind="stable")[:STARTS]
            yield from ((centre + away @ ways[n].T, normals @ ways[n].T) for n in best if shares[n] > PROMISING)

    def _turns(self, axis: FloatArray, away: FloatArray) -> FloatArray:
        """Turns (n, 3, 3) about an axis, as fine as the way of the shape about it asks for."""
        wide = float(np.linalg.norm(np.cross(away, axis), axis=1).max())
        count = int(np.clip(2.0 * np.pi * wide / (PACE * self._spacing), 8, MOST_TURNS))
        angles = 2.0 * np.pi / count * np.arange(1, count)
        return np.asarray(Rotation.from_rotvec(angles[:, None] * axis).as_matrix())

    def _ring(self, axis: FloatArray, centre: FloatArray, away: FloatArray) -> Near | None:
        """The surface along the way of the shape about an axis, and where a mirror across it would lay it."""
        points, normals = self._surface
        spots, room = points - centre, REACH * self._spacing
        height, own = spots @ axis, away @ axis
        wide, wide_own = (np.linalg.norm(np.cross(x, axis), axis=1) for x in (spots, away))
        there = (wide > wide_own.min() - room) & (wide < wide_own.max() + room)
        there &= (np.abs(height) > np.abs(own).min() - room) & (np.abs(height) < np.abs(own).max() + room)
        return Near(points[there], normals[there]) if there.any() else None

    def _laid(self, points: FloatArray, normals: FloatArray, around: int) -> float:
        """Share of the shape that lies on the surface, once it is drawn there.

        The last points are what is ``around`` it: 0 where these do not lie there too.
        """
        spots, ways = self._surface
        room = within_box(spots, points, 2.0 * REACH * self._spacing)
        near, reach = Near(spots[room], ways[room]), REACH * self._spacing
        move, _ = refined(points, spots[room], ways[room], identity(), reach, self._spacing, 30, EVEN * self._spacing)
        if Rotation.from_matrix(move[:3, :3]).magnitude() > ASKEW:
            return 0.0
        alike, off = near.facing(apply(move, points), turn(move, normals), reach)
        lies, shape = alike & (off < CLOSE * self._spacing), len(points) - around
        return 0.0 if around and lies[shape:].mean() < MOSTLY else float(lies[:shape].mean())
