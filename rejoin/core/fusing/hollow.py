"""One hollow at the break: what belongs to it, and whether a chip left it or the part has it of its own."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.bites import Bite
from rejoin.core.fusing.continuing import Over
from rejoin.core.fusing.ring import BoolArray, flagged, widened
from rejoin.core.fusing.soundness import Indices
from rejoin.core.records import FloatArray, Mesh

WIDEST = 10.0
"""A wall so many times as large as the bare fracture belongs to another hollow, as the bore that a break runs along."""
LEAST_WALL = 1.0
"""Walls smaller than the square of this many spacings, what one vertex stands for, show no hollow."""
AWAY, MOST_AWAY = 0.2, 0.1
"""A chip's walls look towards the fracture that it laid bare (cosine); this share of both together may look away."""
BESIDE = 5.0
"""Spacings from bare fracture within which what is in contact shows how the break goes on."""
EDGE = 3.2
"""Bare surface that turns off the break beside it by so many times the mean turn of that break's normals, which one in
3000 normals does where the turns are normally distributed, meets it in an edge."""
STRAIGHT, EVENLY, STRETCHES = 0.1, 0.6, 4
"""A groove's walls are parallel to it but for so much (rms cosine), and it is as deep at its ends as elsewhere but for
so much (least of the depths of so many stretches, over the largest)."""
MOST_WALLS, ROUNDS = 0.8, 4
"""A groove may be chipped itself: this share of what is seen of it is parallel to it, where it has walls on both sides
of the crack. A chip's walls are mostly the other fragment's alone."""
DEEP = 1.5
"""So many times as deep as wide across its direction is no chip either."""
AVERAGED = 12
"""Neighbours whose normals are averaged, so that noise does not turn them."""
OWN, INSIDE = 0.4, 1.0
"""Original surface that lies in a hollow, from so many spacings below what the surfaces around it continue, is that of
a recess of the part's own where it is so much of the hollow's."""
SAID = 0.5
"""Share of a hollow's walls that are fracture face where it is said to be a chip."""


@dataclass(frozen=True, eq=False)
class Hollow:
    """A bare patch (of part ``number``; ``beyond``: what is no part of the joint), and each part's facing walls.

    ``sure`` where the patch is as rough as the break is and as the original surface is not; ``doubted`` where it may
    be the part's own recess. ``over``: what the original surfaces around it bound, where these tell.
    """

    number: int
    bare: Indices
    beyond: Indices
    walls: list[Indices]
    sure: bool = False
    doubted: bool = False
    over: Over | None = None

    def of(self, starts: Indices) -> Indices:
        """Its vertices among those of all parts together."""
        return np.concatenate([self.all_of(n) + starts[n] for n in range(len(self.walls))])

    def all_of(self, number: int) -> Indices:
        return np.concatenate([self.bare, self.walls[number]]) if number == self.number else self.walls[number]


def shape_of(parts: list[Mesh], hollow: Hollow) -> tuple[FloatArray, FloatArray]:
    """Points (k, 3) of a hollow and their normals."""
    some = [(part, hollow.all_of(number)) for number, part in enumerate(parts)]
    points = np.concatenate([part.vertices[own] for part, own in some])
    return points, np.concatenate([meshes.vertex_normals(part)[own] for part, own in some if len(own)])


def box_of(parts: list[Mesh], hollow: Hollow) -> tuple[float, FloatArray]:
    """Diagonal (mm) and middle (3,) of the box around a hollow's bare fracture; around its walls without any."""
    points = parts[hollow.number].vertices[hollow.bare]
    if not len(points):
        points = np.concatenate([part.vertices[wall] for part, wall in zip(parts, hollow.walls, strict=True)])
    low, high = points.min(axis=0), points.max(axis=0)
    return float(np.linalg.norm(high - low)), 0.5 * (low + high)


def in_measure(hollow: Hollow, areas: list[FloatArray], spacing_mm: float) -> bool:
    """Whether there are walls (a hollow has two sides), not out of all proportion to the fracture that lies bare."""
    walls = sum(float(area[wall].sum()) for area, wall in zip(areas, hollow.walls, strict=True))
    bare = float(areas[hollow.number][hollow.bare].sum())
    return (LEAST_WALL * spacing_mm) ** 2 <= walls <= WIDEST * bare


def winds_around(parts: list[Mesh], hollow: Hollow) -> bool:
    """Whether much of the walls looks away from the bare fracture, as in a bore that a break runs along."""
    towards = meshes.vertex_normals(parts[hollow.number])[hollow.bare].mean(axis=0)
    away, every = 0.0, float(meshes.vertex_areas(parts[hollow.number])[hollow.bare].sum())
    for number, (part, wall) in enumerate(zip(parts, hollow.walls, strict=True)):
        if number != hollow.number:
            areas = meshes.vertex_areas(part)
            every += float(areas[wall].sum())
            inner = np.flatnonzero(~widened(part, ~flagged(part, [wall])))  # at the rim normals are half the face's
            away += float(areas[inner[meshes.vertex_normals(part)[inner] @ towards > AWAY]].sum())
    return away > MOST_AWAY * every


