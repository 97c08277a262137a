"""Primary way to close the crack: keep what is good, heal the strip, sew both together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.coarsening import coarsened
from rejoin.core.fusing.continuing import continued
from rejoin.core.fusing.fairing import Measured, faired
from rejoin.core.fusing.healing import MOST_ROUNDS, STEPS, CannotSew, Field, Healing
from rejoin.core.fusing.holes import rings
from rejoin.core.fusing.ring import Marked
from rejoin.core.fusing.shore import Shore
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.fusing.stitching import (
    BoolArray,
    Indices,
    Seam,
    border_loops,
    clipped,
    parted,
    with_simple_border,
    zipped,
)
from rejoin.core.libraries.winding import WindingField
from rejoin.core.records import FloatArray, Mesh

RAISED = (0.05, -0.05, 0.1, -0.1, 0.15)
"""Changes of level tried where the healing surface has a handle."""
OVERLAPS = 0.4, 1.0
"""Distance between kept border and healing surface before they are sewn, in spacings: the first, and where that fails,
for the surface may have a gap where two stretches of the crack lie side by side."""
SHORTEST = 0.7
"""Edges of the healing surface shorter than this many spacings are collapsed."""


@dataclass(frozen=True, eq=False)
class Sewn:
    """A healed mesh; ``origin`` (n,) is the vertex of the joined fragments it is, or -1 where new."""

    mesh: Mesh
    origin: Indices


def joined(parts: list[Mesh]) -> Mesh:
    """All fragments in one mesh, unconnected, vertices in their order."""
    offsets = np.cumsum([0, *[len(part.vertices) for part in parts[:-1]]])
    return Mesh(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate([part.triangles + offset for part, offset in zip(parts, offsets, strict=True)]).astype(np.int32),
    )


def sewn(
    parts: list[Mesh], rims: list[BoolArray], far: Mesh, marked: Marked, spacing_mm: float
) -> tuple[Sewn, BoolArray]:
    """Give up the strip at the crack and sew a healing surface in its place.

    The walls of chips tell nothing of the original surface. ``far`` stands for what the parts
    go on to beyond their ``rims``, where the result is open.

    Returns
    -------
    band : Sewn
    left : (n,) bool
        Vertices of the parts that are walls of chips as well, as their surroundings show.

    Raises
    ------
    CannotSew
        Where the borders of strip and healing surface do not correspond.
    """
    ready, walls = _prepared(parts, rims, far, marked, spacing_mm), marked.walls
    shore = Shore.of(ready.kept, ready.loops, ready.seam, spacing_mm)
    strip = max(side.strip_mm for side in marked.sides)
    result = _sewn_somehow(ready, shore, strip, spacing_mm)
    new = result.origin < 0
    mesh = faired(result.mesh, np.flatnonzero(new), ready.measured, spacing_mm)
    over = over_walls(mesh, new, parts, walls, spacing_mm)
    mesh, below = continued(mesh, over, new, spacing_mm, marked.told_mm)
    left = np.zeros(len(walls), bool)
    left[result.origin[below]] = True
    return Sewn(mesh, result.origin), left


def _sewn_somehow(ready: _Ready, shore: Shore, strip_mm: float, spacing_mm: float) -> Sewn:
    """Sewn with the healing surface as it usually is, else with one from a finer grid, else with less of that."""

    def way(overlap: float) -> Sewn:
        return _sew(ready, _healing_patch(ready, shore, overlap, spacing_mm), strip_mm, spacing_mm)

    try:
        return way(OVERLAPS[0])
    except CannotSew:
        ready.healing.start(STEPS[1])
    try:
        return way(OVERLAPS[0])
    except CannotSew:
        return way(OVERLAPS[1])


def _healing_patch(ready: _Ready, shore: Shore, overlap: float, spacing_mm: float) -> Mesh:
    """The healing surface without handles, at the level that has the fewest."""
    patch = _patch(_grown(ready.healing, shore, 0.0, spacing_mm), shore, overlap, spacing_mm)
    for shift in RAISED if handles(patch) else ():
        other = _patch(_grown(ready.healing, shore, shift, spacing_mm), shore, overlap, spacing_mm)
        if handles(other) < handles(patch):
            patch = other
        if handles(patch) == 0:
            break
    return coarsened(patch, SHORTEST * spacing_mm)


def over_walls(mesh: Mesh, new: BoolArray, parts: list[Mesh], walls: BoolArray, spacing_mm: float) -> BoolArray:
    """Which of the new vertices (n,) span a chip: a wall is what lies nearest below them, and not close."""
    chosen = np.zeros(len(mesh.vertices), bool)
    if walls.any():
        at = np.flatnonzero(new)
        depth, nearest = cKDTree(joined(parts).vertices).query(mesh.vertices[at], workers=-1)
        chosen[at] = walls[nearest] & (depth > 0.5 * spacing_mm)
    return chosen


@dataclass(frozen=True, eq=False)
class _Ready:
    kept: Mesh
    origin: Indices
    loops: list[Indices]
    seam: Seam
    healing: Healing
    measured: Measured


def _prepared(parts: list[Mesh], rims: list[BoolArray], far: Mesh, marked: Marked, spacing_mm: float) -> _Ready:
    """What is kept, its border, and the field that bridges the strip."""
    whole = joined(parts)
    removed, walls = np.concatenate([side.removed for side in marked.sides]), marked.walls
    rim = np.concatenate(rims)
    keep = with_simple_border(whole, ~any_corner(removed, whole.triangles), rim)
    kept, origin = meshes.compacted(whole, np.flatnonzero(keep).astype(np.int32))
    loops = border_loops(kept.triangles, len(kept.vertices), rim[origin])
    if not loops:
        raise CannotSew("no border")
    gone = np.ones(len(whole.vertices), bool)
    gone[origin] = False
    gone &= ~walls
    strip = max(side.strip_mm for side in marked.sides)
    count = len(kept.vertices)
    winding = WindingField(
        np.concatenate([kept.vertices, far.vertices]), np.concatenate([kept.triangles, far.triangles + count])
    )
    known = [(whole.vertices[chip.walls[walls[chip.walls]]], chip.height) for chip in marked.through]
    known = [(places, height) for places, height in known if len(places)]
    border = kept.vertices[np.concatenate(loops)]
    healing = Healing(border, whole.vertices[gone], winding, strip, spacing_mm, known)
    measured = Measured(whole.vertices[gone], meshes.vertex_normals(whole)[gone])
    return _Ready(kept, origin.astype(np.int64), loops, Seam.of(kept, loops), healing, measured)


def crack_field(
    parts: list[Mesh], rims: list[BoolArray], far: Mesh, marked: Marked, spacing_mm: float
) -> Field | None:
    """The field along the crack alone; None where nothing is kept beside it."""
    try:
        return _prepared(parts, rims, far, marked, spacing_mm).healing.field
    except CannotSew:
        return None


def _grown(healing: Healing, shore: Shore, shift: float, spacing_mm: float) -> Mesh:
    """The healing surface at a level, its field widened until it ends at the kept border everywhere."""
    added = None
    for _ in range(MOST_ROUNDS):
        surface = _level(healing.field if added is None else healing.field.near(added), shift)
        ends = meshes.sorted_unique(meshes.border_edges(surface).ravel().astype(np.int64))
        if added is not None:  # elsewhere the surface ends where it did, and there the field was widened already
            ends = ends[cKDTree(added).query(surface.vertices[ends])[0] < 2.0 * healing.field.step_mm]
        ends = ends[shore.beyond(surface, ends) > spacing_mm]
        added = healing.grow(surface.vertices[ends])
        if len(added) == 0:
            break
    return _level(healing.field, shift)


def _level(field: Field, shift: float) -> Mesh:
    """The field's surface at a level, open where the grid ends."""
    return Field(field.keys, field.values + shift, field.origin, field.step_mm).surface(closed=False)


