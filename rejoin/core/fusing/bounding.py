"""What several smooth surfaces bound together: their heights combined by greatest (an edge) and least (a corner).

A part near a few of its surfaces is what lies inside some and outside none,
nested in some order (Rvachev 1982). Of all orders the one is taken whose
boundary runs through what was scanned of each surface.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from rejoin.core.records import FloatArray

Tree: TypeAlias = int | tuple[bool, "Tree", "Tree"]
"""A surface's number, or (whether the greatest counts, else the least, of two trees)."""

MOST = 5
"""Surfaces whose orders are all tried; there are 1680 of 5."""
THROUGH = 0.8
"""Share of each surface's own vertices that the boundary runs through."""


def combined(own: Sequence[Sequence[FloatArray]], close_mm: float) -> Tree | None:
    """The order in which surfaces bound the part; None where there is none.

    Parameters
    ----------
    own : sequence of sequences of (k,) arrays
        ``own[i][j]``: heights of vertices of surface i over surface j, + outside, mm.
    close_mm : float
        So near to the boundary a vertex lies on it.
    """
    count = len(own)
    if count == 0:
        return None
    sides = [float(np.median(own[i][j])) for i in range(count) for j in range(count) if i != j]
    for greatest in (True, False):
        if all((side < 0.0) == greatest and side != 0.0 for side in sides):
            return _chain(greatest, count)
    if count > MOST:
        return None
    heights = [np.stack(list(over)) for over in own]
    best, share = None, THROUGH
    for tree in _trees(tuple(range(count))):
        least = min(float((np.abs(bounded(tree, over)[0]) < close_mm).mean()) for over in heights)
        if least > share:
            best, share = tree, least
    return best


def bounded(tree: Tree, heights: FloatArray) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Height (k,) over the boundary, from those over each surface (n, k), and the surface that makes it (k,)."""
    if isinstance(tree, int):
        return heights[tree], np.full(heights.shape[1], tree)
    greatest, one, other = tree
    (a, of_a), (b, of_b) = bounded(one, heights), bounded(other, heights)
    first = (a >= b) == greatest
    return np.where(first, a, b), np.where(first, of_a, of_b)


def _chain(greatest: bool, count: int) -> Tree:
    tree: Tree = 0
    for number in range(1, count):
        tree = (greatest, tree, number)
    return tree


def _trees(numbers: tuple[int, ...]) -> Iterator[Tree]:
    """Every order of some surfaces; the first stays in the first branch, so that none comes twice."""
    if len(numbers) == 1:
        yield numbers[0]
        return
    first, rest = numbers[0], numbers[1:]
    for mask in range(1, 1 << len(rest)):
        there = tuple(n for k, n in enumerate(rest) if mask >> k & 1)
        here = (first, *(n for k, n in enumerate(rest) if not mask >> k & 1))
        for one in _trees(here):
            for other in _trees(there):
                yield (True, one, other)
                yield (False, one, other)
