"""Rough poses of two views from places that look alike: two pairs of such places, with their normals, give one.

Places are told by histograms of their surroundings (Rusu and others 2009), pairs of oriented points give poses as
Drost and others (2010) do.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rejoin.core.merging.rough import Seen
from rejoin.core.records import FloatArray

Indices = npt.NDArray[np.int64]

ALIKE = 3
"""Look-alikes of each place."""
TRIES = 2_000_000
"""Pairs of pairs that are drawn."""
TURNED = np.deg2rad(10.0)
"""Angle by which the normals of two pairs differ at most, against the line between them and each other."""
KEPT = 20_000
"""Poses that are kept, those whose normals fit best."""
CHUNK, ROWS = 100_000, 64
"""Pairs of pairs, and places, that are looked at in one go: so many stay in the processor's own memory."""


def drawn(a: Seen, b: Seen, least_move_mm: float) -> FloatArray:
    """Poses (k, 4, 4) ``a_from_b`` from two look-alike places at a time, those that fit best first.

    Parameters
    ----------
    a, b : Seen
    least_move_mm : float
        Only places at least so far from where they look alike count.
    """
    i, j = _pairs(a, b, ALIKE if least_move_mm == 0.0 else 8 * ALIKE)
    apart = np.linalg.norm(a.points[i] - b.points[j], axis=1) >= least_move_mm
    i, j = i[apart], j[apart]
    if not len(i):
        return np.empty((0, 4, 4))
    rng = np.random.default_rng(1)
    tries = np.stack([rng.integers(0, len(i), TRIES), rng.integers(0, len(i), TRIES)])
    ends = [(a.points[i], a.normals[i]), (b.points[j], b.normals[j])]
    parts = [_fitting(ends, tries[:, start : start + CHUNK], a.step_mm) for start in range(0, TRIES, CHUNK)]
    fitting, off = np.concatenate([part[0] for part in parts], axis=1), np.concatenate([part[1] for part in parts])
    one, two = fitting[:, np.argsort(off, kind="stable")[:KEPT]]
    frames = [_frames(points[two] - points[one], normals[one] + normals[two]) for points, normals in ends]
    poses = np.tile(np.eye(4), (len(one), 1, 1))
    poses[:, :3, :3] = turns = np.einsum("kij,klj->kil", *frames)
    middles = [0.5 * (points[one] + points[two]) for points, _ in ends]
    poses[:, :3, 3] = middles[0] - np.einsum("kij,kj->ki", turns, middles[1])
    return np.asarray(poses[np.abs(np.linalg.det(turns) - 1.0) < 1e-6])


def _pairs(a: Seen, b: Seen, most: int) -> tuple[Indices, Indices]:
    """Places of a and of b that look alike: some of each of b's, the best of each of a's."""
    found = []
    for first, second in zip(a.shapes, b.shapes, strict=True):
        near_a, near_b = nearest(first, second, min(most, len(first)))
        found.append(np.stack([near_a.ravel(), np.repeat(np.arange(len(second)), near_a.shape[1])]))
        found.append(np.stack([np.arange(len(first)), near_b]))
    i, j = np.concatenate(found, axis=1)
    return i, j


def nearest(first: FloatArray, second: FloatArray, most: int) -> tuple[Indices, Indices]:
    """Which of some descriptors are nearest, by comparing all with all: trees are no quicker in 33 dimensions.

    Parameters
    ----------
    first, second : (n, d), (m, d)
    most : int

    Returns
    -------
    (m, most), (n,)
        For each of the second those of the first, nearest first; for each of the first the nearest of the second.
    """
    middle = first.mean(axis=0)
    one, two = ((part - middle).astype(np.float32) for part in (first, second))
    squares, lines = [np.einsum("ij,ij->i", part, part) for part in (one, two)], np.ascontiguousarray(-2.0 * one.T)
    near, back = np.empty((len(two), most), np.int64), np.zeros(len(one), np.int64)
    least, every = np.full(len(one), np.inf, np.float32), np.arange(len(one))
    for start in range(0, len(two), ROWS):
        part = slice(start, start + ROWS)
        apart = two[part] @ lines + squares[0]
        whole = apart + squares[1][part, None]
        low = whole.argmin(axis=0)
        better = whole[low, every] < least
        least[better], back[better] = whole[low, every][better], low[better] + start
        for place in range(most):
            near[part, place] = which = apart.argmin(axis=1)
            apart[np.arange(len(apart)), which] = np.inf
    return near, back


def _fitting(ends: list[tuple[FloatArray, FloatArray]], tries: Indices, step_mm: float) -> tuple[Indices, FloatArray]:
    """Of pairs of pairs (2, k) those as far apart in a as in b, and turned alike; by how much they are not (rad).

    ``ends`` are the places and normals (n, 3) in a, and those in b that look like them.
    """
    lines = [np.take(points, tries[1], axis=0) - np.take(points, tries[0], axis=0) for points, _ in ends]
    lengths = [np.sqrt(np.einsum("ij,ij->i", line, line)) for line in lines]
    tries = tries[:, left := (np.abs(lengths[0] - lengths[1]) < 1.2 * step_mm) & (lengths[0] > 8.0 * step_mm)]
    ways = [line[left] / long[left, None] for line, long in zip(lines, lengths, strict=True)]
    normals, off = [own for _, own in ends], np.zeros(tries.shape[1])
    # What fails at one angle is not asked for the next.
    for first, second in ((None, 0), (None, 1), (0, 1)):
        pairs = [(way if first is None else own[tries[first]], own[tries[second]])
                 for way, own in zip(ways, normals, strict=True)]  # fmt: skip
        told = [np.einsum("ij,ij->i", *pair) for pair in pairs]
        one, other = np.arccos(np.clip(told, -1.0, 1.0))
        off = np.maximum(off, np.abs(one - other))
        good = off < TURNED
        tries, off, ways = tries[:, good], off[good], [way[good] for way in ways]
    return tries, off


def _frames(along: FloatArray, up: FloatArray) -> FloatArray:
    """(k, 3, 3) columns: along, made a unit, up made square to it, and their cross product."""
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    up = up - np.einsum("ij,ij->i", up, along)[:, None] * along
    up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 1e-12)
    return np.stack([along, up, np.cross(along, up)], axis=2)