def original_within(parts: list[Mesh], hollow: Hollow, lost: list[BoolArray], spacing_mm: float) -> float:
    """How much of a hollow is original surface, as a share of what it is made of: a bore on which the break runs into
    one half has the other one.

    Parameters
    ----------
    parts : list of Mesh
    hollow : Hollow
    lost : list of (n,) bool
        What is no original surface, or of another hollow.
    spacing_mm : float
    """
    points, _ = shape_of(parts, hollow)
    own, within = 0.0, 0.0
    middle = points.mean(axis=0)
    reach = 0.5 * float(np.linalg.norm(np.ptp(points, axis=0)))
    for number, part in enumerate(parts):
        areas, normals = meshes.vertex_areas(part), meshes.vertex_normals(part)
        own += float(areas[hollow.all_of(number)].sum())
        near = np.flatnonzero((np.linalg.norm(part.vertices - middle, axis=1) < reach) & ~lost[number])
        depth = None if hollow.over is None else hollow.over(part.vertices[near])
        if depth is None:
            continue
        near = near[depth < -INSIDE * spacing_mm]
        ahead = middle - part.vertices[near]
        within += float(areas[near[np.einsum("ij,ij->i", ahead, normals[near]) > 0.0]].sum())
    return within / max(own, 1e-12)


def meets_in_an_edge(part: Mesh, bare: Indices, contact: BoolArray, spacing_mm: float) -> bool:
    """Whether bare vertices turn off the break in contact beside them; a break goes on without an edge."""
    there = np.flatnonzero(contact)
    if len(bare) < 3 or len(there) == 0:
        return False
    near = there[cKDTree(part.vertices[bare]).query(part.vertices[there])[0] < BESIDE * spacing_mm]
    if len(near) < 3:
        return False
    normals = meshes.vertex_normals(part)
    turned = [_turn(*(way(part.vertices[own], normals[own]) for own in (bare, near))) for way in (_facing, _plane)]
    usual = _turn(normals[near], _facing(part.vertices[near], normals[near]))
    return bool(min(float(turn) for turn in turned) > EDGE * usual.mean())


def is_groove(parts: list[Mesh], hollow: Hollow) -> bool:
    """Whether a hollow is straight, and as deep at its ends as between them or deeper than wide, as a keyway is.

    A chip runs out at its ends.
    """
    points, normals = shape_of(parts, hollow)
    depth = None if hollow.over is None else hollow.over(points)
    if depth is None:
        return False
    near = cKDTree(points).query(points, k=min(AVERAGED, len(points)))[1].reshape(len(points), -1)
    even = normals[near].mean(axis=1)
    even /= np.maximum(np.linalg.norm(even, axis=1, keepdims=True), 1e-12)
    both = sum(len(wall) > 0 for wall in hollow.walls) > 1
    way = _common_way(even, MOST_WALLS if both else 1.0)
    if way is None:
        return False
    along = points @ way
    share = (along - along.min()) / max(float(np.ptp(along)), 1e-12)
    stretch = np.minimum(STRETCHES * share, STRETCHES - 1).astype(int)
    deepest = [-np.percentile(depth[stretch == n], 20) if (stretch == n).any() else 0.0 for n in range(STRETCHES)]
    across = points - points.mean(axis=0)
    wide = 2.0 * np.linalg.norm(across - np.outer(across @ way, way), axis=1).max()
    return bool(min(deepest) > EVENLY * max(deepest) or max(deepest) > DEEP * wide)


def _common_way(normals: FloatArray, share: float) -> FloatArray | None:
    """The direction (3,) to which such a share of the normals (n, 3) is at right angles; None where there is none."""
    kept = normals
    for _ in range(ROUNDS):
        way: FloatArray = np.linalg.eigh(kept.T @ kept)[1][:, 0]
        aside = np.abs(normals @ way)
        kept = normals[aside <= np.quantile(aside, share)]
    return way if np.square(kept @ way).mean() <= STRAIGHT**2 else None


def _turn(normals: FloatArray, normal: FloatArray) -> FloatArray:
    return np.asarray(np.arccos(np.clip(normals @ normal, -1.0, 1.0)))


def _facing(_: FloatArray, normals: FloatArray) -> FloatArray:
    mean = normals.mean(axis=0)
    return np.asarray(mean / max(float(np.linalg.norm(mean)), 1e-12))


def _plane(points: FloatArray, normals: FloatArray) -> FloatArray:
    normal = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
    return np.asarray(normal if normal @ normals.sum(axis=0) > 0.0 else -normal)


def said(hollow: Hollow, broken: list[BoolArray]) -> bool:
    """Whether the walls of a hollow are among the fracture faces, as where a person marked them."""
    return bool(np.mean(np.concatenate([some[wall] for some, wall in zip(broken, hollow.walls, strict=True)])) > SAID)


def beside(parts: list[Mesh], hollow: Hollow, bite: Bite, near_mm: float) -> bool:
    """Whether a bite comes near to a hollow."""
    points, spots = (
        np.concatenate([part.vertices[own] for part, own in zip(parts, some, strict=True)])
        for some in (bite.members, [hollow.all_of(n) for n in range(len(parts))])
    )
    return bool(np.isfinite(cKDTree(points).query(spots, distance_upper_bound=near_mm)[0]).any())


def with_bites(
    parts: list[Mesh], areas: list[FloatArray], found: list[Hollow], bitten: list[Bite], near_mm: float
) -> list[Hollow]:
    """The hollows with the bites beside them, and one for each bite across the crack."""
    result = list(found)
    for bite in bitten:
        taken = False
        for at, hollow in enumerate(result[: len(found)]):
            bare, fresh = (float(sum(areas[n][own].sum() for n, own in some))
                           for some in ([(hollow.number, hollow.bare)], enumerate(bite.members)))  # fmt: skip
            if fresh <= WIDEST * bare and beside(parts, hollow, bite, near_mm):
                walls = [np.union1d(*both) for both in zip(hollow.walls, bite.members, strict=True)]
                result[at], taken = replace(hollow, walls=walls), True
        if bite.across and not taken:
            first = next(n for n, own in enumerate(bite.members) if len(own))
            none = bite.members[first][:0]
            result.append(Hollow(first, none, none, bite.members, doubted=bite.smooth, over=bite.over))
    return result
