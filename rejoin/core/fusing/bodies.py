"""The bodies of what was fused: which of them are outer ones, and how many there are."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.cropping import Crop
from rejoin.core.fusing.pieces import Piece
from rejoin.core.fusing.ring import BoolArray
from rejoin.core.fusing.sewing import Sewn
from rejoin.core.fusing.soundness import Indices, any_corner, outer_triangles, shells_at, shells_of
from rejoin.core.records import Mesh


def outer(result: Sewn) -> Sewn:
    """Without inner shells and specks."""
    keep = outer_triangles(result.mesh)[0]
    return _with_triangles(result, keep) if len(keep) < len(result.mesh.triangles) else result


def outer_band(band: Sewn, cut: list[Crop], largest_mm3: float) -> tuple[Sewn, int]:
    """The band without bodies that end nowhere at the crops' cuts and enclose a void or next to nothing.

    Returns
    -------
    band : Sewn
    int
        How many bodies it has.
    """
    number, owner = shells_of(band.mesh)
    ends = reaching_rim(band, np.concatenate([crop.rim for crop in cut]), owner)
    good = ends | (np.bincount(owner, meshes.cone_volumes(band.mesh), number) > 1e-3 * largest_mm3)
    return band if good.all() else _with_triangles(band, np.flatnonzero(good[owner])), int(good.sum())


def reaching_rim(band: Sewn, rim: BoolArray, owner: Indices) -> BoolArray:
    """Which bodies of a band end at the crops' cuts (``rim`` of the scans' vertices); ``owner`` (m,) of triangles."""
    at_rim = (band.origin >= 0) & rim[band.origin]
    ends = np.zeros(int(owner.max(initial=-1)) + 1, bool)
    ends[owner[any_corner(at_rim, band.mesh.triangles)]] = True
    return ends


def bodies(pieces: list[Piece], cut: list[Crop], of_band: int, band: Sewn) -> int:
    """How many bodies the whole is in: one, where each piece is one that ends along the same body of the band.

    Elsewhere the bodies beyond each crop and those of the band hang together by the crops' rims.
    """
    if of_band == 1 and all(piece.shells == 1 and crop.rim.any() for piece, crop in zip(pieces, cut, strict=True)):
        return 1
    beyond = abreast(
        lambda both, _: shells_at(Mesh(both[0].mesh.vertices, both[1].beyond)), list(zip(pieces, cut, strict=True))
    )
    total, own = shells_at(band.mesh)
    ends, others, offset = [], [], 0
    of_origin = np.full(sum(len(crop.vertices) for crop in cut), -1, np.int64)
    of_origin[band.origin[band.origin >= 0]] = own[band.origin >= 0]
    for (number, body), crop in zip(beyond, cut, strict=True):
        rim = np.flatnonzero(crop.rim)
        ends.append(of_origin[offset + rim])
        others.append(total + body[crop.vertices[rim]])
        total, offset = total + number, offset + len(crop.vertices)
    one, other = np.concatenate(ends), np.concatenate(others)
    links = coo_matrix((np.ones(len(one), np.int8), (one, other)), (total, total))
    return int(connected_components(links, directed=False)[0])


def _with_triangles(result: Sewn, keep: Indices) -> Sewn:
    mesh, old = meshes.compacted(result.mesh, keep.astype(np.int32))
    return Sewn(mesh, result.origin[old])
