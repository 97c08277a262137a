"""Cut out what still runs through itself at the seam, and close the cut smoothly."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.crossings import Pairs
from rejoin.core.fusing.fairing import faired
from rejoin.core.fusing.holes import rings
from rejoin.core.fusing.ring import BoolArray, widened
from rejoin.core.fusing.sewing import Sewn
from rejoin.core.fusing.soundness import Indices, any_corner
from rejoin.core.fusing.stitching import border_loops
from rejoin.core.fusing.untangling import seam_crossings
from rejoin.core.records import FloatArray, Mesh

REACH, WIDEST = 1.5, 8.0
"""What the scans brought is cut so near to what is new, and spots no wider, in spacings."""
ROUNDS = 6
"""How often it is tried, with another ring of triangles around the crossings where that did not help."""


def recut(band: Sewn, rim: BoolArray, spacing_mm: float) -> tuple[Sewn, Pairs]:
    """The band with the surroundings of crossing triangles made anew, where that leaves fewer of them.

    Parameters
    ----------
    band : Sewn
    rim : (n,) bool
        Vertices of the scans (which ``origin`` counts) that have to stay.
    spacing_mm : float

    Returns
    -------
    Sewn, (k, 2) int
        The band, and what still crosses.
    """
    crossings, around = seam_crossings(band.mesh, band.origin < 0), 0
    if not len(crossings):
        return band, crossings
    stands = _standing(band, rim, spacing_mm)
    for _ in range(ROUNDS):
        if not len(crossings):
            break
        flags = np.zeros(len(band.mesh.vertices), bool)
        flags[band.mesh.triangles[crossings].ravel()] = True
        stay = (band.origin >= 0) & (rim[band.origin] | (stands[band.origin] & ~flags))
        for _ in range(around):
            flags = widened(band.mesh, flags)
        other, pairs = _made_anew(band, flags, stay, spacing_mm)
        better = len(pairs) < len(crossings)
        band, crossings, around = (other, pairs, around) if better else (band, crossings, around + 1)
    return band, crossings


def _made_anew(band: Sewn, flags: BoolArray, stands: BoolArray, spacing_mm: float) -> tuple[Sewn, Pairs]:
    """The band with the spots around the flagged vertices (n,) made anew where that helps, and what crosses there."""
    other, spot = _without(band, flags, stands, spacing_mm, np.zeros(0, np.int64))
    pairs = seam_crossings(other.mesh, other.origin < 0, spot >= 0, spacing_mm)
    bad = np.unique(spot[other.mesh.triangles[pairs]])
    bad = bad[bad >= 0]
    if len(bad) == 0 or len(bad) > spot.max(initial=-1):  # none, or all of them
        return other, pairs
    fewer, spot = _without(band, flags, stands, spacing_mm, bad)
    left = seam_crossings(fewer.mesh, fewer.origin < 0, spot >= 0, spacing_mm)
    return (fewer, left) if len(left) < len(pairs) else (other, pairs)


def _standing(band: Sewn, rim: BoolArray, spacing_mm: float) -> BoolArray:
    """The scans' vertices that stay, but for corners of what crosses: of the rim, and away from all that is new."""
    kept, points, stands = np.flatnonzero(band.origin >= 0), band.mesh.vertices, rim.copy()
    near = cKDTree(points[band.origin < 0]).query(points[kept], distance_upper_bound=REACH * spacing_mm)[0]
    stands[band.origin[kept[np.isinf(near)]]] = True
    return stands


def _without(
    band: Sewn, flags: BoolArray, stands: BoolArray, spacing_mm: float, but: Indices
) -> tuple[Sewn, Indices]:
    """The band with the triangles around the flagged vertices (n,) replaced, spot by spot, ``but`` for some spots.

    The spot of each vertex comes with it, -1 where there is none.
    """
    mesh = band.mesh
    chosen = np.flatnonzero(any_corner(flags, mesh.triangles))
    gone, vertices, count = np.zeros(len(mesh.triangles), bool), [mesh.vertices], len(mesh.vertices)
    triangles: list[Indices] = []
    owners = [np.full(count, -1)]
    for number, spot in enumerate(_spots(mesh, chosen)):
        owners[0][mesh.triangles[spot]] = number
        loop = None if number in but else _hole(mesh, spot)
        if loop is None or _inner(mesh, spot, stands).any() or _wide(mesh.vertices[loop]) > WIDEST * spacing_mm:
            continue
        points, added = rings(mesh.vertices[loop], loop, count, spacing_mm)
        gone[spot] = True
        vertices.append(points)
        triangles.append(added)
        owners.append(np.full(len(points), number))
        count += len(points)
    whole = Mesh(np.concatenate(vertices), np.concatenate([mesh.triangles[~gone], *triangles]).astype(np.int32))
    whole = faired(whole, np.arange(len(mesh.vertices), count))
    made, kept = meshes.compacted(whole)
    origin = np.append(band.origin, np.full(count - len(mesh.vertices), -1))
    return Sewn(made, origin[kept]), np.concatenate(owners)[kept]


def _inner(mesh: Mesh, spot: Indices, stands: BoolArray) -> BoolArray:
    """Which vertices of a spot stay though no triangle beside it has them."""
    corners = meshes.sorted_unique(mesh.triangles[spot].astype(np.int64))
    beside = np.zeros(len(mesh.vertices), bool)
    others = np.ones(len(mesh.triangles), bool)
    others[spot] = False
    beside[mesh.triangles[others].ravel()] = True
    return stands[corners] & ~beside[corners]


def _wide(points: FloatArray) -> float:
    return float(np.linalg.norm(np.ptp(points, axis=0)))


def _spots(mesh: Mesh, chosen: Indices) -> list[Indices]:
    """The chosen triangles in groups that share corners."""
    corners = mesh.triangles[chosen]
    rows = np.repeat(np.arange(len(chosen)), 3)
    graph = coo_matrix((np.ones(len(rows), bool), (rows, corners.ravel())), (len(chosen), len(mesh.vertices))).tocsr()
    number, group = connected_components(graph @ graph.T, directed=False)
    return [chosen[group == k] for k in range(number)]


def _hole(mesh: Mesh, spot: Indices) -> Indices | None:
    """The loop around a spot that is a disc, as the border of what remains; else None."""
    triangles = mesh.triangles[spot]
    loops = border_loops(triangles, len(mesh.vertices))
    if loops is None or len(loops) != 1:
        return None
    inner = len(meshes.sorted_unique(triangles.astype(np.int64))) - (len(spot) * 3 + len(loops[0])) // 2 + len(spot)
    return loops[0][::-1] if inner == 1 else None
