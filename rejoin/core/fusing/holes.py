"""Close the holes of a scan with rings of triangles that continue the surface around them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core import meshes
from rejoin.core.fusing.fairing import faired
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.fusing.stitching import BoolArray, Indices, border_loops, with_simple_border, zipped
from rejoin.core.records import FloatArray, Mesh

RINGS = 4
"""How many rings of triangles around a border are looked at to make it simple."""


@dataclass(frozen=True, eq=False)
class Patch:
    """One closed hole: its border loop, its triangles and vertices in the closed mesh."""

    loop: Indices
    triangles: Indices
    vertices: Indices
    across_mm: float


@dataclass(frozen=True, eq=False)
class Closed:
    """A mesh with every hole closed; its own vertices come first, unmoved."""

    mesh: Mesh
    patches: tuple[Patch, ...]


def closed(mesh: Mesh, spacing_mm: float, at_border: BoolArray | None = None) -> Closed:
    """Close every border loop of an oriented mesh.

    Rings of vertices at about the scan's spacing lead from the border to the
    middle; their positions make the surface as smooth as the surroundings
    allow (`faired`), so that a hole in a cylinder is closed along the cylinder.

    Parameters
    ----------
    mesh : Mesh
    spacing_mm : float
    at_border : (n,) bool, optional
        Vertices around which the triangles do not close.
    """
    at_border = meshes.open_vertices(mesh) if at_border is None else at_border
    mesh, loops = _simple_loops(mesh, at_border)
    vertices, triangles, patches = [mesh.vertices], [mesh.triangles.astype(np.int64)], []
    count, size = len(mesh.vertices), len(mesh.triangles)
    for loop in loops:
        points, added = rings(mesh.vertices[loop], loop, count, spacing_mm)
        across = _across(mesh.vertices[loop])
        patches.append(Patch(loop, np.arange(size, size + len(added)), np.arange(count, count + len(points)), across))
        vertices.append(points)
        triangles.append(added)
        count, size = count + len(points), size + len(added)
    if not patches:
        return Closed(mesh, ())
    result = Mesh(np.concatenate(vertices), np.concatenate(triangles).astype(np.int32))
    return Closed(faired(result, np.concatenate([patch.vertices for patch in patches])), tuple(patches))


def _simple_loops(mesh: Mesh, at_border: BoolArray) -> tuple[Mesh, list[Indices]]:
    """The mesh with a simple border, and its border loops; only the surroundings of the border are looked at."""
    around = at_border.copy()
    for _ in range(RINGS):
        around[mesh.triangles[any_corner(around, mesh.triangles)].ravel()] = True
    near = any_corner(around, mesh.triangles)
    local, kept = meshes.compacted(mesh, np.flatnonzero(near).astype(np.int32))
    beyond = np.zeros(len(mesh.vertices), bool)
    beyond[mesh.triangles[~near].ravel()] = True
    rim = beyond[kept]
    keep = with_simple_border(local, np.ones(len(local.triangles), bool), rim)
    loops = border_loops(local.triangles[keep], len(local.vertices), rim) or []
    if not keep.all():
        whole = ~near
        whole[np.flatnonzero(near)[keep]] = True
        mesh = Mesh(mesh.vertices, mesh.triangles[whole])
    return mesh, [kept[loop].astype(np.int64) for loop in loops]


def _across(loop: FloatArray) -> float:
    """Largest extent of a loop, mm."""
    from scipy.spatial.distance import pdist

    step = max(1, len(loop) // 200)
    return float(pdist(loop[::step]).max()) if len(loop) > 1 else 0.0


def rings(border: FloatArray, loop: Indices, first: int, spacing_mm: float) -> tuple[FloatArray, Indices]:
    """Vertices and triangles from a border loop (material to the left) to its middle."""
    centre = border.mean(axis=0)
    length = np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1)
    radius = float(np.linalg.norm(border - centre, axis=1).mean())
    rings = max(1, round(radius / spacing_mm))
    outer, at = loop, np.concatenate([[0.0], np.cumsum(length)]) / max(float(length.sum()), 1e-30)
    points: list[FloatArray] = []
    triangles: list[Indices] = []
    outer_at, number = at, first
    for ring in range(1, rings):
        share = 1.0 - ring / rings
        wanted = max(5, min(len(outer), round(float(length.sum()) * share / spacing_mm)))
        inner_at = np.arange(wanted + 1) / wanted
        on_border = np.stack([np.interp(inner_at[:-1], at, np.append(border[:, k], border[0, k])) for k in range(3)], 1)
        points.append(centre + share * (on_border - centre))
        inner = np.arange(number, number + wanted)
        place = np.interp(inner_at[:-1], outer_at, np.arange(len(outer) + 1))
        band = zipped(outer, inner, place)
        assert band is not None
        triangles.append(band)
        outer, outer_at, number = inner, inner_at, number + wanted
    points.append(centre[None])
    triangles.append(np.stack([np.roll(outer, -1), outer, np.full(len(outer), number)], axis=1))
    return np.concatenate(points), np.concatenate(triangles)