def _patch(surface: Mesh, shore: Shore, overlap: float, spacing_mm: float) -> Mesh:
    """The healing surface up to just short of the kept border."""
    beyond = shore.beyond(surface)
    patch = clipped(surface, _without_label_islands(surface, beyond, overlap, spacing_mm), overlap * spacing_mm)
    return without_specks(patch, spacing_mm)


def handles(patch: Mesh) -> int:
    """Handles of a surface with simple borders; a strip that closes a crack has none (Euler's formula)."""
    if len(patch.triangles) == 0:
        return 0
    loops = border_loops(patch.triangles, len(patch.vertices)) or []
    border = sum(len(loop) for loop in loops)
    edges = (3 * len(patch.triangles) + border) // 2
    euler = len(patch.vertices) - edges + len(patch.triangles)
    return (2 * meshes.components(patch)[0] - euler - len(loops)) // 2


def _without_label_islands(surface: Mesh, distance: FloatArray, overlap: float, spacing_mm: float) -> FloatArray:
    """Turn over small patches that lie on the wrong side of the border."""
    result, areas = distance.copy(), meshes.vertex_areas(surface)
    graph = meshes.adjacency(surface)
    for beyond in (False, True):
        members = np.flatnonzero((result > overlap * spacing_mm) == beyond)
        number, piece = connected_components(graph[members][:, members], directed=False)
        small = np.bincount(piece, areas[members], number)[piece] < (2.0 * spacing_mm) ** 2
        result[members[small]] = (0.0 if beyond else 1.0) * spacing_mm
    return result


