"""Hollows at the break: fracture that nothing covers, below the part's own surface, and the walls it faces."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.bites import MEETS, bites
from rejoin.core.fusing.continuing import Over, heights_over
from rejoin.core.fusing.hollow import (
    OWN,
    Hollow,
    beside,
    in_measure,
    is_groove,
    meets_in_an_edge,
    original_within,
    said,
    winds_around,
    with_bites,
)
from rejoin.core.fusing.ring import BoolArray, Contact, flagged, widened
from rejoin.core.fusing.scars import patches_of, walls_facing
from rejoin.core.fusing.sewing import joined
from rejoin.core.fusing.soundness import Indices, any_corner
from rejoin.core.fusing.torn import Torn, continued_break, turned_away
from rejoin.core.libraries.winding import WindingField
from rejoin.core.records import FloatArray, Mesh

SMALLEST = 3.0
"""Bare fracture smaller than the square of this many spacings is left to the strip."""
BELOW, WELL_BELOW = 0.52, 0.6
"""Winding number of the rest of the surface from which a place counts as below it, and from which it may be told where
the hollow is wide; 0.5 is on a smooth surface."""

LOOSE = 0.5
"""Fracture is in contact up to this share of the strip's width from another fragment."""


NARROW = 8.0
"""A hollow whose surroundings meet in no plain way is filled up to so many spacings across, else told."""
RIM = 2
"""Rings of triangles by which a fracture face may end short of its rim."""
RIM_RINGS = 5
"""Hollows stay so many rings of triangles clear of where the fragments are cut off."""
SHALLOW = 0.5
"""From so many spacings below the continued surfaces on, bare fracture lies in a hollow."""


def _even_normals(part: Mesh) -> FloatArray:
    """Vertex normals averaged over two rings, so that noise does not turn them."""
    graph, normals = meshes.adjacency(part), meshes.vertex_normals(part)
    for _ in range(2):
        normals = normals + graph @ normals
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    return normals


def hollows(
    parts: list[Mesh],
    rims: list[BoolArray],
    far: Mesh,
    sides: list[Contact],
    broken: list[BoolArray],
    spacing_mm: float,
    largest_mm: float,
) -> list[Hollow]:
    """The hollows along the break, see `chips.chips_of`; also those larger than ``largest_mm``."""
    loose = [_loose(side) & ~rim for side, rim in zip(sides, rims, strict=True)]
    near = list(zip(parts, loose, sides, broken, strict=True))
    both = abreast(lambda one, _: _bare(*one, spacing_mm, largest_mm), near)
    if not any(one.any() for pair in both for one in pair):
        return _below(parts, rims, [], sides, broken, far, spacing_mm, largest_mm)
    normals = abreast(lambda part, _: _even_normals(part), parts)
    tried: list[list[Hollow]] = []
    for number, (face, beyond) in enumerate(both):
        torn = Torn(parts[number], normals[number], sides[number], broken[number], face | beyond, spacing_mm)
        patches = _each_patch(parts[number], face | beyond, sides[number])
        known_ones = [patch[face[patch]] for patch in patches]
        rough = torn([patch[beyond[patch]] for patch in patches]), torn(known_ones)
        for known, more, sure in zip(known_ones, *rough, strict=True):
            ways = [(np.concatenate([known, more]), more, len(sure) > 0)] if len(more) else []
            ways += [(known, more[:0], len(sure) > 0)] if len(known) else []
            tried.append([_hollow(parts, normals, loose, sides, number, *way, spacing_mm) for way in ways])
    return _below(parts, rims, tried, sides, broken, far, spacing_mm, largest_mm)


def _loose(side: Contact) -> BoolArray:
    """What is not in contact with another fragment, in the strip too."""
    return np.asarray(~side.removed | (side.distance_mm > LOOSE * side.strip_mm))


