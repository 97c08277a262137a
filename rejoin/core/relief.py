"""What the relief of a contact tells: how much there is, how far both sides share it, how firmly it holds."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.linalg import eigh
from scipy.ndimage import binary_erosion, gaussian_filter
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.robust import sigma_of
from rejoin.core.surfaces import Facing, Surface
from rejoin.core.transforms import apply, mean_square_move, turn
from rejoin.core.views import BoolArray, quadric_residual, robust_plane, without_fringe

MUCH, FEWEST = 0.3, 20
"""Share of the contact, and places of it, that must lie clear of its rim for the rim to be left out."""


def smooth_patches(points: FloatArray, normals: FloatArray, cell_mm: float, most: int = 12) -> list[IntArray]:
    """Index sets of places that face within 35 degrees of one way and hang together.

    Each is judged against a smooth shape of its own, so that corners and steps
    which nest by their planes alone are not taken for a break.
    """
    left = np.ones(len(normals), bool)
    pairs = cKDTree(points).query_pairs(2.5 * cell_mm, output_type="ndarray")
    patches: list[IntArray] = []
    for _ in range(most):
        if left.sum() <= max(20, 0.02 * len(normals)):
            break
        direction = normals[left][0]
        for _ in range(8):
            near = left & (normals @ direction > 0.82)
            direction = normals[near].mean(axis=0)
            direction = direction / np.linalg.norm(direction)
        left &= ~near
        ends = pairs[near[pairs].all(axis=1)]
        graph = coo_matrix((np.ones(len(ends), bool), (ends[:, 0], ends[:, 1])), (len(points), len(points)))
        label = np.where(near, connected_components(graph, directed=False)[1], -1)
        names, counts = np.unique(label[near], return_counts=True)
        patches += [np.flatnonzero(label == name).astype(np.int32) for name in names[counts >= 20]]
    return patches


def relief(points: FloatArray, normals: FloatArray) -> float:
    """Robust height (mm, 1 sigma) of points over the quadric that fits them best.

    A plane, a shaft or a ball has none: only what no smooth shape explains counts.
    """
    plane = robust_plane(points, normals.mean(axis=0), np.ones(len(points)))
    xyz = plane.coordinates(points)
    x, y, z = xyz.T
    # A flange or a fillet beside a plane would bend the quadric, and the plane pass for relief.
    return sigma_of(quadric_residual(x, y, z, without_fringe(xyz)))


def rimless(seen: Facing) -> BoolArray:
    """Where both normals oppose well: at the rim they lean outwards, which would pass for relief."""
    return np.asarray((np.einsum("ij,ij->i", seen.normals_a, seen.normals_b) < -0.85) & (seen.facing < -0.85))


def inner(first: Surface, chosen: IntArray, seen: Facing, contact: BoolArray, cells: float) -> BoolArray:
    """Contact that lies at least so many cells inside the rim of the contact."""
    return _from_rim(first, chosen, seen, contact) > cells


def clear_of_rim(first: Surface, chosen: IntArray, seen: Facing, contact: BoolArray) -> BoolArray:
    """Contact that lies two cells inside its rim, or one, as long as much of it does; else all.

    A scanner rounds edges off, so that a crack seems to open towards its rim.
    """
    away = _from_rim(first, chosen, seen, contact)
    for cells in (2.0, 1.0):
        clear = contact & (away > cells)
        if np.count_nonzero(clear) > max(MUCH * np.count_nonzero(contact), FEWEST):
            return np.asarray(clear)
    return contact


def _from_rim(first: Surface, chosen: IntArray, seen: Facing, contact: BoolArray) -> FloatArray:
    """How many cells each place lies from where the fragments no longer touch."""
    touching = np.zeros(len(chosen), bool)
    touching[seen.index[contact]] = True
    points = first.fragment.mesh.vertices[chosen]
    if touching.all():
        return np.full(len(seen.index), np.inf)
    away, _ = cKDTree(points[~touching]).query(points[seen.index])
    return np.asarray(away / first.nodes.cell_mm)


def broad_normals(
    first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, seen: Facing
) -> tuple[FloatArray, FloatArray]:
    """The normals of the nodes that the facing vertices belong to, in b's frame."""
    nodes_a, nodes_b = first.nodes, second.nodes
    return (
        turn(b_from_a, nodes_a.normals[nodes_a.of_vertex[chosen[seen.index]]]),
        nodes_b.normals[nodes_b.of_vertex[seen.nearest]],
    )


