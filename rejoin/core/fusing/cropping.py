"""Cut out of each fragment what lies near the crack; the rest stays as it is and is only counted from afar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.ring import REACH, BoolArray
from rejoin.core.fusing.sewing import Sewn, joined
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]

MOST_CELLS = 4_000_000
FAR_CELL = 4.0
"""Size, in spacings, of the cells in which far triangles are summed; they are at least `REACH` away."""


@dataclass(frozen=True, eq=False)
class Crop:
    """A fragment near the crack.

    ``mesh`` has the vertices ``vertices`` (n,) of the fragment; ``beyond``
    (m, 3) are the fragment's other triangles. ``rim`` (n,) flags its vertices
    where the fragment goes on beyond the cut; ``border`` (k, 2) are the
    directed edges of the cut.
    """

    mesh: Mesh
    vertices: Indices
    beyond: IntArray
    rim: BoolArray
    border: IntArray


def crops(parts: list[Mesh], also: list[BoolArray], spacing_mm: float) -> list[Crop]:
    """Each fragment's triangles within `REACH` spacings (and up to half as far again) of another or of ``also``.

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
    cell = max(0.5 * REACH * spacing_mm, float((np.prod(size + REACH * spacing_mm) / MOST_CELLS) ** (1.0 / 3.0)))
    shape = np.floor(size / cell).astype(np.int64) + 3
    strides = np.array([shape[1] * shape[2], shape[2], 1])
    places = [
        sum((((part.vertices[:, k] - low[k]) / cell).astype(np.int64) + 1) * strides[k] for k in range(3))
        for part in parts
    ]

    def cut(number: int, _: object) -> Crop:
        others = [place for k, place in enumerate(places) if k != number]
        wanted = _with_neighbours(np.concatenate([*others, places[number][also[number]]]), shape)
        return _cut(parts[number], wanted[places[number]])

    return abreast(cut, range(len(parts)))


def _with_neighbours(cells: Indices, shape: Indices) -> BoolArray:
    grid = np.zeros(shape, bool)
    grid.ravel()[cells] = True
    for axis in range(3):
        line = np.moveaxis(grid, axis, 0)
        before = line.copy()
        for step in (1, 2):
            line[step:] |= before[:-step]
            line[:-step] |= before[step:]
    return grid.ravel()


def _cut(part: Mesh, inside: BoolArray) -> Crop:
    near = any_corner(inside, part.triangles)
    mesh, vertices = meshes.compacted(part, np.flatnonzero(near).astype(np.int32))
    rim = np.zeros(len(mesh.vertices), bool)
    border = meshes.border_edges(mesh)
    rim[border.ravel()] = True
    return Crop(mesh, vertices.astype(np.int64), np.compress(~near, part.triangles, axis=0), rim, border)


@dataclass(frozen=True, eq=False)
class Far:
    """What lies beyond the crops: a few triangles that stand for it, its area, its volume towards ``origin`` (3,)."""

    soup: Mesh
    area_mm2: float
    volume_mm3: float
    origin: FloatArray