def cut_short(parts: list[Mesh], rims: list[BoolArray], found: list[Hollow]) -> list[bool]:
    """Which hollows come so near to where the parts are cut off that they could not be sewn over."""
    shores = []
    for part, rim in zip(parts, rims, strict=True):
        for _ in range(RIM_RINGS):
            rim = widened(part, rim)
        shores.append(rim)
    return [any(shore[hollow.all_of(n)].any() for n, shore in enumerate(shores)) for hollow in found]


def _each_patch(part: Mesh, flags: BoolArray, side: Contact) -> list[Indices]:
    members = np.flatnonzero(flags)
    if len(members) == 0:
        return []
    number, piece, _ = patches_of(part, members, side.removed)
    return [members[piece == k] for k in range(number)]


def _hollow(
    parts: list[Mesh], normals: list[FloatArray], loose: list[BoolArray], sides: list[Contact],
    number: int, bare: Indices, beyond: Indices, sure: bool, spacing_mm: float,
) -> Hollow:  # fmt: skip
    spots, theirs = parts[number].vertices[bare], normals[number][bare]
    area = float(meshes.vertex_areas(parts[number])[bare].sum())
    walls = [
        np.zeros(0, np.int64)
        if other == number
        else walls_facing(part, normals[other], spots, theirs, area, loose[other], sides[other], spacing_mm)
        for other, part in enumerate(parts)
    ]
    return Hollow(number, bare, beyond, walls, sure)


def _bare(
    part: Mesh, loose: BoolArray, side: Contact, broken: BoolArray, spacing_mm: float, largest_mm: float
) -> tuple[BoolArray, BoolArray]:
    """What no other fragment covers, in patches of some size beside the strip: fracture face, and what goes on from it.

    They are told apart: what goes on may be original surface that lies in the plane of the break.
    """
    face = broken
    for _ in range(RIM):
        face = widened(part, face)
    candidate = continued_break(part, broken, loose, largest_mm) & loose
    candidate[turned_away(part, candidate & side.removed, broken & ~loose)] = False
    members, result = np.flatnonzero(candidate), np.zeros(len(part.vertices), bool)
    if len(members):
        number, piece, beside = patches_of(part, members, side.removed)
        area = np.bincount(piece, meshes.vertex_areas(part)[members], number)
        good = (np.bincount(piece, beside, number) > 0) & (area > (SMALLEST * spacing_mm) ** 2)
        result[members[good[piece]]] = True
    return result & face, result & ~face


def _below(
    parts: list[Mesh], rims: list[BoolArray], tried: list[list[Hollow]], sides: list[Contact], broken: list[BoolArray],
    far: Mesh, spacing_mm: float, largest_mm: float,
) -> list[Hollow]:  # fmt: skip
    """Of the ways to see each hollow the first that lies below what the original surfaces around it continue.

    Where these are no planes or quadrics, the winding number of what is kept tells; a wide one is doubted then.
    """
    every = [hollow for ways in tried for hollow in ways]
    near, count = joined(parts), np.cumsum([0, *[len(part.vertices) for part in parts]])
    spots = [hollow.of(count) for hollow in every]
    gone = np.concatenate([
        side.removed | widened(part, flagged(part, [hollow.all_of(number) for hollow in every]))
        for number, (part, side) in enumerate(zip(parts, sides, strict=True))
    ])  # fmt: skip

    def over_all(some: list[Indices], lost: BoolArray) -> list[Over]:
        return heights_over(near, some, gone | lost, spacing_mm)

    bitten = bites(parts, rims, sides, np.concatenate([count[:0], *spots]), over_all, spacing_mm, largest_mm)
    for bite in bitten:
        for start, own in zip(count, bite.members, strict=False):
            gone[own + start] = True
    soup = joined([*parts, far])
    kept = ~any_corner(np.append(gone, np.zeros(len(far.vertices), bool)), soup.triangles)

    @cache
    def winding() -> WindingField:
        return WindingField(soup.vertices, soup.triangles[kept])

    heights = iter(zip(spots, heights_over(near, spots, gone, spacing_mm), strict=True))
    areas, found = [meshes.vertex_areas(part) for part in parts], list[Hollow]()
    near_mm = MEETS * max(side.strip_mm for side in sides)
    for ways in tried:
        seen = [(_lower(parts, hollow, near.vertices[own], over, winding, spacing_mm), over)
                for hollow, (own, over) in zip(ways, heights, strict=False)]  # fmt: skip
        if seen and all(over.tree is None for _, over in seen):  # what lies around a bite beside it may tell
            seen = [(_lower(parts, ways[-1], near.vertices[bite.of(count)], bite.over, winding, spacing_mm), bite.over)
                    for bite in bitten if beside(parts, ways[-1], bite, near_mm)] + seen  # fmt: skip
        good = [(one, over) for one, over in seen if one is not None and in_measure(one, areas, spacing_mm)]
        found.extend(_with_all_walls(hollow, over, count) for hollow, over in good[:1])
    lost = [side.removed | some | flagged(part, [hollow.all_of(number) for hollow in found])
            for number, (part, side, some) in enumerate(zip(parts, sides, broken, strict=True))]  # fmt: skip
    found = [replace(hollow, doubted=hollow.doubted or _own(parts, hollow, sides, broken, spacing_mm)
                     or original_within(parts, hollow, lost, spacing_mm) > OWN) for hollow in found]  # fmt: skip
    every = with_bites(parts, areas, found, bitten, near_mm)
    # A groove shows with all its walls only, and those on the same fragment are found as bites.
    recess = [hollow.doubted or (len(hollow.bare) > 0 and is_groove(parts, hollow)) for hollow in every]
    return [replace(hollow, doubted=doubted and not said(hollow, broken))
            for hollow, doubted in zip(every, recess, strict=True)]  # fmt: skip


