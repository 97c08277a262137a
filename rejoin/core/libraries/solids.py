"""Exact union of closed meshes, fewer triangles (manifold3d); meshes into that library and out again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import NoAnswer
from rejoin.core.records import Mesh

Index = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class United:
    """A union with the origin of each triangle.

    ``source`` (m,) is the index of the input mesh, ``face`` (m,) the triangle
    of that mesh which the output triangle lies in.
    """

    mesh: Mesh
    source: Index
    face: Index


def unite(parts: list[Mesh]) -> United:
    """The union of closed, outward meshes, in double precision.

    Parameters
    ----------
    parts : list of Mesh
        Each closed and consistently oriented; any frame, mm.

    Returns
    -------
    United
        Vertices that the union does not touch keep their coordinates exactly.

    Raises
    ------
    NoAnswer
        Where the library refuses an input, or nothing is left.
    """
    import manifold3d

    solids, ids = [], []
    for number, part in enumerate(parts):
        solid, first_id = numbered_solid(part)
        if solid.status() != manifold3d.Error.NoError:
            raise NoAnswer(
                f"Body {number + 1} of the union is not a closed solid.", "Clean the scans again, or fill their holes."
            )
        solids.append(solid)
        ids.append(first_id)
    united = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    if united.status() != manifold3d.Error.NoError or united.is_empty():
        raise NoAnswer("The union of the fragments is empty.", "Look at the placements and at the scans.")
    out = united.to_mesh64()
    return United(mesh_of(out), *sources_of(out, ids))


def simplified(mesh: Mesh, tolerance_mm: float) -> Mesh:
    """A closed mesh with fewer triangles and the same handles; its vertices are some of the mesh's own.

    Raises
    ------
    NoAnswer
        Where the mesh is not a closed solid.
    """
    import manifold3d

    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), mesh.triangles.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        raise NoAnswer("The whole is not a closed solid.", "Close its holes first.")
    return mesh_of(solid.simplify(tolerance_mm).to_mesh64())


def numbered_solid(mesh: Mesh) -> tuple[Any, int]:
    """A solid of the library, and the number by which its triangles are found again in what is made of it."""
    import manifold3d

    first_id = manifold3d.Manifold.reserve_ids(1)
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(
            np.array(mesh.vertices),
            mesh.triangles.astype(np.uint64),
            run_index=np.array([0, 3 * len(mesh.triangles)], np.uint64),
            run_original_id=np.array([first_id], np.uint32),
            face_id=np.arange(len(mesh.triangles), dtype=np.uint64),
        )
    )
    return solid, first_id


def mesh_of(out: Any) -> Mesh:
    """The mesh that the library hands out, vertices in one place made one."""
    triangles, merged = np.array(out.tri_verts, np.int64), np.array(out.merge_from_vert, np.int64)
    if len(merged):
        target = np.arange(len(out.vert_properties))
        target[merged] = np.array(out.merge_to_vert, np.int64)
        triangles = target[triangles]
    return Mesh(np.array(out.vert_properties[:, :3]), triangles.astype(np.int32))


def sources_of(out: Any, ids: Sequence[int]) -> tuple[Index, Index]:
    """Which of the solids each triangle (m,) is of (-1: none), and which triangle of it."""
    order = {original: number for number, original in enumerate(ids)}
    of = [order.get(int(original), -1) for original in out.run_original_id]
    source = np.repeat(of, np.diff(np.array(out.run_index, np.int64) // 3))
    return source.astype(np.int64), np.array(out.face_id, np.int64)
