"""A hollow's walls: what faces bare fracture of another fragment, and ends at edges on all sides."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.ring import BoolArray, Contact, widened
from rejoin.core.fusing.soundness import Indices, any_corner, within_box
from rejoin.core.records import FloatArray, Mesh

SEEN = 0.12
"""Cosine between a normal and the way to what is faced, at least."""
TALLEST = 1.2
"""A wall is no farther from the bare patch than so many times its width."""
MEETS = 2.0
"""A wall comes as near as so many widths of the strip to the bare patch: they meet at the bottom of the hollow."""
LOOKED_AT = 24
"""Places of a bare patch that a wall may face, beside the nearest ones."""

SHARP, USUAL = np.deg2rad(20.0), 3.0
"""Turn of the normals, outwards and over two rings, that makes an edge; or so many times the usual turn, if more."""
FARTHER = 5
"""Rings over which a wall is followed beyond what faces the hollow, to where it ends at edges."""
NARROWED = 3
"""Rings by which edges are widened, one after the other, where too little is shut in: they may have gaps."""
SCAR = 0.5
"""A wall is at least so many times as large as the bare fracture that it faces: a chip broke off both."""
FEWEST = 6
"""Vertices of a wall, at least."""
ROOM = 24.0
"""Spacings around a bare patch and what it faces that are looked at: more than all the rings that are followed."""


def patches_of(part: Mesh, members: Indices, removed: BoolArray) -> tuple[int, Indices, BoolArray]:
    """How many patches the vertices make, the patch of each, and which of them lie beside the strip."""
    chosen = np.zeros(len(part.vertices), bool)
    chosen[members] = True
    local, kept = meshes.compacted(part, np.flatnonzero(any_corner(chosen, part.triangles)).astype(np.int32))
    graph = meshes.adjacency(local)
    own = np.searchsorted(kept, members)
    number, piece = connected_components(graph[own][:, own], directed=False)
    beside = np.asarray(graph[own] @ removed[kept].astype(np.float32)).ravel() > 0
    return number, piece, beside


def walls_facing(
    part: Mesh, normals: FloatArray, spots: FloatArray, theirs: FloatArray, bare_mm2: float, loose: BoolArray,
    side: Contact, spacing_mm: float,
) -> Indices:  # fmt: skip
    """Vertices of a part that face one bare patch, no farther from it than it is wide, in one patch with the strip.

    Of these only what is shut in by edges and by the strip: original surface
    that faces the hollow, as a fillet or a bore may, goes on. Where nothing is
    shut in, the edges are worn or drowned in noise, and all of it counts.

    Parameters
    ----------
    part : Mesh
    normals : (n, 3)
        Of the part, averaged over some neighbours.
    spots, theirs : (k, 3)
        Points of the bare patch, mm, and their normals.
    bare_mm2 : float
        Its area.
    loose : (n,) bool
        What of the part is not in contact.
    side : Contact
        The strip that is given up.
    spacing_mm : float

    Returns
    -------
    (m,) int
    """
    reach = float(np.linalg.norm(np.ptp(spots, axis=0)))
    around = within_box(part.vertices, spots, reach + ROOM * spacing_mm)
    local, kept = meshes.compacted(part, np.flatnonzero(any_corner(around, part.triangles)).astype(np.int32))
    removed = side.removed[kept]
    near = np.flatnonzero(loose[kept] & within_box(local.vertices, spots, reach))
    if len(near) == 0:
        return near
    members, length = _facing(local.vertices[near], normals[kept[near]], spots, theirs, TALLEST * reach)
    members = near[members]
    if len(members) == 0:
        return members
    many, piece, beside = patches_of(local, members, removed)
    beside &= length < MEETS * side.strip_mm
    members = members[(np.bincount(piece, beside, many) > 0)[piece]]
    if len(members) == 0:
        return members
    shut_in = _shut_in(local, members, removed, bare_mm2)
    return np.asarray(kept[shut_in if len(shut_in) else members], dtype=np.int64)


def _facing(
    points: FloatArray, own: FloatArray, spots: FloatArray, theirs: FloatArray, reach: float
) -> tuple[Indices, FloatArray]:
    """Which points face one of the spots, and are faced by it, within reach; and how far each is from the nearest."""
    length, nearest = cKDTree(spots).query(points, k=min(4, len(spots)), workers=-1)
    length, nearest = np.reshape(length, (len(points), -1)), np.reshape(nearest, (len(points), -1))
    some = np.linspace(0, len(spots) - 1, min(LOOKED_AT, len(spots))).astype(int)
    seen = np.zeros(len(points), bool)
    for at in [*nearest.T, *(np.full(len(points), spot) for spot in some)]:
        away = spots[at] - points
        size = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
        mine = np.einsum("ij,ij->i", away, own) / size
        back = -np.einsum("ij,ij->i", away, theirs[at]) / size
        seen |= (mine > SEEN) & (back > SEEN)
    seen &= length[:, 0] < reach
    return np.flatnonzero(seen), length[seen, 0]


def _shut_in(part: Mesh, members: Indices, removed: BoolArray, bare_mm2: float) -> Indices:
    """Those of the vertices that are parted from the rest of the surface by edges that stand out, and by the strip."""
    inside = np.zeros(len(part.vertices), bool)
    inside[members] = True
    around = inside
    for _ in range(FARTHER + 3):
        around = widened(part, around)
    local, kept = meshes.compacted(part, np.flatnonzero(any_corner(around, part.triangles)).astype(np.int32))
    areas = meshes.vertex_areas(local)
    graph, inside, strip = meshes.adjacency(local), inside[kept], removed[kept]
    edge, ends = _edges_out(local), meshes.open_vertices(local)
    shut, left, wide = np.zeros(len(inside), bool), inside & ~edge, edge
    for rings in range(NARROWED):
        number, piece = connected_components(graph[left][:, left], directed=False)
        named = np.flatnonzero(left)
        for k in range(number):
            own = np.zeros(len(inside), bool)
            own[named[piece == k]] = True
            own = _followed(graph, own, strip | wide, ends)
            for _ in range(rings + 2):  # back over the edge
                own |= (graph @ own.astype(np.float32) > 0) & inside & wide
            shut |= own
        if areas[shut].sum() > SCAR * bare_mm2:
            break
        wide = widened(local, wide)
        left &= ~wide & ~shut
    return np.asarray(kept[shut], dtype=np.int64)


def _followed(graph: csr_matrix, own: BoolArray, bounds: BoolArray, ends: BoolArray) -> BoolArray:
    """The patch with what it goes on to, up to its bounds; empty where it goes on and on, or to the mesh's ends."""
    own = own & (np.count_nonzero(own) >= FEWEST)
    for _ in range(FARTHER):
        border = (graph @ own.astype(np.float32) > 0) & ~own
        goes_on = border & ~bounds
        if (own & ends).any():
            break
        if not goes_on.any():
            return own
        own = own | goes_on
    return np.zeros(len(own), bool)


def _edges_out(part: Mesh) -> BoolArray:
    """Vertices where the surface turns outwards by more than noise does."""
    graph, normals = meshes.adjacency(part), meshes.vertex_normals(part)
    normals = normals + graph @ normals
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    pairs: coo_matrix = (graph + graph @ graph).tocoo()
    one, other = (np.asarray(ends[pairs.row < pairs.col]) for ends in (pairs.row, pairs.col))
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", normals[one], normals[other]), -1.0, 1.0))
    outwards = np.einsum("ij,ij->i", normals[other] - normals[one], part.vertices[other] - part.vertices[one]) > 0
    sharp = outwards & (turn > max(SHARP, USUAL * float(np.median(turn))))
    across = coo_matrix((np.ones(np.count_nonzero(sharp), np.float32), (one[sharp], other[sharp])), graph.shape).tocsr()
    # What lies between: both ends would make the edge as wide as a small chip.
    between = (graph @ (across + across.T)).multiply(graph)
    return np.asarray(between.sum(axis=1)).ravel() > 0
