"""Primary way to close the crack: keep what is good, heal the strip, sew both together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.healing import Field, healing_field
from rejoin.core.fusing.ring import Contact
from rejoin.core.fusing.stitching import (
    BoolArray,
    Indices,
    Seam,
    border_loops,
    clipped,
    with_simple_border,
    zipped,
)
from rejoin.core.libraries.winding import WindingField
from rejoin.core.records import FloatArray, Mesh

OVERLAP = 0.4
"""Distance between kept border and healing surface before they are sewn, in spacings."""


@dataclass(frozen=True, eq=False)
class Sewn:
    """A healed mesh; ``origin`` (n,) is the vertex of the joined fragments it is, or -1 where new."""

    mesh: Mesh
    origin: Indices


class CannotSew(Exception):
    """The borders do not pair up; the reason is for the notes of a developer."""


def joined(parts: list[Mesh]) -> Mesh:
    """All fragments in one mesh, unconnected, vertices in their order."""
    offsets = np.cumsum([0, *[len(part.vertices) for part in parts[:-1]]])
    return Mesh(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate([part.triangles + offset for part, offset in zip(parts, offsets, strict=True)]).astype(np.int32),
    )


def sewn(parts: list[Mesh], sides: list[Contact], spacing_mm: float) -> Sewn:
    """Give up the strip at the crack and sew a healing surface in its place.

    Raises
    ------
    CannotSew
        Where the borders of strip and healing surface do not correspond.
    """
    ready = _prepared(parts, sides, spacing_mm)
    kept, seam, field = ready.kept, ready.seam, ready.field
    surface = field.surface(closed=False)
    patch = clipped(surface, _beyond_border(surface, kept, seam, spacing_mm), OVERLAP * spacing_mm)
    patch = without_specks(patch, spacing_mm)
    return _sew(kept, ready.origin, ready.loops, seam, patch, spacing_mm)


@dataclass(frozen=True, eq=False)
class _Ready:
    kept: Mesh
    origin: Indices
    loops: list[Indices]
    seam: Seam
    field: Field


def _prepared(parts: list[Mesh], sides: list[Contact], spacing_mm: float) -> _Ready:
    """What is kept, its border, and the field that bridges the strip."""
    whole = joined(parts)
    removed = np.concatenate([side.removed for side in sides])
    keep = with_simple_border(whole, ~removed[whole.triangles].any(axis=1))
    kept, origin = meshes.compacted(whole, np.flatnonzero(keep))
    loops = border_loops(kept.triangles, len(kept.vertices))
    if not loops:
        raise CannotSew("no border")
    gone = np.ones(len(whole.vertices), bool)
    gone[origin] = False
    strip = max(side.strip_mm for side in sides)
    winding = WindingField(kept.vertices, kept.triangles)
    field = healing_field(kept.vertices[np.concatenate(loops)], whole.vertices[gone], winding, strip, spacing_mm)
    return _Ready(kept, origin.astype(np.int64), loops, Seam.of(kept, loops), field)


def crack_field(parts: list[Mesh], sides: list[Contact], spacing_mm: float) -> Field | None:
    """The field along the crack alone; None where nothing is kept beside it."""
    try:
        return _prepared(parts, sides, spacing_mm).field
    except CannotSew:
        return None


def _beyond_border(surface: Mesh, kept: Mesh, seam: Seam, spacing_mm: float) -> FloatArray:
    """Distance (n,) of the healing surface's vertices from the kept border, negative over the kept surface.

    Far from the border the nearest kept vertex decides, for there a noisy
    border's direction may mislead.
    """
    distance = seam.nearest(surface.vertices)[2]
    far = np.flatnonzero(np.abs(distance) > spacing_mm)
    length = np.abs(distance[far])
    to_kept = cKDTree(kept.vertices).query(surface.vertices[far], workers=-1)[0]
    distance[far] = np.where(to_kept < 0.9 * length, -length, length)
    return _without_label_islands(surface, distance, spacing_mm)


def _without_label_islands(surface: Mesh, distance: FloatArray, spacing_mm: float) -> FloatArray:
    """Turn over small patches that lie on the wrong side of the border."""
    result, areas = distance.copy(), meshes.vertex_areas(surface)
    graph = meshes.adjacency(surface)
    for beyond in (False, True):
        members = np.flatnonzero((result > OVERLAP * spacing_mm) == beyond)
        number, piece = connected_components(graph[members][:, members], directed=False)
        small = np.bincount(piece, areas[members], number)[piece] < (2.0 * spacing_mm) ** 2
        result[members[small]] = (0.0 if beyond else 1.0) * spacing_mm
    return result


def without_specks(patch: Mesh, spacing_mm: float) -> Mesh:
    """The patch without pieces smaller than a few spacings across, its border made simple."""
    keep = with_simple_border(patch, np.ones(len(patch.triangles), bool))
    patch = meshes.compacted(patch, np.flatnonzero(keep))[0]
    number, piece = meshes.components(patch)
    area = np.bincount(piece[patch.triangles[:, 0]], meshes.triangle_areas(patch), number)
    big = area[piece[patch.triangles[:, 0]]] > (2.0 * spacing_mm) ** 2
    return meshes.compacted(patch, np.flatnonzero(big))[0]


def _sew(
    kept: Mesh, origin: Indices, loops: list[Indices], seam: Seam, patch: Mesh, spacing_mm: float
) -> Sewn:
    inner_loops = border_loops(patch.triangles, len(patch.vertices))
    if not inner_loops:
        raise CannotSew("the healing surface has no simple border")
    partners = _partners(inner_loops, loops, seam, patch, spacing_mm)
    count = len(kept.vertices)
    triangles: list[npt.NDArray[np.int64]] = [kept.triangles.astype(np.int64), patch.triangles.astype(np.int64) + count]
    added: list[FloatArray] = []
    for number, (outer, place) in partners.items():
        inner = inner_loops[number][::-1]
        if outer >= 0:
            band = zipped(loops[outer], inner + count, place[::-1])
            if band is None:
                raise CannotSew(f"a border of {len(loops[outer])} vertices is not followed once around")
            triangles.append(band)
        else:
            centre = count + len(patch.vertices) + len(added)
            added.append(patch.vertices[inner].mean(axis=0))
            triangles.append(np.stack([inner + count, np.roll(inner, -1) + count, np.full(len(inner), centre)], axis=1))
    vertices = [kept.vertices, patch.vertices, *[a[None] for a in added]]
    mesh = Mesh(np.concatenate(vertices), np.concatenate(triangles).astype(np.int32))
    return Sewn(mesh, np.concatenate([origin, np.full(len(mesh.vertices) - count, -1)]))


def _partners(
    inner_loops: list[Indices], loops: list[Indices], seam: Seam, patch: Mesh, spacing_mm: float
) -> dict[int, tuple[int, FloatArray]]:
    """For each border of the patch the kept border it follows and where; (-1, ...) for a small hole to be closed."""
    result: dict[int, tuple[int, FloatArray]] = {}
    best: dict[int, tuple[int, int]] = {}
    for number, inner in enumerate(inner_loops):
        segment, share, _ = seam.nearest(patch.vertices[inner])
        votes = np.bincount(seam.loop[segment], minlength=len(loops))
        outer = int(votes.argmax())
        good = seam.loop[segment] == outer
        place = (seam.position[segment] + share).astype(float)
        if not good.all():
            known = np.flatnonzero(good)
            place = place[known[np.abs(np.arange(len(inner))[:, None] - known[None, :]).argmin(axis=1)]]
        result[number] = (outer, place)
        if outer not in best or best[outer][1] < len(inner):
            best[outer] = (number, len(inner))
    chosen = {number for number, _ in best.values()}
    for number, inner in enumerate(inner_loops):
        if number not in chosen:
            if len(inner) > 24:
                raise CannotSew(f"a border of {len(inner)} vertices has no partner")
            result[number] = (-1, np.zeros(0))
    missing = [len(loop) for k, loop in enumerate(loops) if k not in best]
    if missing:
        raise CannotSew(f"kept borders of {missing} vertices have no partner")
    return result


def smoothed(sewn_mesh: Sewn, rounds: int = 3) -> Mesh:
    """New vertices drawn towards their neighbours' mean; all others stay as they are."""
    mesh, free = sewn_mesh.mesh, np.flatnonzero(sewn_mesh.origin < 0)
    graph = meshes.adjacency(mesh)[free]
    degree = np.asarray(graph.sum(axis=1)).ravel()
    vertices = np.array(mesh.vertices)
    for _ in range(rounds):
        vertices[free] = 0.5 * vertices[free] + 0.5 * (graph @ vertices) / degree[:, None]
    return Mesh(vertices, mesh.triangles)


__all__ = ["BoolArray", "CannotSew", "Sewn", "joined", "sewn", "smoothed", "without_specks"]