def _own(
    parts: list[Mesh], hollow: Hollow, sides: list[Contact], broken: list[BoolArray], spacing_mm: float
) -> bool:
    """Whether a hollow may be the part's own recess."""
    n = hollow.number
    contact = broken[n] & ~_loose(sides[n])
    edged = meets_in_an_edge(parts[n], hollow.bare, contact, spacing_mm)
    return edged or winds_around(parts, hollow)


def _with_all_walls(hollow: Hollow, over: Over, count: Indices) -> Hollow:
    """The hollow with more of its walls, as its surroundings show; the parts' vertices start at ``count``."""
    below = over.below()
    walls = [
        np.union1d(wall, below[(below >= start) & (below < end)] - start)
        for wall, start, end in zip(hollow.walls, count[:-1], count[1:], strict=True)
    ]
    return replace(hollow, walls=walls, over=None if over.tree is None else over)


def _lower(
    parts: list[Mesh], hollow: Hollow, spots: FloatArray, over: Over, winding: Callable[[], WindingField],
    spacing_mm: float,
) -> Hollow | None:  # fmt: skip
    """The hollow with those of its walls that lie below the continued surfaces; None where it does not itself.

    Where nothing is continued over a wide one, it is doubted.
    """
    points = parts[hollow.number].vertices
    known = np.setdiff1d(hollow.bare, hollow.beyond)
    if over(points[:1]) is None:
        wide = float(np.linalg.norm(np.ptp(spots, axis=0)))
        open_wide = not hollow.sure and wide > NARROW * spacing_mm
        least = WELL_BELOW if open_wide else BELOW
        if len(hollow.beyond) or not (hollow.sure or np.median(winding()(points[known])) > least):
            return None
        hollow = replace(hollow, doubted=open_wide)
    elif any(_median(over(points[some])) > -SHALLOW * spacing_mm for some in (known, hollow.beyond) if len(some)):
        return None
    walls = []
    for part, wall in zip(parts, hollow.walls, strict=True):
        height = over(part.vertices[wall])
        if height is not None:
            wall = wall[height < 0.0]
        elif not hollow.sure:
            wall = wall[winding()(part.vertices[wall]) > 0.5]
        walls.append(wall)
    return replace(hollow, walls=walls)


def _median(values: FloatArray | None) -> float:
    return np.inf if values is None else float(np.median(values))
