"""The shells of a fused mesh, and the checks that fusing makes on its own output."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh

Indices = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


SOME = 8
"""Of so many vertices one is asked first how far the whole is from the fragments."""


def any_corner(flags: BoolArray, triangles: IntArray | Indices) -> BoolArray:
    """Which triangles (m,) have a flagged corner."""
    return np.asarray(flags[triangles[:, 0]] | flags[triangles[:, 1]] | flags[triangles[:, 2]])


def every_corner(flags: BoolArray, triangles: IntArray) -> BoolArray:
    """Which triangles (m,) have flagged corners only."""
    return np.asarray(flags[triangles[:, 0]] & flags[triangles[:, 1]] & flags[triangles[:, 2]])


def within_box(vertices: FloatArray, spots: FloatArray, reach_mm: float) -> BoolArray:
    """Which vertices (n,) lie in the box around some spots."""
    low, high = spots.min(axis=0) - reach_mm, spots.max(axis=0) + reach_mm
    inside = np.ones(len(vertices), bool)
    for axis in range(3):
        inside &= (vertices[:, axis] >= low[axis]) & (vertices[:, axis] <= high[axis])
    return inside


def shells_of(mesh: Mesh) -> tuple[int, Indices]:
    """Number of connected bodies of triangles, and the body (m,) of each triangle."""
    number, body = shells_at(mesh)
    return number, body[mesh.triangles[:, 0]]


def shells_at(mesh: Mesh) -> tuple[int, Indices]:
    """Number of connected bodies of triangles, and the body (n,) at each vertex, -1 where there is none."""
    count = len(mesh.vertices)
    ends = (mesh.triangles[:, :2].ravel(), mesh.triangles[:, 1:].ravel())
    graph = coo_matrix((np.ones(len(ends[0]), np.int8), ends), (count, count))
    piece = connected_components(graph, directed=False)[1]
    used = np.zeros(piece.max() + 1, bool) if count else np.zeros(0, bool)
    used[piece[mesh.triangles[:, 0]]] = True
    return int(used.sum()), np.where(used, np.cumsum(used) - 1, -1)[piece]


def outer_triangles(mesh: Mesh) -> tuple[Indices, int, int]:
    """Triangles of the outer shells, how many these are, and how many shells were left out.

    Left out are shells that enclose a void (negative volume) or are smaller
    than a thousandth of the largest.
    """
    number, owner = shells_of(mesh)
    if number <= 1:
        return np.arange(len(mesh.triangles)), number, 0
    volume = np.bincount(owner, meshes.cone_volumes(mesh), number)
    good = volume > 1e-3 * volume.max()
    return np.flatnonzero(good[owner]), int(good.sum()), int((~good).sum())


def output_checks(
    volume_mm3: float, added: FloatArray, parts: list[Mesh], expected_mm3: float, allowed_mm3: float, far_mm: float
) -> tuple[str, ...]:
    """Sentences for each check that fails: volume near what is expected, no added vertex far from every fragment."""
    found = []
    if abs(volume_mm3 - expected_mm3) > allowed_mm3:
        found.append(
            f"The whole's volume, {volume_mm3:.1f} mm³, differs from the fragments' {expected_mm3:.1f} mm³ "
            "by more than the crack explains."
        )
    left, every = added, np.concatenate([part.vertices for part in parts])
    for some in (every[::SOME], every):  # few are left after the first
        tree = cKDTree(some, balanced_tree=False, compact_nodes=False)
        left = left[np.isinf(tree.query(left, distance_upper_bound=far_mm, workers=-1)[0])] if len(left) else left
    if len(left):
        found.append(f"{len(left)} vertices of the whole lie farther than {far_mm:.2f} mm from every fragment.")
    return tuple(found)
