"""Props and clay of placed views: what another view would have seen, with the whole lump that it is part of."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.merging.sight import HIGH, Sight, left, some
from rejoin.core.merging.tables import HEIGHTS, open_by_height
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, inverse

BoolArray = npt.NDArray[np.bool_]

CUT = 5000
"""Places of each view that are asked whether they are to be cut out."""
ENOUGH, SURELY = 50, 0.995
"""Places open from a height, and the share of them that a view shows, from which it was scanned from that height."""
CREASE = np.deg2rad(6.0)
"""Angle between neighbours' normals, evened, that makes a crease: chance makes a degree or two."""
LUMP, LEAST = 0.25, 9.0
"""Share of a patch between creases, and square spacings, that stand in air where all of it is a prop."""
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
            doubt = sights[other].doubts(own, inverse(poses[other]) @ poses[number], asked)
            heights = open_by_height(left(doubt, other, number, poses, sights).open)
            gone[doubt.which[heights.all(axis=1) | heights[:, looked].any(axis=1)]] = True
    gone = gone[asked[cKDTree(own.fine.points[asked]).query(own.fine.points, workers=2)[1]]]
    return whole_lumps(own, gone, _confirmed(number, poses, sights))


def whole_lumps(own: Sight, gone: BoolArray, confirmed: BoolArray) -> BoolArray:
    """The vertices (n,) that are gone, with all of each patch between creases of which a good part is.

    Where clay meets the piece there is a crease; no patch goes on where another view shows the same (``confirmed``).
    """
    if not gone.any():
        return gone
    fine, (a, b) = own.fine, meshes.edges(own.mesh).T
    level = np.einsum("ij,ij->i", fine.normals[a], fine.normals[b]) > np.cos(CREASE)
    bulging = np.einsum("ij,ij->i", fine.normals[b] - fine.normals[a], fine.points[b] - fine.points[a]) >= 0.0
    apart, size = confirmed.copy(), len(fine.points)
    apart[np.concatenate([a, b])[np.tile(~(level | bulging), 2)]] = True
    on = ~apart[a] & ~apart[b]
    links = coo_matrix((np.ones(int(on.sum())), (a[on], b[on])), shape=(size, size))
    patch = connected_components(links, directed=False)[1]
    areas = meshes.vertex_areas(own.mesh) * ~confirmed
    gone_mm2, all_mm2 = np.bincount(patch, areas * gone), np.bincount(patch, areas)
    lump = (gone_mm2 > LUMP * all_mm2) & (gone_mm2 > LEAST * fine.spacing_mm**2)
    return np.asarray(gone | (lump[patch] & ~confirmed))


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
