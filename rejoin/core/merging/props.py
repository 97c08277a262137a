"""Props and clay of placed views: what another view would have seen, with the whole lump that it is part of."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, maximum_flow
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.merging.sight import HIGH, Sight, left, some
from rejoin.core.merging.tables import HEIGHTS, open_by_height
from rejoin.core.records import FloatArray, IntArray
from rejoin.core.transforms import apply, inverse

BoolArray = npt.NDArray[np.bool_]

CUT = 5000
"""Places of each view that are asked whether they are to be cut out."""
ENOUGH, SURELY = 50, 0.995
"""Places open from a height, and the share of them that a view shows, from which it was scanned from that height."""
CREASE = np.deg2rad(6.0)
"""Angle between neighbours' normals that makes a crease likely: chance makes a degree or two, aslant some more."""
CHEAPEST, PULL = 0.03, 0.006
"""Strength of a sharp crease, and of a vertex's pull to the piece's side: a level edge has 1."""
UNIT, FAST = 1000, 100
"""Flows are whole numbers: units of a level edge's strength; such edges that hold what is gone to its side."""
LUMP, LEAST = 0.05, 9.0
"""Share of a lump, and square spacings, that stand in air where all of it is a prop."""
SHOWN = 2.0
"""Spacings within which another view shows the same place."""


def props(number: int, poses: dict[int, FloatArray], sights: list[Sight]) -> BoolArray:
    """Vertices (n,) of a view that another one, all being placed rightly, would have seen and did not: a prop, clay.

    Parameters
    ----------
    number : int
        Of the view.
    poses : dict of int to (4, 4)
        common_from_view.
    sights : list of Sight
        Of all views.
    """
    own = sights[number]
    asked = some(np.arange(len(own.fine.points)), CUT)
    gone = np.zeros(len(own.fine.points), bool)
    for other in poses:
        if other != number and sights[other].scene is not None:
            looked = looked_from(other, poses, sights)
            doubt = sights[other].doubts(own, inverse(poses[other]) @ poses[number], asked, partly=True)
            heights = open_by_height(left(doubt, other, number, poses, sights).open)
            gone[doubt.which[heights.all(axis=1) | heights[:, looked].any(axis=1)]] = True
    gone = gone[asked[cKDTree(own.fine.points[asked]).query(own.fine.points, workers=2)[1]]]
    return whole_lumps(own, gone, _confirmed(number, poses, sights))


def whole_lumps(own: Sight, gone: BoolArray, confirmed: BoolArray) -> BoolArray:
    """The vertices (n,) that are gone, with all of each lump that they are part of.

    Where clay meets the piece there is a crease, and what another view shows too (``confirmed``) is none: between the
    two the least cut is sought, cheap along creases. Clay that runs out smoothly here and there is cut straight across.
    """
    if not gone.any():
        return gone
    ends = meshes.edges(own.mesh)
    lump = _side_of(gone, confirmed & ~gone, ends, _strength(own, ends))
    a, b = ends[lump[ends].all(axis=1)].T
    patch = connected_components(coo_matrix((np.ones(len(a)), (a, b)), shape=(len(gone),) * 2), directed=False)[1]
    areas = meshes.vertex_areas(own.mesh) * lump
    gone_mm2, all_mm2 = np.bincount(patch, areas * gone), np.bincount(patch, areas)
    sure = (gone_mm2 > LUMP * all_mm2) & (gone_mm2 > LEAST * own.fine.spacing_mm**2)
    return np.asarray(gone | (lump & sure[patch]))


def _strength(own: Sight, ends: IntArray) -> FloatArray:
    """How little speaks for a crease at edges (k, 2): 1 where the surface is level or bulges."""
    (a, b), fine = ends.T, own.fine
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", fine.normals[a], fine.normals[b]), -1.0, 1.0))
    bulging = np.einsum("ij,ij->i", fine.normals[b] - fine.normals[a], fine.points[b] - fine.points[a]) >= 0.0
    return np.where(bulging, 1.0, np.maximum(np.exp(-((turn / CREASE) ** 2)), CHEAPEST))


def _side_of(gone: BoolArray, kept: BoolArray, ends: IntArray, strength: FloatArray) -> BoolArray:
    """Vertices (n,) on the side of those gone in the least cut between them and those kept.

    Each vertex pulls a little to the piece's side: what is large and hardly gone stays.
    """
    open_ = ~kept
    on = open_[ends].all(axis=1)
    reached = connected_components(coo_matrix((np.ones(on.sum()), tuple(ends[on].T)), shape=(len(gone),) * 2),
                                   directed=False)[1]  # fmt: skip
    inner = np.flatnonzero(open_ & np.isin(reached, reached[gone]))
    number, size = np.full(len(gone), len(inner) + 1), len(inner) + 2
    number[inner] = np.arange(len(inner))
    source, sink = size - 2, size - 1
    two, weight = number[ends], np.maximum((UNIT * strength).astype(np.int32), 1)
    near = (two != sink).any(axis=1)
    own, rest = number[np.flatnonzero(gone)], number[inner[~gone[inner]]]
    starts = [two[near, 0], two[near, 1], np.full(len(own), source), rest]
    stops = [two[near, 1], two[near, 0], own, np.full(len(rest), sink)]
    sizes = [weight[near], weight[near], np.full(len(own), FAST * UNIT), np.full(len(rest), int(PULL * UNIT))]
    whole = coo_matrix((np.concatenate(sizes), (np.concatenate(starts), np.concatenate(stops))), shape=(size, size))
    room = whole.tocsr().astype(np.int32)
    left_over = room - maximum_flow(room, source, sink).flow
    left_over.data[left_over.data < 0] = 0
    left_over.eliminate_zeros()
    reach = breadth_first_order(left_over, source, return_predecessors=False)
    result = np.zeros(len(gone), bool)
    result[inner[reach[reach < len(inner)]]] = True
    return result


def _confirmed(number: int, poses: dict[int, FloatArray], sights: list[Sight]) -> BoolArray:
    """Vertices (n,) of a view where another one shows a surface that faces the same way."""
    own = sights[number].fine
    result = np.zeros(len(own.points), bool)
    for other in poses:
        if other != number:
            theirs, pose = sights[other].fine, inverse(poses[other]) @ poses[number]
            reach = SHOWN * max(own.spacing_mm, theirs.spacing_mm)
            near, which = theirs.tree.query(apply(pose, own.points), distance_upper_bound=reach, workers=2)
            met = np.isfinite(near)
            alike = np.einsum("ij,ij->i", own.normals @ pose[:3, :3].T, theirs.normals[np.where(met, which, 0)])
            result |= met & (alike > 0.5)
    return result


def looked_from(number: int, poses: dict[int, FloatArray], sights: list[Sight]) -> BoolArray:
    """From which of the heights (h,) a view's scanner surely looked: it shows nearly all that is open from there."""
    own, counts = sights[number], np.zeros((2, len(HEIGHTS)))
    for other in poses:
        if other != number and len(sights[other].asked):
            pose = inverse(poses[number]) @ poses[other]
            asked = sights[other].asked
            high, shown = own.shows(sights[other], pose, asked)
            over = high > HIGH * own.fine.spacing_mm
            doubt = own.looks_at(sights[other], pose, asked[over])
            heights = open_by_height(left(doubt, number, other, poses, sights).open)
            seen = shown[over][np.searchsorted(asked[over], doubt.which)]
            counts += np.stack([heights.sum(axis=0), heights[seen].sum(axis=0)])
    return np.asarray((counts[0] >= ENOUGH) & (counts[1] >= SURELY * counts[0]))