def shared_relief(
    first: Surface,
    second: Surface,
    b_from_a: FloatArray,
    chosen: IntArray,
    seen: Facing,
    zone: IntArray,
    ways: list[IntArray],
) -> float:
    """Information (nats) in the correlation of the two reliefs, wavelength by wavelength.

    Both reliefs are split into bands an octave wide: the scans' noise drowns
    the short waves first, so that on a nearly flat break the long ones still
    speak. A band with n independent cells tells -n/2 log(1 - r²); what chance
    would tell on average is taken off.
    """
    nodes_a, nodes_b = first.nodes, second.nodes
    of_a, of_b = nodes_a.of_vertex[chosen[seen.index[zone]]], nodes_b.of_vertex[seen.nearest[zone]]
    points_a, points_b = apply(b_from_a, nodes_a.points[of_a]), nodes_b.points[of_b]
    cell = max(nodes_a.cell_mm, nodes_b.cell_mm)
    total = 0.0
    for facet in ways:
        normal = seen.normals[zone][facet].mean(axis=0)
        plane = robust_plane(points_a[facet], normal, np.ones(len(facet)))
        flat = [plane.coordinates(points[facet]) for points in (points_a, points_b)]
        heights = [quadric_residual(*xyz.T) for xyz in flat]
        kept = np.all([np.abs(h) < 4.0 * sigma_of(h) + 1e-12 for h in heights], axis=0)
        if np.count_nonzero(kept) >= 20:
            total += _band_information(*_gridded(flat[0][kept, :2], [h[kept] for h in heights], cell))
    return max(total, 0.0)


def _gridded(xy: FloatArray, heights: list[FloatArray], cell: float) -> tuple[list[FloatArray], FloatArray]:
    """Both heights as mean values on one grid, and which cells have any (1.0 or 0.0)."""
    at = np.rint((xy - xy.min(axis=0)) / cell).astype(np.int64)
    shape = at.max(axis=0) + 1
    index = at[:, 0] * shape[1] + at[:, 1]
    count = np.bincount(index, minlength=int(shape.prod()))
    maps = [(np.bincount(index, h, len(count)) / np.maximum(count, 1)).reshape(shape) for h in heights]
    return maps, (count > 0).astype(float).reshape(shape)


Band = tuple[float, FloatArray, FloatArray, FloatArray]

STRIPS = 6
"""Strips into which a face is cut each way, to see whether its relief is shared all over."""


def _band_information(maps: list[FloatArray], mask: FloatArray) -> float:
    """Nats that the bands of two maps share wherever one looks.

    A rim, a fillet or a groove that both faces happen to have is alike in one
    place, or along one way, only: the least that remains without any one
    strip, without the rim, or without any one profile, counts.
    """
    inside = mask > 0
    parts = _parts(inside)
    least = _information(_bands(maps, mask), parts)
    return min(least, *(_information(_bands(plain, mask), parts[:1]) for plain in _without_profiles(maps, inside)))


def _without_profiles(maps: list[FloatArray], inside: BoolArray) -> Iterator[list[FloatArray]]:
    """Both maps less their mean profile along the way they vary most, and less that outwards from the middle."""
    at = np.argwhere(inside).astype(float)
    at -= at.mean(axis=0)
    values = np.stack([m[inside] for m in maps])
    angles = np.pi * np.arange(60) / 60
    lines = at @ np.stack([np.cos(angles), np.sin(angles)])
    explained = [float(np.square(values - _profile(values, line)).sum()) for line in lines.T]
    for along in (lines[:, int(np.argmin(explained))], np.linalg.norm(at, axis=1)):
        less = []
        for rest in values - _profile(values, along):
            plain = np.zeros(inside.shape)
            plain[inside] = rest
            less.append(plain)
        yield less


