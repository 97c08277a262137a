"""The repairs, one after the other, on plain arrays."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.cleaning.halfedges import (
    Bools,
    EdgeUse,
    consistent_turns,
    fans,
    paired_around_crowded,
    parted,
    starts_ends,
    turned_columns,
)
from rejoin.core.cleaning.work import Work
from rejoin.core.files.welding import same_rows
from rejoin.core.records import IntArray, Mesh

SAME_PLACE = 1e-6
"""Two border points closer than this share of the scan's size are one point written twice."""

PARTED = 2e-5
"""Points where surfaces only touch are set apart by this share of the scan's size: else a file that keeps places only
joins them again. Far below any scan's noise; more than the last digit of the single precision that such files have."""


def mended(mesh: Mesh) -> Work:
    """Weld, drop, turn and part until the surface is an oriented manifold, with or without a border."""
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    work = Work(mesh.vertices, mesh.triangles, SAME_PLACE * float(np.linalg.norm(high - low)))
    _drop_degenerate(work)
    use = _weld(work, work.edges())
    use = _drop_doubled(work, use)
    use = _drop_fins(work, use)
    use = _turn(work, use)
    use = _flip_slivers(work, use)
    work.partner = _part_sheets(work, use)
    return work


def _part_sheets(work: Work, use: EdgeUse) -> IntArray:
    """Give every fan its own vertex, so that the surface is a manifold; returns each half-edge's partner.

    Where a sheet still meets another along an edge, because both hang together
    elsewhere, its triangle there is dropped and the rest is looked at again.
    """
    total = dropped = 0
    before = len(work.vertices)
    origin = np.arange(before)
    while True:
        partner = use.partner if use.sound else _share_out(work, use)
        fan_count = fans(partner, work.triangles, len(work.vertices))
        if fan_count.max(initial=0) > 1:
            work.triangles, copies = parted(partner, work.triangles, len(work.vertices), fan_count)
            work.vertices = np.concatenate([work.vertices, work.vertices[copies]])
            origin = np.concatenate([origin, origin[copies]])
            total += len(copies)
            use = work.edges()
        elif use.sound:
            break
        if use.sound:
            continue
        crossing = use.crowded | use.against
        left = crossing & (partner < 0)
        bad: Bools = np.asarray((left if left.any() else crossing).reshape(-1, 3).any(axis=1))
        dropped += int(bad.sum())
        _keep(work, ~bad)
        use = work.edges()
    _set_apart(work, np.flatnonzero(np.isin(origin, origin[before:])).astype(np.int32))
    work.note(
        "touching",
        total,
        "1 point where surfaces only touch was parted",
        "{} points where surfaces only touch were parted",
    )
    work.note("tangled", dropped, "1 triangle of a tangled edge dropped", "{} triangles of tangled edges dropped")
    return use.partner


def _set_apart(work: Work, points: IntArray) -> None:
    """Move each of the points a trace towards the middle of its own neighbours."""
    first, last = starts_ends(work.triangles)
    chosen = np.zeros(len(work.vertices), bool)
    chosen[points] = True
    out = chosen[first]
    step = work.vertices[last[out]] - work.vertices[first[out]]
    first = first[out]
    towards = np.stack([np.bincount(first, step[:, axis], len(chosen)) for axis in range(3)], axis=1)[points]
    length = np.linalg.norm(towards, axis=1, keepdims=True)
    moved = work.vertices.copy()
    moved[points] += PARTED / SAME_PLACE * work.tolerance * towards / np.where(length > 0, length, 1.0)
    work.vertices = moved


def _keep(work: Work, keep: Bools) -> None:
    work.triangles = work.triangles[keep]


def _drop_degenerate(work: Work) -> None:
    a, b, c = work.triangles.T
    bad = (a == b) | (b == c) | (c == a)
    if bad.any():
        _keep(work, ~bad)
        work.note("no area", int(bad.sum()), "1 triangle without area dropped", "{} triangles without area dropped")


def _weld(work: Work, use: EdgeUse) -> EdgeUse:
    """Join border points at the same place, and the ends of edges that have no length.

    Only the border is welded, so that the two sides of a thin wall never meet.
    """
    short = (work.sizes().squares <= work.tolerance**2).ravel()
    if not use.border.any() and not short.any():
        return use
    first, last = starts_ends(work.triangles)
    points = np.unique(np.concatenate([first[use.border], last[use.border]]))
    lead, group = same_rows(work.vertices[points]) if len(points) else (points, points)
    leaders = points[lead]
    near = np.empty((0, 2), np.int64)
    if len(leaders):
        near = cKDTree(work.vertices[leaders]).query_pairs(work.tolerance, output_type="ndarray")
    rows = np.concatenate([points, leaders[near[:, 0]], first[short]])
    columns = np.concatenate([leaders[group], leaders[near[:, 1]], last[short]])
    if (rows == columns).all():
        return use
    count = len(work.vertices)
    _, label = connected_components(coo_matrix((np.ones(len(rows), bool), (rows, columns)), (count, count)), False)
    lowest = np.full(label.max() + 1, count, np.int64)
    np.minimum.at(lowest, label, np.arange(count))
    into = lowest[label].astype(np.int32)
    used = np.zeros(count, bool)
    used[work.triangles] = True
    work.note(
        "welded",
        int((used & (into != np.arange(count))).sum()),
        "1 doubled point made one",
        "{} doubled points made one",
    )
    work.triangles = into[work.triangles]
    _drop_degenerate(work)
    return work.edges()


