"""Material added to and cut from a closed mesh (manifold3d), and where each triangle comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, IntArray, Mesh


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
    return _read(solid, numbers)


def hull_of(points: FloatArray) -> Mesh:
    """The convex hull of points (n, 3)."""
    import manifold3d

    made = manifold3d.Manifold.hull_points(np.ascontiguousarray(points, np.float64)).to_mesh64()
    return Mesh(np.array(made.vert_properties[:, :3]), np.array(made.tri_verts, np.int32))


def _solid(mesh: Mesh, what: str) -> tuple[Any, int]:
    import manifold3d

    first = manifold3d.Manifold.reserve_ids(1)
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(
            np.array(mesh.vertices),
            mesh.triangles.astype(np.uint64),
            run_index=np.array([0, 3 * len(mesh.triangles)], np.uint64),
            run_original_id=np.array([first], np.uint32),
            face_id=np.arange(len(mesh.triangles), dtype=np.uint64),
        )
    )
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise NoAnswer(f"{what} is not a closed solid.", "Close the whole first.")
    return solid, first


def _read(solid: Any, numbers: Sequence[int]) -> Restored:
    out = solid.to_mesh64()
    triangles = np.array(out.tri_verts, np.int64)
    merge_from = np.array(out.merge_from_vert, np.int64)
    if len(merge_from):
        target = np.arange(len(out.vert_properties))
        target[merge_from] = np.array(out.merge_to_vert, np.int64)
        triangles = target[triangles]
    order = {original: number for number, original in enumerate(numbers)}
    lengths = np.diff(np.array(out.run_index, np.int64) // 3)
    source = np.repeat([order.get(int(original), 0) for original in out.run_original_id], lengths)
    mesh = _compact(np.array(out.vert_properties[:, :3]), triangles.astype(np.int32))
    return Restored(mesh, source.astype(np.int64), np.array(out.face_id, np.int64))


def _compact(vertices: FloatArray, triangles: IntArray) -> Mesh:
    used, new = np.unique(triangles, return_inverse=True)
    return Mesh(vertices[used], new.reshape(triangles.shape).astype(np.int32))
