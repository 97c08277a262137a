"""Facet soup to an indexed mesh: corners with equal coordinates become one vertex."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rejoin.core.records import FloatArray, IntArray


def same_rows(points: npt.NDArray[np.floating]) -> tuple[IntArray, IntArray]:
    """Which rows (n, 3) are equal: first row (k,) of each group in order of appearance, and the group (n,) of each row.

    Rows are compared exactly (a minus zero equals zero). A 64-bit mix of the
    bits is sorted instead of the rows; should two different rows share it, the
    rows themselves are sorted.
    """
    bits = np.ascontiguousarray(points + points.dtype.type(0.0)).view(f"u{points.dtype.itemsize}").astype(np.uint64)
    key = np.zeros(len(points), np.uint64)
    for column in range(3):
        key ^= bits[:, column]
        key *= np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    order = np.argsort(key, kind="stable")
    first, group = _groups(order, key[order][1:] != key[order][:-1])
    if not np.array_equal(bits[first[group]], bits):
        order = np.lexsort(bits.T[::-1])
        first, group = _groups(order, (bits[order][1:] != bits[order][:-1]).any(axis=1))
    return first, group


def _groups(order: npt.NDArray[np.int64], starts_new: npt.NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """First members and group numbers, renumbered by first appearance; ``order`` must be stable."""
    begin = np.concatenate([[0], np.flatnonzero(starts_new) + 1]) if len(order) else np.empty(0, np.int64)
    first = order[begin]
    appearance = np.argsort(first)
    rank = np.empty(len(first), np.int32)
    rank[appearance] = np.arange(len(first), dtype=np.int32)
    group = np.empty(len(order), np.int32)
    group[order] = np.repeat(rank, np.diff(np.append(begin, len(order))))
    return first[appearance].astype(np.int32), group


def welded_exactly(corners: npt.NDArray[np.floating]) -> tuple[FloatArray, IntArray]:
    """Vertices (n, 3) and triangles (m, 3) of the corners (3m, 3) of m facets."""
    first, group = same_rows(corners)
    return corners[first].astype(np.float64), group.reshape(-1, 3)
