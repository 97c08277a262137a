"""Two broken surfaces opposite each other: pairs of points, distances, facing triangles, overlap.

Shared by aligning, judging and measuring. A fracture face is used at full
resolution and unsmoothed: smoothing moves the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter
from scipy.spatial import cKDTree

from rejoin.core.libraries.distances import closest_triangles
from rejoin.core.meshes import (
    adjacency,
    compacted,
    components,
    edge_spacing,
    edges,
    placed,
    triangle_areas,
    triangle_crosses,
    vertex_areas,
    vertex_normals,
)
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh
from rejoin.core.transforms import apply, inverse, turn

Mask = npt.NDArray[np.bool_]

OPPOSED = -0.3
"""Cosine below which two outward normals count as facing each other: 0 would admit the
original surface beside a square rim, -0.7 would lose steep relief between two noisy normals."""

GRID_CELLS = 200
"""Cells along the longest side of the coarse grid that finds where two meshes are near."""


@dataclass(frozen=True, eq=False)
class Side:
    """One fracture face in its own scan's frame.

    Attributes
    ----------
    vertices : (n,)
        Indices into the fragment's vertices.
    points, normals : (n, 3)
        Normals are of the face's own triangles, so that the rim does not bend them.
    areas : (n,)
        mm².
    border : (n,) bool
        On the border of the face, where nothing need lie opposite.
    tree : cKDTree
        Over ``points``.
    spacing_mm, noise_mm : float
    """

    vertices: IntArray
    points: FloatArray
    normals: FloatArray
    areas: FloatArray
    border: Mask
    tree: cKDTree
    spacing_mm: float
    noise_mm: float


def side_of(fragment: Fragment, triangles: IntArray) -> Side:
    """The face made of some of a fragment's triangles."""
    mesh, vertices = compacted(fragment.mesh, triangles)
    border = border_vertices(mesh)
    tree = cKDTree(mesh.vertices)
    return Side(
        vertices, mesh.vertices, vertex_normals(mesh), vertex_areas(mesh), border, tree,
        fragment.spacing_mm, fragment.noise_mm,
    )


