"""A closed surface around sparse grid points where a field exceeds zero (marching tetrahedra).

Each grid cell is cut into the six tetrahedra that share its long diagonal
(Kuhn 1960; Freudenthal 1942), the same way in every cell, so the pieces meet
face to face; points outside the set count as outside. The result is then
closed and every edge has two triangles, whatever the values are.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import numpy.typing as npt

from rejoin.core.meshes import sorted_unique
from rejoin.core.records import FloatArray, Mesh

Keys = npt.NDArray[np.int64]
_BITS = 20
_CORNERS = np.array([[(c >> k) & 1 for k in range(3)] for c in range(8)], np.int64)


def pack(cells: npt.NDArray[np.int64]) -> Keys:
    """One integer for each (n, 3) grid index (0 to 2^20 - 1, three times)."""
    return (cells[:, 0] << (2 * _BITS)) | (cells[:, 1] << _BITS) | cells[:, 2]


def unpack(keys: Keys) -> npt.NDArray[np.int64]:
    """The (n, 3) grid indices of `pack`."""
    mask = (1 << _BITS) - 1
    return np.stack([keys >> (2 * _BITS), (keys >> _BITS) & mask, keys & mask], axis=1)


_CORNER_KEYS = pack(_CORNERS)
_SORTED_CORNERS = np.sort(_CORNER_KEYS)


def _tetrahedra() -> npt.NDArray[np.int64]:
    """Six paths from corner 0 to corner 7, all turned the same way."""
    paths = []
    for order in permutations(range(3)):
        path = [0]
        for axis in order:
            path.append(path[-1] | (1 << axis))
        edges = _CORNERS[path[1:]] - _CORNERS[path[0]]
        if np.linalg.det(edges.astype(float)) < 0:
            path[1], path[2] = path[2], path[1]
        paths.append(path)
    return np.array(paths, np.int64)


_TETRAHEDRA = _tetrahedra()


def _cases() -> list[list[tuple[tuple[int, int], ...]]]:
    """For each inside pattern of a tetrahedron its triangles, each three (inside, outside) edges."""
    # rows: the inside corners first, in an order that keeps the turning of 0 1 2 3
    even = {p for p in permutations(range(4)) if np.linalg.det(np.eye(4)[list(p)]) > 0}
    table: list[list[tuple[tuple[int, int], ...]]] = []
    for pattern in range(16):
        inside = [c for c in range(4) if pattern >> c & 1]
        outside = [c for c in range(4) if not pattern >> c & 1]
        order = tuple(inside + outside)
        if order not in even and len(inside) in (1, 2, 3):
            if len(inside) >= 2:
                inside = [inside[1], inside[0], *inside[2:]]
            else:
                outside = [outside[1], outside[0], *outside[2:]]
        if len(inside) == 1:
            a, (b, c, d) = inside[0], outside
            table.append([((a, b), (a, c), (a, d))])
        elif len(inside) == 3:
            (b, c, d), a = inside, outside[0]
            table.append([((b, a), (c, a), (d, a))])
        elif len(inside) == 2:
            (a, b), (c, d) = inside, outside
            table.append([((a, c), (a, d), (b, d)), ((a, c), (b, d), (b, c))])
        else:
            table.append([])
    return table


_CASES = _cases()


def contour(
    keys: Keys, values: FloatArray, origin: FloatArray, step_mm: float, keep_clear: float = 0.08, closed: bool = True
) -> Mesh:
    """The surface where ``values`` crosses zero, positive inside.

    Parameters
    ----------
    keys : (n,) int64
        Sorted `pack` keys of the grid points, none at the border of the key range.
    values : (n,) float64
    origin : (3,) position of grid point 0 0 0, mm
    step_mm : float
    keep_clear : float
        Share of an edge by which the crossing stays away from grid points, so
        that no triangle degenerates.
    closed : bool
        Whether points not listed count as outside; else the surface ends
        where the points end.

    Returns
    -------
    Mesh
        Outward; closed where asked; empty where nothing is inside.
    """
    lowest = float(values.min()) if len(values) else -1.0
    beyond = min(lowest, -1e-3)
    positive = keys[values > 0]
    cells = sorted_unique(positive[:, None] - _CORNER_KEYS[None, :])
    spots = cells[:, None] + _CORNER_KEYS[None, :]
    at = np.searchsorted(keys, spots)
    at[at == len(keys)] = 0
    known = keys[at] == spots if len(keys) else np.zeros(spots.shape, bool)
    corner_values = np.where(known, values[at] if len(keys) else 0.0, beyond)
    corner_values = np.where(corner_values > 0, corner_values, np.minimum(corner_values, -1e-12))
    mixed = ~(corner_values > 0).all(axis=1) & (closed | known.all(axis=1))
    cells, corner_values = cells[mixed], corner_values[mixed]

    ends: list[npt.NDArray[np.int64]] = []
    levels: list[FloatArray] = []
    for tetrahedron in _TETRAHEDRA:
        local = corner_values[:, tetrahedron]
        pattern = ((local > 0) << np.arange(4)).sum(axis=1)
        for case in range(1, 15):
            chosen = np.flatnonzero(pattern == case)
            for triangle in _CASES[case]:
                pairs = tetrahedron[np.array(triangle)]
                ends.append(cells[chosen, None, None] + _CORNER_KEYS[pairs][None])
                levels.append(corner_values[chosen][:, pairs])
    if not ends or sum(len(e) for e in ends) == 0:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    return _assemble(np.concatenate(ends), np.concatenate(levels), origin, step_mm, keep_clear)


def _assemble(
    ends: npt.NDArray[np.int64], levels: FloatArray, origin: FloatArray, step_mm: float, keep_clear: float
) -> Mesh:
    """One vertex for each crossed edge: ``ends`` (m, 3, 2) grid keys, inside first; ``levels`` alike."""
    flat, value = ends.reshape(-1, 2), levels.reshape(-1, 2)
    low, direction = np.minimum(flat[:, 0], flat[:, 1]), np.abs(flat[:, 0] - flat[:, 1])
    number = np.searchsorted(_SORTED_CORNERS, direction)
    code = low * 8 + number
    order = np.argsort(code, kind="stable")
    fresh = np.concatenate([[True], code[order[1:]] != code[order[:-1]]])
    first, inverse = order[fresh], np.empty(len(code), np.int64)
    inverse[order] = np.cumsum(fresh) - 1
    share = value[first, 0] / (value[first, 0] - value[first, 1])
    share = np.clip(share, keep_clear, 1.0 - keep_clear)[:, None]
    start, end = unpack(flat[first, 0]), unpack(flat[first, 1])
    vertices = origin + step_mm * (start + share * (end - start))
    return Mesh(vertices, inverse.reshape(-1, 3).astype(np.int32))
