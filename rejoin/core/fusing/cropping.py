"""Cut out of each fragment what lies near the crack; the rest stays as it is and is only counted from afar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core import meshes
from rejoin.core.fusing.ring import REACH, BoolArray
from rejoin.core.fusing.sewing import Sewn
from rejoin.core.records import FloatArray, Mesh

Indices = npt.NDArray[np.int64]

MOST_CELLS = 4_000_000
FAR_CELL = 3.0
"""Size, in spacings, of the cells in which far triangles are summed; they are at least `REACH` away."""


@dataclass(frozen=True, eq=False)
class Crop:
    """A fragment near the crack.

    ``mesh`` has the vertices ``vertices`` (n,) of the fragment and the
    triangles flagged in ``near`` (m,). ``rim`` (n,) flags its vertices where
    the fragment goes on beyond the cut.
    """

    mesh: Mesh
    vertices: Indices
    near: BoolArray
    rim: BoolArray


def crops(parts: list[Mesh], also: list[BoolArray], spacing_mm: float) -> list[Crop]:
    """Each fragment's triangles within `REACH` spacings (and up to twice that) of another or of the ``also`` vertices.

    Parameters
    ----------
    parts : list of Mesh
        Closed, in one frame.
    also : list of (n,) bool
        Vertices, per fragment, around which triangles are wanted too.
    spacing_mm : float
    """
    low = np.min([part.vertices.min(axis=0) for part in parts], axis=0)
    size = np.max([part.vertices.max(axis=0) for part in parts], axis=0) - low
    cell = max(REACH * spacing_mm, float((np.prod(size + REACH * spacing_mm) / MOST_CELLS) ** (1.0 / 3.0)))
    shape = np.floor(size / cell).astype(np.int64) + 3
    strides = np.array([shape[1] * shape[2], shape[2], 1])
    places = [(np.floor((part.vertices - low) / cell).astype(np.int64) + 1) @ strides for part in parts]
    result = []
    for number, part in enumerate(parts):
        others = [place for k, place in enumerate(places) if k != number]
        wanted = _with_neighbours(np.concatenate([*others, places[number][also[number]]]), shape)
        result.append(_cut(part, wanted[places[number]]))
    return result


def _with_neighbours(cells: Indices, shape: Indices) -> BoolArray:
    grid = np.zeros(shape, bool)
    grid.ravel()[cells] = True
    for axis in range(3):
        line = np.moveaxis(grid, axis, 0)
        before = line.copy()
        line[1:] |= before[:-1]
        line[:-1] |= before[1:]
    return grid.ravel()


def _cut(part: Mesh, inside: BoolArray) -> Crop:
    near: BoolArray = np.asarray(inside[part.triangles].any(axis=1))
    mesh, vertices = meshes.compacted(part, np.flatnonzero(near).astype(np.int32))
    rim = np.zeros(len(mesh.vertices), bool)
    rim[meshes.border_edges(mesh).ravel()] = True
    return Crop(mesh, vertices.astype(np.int64), near, rim)


def far_soup(parts: list[Mesh], cut: list[Crop], spacing_mm: float) -> Mesh:
    """Few triangles that stand, seen from the crack, for all those beyond the crops.

    One for each cell and fragment, with the summed area vector at the mean
    centre: the dipole term of the cell's solid angle (Barill and others 2018).
    """
    centres, areas = [], []
    for part, crop in zip(parts, cut, strict=True):
        away = Mesh(part.vertices, part.triangles[~crop.near])
        if len(away.triangles):
            centre, area = _summed(away, FAR_CELL * spacing_mm)
            centres.append(centre)
            areas.append(area)
    if not centres:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    return _as_triangles(np.concatenate(centres), np.concatenate(areas))


def _summed(mesh: Mesh, cell_mm: float) -> tuple[FloatArray, FloatArray]:
    crosses = meshes.triangle_crosses(mesh)
    size = np.sqrt(np.einsum("ij,ij->i", crosses, crosses))
    first = np.ascontiguousarray(mesh.vertices)[mesh.triangles[:, 0]]
    corners = mesh.triangles
    middle = (first + mesh.vertices[corners[:, 1]] + mesh.vertices[corners[:, 2]]) / 3.0
    cells = np.floor((first - first.min(axis=0)) / cell_mm).astype(np.int64)
    wide = cells.max(axis=0) + 1
    _, owner = np.unique((cells[:, 0] * wide[1] + cells[:, 1]) * wide[2] + cells[:, 2], return_inverse=True)
    total = np.maximum(np.bincount(owner, size), 1e-30)
    centre = np.stack([np.bincount(owner, size * middle[:, k]) / total for k in range(3)], axis=1)
    return centre, np.stack([0.5 * np.bincount(owner, crosses[:, k]) for k in range(3)], axis=1)


def _as_triangles(centres: FloatArray, areas: FloatArray) -> Mesh:
    """An equilateral triangle for each area vector."""
    size = np.linalg.norm(areas, axis=1)
    keep = size > 0
    normal, size, centres = areas[keep] / size[keep, None], size[keep], centres[keep]
    helper = np.where(np.abs(normal[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    u = np.cross(normal, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(normal, u)
    radius = np.sqrt(size / (0.75 * np.sqrt(3.0)))[:, None]
    turns = [(np.cos(a), np.sin(a)) for a in (0.0, 2.0 * np.pi / 3.0, 4.0 * np.pi / 3.0)]
    vertices = np.stack([centres + radius * (c * u + s * v) for c, s in turns], axis=1).reshape(-1, 3)
    return Mesh(vertices, np.arange(len(vertices), dtype=np.int32).reshape(-1, 3))


def assembled(parts: list[Mesh], cut: list[Crop], result: Sewn) -> Sewn:
    """The fragments with what was sewn in place of their crops; ``origin`` counts the fragments' vertices."""
    offsets = np.cumsum([0, *[len(part.vertices) for part in parts]])
    own = np.concatenate([crop.vertices + offset for crop, offset in zip(cut, offsets[:-1], strict=True)])
    new = np.flatnonzero(result.origin < 0)
    number = np.empty(len(result.origin), np.int64)
    number[new] = offsets[-1] + np.arange(len(new))
    number[result.origin >= 0] = own[result.origin[result.origin >= 0]]
    away = [part.triangles[~crop.near] + offset for part, crop, offset in zip(parts, cut, offsets[:-1], strict=True)]
    vertices = np.concatenate([*[part.vertices for part in parts], result.mesh.vertices[new]])
    mesh, kept = meshes.compacted(
        Mesh(vertices, np.concatenate([*away, number[result.mesh.triangles]]).astype(np.int32))
    )
    return Sewn(mesh, np.where(kept < offsets[-1], kept, -1).astype(np.int64))
