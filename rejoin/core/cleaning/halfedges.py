"""Which triangle lies across each edge, and vertices that more than one sheet shares.

Half-edge ``3 t + i`` runs from corner ``i`` of triangle ``t`` to the next one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.core.records import FloatArray, IntArray

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class EdgeUse:
    """How triangles meet along their edges.

    Attributes
    ----------
    partner : (3m,) int32
        The half-edge across, -1 where there is none or the edge is crowded.
    border, crowded : (3m,) bool
        No other triangle at this edge; more than one other.
    against : (3m,) bool
        The one other triangle runs the same way round along the edge.
    """

    partner: IntArray
    border: Bools
    crowded: Bools
    against: Bools
    group: IntArray

    @property
    def sound(self) -> bool:
        """Every edge has one or two triangles, and two run opposite ways."""
        return not (self.crowded.any() or self.against.any())


def starts_ends(triangles: IntArray) -> tuple[IntArray, IntArray]:
    """First and last vertex (3m,) of each half-edge."""
    return triangles.ravel(), turned_columns(triangles, 1)


def turned_columns(three: IntArray, shift: int) -> IntArray:
    """The (m, 3) table flattened, each row turned left by ``shift`` (quicker than indexing with a list)."""
    result = np.empty_like(three)
    for column in range(3):
        result[:, column] = three[:, (column + shift) % 3]
    return result.ravel()


def edge_use(triangles: IntArray, vertex_count: int) -> EdgeUse:
    """Sort the edges of ``triangles`` (m, 3) and see who shares them."""
    first, last = starts_ends(triangles)
    key = np.minimum(first, last).astype(np.int64) * vertex_count + np.maximum(first, last)
    order = np.argsort(key, kind="stable")
    key = key[order]
    new = np.concatenate([[True], key[1:] != key[:-1]]) if len(key) else np.empty(0, bool)
    begin = np.flatnonzero(new)
    size = np.diff(np.append(begin, len(key)))
    partner = np.full(len(key), -1, np.int32)
    pairs = begin[size == 2]
    one, two = order[pairs], order[pairs + 1]
    partner[one], partner[two] = two, one
    border, crowded, against = (np.zeros(len(key), bool) for _ in range(3))
    border[order[begin[size == 1]]] = True
    same_way = first[one] == first[two]
    against[one[same_way]] = against[two[same_way]] = True
    group = np.full(len(key), -1, np.int32)
    if (size > 2).any():
        many = np.repeat(size > 2, size)
        crowded[order[many]] = True
        group[order[many]] = np.repeat(np.arange(len(size), dtype=np.int32), size)[many]
    return EdgeUse(partner, border, crowded, against, group)


def consistent_turns(triangles: IntArray, use: EdgeUse, areas: FloatArray) -> Bools:
    """Which triangles (m,) to turn so that neighbours agree; the larger area keeps its sense.

    Each triangle stands twice in a graph, as it is and turned; neighbours that
    agree link like with like. A one-sided (Moebius) sheet links a triangle with its own
    turned self and is left alone.
    """
    count = len(triangles)
    half = np.flatnonzero(use.partner > np.arange(3 * count))
    one, two = half // 3, use.partner[half] // 3
    shift = np.where(use.against[half], count, 0)
    rows = np.concatenate([one, one + count])
    columns = np.concatenate([two + shift, two + count - shift])
    graph = coo_matrix((np.ones(len(rows), bool), (rows, columns)), (2 * count, 2 * count))
    labels = connected_components(graph, directed=False)[1]
    weight = np.bincount(labels[:count], areas, labels.max() + 1)
    as_is, turned = labels[:count], labels[count:]
    better = (weight[turned] > weight[as_is]) | ((weight[turned] == weight[as_is]) & (turned < as_is))
    return np.asarray(better & (as_is != turned))


def paired_around_crowded(vertices: FloatArray, triangles: IntArray, use: EdgeUse) -> IntArray:
    """Partners (3m,) where edges with more than two triangles are shared out between the solids that touch there.

    Around such an edge a solid lies between a triangle that runs against the
    edge and the next one, counter-clockwise, that runs along it: those two
    become neighbours. What finds no neighbour gets a border.
    """
    partner = use.partner.copy()
    partner[use.against] = -1
    first, last = starts_ends(triangles)
    apex = turned_columns(triangles, 2)
    halves = np.flatnonzero(use.crowded)
    if not len(halves):
        return partner
    halves = halves[np.argsort(use.group[halves], kind="stable")]
    low, high = np.minimum(first, last)[halves], np.maximum(first, last)[halves]
    axis = vertices[high] - vertices[low]
    axis /= np.maximum(np.linalg.norm(axis, axis=1, keepdims=True), 1e-300)
    helper = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    across = np.cross(axis, helper)
    up = np.cross(axis, across)
    arm = vertices[apex[halves]] - vertices[low]
    angle = np.arctan2((arm * up).sum(1), (arm * across).sum(1))
    along = first[halves] == low
    begins = np.flatnonzero(np.diff(use.group[halves], prepend=-2))
    for begin, end in zip(begins, np.append(begins[1:], len(halves)), strict=True):
        ring = begin + np.lexsort((along[begin:end], angle[begin:end]))
        _pair_ring(halves[ring].tolist(), along[ring].tolist(), partner)
    return partner


def _pair_ring(halves: list[int], along: list[bool], partner: IntArray) -> None:
    position = 0
    while len(halves) > 1 and position < len(halves):
        following = (position + 1) % len(halves)
        if not along[position] and along[following]:
            partner[halves[position]], partner[halves[following]] = halves[following], halves[position]
            for gone in sorted((position, following), reverse=True):
                del halves[gone], along[gone]
            position = 0
        else:
            position += 1


def fans(partner: IntArray, triangles: IntArray, vertex_count: int) -> IntArray:
    """How many separate fans of triangles (n,) meet at each vertex; 1 at a manifold vertex, 0 at an unused one.

    Where one way around meets all corners there is one fan; elsewhere corners
    are followed with doubled strides, and an open fan is counted at its end, a
    closed one at its lowest corner.
    """
    following = _next_around(partner)
    corner = triangles.ravel()
    valence = np.bincount(corner, minlength=vertex_count).astype(np.int32)
    count = _closed_once(following, corner, valence).astype(np.int32)
    chosen = np.flatnonzero((count == 0)[corner]).astype(np.int32)
    if len(chosen):
        count += _fans_at(following, corner, chosen, vertex_count, int(valence.max()))
    return count


def _closed_once(following: IntArray, corner: IntArray, valence: IntArray) -> Bools:
    """Vertices (n,) whose corners all follow each other in one round."""
    begin = np.full(len(valence), -1, np.int32)
    begin[corner] = np.arange(len(corner), dtype=np.int32)
    result = np.zeros(len(valence), bool)
    vertex = np.flatnonzero(valence).astype(np.int32)
    start = at = begin[vertex]
    for step in range(1, int(valence.max(initial=0)) + 1):
        at = following[at]
        round_ = at == start
        result[vertex[round_]] = valence[vertex[round_]] == step
        on = ~round_ & (at >= 0)
        vertex, start, at = vertex[on], start[on], at[on]
    return result


def _fans_at(following: IntArray, corner: IntArray, chosen: IntArray, vertex_count: int, most: int) -> IntArray:
    """Fans (n,) that the chosen corners, all there are around their vertices, make."""
    local = np.full(len(corner), -1, np.int32)
    local[chosen] = lowest = np.arange(len(chosen), dtype=np.int32)
    ends = following[chosen] < 0
    count = np.bincount(corner[chosen[ends]], minlength=vertex_count)
    own = lowest.copy()
    stride = np.where(ends, own, local[following[chosen]])
    for _ in range(max(1, int(np.ceil(np.log2(max(most, 1)))))):
        np.minimum(lowest, lowest[stride], out=lowest)
        stride = stride[stride]
    closed = (lowest == own) & ~ends[stride]
    count += np.bincount(corner[chosen[closed]], minlength=vertex_count)
    return count.astype(np.int32)


def _next_around(partner: IntArray) -> IntArray:
    """The next corner around the same vertex, -1 at the end of an open fan."""
    return turned_columns(partner.reshape(-1, 3), 2)


def parted(partner: IntArray, triangles: IntArray, vertex_count: int, fan_count: IntArray) -> tuple[IntArray, IntArray]:
    """Triangles with one vertex per fan, and the old vertex (k,) of each vertex added at the end."""
    corner = triangles.ravel()
    chosen = np.flatnonzero(fan_count[corner] > 1)
    local = np.full(len(corner), -1, np.int64)
    local[chosen] = np.arange(len(chosen))
    following = _next_around(partner)[chosen]
    linked = following >= 0
    graph = coo_matrix(
        (np.ones(int(linked.sum()), bool), (np.flatnonzero(linked), local[following[linked]])), (len(chosen),) * 2
    )
    fan = connected_components(graph, directed=False)[1]
    _, lead = np.unique(fan, return_index=True)
    owner = corner[chosen[lead]]
    first_of_owner = np.zeros(len(lead), bool)
    first_of_owner[np.unique(owner, return_index=True)[1]] = True
    number = owner.astype(np.int64)
    number[~first_of_owner] = vertex_count + np.arange(int((~first_of_owner).sum()))
    result = corner.copy()
    result[chosen] = number[fan]
    return result.reshape(-1, 3), owner[~first_of_owner].astype(np.int32)
