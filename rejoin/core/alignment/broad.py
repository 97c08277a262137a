"""The normals of a view's broad forms: quadrics fitted to what lies around, so that a border does not bend them.

Noise in normals makes smooth walls seem to hold a slide along them, and what two views share is a strip beside the
borders of both: normals averaged there lean to each view's own inside, one to the left and one to the right.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.meshes import averaged_normals, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray

REACH = 10.0
"""Spacings around a node that its quadric is fitted to: three times as far as a scan's noise is correlated."""
CELL = 2.0
"""Spacings between nodes, nearer than which noise is common anyway."""
MOST = 96
"""Nodes around one, the nearest, that are used."""
TURNED = 0.75
"""A turn of the normal by so many radians counts as far as the reach: nothing across an edge, or on the other side of a
wall, is near, and where a form bends strongly the reach is shorter."""
ALIKE = 0.7
"""Cosine to the evened normal below which a quadric has gone astray."""
FEWEST = 12
"""Neighbours without which the evened normal stays."""
EVEN = 6
"""Rounds of averaging of the normals by which neighbours are chosen."""
BATCH = 512


_known: WeakKeyDictionary[Fragment, _Forms] = WeakKeyDictionary()


def normals_of_forms(view: Fragment, vertices: IntArray | None = None) -> FloatArray:
    """Normals (k, 3) at some of a view's vertices, or all, of the forms that are larger than its noise is correlated.

    Around each of the nodes, vertices two spacings apart, a quadric is fitted by weighted least squares; a vertex has
    the normal of its nearest node's quadric. To first order such a normal is unbiased also beside a border (local
    regression: Cleveland 1979, from memory). Adjustments ask again and again: quadrics are kept as long as the view is.
    """
    if view not in _known:
        _known[view] = _Forms(view)
    return _known[view].normals(np.arange(len(view.mesh.vertices)) if vertices is None else vertices)


class _Forms:
    """A view's nodes and their quadrics, fitted once they are asked for."""

    def __init__(self, view: Fragment) -> None:
        self.points, self.reach = view.mesh.vertices, REACH * view.spacing_mm
        self.even = averaged_normals(view.mesh, vertex_normals(view.mesh), EVEN)
        cells = np.floor(self.points / (CELL * view.spacing_mm)).astype(np.int64)
        self.nodes = np.sort(np.unique(cells, axis=0, return_index=True)[1])
        self.places = np.hstack([self.points, self.reach / TURNED * self.even])
        self.tree = cKDTree(self.places[self.nodes])
        self.frames, self.shapes = _frames(self.even[self.nodes]), np.empty((len(self.nodes), 5))
        self.fitted = np.zeros(len(self.nodes), bool)

    def normals(self, vertices: npt.NDArray[np.integer]) -> FloatArray:
        nearest = self.tree.query(self.places[vertices], workers=2)[1]
        asked = np.zeros(len(self.nodes), bool)
        asked[nearest] = True
        lacking = np.flatnonzero(asked & ~self.fitted)
        for start in range(0, len(lacking), BATCH):
            own = lacking[start : start + BATCH]
            self.shapes[own] = _quadrics(self.tree, self.frames[own], own, self.reach)
        self.fitted[lacking] = True
        offsets = self.points[vertices] - self.points[self.nodes[nearest]]
        return _normals_at(offsets, self.even[vertices], self.frames[nearest], self.shapes[nearest])


def _frames(normals: FloatArray) -> FloatArray:
    """Frames (n, 3, 3) whose columns are two tangents and the normal."""
    helper = np.eye(3)[np.abs(normals).argmin(axis=1)]
    first = np.cross(helper, normals)
    first /= np.maximum(np.linalg.norm(first, axis=1, keepdims=True), 1e-12)
    return np.stack([first, np.cross(normals, first), normals], axis=2)


def _quadrics(tree: cKDTree, frames: FloatArray, own: npt.NDArray[np.int64], reach: float) -> FloatArray:
    """Slopes and bends (k, 5) of the surface at some of the nodes, in their frames; 0 where there is too little."""
    nodes = tree.data
    distance, near = tree.query(nodes[own], k=min(MOST, len(nodes)), distance_upper_bound=reach, workers=2)
    there = np.isfinite(distance)
    near = np.where(there, near, 0)
    local = (nodes[near, :3] - nodes[own, None, :3]) @ frames
    full = there.all(axis=1, keepdims=True)
    far = np.where(full, np.where(there, distance, 0.0).max(axis=1, keepdims=True), reach)
    weight = np.where(there, np.square(1.0 - np.square(np.minimum(distance / far, 1.0))), 0.0)
    x, y, z = np.moveaxis(local / reach, 2, 0)
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    weighted = design * weight[:, :, None]
    matrix = weighted.transpose(0, 2, 1) @ design
    # Where the neighbours lie on one line, or too near, the bends are held at none.
    matrix += 1e-4 * np.trace(matrix, axis1=1, axis2=2)[:, None, None] * np.diag([0, 0, 0, 1.0, 1.0, 1.0])
    matrix += 1e-9 * np.eye(6)
    answer = np.linalg.solve(matrix, weighted.transpose(0, 2, 1) @ z[:, :, None])[:, 1:, 0]
    answer[np.count_nonzero(weight > 0.0, axis=1) < FEWEST] = 0.0
    answer[:, 2:] /= reach
    return answer


def _normals_at(offsets: FloatArray, even: FloatArray, frames: FloatArray, shapes: FloatArray) -> FloatArray:
    """Normals (n, 3) of quadrics at offsets from their nodes; the evened normal where a quadric has gone astray."""
    local = np.einsum("nji,nj->ni", frames, offsets)
    a, b, xx, xy, yy = shapes.T
    x, y = local[:, 0], local[:, 1]
    upright = np.stack([-(a + 2.0 * xx * x + xy * y), -(b + xy * x + 2.0 * yy * y), np.ones_like(x)], axis=1)
    found = np.einsum("nij,nj->ni", frames, upright)
    found /= np.linalg.norm(found, axis=1, keepdims=True)
    astray = (np.einsum("ij,ij->i", found, even) < ALIKE) | (shapes == 0.0).all(axis=1)
    return np.asarray(np.where(astray[:, None], even, found))
