"""Exact union of closed meshes (manifold3d): the only doorway to that library."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, Mesh


@dataclass(frozen=True, eq=False)
class United:
    """A union with the origin of each triangle.

    ``source`` (m,) is the index of the input mesh, ``face`` (m,) the triangle
    of that mesh which the output triangle lies in.
    """

    mesh: Mesh
    source: npt.NDArray[np.int64]
    face: npt.NDArray[np.int64]


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
        first_id = manifold3d.Manifold.reserve_ids(1)
        solid = manifold3d.Manifold(
            manifold3d.Mesh64(
                np.array(part.vertices),
                part.triangles.astype(np.uint64),
                run_index=np.array([0, 3 * len(part.triangles)], np.uint64),
                run_original_id=np.array([first_id], np.uint32),
                face_id=np.arange(len(part.triangles), dtype=np.uint64),
            )
        )
        if solid.status() != manifold3d.Error.NoError:
            raise NoAnswer(
                f"Body {number + 1} of the union is not a closed solid.", "Clean the scans again, or fill their holes."
            )
        solids.append(solid)
        ids.append(first_id)
    united = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    if united.status() != manifold3d.Error.NoError or united.is_empty():
        raise NoAnswer("The union of the fragments is empty.", "Look at the placements and at the scans.")
    return _read(united.to_mesh64(), ids)


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
    out = solid.simplify(tolerance_mm).to_mesh64()
    vertices, triangles = np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, np.int64)
    target = np.arange(len(vertices))
    target[np.array(out.merge_from_vert, np.int64)] = np.array(out.merge_to_vert, np.int64)
    return Mesh(vertices, target[triangles].astype(np.int32))


def _read(out: object, ids: list[int]) -> United:
    vertices: FloatArray = np.array(out.vert_properties[:, :3])  # type: ignore[attr-defined]
    triangles = np.array(out.tri_verts, np.int64)  # type: ignore[attr-defined]
    merge_from = np.array(out.merge_from_vert, np.int64)  # type: ignore[attr-defined]
    if len(merge_from):
        target = np.arange(len(vertices))
        target[merge_from] = np.array(out.merge_to_vert, np.int64)  # type: ignore[attr-defined]
        triangles = target[triangles]
    runs = np.array(out.run_index, np.int64) // 3  # type: ignore[attr-defined]
    order = {original: number for number, original in enumerate(ids)}
    source = np.repeat(
        [order.get(int(original), -1) for original in out.run_original_id],  # type: ignore[attr-defined]
        np.diff(runs),
    )
    face = np.array(out.face_id, np.int64)  # type: ignore[attr-defined]
    return United(Mesh(vertices, triangles.astype(np.int32)), source.astype(np.int64), face)
