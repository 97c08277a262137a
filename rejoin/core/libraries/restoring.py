"""Material added to and cut from a closed mesh (manifold3d), and where each triangle comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.solids import mesh_of, numbered_solid, sources_of
from rejoin.core.records import FloatArray, IntArray, Mesh

SLIVER = 4e-6
"""Edges shorter than this share of the size are taken out: they vanish in a file of single precision, and a reader that
merges its vertices would find holes there."""

ROUNDS = 60
"""Times that short edges are looked for again."""


@dataclass(frozen=True, eq=False)
class Restored:
    """``source`` (m,) is 0 for triangles of the base, else 1 + the tool's number; ``face`` (m,) is which of its own."""

    mesh: Mesh
    source: npt.NDArray[np.int64]
    face: npt.NDArray[np.int64]


def worked(base: Mesh, steps: Sequence[tuple[str, Mesh]]) -> Restored:
    """Add and cut closed meshes, in order.

    Parameters
    ----------
    base : Mesh
        Closed and outward.
    steps : sequence of ("add" or "cut", Mesh)

    Returns
    -------
    Restored

    Raises
    ------
    NoAnswer
        Where the base is no closed solid, or nothing is left.
    """
    solid, ids = _solid(base, "The whole")
    numbers = [ids]
    for action, tool in steps:
        other, own = _solid(tool, "The new feature")
        numbers.append(own)
        solid = solid + other if action == "add" else solid - other
    if solid.is_empty():
        raise NoAnswer("Nothing is left of the whole.", "Look at the size and the place.")
    return _without_slivers(_read(solid, numbers), SLIVER * float(np.ptp(base.vertices, axis=0).max()))


def hull_of(points: FloatArray) -> Mesh:
    """The convex hull of points (n, 3)."""
    import manifold3d

    made = manifold3d.Manifold.hull_points(np.ascontiguousarray(points, np.float64)).to_mesh64()
    return Mesh(np.array(made.vert_properties[:, :3]), np.array(made.tri_verts, np.int32))


def _solid(mesh: Mesh, what: str) -> tuple[Any, int]:
    import manifold3d

    solid, first = numbered_solid(mesh)
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise NoAnswer(f"{what} is not a closed solid.", "Close the whole first.")
    return solid, first


def _without_slivers(made: Restored, shortest_mm: float) -> Restored:
    """Edges shorter than a length drawn together, one vertex of each kept, where the surface stays closed."""
    vertices, triangles = made.mesh.vertices, made.mesh.triangles.astype(np.int64)
    alive = np.ones(len(triangles), bool)
    for _ in range(ROUNDS):
        rows = np.flatnonzero(alive)
        u, w = triangles[rows].ravel(), np.roll(triangles[rows], -1, axis=1).ravel()
        length = np.linalg.norm(vertices[u] - vertices[w], axis=1)
        short = np.flatnonzero((length < shortest_mm) & (u < w))
        order = short[np.lexsort((w[short], u[short], length[short]))]
        if not _drawn_together(triangles, alive, [(int(u[k]), int(w[k])) for k in order]):
            break
    if alive.all():
        return made
    mesh = _compact(vertices, triangles[alive].astype(np.int32))
    return Restored(mesh, made.source[alive], made.face[alive])


def _drawn_together(
    triangles: npt.NDArray[np.int64], alive: npt.NDArray[np.bool_], pairs: list[tuple[int, int]]
) -> bool:
    """Draw edges together in place, none beside another; False where none could be."""
    ends = np.zeros(int(triangles.max()) + 1, bool)
    ends[[one for pair in pairs for one in pair]] = True
    around: dict[int, set[int]] = {}
    for row in np.flatnonzero(alive & ends[triangles].any(axis=1)).tolist():
        for corner in triangles[row].tolist():
            around.setdefault(corner, set()).add(row)
    changed: set[int] = set()
    for a, b in pairs:
        of_a, of_b = around[a], around[b]
        ring_a, ring_b = (set(triangles[sorted(rows)].ravel().tolist()) - {a, b} for rows in (of_a, of_b))
        # two common neighbours, one at each side of the edge: otherwise the surface would touch itself
        if changed & ({a, b} | ring_a | ring_b) or len(ring_a & ring_b) != 2:
            continue
        changed |= {a, b} | ring_a | ring_b
        alive[sorted(of_a & of_b)] = False
        rows = sorted(of_b - of_a)
        triangles[rows] = np.where(triangles[rows] == b, a, triangles[rows])
    return bool(changed)


def _read(solid: Any, numbers: Sequence[int]) -> Restored:
    out = solid.to_mesh64()
    source, face = sources_of(out, numbers)
    mesh = mesh_of(out)
    return Restored(_compact(mesh.vertices, mesh.triangles), np.maximum(source, 0), face)


def _compact(vertices: FloatArray, triangles: IntArray) -> Mesh:
    used, new = np.unique(triangles, return_inverse=True)
    return Mesh(vertices[used], new.reshape(triangles.shape).astype(np.int32))
