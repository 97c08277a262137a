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


def across_mm(parts: list[Mesh], hollow: Hollow) -> float:
    """Diagonal of the box around the bare fracture of a hollow, or around its walls where there is none."""
    points = parts[hollow.number].vertices[hollow.bare]
    if not len(points):
        points = np.concatenate([part.vertices[wall] for part, wall in zip(parts, hollow.walls, strict=True)])
    return float(np.linalg.norm(np.ptp(points, axis=0)))


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