def beyond_crops(parts: list[Mesh], cut: list[Crop], spacing_mm: float) -> Far:
    """Sum up the triangles beyond the crops.

    One triangle for each cell and fragment, with the summed area vector at the
    mean centre: the dipole term of the cell's solid angle (Barill and others 2018).
    """
    origin = np.mean([part.vertices[:: max(1, len(part.vertices) // 1000)].mean(axis=0) for part in parts], axis=0)
    shares = abreast(
        lambda one, _: _beyond(one[0], one[1], origin, FAR_CELL * spacing_mm), list(zip(parts, cut, strict=True))
    )
    soups, areas, volumes = zip(*shares, strict=True)
    return Far(joined(list(soups)), float(sum(areas)), float(sum(volumes)), origin)


def _beyond(part: Mesh, crop: Crop, origin: FloatArray, cell_mm: float) -> tuple[Mesh, float, float]:
    """What stands for one fragment's triangles beyond its crop, their area, and their volume towards ``origin``."""
    if len(crop.beyond) == 0:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32)), 0.0, 0.0
    first, cross, size = _crosses(part.vertices, crop.beyond, origin)
    volume = sum(float(first[k] @ cross[k]) for k in range(3)) / 6.0
    centre, summed = _summed(first, cross, size, cell_mm)
    return _as_triangles(centre + origin, summed), 0.5 * float(size.sum()), volume


def _crosses(
    vertices: FloatArray, triangles: IntArray, origin: FloatArray
) -> tuple[list[FloatArray], list[FloatArray], FloatArray]:
    """First corners seen from ``origin`` and cross products, axis by axis, and the cross products' lengths (m,)."""
    axes = [np.ascontiguousarray(vertices[:, k]) - origin[k] for k in range(3)]
    corners = [np.ascontiguousarray(triangles[:, k]) for k in range(3)]
    first = [axis[corners[0]] for axis in axes]
    u = [axis[corners[1]] - start for axis, start in zip(axes, first, strict=True)]
    v = [axis[corners[2]] - start for axis, start in zip(axes, first, strict=True)]
    cross = [u[i] * v[j] - u[j] * v[i] for i, j in ((1, 2), (2, 0), (0, 1))]
    return first, cross, np.sqrt(cross[0] ** 2 + cross[1] ** 2 + cross[2] ** 2)


def _summed(
    first: list[FloatArray], cross: list[FloatArray], size: FloatArray, cell_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Centre (k, 3) and area vector (k, 3) of the triangles in each cell."""
    low = [float(axis.min()) for axis in first]
    extent = [float(axis.max()) - start for axis, start in zip(first, low, strict=True)]
    cell_mm = max(cell_mm, float((np.prod([e + cell_mm for e in extent]) / MOST_CELLS) ** (1.0 / 3.0)))
    cells = [((axis - start) / cell_mm).astype(np.int32) for axis, start in zip(first, low, strict=True)]
    wide = [int(e / cell_mm) + 1 for e in extent]
    owner = (cells[0] * wide[1] + cells[1]) * wide[2] + cells[2]
    total = np.bincount(owner, size)
    used = np.flatnonzero(total > 0)
    centre = np.stack([np.bincount(owner, size * axis)[used] / total[used] for axis in first], axis=1)
    return centre, np.stack([0.5 * np.bincount(owner, axis)[used] for axis in cross], axis=1)


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


def meets_rims(cut: list[Crop], result: Sewn) -> bool:
    """Whether what was sewn ends along the crops' cuts and nowhere else, with every other edge between two triangles.

    The fragments being closed, the whole is then closed too.
    """
    mesh, offset, wanted = result.mesh, 0, []
    number = np.full(len(mesh.vertices), -1, np.int64)
    for crop in cut:
        wanted.append(crop.border.astype(np.int64) + offset)
        offset += len(crop.vertices)
    number = np.where(result.origin >= 0, result.origin, offset + np.arange(len(mesh.vertices)))
    directed = meshes.edges(mesh).astype(np.int64)
    code = np.sort(directed[:, 0] * len(mesh.vertices) + directed[:, 1])
    if (code[1:] == code[:-1]).any():
        return False
    found, rim = number[meshes.border_edges(mesh)], np.concatenate(wanted)
    total = offset + len(mesh.vertices)
    return bool(np.array_equal(np.sort(found[:, 0] * total + found[:, 1]), np.sort(rim[:, 0] * total + rim[:, 1])))


def assembled(parts: list[Mesh], cut: list[Crop], result: Sewn) -> Sewn:
    """The fragments with what was sewn in place of their crops; ``origin`` counts the fragments' vertices."""
    offsets = np.cumsum([0, *[len(part.vertices) for part in parts]])
    starts = np.cumsum([0, *[len(crop.vertices) for crop in cut]])
    old = result.origin >= 0
    stays = np.zeros(starts[-1], bool)
    stays[result.origin[old]] = True

    def of_whole(number: int, _: object) -> BoolArray:
        """Which of a fragment's vertices are in the whole."""
        result = np.zeros(len(parts[number].vertices), bool)
        result[cut[number].beyond.ravel()] = True
        result[cut[number].vertices] |= stays[starts[number] : starts[number + 1]]
        return result

    flags = abreast(of_whole, range(len(parts)))
    used = np.concatenate(flags)
    new_index = np.cumsum(used, dtype=np.int32) - np.int32(1)
    kept = np.flatnonzero(used)
    number = np.empty(len(result.origin), np.int32)
    own = np.concatenate([crop.vertices + offset for crop, offset in zip(cut, offsets[:-1], strict=True)])
    number[old] = new_index[own[result.origin[old]]]
    number[~old] = len(kept) + np.arange(np.count_nonzero(~old))
    triangles = abreast(
        lambda k, _: np.take(new_index[offsets[k] : offsets[k + 1]], cut[k].beyond), range(len(parts))
    )
    vertices = [np.compress(some, part.vertices, axis=0) for part, some in zip(parts, flags, strict=True)]
    mesh = meshes.made(
        np.concatenate([*vertices, result.mesh.vertices[~old]]),
        np.concatenate([*triangles, number[result.mesh.triangles]]),
    )
    return Sewn(mesh, np.concatenate([kept, np.full(np.count_nonzero(~old), -1)]))