def _profile(values: FloatArray, along: FloatArray) -> FloatArray:
    """The values (k, n) as a function of the place (n,) in cells alone: the mean of each cell, and straight between."""
    index = np.rint(along - along.min()).astype(np.int64)
    count = np.bincount(index)
    used = np.flatnonzero(count)
    centres = np.bincount(index, along)[used] / count[used]
    means = [np.bincount(index, row)[used] / count[used] for row in values]
    return np.stack([np.interp(along, centres, mean) for mean in means])


def _bands(maps: list[FloatArray], mask: FloatArray) -> list[Band]:
    """Independent cells to a cell, and the products of both maps, in each octave; 1.3 / (2 pi s²) from s to 2 s."""
    inside = mask > 0
    finer, width = maps, 0.0
    bands: list[Band] = []
    for coarser in (1.0, 2.0, 4.0, 8.0):
        weight = np.maximum(gaussian_filter(mask, coarser, mode="constant"), 1e-6)
        smooth = [gaussian_filter(m * mask, coarser, mode="constant") / weight * mask for m in maps]
        a, b = ((f - c)[inside] for f, c in zip(finer, smooth, strict=True))
        bands.append((1.3 / (2 * np.pi * max(width, 0.8) ** 2), a * b, a * a, b * b))
        finer, width = smooth, coarser
    return bands


def _parts(inside: BoolArray) -> list[BoolArray]:
    """The cells of a mask: all, all but each strip either way, and all but the rim where enough remains."""
    at = np.argwhere(inside)
    parts = [np.ones(len(at), bool)]
    for axis in (0, 1):
        strip = np.argsort(np.argsort(at[:, axis], kind="stable")) * STRIPS // max(len(at), 1)
        parts += [strip != k for k in range(STRIPS)]
    inner = binary_erosion(inside, iterations=2)[inside]
    return parts + [inner] if inner.mean() > 0.4 else parts


def _information(bands: list[Band], parts: list[BoolArray]) -> float:
    """The least that any of the parts tells."""
    least = np.inf
    for kept in parts:
        total, cells = 0.0, float(kept.sum())
        for density, ab, aa, bb in bands:
            count = cells * density
            if count < 6.0:
                break
            r = float(ab[kept].sum() / np.sqrt(aa[kept].sum() * bb[kept].sum() + 1e-30))
            total += -0.5 * count * float(np.log(1 - min(max(r, 0.0), 0.99) ** 2)) - 0.25
        least = min(least, total)
    return least


def firmness(
    points: FloatArray,
    normals_a: FloatArray,
    normals_b: FloatArray,
    contact: BoolArray,
    areas: FloatArray,
    sigma: float,
    spacing: float,
) -> float:
    """How firmly the contact holds its weakest motion: one spacing over three sigma of slip.

    One scan's normals are multiplied by the other's (crossed information), so
    that normal noise does not pass for relief on a smooth face.
    """
    if np.count_nonzero(contact) < 12:
        return 0.0
    points = points[contact] - points[contact].mean(axis=0)
    cells = areas[contact] / (4.0 * spacing) ** 2 / sigma**2
    jacobian_a = np.hstack([np.cross(points, -normals_a[contact]), -normals_a[contact]])
    jacobian_b = np.hstack([np.cross(points, normals_b[contact]), normals_b[contact]])
    crossed = jacobian_a.T @ (cells[:, None] * jacobian_b)
    size = mean_square_move(points) + 1e-9 * np.eye(6)
    weakest = float(eigh(0.5 * (crossed + crossed.T), size, eigvals_only=True)[0])
    return spacing / 3.0 * float(np.sqrt(max(weakest, 0.0)))