def _drop_doubled(work: Work, use: EdgeUse) -> EdgeUse:
    """One of several triangles on the same three points."""
    if use.sound:
        return use
    suspects = np.flatnonzero((use.crowded | use.against).reshape(-1, 3).any(axis=1))
    _, first = np.unique(np.sort(work.triangles[suspects], axis=1), axis=0, return_index=True)
    if len(first) == len(suspects):
        return use
    keep = np.ones(len(work.triangles), bool)
    keep[suspects] = False
    keep[suspects[first]] = True
    work.note("doubled", int((~keep).sum()), "1 doubled triangle dropped", "{} doubled triangles dropped")
    _keep(work, keep)
    return work.edges()


def _drop_fins(work: Work, use: EdgeUse) -> EdgeUse:
    """Triangles that hang on an edge which is complete without them, and by nothing else."""
    total = 0
    for _ in range(8):
        hanging = use.crowded.reshape(-1, 3).any(axis=1) & use.border.reshape(-1, 3).any(axis=1)
        if not hanging.any():
            break
        total += int(hanging.sum())
        _keep(work, np.logical_not(hanging))
        use = work.edges()
    work.note(
        "fins",
        total,
        "1 triangle that stuck out of the surface dropped",
        "{} triangles that stuck out of the surface dropped",
    )
    return use


def _turn(work: Work, use: EdgeUse) -> EdgeUse:
    if not use.against.any():
        return use
    turn = consistent_turns(work.triangles, use, work.sizes().areas)
    if turn.any():
        work.turn(turn)
        work.note(
            "turned",
            int(turn.sum()),
            "1 triangle turned the right way round",
            "{} triangles turned the right way round",
        )
    return work.edges()


def _flip_slivers(work: Work, use: EdgeUse) -> EdgeUse:
    """Triangles without height: their long edge is swapped for the other diagonal."""
    total = 0
    for _ in range(4):
        sizes = work.sizes()
        thin = np.flatnonzero(2.0 * sizes.areas <= work.tolerance * np.sqrt(sizes.squares.max(axis=1)))
        if not len(thin):
            break
        swapped = _swap_long_edges(work, use, thin.tolist())
        if not swapped:
            break
        total += swapped
        use = work.edges()
    work.note("no area", total, "1 triangle without height mended", "{} triangles without height mended")
    return use


def _edges_among(thin: IntArray, beside: IntArray, first: IntArray, last: IntArray) -> set[tuple[int, int]]:
    """The edges, lower vertex first, between vertices of thin triangles and their neighbours: of all there are many."""
    asked = np.zeros(int(first.max()) + 1, bool)
    asked[thin] = asked[beside] = True
    near = asked[first] & asked[last]
    return set(zip(np.minimum(first, last)[near].tolist(), np.maximum(first, last)[near].tolist(), strict=True))


def _swap_long_edges(work: Work, use: EdgeUse, thin: list[int]) -> int:
    first, last = starts_ends(work.triangles)
    apex = turned_columns(work.triangles, 2)
    beside = np.maximum(use.partner.reshape(-1, 3)[thin].ravel(), 0) // 3
    known = _edges_among(work.triangles[thin], work.triangles[beside], first, last)
    triangles, touched, swapped = work.triangles.copy(), set(), 0
    for t in thin:
        halves = [3 * t, 3 * t + 1, 3 * t + 2]
        length = np.linalg.norm(work.vertices[last[halves]] - work.vertices[first[halves]], axis=1)
        half = halves[int(np.argmax(length))]
        other = int(use.partner[half])
        if other < 0 or use.against[half] or t in touched or other // 3 in touched:
            continue
        a, c, b, d = int(first[half]), int(last[half]), int(apex[half]), int(apex[other])
        if b == d or (min(b, d), max(b, d)) in known:
            continue
        triangles[t], triangles[other // 3] = (a, d, b), (d, c, b)
        known.add((min(b, d), max(b, d)))
        touched |= {t, other // 3}
        swapped += 1
    work.triangles = triangles
    return swapped


def _share_out(work: Work, use: EdgeUse) -> IntArray:
    work.note(
        "crowded",
        len(np.unique(use.group[use.crowded])),
        "1 edge with more than two triangles parted",
        "{} edges with more than two triangles parted",
    )
    work.note(
        "one-sided",
        int(use.against.sum()) // 2,
        "1 edge cut where the surface is one-sided",
        "{} edges cut where the surface is one-sided",
    )
    return paired_around_crowded(work.vertices, work.triangles, use)