def without_specks(patch: Mesh, spacing_mm: float) -> Mesh:
    """The patch without pieces smaller than a few spacings across, its border made simple."""
    keep = with_simple_border(patch, np.ones(len(patch.triangles), bool))
    patch = meshes.compacted(patch, np.flatnonzero(keep).astype(np.int32))[0]
    number, piece = meshes.components(patch)
    area = np.bincount(piece[patch.triangles[:, 0]], meshes.triangle_areas(patch), number)
    big = area[piece[patch.triangles[:, 0]]] > (2.0 * spacing_mm) ** 2
    return meshes.compacted(patch, np.flatnonzero(big).astype(np.int32))[0]


def _sew(ready: _Ready, patch: Mesh, strip_mm: float, spacing_mm: float) -> Sewn:
    kept, loops = ready.kept, ready.loops
    inner_loops = border_loops(patch.triangles, len(patch.vertices))
    if not inner_loops:
        raise CannotSew("the healing surface has no simple border")
    partners, lonely = _partners(inner_loops, loops, ready.seam, patch)
    places = parted(kept.vertices[np.concatenate(loops)], patch.vertices[np.concatenate(inner_loops)], spacing_mm)
    count = len(kept.vertices)
    vertices = np.concatenate([kept.vertices, patch.vertices])
    triangles: list[npt.NDArray[np.int64]] = [kept.triangles.astype(np.int64), patch.triangles.astype(np.int64) + count]
    for number, (outer, place) in partners.items():
        band = zipped(loops[outer], inner_loops[number][::-1] + count, place[::-1])
        if band is None:
            raise CannotSew(f"a border of {len(loops[outer])} vertices is not followed once around", places)
        triangles.append(band)
    for loop in lonely:
        border = vertices[np.where(loop < 0, ~loop + count, loop)]
        if np.ptp(border, axis=0).max() > 3.0 * strip_mm:
            raise CannotSew(f"a border of {len(loop)} vertices has no partner", places)
        added, fan = rings(border, np.where(loop < 0, ~loop + count, loop), len(vertices), spacing_mm)
        vertices = np.concatenate([vertices, added])
        triangles.append(fan)
    mesh = Mesh(vertices, np.concatenate(triangles).astype(np.int32))
    return Sewn(mesh, np.concatenate([ready.origin, np.full(len(vertices) - count, -1)]))


def _partners(
    inner_loops: list[Indices], loops: list[Indices], seam: Seam, patch: Mesh
) -> tuple[dict[int, tuple[int, FloatArray]], list[Indices]]:
    """Which border of the patch follows which kept border, and where along it.

    Returns
    -------
    dict
        Patch border -> (kept border, place of each vertex along it).
    list of (k,) int
        Borders of either without a partner; those of the patch as ``~index``.
    """
    result: dict[int, tuple[int, FloatArray]] = {}
    best: dict[int, int] = {}
    for number, inner in enumerate(inner_loops):
        segment, share, _ = seam.nearest(patch.vertices[inner])
        outer = int(np.bincount(seam.loop[segment], minlength=len(loops)).argmax())
        good = np.flatnonzero(seam.loop[segment] == outer)
        place = (seam.position[segment] + share).astype(float)
        at = np.clip(np.searchsorted(good, np.arange(len(inner))), 0, len(good) - 1)
        result[number] = (outer, place[good[at]])
        if outer not in best or len(inner_loops[best[outer]]) < len(inner):
            best[outer] = number
    chosen = {number: result[number] for number in best.values()}
    lonely = [~inner for number, inner in enumerate(inner_loops) if number not in chosen]
    lonely.extend(loop for number, loop in enumerate(loops) if number not in best)
    return chosen, lonely


__all__ = ["BoolArray", "CannotSew", "Sewn", "joined", "sewn", "without_specks"]
