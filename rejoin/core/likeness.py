"""Which faces of two fragments may be the two sides of one break, by their outlines alone.

Both sides of a break have one outline and opposite curvature. Area, radii of
gyration and curvature are found in a millisecond a face, so that thousands of
pairs can be put in order before any is compared closely.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain, zip_longest

import numpy as np
from numpy.typing import NDArray

from rejoin.core.records import FloatArray, FractureFace, Fragment, IntArray
from rejoin.core.robust import sigma_of
from rejoin.core.views import Nodes

AREA, RADIUS, SAG, ROUGH = 0.10, 0.07, 0.05, 0.30
"""Differences that two outlines of one break usually show: log area, log radii, sag over radius, log roughness."""

SURE = 0.999
"""A face that is surer to be of a break, as one that a person chose, counts as no surer."""

Outlines = FloatArray
"""(k, 6): log area, log of both radii of gyration, both principal sags over the larger radius, log roughness."""


def outlines_of(fragment: Fragment, nodes: Nodes, faces: Sequence[FractureFace]) -> Outlines:
    """Size, shape and curvature of faces, whatever their place."""
    node_of_triangle = nodes.of_vertex[fragment.mesh.triangles[:, 0]]
    return np.array([_outline(nodes, node_of_triangle[face.triangles]) for face in faces]).reshape(-1, 6)


def _outline(nodes: Nodes, of_triangles: IntArray) -> FloatArray:
    held = np.zeros(len(nodes.points), bool)
    held[of_triangles] = True
    chosen = np.flatnonzero(held)
    weights, points = nodes.areas[chosen], nodes.points[chosen]
    total = float(weights.sum())
    normal = weights @ nodes.normals[chosen]
    normal = normal / max(float(np.linalg.norm(normal)), 1e-12)
    u = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    u = u / np.linalg.norm(u)
    offset = points - weights @ points / total
    flat = offset @ np.stack([u, np.cross(normal, u)]).T
    radii = np.sqrt(np.maximum(np.linalg.eigvalsh((flat * weights[:, None]).T @ flat / total), 1e-12))
    x, y = flat.T / radii[1]
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    matrix = design.T @ (weights[:, None] * design)
    height = offset @ normal
    fit = np.linalg.solve(matrix + 1e-9 * np.trace(matrix) * np.eye(6), design.T @ (weights * height))
    bends = np.linalg.eigvalsh(np.array([[fit[3], fit[4] / 2], [fit[4] / 2, fit[5]]])) / radii[1]
    rough = sigma_of(height - design @ fit)
    return np.array([np.log(total), *np.log(radii), *bends, np.log(max(rough, 1e-9))])


def unlikeness(first: Outlines, second: Outlines) -> FloatArray:
    """How far (n, m) each pair of outlines is from that of one break, squared and in usual differences."""
    apart = np.abs(first[:, None] - second[None])
    # What bulges on one side is hollow on the other, so the larger bend meets the smaller.
    bends = np.abs(first[:, None, 3:5] + second[None, :, 4:2:-1])
    return np.asarray(
        np.square(apart[..., 0] / AREA)
        + np.square(apart[..., 1:3] / RADIUS).sum(axis=2)
        + np.square(bends / SAG).sum(axis=2)
        + np.square(apart[..., 5] / ROUGH)
    )


def promising_pairs(
    first: Sequence[FractureFace],
    second: Sequence[FractureFace],
    outlines_a: Outlines,
    outlines_b: Outlines,
    most: int,
) -> list[tuple[int, int]]:
    """Pairs of faces, the likeliest first, two orders in turn.

    One order is by outline; the other by how promising either face is by
    itself, which still holds where chips or scan holes spoiled the outlines.
    """
    cost = unlikeness(outlines_a, outlines_b)
    if not cost.size:
        return []
    rank = np.maximum(*np.indices(cost.shape))
    size = np.abs(outlines_a[:, None, 0] - outlines_b[None, :, 0])
    alone = (2.0 + rank) * (1.0 + 2.0 * size) * _unequally_rough(first, second)
    orders = [np.argsort(score, axis=None, kind="stable")[:most] for score in (alone, cost)]
    mixed = dict.fromkeys(int(k) for k in chain.from_iterable(zip_longest(*orders, fillvalue=int(orders[0][0]))))
    return [divmod(k, cost.shape[1]) for k in mixed][:most]


def _unequally_rough(first: Sequence[FractureFace], second: Sequence[FractureFace]) -> FloatArray:
    """1 (n, m) where two faces are equally rough, more the less they are."""
    rough_a, rough_b = (np.log([face.roughness_mm or np.nan for face in faces]) for faces in (first, second))
    return np.asarray(1.0 + 4.0 * np.nan_to_num(np.abs(rough_a[:, None] - rough_b[None])))


def largest_apart(first: Sequence[FractureFace], second: Sequence[FractureFace]) -> list[tuple[int, int]]:
    """Pairs of faces, whatever their outlines, the largest first; of each pair one lies apart on its fragment.

    Where three fragments meet, a face lies against a part of another. The
    other has then been found as a whole, and this one may lie within a face
    that was found too large.
    """
    return _apart(first, second, np.ones((len(first), len(second))))


def most_telling(first: Sequence[FractureFace], second: Sequence[FractureFace]) -> list[tuple[int, int]]:
    """The same, those first that could share the most: so much surface, and so unlike the usual, as both are.

    Each half of a break that two fragments share is small beside walls that differ less from the rest.
    """
    unusual = ([-np.log1p(-min(face.confidence, SURE)) for face in faces] for faces in (first, second))
    return _apart(first, second, np.minimum.outer(*unusual))


def _apart(
    first: Sequence[FractureFace], second: Sequence[FractureFace], weight: FloatArray
) -> list[tuple[int, int]]:
    """Pairs of which one lies apart, by falling size times some weight."""
    size = np.minimum.outer(*([face.area_mm2 for face in faces] for faces in (first, second)))
    apart = np.logical_or.outer(_lie_apart(first), _lie_apart(second))
    value = np.where(apart, -size * weight / _unequally_rough(first, second), np.inf)
    order = np.argsort(value, axis=None, kind="stable")
    return [divmod(int(k), size.shape[1]) for k in order[: np.count_nonzero(apart)]]


def _lie_apart(faces: Sequence[FractureFace]) -> NDArray[np.bool_]:
    """Which of the faces (n,) lie for the most part on none of the larger ones that do."""
    covered = np.zeros(max((int(face.triangles.max()) for face in faces), default=0) + 1, bool)
    apart = np.zeros(len(faces), bool)
    for k in np.argsort([-face.area_mm2 for face in faces], kind="stable"):
        apart[k] = covered[faces[k].triangles].mean() < 0.5
        if apart[k]:
            covered[faces[k].triangles] = True
    return apart


def largest_alike(outlines_a: Outlines, outlines_b: Outlines) -> list[tuple[int, int]]:
    """Pairs of faces no more apart than two sides of one break usually are, the largest first.

    Where a part repeats itself, a great many small faces are alike, and crowd
    out the break's.
    """
    cost = unlikeness(outlines_a, outlines_b)
    if not cost.size:
        return []
    size = np.minimum(outlines_a[:, None, 0], outlines_b[None, :, 0])
    order = np.argsort(np.where(cost < outlines_a.shape[1], -size, np.inf), axis=None, kind="stable")
    return [divmod(int(k), cost.shape[1]) for k in order[: np.count_nonzero(cost < outlines_a.shape[1])]]


def largest_pairs(
    first: Sequence[FractureFace], second: Sequence[FractureFace], outlines_a: Outlines, outlines_b: Outlines,
    but: Sequence[tuple[int, int]], most: tuple[int, int],
) -> list[tuple[int, int]]:  # fmt: skip
    """The largest pairs that are alike, and those that lie apart, so many of each; none of those in ``but``."""
    seen = set(but)
    orders = largest_alike(outlines_a, outlines_b), largest_apart(first, second)
    left = ([pair for pair in order if pair not in seen][:count] for order, count in zip(orders, most, strict=True))
    return list(dict.fromkeys(chain.from_iterable(left)))