def border_vertices(mesh: Mesh) -> Mask:
    """Vertices (n,) on edges that only one triangle has."""
    count = len(mesh.vertices)
    directed = edges(mesh).astype(np.int64)
    key = directed.min(axis=1) * count + directed.max(axis=1)
    key.sort()
    alone = np.ones(len(key), bool)
    alone[1:] &= key[1:] != key[:-1]
    alone[:-1] &= key[:-1] != key[1:]
    border = np.zeros(count, bool)
    border[key[alone] // count] = True
    border[key[alone] % count] = True
    return border


@dataclass(frozen=True, eq=False)
class Pairs:
    """Points of face a and face b that lie opposite each other, in the part's frame.

    ``from_b`` marks the pairs whose vertex is b's and whose opposite is a's;
    ``vertex`` is the index of that vertex in its `Side`; ``areas`` its area.
    """

    points_a: FloatArray
    points_b: FloatArray
    normals_a: FloatArray
    normals_b: FloatArray
    areas: FloatArray
    from_b: Mask
    vertex: IntArray

    def moved(self, move_a: FloatArray, move_b: FloatArray) -> Pairs:
        """The same pairs after a further motion of each part."""
        return Pairs(
            apply(move_a, self.points_a), apply(move_b, self.points_b),
            turn(move_a, self.normals_a), turn(move_b, self.normals_b),
            self.areas, self.from_b, self.vertex,
        )

    def where(self, chosen: Mask) -> Pairs:
        """Some of the pairs."""
        return Pairs(
            self.points_a[chosen], self.points_b[chosen], self.normals_a[chosen], self.normals_b[chosen],
            self.areas[chosen], self.from_b[chosen], self.vertex[chosen],
        )

    @property
    def middles(self) -> FloatArray:
        return np.asarray(0.5 * (self.points_a + self.points_b))

    @property
    def directions(self) -> FloatArray:
        """Symmetric unit normals (Rusinkiewicz, 2019), out of b: with them the distance
        between two surfaces of equal curvature does not depend on which points were paired."""
        common = self.normals_b - self.normals_a
        return np.asarray(common / np.linalg.norm(common, axis=1, keepdims=True))

    @property
    def gaps(self) -> FloatArray:
        """Signed gap (k,), mm: + open, - overlapping."""
        return np.asarray(np.einsum("ij,ij->i", self.points_a - self.points_b, self.directions))


def opposite(
    a: Side, b: Side, part_from_a: FloatArray, part_from_b: FloatArray, reach_mm: float, most: int | None = None
) -> Pairs:
    """Pair each vertex with the nearest vertex of the other face, both ways.

    Parameters
    ----------
    a, b : Side
    part_from_a, part_from_b : (4, 4)
    reach_mm : float
        Farthest pair.
    most : int, optional
        Use only every so-manyth vertex, about this many of each face; all by default.

    Returns
    -------
    Pairs
        Without those that end on a border or do not face each other.
    """
    ours = _one_way(a, b, part_from_a, part_from_b, reach_mm, most)
    theirs = _one_way(b, a, part_from_b, part_from_a, reach_mm, most)
    first = (ours[0], theirs[1], ours[2], theirs[3])
    second = (ours[1], theirs[0], ours[3], theirs[2])
    from_b = np.repeat([False, True], [len(ours[0]), len(theirs[0])])
    return Pairs(
        np.vstack(first[:2]), np.vstack(second[:2]), np.vstack(first[2:]), np.vstack(second[2:]),
        np.concatenate([ours[4], theirs[4]]), from_b, np.concatenate([ours[5], theirs[5]]),
    )


def _one_way(
    a: Side, b: Side, part_from_a: FloatArray, part_from_b: FloatArray, reach_mm: float, most: int | None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:
    step = 1 if most is None else max(1, len(a.points) // most)
    chosen = np.flatnonzero(~a.border)[::step]
    b_from_a = inverse(part_from_b) @ part_from_a
    _, nearest = b.tree.query(apply(b_from_a, a.points[chosen]), distance_upper_bound=reach_mm, workers=2)
    usable = nearest < len(b.points)
    usable[usable] &= ~b.border[nearest[usable]]
    chosen, nearest = chosen[usable], nearest[usable]
    normals_a, normals_b = turn(part_from_a, a.normals[chosen]), turn(part_from_b, b.normals[nearest])
    facing = np.einsum("ij,ij->i", normals_a, normals_b) < OPPOSED
    chosen, nearest = chosen[facing], nearest[facing]
    # One vertex in a sparse corner must not outweigh the rest.
    areas = np.minimum(a.areas[chosen], 3.0 * np.median(a.areas)) * step
    return (
        apply(part_from_a, a.points[chosen]), apply(part_from_b, b.points[nearest]),
        normals_a[facing], normals_b[facing], areas, chosen.astype(np.int32),
    )


def rows(points: FloatArray, directions: FloatArray, centre: FloatArray) -> FloatArray:
    """Jacobian (k, 7) of the gap: a's turn about ``centre`` (rad), a's shift (mm), the missing layer (mm)."""
    jacobian = np.empty((len(points), 7))
    x, y, z = (points - centre).T
    u, v, w = directions.T
    jacobian[:, 0], jacobian[:, 1], jacobian[:, 2] = y * w - z * v, z * u - x * w, x * v - y * u
    jacobian[:, 3:6] = directions
    jacobian[:, 6] = -1.0
    return jacobian


def robust_scale(residuals: FloatArray, weights: FloatArray) -> float:
    """1 sigma from the weighted median ABSOLUTE residual (never centred: a uniform gap must count)."""
    step = max(1, len(residuals) // 20_000)
    sizes, weights = np.abs(residuals[::step]), weights[::step]
    order = np.argsort(sizes, kind="stable")
    total = np.cumsum(weights[order])
    return float(1.4826 * sizes[order[np.searchsorted(total, 0.5 * total[-1])]])


def tukey(residuals: FloatArray, limit: float) -> FloatArray:
    """Tukey's biweight (k,): 1 at 0, 0 from ``limit`` on."""
    return np.square(np.clip(1.0 - np.square(residuals / limit), 0.0, None))


def facing_triangles(
    mesh_a: Mesh, mesh_b: Mesh, a_from_b: FloatArray, reach_mm: float
) -> tuple[IntArray, IntArray]:
    """The mutual fracture faces of two meshes in a good pose.

    A vertex belongs to the face where the other mesh lies within reach,
    straight across, and faces it. Original surfaces that meet at the rim face
    the same way and stay out; so do chip craters deeper than the reach.

    Parameters
    ----------
    mesh_a, mesh_b : Mesh
        Each in its own frame.
    a_from_b : (4, 4)
    reach_mm : float

    Returns
    -------
    triangles_a, triangles_b : (k,) indices
        Empty where the meshes do not face each other.
    """
    moved = placed(mesh_b, a_from_b)
    near_a, near_b = near_masks(mesh_a.vertices, moved.vertices, reach_mm)
    first, second = _Crop.of(mesh_a, near_a), _Crop.of(moved, near_b)
    if len(first.mesh.vertices) == 0 or len(second.mesh.vertices) == 0:
        return np.empty(0, np.int32), np.empty(0, np.int32)
    return first.facing(second, reach_mm), second.facing(first, reach_mm)


def near_masks(points_a: FloatArray, points_b: FloatArray, reach_mm: float) -> tuple[Mask, Mask]:
    """Masks of the points within about ``reach_mm`` of the other set: a coarse grid, never too few."""
    low = np.maximum(points_a.min(axis=0), points_b.min(axis=0)) - reach_mm
    high = np.minimum(points_a.max(axis=0), points_b.max(axis=0)) + reach_mm
    masks = [np.all((p >= low) & (p <= high), axis=1) for p in (points_a, points_b)]
    if not masks[0].any() or not masks[1].any():
        return np.zeros(len(points_a), bool), np.zeros(len(points_b), bool)
    cell = max(reach_mm, float((high - low).max()) / GRID_CELLS)
    shape = tuple(((high - low) / cell).astype(int) + 1)
    cells = [((p[m] - low) / cell).astype(np.int64) for p, m in zip((points_a, points_b), masks, strict=True)]
    grids = []
    for places in cells:
        grid = np.zeros(shape, np.uint8)
        grid[tuple(places.T)] = 1
        grids.append(maximum_filter(grid, 3, mode="constant"))
    masks[0][masks[0]] = grids[1][tuple(cells[0].T)] > 0
    masks[1][masks[1]] = grids[0][tuple(cells[1].T)] > 0
    return masks[0], masks[1]


@dataclass(frozen=True, eq=False)
class _Crop:
    """The part of a mesh near another: ``triangles`` are the kept ones' indices."""

    mesh: Mesh
    triangles: IntArray
    normals: FloatArray
    tree: cKDTree
    spacing_mm: float

    @staticmethod
    def of(mesh: Mesh, near: Mask) -> _Crop:
        kept = np.flatnonzero(near[mesh.triangles].any(axis=1)).astype(np.int32)
        cropped, _ = compacted(mesh, kept)
        spacing = edge_spacing(cropped) if len(kept) else 0.0
        return _Crop(cropped, kept, vertex_normals(cropped), cKDTree(cropped.vertices), spacing)

    def facing(self, other: _Crop, reach_mm: float) -> IntArray:
        # A rough face of unequal spacing leaves the nearest vertex up to about one spacing aside.
        distance, nearest = other.tree.query(
            self.mesh.vertices, distance_upper_bound=float(np.hypot(reach_mm, other.spacing_mm)), workers=2
        )
        index = np.flatnonzero(np.isfinite(distance))
        normals = other.normals[nearest[index]]
        common = normals - self.normals[index]
        common /= np.maximum(np.linalg.norm(common, axis=1, keepdims=True), 1e-12)
        offset = self.mesh.vertices[index] - other.mesh.vertices[nearest[index]]
        gap = np.einsum("ij,ij->i", offset, common)
        aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - np.square(gap), 0.0))
        opposed = np.einsum("ij,ij->i", normals, self.normals[index]) < OPPOSED
        good = opposed & (np.abs(gap) <= reach_mm) & (aside <= 1.2 * max(self.spacing_mm, other.spacing_mm))
        mask = np.zeros(len(self.mesh.vertices), bool)
        mask[index[good]] = True
        mask = _evened(self.mesh, mask)
        whole = np.asarray(mask[self.mesh.triangles].all(axis=1))
        return np.asarray(self.triangles[_without_specks(self.mesh, whole, self.spacing_mm)])


def _evened(mesh: Mesh, mask: Mask, rounds: int = 3) -> Mask:
    """Single odd vertices follow their neighbours; anything larger than a ring stays as it is."""
    graph = adjacency(mesh)
    count = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1.0)
    for _ in range(rounds):
        share = (graph @ mask.astype(np.float32)) / count
        mask = np.asarray((mask & (share > 0.35)) | (share > 0.65))
    return mask


def _without_specks(mesh: Mesh, chosen: Mask, spacing_mm: float) -> IntArray:
    """Chosen triangles that hang together in patches worth having."""
    index = np.flatnonzero(chosen).astype(np.int32)
    if len(index) == 0:
        return index
    sub, _ = compacted(mesh, index)
    _, labels = components(sub)
    of_triangle = labels[sub.triangles[:, 0]]
    areas = np.bincount(of_triangle, triangle_areas(sub))
    worth = areas >= max(25.0 * spacing_mm**2, 0.01 * areas.max())
    return np.asarray(index[worth[of_triangle]])


def closest_on_triangles(points: FloatArray, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Closest point of one triangle to each point, exactly (Ericson, 2005, by regions).

    Parameters
    ----------
    points : (k, 3)
    corners : (k, 3, 3)

    Returns
    -------
    closest : (k, 3)
    weights : (k, 3)
        Barycentric, not negative; zeros tell an edge or a corner.
    """
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    weights = _inner_weights(points, a, b - a, c - a)
    outside = (weights < 0).any(axis=1) | ~np.isfinite(weights).all(axis=1)
    best = np.where(outside, np.inf, 0.0)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        start, along = corners[outside, i], corners[outside, j] - corners[outside, i]
        length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
        share = np.clip(np.einsum("ij,ij->i", points[outside] - start, along) / length, 0.0, 1.0)
        away = np.square(points[outside] - start - share[:, None] * along).sum(axis=1)
        better = away < best[outside]
        rows_ = np.flatnonzero(outside)[better]
        best[rows_] = away[better]
        weights[rows_] = 0.0
        weights[rows_, i], weights[rows_, j] = 1.0 - share[better], share[better]
    return np.einsum("ki,kij->kj", weights, corners), weights


def _inner_weights(points: FloatArray, a: FloatArray, ab: FloatArray, ac: FloatArray) -> FloatArray:
    ap = points - a
    d00, d01, d11 = (np.einsum("ij,ij->i", p, q) for p, q in ((ab, ab), (ab, ac), (ac, ac)))
    d20, d21 = np.einsum("ij,ij->i", ap, ab), np.einsum("ij,ij->i", ap, ac)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 1.0 / (d00 * d11 - d01 * d01)
        v, w = (d11 * d20 - d01 * d21) * scale, (d00 * d21 - d01 * d20) * scale
    return np.stack([1.0 - v - w, v, w], axis=1)


@dataclass(frozen=True, eq=False)
class Distances:
    """Signed distances (k,) of points to a mesh: + outside, - inside, mm.

    ``offsets`` (k, 3) lead from the closest points to the points. ``normals``
    (k, 3) are the mesh's at the closest points; ``on_border`` (k,) marks closest
    points on an open border, where the sign means nothing.
    """

    signed: FloatArray
    offsets: FloatArray
    normals: FloatArray
    on_border: Mask


def signed_distances(points: FloatArray, mesh: Mesh) -> Distances:
    """Exact distance of each point to the nearest triangle, signed.

    The sign is that of the angle-weighted pseudonormal of the closest face,
    edge or corner (Baerentzen and Aanaes, 2005), right also across sharp edges.
    """
    which = closest_triangles(points, mesh)
    corners = mesh.vertices[mesh.triangles[which]]
    closest, weights = closest_on_triangles(points, corners)
    touched = weights > 1e-9
    normals = _pseudonormals(mesh, which, touched)
    offset = points - closest
    length = np.linalg.norm(offset, axis=1)
    sign = np.where(np.einsum("ij,ij->i", offset, normals) < 0, -1.0, 1.0)
    border = border_vertices(mesh)
    on_border = np.asarray((touched <= border[mesh.triangles[which]]).all(axis=1))
    return Distances(sign * length, offset, normals, on_border)


def _pseudonormals(mesh: Mesh, which: IntArray, touched: Mask) -> FloatArray:
    """Unit normals (k, 3) at a face, an edge (sum of its two faces) or a corner (weighted by angle)."""
    crosses = triangle_crosses(mesh)
    unit = crosses / np.maximum(np.linalg.norm(crosses, axis=1, keepdims=True), 1e-300)
    normals = unit[which]
    corner = np.flatnonzero(touched.sum(axis=1) == 1)
    if len(corner):
        vertex = mesh.triangles[which[corner], touched[corner].argmax(axis=1)]
        normals[corner] = _corner_normals(mesh, unit)[vertex]
    edge = np.flatnonzero(touched.sum(axis=1) == 2)
    if len(edge):
        count = len(mesh.vertices)
        missing = (~touched[edge]).argmax(axis=1)
        ends = mesh.triangles[which[edge][:, None], (missing[:, None] + [1, 2]) % 3].astype(np.int64)
        directed = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
        keys = directed[:, 0] * count + directed[:, 1]
        order = np.argsort(keys, kind="stable")
        wanted = ends[:, 1] * count + ends[:, 0]
        place = np.minimum(np.searchsorted(keys, wanted, sorter=order), len(keys) - 1)
        found = keys[order[place]] == wanted
        normals[edge[found]] += unit[order[place[found]] // 3]
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300))


def _corner_normals(mesh: Mesh, unit: FloatArray) -> FloatArray:
    sums = np.zeros((len(mesh.vertices), 3))
    corners = mesh.vertices[mesh.triangles]
    for i in range(3):
        u, v = corners[:, (i + 1) % 3] - corners[:, i], corners[:, (i + 2) % 3] - corners[:, i]
        angle = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
        for axis in range(3):
            sums[:, axis] += np.bincount(mesh.triangles[:, i], angle * unit[:, axis], len(sums))
    return sums


def penetration(mesh_a: Mesh, mesh_b: Mesh, a_from_b: FloatArray, tolerance_mm: float) -> tuple[float, float]:
    """How far a's vertices reach into b.

    Parameters
    ----------
    mesh_a, mesh_b : Mesh
        Closed but for scan holes, each in its own frame.
    a_from_b : (4, 4)
    tolerance_mm : float
        Overlap that does not count (noise of the scans).

    Returns
    -------
    depth_mm : float
        Depth (95 % of those inside).
    share : float
        Share of a's area deeper than the tolerance inside b.
    """
    points = apply(inverse(a_from_b), mesh_a.vertices)
    inside_box = np.all((points > mesh_b.vertices.min(axis=0)) & (points < mesh_b.vertices.max(axis=0)), axis=1)
    index = np.flatnonzero(inside_box)
    if len(index) == 0:
        return 0.0, 0.0
    found = signed_distances(points[index], mesh_b)
    deep = (found.signed < -tolerance_mm) & ~found.on_border
    areas = vertex_areas(mesh_a)
    depth = float(np.percentile(-found.signed[deep], 95)) if deep.any() else 0.0
    return depth, float(areas[index[deep]].sum() / areas.sum())
